"""How many to begin with so that enough come through: exact, for batches whose shares differ. Pure.

Owns the chain of beta-binomial steps: cells struck, plugs of the cells, pots of the plugs. Of one step alone, by a published
forecast, `plants.forecasts.pots_for` tells the same without numpy.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.special import betaln, gammaln

from ledger.forecast.timing import Floats
from ledger.plants.forecasts import ROUNDING

MOST = 4_000

#: (mean, strength) of each step in turn: a batch's share is Beta(mean x strength, (1 - mean) x strength)
Chain = Sequence[tuple[float, float]]


def chance_of(units: int, begun: int, chain: Chain) -> float:
    """The chance that at least so many come through the whole chain of so many begun."""
    return float(_through(begun, _enough(units, begun, chain), *chain[0]))


def begin_with(units: int, confidence: float, chain: Chain) -> int | None:
    """The fewest to begin with so that at least so many come through with this chance; None if MOST would not do.

    Skellam's beta-binomial for each step (1948, J. R. Stat. Soc. B 10:257-261), convolved exactly. A plain binomial gives
    fewer, and false comfort.
    """
    if units <= 0:
        return 0
    wanted, most = confidence - ROUNDING, units
    while chance_of(units, most, chain) < wanted:
        if most >= MOST:
            return None
        most = min(MOST, 2 * most)
    enough, least = _enough(units, most, chain), units
    while least < most:
        middle = (least + most) // 2
        if _through(middle, enough[: middle + 1], *chain[0]) >= wanted:
            most = middle
        else:
            least = middle + 1
    return least


def in_turn(first: tuple[float, float], second: tuple[float, float]) -> tuple[float, float]:
    """Two steps that nothing is counted between, as one: the beta distribution with the mean and variance of their product."""
    (one, many), (other, more) = first, second
    mean = one * other
    square = mean * (one * many + 1) / (many + 1) * (other * more + 1) / (more + 1)
    return mean, mean * (1 - mean) / max(square - mean**2, 1e-12) - 1


def _enough(units: int, most: int, chain: Chain) -> Floats:
    """By the number that came through the first step, 0 to most: the chance that the later steps leave enough."""
    enough = (np.arange(most + 1) >= units).astype(np.float64)
    for mean, strength in reversed(chain[1:]):
        enough = np.array([_through(entered, enough[: entered + 1], mean, strength) for entered in range(most + 1)])
    return enough


def _through(entered: int, enough: Floats, mean: float, strength: float) -> float:
    """One step: the chance of enough over all numbers that may come through it, 0 to entered."""
    passed = np.arange(entered + 1)
    a, b = mean * strength, (1 - mean) * strength
    ways = gammaln(entered + 1) - gammaln(passed + 1) - gammaln(entered - passed + 1)
    chances = np.exp(ways + betaln(passed + a, entered - passed + b) - betaln(a, b))
    return float(np.minimum(1.0, chances @ enough[: entered + 1]))
