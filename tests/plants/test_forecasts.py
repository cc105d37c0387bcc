"""The record that is kept: whole numbers, the same bytes, read without arithmetic."""

from __future__ import annotations

import json
import subprocess
import sys
from datetime import date
from typing import Any

import msgspec
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from ledger.forecast.striking import begin_with
from ledger.log.codec import canonical
from ledger.plants import forecasts
from ledger.plants.forecasts import CONFIDENCES, Published, SizeForecast, value_at
from tests.forecast.test_supply import forecast, made

STEPS = ((0, 4), (3, 9), (7, 12))


def size(**curves: Any) -> SizeForecast:
    """Nothing at 99 %, and less the higher the confidence."""
    asked = tuple(tuple((week, max(0, value - 2 * at)) for week, value in STEPS) for at in range(5))
    told = {"finished": ((),) * 6, "growing_on": (*asked[:5], ()), "asked": (*asked[:5], ()), "ready": ((),) * 6}
    return SizeForecast(**{"come_through": ((9000, 20),) * 6, "relied": {}, "batches": 3, **told, **curves})


def test_a_forecast_is_json_without_a_fraction_and_comes_back_the_same() -> None:
    """Not one number with a point or an exponent in it; decoded it is equal, encoded again the same bytes."""
    found = forecast(*made(1))
    stored = canonical(found)
    json.loads(stored, parse_float=pytest.fail)
    again = msgspec.json.decode(stored, type=Published)
    assert again == found
    assert canonical(again) == stored


@pytest.mark.parametrize(
    "wrong",
    [
        {"extra": 1},
        {"method": "years"},
        {"draws": 0},
        {"position": -1},
        {"seed": 1.5},
        {"sizes": {"P9": {"finished": [[[0, -4]]] * 6}}},
        {"pool": {"plugs": [], "rooting": [], "relied": {}, "batches": 1}},
    ],
)
def test_what_is_no_forecast_is_not_read_as_one(wrong: dict[str, Any]) -> None:
    """Unknown fields, fractions, quantities under nothing, curves for too few confidences."""
    told = msgspec.json.decode(canonical(forecast(*made(1))))
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({**told, **wrong}, Published)


def test_reading_needs_neither_numpy_nor_scipy() -> None:
    """The promise book and the API read forecasts; they need not carry the libraries that make them."""
    told = "import sys, ledger.plants.forecasts; sys.exit(any(name in sys.modules for name in ('numpy', 'scipy')))"
    assert subprocess.run([sys.executable, "-c", told], check=False).returncode == 0


@pytest.mark.parametrize(("week", "value"), [(-1, 0), (0, 4), (2, 4), (3, 9), (6, 9), (7, 12), (500, 12)])
def test_a_step_holds_until_the_next(week: int, value: int) -> None:
    """Before the first step there is nothing."""
    assert value_at(STEPS, week) == value


def test_what_is_asked_between_two_confidences_is_answered_by_the_higher() -> None:
    """And over the highest by nothing."""
    assert [CONFIDENCES[forecasts.at_confidence(percent)] for percent in (50, 51, 80, 85, 90, 95, 96, 99)] == [
        50, 80, 80, 90, 90, 95, 99, 99,
    ]  # fmt: skip
    with pytest.raises(ValueError, match="100"):
        forecasts.at_confidence(100)


def test_the_chance_of_a_quantity_is_the_highest_confidence_that_reaches_it() -> None:
    """What the list of promises at risk compares with .80 and .90."""
    assert [forecasts.chance_at_least(size(), 3, units) for units in (1, 3, 4, 5, 9, 10)] == [95, 90, 80, 80, 10, 0]


def test_the_basis_is_the_first_that_gives_all_of_it() -> None:
    """Finished plants before growing ones before asked ones."""
    finished = tuple(((0, 3),) for _ in range(6))
    told = size(finished=finished, asked=tuple(((0, 4), (3, 9), (9, 20)) for _ in range(6)))
    told = size(
        finished=tuple(((0, 3),) for _ in range(6)),
        growing_on=tuple(((0, 3), (3, 9)) for _ in range(6)),
        asked=tuple(((0, 3), (3, 9), (9, 20)) for _ in range(6)),
    )
    assert [forecasts.basis(told, 90, week) for week in (0, 3, 9)] == ["finished", "growing-on", "asked"]
    assert [forecasts.quantity(told, 90, week) for week in (0, 3, 9)] == [3, 9, 20]


def test_low_middle_and_high_are_in_that_order() -> None:
    """Nine times in ten, evenly, one time in ten."""
    assert forecasts.expected(size(), 7) == (6, 10, 12)


def test_weeks_are_counted_from_the_forecasts_own_day() -> None:
    """A day that is not a whole number of weeks later belongs to the week before it: nothing is counted early."""
    found = Published(
        crop="a", day=date(2027, 3, 1), position=1, seed=1, sizes={}, pool=forecast(*made(1)).pool, method="days", draws=500
    )
    days = [date(2027, 2, 28), date(2027, 3, 1), date(2027, 3, 7), date(2027, 3, 8)]
    assert [forecasts.week_of(found, day) for day in days] == [-1, 0, 0, 1]
    assert forecasts.day_of(found, 1) == date(2027, 3, 8)


@given(
    mean=st.integers(3_000, 9_900), strength=st.integers(2, 5_000), units=st.integers(1, 60),
    percent=st.sampled_from(CONFIDENCES),
)  # fmt: skip
@example(mean=5_000, strength=2, units=3, percent=50)  # three good ones of five: exactly one half
@settings(deadline=None, max_examples=200)
def test_pots_for_promised_plants_are_the_fewest_by_the_beta_binomial(
    mean: int, strength: int, units: int, percent: int
) -> None:
    """As scipy's beta-binomial says, and as the chain that cells are struck by says of its one step."""
    pots = forecasts.pots_for(size(come_through=((mean, strength),) * 6), units, percent)
    share = mean / 10_000
    a, b, most = share * strength, (1 - share) * strength, 4 * units + 20
    if pots is None:
        assert betabinom.sf(units - 1, most, a, b) < percent / 100 + 1e-9
        return
    assert betabinom.sf(units - 1, pots, a, b) >= percent / 100 - 1e-9
    assert pots == units or betabinom.sf(units - 1, pots - 1, a, b) < percent / 100 + 1e-9
    assert pots == begin_with(units, percent / 100, [(share, strength)])


def test_pots_are_told_by_the_share_at_the_confidence_that_keeps_what_is_asked() -> None:
    """The share of 90 % answers 85 % too; none wanted takes none; hopeless is said."""
    told = size(come_through=((9000, 30), (9000, 30), (8800, 30), (8600, 30), (8500, 30), (8300, 30)))
    assert forecasts.pots_for(told, 20, 90) == begin_with(20, 0.9, [(0.86, 30)])
    assert forecasts.pots_for(told, 20, 85) == forecasts.pots_for(told, 20, 90)
    assert forecasts.pots_for(told, 0, 90) == 0
    assert forecasts.pots_for(size(come_through=((100, 30),) * 6), 20, 90) is None
    assert forecasts.pots_for(size(come_through=((0, 1), (10_000, 1)) * 3), 20, 10) is None


def test_a_hundred_thousand_pots_are_no_less_told() -> None:
    """Chances too small for a number by themselves add up all the same."""
    pots = forecasts.pots_for(size(come_through=((5_000, 100_000),) * 6), 5_000, 90)
    assert pots is not None
    assert betabinom.sf(4_999, pots, 50_000, 50_000) >= 0.9 > betabinom.sf(4_999, pots - 1, 50_000, 50_000)
