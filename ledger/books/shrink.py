"""Shrink: what was lost, of what, and how sure that is. Pure.

Every rate carries its numerator, its denominator and its basis, since published definitions disagree. Rates are pooled
(sum over sum), never means of batch rates: Crowder's mean proportions (1978) are pooled too. `count-short` is apart: it
measures the records, not the growing.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from typing import Literal

from msgspec import Struct

Basis = Literal["cohort", "calendar"]
Grouping = Literal["crop", "size", "stage", "cause"]

FEW_BATCHES = 3
Z_95 = 1.959963984540054


def wilson(lost: int, entered: int, z: float = Z_95) -> tuple[float, float]:
    """Wilson's score interval for `lost` of `entered` (Newcombe 1998, method 3), as shares from 0 to 1.

    z: the two-sided normal quantile, 1.96 for 95 %. Raises ValueError unless 0 <= lost <= entered and entered > 0.
    """
    if not 0 <= lost <= entered or entered == 0:
        raise ValueError(f"no interval for {lost} of {entered}")
    share, square = lost / entered, z * z
    middle = share + square / (2 * entered)
    half = z * math.sqrt(share * (1 - share) / entered + square / (4 * entered * entered))
    width = 1 + square / entered
    return (max(0.0, (middle - half) / width), min(1.0, (middle + half) / width))


def pooled(parts: Iterable[tuple[int, int]]) -> float:
    """The rate over several batches, each (lost, entered): sum over sum. 0.0 where nothing entered."""
    lost, entered = 0, 0
    for part_lost, part_entered in parts:
        lost, entered = lost + part_lost, entered + part_entered
    return lost / entered if entered else 0.0


def cumulative(rates: Iterable[float]) -> float:
    """The share lost over stages that follow each other: 1 - product of (1 - s)."""
    return 1 - math.prod(1 - rate for rate in rates)


class Flow(Struct, frozen=True, kw_only=True):
    """Units of one crop, size and stage: what could be lost, and what was, by cause. `batches`: how many had any."""

    crop: str
    size: str | None
    stage: str
    exposed: int
    lost: Mapping[str, int]
    batches: int


class Rate(Struct, frozen=True, kw_only=True):
    """A line of the report. `low` and `high` are Wilson's 95 % limits, which take plants for coins: batches differ more."""

    crop: str | None
    size: str | None
    stage: str
    cause: str | None
    lost: int
    of: int
    rate: float | None
    low: float | None
    high: float | None
    batches: int
    few_data: bool


class Cumulative(Struct, frozen=True, kw_only=True):
    """The share lost over all the stages of one group, each at its pooled rate."""

    crop: str | None
    size: str | None
    stages: int
    rate: float


def rates(flows: Sequence[Flow], by: Sequence[Grouping]) -> list[Rate]:
    """Pooled rates by any of crop, size, stage and cause. The stage is always kept apart: units and chances differ by stage."""
    groups: dict[tuple[str | None, str | None, str], list[Flow]] = {}
    for flow in flows:
        key = (flow.crop if "crop" in by else None, flow.size if "size" in by else None, flow.stage)
        groups.setdefault(key, []).append(flow)
    lines: list[Rate] = []
    for (crop, size, stage), members in sorted(groups.items(), key=lambda item: tuple(part or "" for part in item[0])):
        lost: dict[str, int] = {}
        for flow in members:
            for cause, units in flow.lost.items():
                lost[cause] = lost.get(cause, 0) + units
        of = sum(flow.exposed for flow in members)
        batches = sum(flow.batches for flow in members)
        parts: list[tuple[str | None, int]] = [(None, sum(lost.values()))]
        if "cause" in by:
            parts = [(cause, units) for cause, units in sorted(lost.items()) if units]
        lines += [_rate(crop, size, stage, cause, units, of, batches) for cause, units in parts]
    return lines


def _rate(crop: str | None, size: str | None, stage: str, cause: str | None, lost: int, of: int, batches: int) -> Rate:
    limits = wilson(lost, of) if of > 0 and 0 <= lost <= of else None
    return Rate(
        crop=crop,
        size=size,
        stage=stage,
        cause=cause,
        lost=lost,
        of=of,
        rate=round(lost / of, 6) if of > 0 else None,
        low=round(limits[0], 6) if limits else None,
        high=round(limits[1], 6) if limits else None,
        batches=batches,
        few_data=batches < FEW_BATCHES,
    )


def cumulatives(flows: Sequence[Flow], by: Sequence[Grouping]) -> list[Cumulative]:
    """Over the stages of each group of crop and size. Plugs have no size yet: they belong to every size of their crop."""
    sizes: set[tuple[str, str | None]] = {(flow.crop, flow.size) for flow in flows if flow.size is not None}
    sizes |= {(flow.crop, None) for flow in flows if all(flow.crop != crop for crop, _ in sizes)}
    groups: dict[tuple[str | None, str | None], list[Flow]] = {}
    for crop, size in sizes:
        key = (crop if "crop" in by else None, size if "size" in by else None)
        group = groups.setdefault(key, [])
        group += [flow for flow in flows if flow.crop == crop and flow.size in (None, size) and flow not in group]
    found = []
    for (crop_of, size_of), members in sorted(groups.items(), key=lambda item: tuple(part or "" for part in item[0])):
        stages: dict[str, list[tuple[int, int]]] = {}
        for flow in members:
            stages.setdefault(flow.stage, []).append((sum(flow.lost.values()), flow.exposed))
        rate = cumulative(pooled(parts) for parts in stages.values())
        found.append(Cumulative(crop=crop_of, size=size_of, stages=len(stages), rate=round(rate, 6)))
    return found
