"""The forecast without draws, as an oracle: exact convolution, sharing with the product only the records that it reads.

One generating function a lot, multiplied at the roots of unity and transformed back, averaged over what lots have in
common: the crop's own time and shares by Gauss-Hermite, the seasons over the nodes of their beliefs. Days only.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import date, timedelta
from functools import lru_cache
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.polynomial.hermite_e import hermegauss
from numpy.polynomial.legendre import leggauss
from numpy.typing import NDArray
from scipy.special import betaincinv, ndtr
from scipy.stats import binom

from ledger.forecast.learning import StageBelief
from ledger.forecast.stays import Lot, Stay
from ledger.forecast.survival import Share

Floats = NDArray[np.float64]

NEVER = 0.005
ALIKE = 10.0
LEAVES = (0.10, 0.67)
_LINE, _COMMON, _OWN, _LEFT, _CENTRES, _BINS = 5, 2, 5, 3, 73, 400


class Common(NamedTuple):
    """One point of what all lots have in common, and its weight."""

    weight: float
    line: float
    stood: float
    passed: float
    seasons: dict[int, float]


def chances(belief: StageBelief, day: date, lots: Sequence[Lot], weeks: int, outlasts: float) -> Floats:
    """The chance of 0, 1, 2 ... units ready by so many weeks from a day."""
    length = sum(lot.units for lot in lots) + 1
    generating = np.zeros(length, dtype=np.complex128)
    for common in _commons(belief, lots):
        term = np.full(length, common.weight, dtype=np.complex128)
        for lot in lots:
            term *= np.fft.fft(_of_lot(belief, day, lot, weeks, outlasts, common), length)
        generating += term
    return np.clip(np.fft.ifft(generating).real, 0.0, 1.0)


@lru_cache(maxsize=8)
def _normal(points: int) -> tuple[Floats, Floats]:
    nodes, weights = hermegauss(points)
    return nodes, weights / weights.sum()


@lru_cache(maxsize=8)
def _even(points: int) -> tuple[Floats, Floats]:
    return leggauss(points)


def _season(day: date) -> int:
    return (day.year + (day.month == 12)) * 4 + day.month % 12 // 3


def _commons(belief: StageBelief, lots: Sequence[Lot]) -> Iterator[Common]:
    entered = {_season(lot.stay.started_on): lot.stay.started_on for lot in lots}
    beliefs = [belief.season(day) for day in entered.values()]
    axes = [_normal(_LINE), _normal(_COMMON), _normal(_COMMON), *((known.nodes, known.weights) for known in beliefs)]
    for places in product(*(range(len(nodes)) for nodes, _ in axes)):
        points = [float(nodes[at]) for (nodes, _), at in zip(axes, places, strict=True)]
        weight = float(np.prod([weights[at] for (_, weights), at in zip(axes, places, strict=True)]))
        line, stood, passed, *seasons = points
        yield Common(weight, line, stood, passed, dict(zip(entered, seasons, strict=True)))


def _last_check(stay: Stay, day: date) -> date:
    known = stay.looks[-1].on if stay.looks else stay.started_on
    return known + timedelta(days=(day - known).days // 7 * 7)


def _of_lot(belief: StageBelief, day: date, lot: Lot, weeks: int, outlasts: float, common: Common) -> Floats:
    """The chances of a lot's units, given what it has in common with others."""
    stay, month = lot.stay, lot.stay.started_on.month - 1
    checked = _last_check(stay, day)
    had, by = ((end - stay.started_on).days for end in (checked, checked + timedelta(weeks=weeks)))
    mean = belief.by_month[month] + belief.sd[month] * common.line + common.seasons[_season(stay.started_on)]
    centres = mean + belief.batch * np.linspace(-6, 12, _CENTRES)
    logs = -0.5 * ((centres - mean) / belief.batch) ** 2 + _log_seen(stay, checked, centres, belief.within)
    likely = logs > logs.max() - 16
    centres, weights = centres[likely], np.exp(logs[likely] - logs.max())
    ready = _ready(had, by, centres, belief.within)
    through, through_weights = _through(belief, stay, checked, day, centres, weights, common)
    chance = (ready[:, None] * through * outlasts).ravel()
    return _mixed(chance, (weights[:, None] * through_weights).ravel(), lot.units)


