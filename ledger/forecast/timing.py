"""How time is measured, and how likely a time is that was only seen between two looks. Owns clocks and time likelihoods.

Time is *thermal* where a crop has a base temperature and the house has temperatures, otherwise days. Knows nothing of crops.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any, Literal, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy.special import log_ndtr

from ledger.plants.forecasts import Clocked

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Method = Literal["mean-first", "bounds-first"]

#: benches are walked weekly: what is found at a look came since the look before, and never more than this long ago
CHECK_DAYS = 7
#: the share of living plants that never get ready; it grows by itself as a batch gets overdue (`log_unready`)
NEVER_SHARE = 0.005
_MONTHS = 12
_LONGEST_STEP = 0.3


# --- clocks ----------------------------------------------------------------------------------------------------


def degree_days(lowest: float, highest: float, base: float, method: Method = "mean-first") -> float:
    """One day's thermal time above a base temperature, in degree days of the unit of the three temperatures.

    McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300. `mean-first` is their method 1, max(0, mean - base);
    `bounds-first` their method 2, where each bound below the base is raised to it before the mean is taken. The two
    differ, so a figure is worth nothing without the name of its method.
    """
    if method == "bounds-first":
        lowest, highest = max(lowest, base), max(highest, base)
    return max(0.0, (lowest + highest) / 2 - base)


class Climate(Struct, frozen=True, kw_only=True):
    """Mean temperatures of the house in Celsius: measured ones by day, otherwise the month's normal, January first.

    Without normals every clock counts days.
    """

    normals_c: tuple[float, ...] | None = None
    measured_c: Mapping[date, float] = {}

    def __post_init__(self) -> None:
        if self.normals_c is not None and len(self.normals_c) != _MONTHS:
            raise ValueError(f"normals are one for each month, not {len(self.normals_c)}")

    def clock(self, base_temperature_c: float | None, first: date, last: date) -> Clock:
        """The clock of a crop, good for stages that lie between two days."""
        if base_temperature_c is None or self.normals_c is None:
            return DAYS
        return Clock(first=first.toordinal(), sums=self._sums(base_temperature_c, first, last))

    def _sums(self, base: float, first: date, last: date) -> Floats:
        days = [date.fromordinal(day) for day in range(first.toordinal(), last.toordinal())]
        assert self.normals_c is not None
        means = [self.measured_c.get(day, self.normals_c[day.month - 1]) for day in days]
        return np.concatenate(([0.0], np.cumsum(np.maximum(0.0, np.asarray(means) - base))))


class Clock(Struct, frozen=True, kw_only=True):
    """Counts the time of plants from one day to others: degree days by `mean-first` on daily means, or plain days.

    first: the ordinal of the day from which `sums` run; sums: degree days from it to the start of each later day.
    """

    first: int = 0
    sums: Any = None

    @property
    def method(self) -> Clocked:
        return "days" if self.sums is None else "degree-days/mean-first"

    def between(self, starts: Any, ends: Any) -> Floats:
        """The time from the starts to the ends, both ordinals of days. 0 where an end lies before its start."""
        starts, ends = np.asarray(starts), np.asarray(ends)
        if self.sums is None:
            passed: Floats = (ends - starts).astype(np.float64)
        else:
            begun, ended = (np.clip(days - self.first, 0, len(self.sums) - 1) for days in (starts, ends))
            passed = self.sums[ended] - self.sums[begun]
        return np.maximum(0.0, passed)


DAYS = Clock()


def summed(index: Ints, values: Any, length: int) -> Floats:
    """The sums of values that belong together, by index from 0 to length - 1."""
    sums: Any = np.bincount(index, values, length)
    return np.asarray(sums, dtype=np.float64)


# --- how likely a time is --------------------------------------------------------------------------------------


def log_unready(x: Floats) -> Floats:
    """Log chance that a plant is not ready at the standardised log time x, of which a share never will be.

    log(never + (1 - never) (1 - Phi(x))), by log_ndtr, so that it stays right far beyond the median.
    """
    unready: Floats = np.logaddexp(np.log(NEVER_SHARE), np.log1p(-NEVER_SHARE) + log_ndtr(-x))
    return unready


def log_between(low: Floats, high: Floats) -> Floats:
    """Log chance of getting ready between two standardised log times, low < high; low may be -inf.

    log(Phi(high) - Phi(low)) is taken in the tail in which it does not cancel.
    """
    mirrored = low > 0
    upper = log_ndtr(np.where(mirrored, -low, high))
    lower = log_ndtr(np.where(mirrored, -high, low))
    between: Floats = np.log1p(-NEVER_SHARE) + upper + np.log(-np.expm1(np.minimum(lower - upper, -1e-15)))
    return between


class Sightings(Struct, frozen=True, kw_only=True):
    """What was seen of the times of plants, one row for each group of plants seen alike, sorted by `of`.

    of: which batch stay, 0, 1, 2 ... without gaps; low, high: bounds of log time, high = inf where not ready yet; units.
    """

    of: Ints
    low: Floats
    high: Floats
    units: Floats

    def __len__(self) -> int:
        return int(self.of[-1]) + 1 if len(self.of) else 0

    def only(self, stays: Ints) -> Sightings:
        """Those of some stays, in rising order, numbered anew."""
        rows = np.isin(self.of, stays)
        of = np.searchsorted(stays, self.of[rows])
        return Sightings(of=of, low=self.low[rows], high=self.high[rows], units=self.units[rows])

    def log_likelihood(self, centre: Floats, within: Floats | float) -> Floats:
        """By batch, given the mean log time of each (last axis; any axes before it) and the spread of its plants."""
        if not len(self.of):
            return np.zeros_like(centre)
        middle = centre[..., self.of]
        open_ended = np.isinf(self.high)
        value = np.empty_like(middle)
        low, seen = self.low, ~open_ended
        spread = np.broadcast_to(within, len(self))[self.of]
        value[..., open_ended] = log_unready((low[open_ended] - middle[..., open_ended]) / spread[open_ended])
        bounds = ((bound[seen] - middle[..., seen]) / spread[seen] for bound in (low, self.high))
        value[..., seen] = log_between(*bounds)
        firsts = np.searchsorted(self.of, np.arange(len(self)))
        by_batch: Floats = np.add.reduceat(value * self.units, firsts, axis=-1)
        return by_batch

    def settle(self, mean: Floats, variance: Floats, within: float, start: Floats, steps: int = 4) -> Settled:
        """The most likely centre of each batch under a normal prior, by Newton's steps (Laplace's method).

        All arrays broadcast to (..., batches). The likelihood is log-concave but for the share that never gets ready.
        """
        centre = np.broadcast_to(start, np.broadcast_shapes(np.shape(mean), np.shape(start))).astype(np.float64)
        for _ in range(steps):
            _, slope, bend = self._around(centre, within)
            step = (slope - (centre - mean) / variance) / (bend + 1 / variance)
            centre = centre + np.clip(step, -_LONGEST_STEP, _LONGEST_STEP)
        value, slope, bend = self._around(centre, within)
        marginal = value - 0.5 * (centre - mean) ** 2 / variance - 0.5 * np.log1p(bend * variance)
        return Settled(centre=centre, slope=slope, bend=bend, log_marginal=marginal)

    def _around(self, centre: Floats, within: float) -> tuple[Floats, Floats, Floats]:
        """Log likelihood by batch at its centre, and its slope and downward bend there (three-point differences)."""
        step = within / 8
        below, at, above = self.log_likelihood(np.stack([centre - step, centre, centre + step]), within)
        return at, (above - below) / (2 * step), np.maximum(0.0, 2 * at - above - below) / step**2


class Settled(NamedTuple):
    """What a batch's sightings say of its centre: as much as one normal observation `seen` with precision `bend`."""

    centre: Floats
    slope: Floats
    bend: Floats
    log_marginal: Floats

    @property
    def seen(self) -> Floats:
        value: Floats = self.centre + self.slope / np.maximum(self.bend, 1e-9)
        return value


# --- a curve without a model, for checks and plots --------------------------------------------------------------


def kaplan_meier(times: Sequence[float], ready: Sequence[bool]) -> list[tuple[float, float]]:
    """The share not ready yet after each time at which any got ready (Kaplan and Meier 1958, J. Am. Stat. Assoc. 53:457-481).

    ready: False where the plant was last seen not ready (right-censored). At a tie, those that got ready go first.
    """
    curve, share = [], 1.0
    for time in sorted({at for at, got_ready in zip(times, ready, strict=True) if got_ready}):
        at_risk = sum(other >= time for other in times)
        got_ready = sum(at == time and was for at, was in zip(times, ready, strict=True))
        share *= 1 - got_ready / at_risk
        curve.append((time, share))
    return curve
