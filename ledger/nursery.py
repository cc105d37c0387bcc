"""The one place where the log meets the rules: take the pen, load, decide, append, project, put the pen down.

Several calls share one turn of the pen: whoever waits goes along in the next turn. A turn reads together, decides one
after the other in memory, and writes together; a refused call leaves no trace, and one flush to disk serves them all.

Entries are never answered for before their commit. The connection's death in the middle leaves the caller with
`Unavailable`: it may post the same entries again, for their ids make sure that each is written once.
"""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Callable, Iterator, Sequence
from datetime import datetime
from types import TracebackType
from typing import Self, TypeVar
from uuid import UUID

import psycopg
from msgspec import Struct

from ledger.log import codec, store
from ledger.plants import rules
from ledger.plants.book import Book, Missing
from ledger.plants.cards import AnyCard, BatchCard, Key
from ledger.plants.desk import Turn
from ledger.plants.entries import Entry, Promised
from ledger.plants.recorded import Recorded, split_standing
from ledger.plants.refusals import IdReused, Problem, Refusal, Refused, VersionConflict, as_problem
from ledger.projections import cards

MOST_ENTRIES_A_TURN = 4_000

Answer = TypeVar("Answer")


class Unavailable(Exception):
    """The database cannot be reached just now. Nothing is known to be lost: post the same entries again."""


class Balance(Struct, frozen=True, kw_only=True):
    """Units at one standing account right after the posted entries."""

    account: str
    unit: str
    units: int


class Posted(Struct, frozen=True, kw_only=True):
    """What became of one call: its entries as written, and the balances that they changed. The same call gets the same."""

    entries: tuple[Recorded, ...]
    balances: tuple[Balance, ...]

    @property
    def as_of(self) -> int:
        """The position of the last of the entries."""
        return max(entry.position for entry in self.entries)


class Job:
    """One call: entries that stand or fall together. `expects`: the version that a card must have (0: none yet)."""

    def __init__(
        self,
        told: Sequence[Entry],
        client: str,
        expects: tuple[Key, int] | None = None,
        digests: Sequence[bytes] | None = None,
    ) -> None:
        """`digests` tell the same call again from another under the same ids, where the entries alone do not."""
        self.told = told
        self.client = client
        self.expects = expects
        self.digests = digests or [codec.digest(entry) for entry in told]
        self.outcome: Posted | Exception | None = None

    def result(self) -> Posted:
        """The answer, or the refusal raised."""
        if isinstance(self.outcome, Posted):
            return self.outcome
        assert self.outcome is not None, "the turn has not been taken"
        raise self.outcome


class Nursery:
    """The service. One object a process; safe to call from several threads, which take turns."""

    def __init__(self, conninfo: str) -> None:
        """`conninfo`: the database as its owner gave it; the nursery works on it as the application's role."""
        self._conninfo = store.app_conninfo(conninfo)
        self._connection: store.Connection | None = None
        self._turns = threading.Lock()
        self._book = Book()
        #: the position up to which `_book` is true; any other at the pen means that somebody else wrote
        self._known = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    @property
    def position(self) -> int:
        """How far this process knows the log to go; below 0 before it has written anything, and after trouble."""
        return self._known

    def close(self) -> None:
        """End the connection; a later call opens another."""
        with self._turns:
            self._drop()

    def post(self, told: Sequence[Entry], client: str = "here") -> Posted:
        """Write entries, all or none, in a turn of their own. Raises Refused with every problem, or Unavailable."""
        job = Job(told, client)
        self.turn([job])
        return job.result()

    # --- one turn ---------------------------------------------------------------------------------------------

    def turn(self, jobs: Sequence[Job]) -> None:
        """Take the pen once for several jobs; each gets its own outcome."""
        with self._turns:
            try:
                self._take_turn(jobs)
            except psycopg.OperationalError as error:
                self._drop()
                gone = Unavailable(f"the database cannot be reached: {error}")
                for job in jobs:
                    job.outcome = gone
            except BaseException:
                self._drop()
                raise

    def _take_turn(self, jobs: Sequence[Job]) -> None:
        if self._connection is None or self._connection.closed:
            self._connection = psycopg.connect(self._conninfo)
        connection = self._connection
        # one pipeline from begin to commit: two round trips a turn, the pen's answer and the commit's
        with connection.pipeline(), connection.transaction(), connection.cursor() as cursor:
            turn = self._open(connection, cursor, jobs)
            decided = [turn.take(job) for job in jobs]
            if turn.written:
                store.append(cursor, turn.written, turn.digests)
                cards.put(cursor, self._book, turn.touches)
        if turn.written:
            self._known = turn.written[-1].position
        cards.forget_turn(self._book)
        for job, outcome in zip(jobs, decided, strict=True):  # not before the commit: decided is not yet written
            job.outcome = outcome

    def _open(self, connection: store.Connection, cursor: cards.Cursor, jobs: Sequence[Job]) -> _Turn:
        """Take the pen, and only then read: each its own statement, so that nothing older than the pen is seen."""
        ids = [entry.id for job in jobs for entry in job.told]
        ids += [reversed_id for job in jobs for entry in job.told if (reversed_id := codec.reverses(entry)) is not None]
        with connection.cursor() as taking:
            taking.execute(store.SQL["take_pen"])
            clock, found = store.known(cursor, ids)
            pen = taking.fetchone()
        assert pen is not None, "the migration makes the pen"
        position, last = pen
        if position < self._known or self._known < 0:
            self._book = Book()
        elif position > self._known:
            cards.forget_changed(cursor, self._book, self._known)
        self._known = position
        book = self._book
        book.entries.update({entry: found[entry][1] if entry in found else None for entry in ids})
        if found:
            book.reversals |= store.reversed_of(cursor, list(found))
        named = {key for job in jobs for entry in job.told for key in _named(entry)}
        cards.load(cursor, book, named)
        cards.load(cursor, book, {key for name in named for key in _implied(book.cards[name])})
        digests = {entry: digest for entry, (digest, _) in found.items()}
        return _Turn(cursor, book, position, clock, last, digests)

    def _drop(self) -> None:
        """After trouble nothing that is remembered is trusted."""
        if self._connection is not None:
            self._connection.close()
        self._connection, self._book, self._known = None, Book(), -1


