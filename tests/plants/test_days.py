"""Which day an entry belongs to, on the nursery's own calendar, and how far a clock may run ahead."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from tests.plants.memory import IXORA, Ledger

TRAY: dict[str, Any] = {"crop": IXORA, "stage": "rooted", "place": "H1", "units": 30, "supplier_batch": "7"}


@pytest.fixture
def in_zone(ledger: Ledger, request: pytest.FixtureRequest) -> Ledger:
    """A nursery in the time zone that the test names."""
    ledger.tell("policy-set", time_zone=request.param)
    return ledger


EVENINGS = [
    # zone, moment in UTC, the day in the nursery, the week of its number
    ("Europe/London", "2027-07-04T22:30:00", "2027-07-04", "27W26"),  # summer time: half past eleven, still Sunday
    ("Europe/London", "2027-07-04T23:30:00", "2027-07-05", "27W27"),  # half past midnight, Monday
    ("Europe/London", "2027-01-03T23:30:00", "2027-01-03", "26W53"),  # winter: the same hour is Sunday
    ("Pacific/Auckland", "2027-07-04T12:30:00", "2027-07-05", "27W27"),
    ("America/Los_Angeles", "2027-07-05T06:30:00", "2027-07-04", "27W26"),
    ("Asia/Kolkata", "2027-07-04T18:45:00", "2027-07-05", "27W27"),  # half an hour off the full one
    ("UTC", "2027-07-04T23:59:59", "2027-07-04", "27W26"),
]


@pytest.mark.parametrize(("in_zone", "moment", "day", "week"), EVENINGS, indirect=["in_zone"])
def test_a_late_evening_entry_is_booked_on_the_nursery_s_own_day(in_zone: Ledger, moment: str, day: str, week: str) -> None:
    """And so is the week of a batch's number."""
    told: Any = in_zone.tell("bought-in", **TRAY, occurred_at=moment + "+00:00")
    assert told.booked_on.isoformat() == day
    assert told.told.batch.startswith(week)


CHANGES = [
    # the last and the first minute of a day on either side of a change of the clocks
    ("2026-10-24T22:59:00", "2026-10-24"),  # British summer time ends in the night to the 25th, which has 25 hours
    ("2026-10-24T23:00:00", "2026-10-25"),
    ("2026-10-25T00:30:00", "2026-10-25"),  # half past one, the first time
    ("2026-10-25T01:30:00", "2026-10-25"),  # half past one, the second time
    ("2026-10-25T23:30:00", "2026-10-25"),
    ("2026-10-26T00:00:00", "2026-10-26"),
    ("2027-03-27T23:59:00", "2027-03-27"),  # it begins on the 28th, which has 23 hours
    ("2027-03-28T22:59:00", "2027-03-28"),
    ("2027-03-28T23:00:00", "2027-03-29"),
]


@pytest.mark.parametrize("in_zone", ["Europe/London"], indirect=True)
@pytest.mark.parametrize(("moment", "day"), CHANGES)
def test_a_day_over_a_change_of_the_clocks_is_one_day(in_zone: Ledger, moment: str, day: str) -> None:
    """The day of 25 hours and the day of 23."""
    assert in_zone.tell("bought-in", **TRAY, occurred_at=moment + "+00:00").booked_on.isoformat() == day


def test_the_same_moment_told_in_another_offset_is_the_same_day(ledger: Ledger) -> None:
    """The device's offset says when, not where."""
    for told in ("2026-09-15T01:00:00+02:00", "2026-09-14T23:00:00+00:00", "2026-09-14T13:00:00-10:00"):
        assert ledger.tell("bought-in", **TRAY, occurred_at=told).booked_on.isoformat() == "2026-09-14"


