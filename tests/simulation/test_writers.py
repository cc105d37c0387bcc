"""Many writers at once and one reader who follows them: nothing is lost, nothing is missing between, nothing happens twice.

The control runs the same crowd over a bare sequence, where a reader who follows positions does lose entries.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from datetime import timedelta
from random import Random
from typing import Any
from uuid import UUID

import psycopg
import pytest
from psycopg import sql

from ledger.log import codec, store
from ledger.nursery import Job, Nursery, Posted, Unavailable
from ledger.plants.refusals import Refused
from tests.auditor import Fact, audit
from tests.simulation.playing import History, query
from tests.telling import START, Teller

WRITERS = 8
EACH = 25
LATER = START + timedelta(days=1)
CROP = "ixora-copper-thimble"
POTS: Fact = {"crop": CROP, "stage": "finished", "size": "P9", "place": "G1"}

#: one writer's work, by its number: the ids of what it was told is written
Write = Callable[[int], list[UUID]]


def pause(random: Random) -> None:
    """Mostly none, sometimes long enough for all the others to overtake."""
    time.sleep(random.choice([0, 0, 0.0005, 0.004]))


def crowd(conninfo: str, table: sql.Identifier, write: Write) -> tuple[set[UUID], list[tuple[int, UUID]]]:
    """Let all writers loose and follow them: what they were told is written, and what the reader saw, in its order."""
    seen: list[tuple[int, UUID]] = []
    finished = threading.Event()
    page = sql.SQL("select position, id from {} where position > %s order by position limit 100").format(table)

    def follow() -> None:
        with psycopg.connect(conninfo, autocommit=True) as connection:
            last_look = False
            while True:
                rows = connection.execute(page, [seen[-1][0] if seen else 0]).fetchall()
                seen.extend(rows)
                if not rows and last_look:
                    return
                last_look = finished.is_set()

    with ThreadPoolExecutor(WRITERS + 1) as pool:
        reader = pool.submit(follow)
        try:
            written = {entry for ids in pool.map(write, range(WRITERS)) for entry in ids}
        finally:
            finished.set()
        reader.result()
    return written, seen


@pytest.fixture
def stocked(database: str) -> tuple[str, str]:
    """A ledger with a batch of 500 finished pots at G1: its conninfo and the batch's number."""
    teller = Teller()
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        came = nursery.post([teller.tell("bought-in", units=500, supplier_batch="7", **POTS)])
    return database, came.balances[0].account.split("/")[0]


def lost(teller: Teller, batch: str) -> Fact:
    """One plant of the batch, found dead."""
    return teller.fact("lost", batch=batch, stage="finished", place="G1", units=1, cause="rot")


def test_the_pen_loses_nothing_and_leaves_no_gap(stocked: tuple[str, str], monkeypatch: pytest.MonkeyPatch) -> None:
    """Eight writers with delays and broken connections; a reader who only ever looks ahead sees every entry once."""
    conninfo, batch = stocked
    append, chance = store.append, Random(5)

    def slow_and_unsafe(*given: Any) -> None:
        pause(chance)
        append(*given)
        pause(chance)
        if chance.random() < 0.2:
            raise psycopg.OperationalError("the connection is gone before the commit")

    monkeypatch.setattr(store, "append", slow_and_unsafe)

    def write(number: int) -> list[UUID]:
        teller = Teller(LATER, seed=100 + number)
        told = [codec.read_told(lost(teller, batch)) for _ in range(EACH)]
        with Nursery(conninfo) as nursery:
            for entries in told:
                while True:
                    try:
                        nursery.post(entries)
                        break
                    except Unavailable:  # told again, with the same id
                        continue
        return [entry.id for entries in told for entry in entries]

    written, seen = crowd(store.owner_conninfo(conninfo), sql.Identifier("entries"), write)
    positions = [position for position, _ in seen]
    assert positions == list(range(1, len(seen) + 1))
    assert len(written) == WRITERS * EACH
    assert written <= {entry for _, entry in seen}
    assert len({entry for _, entry in seen}) == len(seen)
    assert audit(History(conninfo=conninfo).log())[1] == []
    assert History(conninfo=conninfo).balances()[f"{batch}/finished/G1", "pot:P9"] == 500 - WRITERS * EACH


