"""Following the log: cursors, building beside and swapping in, and verifying against a replay.

A projection's tables live in a schema of their own, `p_<name>`. A new version is built in `p_<name>_next` from position 0
while the old one serves, and swapped in under the pen. An entry that cannot be applied stops its projection at that
position, loudly; it is never skipped.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from itertools import islice
from typing import Any, Protocol

import psycopg
from psycopg import errors, sql

from ledger.log import queries, store
from ledger.plants.recorded import Recorded
from ledger.projections.books import Books
from ledger.projections.cards import Cards
from ledger.projections.lines import Lines
from ledger.projections.passages import Passages
from ledger.projections.proof import Proof

SQL = queries.load("ledger.projections", "runner.sql")
_CHUNK = 2_000
_SWAP_TRIES = 600
_SWAP_PAUSE_S = 1.0


class Projection(Protocol):
    """A read model. `apply` is given the log in order, in chunks, and writes into the tables on the search path.

    One that is written `with_the_pen` is kept up by the nursery in each entry's own transaction; the others follow.
    """

    name: str
    version: int
    with_the_pen: bool
    tables: Any

    def apply(self, cursor: psycopg.Cursor[Any], entries: Sequence[Recorded]) -> None: ...


ALL: dict[str, Callable[[], Projection]] = {
    "cards": Cards,
    "lines": Lines,
    "passages": Passages,
    "books": Books,
    "proof": Proof,
}

Progress = Callable[[int], None]


class WrongVersion(Exception):
    """A projection's tables are not of this program's version; the message says what to run."""


class Stuck(Exception):
    """An entry could not be applied: the projection stands before it, and nothing after it is applied."""


def _no_progress(_: int) -> None:
    return None


# --- following -------------------------------------------------------------------------------------------------


def follow(connection: store.Connection, progress: Progress = _no_progress) -> None:
    """Bring every projection that follows up to the log's head. One that is stuck keeps none of the others back."""
    stuck: list[Stuck] = []
    for make in ALL.values():
        projection = make()
        if not projection.with_the_pen:
            try:
                _follow_one(connection, projection, progress)
            except Stuck as error:
                stuck.append(error)
    if stuck:
        raise stuck[0]


def _follow_one(connection: store.Connection, projection: Projection, progress: Progress) -> None:
    """Chunk by chunk; a chunk that cannot be applied entry by entry, up to the one that is at fault."""
    most = _CHUNK
    while True:
        try:
            if not _follow_chunk(connection, projection, most, progress):
                return
        except Stuck:
            if most == 1:
                raise
            most = 1


def _follow_chunk(connection: store.Connection, projection: Projection, most: int, progress: Progress) -> bool:
    """True if there may be more. The cursor moves in the same transaction as the tables."""
    name = projection.name
    with connection.transaction(), connection.cursor() as cursor:
        row = cursor.execute(SQL["cursor_of"], {"name": name}).fetchone()
        if row is None:
            raise WrongVersion(f"the projection {name} is not built: run `tallybench migrate`")
        entries = _apply(projection, cursor, row[0], most)
        if not entries:
            return False
        cursor.execute(SQL["move_cursor"], {"name": name, "position": entries[-1].position})
    progress(len(entries))
    return len(entries) == most


def _apply(projection: Projection, cursor: psycopg.Cursor[Any], after: int, most: int = _CHUNK) -> list[Recorded]:
    """Read and apply up to `most` entries after a position."""
    with _loudly(projection, f"the entry at {after + 1}" if most == 1 else f"an entry in {after + 1} to {after + most}"):
        entries = store.read(cursor, after, most)
        if entries:
            projection.apply(cursor, entries)
    return entries


@contextmanager
def _loudly(projection: Projection, where: str) -> Iterator[None]:
    """Whatever goes wrong with an entry is Stuck; a database out of reach is not the entry's fault."""
    try:
        yield
    except psycopg.OperationalError:
        raise
    except Exception as error:
        raise Stuck(f"the projection {projection.name} cannot apply {where}: {error!r}") from error


def lag(cursor: psycopg.Cursor[Any]) -> dict[str, int]:
    """How many entries each projection is behind the head."""
    head = store.head(cursor)
    rows = cursor.execute(SQL["registered"]).fetchall()
    return {name: 0 if ALL[name]().with_the_pen else head - position for name, _, position in rows if name in ALL}


# --- building --------------------------------------------------------------------------------------------------


def check(conninfo: str) -> None:
    """Raises WrongVersion unless every projection stands here in this program's version."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        found = {name: version for name, version, _ in connection.execute(SQL["registered"])}
    for name, make in ALL.items():
        if found.get(name) != make().version:
            raise WrongVersion(f"the projection {name} is not of this program's version: run `tallybench migrate`")


def bring_up_to_date(conninfo: str, progress: Progress = _no_progress) -> None:
    """Build whatever is missing or of another version."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        found = {name: version for name, version, _ in connection.execute(SQL["registered"])}
    for name, make in ALL.items():
        if found.get(name) != make().version:
            rebuild(conninfo, name, progress)


