"""What stands of one crop and size, counted; and how a promise changes the shelf and the pool that it rests on. Pure.

No forecast ever feeds what is counted.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import date, datetime

from msgspec import Struct
from msgspec.structs import replace

from ledger.plants import forecasts
from ledger.plants.book import Book
from ledger.plants.cards import (
    BatchCard,
    CropCard,
    ForecastCard,
    PoolCard,
    Pooled,
    PoolLine,
    PottingAsk,
    PromiseLine,
    ShelfCard,
    ShelfLine,
    Standing,
    changed,
)
from ledger.plants.entries import PolicySet, Stage
from ledger.plants.recorded import Asked, Grant


class Counted(Struct, frozen=True, kw_only=True):
    """Finished plants of one crop and size, in pots. free: neither stopped nor held; the buffer is kept back of those.

    counted_at: when the part that was counted longest ago was counted, None if there is no plant.
    """

    finished: int
    stopped: int
    held: int
    buffer: int
    counted_at: datetime | None

    @property
    def free(self) -> int:
        return self.finished - self.stopped - self.held


def count_buffer(units: int, days: float, policy: PolicySet) -> int:
    """Pots kept back because a count is never exact: ceil(z sigma), sigma = sqrt((a Q)^2 + (b Q)^2 d/7 + 1).

    Q is `units`, d the days since the last count; z, a and b are the policy's (1.28, .02 and .015 by default; design
    values of this project, to be refitted from a nursery's own count differences). Q 40: 2 after 3 days, 3 after 30.
    """
    return math.ceil(policy.buffer_z_per_mille / 1000 * count_error(units, days, policy))


def count_error(units: int, days: float, policy: PolicySet) -> float:
    """The sigma of the buffer: by how much a number may be wrong so many days after it was counted."""
    share = policy.buffer_share_per_mille / 1000 * units
    drift = policy.buffer_drift_per_mille / 1000 * units
    return math.sqrt(share**2 + drift**2 * max(0.0, days) / 7 + 1)


def counted(there: ShelfCard, crop: CropCard | None, policy: PolicySet, at: datetime) -> Counted:
    """What is counted of one crop and size, and the buffer kept back of it at a moment."""
    lines = [line for line in there.lines.values() if line.units]
    whole_crop_stopped = crop is not None and bool(crop.stops)
    finished = sum(line.units for line in lines)
    stopped = sum(line.units for line in lines if whole_crop_stopped or line.stopped)
    held = sum(min(line.held, line.units) for line in lines if not (whole_crop_stopped or line.stopped))
    counted_at = min((line.counted_at for line in lines if line.counted_at), default=None)
    days = (at - counted_at).total_seconds() / 86_400 if counted_at else 0.0
    free = finished - stopped - held
    buffer = min(count_buffer(free, days, policy), free)
    return Counted(finished=finished, stopped=stopped, held=held, buffer=buffer, counted_at=counted_at)


# --- what follows from a batch ---------------------------------------------------------------------------------


def line_of(batch: BatchCard) -> ShelfLine | None:
    """The finished plants of a batch, and those growing on, as a line on its shelf; None where there are none."""
    finished = _standing(batch, Stage.FINISHED)
    growing = batch.units_in(Stage.POTTED)
    if not finished and growing <= 0:
        return None
    return ShelfLine(
        units=sum(standing.units for standing in finished),
        held=sum(hold.units for hold in batch.holds),
        stopped=bool(batch.stops),
        growing=growing,
        counted_at=min(
            (standing.last_count.at if standing.last_count else standing.since for standing in finished), default=None
        ),
    )


def pool_line_of(batch: BatchCard) -> PoolLine | None:
    """The plugs of a batch in holding, and its cells still rooting, as a line of its crop's pool; None where there are none."""
    holding = _standing(batch, Stage.ROOTED)
    plugs, cells = sum(standing.units for standing in holding), batch.units_in(Stage.STRUCK)
    if plugs <= 0 and cells <= 0:
        return None
    since = min((standing.since for standing in holding), default=None)
    return PoolLine(plugs=plugs, cells=cells, stopped=bool(batch.stops), since=since)


def _standing(batch: BatchCard, stage: Stage) -> list[Standing]:
    return [standing for where, standing in batch.standing.items() if where.startswith(f"{stage}/") and standing.units > 0]


# --- what follows from a promise -------------------------------------------------------------------------------


def promise_line_of(grant: Grant, *, part: bool = False, later: bool = False) -> PromiseLine:
    """A line of a promise as it was granted. part, later: what its buyer would take instead."""
    asked = grant.potting
    return PromiseLine(
        crop=grant.crop,
        size=grant.size,
        due=grant.due,
        granted=grant.units,
        open=grant.units,
        basis=grant.basis,
        confidence=grant.confidence,
        potting_on=asked.on if asked is not None else None,
        pooled=asked.units if asked is not None else 0,
        allow_part=part,
        allow_later=later,
        papers=grant.papers,
    )


