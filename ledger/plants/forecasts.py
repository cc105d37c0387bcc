"""A forecast as it is published and kept: whole numbers only, so that it can stand in the log and be scored later as it was.

Owns the record and how to read it; computes no forecast. Needs neither numpy nor scipy.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from datetime import date, timedelta
from functools import lru_cache
from math import exp, lgamma, log
from typing import Annotated, Literal

from msgspec import Meta, Struct

MODEL = "season-and-batch"
VERSION = 1
WEEKS = 104
#: in percent; 10 only so that a high expectation can be shown
CONFIDENCES = (10, 50, 80, 90, 95, 99)

#: a sum of chances that is just enough must not fall short of it by its rounding
ROUNDING = 1e-9

#: before the day of a potting that is asked for, among what a forecast relies on
ASKED = "asked/"

Week = Annotated[int, Meta(ge=0, le=WEEKS)]
Units = Annotated[int, Meta(ge=0, le=2**53 - 1)]
#: a step function of weeks from the forecast's day: (from this week on, value), weeks rising
Steps = Annotated[tuple[tuple[Week, Units], ...], Meta(max_length=WEEKS + 1)]
#: one for each of CONFIDENCES, in their order
ByConfidence = Annotated[tuple[Steps, ...], Meta(min_length=6, max_length=6)]
#: a share that differs from batch to batch: (mean in 1/10,000, strength), Beta(mean x strength, (1 - mean) x strength)
Beta = tuple[Annotated[int, Meta(ge=0, le=10_000)], Annotated[int, Meta(ge=1, le=100_000)]]
#: how the time of plants is counted; degree days by the daily mean, less the base, never below 0 (`ledger.forecast.timing`)
Clocked = Literal["days", "degree-days/mean-first"]
Basis = Literal["finished", "growing-on", "asked", "plugs", "rooting"]


class SizeForecast(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """One size, in three curves of cumulative supply by week, each with all that stands before it in the list.

    They are: finished plants; those growing on; pots asked for and not potted yet. A unit of the last curve at confidence c
    is there with that chance; shrink up to the usual day of leaving is taken off.

    ready: weeks from potting until the pots are ready, by the week of potting; come_through: of pots potted, the share that is
    good in that time: `pots_for` turns it into pots. Both by confidence.
    relied: units that the curves count on: by batch, and pots asked for, potted or not, by `asked/<day>`.
    batches: how many finished ones tell of the size; few_data: they are few; assumed: not even its group has any.
    """

    finished: ByConfidence
    growing_on: ByConfidence
    asked: ByConfidence
    ready: ByConfidence
    come_through: Annotated[tuple[Beta, ...], Meta(min_length=6, max_length=6)]
    relied: Mapping[str, Units]
    batches: Units
    few_data: bool = False
    assumed: bool = False


class PoolForecast(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Plugs that belong to no size yet, cumulative by week: those in holding; with the cells still rooting.

    relied: plugs and cells that the curves count on, by batch.
    """

    plugs: ByConfidence
    rooting: ByConfidence
    relied: Mapping[str, Units]
    batches: Units
    few_data: bool = False
    assumed: bool = False


class Published(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """The forecast of one crop as of a position of the ledger. Week 0 is its day, week w is 7 w days later.

    method: how the crop's time was counted.
    """

    crop: Annotated[str, Meta(min_length=1, max_length=200)]
    day: date
    position: Annotated[int, Meta(ge=0)]
    seed: Annotated[int, Meta(ge=0)]
    sizes: Mapping[str, SizeForecast]
    pool: PoolForecast
    method: Clocked
    model: Annotated[str, Meta(min_length=1, max_length=60)] = MODEL
    version: Annotated[int, Meta(ge=1)] = VERSION
    weeks: Annotated[int, Meta(ge=1, le=WEEKS)] = WEEKS
    draws: Annotated[int, Meta(ge=1)]


def value_at(steps: Steps, week: int, otherwise: int = 0) -> int:
    """What a step function says of a week."""
    at = bisect_right(steps, week, key=lambda step: step[0])
    return steps[at - 1][1] if at else otherwise


def week_of(published: Published, day: date) -> int:
    """The last week of a forecast that has come by a day; below 0 before the forecast's own day."""
    return (day - published.day).days // 7


def day_of(published: Published, week: int) -> date:
    """The day on which a week of a forecast has come."""
    return published.day + timedelta(weeks=week)


def at_confidence(percent: int) -> int:
    """The place among CONFIDENCES that keeps what is asked: the first one at or above it. Raises ValueError over 99."""
    place = bisect_left(CONFIDENCES, percent)
    if place == len(CONFIDENCES):
        raise ValueError(f"nothing is promised at {percent} %")
    return place


def quantity(size: SizeForecast, percent: int, week: int) -> int:
    """Cumulative supply of a size by a week, at a confidence: finished, growing on and asked."""
    return value_at(size.asked[at_confidence(percent)], week)


def basis(size: SizeForecast, percent: int, week: int) -> Basis:
    """What the supply by a week rests on: the first curve that gives all of it."""
    place = at_confidence(percent)
    whole = value_at(size.asked[place], week)
    if value_at(size.finished[place], week) >= whole:
        return "finished"
    return "growing-on" if value_at(size.growing_on[place], week) >= whole else "asked"


def expected(size: SizeForecast, week: int) -> tuple[int, int, int]:
    """Low, middle and high for the grower: nine times in ten at least, evenly likely, one time in ten."""
    low, middle, high = (quantity(size, percent, week) for percent in (90, 50, 10))
    return low, middle, high


def chance_at_least(size: SizeForecast, week: int, units: int) -> int:
    """The highest published confidence, in percent, at which so many are there by a week; 0 if below all of them."""
    return max((percent for percent in CONFIDENCES if quantity(size, percent, week) >= units), default=0)


@lru_cache(maxsize=65_536)
def _pots(mean: int, strength: int, units: int, percent: int) -> int | None:
    """Pot by pot: the chance that it is the last good one needed, added up until it is enough.

    Of pots whose share is Beta(a, b) the n-th is the u-th good one with chance C(n-1, u-1) B(a+u, b+n-u) / B(a, b): the
    beta-binomial (Skellam 1948, J. R. Stat. Soc. B 10:257-261) counted by pots instead of by good plants.
    """
    a = min(max(mean, 1), 9_999) / 10_000 * strength
    b = strength - a
    log_chance = lgamma(a + units) - lgamma(a) + lgamma(strength) - lgamma(strength + units)
    enough = 0.0
    for pots in range(units, 4 * units + 21):
        enough += exp(log_chance)
        if enough >= percent / 100 - ROUNDING:
            return pots
        log_chance += log(pots / (pots + 1 - units) * (b + pots - units) / (strength + pots))
    return None


def pots_for(size: SizeForecast, units: int, percent: int) -> int | None:
    """The fewest pots that give so many good plants in the weeks of `size.ready`, both at one confidence.

    None where four times as many and twenty would not do.
    """
    if units <= 0:
        return 0
    place = at_confidence(percent)
    return _pots(*size.come_through[place], units, CONFIDENCES[place])
