"""Random states of a crop for the tests: what is believed of it, and lots as they may stand on a day."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from numpy.random import Generator

from ledger.forecast import season
from ledger.forecast.learning import Fitted, StageBelief
from ledger.forecast.season import season_of
from ledger.forecast.stays import Look, Lot, Stay
from ledger.forecast.survival import believed
from ledger.forecast.timing import DAYS
from ledger.plants.entries import Stage

DAY = date(2027, 3, 22)
CROP, SIZE = "ixora-copper-thimble", "P9"


def belief(rng: Generator) -> StageBelief:
    """Any belief that a fit might come to."""
    median = np.log(rng.uniform(35, 130))
    stood, passed = (
        believed(rng.uniform(0.7, 0.97), rng.uniform(10, 300), rng.uniform(8, 80), rng.uniform(0, 0.02)) for _ in range(2)
    )
    return StageBelief(
        clock=DAYS,
        by_month=tuple(median + 0.2 * np.cos(np.arange(12) / 2)),
        sd=(rng.uniform(0.01, 0.15),) * 12,
        batch=rng.uniform(0.05, 0.2),
        within=rng.uniform(0.08, 0.25),
        stood=stood,
        passed=passed,
        batches=5,
        assumed=False,
        seasons={season_of(DAY) - back: _season(rng) for back in range(5)},
        next_season=_season(rng),
    )


def _season(rng: Generator) -> season.Belief:
    nodes = rng.normal(0, 0.05) + rng.uniform(0.005, 0.08) * np.linspace(-2, 2, 3)
    return season.believed(nodes, season.log_density(np.linspace(-2, 2, 3)))


def lots(rng: Generator, held: StageBelief) -> list[Lot]:
    """One to three lots that began within two weeks, just begun to somewhat late, maybe with some ready already."""
    age = float(np.exp(held.by_month[0])) * rng.uniform(0.1, 1.3)
    return [_lot(rng, held, number, int(age) + int(rng.integers(0, 14))) for number in range(rng.integers(1, 4))]


def _lot(rng: Generator, held: StageBelief, number: int, age: int) -> Lot:
    begun, units = DAY - timedelta(days=age), int(rng.integers(2, 40))
    looks: tuple[Look, ...] = ()
    if age > 0.7 * np.exp(held.by_month[begun.month - 1]) and rng.random() < 0.7:
        found = int(rng.integers(0, units // 2 + 1))
        looks = (Look(on=DAY - timedelta(days=int(rng.integers(0, 7))), finished=found, poor=int(found > 3), lost=1),)
    begun_with = units + sum(look.gone for look in looks)
    stay = Stay(
        batch=f"lot-{number}", crop=CROP, size=SIZE, stage=Stage.POTTED, started_on=begun, units=begun_with, looks=looks,
        running=True,
    )  # fmt: skip
    return Lot(stay=stay, units=units)


def fitted(potted: StageBelief, struck: StageBelief | None = None) -> Fitted:
    """A fit that knows the one crop."""
    return Fitted(
        on=DAY,
        beliefs={Stage.POTTED: {(CROP, SIZE): potted}, Stage.STRUCK: {(CROP, None): struck or potted}},
        waits={Stage.ROOTED: {}, Stage.FINISHED: {}},
    )
