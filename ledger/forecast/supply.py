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
from ledger.plants import forecasts
from ledger.plants.entries import Stage
from ledger.plants.forecasts import PoolForecast, Published, SizeForecast


class Ask(Struct, frozen=True, kw_only=True):
    """Pots asked for, on a potting day that has not been answered yet: so many still to be potted, of so many in all."""

    on: date
    pots: int
    of: int


class Standing(Struct, frozen=True, kw_only=True):
    """What one crop has now, stopped batches and units on hold left out: by size, and the plugs that have none yet.

    finished and plugs: units by batch.
    """

    crop: str
    sizes: tuple[str, ...] = ()
    finished: Mapping[str, Mapping[str, int]] = {}
    growing: Mapping[str, Sequence[Lot]] = {}
    asked: Mapping[str, Sequence[Ask]] = {}
    plugs: Mapping[str, int] = {}
    rooting: Sequence[Lot] = ()


def forecast(standing: Standing, fitted: Fitted, *, day: date, position: int, draws: int = DRAWS) -> Published:
    """The forecast of one crop as of a day and a position of the ledger."""
    seed = seed_of(standing.crop)
    sizes = {size: _size(standing, size, fitted, day, seed, draws) for size in sorted(standing.sizes)}
    pool, method = _pool(standing, fitted, day, seed, draws), fitted.beliefs[Stage.STRUCK][standing.crop, None].clock.method
    return Published(
        crop=standing.crop, day=day, position=position, seed=seed, sizes=sizes, pool=pool, method=method, draws=draws
    )


def _size(standing: Standing, size: str, fitted: Fitted, day: date, seed: int, draws: int) -> SizeForecast:
    line = (standing.crop, size)
    belief = fitted.beliefs[Stage.POTTED][line]
    lines = LineDraws(belief, day, seed, size, draws, fitted.waiting(Stage.FINISHED, line).outlasts)
    lines.add_waiting(sum(standing.finished.get(size, {}).values()))
    finished = lines.curve()
    for lot in standing.growing.get(size, ()):
        lines.add(lot)
    growing_on = lines.curve()
    for ask in standing.asked.get(size, ()):
        lines.add(_asked(standing.crop, size, ask, day))
    ready, come_through = lines.from_potting()
    return SizeForecast(
        finished=finished,
        growing_on=growing_on,
        asked=lines.curve() if standing.asked.get(size) else growing_on,
        ready=ready,
        come_through=come_through,
        relied=_relied(standing.finished.get(size, {}), standing.growing.get(size, ()))
        | {forecasts.ASKED + ask.on.isoformat(): ask.of for ask in standing.asked.get(size, ())},
        batches=belief.batches,
        few_data=belief.few_data,
        assumed=belief.assumed,
    )


def _asked(crop: str, size: str, ask: Ask, day: date) -> Lot:
    """What should have been potted before the forecast's day is potted on it at the earliest."""
    on = max(ask.on, day)
    name = f"asked-{on}"
    stay = Stay(batch=name, crop=crop, size=size, stage=Stage.POTTED, started_on=on, units=ask.pots, running=True)
    return Lot(stay=stay, units=ask.pots)


def _pool(standing: Standing, fitted: Fitted, day: date, seed: int, draws: int) -> PoolForecast:
    line = (standing.crop, None)
    belief = fitted.beliefs[Stage.STRUCK][line]
    lines = LineDraws(belief, day, seed, "", draws, fitted.waiting(Stage.ROOTED, line).outlasts)
    lines.add_waiting(sum(standing.plugs.values()))
    plugs = lines.curve()
    for lot in standing.rooting:
        lines.add(lot)
    return PoolForecast(
        plugs=plugs,
        rooting=lines.curve(),
        relied=_relied(standing.plugs, standing.rooting),
        batches=belief.batches,
        few_data=belief.few_data,
        assumed=belief.assumed,
    )


def _relied(waiting: Mapping[str, int], lots: Sequence[Lot]) -> dict[str, int]:
    """Units by batch, those that wait and those that are not ready yet together."""
    relied = dict(waiting)
    for lot in lots:
        relied[lot.stay.batch] = relied.get(lot.stay.batch, 0) + lot.units
    return relied
