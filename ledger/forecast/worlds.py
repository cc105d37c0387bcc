"""Invented nurseries to try the forecast on, made by a generator that knows nothing of the model.

Owns the hidden truth of each world and every draw from it. In all but the plain one something holds that the model does not
assume. Every plant has a day on which it would be ready and a day on which it dies, if it does; benches are walked weekly.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
from msgspec import Struct
from numpy.random import Generator
from numpy.typing import NDArray

from ledger.forecast.stays import CropFacts, Look, Stay
from ledger.plants.entries import Stage, Timing

Floats = NDArray[np.float64]

_SIZE = "P9"
_WEEK = 7
_FIRST_YEAR = 2001


class World(Struct, frozen=True, kw_only=True):
    """One hidden truth. Spreads are standard deviations of log time, shares lie between 0 and 1."""

    name: str
    weibull: bool = False
    season_spread: float = 0.08
    group_season_spread: float = 0.0
    drift_a_season: float = 0.0
    batch_spread: float = 0.10
    within_spread: float = 0.14
    crop_spread: float = 0.12
    recipe_error: float = 0.10
    strengths: tuple[float, float] = (15.0, 60.0)
    #: share of the plants looked over that is not good enough; its strength
    graded_out: float = 0.05
    grading_strength: float = 40.0
    disaster_share: float = 0.0
    count_error: float = 0.0


PLAIN = World(name="plain")
WORLDS = {
    world.name: world
    for world in (
        PLAIN,
        World(name="weibull", weibull=True),
        World(name="two-factors", group_season_spread=0.08),
        World(name="disasters", disaster_share=0.03),
        World(name="miscounted", count_error=0.05),
        World(name="drifting", drift_a_season=0.02),
    )
}


class Run(Struct, frozen=True, kw_only=True):
    """How large a world is tried: seasons, crops in the nursery at a time, batches of each a season; one seed, one run."""

    seasons: int = 60
    crops: int = 144
    batches: int = 3
    groups: int = 12
    #: share of the crops that a season replaces by new ones of the same group
    turnover: float = 0.06
    seed: int = 1


class Told(Struct, frozen=True, kw_only=True):
    """What the nursery has written down, and what was really there: ready plants by batch and day, as they came."""

    facts: list[CropFacts]
    stays: list[Stay]
    truth: dict[str, tuple[Look, ...]]
    #: weeks' demand of each crop, what a report weighs by
    demand: dict[str, float]


class _Crop(Struct, kw_only=True):
    """A cultivar as it really is."""

    facts: CropFacts
    log_days: float
    share: float
    strength: float
    winter: float
    group: int


def season_starts(run: Run) -> list[date]:
    """The first day of each season, from December on, and the day after the last."""
    months = [11 + 3 * at for at in range(run.seasons + 1)]
    return [date(_FIRST_YEAR + month // 12, month % 12 + 1, 1) for month in months]


def play(world: World, run: Run) -> Told:
    """Live through all seasons of a world."""
    rng = np.random.default_rng([run.seed, *world.name.encode()])
    group_days = np.log(rng.uniform(40, 130, run.groups))
    group_share = rng.uniform(0.75, 0.95, run.groups)
    crops = [_new_crop(world, rng, at % run.groups, group_days, group_share, at) for at in range(run.crops)]
    facts, stays, truth = [crop.facts for crop in crops], [], {}
    starts = season_starts(run)
    for at, (opening, closing) in enumerate(pairwise(starts)):
        shared = world.season_spread * rng.standard_t(4) + world.drift_a_season * at
        grouped = world.group_season_spread * rng.standard_t(4, run.groups)
        for slot in range(run.crops):
            if at and rng.random() < run.turnover:
                crops[slot] = _new_crop(world, rng, crops[slot].group, group_days, group_share, len(facts))
                facts.append(crops[slot].facts)
            crop = crops[slot]
            for number in range(run.batches):
                name = f"{crop.facts.code}-{at}-{number}"
                stay, looks = _batch(world, rng, crop, name, _day(rng, opening, closing), shared + grouped[crop.group])
                stays.append(stay)
                truth[name] = looks
    demand = {crop.code: float(rng.gamma(0.8)) for crop in facts}
    return Told(facts=facts, stays=stays, truth=truth, demand=demand)


def _new_crop(world: World, rng: Generator, group: int, group_days: Floats, group_share: Floats, number: int) -> _Crop:
    log_days = group_days[group] + world.crop_spread * rng.standard_normal()
    share = float(np.clip(group_share[group] + 0.04 * rng.standard_normal(), 0.5, 0.98))
    winter = float(rng.uniform(0.25, 0.5))
    opinion = math.exp(log_days + world.recipe_error * rng.standard_normal())
    days = [max(1, round(opinion * math.exp(0.9 * winter * _winter(month)))) for month in range(1, 13)]
    percent = min(99, max(40, round(100 * (share + 0.05 * rng.standard_normal()))))
    facts = CropFacts(
        code=f"crop-{number}", group=f"group-{group}", growing={_SIZE: Timing(days=days, come_through=[percent] * 12)}
    )
    return _Crop(
        facts=facts, log_days=log_days, share=share, strength=rng.uniform(*world.strengths), winter=winter, group=group
    )


def _day(rng: Generator, opening: date, closing: date) -> date:
    return opening + timedelta(days=int(rng.integers(0, (closing - opening).days)))


def _winter(month: float) -> float:
    """1 for plants that start in December, 0 in June."""
    return 0.5 + 0.5 * math.cos(2 * math.pi * (month % 12) / 12)


def _batch(world: World, rng: Generator, crop: _Crop, name: str, begun: date, effect: float) -> tuple[Stay, tuple[Look, ...]]:
    """One batch: what was written, and the true looks."""
    units = int(rng.integers(15, 70))
    centre = crop.log_days + crop.winter * _winter(begun.month) + effect + world.batch_spread * rng.standard_normal()
    ready = np.exp(centre + _plant_spread(world, rng, units))
    share = rng.beta(crop.share * crop.strength, (1 - crop.share) * crop.strength)
    poor = rng.beta(world.graded_out * world.grading_strength, (1 - world.graded_out) * world.grading_strength)
    dies = np.where(rng.random(units) < share, np.inf, ready * rng.random(units))
    if rng.random() < world.disaster_share:
        struck, leaves = ready * rng.random(), rng.uniform(0.1, 0.67)
        dies = np.where(rng.random(units) < leaves, dies, np.minimum(dies, struck))
    looks = tuple(_looks(begun, ready, dies, rng.random(units) >= poor))
    written = max(1, units + round(world.count_error * units * rng.standard_normal()))
    told = _written(looks, units, written)
    stay = Stay(batch=name, crop=crop.facts.code, stage=Stage.POTTED, size=_SIZE, started_on=begun, units=written, looks=told)
    return stay, looks


def _plant_spread(world: World, rng: Generator, units: int) -> Floats:
    """Log of each plant's time over its batch's median."""
    if not world.weibull:
        return world.within_spread * rng.standard_normal(units)
    shape = math.pi / (math.sqrt(6) * world.within_spread)
    log_times: Floats = np.log(rng.weibull(shape, units) / math.log(2) ** (1 / shape))
    return log_times


def _looks(begun: date, ready: Floats, dies: Floats, good: NDArray[np.bool_]) -> Iterator[Look]:
    """Weekly looks until nothing stands: what got ready and is good, and what was found dead or poor, since the look before."""
    day, left = _WEEK, len(ready)
    while left:
        ripe = (ready <= day) & (ready > day - _WEEK) & (ready < dies)
        dead = (dies <= day) & (dies > day - _WEEK) & (dies <= ready)
        finished, poor, lost = (int(found.sum()) for found in (ripe & good, ripe & ~good, dead))
        if finished or poor or lost:
            yield Look(on=begun + timedelta(days=day), finished=finished, poor=poor, lost=lost)
        left, day = left - finished - poor - lost, day + _WEEK


def _written(looks: tuple[Look, ...], units: int, written: int) -> tuple[Look, ...]:
    """The looks as they were written: where the first count was wrong, the last look squares the book."""
    if written == units:
        return looks
    last = looks[-1]
    return (*looks[:-1], Look(on=last.on, finished=last.finished, poor=last.poor, lost=max(0, last.lost + written - units)))
