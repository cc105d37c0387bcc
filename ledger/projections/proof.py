"""The Merkle tree over the log as it is kept: a leaf an entry, over the very bytes that the log stores.

Owns the table nodes. Read back, an entry of an old schema is another value than the one that was written: so the leaves are
made from what the log keeps and not from the entries that a projection is given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from typing import Any, TypeVar

import psycopg

from ledger.books import proof as tree
from ledger.log import queries
from ledger.plants.recorded import Recorded

SQL = queries.load("ledger.projections", "proof.sql")

Cursor = psycopg.Cursor[Any]
Found = TypeVar("Found")


class NotSoFar(LookupError):
    """The tree does not stand over so many entries yet."""


class Proof:
    """The projection as the runner knows it."""

    name = "proof"
    version = 1
    with_the_pen = False
    tables = queries.text("ledger.projections", "proof.tables.sql")

    def apply(self, cursor: Cursor, entries: Sequence[Recorded]) -> None:
        """Add the leaves of a chunk of the log, and every node that they complete."""
        first, last = entries[0].position, entries[-1].position
        kept = cursor.execute(SQL["contents"], {"first": first, "last": last}).fetchall()
        if len(kept) != last - first + 1:
            raise ValueError(f"of the positions {first} to {last} {last - first + 1 - len(kept)} are not there")
        before = _load(cursor, tree.edge(first - 1))
        made = tree.grown(first - 1, before, (tree.leaf(content.encode()) for (content,) in kept))
        cursor.execute(
            SQL["put"],
            {"level": [node[0] for node in made], "number": [node[1] for node in made], "hash": list(made.values())},
        )


def _load(cursor: Cursor, nodes: Iterable[tree.Node]) -> dict[tree.Node, bytes]:
    wanted = list(nodes)
    rows = cursor.execute(SQL["nodes"], {"level": [node[0] for node in wanted], "number": [node[1] for node in wanted]})
    return {(level, number): bytes(found) for level, number, found in rows}


def ask(cursor: Cursor, question: Callable[[tree.Look], Found]) -> Found:
    """Something about the tree, from the nodes that it takes, which are read at once. Raises NotSoFar."""
    nodes = _load(cursor, tree.needed(question))
    try:
        return question(nodes.__getitem__)
    except KeyError as error:
        raise NotSoFar("the tree does not stand over so many entries yet") from error


def root(cursor: Cursor, size: int) -> str | None:
    """The root over the first `size` entries in hex, None where the tree does not stand over so many yet."""
    try:
        return ask(cursor, lambda look: tree.root(size, look)).hex()
    except NotSoFar:
        return None


def followed(cursor: Cursor) -> int:
    """How many entries the tree stands over."""
    row = cursor.execute(SQL["followed"]).fetchone()
    return int(row[0]) if row is not None else 0
