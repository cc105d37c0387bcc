"""Shares that differ from batch to batch against published tables: fits, edge rates, intervals.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from itertools import chain

import pytest
from scipy.stats import betabinom, binomtest
from statsmodels.stats.proportion import proportion_confint

from ledger.books import shrink
from ledger.forecast.survival import BetaBinomial, fit_beta_binomial, worth
from tests.checks.test_shrink import NEWCOMBE, OROB1, OROB1_PUBLISHED, OROB1_TRAP, OROB2, ROOTED

#: Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 5, the exact interval (MEM; scipy reproduces it)
NEWCOMBE_EXACT = {
    (81, 263): (0.2527, 0.3676), (15, 148): (0.0578, 0.1617), (0, 20): (0.0, 0.1684), (1, 29): (0.0009, 0.1776),
}  # fmt: skip

Batches = list[tuple[int, int]]


def fitted(batches: Batches) -> BetaBinomial:
    """One mean and one rho for all of them."""
    return fit_beta_binomial(*zip(*batches, strict=True))


def log_likelihood(batches: Batches, mean: float, rho: float) -> float:
    """By scipy's beta-binomial, the coefficient included."""
    strength = 1 / rho - 1
    return float(sum(betabinom.logpmf(y, n, mean * strength, (1 - mean) * strength) for y, n in batches))


def test_crowders_21_batches_of_seeds_differ_by_rho_0816() -> None:
    """orob2 (SEEN, R package aod), intercept only: rho .0816, log likelihood -64.516 (computed with scipy, not published)."""
    everything = list(chain.from_iterable(OROB2.values()))
    fit = fitted(everything)
    assert fit.rho == pytest.approx(0.0816, abs=5e-5)
    assert fit.log_likelihood == pytest.approx(-64.516, abs=5e-4)
    assert fit.log_likelihood == pytest.approx(log_likelihood(everything, fit.mean, fit.rho))
    assert fit.mean != pytest.approx(424 / 831, abs=1e-3)  # batches weigh by what they tell, not by their seeds


@pytest.mark.parametrize("batches", [*OROB1.values(), *OROB2.values(), *ROOTED.values()])
def test_a_fit_is_the_most_likely_one(batches: Batches) -> None:
    """No mean and no rho beside it does better by scipy's beta-binomial, for any treatment of the three papers."""
    fit = fitted(batches)
    best = log_likelihood(batches, fit.mean, max(fit.rho, 1e-6))
    assert best == pytest.approx(fit.log_likelihood, abs=1e-3)
    for mean in (fit.mean - 0.01, fit.mean + 0.01):
        if 0 < mean < 1:
            assert log_likelihood(batches, mean, max(fit.rho, 1e-6)) <= best + 1e-6
    for rho in (fit.rho * 0.8, fit.rho * 1.25 + 1e-4):
        assert log_likelihood(batches, fit.mean, max(rho, 1e-6)) <= best + 1e-3


@pytest.mark.parametrize("dilution", OROB1)
def test_a_fitted_mean_lies_by_the_published_one_and_is_no_mean_of_rates(dilution: str) -> None:
    """orob1 (SEEN, aod): Crowder's mean proportions are pooled; what is fitted stays within a batch's noise of them."""
    mean = fitted(OROB1[dilution]).mean
    assert mean == pytest.approx(OROB1_PUBLISHED[dilution], abs=0.03)
    assert mean != pytest.approx(OROB1_TRAP[dilution], abs=5e-4)


@pytest.mark.parametrize(("hours", "rate"), [(8, 138 / 140), (16, 68 / 130)])
def test_rates_near_one_and_batches_that_do_not_differ_have_a_fit(hours: int, rate: float) -> None:
    """Ridout's shoots (SEEN, kwstat/agridat): nearly all rooted; and four batches that differ less than coins do."""
    fit = fitted(ROOTED[hours])
    assert fit.mean == pytest.approx(rate, abs=0.01)
    assert 0 < fit.rho < 0.05


def test_a_tray_of_144_tells_no_more_than_18_independent_cells() -> None:
    """The variance of a beta-binomial rate (Skellam 1948, MEM): at strength 20, 144 x 21 / 164 cells = 18.4."""
    strength = 20.0
    tells = float(worth(144.0, strength))
    variance = betabinom.var(144, 0.75 * strength, 0.25 * strength) / 144**2
    assert tells == pytest.approx(18.4, abs=0.05)
    assert tells == pytest.approx(0.75 * 0.25 / variance)


@pytest.mark.parametrize(("lost", "of"), NEWCOMBE_EXACT)
def test_wilson_intervals_are_those_of_statsmodels_and_lie_in_newcombes_exact_ones(lost: int, of: int) -> None:
    """Narrower than the exact interval of the published table on both sides, never wider."""
    low, high = shrink.wilson(lost, of)
    assert (low, high) == pytest.approx(proportion_confint(lost, of, method="wilson"), abs=2e-6)
    exact = NEWCOMBE_EXACT[lost, of]
    found = binomtest(lost, of).proportion_ci()
    assert (round(float(found.low), 4), round(float(found.high), 4)) == exact
    assert exact[0] - 1e-9 <= low < NEWCOMBE[lost, of][1]
    assert high <= exact[1]
