"""Shares that differ from batch to batch, and how crops borrow from each other."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import betabinom

from ledger.forecast.survival import (
    Batches,
    Share,
    believed,
    fit_shares,
    log_beta_binomial,
    waiting,
)


@given(trials=st.integers(1, 80), part=st.floats(0, 1), mean=st.floats(0.02, 0.98), strength=st.floats(1, 300))
def test_the_beta_binomial_is_scipys(trials: int, part: float, mean: float, strength: float) -> None:
    """Any number of any number, by mean and strength instead of a and b."""
    successes = int(part * trials)
    ours = log_beta_binomial(np.array(successes), np.array(trials), mean, strength)
    theirs = betabinom.logpmf(successes, trials, mean * strength, (1 - mean) * strength)
    assert float(ours) == pytest.approx(float(theirs), rel=1e-6, abs=1e-6)


def _batches(rng: np.random.Generator, means: list[float], each: int, strength: float = 30.0) -> Batches:
    crop = np.repeat(np.arange(len(means)), each)
    mean = np.array(means)[crop]
    good = rng.binomial(60, rng.beta(mean * strength, (1 - mean) * strength))
    return Batches(crop, good.astype(np.float64), np.full(len(crop), 60.0))


def test_a_crop_without_history_is_its_group_and_a_group_without_history_the_recipe() -> None:
    """The group does worse than its recipes; so will the young crop in it, but not the one in a group that is new."""
    batches = _batches(np.random.default_rng(1), [0.7] * 8, 12)
    group = np.array([0] * 9 + [1])
    fit = fit_shares(batches, group, np.full(10, 0.9))
    assert fit.mean[8] == pytest.approx(0.7, abs=0.03)
    assert fit.mean[9] == pytest.approx(0.9)
    assert fit.known[9] <= fit.known[8] < fit.known[0]


def test_own_history_pulls_a_crop_away_from_its_group_as_far_as_it_tells() -> None:
    """Two batches move it a little, forty all the way."""
    rng = np.random.default_rng(2)
    few, many = (
        fit_shares(
            _join(_batches(rng, [0.9] * 8, 20), _batches(rng, [0.6], each), 8), np.zeros(9, dtype=np.int64), np.full(9, 0.9)
        )
        for each in (2, 40)
    )
    assert 0.6 < many.mean[8] < few.mean[8] < 0.9
    assert many.mean[8] == pytest.approx(0.6, abs=0.04)


def _join(some: Batches, others: Batches, crop: int) -> Batches:
    moved = others._replace(crop=others.crop + crop)
    return Batches(*(np.concatenate(pair) for pair in zip(some, moved, strict=True)))


def test_strengths_are_learned_from_how_much_batches_differ() -> None:
    """Batches of strength 10 and of strength 100 are told apart, each shrunk towards what is usual."""
    rng = np.random.default_rng(3)
    wild, tame = (
        fit_shares(_batches(rng, [0.8] * 6, 30, s), np.zeros(6, dtype=np.int64), np.full(6, 0.8)) for s in (10.0, 100.0)
    )
    assert wild.strength.mean() == pytest.approx(10, rel=0.35)
    assert tame.strength.mean() > 60


def test_disasters_are_counted_and_do_not_blur_the_other_batches() -> None:
    """One batch in twenty is cut to a third: it shows in the share of disasters, not in the strength."""
    rng = np.random.default_rng(4)
    plain = _batches(rng, [0.9] * 10, 40, 60.0)
    struck = rng.random(400) < 0.05
    hit = plain._replace(successes=np.where(struck, np.floor(plain.successes / 3), plain.successes))
    fits = [fit_shares(batches, np.zeros(10, dtype=np.int64), np.full(10, 0.9)) for batches in (plain, hit)]
    assert fits[0].disaster < 0.01
    assert fits[1].disaster == pytest.approx(struck.mean(), abs=0.015)
    assert fits[1].strength.mean() == pytest.approx(fits[0].strength.mean(), rel=0.25)


def test_what_a_batch_has_shown_counts_for_it() -> None:
    """A beta distribution after so many of so many; what was shown is the batch's own, so crops have less in common."""
    share = believed(0.9, 50, 20)
    after = share.given(10, 20)
    assert after.mean == pytest.approx((0.9 * share.strength + 10) / (share.strength + 20))
    assert after.shared < share.shared


def test_variances_of_crop_and_batch_add_up() -> None:
    """The next batch of a crop known as if from 50 plants, whose batches differ with strength 20."""
    share = believed(0.9, 50, 20)
    variance = share.mean * (1 - share.mean) / (share.strength + 1)
    assert variance == pytest.approx(0.09 * (1 / 51 + 50 / 51 / 21))
    assert share.shared == pytest.approx((1 / 51) / (1 / 51 + 50 / 51 / 21))
    assert isinstance(share, Share)


def test_plants_that_wait_are_lost_as_fast_as_others_were() -> None:
    """400 lost in 20,000 weeks of plants; with nothing seen, the assumption; a line with little of its own is its group."""
    assert waiting(20_000, 400, 5_000).weekly_hazard == pytest.approx(0.02, abs=0.001)
    assert waiting(20_000, 400, 5_000).weeks == pytest.approx(20_000 / 5_400, abs=0.05)
    assert waiting(0, 0, 0).weekly_hazard == 0.005
    group = waiting(20_000, 400, 5_000)
    assert waiting(10, 0, 2, among=group).weekly_hazard == pytest.approx(group.weekly_hazard, rel=0.1)
    assert waiting(0, 0, 0).outlasts == pytest.approx(0.995**4)