class Ground(Struct, frozen=True, kw_only=True):
    """The shelf and the pool that a line of a promise stands on, and the forecast by which pots are reckoned."""

    there: ShelfCard
    pool: PoolCard
    forecast: ForecastCard | None


def ground_of(book: Book, crop: str, size: str) -> Ground:
    """The ground of a crop and size, by the cards of a book. Raises Missing."""
    return Ground(there=book.shelf(crop, size), pool=book.pool(crop), forecast=book.forecast(crop))


def committed(
    ground: Ground, name: str, before: PromiseLine | None, after: PromiseLine, position: int, asked: Asked | None = None
) -> Ground:
    """The ground after a line `<promise>/<index>` changed. asked: the potting that comes with a line newly granted."""
    due = dict(ground.there.due)
    if before is not None:
        _add(due, before.due.isoformat(), -before.open)
    _add(due, after.due.isoformat(), after.open)
    pooled = {kept: value for kept, value in ground.there.pooled.items() if kept != name}
    since = position if asked is not None else getattr(ground.there.pooled.get(name), "position", None)
    if after.pooled and since is not None:
        pooled[name] = Pooled(due=after.due, units=after.pooled, position=since)
    ground = _with(ground, changed(ground.there, due=due, pooled=pooled), ground.pool)
    if asked is not None:
        return _more(ground, name, asked)
    if before is not None and before.pooled > after.pooled and before.potting_on is not None:
        return _fewer(ground, name, before.potting_on, after)
    return ground


def _more(ground: Ground, name: str, asked: Asked) -> Ground:
    day = asked.on.isoformat()
    ask = ground.there.asked.get(day) or PottingAsk(pots=0, plugs=0)
    lines = {**ask.lines, name: asked.units}
    return with_ask(ground, day, replace(ask, pots=ask.pots + asked.pots, plugs=ask.plugs + asked.plugs, lines=lines))


def _fewer(ground: Ground, name: str, on: date, after: PromiseLine) -> Ground:
    """Units given back ask for fewer pots: so many as the rest needs, but never fewer than are potted already."""
    ask = ground.there.asked.get(on.isoformat())
    if ask is None or name not in ask.lines or ask.answered:
        return ground
    lines = {kept: units for kept, units in ask.lines.items() if kept != name} | ({name: after.pooled} if after.pooled else {})
    size = ground.forecast.value.sizes.get(ground.there.size) if ground.forecast is not None else None
    left = sum(lines.values())
    needed = forecasts.pots_for(size, left, after.confidence or 90) if size is not None else None
    pots = max(ask.potted, min(ask.pots, needed if needed is not None else ask.pots - ask.units + left))
    plugs = -(-ask.plugs * pots // ask.pots) if ask.pots else 0
    return with_ask(ground, on.isoformat(), replace(ask, pots=pots, plugs=plugs, lines=lines))


def with_ask(ground: Ground, day: str, ask: PottingAsk) -> Ground:
    """The ground with an ask changed, and the plugs reserved that its open pots need."""
    name = f"{day}/{ground.there.size}"
    asked = {kept: value for kept, value in ground.there.asked.items() if kept != day}
    if ask.lines or ask.potted or ask.answered:
        asked[day] = ask
    reserved = {kept: plugs for kept, plugs in ground.pool.reserved.items() if kept != name}
    if ask.reserved:
        reserved[name] = ask.reserved
    return _with(ground, changed(ground.there, asked=asked), changed(ground.pool, reserved=reserved))


def forecast_known(there: ShelfCard, position: int, relied: Iterable[str]) -> ShelfCard:
    """The shelf after a new forecast that knows the log up to a position: nothing is remembered for its sake any longer."""
    pooled = {name: value for name, value in there.pooled.items() if value.position > position}
    kept = set(relied)
    asked = {
        day: ask
        for day, ask in there.asked.items()
        if forecasts.ASKED + day in kept or ask.answered > position or (ask.open and not ask.answered)
    }
    if pooled == there.pooled and asked == there.asked:
        return there
    return replace(there, pooled=pooled, asked=asked)


def _with(ground: Ground, there: ShelfCard, pool: PoolCard) -> Ground:
    return replace(ground, there=there, pool=pool)


def _add(counts: dict[str, int], name: str, units: int) -> None:
    """Add to one of some counts, none of which is kept at 0."""
    total = counts.get(name, 0) + units
    if total:
        counts[name] = total
    else:
        counts.pop(name, None)
