"""The worker in a process of its own: it forecasts what was touched, dies with its parent, and its absence is seen and safe."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest

from ledger.forecaster import Forecaster
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants import promises
from ledger.plants.offer import Offer
from ledger.projections import runner
from ledger.serving import Beside
from ledger.worker import ForecastState, Worker, forecast_state
from tests.promising.shop import pinned
from tests.telling import Teller
from tests.worker.conftest import Grown

PARENT = """
import sys, time
from ledger.serving import Beside
with Beside(sys.argv[1]) as beside:
    while beside.pid is None:
        time.sleep(0.02)
    print(beside.pid, flush=True)
    time.sleep(60)
"""


def until(true: Callable[[], Any], seconds: float = 20.0) -> None:
    """Wait for something that another process does."""
    end = time.monotonic() + seconds
    while not true():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)


def state(conninfo: str) -> ForecastState:
    """How fresh the forecasts are, as the health answer has it."""
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        return forecast_state(cursor)


def alive(pid: int) -> bool:
    """Whether a process is there and no zombie."""
    try:
        return Path(f"/proc/{pid}/stat").read_text("utf-8").rpartition(")")[2].split()[0] != "Z"
    except FileNotFoundError:
        return False


@pytest.fixture
def stocked(database: str) -> Iterator[str]:
    """Two crops, of one of which 60 stand finished, told now."""
    teller = Teller(datetime.now(UTC) - timedelta(hours=1))
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        crop = {"crop": "ixora-copper-thimble", "stage": "finished", "place": "G1", "size": "P9"}
        nursery.post([teller.tell("opened", units=60, **crop)])
    yield database
    assert runner.verify(database) == []


def test_the_worker_forecasts_and_is_started_again_when_it_is_killed(stocked: str) -> None:
    """Both crops within moments; killed outright, another one takes its place; in the end none is left."""
    assert state(stocked).stale == "no-forecast"
    with Beside(stocked, pause_s=0.1) as beside:
        until(lambda: state(stocked).stale is None)
        first = beside.pid
        assert first is not None
        os.kill(first, signal.SIGKILL)
        until(lambda: beside.pid not in (None, first))
        second = beside.pid
        assert second is not None
    assert not alive(first)
    assert not alive(second)


@pytest.mark.skipif(not Path("/proc/self/stat").exists(), reason="looks processes up in /proc")
def test_the_worker_dies_with_its_parent_however_that_dies(stocked: str) -> None:
    """Kill -9 leaves the parent no moment to say so."""
    with subprocess.Popen([sys.executable, "-c", PARENT, stocked], stdout=subprocess.PIPE, text=True) as parent:
        assert parent.stdout is not None
        child = int(parent.stdout.readline())
        assert alive(child)
        parent.kill()
    until(lambda: not alive(child))


def test_a_second_worker_waits_for_the_first(stocked: str) -> None:
    """What is forecast is forecast by one."""
    with psycopg.connect(store.app_conninfo(stocked), autocommit=True) as connection:
        assert connection.execute("select pg_try_advisory_lock(hashtext('tallybench work'))").fetchone() == (True,)
        second = Worker(stocked)
        second.stopping.set()
        second.run()
        assert state(stocked).without == 2
    with Beside(stocked):
        until(lambda: state(stocked).without == 0)


# --- what is granted without it --------------------------------------------------------------------------------


def _only_now(offer: Offer) -> bool:
    """Whether nothing is promised beyond what is counted, however late."""
    far = offer.promisable(offer.today + timedelta(days=300))
    return {far, *(step.quantity for step in offer.curve())} == {offer.now}


def test_an_old_forecast_promises_nothing_beyond_now(grown: Grown, forecaster: Forecaster) -> None:
    """36 hours by the policy, and the reason is told."""
    forecaster.catch_up(grown.now)
    assert not _only_now(grown.offer())
    grown.later(2)
    assert grown.offer().stale == "old-forecast"
    assert _only_now(grown.offer())
    forecaster.catch_up(grown.now)
    assert not _only_now(grown.offer())


def test_a_dead_worker_promises_nothing_beyond_now_once_a_change_has_waited(grown: Grown, forecaster: Forecaster) -> None:
    """For the policy's quarter of an hour what the change took is off at once; then nothing more is promised."""
    forecaster.catch_up(grown.now)
    grown.lose(1)
    assert grown.offer().stale is None
    grown.teller.now += timedelta(minutes=16)
    assert grown.offer().stale == "changes-not-forecast"
    assert _only_now(grown.offer())
    forecaster.catch_up(grown.now)
    assert not _only_now(grown.offer())


def test_a_clock_set_back_promises_nothing_beyond_now(grown: Grown, forecaster: Forecaster) -> None:
    """An hour: the last entry is later than the clock, by more than is allowed for."""
    forecaster.catch_up(grown.now)
    due = grown.day(200).isoformat()
    book = grown._book(*_keys())  # noqa: SLF001 - the shop's own book, with another clock
    offer = promises.offer_of(book, "ixora-copper-thimble", "P9", grown.teller.now, timedelta(hours=1))
    assert offer.stale == "clock-set-back"
    assert _only_now(offer)
    now = grown.teller.now
    with pytest.MonkeyPatch.context() as patch:
        pinned(patch, lambda: now - timedelta(hours=1))
        grown.teller.now -= timedelta(hours=1)
        wanted = {"crop": "ixora-copper-thimble", "size": "P9", "units": 60, "due": due}
        refused = grown.refusal("promised", order="A-1", lines=[wanted])
        grown.teller.now = now + timedelta(minutes=1)
    assert refused.code == "not-promisable"
    assert grown.promise(wanted, order="A-1")


def _keys() -> list[tuple[str, str]]:
    kinds = ("crop", "pool", "forecast", "recipe")
    crop = "ixora-copper-thimble"
    return [("shelf", f"{crop}/P9"), ("policy", ""), ("nursery", ""), *((kind, crop) for kind in kinds)]


def test_the_health_answer_says_why(stocked: str) -> None:
    """No forecast, an old one, a change that waits, a clock behind the last entry; and nothing when all is well."""
    told = []
    waits = "update cards set card = card || jsonb_build_object('waiting_since', now() - interval '1 hour') where kind = 'pool'"
    for change, of in (
        ("select 1", "no-forecast"),
        (waits, "changes-not-forecast"),
        ("update pen set recorded_at = now() + interval '1 hour'", "clock-set-back"),
    ):
        with psycopg.connect(store.owner_conninfo(stocked)) as connection, connection.transaction(force_rollback=True):
            connection.execute(change)
            with connection.cursor() as cursor:
                told.append((forecast_state(cursor).stale, of))
    with Nursery(stocked) as nursery, Forecaster(stocked, nursery) as forecaster:
        forecaster.publish(None, datetime.now(UTC) - timedelta(hours=37))
        told.append((state(stocked).stale, "old-forecast"))
        forecaster.publish(None, datetime.now(UTC))
    assert [stale for stale, _ in told] == [of for _, of in told]
