"""Draws of what gets ready, by fixed seeds: one line of a crop, lot by lot.

    centre = crop + month + season Z + s_batch u, given all that was seen of the batch; every plant: centre + s_within e
    a plant counts by a week if it comes through and its time is over; overdue ones count ever less (`log_unready`)
    Q_c(week) = the largest k with P(N >= k) >= c over the draws

Every lot draws from a stream of its own, plant by plant, so that one plant more never lowers any draw and a refresh adds no
noise. Owns the draws; the beliefs come from `learning`.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.random import SFC64, Generator
from numpy.random.bit_generator import ISeedSequence
from numpy.typing import NDArray
from scipy.special import betainc, expit, ndtr, ndtri

from ledger.forecast.learning import StageBelief
from ledger.forecast.looks import came_through, sighted
from ledger.forecast.season import season_of
from ledger.forecast.stays import Lot, Stay
from ledger.forecast.survival import DISASTER_LEAVES, Share
from ledger.forecast.timing import CHECK_DAYS, NEVER_SHARE, Floats
from ledger.plants.entries import Stage
from ledger.plants.forecasts import CONFIDENCES, WEEKS, ByConfidence, Steps

DRAWS = 500
#: past this point of its time a batch counts nothing until somebody looks at it
SURELY_READY_Z = 2.576
_MOST_FOLLOWED = 1_000  # plants of one lot; a larger lot is followed by so many of its plants
_LEVELS = 8_192
_NEVER, _LONGEST = 1e5, 2e4  # the time of what never gets ready, over the centre; the longest centre in cells: both fit 31 bits
_AT_A_TIME = 48
_CELLS = WEEKS * 7
_FAR = 3.5
_TELLS_NOTHING = 0.01
_GRID = 48
_READY_Z = 2.054  # pots count as ready when 98 in 100 of the living are
_POTTING_WEEKS = 52
_EVERY = 4
_ACROSS = np.linspace(-5, 5, 25)
_CONFIDENT_Z = ndtri(np.array(CONFIDENCES) / 100)


def seed_of(name: str) -> int:
    """Of a name such as a crop's code: the same on every machine and on every day."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:6])


class _Digest(ISeedSequence):
    """The digest of a name as a generator's first state: as good as mixed already."""

    def __init__(self, name: str) -> None:
        self._digest = hashlib.sha256(name.encode()).digest()

    def generate_state(self, n_words: int, dtype: Any = np.uint32) -> NDArray[Any]:
        return np.frombuffer(self._digest, dtype=dtype, count=n_words)


def strata(rng: Generator, rows: int, draws: int) -> Floats:
    """Rows of one draw from each of so many equal parts of (0, 1), shuffled (McKay and others 1979, Technometrics 21:239)."""
    shuffled = np.array([rng.permutation(draws) for _ in range(rows)])
    value: Floats = (shuffled + rng.random((rows, draws))) / draws
    return value


def share_draws(shares: Sequence[Share], common: Floats, own: Floats) -> Floats:
    """Beta draws of some shares (rows) that batches of one crop have partly in common: normals joined by a Gaussian copula.

    The log odds of a share, as a function of the normal that it is drawn by, are so nearly straight that a few points do.
    """
    mean, strength, shared = np.array([(share.mean, share.strength, share.shared) for share in shares]).T[:, :, None]
    a, b = mean * strength, (1 - mean) * strength
    middle = np.log(a / b) - 0.5 / a + 0.5 / b
    log_odds = middle + np.sqrt(1 / a + 1 / b + 0.5 / a**2 + 0.5 / b**2) * _ACROSS
    normal = ndtri(np.clip(betainc(a, b, expit(log_odds)), 1e-12, 1 - 1e-12))
    joined = np.sqrt(shared) * common + np.sqrt(1 - shared) * own
    value: Floats = expit(np.stack([np.interp(*row) for row in zip(joined, normal, log_odds, strict=True)]))
    return value


@lru_cache(maxsize=64)
def _plant_times(within: float) -> NDArray[np.float32]:
    """Time over the centre, by the level of the share still unready: index 0 is never, then from the last to the first."""
    levels = (np.arange(_LEVELS) + 0.5) / _LEVELS
    return np.concatenate(([_NEVER], np.exp(-within * ndtri(levels)))).astype(np.float32)


