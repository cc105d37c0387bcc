"""The plain baseline for ready dates: the recipe's days and shares, by month of entry. Pure.

It claims no confidence. It stays in the product as the baseline that a real forecast must beat, and every answer that
rests on it says so.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta

from msgspec import Struct

from ledger.plants.cards import BatchCard
from ledger.plants.entries import RecipeSet, Stage, Timing

_RECHECK = timedelta(days=7)  # an overdue batch is looked at again next week
_MOST_DAYS = 3_650  # further off, nothing is known


class Step(Struct, frozen=True, kw_only=True):
    """From `on`, `quantity` pots in all. `shared`: plugs not potted yet stand behind it, which other sizes may take."""

    on: date
    quantity: int
    basis: str
    shared: bool = False


def curve(
    size: str, now: int, batches: Iterable[BatchCard], recipe: RecipeSet | None, potting_weekday: int, today: date
) -> list[Step]:
    """The cumulative supply of one crop and size: a step for each date on which the baseline says more is ready.

    now: sellable now. batches: those of the crop with anything standing, stopped ones left out by the caller.
    """
    steps = [Step(on=today, quantity=now, basis="finished")] if now > 0 else []
    growing = recipe.growing.get(size) if recipe is not None else None
    if recipe is None or growing is None:
        return steps
    coming: list[tuple[date, int, str, bool]] = []
    for batch in batches:
        if batch.size == size:
            units = _through(batch.units_in(Stage.POTTED), growing, batch.born_on)
            ready = _after(batch.born_on, growing, batch.days_added, today)
            coming.append((ready, units, "growing-on", False))
        elif batch.size is None:
            coming += _plugs(batch, recipe, growing, potting_weekday, today)
    total = now
    for on, units, basis, shared in sorted(coming):
        if units <= 0:
            continue
        total += units
        step = Step(on=on, quantity=total, basis=basis, shared=shared)
        if steps and steps[-1].on == on:
            steps.pop()
        steps.append(step)
    return steps


def ready_by(steps: Iterable[Step], quantity: int) -> Step | None:
    """The first step that gives the quantity, None if none does."""
    return next((step for step in steps if step.quantity >= quantity), None)


def _plugs(
    batch: BatchCard, recipe: RecipeSet, growing: Timing, potting_weekday: int, today: date
) -> list[tuple[date, int, str, bool]]:
    """Plugs in holding are potted on the next potting day; cells still rooting on the first one after they root."""
    found = []
    potted = _potting_day(today, potting_weekday)
    plugs = _through(batch.units_in(Stage.ROOTED), growing, potted)
    found.append((_after(potted, growing, 0, today), plugs, "plugs", True))
    rooted = _after(batch.born_on, recipe.rooting, batch.days_added, today)
    cells = _through(batch.units_in(Stage.STRUCK), recipe.rooting, batch.born_on)
    potted = _potting_day(rooted, potting_weekday)
    found.append((_after(potted, growing, 0, today), _through(cells, growing, potted), "rooting", True))
    return found


def _through(units: int, timing: Timing, entered: date) -> int:
    return units * timing.come_through[entered.month - 1] // 100


def _after(entered: date, timing: Timing, days_added: int, today: date) -> date:
    ready = entered.toordinal() + timing.days[entered.month - 1] + days_added - today.toordinal()
    return today + (timedelta(days=min(ready, _MOST_DAYS)) if ready > 0 else _RECHECK)


def _potting_day(after: date, weekday: int) -> date:
    """The first potting day (ISO weekday, Monday 1) after a day."""
    return after + timedelta(days=(weekday - after.isoweekday() - 1) % 7 + 1)
