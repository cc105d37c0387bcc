"""The hidden truth: its draws have the distributions that they are said to have."""

from __future__ import annotations

import math
import random
from dataclasses import replace
from datetime import date
from statistics import fmean, stdev

import pytest

from ledger.demo.nursery import crops_of
from ledger.demo.world import DISASTERS, DRIFTING, PLAIN, TWO_FACTORS, WEIBULL, WORLDS, Nature, World

BEGAN = date(2025, 1, 1)
COLEUS, PLECTRANTHUS, HIBISCUS, *_ = crops_of(12, 0.1)


def nature(world: World = PLAIN, seed: int = 1) -> Nature:
    """The luck of one run."""
    return Nature(world, random.Random(seed), seed, BEGAN)


@pytest.mark.parametrize(("units", "share"), [(14, 0.03), (100, 0.5), (60, 0.93), (1, 0.2)])
def test_some_of_many_is_binomial(units: int, share: float) -> None:
    """Mean and variance of 20,000 draws lie within five standard errors of n p and n p (1 - p)."""
    one = nature()
    draws = [one.some(units, share) for _ in range(20_000)]
    variance = units * share * (1 - share)
    assert fmean(draws) == pytest.approx(units * share, abs=5 * math.sqrt(variance / len(draws)))
    assert stdev(draws) ** 2 == pytest.approx(variance, rel=0.1)
    assert 0 <= min(draws) <= max(draws) <= units


def test_some_of_none_and_all_of_some() -> None:
    """The edges."""
    assert nature().some(0, 0.5) == nature().some(10, 0.0) == 0
    assert nature().some(10, 1.0) == 10


@pytest.mark.parametrize("mean", [0.3, 8.0, 400.0])
def test_happenings_are_poisson(mean: float) -> None:
    """Mean and variance agree."""
    one = nature()
    draws = [one.happenings(mean) for _ in range(10_000)]
    assert fmean(draws) == pytest.approx(mean, rel=0.05)
    assert stdev(draws) ** 2 == pytest.approx(mean, rel=0.1)


@pytest.mark.parametrize("world", [PLAIN, WEIBULL], ids=lambda world: world.name)
def test_times_have_the_crop_s_median_and_the_world_s_spread(world: World) -> None:
    """Without season and batch effects: the median is the crop's own, the spread of the logarithm `within_spread`."""
    one = nature(replace(world, season_spread=0.0, batch_spread=0.0))
    days = one.days(HIBISCUS, (20.0, 20.0), date(2025, 7, 15), 20_000)
    assert sorted(days)[10_000] == pytest.approx(140, rel=0.02)
    assert stdev(map(math.log, days)) == pytest.approx(world.within_spread, rel=0.05)


def test_winter_takes_longer_than_summer() -> None:
    """In mid-July the summer's weeks hold, in mid-January the winter's."""
    one = nature(replace(PLAIN, season_spread=0.0, batch_spread=0.0))
    summer = fmean(one.days(COLEUS, (10.0, 20.0), date(2025, 7, 15), 2_000))
    winter = fmean(one.days(COLEUS, (10.0, 20.0), date(2025, 1, 15), 2_000))
    assert winter / summer == pytest.approx(2, rel=0.03)


def test_a_season_is_shared_by_all_crops_and_its_factors_have_heavy_tails() -> None:
    """One factor a quarter for the whole nursery; over many seasons the spread is that of Student's t with 4 degrees."""
    one = nature()
    assert one.season_factor(COLEUS, date(2025, 6, 3)) == one.season_factor(HIBISCUS, date(2025, 8, 30))
    assert one.season_factor(COLEUS, date(2025, 12, 3)) == one.season_factor(COLEUS, date(2026, 2, 20))
    assert one.season_factor(COLEUS, date(2025, 6, 3)) != one.season_factor(COLEUS, date(2025, 9, 3))
    factors = sorted(nature(seed=seed).season_factor(COLEUS, date(2025, 6, 3)) for seed in range(4_000))
    quartile = 0.7407  # the upper quartile of Student's t with 4 degrees of freedom
    assert factors[3_000] == pytest.approx(quartile * PLAIN.season_spread, rel=0.1)


def test_two_factors_part_the_groups_and_a_drift_grows_with_the_years() -> None:
    """The other worlds differ where they say that they do."""
    two, summer = nature(TWO_FACTORS), date(2025, 6, 3)
    assert two.season_factor(COLEUS, summer) == two.season_factor(PLECTRANTHUS, summer) != two.season_factor(HIBISCUS, summer)
    plain, drifting, later = nature(), nature(DRIFTING), date(2027, 1, 1)
    grown = drifting.season_factor(COLEUS, later) - plain.season_factor(COLEUS, later)
    assert grown == pytest.approx(DRIFTING.drift_per_year * 2, rel=0.01)


def test_shares_are_beta_with_the_crop_s_mean_and_strength() -> None:
    """Batches differ more than coins do: the variance is m (1 - m) / (k + 1). Disasters strike three in a hundred."""
    one = nature()
    draws = [one.share(0.8, 20) for _ in range(20_000)]
    assert fmean(draws) == pytest.approx(0.8, abs=0.005)
    assert stdev(draws) ** 2 == pytest.approx(0.8 * 0.2 / 21, rel=0.05)
    struck = nature(DISASTERS)
    assert fmean(struck.share(0.95, 400) < 0.8 for _ in range(20_000)) == pytest.approx(0.03, abs=0.006)


def test_worlds_are_known_by_their_names() -> None:
    """One each of the family that the forecast will be tried in."""
    assert set(WORLDS) == {"plain", "weibull", "two-factors", "disasters", "miscounted", "drifting"}
    assert WORLDS["miscounted"].count_error == 0.05