class _Turn:
    """One turn of the pen, while it is held."""

    def __init__(
        self, cursor: cards.Cursor, book: Book, position: int, clock: datetime, last: datetime, digests: dict[UUID, bytes]
    ) -> None:
        """clock: the database's. last: when the last entry was written; a clock set back never makes the log go back."""
        self.cursor = cursor
        self.book = book
        self.position = position
        self.now = max(clock, last)
        self.behind = self.now - clock
        self.digests = digests
        self.written: list[Recorded] = []
        self.touches: list[cards.Touch] = []

    def take(self, job: Job) -> Posted | Refused:
        """Decide a job on a page of its own: merged if all its entries stand, dropped if one is refused."""
        page = self.book.fork()
        recorded: list[Recorded] = []
        touches: list[cards.Touch] = []
        problems: list[Problem] = []
        digests: dict[UUID, bytes] = {}
        if (conflict := self._conflict(page, job)) is not None:
            problems.append(as_problem(0, conflict))
        for index, (told, digest) in enumerate(zip(job.told, job.digests, strict=True)):
            try:
                before = self._told_before(page, told, digest, digests)
                if before is not None:
                    recorded.append(before)
                    continue
                position = self.position + len(self.written) + len(digests) + 1
                turn = Turn(position=position, now=self.now, client=job.client, behind=self.behind)
                entry, touched = self._write(page, told, turn)
                recorded.append(entry)
                digests[told.id] = digest
                touches += [(key, version, entry.position) for key, version in touched]
            except Refusal as refusal:
                problems.append(as_problem(index, refusal))
        if problems:
            return Refused(problems)
        posted = Posted(entries=tuple(recorded), balances=self._balances(page, recorded))
        new = page.recorded[:]
        page.merge()
        self.digests |= digests
        self.written += new
        self.touches += touches
        return posted

    def _conflict(self, page: Book, job: Job) -> VersionConflict | None:
        if job.expects is None:
            return None
        key, version = job.expects
        card = self._ask(lambda: page.card(*key))
        found = card.version if card is not None else 0
        if found == version:
            return None
        return VersionConflict(f"{key[0]} {key[1]} is at version {found}, not {version}: read it again", version=found)

    def _told_before(self, page: Book, told: Entry, digest: bytes, here: dict[UUID, bytes]) -> Recorded | None:
        known = here.get(told.id) or self.digests.get(told.id)
        if known is None:
            return None
        if known != digest:
            raise IdReused("this id stands for another entry already: give a new entry a new id", field="id")
        return page.entry(told.id)

    def _write(self, page: Book, told: Entry, turn: Turn) -> tuple[Recorded, list[tuple[Key, int]]]:
        entry = self._ask(lambda: rules.decide(page, told, turn))
        return entry, cards.folded(self.cursor, page, self.book, entry)

    def _ask(self, question: Callable[[], Answer]) -> Answer:
        """Ask until nothing is missing any more; each time what was missing is loaded."""
        while True:
            try:
                return question()
            except Missing as missing:
                cards.load_missing(self.cursor, self.book, missing)

    def _balances(self, page: Book, recorded: Sequence[Recorded]) -> tuple[Balance, ...]:
        """Balances right after these entries, also where they were written long ago: summed up to their position then."""
        accounts: dict[str, str] = {}
        for entry in recorded:
            for move in entry.moves:
                for account in (move.source, move.target):
                    if split_standing(account) is not None:
                        accounts[account] = move.unit
        last = max(entry.position for entry in recorded)
        fresh = len(page.recorded) > 0 and page.recorded[-1].position == last
        return tuple(
            Balance(account=account, unit=unit, units=self._units(page, account, None if fresh else last))
            for account, unit in sorted(accounts.items())
        )

    def _units(self, page: Book, account: str, upto: int | None) -> int:
        where = split_standing(account)
        assert where is not None
        holder, stage, place = where
        if upto is None:
            card = self._ask(lambda: page.holder(holder))
            assert card is not None
            return card.standing[f"{stage}/{place}"].units
        here = sum(line.units for line in page.added_at(account) if line.position <= upto)
        return cards.units_at(self.cursor, account, upto) + here


