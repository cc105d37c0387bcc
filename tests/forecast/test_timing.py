"""Clocks, likelihoods of times seen between looks, against other programs."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from lifelines import LogNormalFitter
from scipy.stats import norm

from ledger.forecast.timing import (
    DAYS,
    NEVER_SHARE,
    Climate,
    Sightings,
    log_between,
    log_unready,
)


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
