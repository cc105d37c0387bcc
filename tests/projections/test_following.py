"""The follower: stopped and resumed anywhere it ends as a whole run does; what it cannot apply stops it there, loudly."""

from __future__ import annotations

import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from random import Random
from typing import Any

import psycopg
import pytest
from litestar.testing import TestClient

from api.app import create_app
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.recorded import Recorded
from ledger.projections import lines, passages, runner
from ledger.worker import Follower
from tests.simulation.histories import PEOPLE
from tests.simulation.playing import History, query
from tests.telling import Teller

FOLLOWERS = ("lines", "passages", "proof")


class Interrupted(Exception):
    """Somebody pulled the plug."""


def forget(conninfo: str) -> int:
    """Set the projections that follow back to nothing; the length of the log."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        connection.execute("truncate lines, passages, stays, count_differences, nodes")
        connection.execute("update projections set position = 0 where name in ('lines', 'passages', 'proof')")
        return int((connection.execute("select position from pen").fetchone() or (0,))[0])


def positions(conninfo: str) -> dict[str, int]:
    """How far each of those that follow has come."""
    return dict(query(conninfo, "select name, position from projections where name in ('lines', 'passages', 'proof')"))


def follow(conninfo: str, progress: runner.Progress = lambda _: None) -> None:
    """Follow to the head over a connection of its own."""
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection, progress)


def test_stopped_and_resumed_anywhere_it_equals_a_whole_run(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """Each time a new follower goes on where the last one stopped, with nothing twice and nothing left out."""
    monkeypatch.setattr(runner, "_CHUNK", 7)
    forget(history.conninfo)
    random, chunks = Random(3), 0

    def stop(_: int) -> None:
        if random.random() < 0.3:
            raise Interrupted

    while True:
        chunks += 1
        try:
            follow(history.conninfo, stop)
            break
        except Interrupted:
            continue
    assert chunks > 5, "it was never stopped"
    assert runner.verify(history.conninfo) == []


def test_stopped_between_the_tables_and_the_cursor_nothing_is_applied_twice(
    history: History, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Tables and cursor are one transaction: what was not noted was not kept."""
    length = forget(history.conninfo)
    with monkeypatch.context() as patch:
        patch.setitem(runner.SQL, "move_cursor", "select 1 / 0")
        with pytest.raises(psycopg.errors.DivisionByZero):
            follow(history.conninfo)
    assert positions(history.conninfo) == dict.fromkeys(FOLLOWERS, 0)
    assert query(history.conninfo, "select count(*) from lines") == [(0,)]
    follow(history.conninfo)
    assert positions(history.conninfo) == dict.fromkeys(FOLLOWERS, length)
    assert runner.verify(history.conninfo) == []


