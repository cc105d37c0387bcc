"""Building a projection beside the one that serves and swapping it in: nobody who writes or reads notices."""

from __future__ import annotations

import threading
import time
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psycopg
import pytest

from api.reader import Reader, make_pool
from ledger import answers, schema
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants.recorded import Recorded
from ledger.projections import lines, runner
from tests.simulation.playing import History, query
from tests.telling import Teller

POTS = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": "G1"}
STOOD = 100_000
BEGUN = len(Teller().beginnings()) + 1
REBUILDS = 4


@pytest.fixture
def begun(database: str) -> tuple[str, Teller, str]:
    """A ledger with one large batch: its conninfo, who tells, and the batch's number."""
    teller = Teller()
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        came = nursery.post([teller.tell("bought-in", units=STOOD, supplier_batch="7", **POTS)])
    return database, teller, came.balances[0].account.split("/")[0]


@pytest.mark.parametrize("name", runner.ALL)
def test_writers_readers_and_followers_go_on_while_a_projection_is_swapped(begun: tuple[str, Teller, str], name: str) -> None:
    """No error, no waiting for long, and every look sees exactly what stood at the position that it names."""
    conninfo, teller, batch = begun
    finished = threading.Event()
    looks = [0, 0]

    def write() -> int:
        with Nursery(conninfo) as nursery:
            written = 0
            while not finished.is_set():
                told = teller.tell("lost", batch=batch, stage="finished", place="G1", units=1, cause="rot")
                nursery.post([told])
                written += 1
            return written

    def read(number: int) -> None:
        with make_pool(conninfo) as pool:
            reader = Reader(pool)
            while not finished.is_set():
                with reader.look() as cursor:
                    found = answers.stock(cursor)
                    card = answers.batch(cursor, batch, teller.now).batch
                assert found.total["pot:P9"] == STOOD - (found.as_of - BEGUN)
                assert card.units_in("finished") == found.total["pot:P9"]
                looks[number] += 1

    def follow() -> None:
        with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
            while not finished.is_set():
                runner.follow(connection)

    with ThreadPoolExecutor(4) as pool:
        writing = pool.submit(write)
        others = [pool.submit(read, 0), pool.submit(read, 1), pool.submit(follow)]
        try:
            for _ in range(REBUILDS):
                runner.rebuild(conninfo, name)
        finally:
            finished.set()
        assert writing.result() > 0
        for other in others:
            other.result()
    assert min(looks) > 0
    assert runner.verify(conninfo) == []


def test_a_rebuild_waits_for_a_long_look_and_keeps_nobody_waiting_meanwhile(
    begun: tuple[str, Teller, str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Such as a backup: the swap tries again later, and writers and readers pass in between."""
    conninfo, teller, batch = begun
    monkeypatch.setattr(runner, "_SWAP_PAUSE_S", 0.2)
    head = BEGUN
    with Nursery(conninfo) as nursery, ThreadPoolExecutor(1) as pool:
        with psycopg.connect(store.app_conninfo(conninfo)) as long_one, runner.look(long_one) as cursor:
            before = answers.stock(cursor)
            rebuilding = pool.submit(runner.rebuild, conninfo, "cards")
            for _ in range(5):
                told = teller.tell("lost", batch=batch, stage="finished", place="G1", units=1, cause="rot")
                begun_at = time.monotonic()
                head = nursery.post([told]).as_of
                with psycopg.connect(store.app_conninfo(conninfo)) as short_one, runner.look(short_one) as quick:
                    assert answers.stock(quick).as_of == head
                assert time.monotonic() - begun_at < 4
                time.sleep(0.1)
            assert not rebuilding.done()
            assert answers.stock(cursor) == before
        assert rebuilding.result(timeout=20) == head
    assert runner.verify(conninfo) == []


def test_a_rebuild_that_never_gets_its_turn_says_so_and_changes_nothing(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Somebody's forgotten session looks for ever."""
    monkeypatch.setattr(runner, "_SWAP_PAUSE_S", 0.01)
    monkeypatch.setattr(runner, "_SWAP_TRIES", 2)
    with (
        psycopg.connect(store.app_conninfo(history.conninfo)) as forgotten,
        runner.look(forgotten),
        pytest.raises(psycopg.errors.LockNotAvailable),
    ):
        runner.rebuild(history.conninfo, "cards")
    assert runner.verify(history.conninfo) == []
    runner.rebuild(history.conninfo, "cards")
    assert runner.verify(history.conninfo) == []


def test_two_rebuilds_at_once_do_not_meet(history: History) -> None:
    """Two people, or two machines that start at once: one builds after the other."""
    with ThreadPoolExecutor(2) as pool:
        done = [pool.submit(runner.rebuild, history.conninfo, "cards") for _ in range(2)]
        assert len({rebuilding.result() for rebuilding in done}) == 1
    assert runner.verify(history.conninfo) == []


class NextLines(lines.Lines):
    """The lines as a later version of the program might keep them: with the week beside the day."""

    version = lines.Lines.version + 1
    tables = f"{lines.Lines.tables}; alter table lines add column week text not null default ''"

    def apply(self, cursor: psycopg.Cursor[Any], entries: Sequence[Recorded]) -> None:
        """Add them, with their weeks."""
        super().apply(cursor, entries)
        cursor.execute("update lines set week = to_char(booked_on, 'IYYY-\"W\"IW') where week = ''")


def test_a_new_version_is_built_beside_the_old_one_and_swapped_in(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """From position 0; the program of the old version refuses what it finds then, the new one found the old."""
    head = query(history.conninfo, "select position from pen")[0][0]
    before = query(history.conninfo, "select count(*) from lines")
    with monkeypatch.context() as patch:
        patch.setitem(runner.ALL, "lines", NextLines)
        with pytest.raises(runner.WrongVersion, match=r"lines .* run `tallybench migrate`"):
            schema.check(history.conninfo)
        runner.bring_up_to_date(history.conninfo)
        schema.check(history.conninfo)
        assert query(history.conninfo, "select version, position from projections where name = 'lines'") == [
            (NextLines.version, head)
        ]
        assert query(history.conninfo, "select count(*) from lines where week ~ '^2024-W[0-5][0-9]$'") == before
        assert query(history.conninfo, "select nspname from pg_namespace where nspname like '%\\_next'") == []
        with psycopg.connect(store.app_conninfo(history.conninfo), autocommit=True) as connection:
            runner.follow(connection)
        assert runner.verify(history.conninfo) == []
    with pytest.raises(runner.WrongVersion):
        schema.check(history.conninfo)
    runner.bring_up_to_date(history.conninfo)
    schema.check(history.conninfo)
    assert runner.verify(history.conninfo) == []


def test_what_is_up_to_date_is_not_built_again(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """Starting the program costs no replay."""
    monkeypatch.setattr(runner, "rebuild", None)
    runner.bring_up_to_date(history.conninfo)


def test_what_a_broken_build_left_is_cleared_away(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """The old tables serve on, and the next build begins anew."""

    def breaks(_: int) -> None:
        raise ZeroDivisionError

    monkeypatch.setattr(runner, "_CHUNK", 20)
    with pytest.raises(ZeroDivisionError):
        runner.rebuild(history.conninfo, "passages", breaks)
    assert runner.verify(history.conninfo) == []
    runner.rebuild(history.conninfo, "passages")
    assert runner.verify(history.conninfo) == []
