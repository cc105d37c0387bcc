"""What somebody with a batch in their hands has to know: its card, its family, its life, and what is usual for its crop.

Reads only, for the pages of the bench; every answer is of one moment (see `ledger.answers`).
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import Struct

from ledger import answers
from ledger.answers import Answer, Cursor, Unknown
from ledger.log import codec, store
from ledger.plants import cards, rules
from ledger.plants.cards import BatchCard, CropCard, OrderCard, PersonCard, PlaceCard, RecipeCard, SizeCard, StockPlantCard
from ledger.plants.entries import Counted, CropSet, PlaceSet, RecipeSet, Reversed, SizeSet
from ledger.plants.recipes import Expected, expected
from ledger.plants.recorded import Recorded

_MOST_PLACES = 1_000
_MOST_KIN = 100
#: how far back one looks for what is usual
_LAST = 20


class Relative(Struct, frozen=True, kw_only=True):
    """A batch or stock plant of the family: units that link it to this one, and how many of it stand now."""

    holder: str
    crop: str
    size: str | None
    linked: int
    standing: int
    is_batch: bool


class Hand(Answer, frozen=True, kw_only=True):
    """A batch (or a stock plant) and what is known around it. `now` is in the nursery's own zone."""

    now: datetime
    crop: CropCard
    recipe: RecipeSet | None
    sizes: dict[str, SizeSet]
    places: dict[str, PlaceCard]
    people: dict[str, str]
    batch: BatchCard | None = None
    stock: StockPlantCard | None = None
    orders: tuple[OrderCard, ...] = ()

    @property
    def held(self) -> BatchCard:
        """The batch, where there must be one."""
        if self.batch is None:
            raise Unknown("say which batch")
        return self.batch

    def place(self, code: str) -> PlaceSet | None:
        """A place as it was last set."""
        card = self.places.get(code)
        return card.value if card is not None else None


class Life(Struct, frozen=True, kw_only=True):
    """The life line of a batch in the order in which it happened; `taken_back`: ids of entries that were reversed."""

    entries: list[Recorded]
    taken_back: frozenset[UUID]
    earlier: bool


class Kept(Struct, frozen=True, kw_only=True):
    """One entry, and whether it was taken back."""

    recorded: Recorded
    taken_back: bool


def zone(cursor: Cursor) -> ZoneInfo:
    """The nursery's own time zone."""
    return ZoneInfo(answers.policy_of(cursor).time_zone)


def hand(cursor: Cursor, batch: str | None, stock: str | None, now: datetime) -> Hand:
    """Everything around a batch or a stock plant. Raises Unknown."""
    found = _held(cursor, batch, stock)
    crop = _one(cursor, "crop", found.crop)
    assert isinstance(crop, CropCard)
    recipe = _maybe(cursor, "recipe", found.crop)
    orders = [card for card in _decoded(cursor, "picked_of", batch=batch) if isinstance(card, OrderCard)]
    return Hand(
        as_of=store.head(cursor),
        now=now.astimezone(zone(cursor)),
        crop=crop,
        recipe=recipe.value if isinstance(recipe, RecipeCard) else None,
        sizes={card.value.code: card.value for card in _kind(cursor, "size") if isinstance(card, SizeCard)},
        places={card.value.code: card for card in _kind(cursor, "place") if isinstance(card, PlaceCard)},
        people={card.value.code: card.value.name for card in _kind(cursor, "person") if isinstance(card, PersonCard)},
        batch=found if isinstance(found, BatchCard) else None,
        stock=found if isinstance(found, StockPlantCard) else None,
        orders=tuple(orders),
    )


def _held(cursor: Cursor, batch: str | None, stock: str | None) -> BatchCard | StockPlantCard:
    if batch is None and stock is None:
        raise Unknown("say which batch, or which stock plant")
    card = _one(cursor, "batch", batch) if batch is not None else _one(cursor, "stock-plant", stock or "")
    assert isinstance(card, BatchCard | StockPlantCard)
    return card


def knows_batch(cursor: Cursor, number: str) -> CropSet | None:
    """The crop of a batch of that number, None where there is none."""
    card = _maybe(cursor, "batch", number)
    crop = _maybe(cursor, "crop", card.crop) if isinstance(card, BatchCard) else None
    return crop.value if isinstance(crop, CropCard) else None


