"""The projection that decisions lean on: cards, their history, and balances. Written in the entry's own transaction.

Owns the tables cards, history, account_lines and balances. It folds with `ledger.plants.evolve` and adds nothing of its own.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from itertools import starmap
from typing import Any
from uuid import UUID

import psycopg

from ledger.log import queries, store
from ledger.plants import cards
from ledger.plants.book import Book, Missing
from ledger.plants.cards import BatchCard, Key, OutsideCard, StockPlantCard
from ledger.plants.evolve import evolve
from ledger.plants.recorded import Line, Recorded, standing
from ledger.projections import proof

NAME = "cards"
VERSION = 5
SQL = queries.load("ledger.projections", "cards.sql")

Cursor = psycopg.Cursor[Any]
#: (card's key, its version after the entry, the entry's position)
Touch = tuple[Key, int, int]


def load(cursor: Cursor, book: Book, keys: Iterable[Key]) -> None:
    """Put cards at hand; one that does not exist is known not to."""
    wanted = [key for key in keys if key not in book.cards]
    if not wanted:
        return
    for key in wanted:
        book.cards[key] = None
    rows = cursor.execute(SQL["load"], {"kinds": [key[0] for key in wanted], "keys": [key[1] for key in wanted]})
    for kind, key, card in rows:
        book.cards[kind, key] = cards.decode(card)


def forget_changed(cursor: Cursor, book: Book, after: int) -> None:
    """Drop the cards that somebody else's entries have changed since a position; all of them if it was many."""
    rows = cursor.execute(SQL["changed"], {"after": after, "limit": _MOST_CHANGED}).fetchall()
    if len(rows) == _MOST_CHANGED:
        book.cards.clear()
    for kind, key in rows:
        book.cards.pop((kind, key), None)


def load_entries(cursor: Cursor, book: Book, ids: Sequence[UUID]) -> None:
    """Put entries at hand by id, and whether they have been taken back."""
    _, found = store.known(cursor, ids)
    for entry in ids:
        book.entries[entry] = found[entry][1] if entry in found else None
    if found:
        book.reversals |= store.reversed_of(cursor, list(found))


def load_missing(cursor: Cursor, book: Book, missing: Missing) -> None:
    """Fetch whatever a decision or the fold asked for."""
    if missing.card is not None:
        load(cursor, book, [missing.card])
    elif missing.entry is not None:
        load_entries(cursor, book, [missing.entry])
    elif missing.lines is not None:
        account, since = missing.lines
        rows = cursor.execute(SQL["lines_since"], {"account": account, "since": since}).fetchall()
        book.stored[account] = (since, list(starmap(Line, rows)))
    elif missing.root is not None:
        book.roots[missing.root] = proof.root(cursor, missing.root)


def units_at(cursor: Cursor, account: str, upto: int) -> int:
    """The balance of a standing account as the stored entries up to a position make it."""
    row = cursor.execute(SQL["units_at"], {"account": account, "position": upto}).fetchone()
    assert row is not None
    return int(row[0])


def put(cursor: Cursor, book: Book, touches: Sequence[Touch]) -> None:
    """Write the cards that a turn or a chunk touched, and note by which entries."""
    last = {key: position for key, _, position in touches}
    written = [(key, card) for key in last if (card := book.cards[key]) is not None]
    noted = [touch for touch in touches if touch[0][0] not in cards.DERIVED]
    lines = _lines(book)
    balances = [_balance(book, key, account) for key, account in book.moved]
    cursor.execute(
        SQL["put"],
        {
            "kind": [key[0] for key, _ in written],
            "key": [key[1] for key, _ in written],
            "version": [card.version for _, card in written],
            "position": [last[key] for key, _ in written],
            "card": [cards.encode(card).decode() for _, card in written],
            "touched_kind": [key[0] for key, _, _ in noted],
            "touched_key": [key[1] for key, _, _ in noted],
            "touched_version": [version for _, version, _ in noted],
            "touched_position": [position for _, _, position in noted],
            "line_account": [account for account, _ in lines],
            "line_at": [line.at for _, line in lines],
            "line_rank": [line.rank for _, line in lines],
            "line_position": [line.position for _, line in lines],
            "line_units": [line.units for _, line in lines],
            **{column: [row[column] for row in balances] for column in _BALANCE},
        },
    )


def _lines(book: Book) -> list[tuple[str, Line]]:
    """What entries have added to their accounts; one line where an entry moves plants there more than once."""
    units: dict[tuple[str, datetime, int, int], int] = {}
    for account, lines in book.added.items():
        for at, rank, position, moved in lines:
            units[account, at, rank, position] = units.get((account, at, rank, position), 0) + moved
    return [(account, Line(at, rank, position, moved)) for (account, at, rank, position), moved in units.items()]


_BALANCE = (
    "account", "unit", "units", "holder", "stage", "place", "crop", "size", "counted_at", "counted_how", "counted_by",
    "last_at",
)  # fmt: skip


def _balance(book: Book, key: Key, account: str) -> dict[str, Any]:
    card = book.cards[key]
    if isinstance(card, OutsideCard):
        return dict.fromkeys(_BALANCE) | {"account": account, "unit": card.unit, "units": card.units[account]}
    assert isinstance(card, BatchCard | StockPlantCard)
    stage, place = account.split("/")
    there = card.standing[account]
    count = there.last_count
    return {
        "account": standing(key[1], stage, place),
        "unit": there.unit,
        "holder": key[1],
        "stage": stage,
        "place": place,
        "crop": card.crop,
        "size": card.size if isinstance(card, BatchCard) else None,
        "units": there.units,
        "counted_at": count.at if count else None,
        "counted_how": count.method.value if count else None,
        "counted_by": count.by if count else None,
        "last_at": there.last_at,
    }


class Cards:
    """The projection as the runner knows it: replays a log into tables of its own."""

    name = NAME
    version = VERSION
    with_the_pen = True
    tables = queries.text("ledger.projections", "cards.tables.sql")

    def __init__(self) -> None:
        self._book = Book()

    def apply(self, cursor: Cursor, entries: Sequence[Recorded]) -> None:
        """Fold a chunk of the log, in order, into the tables on the search path."""
        book = self._book
        touches: list[Touch] = []
        for entry in entries:
            page = book.fork()
            touched = folded(cursor, page, book, entry)
            touches += [(key, version, entry.position) for key, version in touched]
            page.merge()
        put(cursor, book, touches)
        forget_turn(book)


def folded(cursor: Cursor, page: Book, root: Book, entry: Recorded) -> list[tuple[Key, int]]:
    """Evolve, fetching what is missing."""
    while True:
        try:
            return evolve(page, entry)
        except Missing as missing:
            load_missing(cursor, root, missing)


MOST_CARDS_KEPT = 50_000
_MOST_CHANGED = 2_000


def forget_turn(book: Book) -> None:
    """Keep the cards, which are as they are written, and forget what only this turn needed."""
    book.recorded.clear()
    book.entries.clear()
    book.stored.clear()
    book.added.clear()
    book.roots.clear()
    book.reversals.clear()
    book.moved.clear()
    if len(book.cards) > MOST_CARDS_KEPT:
        book.cards.clear()
