"""When a batch should be through its stage by the grower's recipe: plain days and shares by month of entry. Pure.

It claims no confidence, and no promise rests on it: what is promised rests on the forecast (`ledger.forecast`).
"""

from __future__ import annotations

from datetime import date, timedelta

from msgspec import Struct

from ledger.plants.cards import BatchCard
from ledger.plants.entries import RecipeSet, Stage

_FAR = 36_500  # days added may say anything: a century is never
_LOOK_AGAIN = timedelta(days=7)  # an overdue batch is looked at again next week


class Expected(Struct, frozen=True, kw_only=True):
    """Units of a batch that should reach a stage on a day, if the recipe is right."""

    stage: Stage
    on: date
    units: int


def expected(batch: BatchCard, recipe: RecipeSet | None, today: date) -> list[Expected]:
    """The next stage of what is rooting or growing on in a batch."""
    if recipe is None:
        return []
    growing = recipe.growing.get(batch.size) if batch.size is not None else None
    found = []
    for stage, following, timing in ((Stage.STRUCK, Stage.ROOTED, recipe.rooting), (Stage.POTTED, Stage.FINISHED, growing)):
        units, month = batch.units_in(stage), batch.born_on.month - 1
        if units > 0 and timing is not None:
            left = timing.days[month] + batch.days_added - (today - batch.born_on).days
            on = today + (timedelta(days=min(left, _FAR)) if left > 0 else _LOOK_AGAIN)
            found.append(Expected(stage=following, on=on, units=units * timing.come_through[month] // 100))
    return found