def knows_stock_plant(cursor: Cursor, code: str) -> bool:
    """Whether stock plants stand, or stood, under a code."""
    return _maybe(cursor, "stock-plant", code) is not None


def due(found: Hand) -> list[Expected]:
    """When the batch should be through its stage by the grower's recipe."""
    return expected(found.held, found.recipe, found.now.date())


def family(cursor: Cursor, card: BatchCard) -> tuple[list[Relative], list[Relative]]:
    """The parents and the children of a batch."""
    came: dict[str, int] = {}
    for parent in card.parents[:_MOST_KIN]:
        came[parent.holder] = came.get(parent.holder, 0) + parent.units
    parents = [_relative(holder, came[holder.key[1]]) for holder in _holders(cursor, list(came))]
    children = []
    for child in _holders(cursor, card.children[:_MOST_KIN]):
        links = child.parents if isinstance(child, BatchCard) else ()
        children.append(_relative(child, sum(link.units for link in links if link.holder == card.number)))
    return parents, children


def _holders(cursor: Cursor, names: Sequence[str]) -> list[BatchCard | StockPlantCard]:
    found = [
        card
        for kind in ("stock-plant", "batch")
        for card in _decoded(cursor, "cards", kind=kind, keys=list(names))
        if isinstance(card, BatchCard | StockPlantCard)
    ]
    return sorted(found, key=lambda card: names.index(card.key[1]))


def _relative(card: BatchCard | StockPlantCard, linked: int) -> Relative:
    return Relative(
        holder=card.key[1],
        crop=card.crop,
        size=card.size if isinstance(card, BatchCard) else None,
        linked=linked,
        standing=sum(there.units for there in card.standing.values()),
        is_batch=isinstance(card, BatchCard),
    )


def life(cursor: Cursor, number: str, most: int) -> Life:
    """The last entries that touched a batch."""
    rows = cursor.execute(answers.SQL["life_latest"], {"kind": "batch", "key": number, "limit": most + 1}).fetchall()
    found = _recorded(rows)
    back = [each.told.entry for each in found if isinstance(each.told, Reversed)]
    return Life(entries=found[:most][::-1], taken_back=frozenset(back), earlier=len(rows) > most)


def usual(cursor: Cursor, kind: str, crop: str) -> list[Recorded]:
    """The last entries of a type on a crop, the latest first: where such plants go, and how many at a time."""
    return _recorded(cursor.execute(answers.SQL["acts_on_crop"], {"type": kind, "crop": crop, "limit": _LAST}).fetchall())


def entry(cursor: Cursor, id: UUID) -> Kept | None:  # noqa: A002 - the entry's own word
    """An entry by its id, None where there is none."""
    row = cursor.execute(answers.SQL["entry"], {"id": id}).fetchone()
    return None if row is None else Kept(recorded=codec.decode(row[2], row[0], row[1]), taken_back=row[3])


def counted_first(cursor: Cursor, recorded: Recorded) -> Recorded | None:
    """The count that was written together with an entry because the book had too few there, if there was one."""
    number = getattr(recorded.told, "batch", None)
    for other in life(cursor, number, _LAST).entries if number is not None else ():
        told = other.told
        offered = isinstance(told, Counted) and rules.count_first_id(recorded.told.id, told.batch, told.stage, told.place)
        if told.id == offered:
            return other
    return None


def _recorded(rows: Iterable[tuple[Any, ...]]) -> list[Recorded]:
    return [codec.decode(content, kind, schema) for kind, schema, content in rows]


def _kind(cursor: Cursor, kind: str) -> list[cards.AnyCard]:
    rows = cursor.execute(answers.SQL["cards_of_kind"], {"kind": kind, "after": "", "limit": _MOST_PLACES}).fetchall()
    return [cards.decode(row[2]) for row in rows]


def _decoded(cursor: Cursor, query: str, **values: Any) -> list[cards.AnyCard]:
    return [cards.decode(row[0]) for row in cursor.execute(answers.SQL[query], values)]


def _maybe(cursor: Cursor, kind: str, key: str) -> cards.AnyCard | None:
    row = cursor.execute(answers.SQL["card"], {"kind": kind, "key": key}).fetchone()
    return None if row is None else cards.decode(row[1])


def _one(cursor: Cursor, kind: str, key: str) -> cards.AnyCard:
    card = _maybe(cursor, kind, key)
    if card is None:
        raise Unknown(f"there is no {kind.replace('-', ' ')} {key}")
    return card
