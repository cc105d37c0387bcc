"""How many to begin with: what holds of any chain. The worked figures are in tests/checks."""

from __future__ import annotations

from itertools import pairwise

import pytest
from scipy.stats import betabinom, binom

from ledger.forecast.striking import MOST, begin_with, chance_of

#: rooting .75 at strength 20, the rest of the way .92 at strength 40
CHAIN = [(0.75, 20.0), (0.92, 40.0)]


def test_it_is_the_fewest() -> None:
    """One less would not do, one more would."""
    for confidence in (0.6, 0.9):
        least = begin_with(30, confidence, CHAIN)
        assert least is not None
        assert chance_of(30, least - 1, CHAIN) < confidence <= chance_of(30, least, CHAIN)


def test_more_plants_or_more_confidence_never_take_fewer_cells() -> None:
    """Monotone in both."""
    by_units = [begin_with(units, 0.9, CHAIN) or 0 for units in range(0, 40, 5)]
    by_confidence = [begin_with(20, percent / 100, CHAIN) or 0 for percent in (50, 80, 90, 95, 99)]
    assert all(fewer <= more for fewer, more in pairwise(by_units))
    assert all(fewer <= more for fewer, more in pairwise(by_confidence))


def test_one_step_is_scipys_beta_binomial_and_without_spread_its_binomial() -> None:
    """The building block by itself."""
    assert chance_of(30, 40, [(0.8, 15.0)]) == pytest.approx(float(betabinom.sf(29, 40, 12.0, 3.0)))
    assert chance_of(30, 40, [(0.8, 1e9)]) == pytest.approx(float(binom.sf(29, 40, 0.8)), abs=1e-4)


def test_what_cannot_be_had_is_said() -> None:
    """No number of cells gives so many; none wanted takes none."""
    assert begin_with(MOST, 0.9, CHAIN) is None
    assert begin_with(0, 0.9, CHAIN) == 0
