"""The lines that share a stage: their clocks, groups and recipes, by index. Owns how a recipe is read.

A line is what a time or a share belongs to: a crop, and for potted plants its size.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import NamedTuple

import numpy as np

from ledger.forecast.stays import CropFacts, Line, Stay
from ledger.forecast.timing import Clock, Floats, Ints
from ledger.plants.entries import Stage, Timing

MONTHS = 12
#: the stages that take time, and what is assumed of them where no recipe was ever typed
NO_RECIPE = {
    Stage.STRUCK: Timing(days=[28] * MONTHS, come_through=[80] * MONTHS),
    Stage.POTTED: Timing(days=[84] * MONTHS, come_through=[90] * MONTHS),
}


class Lines(NamedTuple):
    """The lines of one stage, by index: names, clocks, their groups by index, log recipe by month, recipe's share."""

    names: list[Line]
    clocks: list[Clock]
    group: Ints
    recipe: Floats
    comes_through: Floats


def lines_of(
    stage: Stage, stays: Sequence[Stay], facts: Mapping[str, CropFacts], clocks: Mapping[str, Clock], on: date
) -> Lines:
    """Every line of a stage that has a recipe or a past."""
    told = {stay.line for stay in stays}
    for code, crop in facts.items():
        told |= {(code, None)} if stage is Stage.STRUCK else {(code, size) for size in crop.growing}
    names = sorted(told, key=lambda line: (line[0], line[1] or ""))
    of_names = [clocks[code] for code, _ in names]
    groups: dict[tuple[str, str | None], int] = {}
    group = [groups.setdefault((facts[code].group, size), len(groups)) for code, size in names]
    timings = [recipe_of(facts[code], stage, size) for code, size in names]
    recipes = [_log_times(timing, clock, on) for timing, clock in zip(timings, of_names, strict=True)]
    return Lines(
        names,
        of_names,
        np.array(group, dtype=np.int64),
        np.array(recipes).reshape(len(names), MONTHS),
        np.array([sum(timing.come_through) / (100 * MONTHS) for timing in timings]),
    )


def recipe_of(crop: CropFacts, stage: Stage, size: str | None) -> Timing:
    """What the grower expects of a line, or what is assumed where nothing was typed."""
    typed = crop.rooting if stage is Stage.STRUCK else crop.growing.get(size or "")
    return typed if typed is not None else NO_RECIPE[stage]


def _log_times(timing: Timing, clock: Clock, on: date) -> list[float]:
    """Log time by month of entry, in the clock's units."""
    entered = [date(on.year, month, 15).toordinal() for month in range(1, MONTHS + 1)]
    times = clock.between(entered, [day + max(1, typed) for day, typed in zip(entered, timing.days, strict=True)])
    if clock.sums is not None:
        times = np.full(MONTHS, np.median(times))  # days differ by month since temperatures do: a plant needs the same warmth
    return [float(value) for value in np.log(np.maximum(1.0, times))]
