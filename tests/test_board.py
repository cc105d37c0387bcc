"""The board's kept answers: made once, and never believed beyond the moment at which they would say something else.

The clock is the test's own and stands still between two looks.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import msgspec
import psycopg
import pytest

from ledger.board import Board
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants.entries import Lost
from ledger.projections import runner
from tests.api.conftest import IXORA
from tests.api.test_availability import GROWING, forecast
from tests.telling import Teller

A_MOMENT = timedelta(microseconds=1)
SECOND = timedelta(seconds=1)


class Watched(Board):
    """A board on a frozen clock."""

    def __init__(self, conninfo: str, now: datetime) -> None:
        super().__init__(lambda: self.now)
        self.now = now
        self._conninfo = conninfo

    def read_log(self) -> None:
        """Bring it up to date."""
        with psycopg.connect(store.app_conninfo(self._conninfo)) as connection, runner.look(connection) as cursor:
            self.take(self.read(cursor))

    def body(self) -> bytes:
        """The answer's JSON: the same object while it is kept."""
        return self._made_for(IXORA, "P9", self.percent, None).body

    def at(self, moment: datetime) -> dict[str, Any]:
        """What is answered at a moment."""
        self.now = moment
        found: dict[str, Any] = msgspec.json.decode(self.availability(IXORA, "P9").body)
        return found


@pytest.fixture
def stocked(database: str) -> Iterator[tuple[str, Nursery]]:
    """40 ixoras finished and 60 growing on, in a nursery in whose time zone it is about six hours later."""
    teller = Teller()
    policy = teller.fact("policy-set", buffer_z_per_mille=0, time_zone="Asia/Kathmandu")
    with Nursery(database) as nursery:
        nursery.post(codec.read_told([*teller.beginnings(), policy]))
        where = {"crop": IXORA, "size": "P9", "place": "G1"}
        nursery.post([teller.tell("opened", stage="finished", units=40, **where)])
        nursery.post([teller.tell("opened", stage="potted", units=60, **where)])
        yield database, nursery


def test_an_answer_is_made_once_and_kept_for_twenty_seconds_at_most(stocked: tuple[str, Nursery]) -> None:
    """The same bytes until then; and anew if the clock was set back meanwhile."""
    board = Watched(stocked[0], datetime(2099, 6, 1, 9, tzinfo=UTC))
    board.read_log()
    first, begun = board.body(), board.now
    for later in (SECOND, timedelta(seconds=20) - A_MOMENT):
        board.now = begun + later
        assert board.body() is first
    board.now = begun + timedelta(seconds=20)
    again = board.body()
    assert again is not first
    board.now = begun
    assert board.body() is not again


def test_a_forecast_that_has_grown_old_shows_at_once(stocked: tuple[str, Nursery]) -> None:
    """Good until it is 36 hours old, to the microsecond, though an answer was kept a second before."""
    conninfo, nursery = stocked
    forecast(conninfo, nursery.position)
    board = Watched(conninfo, datetime.now(UTC))
    board.read_log()
    made_at = datetime.fromisoformat(board.at(board.now)["forecast"]["at"])
    old = made_at + timedelta(hours=36)
    assert [board.at(moment)["stale"] for moment in (old - SECOND, old)] == [None, None]
    found = board.at(old + A_MOMENT)
    assert (found["stale"], found["curve"][-1]["quantity"]) == ("old-forecast", 40)


def test_a_change_that_has_waited_too_long_shows_at_once(stocked: tuple[str, Nursery]) -> None:
    """A quarter of an hour after a loss that no forecast has seen."""
    conninfo, nursery = stocked
    forecast(conninfo, nursery.position)
    lost = Teller(datetime.now(UTC), seed=5).tell("lost", batch=GROWING, stage="potted", place="G1", units=7, cause="rot")
    assert isinstance(lost, Lost)
    recorded_at = nursery.post([lost]).entries[0].recorded_at
    board = Watched(conninfo, datetime.now(UTC))
    board.read_log()
    late = recorded_at + timedelta(minutes=15)
    assert [board.at(moment)["stale"] for moment in (late - SECOND, late)] == [None, None]
    assert board.at(late + A_MOMENT)["stale"] == "changes-not-forecast"


def test_a_new_day_begins_at_midnight_where_the_nursery_is(stocked: tuple[str, Nursery]) -> None:
    """Its own midnight, 18:15 in UTC; nothing happens at midnight UTC."""
    board = Watched(stocked[0], datetime.now(UTC))
    board.read_log()
    midnight = datetime(2099, 6, 1, 18, 15, tzinfo=UTC)
    found = [board.at(moment)["curve"][0]["on"] for moment in (midnight - SECOND, midnight - A_MOMENT, midnight)]
    assert found == ["2099-06-01", "2099-06-01", "2099-06-02"]
    assert board.at(datetime(2099, 6, 2, tzinfo=UTC))["curve"][0]["on"] == "2099-06-02"


def test_a_promise_that_runs_out_holds_until_that_is_told(stocked: tuple[str, Nursery]) -> None:
    """By the clock alone nothing is given back; the entry shows as soon as it is read."""
    conninfo, nursery = stocked
    teller = Teller(datetime.now(UTC), seed=6)
    held = nursery.post(
        [teller.tell("promised", order="A-1", lines=[{"crop": IXORA, "size": "P9", "units": 3}], hold_minutes=5)]
    ).entries[0]
    board = Watched(conninfo, datetime.now(UTC))
    board.read_log()
    late = held.recorded_at + timedelta(minutes=6)
    assert [board.at(moment)["now"] for moment in (late - SECOND, late)] == [37, 37]
    release = teller.tell("promise-released", promise=str(held.told.id), reason="run out")
    nursery.post([release])
    board.read_log()
    assert board.at(late)["now"] == 40