def rebuild(conninfo: str, name: str, progress: Progress = _no_progress) -> int:
    """Build a projection anew beside the old one, from position 0, and swap it in. Its position then."""
    beside = f"p_{name}_next"
    projection = ALL[name]()
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        with connection.transaction():
            connection.execute(SQL["build_alone"])
            connection.execute(sql.SQL("drop schema if exists {} cascade").format(sql.Identifier(beside)))
            _make(connection, projection, beside)
        position, tries = 0, 0
        while True:
            position = _replay(connection, projection, beside, position, progress)
            try:
                return _swap_in(connection, projection, beside, position)
            except errors.LockNotAvailable:  # a long look, such as a backup: let the others pass, then try again
                tries += 1
                if tries == _SWAP_TRIES:
                    raise
                time.sleep(_SWAP_PAUSE_S)


def _swap_in(connection: store.Connection, projection: Projection, beside: str, position: int) -> int:
    """Change the names while nobody looks or writes, then add the entries that came since. The position reached.

    The names come first: only for them may a lock be missing, and then `projection` has not been given anything yet.
    """
    live = f"p_{projection.name}"
    with connection.transaction(), connection.cursor() as cursor:
        cursor.execute(SQL["let_nobody_look"])
        cursor.execute(store.SQL["take_pen"])
        connection.execute(sql.SQL("drop schema if exists {} cascade").format(sql.Identifier(live)))
        connection.execute(sql.SQL("alter schema {} rename to {}").format(sql.Identifier(beside), sql.Identifier(live)))
        _look_at(connection, live)
        while entries := _apply(projection, cursor, position):
            position = entries[-1].position
        cursor.execute(SQL["register"], {"name": projection.name, "version": projection.version, "position": position})
    return position


@contextmanager
def look(connection: store.Connection) -> Iterator[psycopg.Cursor[Any]]:
    """A cursor that sees one moment of the log and the projections, and cannot write."""
    connection.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
    connection.read_only = True
    try:
        with connection.transaction(), connection.cursor() as cursor:
            cursor.execute(SQL["let_nobody_swap"])
            yield cursor
    finally:
        if not connection.closed:
            connection.isolation_level = None
            connection.read_only = None


def _make(connection: store.Connection, projection: Projection, schema: str) -> None:
    """An empty schema with the projection's tables, usable by the application's role."""
    name = sql.Identifier(schema)
    connection.execute(sql.SQL("create schema {}").format(name))
    _look_at(connection, schema)
    connection.execute(projection.tables)
    connection.execute(sql.SQL("grant usage on schema {} to tallybench_app").format(name))
    connection.execute(
        sql.SQL("grant select, insert, update, delete on all tables in schema {} to tallybench_app").format(name)
    )


def _look_at(connection: store.Connection, schema: str) -> None:
    """Until the transaction ends, names mean the tables of this schema and the log's."""
    connection.execute("select set_config('search_path', %s, true)", [f"{schema}, public"])


def _replay(connection: store.Connection, projection: Projection, schema: str, after: int, progress: Progress) -> int:
    """Apply the log from `after` on, a transaction a chunk; the position reached."""
    position = after
    while True:
        with connection.transaction(), connection.cursor() as cursor:
            _look_at(connection, schema)
            entries = _apply(projection, cursor, position)
        if not entries:
            return position
        position = entries[-1].position
        progress(len(entries))


# --- verifying -------------------------------------------------------------------------------------------------


def verify(conninfo: str, progress: Progress = _no_progress, most: int = 20) -> list[str]:
    """Replay the log into scratch tables and compare row by row with what stands; every difference as one line.

    One snapshot (REPEATABLE READ) sees log and tables as of one moment, so writers need not stop; all is rolled back.
    """
    differences: list[str] = []
    for name, make in ALL.items():
        projection = make()
        with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
            connection.isolation_level = psycopg.IsolationLevel.REPEATABLE_READ
            with connection.transaction(force_rollback=True), connection.cursor() as cursor:
                cursor.execute(SQL["let_nobody_swap"])
                registered = {row[0]: row[2] for row in cursor.execute(SQL["registered"])}
                upto = store.head(cursor) if projection.with_the_pen else registered[name]
                _make(connection, projection, "p_verify")
                entries = store.replay(connection, 0, upto)
                with _loudly(projection, f"an entry in 1 to {upto}"):
                    while chunk := list(islice(entries, _CHUNK)):
                        projection.apply(cursor, chunk)
                        progress(len(chunk))
                differences += _compare(connection, f"p_{name}", "p_verify", most)
    return differences


def _compare(connection: store.Connection, live: str, replayed: str, most: int) -> list[str]:
    found: list[str] = []
    for (table,) in connection.execute(SQL["tables_in"], {"schema": live}).fetchall():
        sides = {
            "stands but does not follow from the log": (live, replayed),
            "follows from the log but is missing": (replayed, live),
        }
        for meaning, (one, other) in sides.items():
            query = sql.SQL("select to_jsonb(d)::text from (select * from {} except all select * from {}) d limit {}").format(
                sql.Identifier(one, table), sql.Identifier(other, table), sql.Literal(most)
            )
            found += [f"{table}: {meaning}: {row[0]}" for row in connection.execute(query)]
    return found