class LineDraws:
    """The draws of one crop (and size) in one stage, summed up lot by lot; what its lots have in common is drawn once.

    outlasts: the share of the ready that is still there when it is wanted.
    """

    def __init__(self, belief: StageBelief, day: date, seed: int, name: str, draws: int, outlasts: float) -> None:
        self.belief, self.day, self.draws, self.outlasts = belief, day, draws, outlasts
        self._seed, self._name = seed, name
        self._own = self.stream("line")
        self.line, *common = ndtri(strata(self._own, 3, draws))
        self.common = np.array(common)  # of the share that stands, and of the share then found good
        self._to_pot = strata(self._own, 5, draws)
        self._seasons: dict[int, Floats] = {}
        #: units that arrive, by week (rows) and draw
        self.arrived = np.zeros((WEEKS + 1, draws), dtype=np.int32)
        self._weeks = 0  # so many rows may have any

    def stream(self, name: str) -> Generator:
        """Random numbers of their own for everything that has a name."""
        digest = _Digest(f"{self._seed}/{self._name}/{name}")
        return Generator(SFC64(digest))  # type: ignore[arg-type]  # the stubs know only numpy's own

    def season(self, entered: date) -> Floats:
        """Draws of a season's effect, the same for all lots that entered in it."""
        number = season_of(entered)
        if number not in self._seasons:
            (shares,) = strata(self.stream(f"season-{number}"), 1, self.draws)
            self._seasons[number] = self.belief.season(entered).quantiles(shares)
        return self._seasons[number]

    def expected(self, entered: date) -> Floats:
        """Draws of the centre that a batch entering on a day would have, if batches did not differ."""
        month = entered.month - 1
        value: Floats = self.belief.by_month[month] + self.belief.sd[month] * self.line + self.season(entered)
        return value

    def curve(self) -> ByConfidence:
        """Cumulative quantities by week and confidence of all that was added so far: the largest k with P(N >= k) >= c."""
        weeks = np.flatnonzero(self.arrived[: self._weeks].any(axis=1))
        ranked = np.cumsum(self.arrived[weeks], axis=0, dtype=np.int32)
        ranked.sort(axis=1)
        reached = ranked[:, [self.draws - place for place in _places(self.draws)]].T.tolist()
        return tuple(_steps(zip(weeks.tolist(), by_week, strict=True)) for by_week in reached)

    def add_waiting(self, units: int) -> None:
        """Plants that are ready now, less those that will not be there when wanted: all in week 0."""
        followed = min(units, _MOST_FOLLOWED)
        if followed:
            there = self._own.random((followed, self.draws), dtype=np.float32) < self.outlasts
            self.arrived[0] += there.sum(axis=0, dtype=np.int32) * units // followed
            self._weeks = max(self._weeks, 1)

    # --- a lot ---

    def add(self, lot: Lot) -> None:
        """Units of a lot that get ready and stay there."""
        amounts = self.amounts(lot.stay)
        if lot.units <= 0 or amounts[-1] <= amounts[0] or self.overdue(lot.stay, float(amounts[0])):
            return
        rng = self.stream(lot.stay.batch)
        (share,) = strata(rng, 1, self.draws)
        centre = self.centres(lot.stay, float(amounts[0]), share)
        through = self.comes_through(lot.stay, float(amounts[0]), centre, rng.random((4, self.draws)))
        followed = min(lot.units, _MOST_FOLLOWED)
        arrived = self._followed(followed, centre, through, amounts, rng)
        if followed < lot.units:
            many = np.cumsum(arrived, axis=0, dtype=np.int64) * lot.units // followed
            arrived = np.diff(many, axis=0, prepend=0).astype(np.int32)
        self.arrived[1 : len(arrived) + 1] += arrived
        self._weeks = max(self._weeks, len(arrived) + 1)

    def amounts(self, stay: Stay) -> Floats:
        """The time that a stay has had at its last weekly look by each week, week 0 first, in the clock's units."""
        known = stay.looks[-1].on if stay.looks else stay.started_on
        since_look = (self.day - known).days % CHECK_DAYS
        ends = self.day.toordinal() - since_look + 7 * np.arange(WEEKS + 1)
        return self.belief.clock.between(_entered(stay).toordinal(), ends)

    def overdue(self, stay: Stay, had: float) -> bool:
        """Past the 99.5 % point of its time, and nobody has looked at it since."""
        entered, belief = _entered(stay), self.belief
        season, month = belief.season(entered), entered.month - 1
        spread = math.sqrt(belief.sd[month] ** 2 + season.sd**2 + belief.batch**2 + belief.within**2)
        limit = math.exp(belief.by_month[month] + season.mean + SURELY_READY_Z * spread)
        if had <= limit:
            return False
        looked = stay.looks[-1].on.toordinal() if stay.looks else entered.toordinal()
        return bool(belief.clock.between(entered.toordinal(), looked) <= limit)

    def centres(self, stay: Stay, had: float, shares: Floats) -> Floats:
        """Draws of a batch's centre, given what was seen of it."""
        mean, batch, within = self.expected(_entered(stay)), self.belief.batch, self.belief.within
        earliest = float(mean.min()) - _FAR * batch
        if not stay.finished and (had <= 0 or stay.units * ndtr((math.log(had) - earliest) / within) < _TELLS_NOTHING):
            value: Floats = mean + batch * ndtri(shares)
            return value
        seen = sighted([_moved(stay)], [self.belief.clock], np.zeros(1), self.day)
        latest = max(float(mean.max()) + _FAR * batch, float(seen.low.max()) + _FAR * within)
        grid = np.linspace(min(earliest, float(seen.high.min())), latest, _GRID)
        logs = seen.log_likelihood(grid[:, None], within)[:, 0]
        return _drawn(grid, logs, mean, batch, shares)

    def comes_through(self, stay: Stay, had: float, centre: Floats, shares: Floats) -> Floats:
        """Draws of the chance that a unit standing now will be there when wanted, given what was seen of its batch."""
        belief = self.belief
        to_go = 1 - np.minimum(1.0, had * np.exp(-centre))
        stood, of, good, looked_over = came_through(stay, belief.clock, float(np.exp(centre.mean())), self.day)
        given = belief.stood.given(stood, of), belief.passed.given(good, looked_over)
        lived, passed = share_draws(given, self.common, ndtri(shares[:2]))
        struck = shares[2] < belief.stood.disaster * to_go + belief.passed.disaster
        least, most = DISASTER_LEAVES
        value: Floats = self.outlasts * lived**to_go * passed * np.where(struck, least + (most - least) * shares[3], 1.0)
        return value

    def _followed(self, units: int, centre: Floats, through: Floats, amounts: Floats, rng: Generator) -> NDArray[np.int32]:
        """Plant by plant: one uniform number says whether and when each gets ready, by the inverse of its chance.

        A plant unready at the time had is ready by t with chance through (1-never) (Phi(t) - Phi(had)) / unready(had).
        Rows are weeks from 1 to the last in which any gets ready. Plants are taken some at a time, which keeps them in cache.
        """
        had, draws = float(amounts[0]), self.draws
        unready = ndtr((centre - math.log(had)) / self.belief.within) if had > 0 else np.ones(draws)
        slope = (NEVER_SHARE + (1 - NEVER_SHARE) * unready) / np.maximum((1 - NEVER_SHARE) * through, 1e-9)
        per_cell = _CELLS / (float(amounts[-1]) - had)
        edges = had + (np.arange(_CELLS) + 0.5) / per_cell
        week = np.append(np.searchsorted(amounts, edges), 0)  # in week 0 stand those that never get ready
        top = np.minimum(unready * _LEVELS, _LEVELS - 0.01) + 1
        pace = np.minimum(np.exp(centre) * per_cell, _LONGEST)
        scaled = (np.minimum(_LEVELS * slope, 1e9) / 2**16, top, pace)
        down, top, pace = (values.astype(np.float32) for values in scaled)
        times, slots = _plant_times(self.belief.within), (week * draws).astype(np.int64)
        column = np.arange(draws)
        counted = np.zeros(len(amounts) * draws, dtype=np.int32)
        rows = 1
        for first in range(0, units, _AT_A_TIME):
            some = min(_AT_A_TIME, units - first)
            chance = rng.bit_generator.random_raw(-(-some * draws // 4)).view(np.uint16)[: some * draws]
            level = np.multiply(chance.reshape(some, draws), down, dtype=np.float32)
            np.subtract(top, level, out=level)
            time = times.take(level.astype(np.int32), mode="clip")
            time *= pace
            time -= np.float32(had * per_cell)
            slot = slots.take(time.astype(np.int32), mode="clip")
            slot += column
            found = np.bincount(slot.ravel())
            counted[: len(found)] += found
            rows = max(rows, -(-len(found) // draws))
        return counted.reshape(-1, draws)[1:rows]

    # --- pots not potted yet ---

    def from_potting(self) -> tuple[ByConfidence, tuple[tuple[int, int], ...]]:
        """Weeks until pots are ready by the week of potting, and the share of them that is good by then; by confidence."""
        potted = [self.day + timedelta(weeks=week) for week in range(0, _POTTING_WEEKS + _EVERY, _EVERY)]
        starts = np.array([day.toordinal() for day in potted])[:, None]
        amounts = self.belief.clock.between(starts, starts + 7 * np.arange(WEEKS + 1))
        limits = self._log_ready(potted)
        weeks = np.array([np.searchsorted(had, needed) for had, needed in zip(amounts, np.exp(limits), strict=True)])
        worse = np.maximum(weeks[:-1], weeks[1:]).T.tolist()
        ready = tuple(_steps(zip(range(0, _POTTING_WEEKS, _EVERY), column, strict=True)) for column in worse)

        nothing = Stay(batch="", crop="", stage=Stage.POTTED, started_on=self.day, units=0)
        centre = self.expected(self.day) + self.belief.batch * ndtri(self._to_pot[4])
        through = self.comes_through(nothing, 0.0, centre, self._to_pot[:4]) * (1 - NEVER_SHARE)
        return ready, _as_betas(through * ndtr((limits[0][:, None] - centre) / self.belief.within))

    def _log_ready(self, potted: Sequence[date]) -> Floats:
        """By day of potting and confidence, the log time at which nearly all plants of a batch are ready."""
        belief = self.belief
        seasons = [belief.season(day) for day in potted]
        months = [(belief.by_month[day.month - 1], belief.sd[day.month - 1]) for day in potted]
        middle = np.array([log + known.mean for (log, _), known in zip(months, seasons, strict=True)])
        variance = np.array([sd**2 + known.sd**2 for (_, sd), known in zip(months, seasons, strict=True)])
        spread = np.sqrt(variance + belief.batch**2)
        value: Floats = (middle + _READY_Z * belief.within)[:, None] + np.outer(spread, _CONFIDENT_Z)
        return value


def _entered(stay: Stay) -> date:
    return stay.started_on + timedelta(days=stay.days_added)


def _moved(stay: Stay) -> Stay:
    """A stay with readiness moved: looks before the move tell nothing of the time from it."""
    if not stay.days_added:
        return stay
    return Stay(
        batch=stay.batch, crop=stay.crop, size=stay.size, stage=stay.stage, started_on=_entered(stay),
        units=stay.units, running=stay.running,
    )  # fmt: skip


def _drawn(grid: Floats, logs: Floats, mean: Floats, sd: float, shares: Floats) -> Floats:
    """One draw for each mean from the normal prior around it times a likelihood on a grid, linear between its points.

    Up to what only scales a row, the prior is exp(mean x grid / variance): single precision is enough for weights.
    """
    middle, step = float(mean.mean()), float(grid[1] - grid[0])
    fixed = (logs - 0.5 * ((grid - middle) / sd) ** 2).astype(np.float32)
    weights = np.multiply.outer((grid - middle).astype(np.float32), ((mean - middle) / sd**2).astype(np.float32))
    weights += fixed[:, None]
    weights -= weights.max(axis=0)
    np.exp(weights, out=weights)
    below = np.cumsum(weights, axis=0)
    wanted = (shares * below[-1]).astype(np.float32)
    at = np.minimum((below < wanted).sum(axis=0, dtype=np.int16), len(grid) - 1)
    draws = np.arange(len(shares))
    beyond = (below[at, draws] - wanted) / weights[at, draws]
    value: Floats = grid[at] + (0.5 - beyond) * step
    return value


# --- quantiles -------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _places(draws: int) -> tuple[int, ...]:
    """By confidence, how many of the draws must reach a quantity."""
    return tuple(-(-percent * draws // 100) for percent in CONFIDENCES)


def _steps(values: Iterable[tuple[int, int]]) -> Steps:
    """Only where a value changes, a first 0 left out; of two values for one week the later counts."""
    changes: list[tuple[int, int]] = []
    for week, value in values:
        if value != (changes[-1][1] if changes else 0):
            changes.append((week, value))
    return tuple(changes)


def _as_betas(shares: Floats) -> tuple[tuple[int, int], ...]:
    """For each row of draws the beta distribution with its mean and variance: (mean in 1/10,000, strength), rounded down."""
    mean, variance = shares.mean(axis=1), np.maximum(shares.var(axis=1), 1e-9)
    strength = np.clip(mean * (1 - mean) / variance - 1, 1, 100_000)
    return tuple((int(share * 10_000), int(alike)) for share, alike in zip(mean.tolist(), strength.tolist(), strict=True))
