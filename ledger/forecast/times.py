"""The fit of the times of one stage: a mixed model of log time, by backfitting, from what was seen between looks.

    log time = log recipe + crop (around its group) + month of entry (by group) + season + batch + plant

Owns the effects and spreads, what is assumed of them until batches tell, and what is learned of running seasons.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from scipy.optimize import minimize_scalar

from ledger.forecast import season
from ledger.forecast.lines import MONTHS, Lines
from ledger.forecast.looks import sighted
from ledger.forecast.season import Levels, Prior, season_of
from ledger.forecast.stays import Stay
from ledger.forecast.timing import Floats, Ints, Settled, Sightings, summed

# What is assumed until the nursery's own batches say otherwise: a spread, and so many batches' worth of weight for it.
_WITHIN, _BATCH, _CROP, _GROUP, _MONTH = 0.15, 0.10, 0.12, 0.25, 0.08
_SEEN = 6.0
_ROUNDS, _SWEEPS = 6, 4
_MOST_FOR_SPREAD = 2_000
_TELLING = 5  # finished plants, as far as they tell, from which a batch tells of the spread of its plants


class Seen(NamedTuple):
    """The stays of one stage by index: line, month of entry from 0, season from the first, and their sightings.

    Sightings are relative to the recipe. Stays that were set back or had work that moves readiness tell nothing of times.
    """

    stays: list[Stay]
    line: Ints
    month: Ints
    season: Ints
    first_season: int
    sightings: Sightings


def seen_of(stays: Sequence[Stay], lines: Lines, on: date) -> Seen:
    """What is known on a day of the times of a stage's stays."""
    index = {name: at for at, name in enumerate(lines.names)}
    timed = [stay for stay in stays if stay.days_added == 0 and (stay.finished or stay.standing)]
    line = np.array([index[stay.line] for stay in timed], dtype=np.int64)
    month = np.array([stay.started_on.month - 1 for stay in timed], dtype=np.int64)
    seasons = np.array([season_of(stay.started_on) for stay in timed], dtype=np.int64)
    first = int(seasons.min(initial=season_of(on)))
    clocks = [lines.clocks[at] for at in line]
    sightings = sighted(timed, clocks, lines.recipe[line, month], on)
    return Seen(timed, line, month, seasons - first, first, sightings)


class Times(Struct, kw_only=True):
    """The fit of times, relative to the recipe; each effect with its variance. Spreads are standard deviations."""

    within: float
    batch: float
    line: Floats
    line_variance: Floats
    month: Floats
    month_variance: Floats
    season: Floats
    levels: Levels
    crop: float = _CROP

    def expected(self, seen: Seen, group: Ints) -> Floats:
        """Of each stay: crop, month and season together."""
        value: Floats = self.line[seen.line] + self.month[group[seen.line], seen.month] + self.season[seen.season]
        return value


def fit_times(seen: Seen, lines: Lines, seasons: bool) -> Times:
    """Batches are settled under what is believed of them, then the effects and spreads under the batches; and again."""
    groups, length = int(lines.group.max(initial=-1)) + 1, int(seen.season.max(initial=-1)) + 1
    times = Times(
        within=_within(seen.sightings),
        batch=_BATCH,
        line=np.zeros(len(lines.names)),
        line_variance=np.full(len(lines.names), _CROP**2 + _GROUP**2),
        month=np.zeros((groups, MONTHS)),
        month_variance=np.full((groups, MONTHS), _MONTH**2),
        season=np.zeros(length),
        levels=season.follow(np.zeros(length), np.zeros(length)),
    )
    centre = _rough(seen.sightings, np.zeros(len(seen.stays)))
    for _ in range(_ROUNDS if len(seen.stays) else 0):
        expected = times.expected(seen, lines.group)
        settled = seen.sightings.settle(expected, np.full(len(expected), times.batch**2), times.within, centre, steps=1)
        centre = settled.centre
        for _ in range(_SWEEPS):
            _sweep(times, seen, lines.group, settled, seasons)
    return times


def _rough(sightings: Sightings, expected: Floats) -> Floats:
    """Where to begin: the mean of the middles of what was seen ready, else what is expected if that has not gone by yet."""
    length, ready = len(sightings), ~np.isinf(sightings.high)
    units = summed(sightings.of, sightings.units * ready, length)
    middles = np.where(ready, (np.maximum(sightings.low, sightings.high - 1.0) + sightings.high) / 2, 0.0)
    mean = summed(sightings.of, middles * sightings.units, length) / np.maximum(units, 1e-12)
    last = np.full(length, -np.inf)
    np.maximum.at(last, sightings.of, np.where(ready, -np.inf, sightings.low))
    value: Floats = np.where(units > 0, mean, np.maximum(expected, last))
    return value


def _within(sightings: Sightings) -> float:
    """The spread between plants of one batch, by maximum likelihood over the latest batches with many seen ready."""
    ready = ~np.isinf(sightings.high)
    many = summed(sightings.of, sightings.units * ready, len(sightings)) >= _TELLING
    chosen = np.flatnonzero(many)[-_MOST_FOR_SPREAD:]
    if not len(chosen):
        return _WITHIN
    some = sightings.only(chosen)
    flat = np.full(len(chosen), 1.0)
    begin = _rough(some, flat)

    def loss(log_within: float) -> float:
        spread = float(np.exp(log_within))
        fitted = some.settle(begin, flat, spread, begin).log_marginal.sum()
        return float(-fitted + 0.5 * ((log_within - np.log(_WITHIN)) / 0.5) ** 2)

    found = minimize_scalar(loss, bounds=(np.log(0.03), np.log(0.6)), method="bounded", options={"xatol": 0.02})
    return float(np.exp(found.x))


