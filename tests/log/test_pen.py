"""The pen: one order for all writers, without gaps; several calls in a turn; nothing acknowledged that was not written."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from typing import Any, LiteralString

import anyio
import psycopg
import pytest

from ledger.log import codec, store
from ledger.nursery import Job, Nursery, Posted, Turns, Unavailable
from ledger.plants import numbers
from ledger.plants.entries import Entry
from ledger.plants.refusals import Refused
from ledger.projections import cards, runner
from tests.telling import Teller

POTS = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": "G1"}


class Bench:
    """A ledger with one batch of 50 finished pots at G1, and words for what is done to them."""

    def __init__(self, conninfo: str) -> None:
        self.conninfo = conninfo
        self.teller = Teller()
        with Nursery(conninfo) as nursery:
            nursery.post(codec.read_told(self.teller.beginnings()))
            came = nursery.post([self.teller.tell("bought-in", units=50, supplier_batch="7", **POTS)])
        self.batch = came.balances[0].account.split("/")[0]

    def lost(self, units: int = 1, **fields: Any) -> Entry:
        """So many of them, found dead."""
        return self.teller.tell("lost", batch=self.batch, stage="finished", place="G1", units=units, cause="rot", **fields)

    def ask(self, question: LiteralString) -> list[tuple[Any, ...]]:
        """Rows, seen as the owner."""
        with psycopg.connect(store.owner_conninfo(self.conninfo)) as connection:
            return connection.execute(question).fetchall()

    def standing(self) -> int:
        """Pots at G1."""
        ((units,),) = self.ask("select units from balances where place = 'G1'")
        return int(units)

    def positions(self) -> list[int]:
        """All positions in the log."""
        return [position for (position,) in self.ask("select position from entries order by position")]

    def assert_dense(self, length: int) -> None:
        """The log has this length, no gap, and the pen lies at its end."""
        assert self.positions() == list(range(1, length + 1))
        assert self.ask("select position from pen") == [(length,)]


@pytest.fixture
def bench(database: str) -> Bench:
    """Twenty entries of beginnings and one batch."""
    return Bench(database)


@pytest.fixture
def nursery(bench: Bench) -> Iterator[Nursery]:
    """Open on the bench's ledger."""
    with Nursery(bench.conninfo) as opened:
        yield opened


BEGUN = len(Teller().beginnings()) + 1


# --- one order -------------------------------------------------------------------------------------------------


def test_positions_are_dense_from_one(bench: Bench, nursery: Nursery) -> None:
    """Whatever the lengths of the lists; each entry's own content carries its position."""
    lengths = (1, 7, 2, 1, 30)
    for length in lengths:
        posted = nursery.post([bench.lost() for _ in range(length)])
        assert [entry.position for entry in posted.entries] == list(range(posted.as_of - length + 1, posted.as_of + 1))
    bench.assert_dense(BEGUN + sum(lengths))
    assert bench.ask("select count(*) from entries where position <> (content::jsonb ->> 'position')::bigint") == [(0,)]


def test_a_refused_call_leaves_no_gap(bench: Bench, nursery: Nursery) -> None:
    """Neither the refused entry nor the good ones told with it take a position."""
    with pytest.raises(Refused):
        nursery.post([bench.lost(3), bench.lost(48)])
    bench.assert_dense(BEGUN)
    assert nursery.post([bench.lost(3)]).as_of == BEGUN + 1
    assert bench.standing() == 47


