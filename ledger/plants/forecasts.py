"""A forecast as it is published and kept: whole numbers only, so that it can stand in the log and be scored later as it was.

Owns the record and how to read it; computes no forecast. Needs neither numpy nor scipy.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Mapping
from datetime import date, timedelta
from typing import Literal

import msgspec
from msgspec import Struct

MODEL = "season-and-batch"
VERSION = 1
WEEKS = 104
#: in percent; 10 only so that a high expectation can be shown
CONFIDENCES = (10, 50, 80, 90, 95, 99)

#: a step function of weeks from the forecast's day: (from this week on, value), weeks rising
Steps = tuple[tuple[int, int], ...]
#: one for each of CONFIDENCES, in their order
ByConfidence = tuple[Steps, ...]
Basis = Literal["finished", "growing-on", "asked", "plugs", "rooting"]


class SizeForecast(Struct, frozen=True, kw_only=True):
    """One size, in three curves of cumulative supply by week, each with all that stands before it in the list.

    They are: finished plants; those growing on; pots asked for and not potted yet. A unit of the last curve at confidence c
    is there with that chance; shrink up to the usual day of leaving is taken off.

    ready: weeks from potting until the pots are ready, by the week of potting; come_through: of pots potted, the share that is
    good in that time, as (mean in 1/10,000, strength): `striking.pots_for` turns it into pots. Both by confidence.
    """

    finished: ByConfidence
    growing_on: ByConfidence
    asked: ByConfidence
    ready: ByConfidence
    come_through: tuple[tuple[int, int], ...]
    batches: int
    few_data: bool = False
    assumed: bool = False


class PoolForecast(Struct, frozen=True, kw_only=True):
    """Plugs that belong to no size yet, cumulative by week: those in holding; with the cells still rooting."""

    plugs: ByConfidence
    rooting: ByConfidence
    batches: int
    few_data: bool = False
    assumed: bool = False


class Published(Struct, frozen=True, kw_only=True):
    """The forecast of one crop as of a position of the ledger. Week 0 is its day, week w is 7 w days later."""

    crop: str
    day: date
    position: int
    seed: int
    sizes: Mapping[str, SizeForecast]
    pool: PoolForecast
    model: str = MODEL
    version: int = VERSION
    weeks: int = WEEKS
    draws: int


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


def encode(published: Published) -> bytes:
    """Canonical JSON: the same forecast is always the same bytes. There is no fraction in it."""
    return msgspec.json.encode(published, order="deterministic")


def decode(stored: bytes) -> Published:
    """A forecast as it was kept."""
    return msgspec.json.decode(stored, type=Published)
