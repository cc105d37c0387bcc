"""The hidden truth: how long plants take, how many come through, and how well people write it down.

Owns the family of worlds and every draw from them. Nothing here knows of entries; the forecast never reads it.

A time is drawn plant by plant: `log T = log(median of the crop at that time of year) + season Z + batch u + within e`, with Z a
Student-t(4) a season, u and e normal. A share is drawn batch by batch: Beta(m k, (1 - m) k). The other worlds break one of
these assumptions each, so that a forecast built on them can be tried where it is wrong.
"""

from __future__ import annotations

import math
import random
from dataclasses import dataclass
from datetime import date
from typing import Literal

from ledger.demo.nursery import Crop, between, winter_share


@dataclass(frozen=True, slots=True, kw_only=True)
class World:
    """One hidden truth. Spreads are standard deviations of logarithms; shares lie between 0 and 1."""

    name: str
    times: Literal["log-normal", "weibull"] = "log-normal"
    season_spread: float = 0.05
    #: a second factor, one for each crop group and season
    group_spread: float = 0.0
    batch_spread: float = 0.10
    within_spread: float = 0.14
    #: how far the invented sisters of a crop lie from it
    crop_spread: float = 0.08
    #: what is added to every season's factor for each year that has gone by
    drift_per_year: float = 0.0
    #: batches that lose a third to nine tenths to something that happens to no other
    disaster_share: float = 0.0
    #: relative error of a person counting
    count_error: float = 0.01
    #: share of finds of dead plants that are binned and never written
    unwritten: float = 0.4
    #: share of written losses whose slip arrives in the evening or days later
    late_slips: float = 0.03


PLAIN = World(name="plain")
WEIBULL = World(name="weibull", times="weibull")
TWO_FACTORS = World(name="two-factors", group_spread=0.08)
DISASTERS = World(name="disasters", disaster_share=0.03)
MISCOUNTED = World(name="miscounted", count_error=0.05)
DRIFTING = World(name="drifting", drift_per_year=0.08)
WORLDS = {world.name: world for world in (PLAIN, WEIBULL, TWO_FACTORS, DISASTERS, MISCOUNTED, DRIFTING)}

_SURVIVAL_STRENGTH = 40.0
_TAIL = 4  # degrees of freedom of a season's factor
_NORMAL_ENOUGH = 50.0


class Nature:
    """The draws of one run: everything random about plants comes from `chance`."""

    def __init__(self, world: World, chance: random.Random, seed: int, began: date) -> None:
        self.world = world
        self.chance = chance
        self._seed = seed
        self._began = began
        self._seasons: dict[tuple[int, int, str], float] = {}
        self._weibull_shape = math.pi / (math.sqrt(6) * world.within_spread)

    # --- how long ---

    def season_factor(self, crop: Crop, on: date) -> float:
        """What this season does to the logarithm of a time that begins on this day; a season is a quarter from December on."""
        quarter = on.month % 12 // 3
        year = on.year + (on.month == 12)  # noqa: PLR2004 - December opens the winter of the next year
        key = (year, quarter, crop.group if self.world.group_spread else "")
        if key not in self._seasons:
            shared = self.world.season_spread * self._heavy_tailed(f"{self._seed}/{year}/{quarter}")
            grouped = self.world.group_spread * self._heavy_tailed(f"{self._seed}/{year}/{quarter}/{crop.group}")
            drift = self.world.drift_per_year * (on - self._began).days / 365.25
            self._seasons[key] = shared + grouped + drift
        return self._seasons[key]

    @staticmethod
    def _heavy_tailed(name: str) -> float:
        """A Student-t draw that depends on its name only, not on what was drawn before."""
        own = random.Random(name)
        return own.gauss(0, 1) / math.sqrt(own.gammavariate(_TAIL / 2, 2) / _TAIL)

    def days(self, crop: Crop, warm_winter: tuple[float, float], on: date, plants: int) -> list[int]:
        """Days that each of so many plants of one batch takes, if it began today."""
        median = 7 * between(warm_winter, winter_share(on))
        log_median = math.log(median) + self.season_factor(crop, on) + self.chance.gauss(0, self.world.batch_spread)
        if self.world.times == "weibull":
            scale = math.exp(log_median) / math.log(2) ** (1 / self._weibull_shape)
            return [int(self.chance.weibullvariate(scale, self._weibull_shape)) + 1 for _ in range(plants)]
        draw, spread = self.chance.lognormvariate, self.world.within_spread
        return [int(draw(log_median, spread)) + 1 for _ in range(plants)]

    # --- how many ---

    def share(self, mean: float, strength: float) -> float:
        """The share of one batch that comes through."""
        drawn = self.chance.betavariate(mean * strength, (1 - mean) * strength)
        if self.world.disaster_share and self.chance.random() < self.world.disaster_share:
            drawn *= self.chance.uniform(0.1, 0.67)
        return drawn

    def rooting_share(self, crop: Crop) -> float:
        return self.share(crop.plug_mean, crop.plug_strength)

    def survival_share(self, crop: Crop) -> float:
        return self.share(crop.survival, _SURVIVAL_STRENGTH)

    def some(self, units: int, share: float) -> int:
        """How many of so many units, each with this chance (binomial; walks from hit to hit, so rare ones are cheap)."""
        if units <= 0 or share <= 0:
            return 0
        if share > 0.5:  # noqa: PLR2004 - the mirror image walks in longer steps
            return units - self.some(units, 1 - share)
        log_miss = math.log1p(-share)
        random_, log = self.chance.random, math.log
        hits, at = 0, 0
        while True:
            at += int(log(1.0 - random_()) / log_miss) + 1
            if at > units:
                return hits
            hits += 1

    def happenings(self, mean: float) -> int:
        """How many times something happens that happens `mean` times on average (Poisson)."""
        if mean > _NORMAL_ENOUGH:
            return max(0, round(self.chance.gauss(mean, math.sqrt(mean))))
        limit, product, hits = math.exp(-mean), self.chance.random(), 0
        while product > limit:
            product *= self.chance.random()
            hits += 1
        return hits

    def seen(self, units: int) -> int:
        """What a person counts where so many stand."""
        return max(0, units + round(self.chance.gauss(0, self.world.count_error * units)))

    def likely(self, share: float) -> bool:
        return self.chance.random() < share