def test_a_turn_that_is_rolled_back_leaves_no_gap(bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also where its rows were written already."""
    append = store.append

    def and_break(*turn: Any) -> None:
        append(*turn)
        raise psycopg.OperationalError("broken before the commit")

    with monkeypatch.context() as patch:
        patch.setattr(store, "append", and_break)
        with pytest.raises(Unavailable):
            nursery.post([bench.lost(3)])
    bench.assert_dense(BEGUN)
    assert nursery.post([bench.lost(3)]).as_of == BEGUN + 1
    assert bench.standing() == 47


def test_recorded_at_never_falls_though_the_clock_was_set_back(bench: Bench, nursery: Nursery) -> None:
    """Where the last entry is later than the clock, the next ones share its time until the clock has caught up."""
    ahead = datetime.now(UTC) + timedelta(hours=1)
    with psycopg.connect(bench.conninfo) as connection:
        connection.execute("update pen set recorded_at = %s", [ahead])
    posted = [nursery.post([bench.lost()]).entries[0] for _ in range(2)]
    assert [entry.recorded_at for entry in posted] == [ahead, ahead]
    with psycopg.connect(bench.conninfo) as connection:
        connection.execute("update pen set recorded_at = %s", [datetime.now(UTC) - timedelta(hours=1)])
    assert nursery.post([bench.lost()]).entries[0].recorded_at < ahead, "the clock rules again once it is ahead of the pen"


def test_recorded_at_rises_with_the_position(bench: Bench) -> None:
    """Two writers who take turns see one clock, the database's."""
    with Nursery(bench.conninfo) as one, Nursery(bench.conninfo) as other:
        for number in range(10):
            (one, other)[number % 2].post([bench.lost()])
    times = [at for (at,) in bench.ask("select recorded_at from entries order by position")]
    assert times == sorted(times)
    assert bench.ask("select recorded_at from pen") == [(times[-1],)]


# --- two processes' worth of memory ----------------------------------------------------------------------------


def test_a_nursery_drops_what_it_remembers_when_another_wrote(bench: Bench) -> None:
    """Each of two decides on what the other left, never on what it remembers itself."""
    with Nursery(bench.conninfo) as one, Nursery(bench.conninfo) as other:
        for left in range(49, 29, -1):
            posted = (one, other)[left % 2].post([bench.lost()])
            assert [balance.units for balance in posted.balances] == [left]
        with pytest.raises(Refused, match="not-enough-standing"):
            one.post([bench.lost(31)])
        other.post([bench.lost(30)])
        with pytest.raises(Refused, match="not-enough-standing"):
            one.post([bench.lost(1)])
    assert bench.standing() == 0
    bench.assert_dense(BEGUN + 21)


def test_fifty_plants_are_taken_fifty_times_and_never_more(bench: Bench) -> None:
    """Two nurseries, four threads each, hammer one batch: every answer's balance is another, none is below 0."""
    threads, tries = 4, 10
    told = [[bench.lost() for _ in range(tries)] for _ in range(2 * threads)]
    start = threading.Barrier(2 * threads, timeout=10)

    def take(nursery: Nursery, entries: list[Entry]) -> list[int]:
        left: list[int] = []
        start.wait()
        for entry in entries:
            try:
                left += [balance.units for balance in nursery.post([entry]).balances]
            except Refused as refused:
                assert [problem.code for problem in refused.problems] == ["not-enough-standing"]  # noqa: PT017 - of each thread
        return left

    with Nursery(bench.conninfo) as one, Nursery(bench.conninfo) as other, ThreadPoolExecutor(2 * threads) as pool:
        taking = [pool.submit(take, (one, other)[number % 2], entries) for number, entries in enumerate(told)]
        left = [units for taken in taking for units in taken.result()]
    assert sorted(left) == list(range(50))
    assert bench.standing() == 0
    bench.assert_dense(BEGUN + 50)
    assert runner.verify(bench.conninfo) == []


def test_two_writers_never_give_one_batch_number_twice(bench: Bench) -> None:
    """Numbers are given under the pen, and a refused call gives its number back."""
    with Nursery(bench.conninfo) as one, Nursery(bench.conninfo) as other:
        given = []
        for number in range(8):
            writer = (one, other)[number % 2]
            with pytest.raises(Refused):
                writer.post([bench.teller.tell("bought-in", units=1, supplier_batch="8", **POTS), bench.lost(1000)])
            posted = writer.post([bench.teller.tell("bought-in", units=1, supplier_batch="8", **POTS)])
            given.append(posted.balances[0].account.split("/")[0])
    expected, serial = [bench.batch], numbers.serial_of(bench.batch)[1]
    for _ in given:
        following, serial = numbers.next_number("26W38", serial)
        expected.append(following)
    assert [bench.batch, *given] == expected


# --- guards ----------------------------------------------------------------------------------------------------


def test_a_pen_that_somebody_keeps_is_told_and_not_waited_for(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """After the lock timeout the caller has an answer: nothing was written, try again."""
    monkeypatch.setitem(store._SETTINGS, "lock_timeout", "150ms")  # noqa: SLF001 - ten seconds are long in a test
    lost = bench.lost()
    with Nursery(bench.conninfo) as nursery:
        with psycopg.connect(bench.conninfo) as keeper:
            keeper.execute("select position from pen for update")
            begun = time.monotonic()
            with pytest.raises(Unavailable, match="lock timeout"):
                nursery.post([lost])
            assert time.monotonic() - begun < 5
        assert nursery.post([lost]).as_of == BEGUN + 1


def test_every_connection_of_the_service_has_its_limits(database: str) -> None:
    """A lost lock or a forgotten transaction ends by itself, and the role is the one that cannot change the log."""
    with psycopg.connect(store.app_conninfo(database)) as connection:
        settings = {
            name: connection.execute(b"show " + name.encode()).fetchone()
            for name in ("role", "lock_timeout", "idle_in_transaction_session_timeout", "TimeZone", "transaction_isolation")
        }
    assert settings == {
        "role": ("tallybench_app",),
        "lock_timeout": ("10s",),
        "idle_in_transaction_session_timeout": ("30s",),
        "TimeZone": ("UTC",),
        "transaction_isolation": ("read committed",),
    }


def stale(bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch) -> None:
    """Let a nursery take what it remembers for true although another wrote since."""
    nursery.post([bench.lost(10)])
    with Nursery(bench.conninfo) as other:
        other.post([bench.lost(35)])
    monkeypatch.setattr(nursery, "_known", bench.positions()[-1])


def test_a_decision_from_a_stale_memory_is_stopped_by_the_second_guard(
    bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Were the pen's rule ever broken, the key (kind, card, version) would still refuse the write, whole."""
    stale(bench, nursery, monkeypatch)
    lost = bench.lost(20)
    with pytest.raises(psycopg.errors.UniqueViolation, match="history"):
        nursery.post([lost])
    bench.assert_dense(BEGUN + 2)
    assert bench.standing() == 5
    with pytest.raises(Refused, match="not-enough-standing"):
        nursery.post([lost])
    assert nursery.post([bench.lost(5)]).as_of == BEGUN + 3


def test_nobody_is_told_that_an_entry_stands_which_the_guard_refused(
    bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Decided is not yet written: where the writing fails, every call of the turn hears of it."""
    stale(bench, nursery, monkeypatch)

    async def post() -> Posted:
        return await Turns(nursery).post([bench.lost(1)], "here")

    with pytest.raises(psycopg.errors.UniqueViolation):
        anyio.run(post)
    bench.assert_dense(BEGUN + 2)


def test_a_job_of_a_failed_turn_has_no_answer(bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch) -> None:
    """The same, seen from the job."""
    stale(bench, nursery, monkeypatch)
    job = Job([bench.lost(1)], "here")
    with pytest.raises(psycopg.errors.UniqueViolation):
        nursery.turn([job])
    assert not isinstance(job.outcome, Posted)


# --- several calls in one turn ---------------------------------------------------------------------------------


def test_in_one_turn_a_refused_call_leaves_the_others_standing(bench: Bench, nursery: Nursery) -> None:
    """Each call sees what those before it left; the refused one leaves no trace, and no position."""
    jobs = [Job(told, f"client {number}") for number, told in enumerate(
        ([bench.lost(30)], [bench.lost(5), bench.lost(21)], [bench.lost(15), bench.lost(5)], [bench.lost(1)])
    )]  # fmt: skip
    nursery.turn(jobs)
    assert jobs[0].result().balances[0].units == 20
    with pytest.raises(Refused) as refused:
        jobs[1].result()
    assert [(problem.index, problem.code) for problem in refused.value.problems] == [(1, "not-enough-standing")]
    assert [entry.position for entry in jobs[2].result().entries] == [BEGUN + 2, BEGUN + 3]
    assert jobs[2].result().balances[0].units == 0
    with pytest.raises(Refused):
        jobs[3].result()
    bench.assert_dense(BEGUN + 3)
    assert bench.ask(f"select client from entries where position > {BEGUN} order by position") == [  # noqa: S608 - a number
        ("client 0",), ("client 2",), ("client 2",)
    ]  # fmt: skip
    assert runner.verify(bench.conninfo) == []


def test_the_same_call_again_gets_the_balances_of_then(bench: Bench, nursery: Nursery) -> None:
    """Within the turn in which it was written, with another call between, and long after."""
    first, between = [bench.lost(5), bench.lost(2)], [bench.lost(20)]
    jobs = [Job(told, "here") for told in (first, between, first)]
    nursery.turn(jobs)
    assert [job.result().balances[0].units for job in jobs] == [43, 23, 43]
    assert nursery.post(first).balances == jobs[0].result().balances
    assert nursery.post(between).balances == jobs[1].result().balances


def test_a_turn_of_refusals_alone_writes_nothing(bench: Bench, nursery: Nursery) -> None:
    """And moves no pen."""
    jobs = [Job([bench.lost(51)], "here") for _ in range(3)]
    nursery.turn(jobs)
    for job in jobs:
        with pytest.raises(Refused):
            job.result()
    bench.assert_dense(BEGUN)


# --- connections that die --------------------------------------------------------------------------------------


def terminate(conninfo: str, pid: int) -> None:
    """End another session, and wait until it is gone."""
    with psycopg.connect(conninfo, autocommit=True) as connection:
        connection.execute("select pg_terminate_backend(%s, 5000)", [pid])


@pytest.mark.parametrize("when", ["before the rows", "after the rows"])
def test_a_connection_killed_in_a_turn_is_told_and_the_same_entries_are_written_once(
    bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch, when: str
) -> None:
    """The caller has `Unavailable`, the log has nothing; the same entries again stand once."""
    append = store.append

    def and_die(cursor: psycopg.Cursor[Any], *turn: Any) -> None:
        if when == "after the rows":
            append(cursor, *turn)
        terminate(bench.conninfo, cursor.connection.info.backend_pid)
        if when == "before the rows":
            append(cursor, *turn)

    told = [bench.lost(3), bench.lost(4)]
    with monkeypatch.context() as patch:
        patch.setattr(store, "append", and_die)
        with pytest.raises(Unavailable):
            nursery.post(told)
    bench.assert_dense(BEGUN)
    first = nursery.post(told)
    assert nursery.post(told) == first
    bench.assert_dense(BEGUN + 2)
    assert bench.standing() == 43


def test_an_answer_lost_after_the_commit_is_given_again(
    bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The caller cannot know whether it was written; the same ids make sure that it is, once."""

    def lost_answer(_: Any) -> None:
        raise psycopg.OperationalError("the connection broke when the commit was done")

    told = [bench.lost(3), bench.lost(4)]
    with monkeypatch.context() as patch:
        patch.setattr(cards, "forget_turn", lost_answer)
        with pytest.raises(Unavailable):
            nursery.post(told)
    bench.assert_dense(BEGUN + 2)
    again = nursery.post(told)
    assert [entry.position for entry in again.entries] == [BEGUN + 1, BEGUN + 2]
    bench.assert_dense(BEGUN + 2)
    assert bench.standing() == 43


def test_a_connection_killed_between_turns_costs_one_try(bench: Bench, nursery: Nursery) -> None:
    """As after a restart of the database: told once, and the next call has a new connection."""
    nursery.post([bench.lost()])
    with psycopg.connect(bench.conninfo, autocommit=True) as connection:
        connection.execute(
            "select pg_terminate_backend(pid, 5000) from pg_stat_activity"
            " where datname = current_database() and pid <> pg_backend_pid()"
        )
    lost = bench.lost()
    with pytest.raises(Unavailable):
        nursery.post([lost])
    assert nursery.post([lost]).as_of == BEGUN + 2


def test_a_killed_turn_takes_every_call_in_it_along(bench: Bench, nursery: Nursery, monkeypatch: pytest.MonkeyPatch) -> None:
    """None of them is told that it stands; all stand after a second try."""

    def die(cursor: psycopg.Cursor[Any], *_: Any) -> None:
        terminate(bench.conninfo, cursor.connection.info.backend_pid)

    told = [[bench.lost(1)], [bench.lost(2)], [bench.lost(51)]]
    jobs = [Job(entries, "here") for entries in told]
    with monkeypatch.context() as patch:
        patch.setattr(store, "append", die)
        nursery.turn(jobs)
    for job in jobs:
        with pytest.raises(Unavailable):
            job.result()
    again = [Job(entries, "here") for entries in told]
    nursery.turn(again)
    assert [job.result().as_of for job in again[:2]] == [BEGUN + 1, BEGUN + 2]
    with pytest.raises(Refused):
        again[2].result()
    bench.assert_dense(BEGUN + 2)
