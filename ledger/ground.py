"""What stands where, how much of each place it takes up, and how old it is. Reads only (book: plants).

How much a place holds is what was told of it: tray places for what stands in cells, hooks on a line, else its area. Where
nothing fitting was told, no share is made up.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime
from fractions import Fraction

import msgspec
from msgspec import Struct

from ledger.answers import Answer, Cursor, Unknown, policy_of, reference
from ledger.log import queries, store
from ledger.plants import cards, desk
from ledger.plants.cards import BatchCard, PlaceCard, SizeCard
from ledger.plants.entries import PlaceKind, PlaceSet, SizeSet, Stage

SQL = queries.load("ledger.projections", "ground.sql")
_CELLS = (Stage.STRUCK, Stage.ROOTED, Stage.GATHERED)
#: ages are told in bands: up to so many weeks, and older
AGES = (4, 12, 26)
#: more places than that are drawn a house at a time
MOST_DRAWN = 80


class Stands(Struct, frozen=True, kw_only=True):
    """Units of a batch in a stage at a place. share: of the place, null where its room or the units' is not known.

    limit: days that rooted plugs may stand, by the month in which they came there.
    """

    place: str
    batch: str
    crop: str
    size: str | None
    stage: str
    unit: str
    units: int
    born_on: date
    since: datetime | None
    counted_at: datetime | None
    counted_how: str | None
    share: float | None
    limit: int | None

    def weeks(self, today: date) -> int:
        """How many weeks ago the batch began."""
        return max(0, (today - self.born_on).days // 7)


class StockStands(Struct, frozen=True, kw_only=True):
    """Stock plants at a place, under their code."""

    place: str
    stock_plant: str
    crop: str
    units: int


class Filled(Struct, frozen=True, kw_only=True):
    """A place and how full it is. ages: the share of the place that each band of AGES, and what is older, takes up.

    units: by kind of unit. unknown: units whose share is not known. closed_until: no entry before, as typed from a label.
    """

    place: PlaceSet
    used: float | None
    ages: tuple[float, ...]
    units: dict[str, int]
    batches: int
    stock_plants: int
    unknown: int
    oldest_weeks: int | None
    closed_until: datetime | None


class Ground(Answer, frozen=True, kw_only=True):
    """Every place that is in use, by house. In a big nursery only those of one house; of the others `houses` is empty.

    places: how many each house has.
    """

    today: date
    places: dict[str, int]
    houses: dict[str, list[Filled]]


class Standing(Answer, frozen=True, kw_only=True):
    """What stands at one place, with the cards of its batches and the names of its crops."""

    today: date
    filled: Filled
    stands: list[Stands]
    stock: list[StockStands]
    cards: dict[str, BatchCard]
    names: dict[str, str]


def ground(cursor: Cursor, now: datetime, house: str | None = None) -> Ground:
    """The map of the nursery, or of one house of it: places that are not retired, or where something stands all the same."""
    today = desk.day_of(now, policy_of(cursor))
    found = (cards.decode(row[0]) for row in cursor.execute(SQL["places"]))
    in_house: dict[str, list[PlaceCard]] = defaultdict(list)
    for card in found:
        if isinstance(card, PlaceCard):
            in_house[card.value.house].append(card)
    if house is None and sum(map(len, in_house.values())) > MOST_DRAWN:
        return Ground(as_of=store.head(cursor), today=today, places=_counted(in_house), houses={})
    chosen = {name: of for name, of in in_house.items() if house in (None, name)}
    places = {card.value.code: card.value for of in chosen.values() for card in of}
    by_place: dict[str, list[Stands]] = defaultdict(list)
    for line in _stands(cursor, places):
        by_place[line.place].append(line)
    stock: dict[str, int] = defaultdict(int)
    for place, _, _, units in cursor.execute(SQL["stock_plants"], {"places": list(places)}):
        stock[place] += units
    houses = {}
    for name, of in chosen.items():
        filled = [_filled(card, by_place[card.value.code], stock[card.value.code], today, now) for card in of]
        houses[name] = [each for each in filled if not each.place.retired or each.batches or each.stock_plants]
    return Ground(as_of=store.head(cursor), today=today, places=_counted(in_house), houses=houses)


def _counted(in_house: Mapping[str, Sequence[PlaceCard]]) -> dict[str, int]:
    return {name: sum(not card.value.retired for card in of) for name, of in in_house.items()}


def standing(cursor: Cursor, code: str, now: datetime) -> Standing:
    """What stands at a place. Raises Unknown."""
    card = reference(cursor, "place", code).card
    if not isinstance(card, PlaceCard):
        raise Unknown(f"there is no place {code}")
    today = desk.day_of(now, policy_of(cursor))
    stands = list(_stands(cursor, {code: card.value}))
    rows = cursor.execute(SQL["stock_plants"], {"places": [code]}).fetchall()
    stock = [StockStands(**dict(zip(StockStands.__struct_fields__, row, strict=True))) for row in rows]
    keys = sorted({line.batch for line in stands})
    found = [cards.decode(row[0]) for row in cursor.execute(SQL["cards_of"], {"keys": keys})]
    return Standing(
        as_of=store.head(cursor),
        today=today,
        filled=_filled(card, stands, sum(line.units for line in stock), today, now),
        stands=stands,
        stock=stock,
        cards={each.number: each for each in found if isinstance(each, BatchCard)},
        names=names(cursor, {line.crop for line in stands} | {line.crop for line in stock}),
    )


def names(cursor: Cursor, crops: Iterable[str]) -> dict[str, str]:
    """What crops are called."""
    return {row[0]: row[1] for row in cursor.execute(SQL["names"], {"keys": sorted(crops)})}


def sizes(cursor: Cursor) -> dict[str, SizeSet]:
    """Every pot size."""
    found = (cards.decode(row[0]) for row in cursor.execute(SQL["sizes"]))
    return {card.value.code: card.value for card in found if isinstance(card, SizeCard)}


def places(cursor: Cursor) -> dict[str, PlaceSet]:
    """Every place."""
    found = (cards.decode(row[0]) for row in cursor.execute(SQL["places"]))
    return {card.value.code: card.value for card in found if isinstance(card, PlaceCard)}


def taken(place: PlaceSet, stage: str, size: SizeSet | None, cells: int | None) -> Fraction | None:
    """The share of a place that one unit takes up; None where the room of either is not known."""
    if stage in _CELLS:
        return Fraction(1, place.tray_places * cells) if cells and place.tray_places else None
    if size is None:
        return None
    if place.kind == PlaceKind.LINE and size.hooks and place.hooks:
        return Fraction(size.hooks, place.hooks)
    return Fraction(size.area_cm2, place.area_cm2) if size.area_cm2 and place.area_cm2 else None


def _stands(cursor: Cursor, of: Mapping[str, PlaceSet]) -> Iterable[Stands]:
    pots = sizes(cursor)
    for row in cursor.execute(SQL["standing"], {"places": list(of)}).fetchall():
        where, batch, crop, size, stage, unit, units, born_on, since, counted_at, counted_how, cells, limits = row
        each = taken(of[where], stage, pots.get(size or ""), cells)
        yield Stands(
            place=where,
            batch=batch,
            crop=crop,
            size=size,
            stage=stage,
            unit=unit,
            units=units,
            born_on=born_on,
            since=since,
            counted_at=counted_at,
            counted_how=counted_how,
            share=None if each is None else float(units * each),
            limit=_limit(limits, since),
        )


def _limit(limits: str | None, since: datetime | None) -> int | None:
    if limits is None or since is None:
        return None
    days: list[int] = msgspec.json.decode(limits)
    return days[since.month - 1]


def _filled(card: PlaceCard, stands: list[Stands], stock: int, today: date, now: datetime) -> Filled:
    ages = [0.0] * (len(AGES) + 1)
    units: dict[str, int] = defaultdict(int)
    for line in stands:
        ages[sum(line.weeks(today) >= weeks for weeks in AGES)] += line.share or 0.0
        units[line.unit] += line.units
    known = any(line.share is not None for line in stands)
    return Filled(
        place=card.value,
        used=sum(ages) if known or not stands else None,
        ages=tuple(ages),
        units=dict(units),
        batches=len({line.batch for line in stands}),
        stock_plants=stock,
        unknown=sum(line.units for line in stands if line.share is None),
        oldest_weeks=max((line.weeks(today) for line in stands), default=None),
        closed_until=card.closed_until(now),
    )
