"""The forecast of one crop, put together from beliefs and what stands now. Pure: the same input gives the same bytes.

Owns what is asked (`Standing`) and how its parts make up a `Published`; the draws are made in `draws`.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from msgspec import Struct

from ledger.forecast.draws import DRAWS, Drawn, LineDraws, pot, seed_of, together
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
    seed, sizes = seed_of(standing.crop), sorted(standing.sizes)

    def line(stage: Stage, waits: Stage, size: str | None) -> LineDraws:
        of = (standing.crop, size)
        return LineDraws(fitted.beliefs[stage][of], day, seed, size or "", draws, fitted.waiting(waits, of).outlasts)

    lines = [line(Stage.POTTED, Stage.FINISHED, size) for size in sizes]
    pool = line(Stage.STRUCK, Stage.ROOTED, None)
    growing = [(of, standing.growing.get(size, ())) for size, of in zip(sizes, lines, strict=True)]
    asked = [
        (of, [_asked(standing.crop, size, ask, day) for ask in standing.asked.get(size, ())])
        for size, of in zip(sizes, lines, strict=True)
    ]
    pots = [(of, [pot(day)]) for of in lines]
    drawn = iter(together([*growing, *asked, *pots, (pool, standing.rooting)]))
    parts = zip(sizes, lines, *([next(drawn) for _ in sizes] for _ in (growing, asked, pots)), strict=True)
    return Published(
        crop=standing.crop,
        day=day,
        position=position,
        seed=seed,
        sizes={size: _size(standing, size, *of) for size, *of in parts},
        pool=_pool(standing, pool, next(drawn)),
        method=pool.belief.clock.method,
        draws=draws,
    )


def _size(
    standing: Standing, size: str, lines: LineDraws, growing: Sequence[Drawn], asked: Sequence[Drawn], pots: Sequence[Drawn]
) -> SizeForecast:
    lines.add_waiting(sum(standing.finished.get(size, {}).values()))
    finished = lines.curve()
    growing_on = lines.counted(growing)
    ready, come_through = lines.from_potting(*pots)
    return SizeForecast(
        finished=finished,
        growing_on=growing_on,
        asked=lines.counted(asked) if asked else growing_on,
        ready=ready,
        come_through=come_through,
        relied=_relied(standing.finished.get(size, {}), standing.growing.get(size, ()))
        | {forecasts.ASKED + ask.on.isoformat(): ask.of for ask in standing.asked.get(size, ())},
        batches=lines.belief.batches,
        few_data=lines.belief.few_data,
        assumed=lines.belief.assumed,
    )


def _asked(crop: str, size: str, ask: Ask, day: date) -> Lot:
    """What should have been potted before the forecast's day is potted on it at the earliest."""
    on = max(ask.on, day)
    name = f"asked-{on}"
    stay = Stay(batch=name, crop=crop, size=size, stage=Stage.POTTED, started_on=on, units=ask.pots, running=True)
    return Lot(stay=stay, units=ask.pots)


def _pool(standing: Standing, lines: LineDraws, rooting: Sequence[Drawn]) -> PoolForecast:
    lines.add_waiting(sum(standing.plugs.values()))
    return PoolForecast(
        plugs=lines.curve(),
        rooting=lines.counted(rooting),
        relied=_relied(standing.plugs, standing.rooting),
        batches=lines.belief.batches,
        few_data=lines.belief.few_data,
        assumed=lines.belief.assumed,
    )


def _relied(waiting: Mapping[str, int], lots: Sequence[Lot]) -> dict[str, int]:
    """Units by batch, those that wait and those that are not ready yet together."""
    relied = dict(waiting)
    for lot in lots:
        relied[lot.stay.batch] = relied.get(lot.stay.batch, 0) + lot.units
    return relied