def test_a_bare_sequence_does_lose_entries(database: str) -> None:
    """The control: the same crowd where positions come from a sequence. If nothing were lost here, the test above is blind."""
    conninfo = store.owner_conninfo(database)
    with psycopg.connect(conninfo) as connection:
        connection.execute("create table bare (position bigint generated always as identity primary key, id uuid not null)")

    def write(number: int) -> list[UUID]:
        chance, written = Random(number), list[UUID]()
        with psycopg.connect(conninfo) as connection:
            while len(written) < EACH:
                entry = UUID(int=chance.getrandbits(128))
                with connection.transaction() as transaction:
                    pause(chance)
                    connection.execute("insert into bare (id) values (%s)", [entry])
                    pause(chance)
                    if chance.random() < 0.2:
                        raise psycopg.Rollback(transaction)
                    written.append(entry)
        return written

    written, seen = crowd(conninfo, sql.Identifier("bare"), write)
    positions = [position for position, _ in seen]
    assert written - {entry for _, entry in seen}, "a bare sequence lost nothing: there was no crowd"
    assert positions != list(range(1, len(seen) + 1))


@pytest.mark.parametrize("kind", ["lost", "bought-in"])
def test_two_identical_commands_at_once_have_one_effect_and_equal_answers(stocked: tuple[str, str], kind: str) -> None:
    """Two devices send the same entry at the same moment: it is written once, and both are told the same."""
    conninfo, batch = stocked
    teller = Teller(LATER, seed=9)
    barrier = threading.Barrier(2, timeout=10)
    rounds = 15

    def send(nursery: Nursery, fact: Fact) -> Posted:
        barrier.wait()
        return nursery.post(codec.read_told(fact))

    with Nursery(conninfo) as one, Nursery(conninfo) as other, ThreadPoolExecutor(2) as pool:
        for _ in range(rounds):
            fact = lost(teller, batch) if kind == "lost" else teller.fact(kind, units=7, supplier_batch="8", **POTS)
            first, second = (pool.submit(send, nursery, fact) for nursery in (one, other))
            assert first.result() == second.result()
    assert query(conninfo, "select count(*), count(distinct id), max(position) from entries") == [
        (before_and(rounds), before_and(rounds), before_and(rounds))
    ]


def before_and(rounds: int) -> int:
    """The length of the stocked ledger's log and so many entries more."""
    return len(Teller().beginnings()) + 1 + rounds


@pytest.mark.parametrize("kind", ["lost", "bought-in"])
def test_two_identical_commands_in_one_turn_have_one_effect_and_equal_answers(stocked: tuple[str, str], kind: str) -> None:
    """The same where both wait for the same turn of the pen."""
    conninfo, batch = stocked
    teller = Teller(LATER, seed=9)
    fact = lost(teller, batch) if kind == "lost" else teller.fact(kind, units=7, supplier_batch="8", **POTS)
    jobs = [Job(codec.read_told(fact), "here") for _ in range(2)]
    with Nursery(conninfo) as nursery:
        nursery.turn(jobs)
    assert jobs[0].result() == jobs[1].result()
    assert query(conninfo, "select count(*) from entries") == [(before_and(1),)]


def test_the_last_plants_are_taken_once(stocked: tuple[str, str]) -> None:
    """Eight writers want 80 plants each out of 500: exactly 500 go, and every other wish is refused."""
    conninfo, batch = stocked

    def write(number: int) -> tuple[int, int]:
        teller, taken, refused = Teller(LATER, seed=200 + number), 0, 0
        with Nursery(conninfo) as nursery:
            for _ in range(16):
                try:
                    nursery.post(codec.read_told(lost(teller, batch) | {"units": 5}))
                    taken += 5
                except Refused:
                    refused += 5
        return taken, refused

    with ThreadPoolExecutor(WRITERS) as pool:
        results = list(pool.map(write, range(WRITERS)))
    assert sum(taken for taken, _ in results) == 500
    assert sum(refused for _, refused in results) == 80 * WRITERS - 500
    assert audit(History(conninfo=conninfo).log())[1] == []
