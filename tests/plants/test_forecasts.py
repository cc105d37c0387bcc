"""The record that is kept: whole numbers, the same bytes, read without arithmetic."""

from __future__ import annotations

import json
from datetime import date
from typing import Any

import pytest

from ledger.plants import forecasts as published
from ledger.plants.forecasts import CONFIDENCES, Published, SizeForecast, value_at
from tests.forecast.test_supply import forecast, made

STEPS = ((0, 4), (3, 9), (7, 12))


def size(**curves: Any) -> SizeForecast:
    """Nothing at 99 %, and less the higher the confidence."""
    asked = tuple(tuple((week, max(0, value - 2 * at)) for week, value in STEPS) for at in range(5))
    told = {"finished": ((),) * 6, "growing_on": (*asked[:5], ()), "asked": (*asked[:5], ()), "ready": ((),) * 6}
    return SizeForecast(come_through=((9000, 20),) * 6, batches=3, **told | curves)


def test_a_forecast_is_json_without_a_fraction_and_comes_back_the_same() -> None:
    """Not one number with a point or an exponent in it; decoded it is equal, encoded again the same bytes."""
    found = forecast(*made(1))
    stored = published.encode(found)
    json.loads(stored, parse_float=pytest.fail)
    assert published.decode(stored) == found
    assert published.encode(published.decode(stored)) == stored


def test_reading_needs_neither_numpy_nor_scipy() -> None:
    """The promise book and the API read forecasts; they need not carry the libraries that make them."""
    import subprocess  # noqa: PLC0415
    import sys  # noqa: PLC0415

    told = "import sys, ledger.forecast.published; sys.exit(any(name in sys.modules for name in ('numpy', 'scipy')))"
    assert subprocess.run([sys.executable, "-c", told], check=False).returncode == 0


@pytest.mark.parametrize(("week", "value"), [(-1, 0), (0, 4), (2, 4), (3, 9), (6, 9), (7, 12), (500, 12)])
def test_a_step_holds_until_the_next(week: int, value: int) -> None:
    """Before the first step there is nothing."""
    assert value_at(STEPS, week) == value


def test_what_is_asked_between_two_confidences_is_answered_by_the_higher() -> None:
    """And over the highest by nothing."""
    assert [CONFIDENCES[published.at_confidence(percent)] for percent in (50, 51, 80, 85, 90, 95, 96, 99)] == [
        50, 80, 80, 90, 90, 95, 99, 99,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="100"):
        published.at_confidence(100)


def test_the_chance_of_a_quantity_is_the_highest_confidence_that_reaches_it() -> None:
    """What the list of promises at risk compares with .80 and .90."""
    assert [published.chance_at_least(size(), 3, units) for units in (1, 3, 4, 5, 9, 10)] == [95, 90, 80, 80, 10, 0]


def test_the_basis_is_the_first_that_gives_all_of_it() -> None:
    """Finished plants before growing ones before asked ones."""
    finished = tuple(((0, 3),) for _ in range(6))
    told = size(finished=finished, asked=tuple(((0, 4), (3, 9), (9, 20)) for _ in range(6)))
    told = size(
        finished=tuple(((0, 3),) for _ in range(6)),
        growing_on=tuple(((0, 3), (3, 9)) for _ in range(6)),
        asked=tuple(((0, 3), (3, 9), (9, 20)) for _ in range(6)),
    )
    assert [published.basis(told, 90, week) for week in (0, 3, 9)] == ["finished", "growing-on", "asked"]
    assert [published.quantity(told, 90, week) for week in (0, 3, 9)] == [3, 9, 20]


def test_low_middle_and_high_are_in_that_order() -> None:
    """Nine times in ten, evenly, one time in ten."""
    assert published.expected(size(), 7) == (6, 10, 12)


def test_weeks_are_counted_from_the_forecasts_own_day() -> None:
    """A day that is not a whole number of weeks later belongs to the week before it: nothing is counted early."""
    found = Published(crop="a", day=date(2027, 3, 1), position=1, seed=1, sizes={}, pool=forecast(*made(1)).pool, draws=500)
    days = [date(2027, 2, 28), date(2027, 3, 1), date(2027, 3, 7), date(2027, 3, 8)]
    assert [published.week_of(found, day) for day in days] == [-1, 0, 0, 1]
    assert published.day_of(found, 1) == date(2027, 3, 8)
