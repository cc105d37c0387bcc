"""Clocks, likelihoods of times seen between looks, and the curve without a model, against published and other sources."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines import KaplanMeierFitter, LogNormalFitter
from scipy.stats import norm
from statsmodels.duration.survfunc import SurvfuncRight

from ledger.forecast.timing import (
    DAYS,
    NEVER_SHARE,
    Climate,
    Method,
    Sightings,
    degree_days,
    kaplan_meier,
    log_between,
    log_unready,
)

# Freireich and others 1963 (Blood 21:699-716), the arm on 6-MP, weeks; 0 marks a censored one (SEEN)
WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
SEEN = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PUBLISHED = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}


def test_the_curve_is_freireichs() -> None:
    """Kaplan and Meier's estimate of the published data, to the fourth place; its median is week 23."""
    curve = kaplan_meier(WEEKS, [bool(seen) for seen in SEEN])
    assert {week: round(share, 4) for week, share in curve} == PUBLISHED
    assert next(week for week, share in curve if share <= 0.5) == 23


def test_lifelines_and_statsmodels_draw_the_same_curve() -> None:
    """Three programs, one curve."""
    ours = dict(kaplan_meier(WEEKS, [bool(seen) for seen in SEEN]))
    theirs = KaplanMeierFitter().fit(WEEKS, SEEN)
    others = SurvfuncRight(np.array(WEEKS), np.array(SEEN))
    assert [float(theirs.predict(week)) for week in ours] == pytest.approx(list(ours.values()))
    assert dict(zip(others.surv_times.tolist(), others.surv_prob.tolist(), strict=True)) == pytest.approx(ours)


@pytest.mark.parametrize(
    ("highest", "lowest", "base", "method", "expected"),
    [
        (70, 50, 50, "mean-first", 10),  # Iowa State lesson (SEEN), in Fahrenheit
        (60, 40, 50, "mean-first", 0),  # McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300: their method 1
        (60, 40, 50, "bounds-first", 5),  # ... and their method 2 of the same day
    ],
)
def test_a_day_has_the_published_degree_days(
    highest: float, lowest: float, base: float, method: Method, expected: float
) -> None:
    """The two methods differ on one and the same day, so a figure carries the name of its method."""
    assert degree_days(lowest, highest, base, method) == expected


@pytest.mark.parametrize(("base", "longer"), [(4, 1.29), (8, 1.40), (10, 1.50), (12, 1.67)])
def test_a_cool_house_stretches_a_stage_by_the_base_temperature(base: int, longer: float) -> None:
    """At 18 against 22 degrees, as the clock itself counts it."""
    first, last = date(2027, 1, 1), date(2027, 12, 31)
    took, clocks = [], [Climate(normals_c=(mean,) * 12).clock(base, first, last) for mean in (18.0, 22.0)]
    for clock in clocks:
        sums = clock.between(first.toordinal(), first.toordinal() + np.arange(365))
        took.append(int(np.searchsorted(sums, 1800.0)))
    assert took[0] / took[1] == pytest.approx(longer, abs=0.012)
    assert clocks[0].method == "degree-days/mean-first"


def test_measured_days_count_as_measured_and_others_as_the_months_normal() -> None:
    """Three days, of which the middle one was measured, cold enough to count nothing."""
    begun = date(2027, 6, 1)
    climate = Climate(normals_c=(20.0,) * 12, measured_c={begun + timedelta(days=1): 5.0})
    clock = climate.clock(10, begun, date(2027, 7, 1))
    assert clock.between(begun.toordinal(), begun.toordinal() + 3) == 20.0


def test_a_crop_without_base_temperature_counts_days() -> None:
    """And so does a house of which no temperature is known; nothing counts backwards."""
    first = date(2027, 1, 1)
    assert Climate(normals_c=(20.0,) * 12).clock(None, first, first) is DAYS
    assert Climate().clock(10, first, first) is DAYS
    assert DAYS.between([10, 10], [12, 3]).tolist() == [2.0, 0.0]


@given(low=st.floats(-6, 6), width=st.floats(0.01, 4))
def test_a_chance_between_two_times_is_what_scipy_says(low: float, width: float) -> None:
    """Of the plants that do get ready, in either tail."""
    exact = norm.cdf(low + width) - norm.cdf(low) if low < 0 else norm.sf(low) - norm.sf(low + width)
    found = np.exp(log_between(np.array([low]), np.array([low + width])))[0]
    assert found == pytest.approx((1 - NEVER_SHARE) * exact, rel=1e-9)


@given(st.floats(-10, 40))
def test_a_plant_that_is_late_may_be_one_that_never_gets_ready(x: float) -> None:
    """The log survival is right far out, and never falls under the share that never gets ready."""
    found = log_unready(np.array([x]))[0]
    assert found == pytest.approx(np.log(NEVER_SHARE + (1 - NEVER_SHARE) * norm.sf(x)), rel=1e-9, abs=1e-12)
    assert found >= np.log(NEVER_SHARE) - 1e-12


def test_interval_censored_times_are_fitted_as_lifelines_fits_them() -> None:
    """One batch, seen weekly, the rest unready: the most likely centre is that of lifelines' interval-censored log-normal."""
    rng = np.random.default_rng(5)
    times = np.exp(4.3 + 0.25 * rng.standard_normal(400))
    weeks = np.floor(times / 7) * 7
    seen = times < 95
    lower, upper = np.where(seen, weeks, 95.0), np.where(seen, weeks + 7, np.inf)
    theirs = LogNormalFitter().fit_interval_censoring(np.maximum(lower, 1e-6), upper)
    sightings = Sightings(
        of=np.zeros(400, dtype=np.int64), low=np.log(np.maximum(lower, 1e-6)), high=np.log(upper), units=np.ones(400)
    )
    ours = sightings.settle(np.zeros(1), np.full(1, 1e6), float(theirs.sigma_), np.full(1, 4.0), steps=20)
    assert ours.centre[0] == pytest.approx(float(theirs.mu_), abs=0.01)  # a few of the unready may be such as never are
