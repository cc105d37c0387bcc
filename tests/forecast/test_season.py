"""The factor that all crops of a season share: what it is called, what is learned of it, whether it drifts."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from scipy.stats import t as student

from ledger.forecast.season import Prior, follow, log_density, season_of


def test_december_opens_the_winter_of_the_next_year() -> None:
    """Seasons are quarters from December on, numbered in turn."""
    days = [date(2026, 11, 30), date(2026, 12, 1), date(2027, 2, 28), date(2027, 3, 1), date(2027, 12, 1)]
    assert [season_of(day) - season_of(days[0]) for day in days] == [0, 1, 1, 2, 5]


def test_the_density_is_students() -> None:
    """With four degrees of freedom, but for the constant."""
    x = np.linspace(-6, 6, 25)
    assert log_density(x) - log_density(np.zeros(1)) == pytest.approx(student.logpdf(x, 4) - student.logpdf(0, 4))


def test_the_prior_is_a_student_t_and_its_quantiles_are_near() -> None:
    """A discrete belief with the spread of the distribution itself."""
    belief = Prior(level=0.1, scale=0.05).belief
    assert belief.mean == pytest.approx(0.1)
    shares = np.array([0.05, 0.25, 0.75, 0.95])
    assert belief.quantiles(shares) == pytest.approx(0.1 + 0.05 * student.ppf(shares, 4), abs=0.012)


def test_what_is_learned_is_the_posterior() -> None:
    """One normal observation of the effect: compared with a fine sum over the product of prior and likelihood."""
    prior = Prior(scale=0.06)
    belief = prior.learned(lambda effects: -0.5 * ((effects - 0.2) / 0.04) ** 2)
    fine = np.linspace(-0.6, 0.8, 20_001)
    weights = student.pdf(fine / 0.06, 4) * np.exp(-0.5 * ((fine - 0.2) / 0.04) ** 2)
    mean = (weights * fine).sum() / weights.sum()
    sd = np.sqrt((weights * (fine - mean) ** 2).sum() / weights.sum())
    assert (belief.mean, belief.sd) == pytest.approx((mean, sd), rel=0.02)


def test_a_sharp_likelihood_is_found_between_the_nodes_of_the_prior() -> None:
    """Hundreds of batches know a season a hundred times better than the prior does."""
    belief = Prior(scale=0.08).learned(lambda effects: -0.5 * ((effects - 0.1234) / 0.0008) ** 2)
    assert (belief.mean, belief.sd) == pytest.approx((0.1234, 0.0008), rel=0.02)


def test_seasons_that_only_scatter_do_not_drift() -> None:
    """The level stays where it is, and the scale is that of the scatter."""
    rng = np.random.default_rng(6)
    levels = follow(0.08 * rng.standard_t(4, 60), np.full(60, 1e-6))
    assert levels.next.level == 0.0
    assert levels.next.scale == pytest.approx(0.08, rel=0.3)


def test_a_drift_is_followed() -> None:
    """Every season later than the one before: the next one is expected near the last, not near the mean."""
    rng = np.random.default_rng(7)
    effects = 0.03 * np.arange(40) + 0.03 * rng.standard_t(4, 40)
    levels = follow(effects, np.full(40, 1e-6))
    assert levels.next.level == pytest.approx(effects[-5:].mean(), abs=0.1)
    assert levels.next.scale < 0.12