# --- which cards an entry needs at least -------------------------------------------------------------------------

#: the fields of entries that name a card, and its kind; what else a decision needs it asks for
_NAMES = {
    "by": "person",
    "approved_by": "person",
    "label_checked_by": "person",
    "batch": "batch",
    "into": "batch",
    "place": "place",
    "to": "place",
    "gathered_at": "place",
    "crop": "crop",
    "size": "size",
    "order": "order",
    "stock_plant": "stock-plant",
    "region": "destination",
}


def _named(told: Entry) -> Iterator[Key]:
    yield ("policy", "")
    yield ("nursery", "")
    for field in told.__struct_fields__:
        kind = _NAMES.get(field)
        if kind is not None and isinstance(code := getattr(told, field), str):
            yield (kind, code)
    if isinstance(told, Promised):
        for line in told.lines:
            yield ("shelf", f"{line.crop}/{line.size}")
            yield from ((kind, line.crop) for kind in ("crop", "pool", "forecast", "recipe"))


def _implied(card: AnyCard | None) -> Iterator[Key]:
    """What a named batch leads to: its crop, size and shelf, and the outside accounts of its unit."""
    if isinstance(card, BatchCard):
        yield ("crop", card.crop)
        yield ("pool", card.crop)
        if card.size is not None:
            yield ("size", card.size)
            yield ("shelf", f"{card.crop}/{card.size}")
            yield ("outside", f"pot:{card.size}")


# --- sharing turns -----------------------------------------------------------------------------------------------


class Turns:
    """The queue before the pen, for callers on one event loop: while one turn is taken, the next one fills."""

    def __init__(self, nursery: Nursery) -> None:
        self._nursery = nursery
        self._waiting: list[tuple[Job, asyncio.Future[None]]] = []
        self._taking: asyncio.Task[None] | None = None

    async def post(
        self,
        told: Sequence[Entry],
        client: str,
        expects: tuple[Key, int] | None = None,
        digests: Sequence[bytes] | None = None,
    ) -> Posted:
        """Write entries, all or none, in the next turn. Raises Refused or Unavailable."""
        job = Job(told, client, expects, digests)
        done: asyncio.Future[None] = asyncio.get_running_loop().create_future()
        self._waiting.append((job, done))
        if self._taking is None or self._taking.done():
            self._taking = asyncio.create_task(self._take_turns())
        await done
        return job.result()

    async def _take_turns(self) -> None:
        while self._waiting:
            taken = self._next()
            try:
                await asyncio.to_thread(self._nursery.turn, [job for job, _ in taken])
            except BaseException as error:
                for job, done in taken:
                    job.outcome = job.outcome or error if isinstance(error, Exception) else Unavailable(repr(error))
                    _finish(done)
                if not isinstance(error, Exception):
                    raise
            for _, done in taken:
                _finish(done)

    def _next(self) -> list[tuple[Job, asyncio.Future[None]]]:
        """As many as fit into one turn, at least one."""
        entries, count = 0, 0
        for job, _ in self._waiting:
            entries += len(job.told)
            if count and entries > MOST_ENTRIES_A_TURN:
                break
            count += 1
        taken, self._waiting = self._waiting[:count], self._waiting[count:]
        return taken


def _finish(done: asyncio.Future[None]) -> None:
    if not done.done():
        done.set_result(None)
