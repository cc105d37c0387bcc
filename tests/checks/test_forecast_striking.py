"""How many to strike: the worked figures of the design, and the traps beside them.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from math import ceil

import numpy as np
import pytest
from scipy.stats import betabinom, binom

from ledger.forecast.striking import begin_with, chance_of

#: rooting .75 at strength 20, the rest of the way .92 at strength 40 (the design's example; own figures)
CHAIN = [(0.75, 20.0), (0.92, 40.0)]
COINS = [(0.75, 1e8), (0.92, 1e8)]
FIGURES = {0.5: 143, 0.8: 164, 0.9: 179, 0.95: 193}


@pytest.mark.parametrize(("confidence", "cells"), FIGURES.items())
def test_cells_for_a_hundred_good_plants(confidence: float, cells: int) -> None:
    """143, 164, 179 and 193: each the fewest by scipy's beta-binomial, summed over all that may root."""

    def chance(struck: int) -> float:
        rooted = np.arange(struck + 1)
        return float(betabinom.pmf(rooted, struck, 15.0, 5.0) @ betabinom.sf(99, rooted, 36.8, 3.2))

    assert begin_with(100, confidence, CHAIN) == cells
    assert chance(cells - 1) < confidence <= chance(cells)


def test_division_by_the_two_rates_is_hardly_better_than_even() -> None:
    """100 / (.75 x .92) = 144.9: 145 cells, of which a hundred come little more often than every other time."""
    assert ceil(100 / (0.75 * 0.92)) == 145
    assert 0.5 < chance_of(100, 145, CHAIN) < 0.55


def test_coins_are_false_comfort() -> None:
    """A plain binomial says 155 for nine times in ten; with batches that differ those are enough in less than three of four."""
    assert begin_with(100, 0.9, COINS) == 155
    assert binom.sf(99, 154, 0.69) < 0.9 <= binom.sf(99, 155, 0.69)
    assert chance_of(100, 155, CHAIN) < 0.75


def test_the_plain_yield_rule_divides() -> None:
    """100 wanted at a yield of 80 % are 125 to begin with, not 120 (CP): the middle of what comes of 125 is 100."""
    assert 100 / 0.8 == 125 != 100 * 1.2
    assert begin_with(100, 0.5, [(0.8, 1e8)]) == 125
    assert chance_of(100, 120, [(0.8, 1e8)]) < 0.25
