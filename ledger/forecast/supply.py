"""The forecast of one crop, put together from beliefs and what stands now. Pure: the same input gives the same bytes.

Owns what is asked (`Standing`) and how its parts make up a `Published`; the draws are made in `draws`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from msgspec import Struct

from ledger.forecast.draws import DRAWS, LineDraws, seed_of
from ledger.forecast.learning import Fitted
from ledger.forecast.stays import Lot, Stay
from ledger.plants.entries import Stage
from ledger.plants.forecasts import PoolForecast, Published, SizeForecast


class Ask(Struct, frozen=True, kw_only=True):
    """Pots asked for on a potting day that has not come or has not been answered yet."""

    on: date
    pots: int


class Standing(Struct, frozen=True, kw_only=True):
    """What one crop has now, stopped batches and units on hold left out: by size, and the plugs that have none yet."""

    crop: str
    sizes: tuple[str, ...] = ()
    finished: Mapping[str, int] = {}
    growing: Mapping[str, Sequence[Lot]] = {}
    asked: Mapping[str, Sequence[Ask]] = {}
    plugs: int = 0
    rooting: Sequence[Lot] = ()


def forecast(standing: Standing, fitted: Fitted, *, day: date, position: int, draws: int = DRAWS) -> Published:
    """The forecast of one crop as of a day and a position of the ledger."""
    seed = seed_of(standing.crop)
    sizes = {size: _size(standing, size, fitted, day, seed, draws) for size in sorted(standing.sizes)}
    pool = _pool(standing, fitted, day, seed, draws)
    return Published(crop=standing.crop, day=day, position=position, seed=seed, sizes=sizes, pool=pool, draws=draws)


def _size(standing: Standing, size: str, fitted: Fitted, day: date, seed: int, draws: int) -> SizeForecast:
    line = (standing.crop, size)
    belief = fitted.beliefs[Stage.POTTED][line]
    lines = LineDraws(belief, day, seed, size, draws, fitted.waiting(Stage.FINISHED, line).outlasts)
    lines.add_waiting(standing.finished.get(size, 0))
    finished = lines.curve()
    for lot in standing.growing.get(size, ()):
        lines.add(lot)
    growing_on = lines.curve()
    for ask in standing.asked.get(size, ()):
        lines.add(_asked(standing.crop, size, ask))
    ready, come_through = lines.from_potting()
    return SizeForecast(
        finished=finished,
        growing_on=growing_on,
        asked=lines.curve() if standing.asked.get(size) else growing_on,
        ready=ready,
        come_through=come_through,
        batches=belief.batches,
        few_data=belief.few_data,
        assumed=belief.assumed,
    )


def _asked(crop: str, size: str, ask: Ask) -> Lot:
    name = f"asked-{ask.on}"
    stay = Stay(batch=name, crop=crop, size=size, stage=Stage.POTTED, started_on=ask.on, units=ask.pots, running=True)
    return Lot(stay=stay, units=ask.pots)


def _pool(standing: Standing, fitted: Fitted, day: date, seed: int, draws: int) -> PoolForecast:
    line = (standing.crop, None)
    belief = fitted.beliefs[Stage.STRUCK][line]
    lines = LineDraws(belief, day, seed, "", draws, fitted.waiting(Stage.ROOTED, line).outlasts)
    lines.add_waiting(standing.plugs)
    plugs = lines.curve()
    for lot in standing.rooting:
        lines.add(lot)
    return PoolForecast(
        plugs=plugs, rooting=lines.curve(), batches=belief.batches, few_data=belief.few_data, assumed=belief.assumed
    )