@pytest.mark.parametrize("in_zone", ["Pacific/Auckland"], indirect=True)
def test_the_first_day_is_a_day_of_the_nursery(in_zone: Ledger) -> None:
    """What was opened before and after midnight in UTC is of one day there."""
    opening = {name: value for name, value in TRAY.items() if name != "supplier_batch"}
    for moment in ("2026-09-14T20:00:00", "2026-09-15T11:59:00"):
        assert in_zone.tell("opened", **opening, occurred_at=moment + "+00:00").booked_on.isoformat() == "2026-09-15"
    refused = in_zone.refusal("opened", **opening, occurred_at="2026-09-15T12:00:00+00:00")
    assert (refused.code, refused.data) == ("not-opening-day", {"opening_day": "2026-09-15"})


@pytest.mark.parametrize("in_zone", ["Europe/London"], indirect=True)
def test_what_a_late_slip_books_against_a_count_is_booked_on_the_count_s_day(in_zone: Ledger) -> None:
    """The slip's own movement is of its evening, the line against the count of the next morning."""
    batch = in_zone.opened("rooted", 40, "H1")
    here = {"batch": batch, "stage": "rooted", "place": "H1"}
    in_zone.tell("counted", **here, units=37, method="count", occurred_at="2026-10-26T08:00:00+00:00")
    slip = in_zone.tell("lost", **here, units=3, cause="rot", occurred_at="2026-10-25T23:30:00+00:00")
    assert slip.booked_on.isoformat() == "2026-10-25"
    days = [move.booked_on.isoformat() if move.booked_on else None for move in slip.moves]
    assert days == [None, "2026-10-26"]


def test_a_reversal_is_booked_on_the_day_of_what_it_takes_back(ledger: Ledger) -> None:
    """The entry is of its own day, its movements of the day on which they never happened."""
    batch = ledger.opened("rooted", 40, "H1")
    lost = ledger.tell("lost", batch=batch, stage="rooted", place="H1", units=3, cause="rot")
    undone = ledger.tell(
        "reversed", entry=str(lost.told.id), reason="a slip", occurred_at=ledger.teller.now + timedelta(days=3)
    )
    assert (undone.booked_on - lost.booked_on).days == 3
    (move,) = undone.moves
    assert (move.at, move.booked_on) == (lost.told.occurred_at, lost.booked_on)


# --- the clock -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("allowance", "ahead", "accepted"), [(120, 120, True), (120, 121, False), (0, 0, True), (0, 1, False)])
def test_a_clock_may_run_ahead_by_the_allowance_and_no_further(
    ledger: Ledger,
    allowance: int,
    ahead: int,
    accepted: bool,
) -> None:
    """A device's clock is never quite right; tomorrow's entries are not told today."""
    ledger.tell("policy-set", clock_allowance_seconds=allowance)
    ledger.clock = datetime(2026, 9, 14, 12, 0, tzinfo=UTC)
    at = ledger.clock + timedelta(seconds=ahead)
    if accepted:
        assert ledger.tell("bought-in", **TRAY, occurred_at=at).recorded_at == ledger.clock
    else:
        refused = ledger.refusal("bought-in", **TRAY, occurred_at=at)
        assert (refused.code, refused.field) == ("in-the-future", "occurred_at")
        assert refused.data == {"now": ledger.clock.isoformat()}


def test_without_a_policy_two_minutes_are_allowed(ledger: Ledger) -> None:
    """The default allowance."""
    ledger.clock = datetime(2026, 9, 14, 12, 0, tzinfo=UTC)
    ledger.tell("bought-in", **TRAY, occurred_at=ledger.clock + timedelta(seconds=120))
    assert ledger.refusal("bought-in", **TRAY, occurred_at=ledger.clock + timedelta(seconds=121)).code == "in-the-future"


def test_a_slip_may_come_late_without_end(ledger: Ledger) -> None:
    """It is written with the time that was told and the time at which it came."""
    ledger.clock = datetime(2028, 1, 1, tzinfo=UTC)
    told = ledger.tell("bought-in", **TRAY, occurred_at=datetime(2026, 9, 14, 12, 0, tzinfo=UTC))
    assert (told.told.occurred_at.year, told.recorded_at.year) == (2026, 2028)
