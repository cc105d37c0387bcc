"""How many cuttings to strike so that enough come through, by the crop's own learned shares. Reads only.

Owns the way from what was learned to the chain that `forecast.striking` reckons with, and what the answer says about its data.
"""

from __future__ import annotations

import threading
from collections.abc import Sequence
from datetime import date, datetime

from msgspec import Struct

from ledger import answers, past
from ledger.answers import Answer, Cursor, Unknown
from ledger.forecast import learning, striking
from ledger.forecast.learning import Fitted, StageBelief
from ledger.log import store
from ledger.plants import cards
from ledger.plants.cards import CropCard, RecipeCard
from ledger.plants.desk import day_of
from ledger.plants.entries import Stage
from ledger.rounds import SQL

CONFIDENCES = (50, 80, 90, 95)
#: beyond this many it is several rounds, and each has luck of its own
MOST_UNITS = 500


class Begin(Struct, frozen=True, kw_only=True):
    """So many cells, with so many cuttings in so many trays, give what is wanted at a confidence; null: not with any number."""

    confidence: float
    cells: int | None
    cuttings: int | None
    trays: int | None


class Learned(Struct, frozen=True, kw_only=True):
    """The share that comes through a stage on the average, and how many finished batches of the crop itself tell of it.

    few_data: from under three; assumed: not even its group has any, so it is the grower's recipe.
    """

    stage: str
    share: float
    batches: int
    few_data: bool
    assumed: bool


class Striking(Answer, frozen=True, kw_only=True):
    """How many to strike for so many good plugs, or with a size for so many finished pots (book: forecast).

    Exact for batches whose shares differ; total losses of a batch, and losses of plugs in holding, are not in it.
    """

    crop: str
    name: str
    size: str | None
    units: int
    month: int
    cuttings_per_cell: int
    tray_cells: int | None
    plugs_per_pot: int
    begin: list[Begin]
    learned: list[Learned]
    licence: str | None
    may_propagate: bool


class Fits:
    """What was learned of each group of crops, kept for a day. May be asked from several threads."""

    def __init__(self) -> None:
        self._kept: dict[str, tuple[date, Fitted]] = {}
        self._learning = threading.Lock()

    def of(self, cursor: Cursor, crop: CropCard, today: date) -> Fitted:
        """The fit of the crop's group: crops borrow from their group alone, so nothing else is read."""
        group = crop.value.group
        with self._learning:
            kept = self._kept.get(group)
            if kept is None or kept[0] != today or (crop.value.code, None) not in kept[1].beliefs[Stage.STRUCK]:
                kept = self._kept[group] = (today, _fit(cursor, group, today))
        return kept[1]


def _fit(cursor: Cursor, group: str, today: date) -> Fitted:
    crops = _crops_of(cursor, group)
    codes = [card.value.code for card in crops]
    recipes = {
        card.value.crop: card for card in answers.several(cursor, "cards", RecipeCard, kind="recipe", keys=sorted(codes))
    }
    facts = [past.facts_of(card, recipes.get(card.value.code), card.value.sizes) for card in crops]
    numbers = [row[0] for row in cursor.execute(SQL["batches_of_crops"], {"crops": codes})]
    known = {(of.code, size) for of in facts for size in (None, *of.growing)}
    stays = [
        stay
        for stay in (past.stays(cursor, numbers) if numbers else ())
        if stay.started_on <= today and stay.stage in (Stage.STRUCK, Stage.POTTED) and stay.line in known
    ]
    return learning.fit(stays, facts, past.climate(cursor), today)


def _crops_of(cursor: Cursor, group: str) -> list[CropCard]:
    found = [cards.decode(row[0]) for row in cursor.execute(SQL["crops_of_group"], {"group": group})]
    return [card for card in found if isinstance(card, CropCard)]


def strike(cursor: Cursor, fits: Fits, crop: str, units: int, size: str | None, now: datetime) -> Striking:
    """How many to begin with at each confidence. Raises Unknown."""
    card = answers.one(cursor, "crop", crop, CropCard)
    recipe = answers.maybe(cursor, "recipe", crop, RecipeCard)
    if size is not None and size not in card.value.sizes:
        raise Unknown(f"{crop} is not sold in {size}: it is sold in {', '.join(sorted(card.value.sizes)) or 'no size'}")
    today = day_of(now, answers.policy_of(cursor))
    fitted = fits.of(cursor, card, today)
    stages = [("rooting", fitted.beliefs[Stage.STRUCK][crop, None])]
    if size is not None:
        stages.append(("growing on", fitted.beliefs[Stage.POTTED][crop, size]))
    per_pot = recipe.value.plugs_per_pot.get(size, 1) if recipe is not None and size is not None else 1
    per_cell = recipe.value.cuttings_per_cell if recipe is not None else 1
    tray = recipe.value.tray_cells if recipe is not None else None
    return Striking(
        as_of=store.head(cursor),
        crop=crop,
        name=card.value.name,
        size=size,
        units=units,
        month=today.month,
        cuttings_per_cell=per_cell,
        tray_cells=tray,
        plugs_per_pot=per_pot,
        begin=[_begin(percent, _cells(units, percent / 100, stages, per_pot), per_cell, tray) for percent in CONFIDENCES],
        learned=[_learned(name, belief) for name, belief in stages],
        licence=card.value.licence,
        may_propagate=card.value.may_propagate,
    )


def _cells(units: int, confidence: float, stages: Sequence[tuple[str, StageBelief]], per_pot: int) -> int | None:
    """Cells for so many units. Where a pot takes several plugs each stage is given its part of the doubt: at least as sure."""
    chain = [_step(belief) for _, belief in stages]
    if per_pot == 1 or len(chain) == 1:
        return striking.begin_with(units, confidence, chain)
    each = confidence**0.5
    pots = striking.begin_with(units, each, chain[1:])
    return None if pots is None else striking.begin_with(pots * per_pot, each, chain[:1])


def _step(belief: StageBelief) -> tuple[float, float]:
    return striking.in_turn((belief.stood.mean, belief.stood.strength), (belief.passed.mean, belief.passed.strength))


def _begin(percent: int, cells: int | None, per_cell: int, tray: int | None) -> Begin:
    return Begin(
        confidence=percent / 100,
        cells=cells,
        cuttings=cells * per_cell if cells is not None else None,
        trays=-(-cells // tray) if cells is not None and tray else None,
    )


def _learned(name: str, belief: StageBelief) -> Learned:
    return Learned(
        stage=name,
        share=round(_step(belief)[0], 3),
        batches=belief.batches,
        few_data=belief.few_data,
        assumed=belief.assumed,
    )