def _log_seen(stay: Stay, checked: date, centres: Floats, within: float) -> Floats:
    """What the looks say of the centre: ready between two looks, or not ready yet."""
    total = np.zeros_like(centres)
    before, units = stay.started_on, 0
    for look in stay.looks:
        before = max(before, look.on - timedelta(days=7))
        if look.finished:
            ends = [(end - stay.started_on).days for end in (before, look.on)]
            low, high = (ndtr((_log(end) - centres) / within) for end in ends)
            total += look.finished * np.log((1 - NEVER) * np.maximum(high - low, 1e-300))
            units += look.finished
        before = look.on
    if stay.standing:
        unready = ndtr((centres - _log((checked - stay.started_on).days)) / within)
        still = stay.standing + (stay.looks[-1].lost if stay.looks else 0)
        total += still * np.log(NEVER + (1 - NEVER) * unready)
        units += still
    return total * ((ALIKE + 1) / (units + ALIKE))


def _log(days: int) -> float:
    return float(np.log(days)) if days > 0 else -np.inf


def _ready(had: int, by: int, centres: Floats, within: float) -> Floats:
    """The chance that a living plant unready at `had` days is ready by `by`."""
    low, high = (ndtr((centres - _log(days)) / within) for days in (had, by))
    chance: Floats = (1 - NEVER) * (low - high) / (NEVER + (1 - NEVER) * low)
    return chance


def _through(
    belief: StageBelief, stay: Stay, checked: date, day: date, centres: Floats, likely: Floats, common: Common
) -> tuple[Floats, Floats]:
    """By centre and combination of a lot's own luck: the chance to come through, and the combinations' weights."""
    had, usual = (checked - stay.started_on).days, float(np.exp((likely * centres).sum() / likely.sum()))
    gone = min(1.0, (day - stay.started_on).days / usual) * stay.standing if stay.standing else 0.0
    good = stay.finished + stay.poor
    stood = _own(_given(belief.stood, good + gone, good + gone + stay.lost), common.stood)
    passed = _own(_given(belief.passed, stay.finished, good), common.passed)
    to_go = 1 - np.minimum(1.0, had / np.exp(centres))[:, None, None, None]
    struck = belief.stood.disaster * to_go + belief.passed.disaster
    spots, leaves_weights = _even(_LEFT)
    left = np.append(1.0, LEAVES[0] + (LEAVES[1] - LEAVES[0]) * (spots + 1) / 2)
    left_weights = np.concatenate([1 - struck, struck * (leaves_weights / 2)], axis=-1)
    _, own = _normal(_OWN)
    through = stood[:, None, None] ** to_go * passed[None, :, None] * left
    weights = own[:, None, None] * own[None, :, None] * left_weights
    return through.reshape(len(centres), -1), weights.reshape(len(centres), -1)


def _given(share: Share, successes: float, trials: float) -> tuple[float, float, float]:
    """Parameters a and b of the beta distribution after so many of so many, and the part that crops have in common."""
    a = share.mean * share.strength + successes
    b = (1 - share.mean) * share.strength + trials - successes
    return a, b, share.shared * share.strength / (share.strength + trials)


@lru_cache(maxsize=4096)
def _own(share: tuple[float, float, float], common: float) -> Floats:
    a, b, shared = share
    nodes, _ = _normal(_OWN)
    value: Floats = betaincinv(a, b, ndtr(np.sqrt(shared) * common + np.sqrt(1 - shared) * nodes))
    return value


def _mixed(chance: Floats, weights: Floats, units: int) -> Floats:
    """A mixture of binomial distributions: chances are split between the two nearest of a fine grid, so means are exact."""
    place = np.clip(chance, 0.0, 1.0) * _BINS
    below = np.minimum(place.astype(np.int64), _BINS - 1)
    part = place - below
    mass = np.bincount(below, weights * (1 - part), _BINS + 1) + np.bincount(below + 1, weights * part, _BINS + 1)
    mixed: Floats = (mass / mass.sum()) @ _binomials(units)
    return mixed


@lru_cache(maxsize=256)
def _binomials(units: int) -> Floats:
    """By chance (rows) the chances of 0 to all units."""
    return np.asarray(binom.pmf(np.arange(units + 1), units, np.arange(_BINS + 1)[:, None] / _BINS))
