"""The draws against the exact convolution, which shares no code with them."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
import pytest
from msgspec.structs import replace
from scipy.stats import binom, norm

from ledger.forecast import season
from ledger.forecast.draws import DRAWS, LineDraws
from ledger.forecast.stays import Lot, Stay
from ledger.forecast.survival import Share
from ledger.plants.entries import Stage
from ledger.plants.forecasts import CONFIDENCES, value_at
from tests.forecast import exact, states

STATES, OUTLASTS = 200, 0.98


def compared(seed: int) -> tuple[float, list[float], list[float]]:
    """One random state by one week: drawn less exact chance at the exact median; P(N >= k), P(N > k) of what is published."""
    rng = np.random.default_rng(seed)
    held = states.belief(rng)
    lots = states.lots(rng, held)
    lines = LineDraws(held, states.DAY, seed, states.SIZE, DRAWS, OUTLASTS)
    kept = [lot for lot in lots if not lines.overdue(lot.stay, float(lines.amounts(lot.stay)[0]))]
    lines.add(lots)
    begun = lots[0].stay.started_on
    left = np.exp(held.by_month[begun.month - 1]) - (states.DAY - begun).days
    weeks = max(1, int(left / 7 + rng.integers(-2, 4)))
    below = np.cumsum(exact.chances(held, states.DAY, kept, weeks, OUTLASTS))
    median = int(np.searchsorted(below, 0.5))
    drawn = float((lines.there[weeks] <= median).mean())
    quantities = [value_at(steps, weeks) for steps in lines.curve()]
    at_least = [1.0 if k == 0 else float(1 - below[min(k, len(below)) - 1]) for k in quantities]
    more = [float(1 - below[min(k, len(below) - 1)]) for k in quantities]
    return drawn - float(below[median]), at_least, more


def test_draws_agree_with_the_exact_convolution_on_200_random_states() -> None:
    """Each published quantity is the exact quantile within the error of its draws; all together they are not biased."""
    found = [compared(seed) for seed in range(STATES)]
    difference, at_least, more = (np.array(column) for column in zip(*found, strict=True))
    stated = np.array(CONFIDENCES) / 100
    error = np.sqrt(stated * (1 - stated) / DRAWS)
    assert (at_least >= stated - 4.5 * error).all()
    assert (more <= stated + 4.5 * error).all()
    assert abs(difference.mean()) < 4 * 0.5 / np.sqrt(DRAWS * STATES)
    assert (at_least.mean(axis=0) >= stated - 4 * error / np.sqrt(STATES)).all()
    assert (more.mean(axis=0) <= stated + 4 * error / np.sqrt(STATES)).all()


def test_the_oracle_is_a_plain_binomial_where_nothing_else_varies() -> None:
    """One lot just potted, of which time, season and shares are known: units, share x chance to be ready."""
    sure = Share(mean=0.9, strength=1e7, shared=0.5)
    still = season.believed(np.array([-1e-9, 0.0, 1e-9]), np.zeros(3))
    held = states.belief(np.random.default_rng(1))
    held = replace(
        held, sd=(1e-9,) * 12, batch=1e-9, within=0.2, by_month=(np.log(84),) * 12, stood=sure, passed=sure,
        seasons={}, next_season=still,
    )  # fmt: skip
    stay = Stay(batch="b", crop=states.CROP, size="P9", stage=Stage.POTTED, started_on=states.DAY, units=30, running=True)
    chances = exact.chances(held, states.DAY, [Lot(stay=stay, units=30)], 12, 1.0)
    ready = (1 - exact.NEVER) * 0.81 * norm.cdf(0.0)
    assert (states.DAY + timedelta(weeks=12) - stay.started_on).days == 84
    assert chances == pytest.approx(binom.pmf(np.arange(31), 30, ready), abs=2e-4)