def _sweep(times: Times, seen: Seen, group: Ints, settled: Settled, seasons: bool) -> None:
    """One round over crops, months, seasons and spreads, each given the others (backfitting of a mixed model)."""
    y, precision = settled.seen, settled.bend / (1 + settled.bend * times.batch**2)
    month = times.month[group[seen.line], seen.month]

    used = _line_step(times, seen.line, group, precision, y - month - times.season[seen.season])
    line = times.line[seen.line]

    cell = group[seen.line] * MONTHS + seen.month
    effect, variance = _shrunk(cell, times.month.size, precision, y - line - times.season[seen.season], 0.0, 1 / _MONTH**2)
    times.month, times.month_variance = effect.reshape(times.month.shape), variance.reshape(times.month.shape)
    month = times.month[group[seen.line], seen.month]
    used += float((1 - variance / _MONTH**2).sum())

    if seasons:
        used += _season_step(times, seen.season, precision, y - line - month)
    _batch_step(times, y - times.expected(seen, group), settled.bend, used)


def _batch_step(times: Times, residual: Floats, bend: Floats, used: float) -> None:
    """The spread between batches, from what the other effects leave, of which they used up so many free parameters."""
    kept = bend / (bend + 1 / times.batch**2)  # 1 where a batch is seen clearly, 0 where not at all
    squares = (kept * ((kept * residual) ** 2 + kept / np.maximum(bend, 1e-9))).sum()
    seen = kept.sum()
    free = max(seen - used, 0.1 * seen)
    times.batch = float(np.sqrt((squares * seen / max(free, 1e-9) + _SEEN * _BATCH**2) / (seen + _SEEN)))


def _shrunk(
    index: Ints, length: int, precision: Floats, y: Floats, prior: Floats | float, prior_precision: Floats | float
) -> tuple[Floats, Floats]:
    """Normal means by index, shrunk to a prior; and their variances."""
    total = summed(index, precision, length) + prior_precision
    return (summed(index, precision * y, length) + prior_precision * np.asarray(prior)) / total, 1 / total


def _line_step(times: Times, line: Ints, group: Ints, precision: Floats, y: Floats) -> float:
    """Crops around their groups, groups around their recipes. Returns how many free parameters the crops used up."""
    length, groups, between = len(times.line), len(times.month), times.crop**2
    own = summed(line, precision, length)
    mean = summed(line, precision * y, length) / np.maximum(own, 1e-12)
    of_group, group_variance = _shrunk(group, groups, own / (1 + own * between), mean, 0.0, 1 / _GROUP**2)
    total = own + 1 / between
    pull = 1 / (between * total)
    times.line = (own * mean + of_group[group] / between) / total
    times.line_variance = 1 / total + pull**2 * group_variance[group]
    seen = own > 0
    squares = ((times.line - of_group[group]) ** 2 + 1 / total)[seen]
    times.crop = float(np.sqrt((squares.sum() + _SEEN * _CROP**2) / (seen.sum() + _SEEN)))
    return float((1 - pull)[seen].sum())


def _season_step(times: Times, index: Ints, precision: Floats, y: Floats) -> float:
    """Seasons around their level: a Student-t prior as a normal one with the weight that its own size gives it.

    Returns how many free parameters they used up.
    """
    before, scale = times.levels.before, times.levels.next.scale
    far = ((times.season - before) / scale) ** 2
    prior_precision = (season.FREEDOM + 1) / (season.FREEDOM + far) / scale**2
    times.season, variance = _shrunk(index, len(times.season), precision, y, before, prior_precision)
    times.levels = season.follow(times.season, variance)
    return float((1 - variance * prior_precision).sum())


def running_seasons(times: Times, seen: Seen, group: Ints) -> dict[int, season.Belief]:
    """What is known of every season in which a stay began that is still running."""
    known = {}
    expected = times.expected(seen, group) - times.season[seen.season]
    of_group = group[seen.line]
    variance = times.batch**2 + times.line_variance[seen.line] + times.month_variance[of_group, seen.month]
    ready = np.array([stay.finished > 0 for stay in seen.stays], dtype=np.bool_)
    for number in sorted({int(at) for at, stay in zip(seen.season, seen.stays, strict=True) if stay.running}):
        prior = Prior(level=float(times.levels.before[number]), scale=times.levels.next.scale)
        parts = [np.flatnonzero((seen.season == number) & part) for part in (ready, ~ready)]
        some = [(seen.sightings.only(part), expected[part], variance[part]) for part in parts]
        told = _Told(times.within, float(times.season[number]), *some)
        known[number + seen.first_season] = prior.learned(told.log_likelihood)
    return known


class _Told:
    """What the batches of one season tell of its effect, each batch's own deviation integrated out (Laplace's method)."""

    def __init__(
        self, within: float, effect: float, ready: tuple[Sightings, Floats, Floats], unready: tuple[Sightings, Floats, Floats]
    ) -> None:
        self._within, self._unready = within, unready
        sightings, expected, variance = ready
        settled = sightings.settle(expected + effect, variance, within, _rough(sightings, expected + effect))
        self._seen, self._spread = settled.seen - expected, variance + 1 / np.maximum(settled.bend, 1e-9)

    def log_likelihood(self, effects: Floats) -> Floats:
        """Batches with any ready tell about as much as a normal observation would; those with none, that it is late."""
        total: Floats = -0.5 * ((self._seen - effects[:, None]) ** 2 / self._spread).sum(axis=-1)
        sightings, expected, variance = self._unready
        if len(expected):
            mean = expected + effects[:, None]
            total = total + sightings.settle(mean, variance, self._within, _rough(sightings, mean), steps=3).log_marginal.sum(
                axis=-1
            )
        return total