def test_followers_at_once_apply_every_entry_once(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """A report that catches up, the worker beside it, another process: the cursor's lock makes them take turns."""
    monkeypatch.setattr(runner, "_CHUNK", 7)
    forget(history.conninfo)
    with ThreadPoolExecutor(4) as pool:
        for done in [pool.submit(follow, history.conninfo) for _ in range(4)]:
            done.result()
    assert runner.verify(history.conninfo) == []


# --- an entry that cannot be applied ---------------------------------------------------------------------------


def cannot_apply(monkeypatch: pytest.MonkeyPatch, name: str, position: int) -> None:
    """Make one entry too much for one projection."""
    module, step = {"lines": (lines, "rows"), "passages": (passages, "steps")}[name]
    pure = getattr(module, step)

    def stumbles(entry: Recorded) -> Iterator[Any]:
        if entry.position == position:
            raise LookupError("this entry is too much")
        yield from pure(entry)

    monkeypatch.setattr(module, step, stumbles)


@pytest.mark.parametrize("name", ["lines", "passages"])
def test_an_entry_that_cannot_be_applied_stops_its_projection_right_there(
    history: History, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    """Everything before it is applied and nothing after it, however often it is tried; the others are not kept back."""
    length = forget(history.conninfo)
    stuck_at = length // 2
    with monkeypatch.context() as patch:
        cannot_apply(patch, name, stuck_at)
        for _ in range(3):
            with pytest.raises(runner.Stuck, match=rf"{name} cannot apply the entry at {stuck_at}: LookupError\('this entry"):
                follow(history.conninfo)
            assert positions(history.conninfo) == {**dict.fromkeys(FOLLOWERS, length), name: stuck_at - 1}
            assert runner.verify(history.conninfo) == []
    follow(history.conninfo)
    assert positions(history.conninfo) == dict.fromkeys(FOLLOWERS, length)
    assert runner.verify(history.conninfo) == []


def test_an_entry_that_cannot_be_read_stops_every_follower_right_there(history: History) -> None:
    """A row that this program does not understand is an entry that cannot be applied, and is never skipped."""
    length = forget(history.conninfo)
    with psycopg.connect(store.app_conninfo(history.conninfo)) as connection:
        connection.execute(
            "insert into entries select (jsonb_populate_record(e, jsonb_build_object("
            """  'position', %(next)s::bigint, 'id', gen_random_uuid(), 'reverses', null, 'content', '{"position":1}'))).*"""
            " from entries e where position = 1",
            {"next": length + 1},
        )
        connection.execute("update pen set position = position + 1")
    with pytest.raises(runner.Stuck, match=f"cannot apply the entry at {length + 1}: ValidationError"):
        follow(history.conninfo)
    assert positions(history.conninfo) == dict.fromkeys(FOLLOWERS, length)
    with pytest.raises(runner.Stuck, match=f"cards cannot apply an entry in 1 to {length + 1}"):
        runner.verify(history.conninfo)


def test_the_health_answer_says_why_a_projection_stands_still(history: History, monkeypatch: pytest.MonkeyPatch) -> None:
    """Not ready, with the entry and the fault named and how far each is behind; ready again once it can be applied."""
    length = forget(history.conninfo)

    def health(wanted: int) -> dict[str, Any]:
        deadline = time.monotonic() + 20
        while (answer := client.get("/readyz")).status_code != wanted and time.monotonic() < deadline:
            time.sleep(0.05)
        assert answer.status_code == wanted
        told: dict[str, Any] = answer.json()
        return told

    with monkeypatch.context() as patch:
        cannot_apply(patch, "passages", length - 3)
        with TestClient(create_app(history.conninfo)) as client:
            stuck = health(503)
            assert stuck["ready"] is False
            assert "passages cannot apply the entry at" in stuck["trouble"]
            assert str(length - 3) in stuck["trouble"]
            assert stuck["behind"] == {"cards": 0, "lines": 0, "passages": 4, "books": 0, "proof": 0}
            patch.undo()
            well = health(200)
            assert well.pop("forecasts")["without"] == 2, "no worker is at work here"
            assert well == {
                "ready": True,
                "position": length,
                "behind": {"cards": 0, "lines": 0, "passages": 0, "books": 0, "proof": 0},
                "trouble": None,
            }


def test_the_follower_goes_on_after_the_database_was_away(history: History) -> None:
    """Its trouble is told while it lasts, and gone with the next look that works."""
    forget(history.conninfo)
    with Follower(history.conninfo, pause_s=600) as follower:
        follower.catch_up()
        forget(history.conninfo)
        with psycopg.connect(history.conninfo, autocommit=True) as connection:
            connection.execute(
                "select pg_terminate_backend(pid, 5000) from pg_stat_activity"
                " where datname = current_database() and pid <> pg_backend_pid()"
            )
        with pytest.raises(psycopg.OperationalError):
            follower.catch_up()
        assert follower.trouble is not None
        follower.catch_up()
        assert follower.trouble is None
    assert runner.verify(history.conninfo) == []


def test_the_follower_follows_by_itself(history: History) -> None:
    """What is posted is in every projection a moment later, without anybody asking."""
    forget(history.conninfo)
    with Follower(history.conninfo, pause_s=0.01), Nursery(history.conninfo) as nursery:
        told = Teller(by=PEOPLE[0]).tell("place-set", code="G9", name="G9", house="G", kind="bench")
        head = nursery.post([told]).as_of
        deadline = time.monotonic() + 10
        while positions(history.conninfo) != dict.fromkeys(FOLLOWERS, head) and time.monotonic() < deadline:
            time.sleep(0.02)
        assert positions(history.conninfo) == dict.fromkeys(FOLLOWERS, head)
