"""What people go round with: what to pick and from where, which box may go, which place to count, which trays to pot from.

Reads only. A round is worked out from the books as they stand at one moment and is nowhere kept: what was done of it is told
by entries, and the next look shows the rest.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime
from typing import Literal, NamedTuple
from uuid import UUID

import msgspec
from msgspec import Struct

from ledger import answers
from ledger.answers import Answer, Cursor, Unknown
from ledger.log import queries, store
from ledger.plants import cards, shelf
from ledger.plants.cards import (
    BatchCard,
    CropCard,
    DestinationCard,
    Hold,
    OrderCard,
    PlaceCard,
    PromiseCard,
    PromiseLine,
    Standing,
)
from ledger.plants.entries import DestinationRule, PlaceKind, Stage, StopReason, Verdict
from ledger.plants.promises import concerns, destination_of

SQL = queries.load("ledger.projections", "boards.sql")

#: stages of which a count tells the shop or the potting something; cells under mist are counted when they have rooted
COUNTED = (Stage.ROOTED, Stage.POTTED, Stage.FINISHED, Stage.SECONDS)
#: so many lines are laid out as one round; a longer list is no round any more
MOST_LINES = 2_000
_MOST_PLACES = 5_000
_line = msgspec.json.Decoder(PromiseLine)


# --- open lines ------------------------------------------------------------------------------------------------


class OpenLine(Struct, frozen=True, kw_only=True):
    """A line of a promise with anything left to pick (book: promises)."""

    name: str
    promise: UUID
    index: int
    order: str
    state: Literal["held", "confirmed"]
    region: str | None
    replaces: UUID | None
    line: PromiseLine


class OpenLines(Answer, frozen=True, kw_only=True):
    """A page of open lines, the earliest due first; `next` names the line to go on after. The totals are of all lines."""

    lines: list[OpenLine]
    lines_in_all: int
    units_in_all: int
    at_risk_in_all: int
    next: str | None


def open_lines(
    cursor: Cursor,
    *,
    at_risk: bool = False,
    order: str | None = None,
    crop: str | None = None,
    size: str | None = None,
    until: date | None = None,
    only_bought: bool = False,
    after: str = "",
    limit: int = 100,
) -> OpenLines:
    """Lines with anything left to pick, by the day on which they are due."""
    states = ["confirmed"] if only_bought else ["held", "confirmed"]
    narrowed = {"states": states, "at_risk": at_risk, "order": order, "crop": crop, "size": size, "until": until}
    rows = cursor.execute(SQL["open_promises"], {**narrowed, "after": after, "limit": limit + 1}).fetchall()
    found = [
        OpenLine(
            name=row[0],
            promise=UUID(row[1]),
            index=row[2],
            order=row[3],
            state=row[4],
            region=row[5],
            replaces=UUID(row[6]) if row[6] else None,
            line=_line.decode(row[7]),
        )
        for row in rows[:limit]
    ]
    totals = cursor.execute(SQL["open_promises_in_all"]).fetchone()
    assert totals is not None, "an aggregate has one row"
    return OpenLines(
        as_of=store.head(cursor),
        lines=found,
        lines_in_all=totals[0],
        units_in_all=totals[1],
        at_risk_in_all=totals[2],
        next=found[-1].name if len(rows) > limit else None,
    )


def crop_names(cursor: Cursor, crops: Sequence[str]) -> dict[str, str]:
    """What crops are called, by their codes."""
    return dict(cursor.execute(SQL["crops_named"], {"crops": sorted(set(crops))}).fetchall())


# --- picking ---------------------------------------------------------------------------------------------------


class Pick(Struct, frozen=True, kw_only=True):
    """Units to pull for an order at one place. standing: all finished ones of the batch there, by the book.

    open_from: until when the place is closed after a treatment, as typed in from the label. refused: why the nursery's own
    list does not send the crop to that region now; papers: what has to travel with it.
    """

    place: str
    place_name: str
    house: str
    batch: str
    crop: str
    name: str
    size: str
    units: int
    standing: int
    since: datetime
    order: str
    region: str | None
    promise: UUID
    line: int
    due: date
    open_from: datetime | None
    replaces: UUID | None
    refused: str | None
    papers: list[str]


class NotThere(Struct, frozen=True, kw_only=True):
    """Units that an order is due and that are nowhere to be picked; or that wait, because the order is held."""

    order: str
    promise: UUID
    line: int
    crop: str
    name: str
    size: str
    due: date
    units: int
    held: list[Hold]


class Box(Struct, frozen=True, kw_only=True):
    """An order of which plants are picked and have not left."""

    order: str
    units: int
    held: bool


class Picks(Answer, frozen=True, kw_only=True):
    """The route of a day, in walking order, for what was promised for it or before and is bought (books: promises and plants).

    The oldest finished plants first. boxes: picked and not gone yet. packing: where picked plants are put. more: whether
    there are lines beyond this round.
    """

    date: date
    picks: list[Pick]
    short: list[NotThere]
    waiting: list[NotThere]
    boxes: list[Box]
    packing: list[str]
    more: bool


class Lot(NamedTuple):
    """Finished plants of one batch at one place."""

    batch: BatchCard
    place: str
    standing: Standing


def picks(cursor: Cursor, day: date, now: datetime) -> Picks:
    """What to pull for a day, every unit once: what an earlier line takes is not there for a later one."""
    due = open_lines(cursor, until=day, only_bought=True, limit=MOST_LINES)
    crops = sorted({line.line.crop for line in due.lines})
    named = {card.value.code: card for card in answers.several(cursor, "cards", CropCard, kind="crop", keys=crops)}
    orders = {card.ref: card for card in _orders(cursor, sorted({line.order for line in due.lines}))}
    stand = _Stand(cursor, crops, named)
    found: list[Pick] = []
    short: list[NotThere] = []
    waiting: list[NotThere] = []
    regions = _destinations(cursor, [line.region for line in due.lines])
    for line in due.lines:
        order = orders.get(line.order)
        if order is not None and order.holds:
            waiting.append(_not_there(line, named, line.line.open, list(order.holds)))
            continue
        wanted = line.line.open
        for lot, units in stand.take(line.line.crop, line.line.size, wanted):
            wanted -= units
            found.append(_pick(line, lot, units, named[line.line.crop], regions.get(line.region or ""), day))
        if wanted:
            short.append(_not_there(line, named, wanted, []))
    known = {card.value.code: card for card in places(cursor)}
    found = [_placed(pick, known.get(pick.place), now) for pick in found]
    return Picks(
        as_of=due.as_of,
        date=day,
        picks=sorted(found, key=lambda pick: (pick.house, pick.place, pick.name, pick.size, pick.since, pick.order)),
        short=short,
        waiting=waiting,
        boxes=boxes(cursor),
        packing=_packing(known.values()),
        more=due.next is not None,
    )


def boxes(cursor: Cursor, limit: int = 200) -> list[Box]:
    """Orders of which plants are picked and have not left."""
    return [Box(order=row[0], units=row[1], held=row[2] > 0) for row in cursor.execute(SQL["picked_now"], {"limit": limit})]


def lots(cursor: Cursor, crop: str, size: str) -> list[Lot]:
    """Where finished plants of a crop and size may be pulled, the oldest first."""
    named = {card.value.code: card for card in answers.several(cursor, "cards", CropCard, kind="crop", keys=[crop])}
    return _Stand(cursor, [crop], named).of(crop, size)


class _Stand:
    """The finished plants of some crops, of which lines take their share one after the other."""

    def __init__(self, cursor: Cursor, crops: Sequence[str], named: dict[str, CropCard]) -> None:
        self._lots: dict[tuple[str, str], list[Lot]] = {}
        self._left: dict[tuple[str, str], int] = {}
        self._free: dict[str, int] = {}
        for row in cursor.execute(SQL["finished_of"], {"crops": list(crops)}).fetchall():
            batch = cards.decode(row[0])
            assert isinstance(batch, BatchCard)
            if batch.stops or batch.size is None or named[batch.crop].stops:
                continue
            self._free[batch.number] = batch.units_in(Stage.FINISHED) - sum(hold.units for hold in batch.holds)
            for where, standing in batch.standing.items():
                stage, _, place = where.partition("/")
                if stage == Stage.FINISHED and standing.units > 0:
                    self._lots.setdefault((batch.crop, batch.size), []).append(Lot(batch, place, standing))
                    self._left[batch.number, place] = standing.units
        for found in self._lots.values():
            found.sort(key=lambda lot: (lot.standing.since, lot.batch.number, lot.place))

    def of(self, crop: str, size: str) -> list[Lot]:
        return self._lots.get((crop, size), [])

    def take(self, crop: str, size: str, units: int) -> Iterator[tuple[Lot, int]]:
        """So many, the oldest first; fewer, where fewer are left. What is held of a batch stays."""
        for lot in self.of(crop, size):
            number = lot.batch.number
            taken = min(units, self._left[number, lot.place], self._free[number])
            if taken > 0:
                self._left[number, lot.place] -= taken
                self._free[number] -= taken
                units -= taken
                yield lot, taken


def _pick(line: OpenLine, lot: Lot, units: int, crop: CropCard, region: DestinationCard | None, day: date) -> Pick:
    refused, papers = destination_of(region, crop.value, day)
    return Pick(
        place=lot.place,
        place_name=lot.place,
        house="",
        batch=lot.batch.number,
        crop=crop.value.code,
        name=crop.value.name,
        size=line.line.size,
        units=units,
        standing=lot.standing.units,
        since=lot.standing.since,
        order=line.order,
        region=line.region,
        promise=line.promise,
        line=line.index,
        due=line.line.due,
        open_from=None,
        replaces=line.replaces,
        refused=refused,
        papers=list(papers),
    )


def _placed(pick: Pick, place: PlaceCard | None, now: datetime) -> Pick:
    if place is None:
        return pick
    value = place.value
    return msgspec.structs.replace(pick, place_name=value.name, house=value.house, open_from=place.closed_until(now))


def _not_there(line: OpenLine, named: dict[str, CropCard], units: int, held: list[Hold]) -> NotThere:
    of = line.line
    name = named[of.crop].value.name if of.crop in named else of.crop
    return NotThere(
        order=line.order, promise=line.promise, line=line.index, crop=of.crop, name=name, size=of.size, due=of.due,
        units=units, held=held,
    )  # fmt: skip


def _orders(cursor: Cursor, refs: Sequence[str]) -> list[OrderCard]:
    return answers.several(cursor, "cards", OrderCard, kind="order", keys=list(refs))


def _destinations(cursor: Cursor, regions: Sequence[str | None]) -> dict[str, DestinationCard]:
    keys = sorted({region for region in regions if region is not None})
    return {
        card.value.region: card for card in answers.several(cursor, "cards", DestinationCard, kind="destination", keys=keys)
    }


def places(cursor: Cursor) -> list[PlaceCard]:
    """All places."""
    found = answers.references(cursor, "place", limit=_MOST_PLACES).values
    return [each.card for each in found if isinstance(each.card, PlaceCard)]


def _packing(known: Iterable[PlaceCard]) -> list[str]:
    return [card.value.code for card in known if card.value.kind is PlaceKind.PACKING and not card.value.retired]


# --- packing ---------------------------------------------------------------------------------------------------


class Packed(Struct, frozen=True, kw_only=True):
    """Picked units of a batch at one place. stopped: why none of it may leave."""

    batch: str
    place: str
    units: int
    crop: str
    name: str
    species: str
    size: str | None
    caution: str | None
    stopped: list[StopReason]


class RuleFor(Struct, frozen=True, kw_only=True):
    """A rule of the nursery's own list that concerns a plant in the box, with where it was read and when that was checked."""

    crop: str
    rule: DestinationRule


class Packing(Answer, frozen=True, kw_only=True):
    """May this box go to this region today? By the nursery's own list; official rules come first.

    verdict: `no` where a rule refuses a plant or one is stopped; `hold` where the order is held, the region is not known or
    not on the list, or papers have to travel along; else `go`. because: why, in words.
    """

    order: str
    on: date
    verdict: Literal["go", "hold", "no"]
    because: list[str]
    region: str | None
    listed: bool
    rules: list[RuleFor]
    papers: list[str]
    holds: list[Hold]
    lines: list[Packed]
    still_open: list[OpenLine]
    replaces: bool


def packing(cursor: Cursor, ref: str, day: date) -> Packing:
    """Whether what is picked for an order may leave. Raises Unknown."""
    order = answers.maybe(cursor, "order", ref, OrderCard)
    if order is None:
        raise Unknown(f"nothing was promised to or picked for an order {ref}")
    promised = answers.several(cursor, "cards", PromiseCard, kind="promise", keys=[str(key) for key in order.promises])
    region = next((card.region for card in reversed(promised) if card.region), order.region)
    listed = _destinations(cursor, [region]).get(region or "")
    lines = list(_packed(cursor, order))
    concerning = [] if listed is None else [
        RuleFor(crop=code, rule=rule)
        for code, crop in _crops(cursor, [line.crop for line in lines]).items()
        for rule in listed.value.rules
        if concerns(rule, crop.value, day)
    ]  # fmt: skip
    refused = [f"{each.crop}: {each.rule.because}" for each in concerning if each.rule.verdict is Verdict.REFUSED]
    stopped = [f"{line.batch} is stopped: {', '.join(line.stopped)}" for line in lines if line.stopped]
    papers = sorted({each.rule.papers for each in concerning if each.rule.papers is not None})
    held = [f"held for {hold.reason}, to be looked at again on {hold.review_on}" for hold in order.holds]
    if region is None:
        held.append("the order names no region: ask where it goes")
    elif listed is None:
        held.append(f"{region} is not on the nursery's list of destinations: ask the plant-health authority")
    held += [f"papers have to travel along: {name}" for name in papers]
    no = [*refused, *stopped]
    return Packing(
        as_of=store.head(cursor),
        order=ref,
        on=day,
        verdict="no" if no else "hold" if held else "go",
        because=[*no, *held],
        region=region,
        listed=listed is not None,
        rules=concerning,
        papers=papers,
        holds=list(order.holds),
        lines=lines,
        still_open=open_lines(cursor, order=ref).lines,
        replaces=any(card.replaces for card in promised),
    )


def _packed(cursor: Cursor, order: OrderCard) -> Iterator[Packed]:
    numbers = sorted({where.partition("/")[0] for where in order.picked})
    batches = {card.number: card for card in answers.several(cursor, "cards", BatchCard, kind="batch", keys=numbers)}
    crops = _crops(cursor, [card.crop for card in batches.values()])
    for where, units in order.picked.items():
        number, _, place = where.partition("/")
        batch = batches[number]
        crop = crops[batch.crop]
        yield Packed(
            batch=number,
            place=place,
            units=units,
            crop=batch.crop,
            name=crop.value.name,
            species=crop.value.species,
            size=batch.size,
            caution=crop.value.caution,
            stopped=[stop.reason for stop in (*batch.stops, *crop.stops)],
        )


def _crops(cursor: Cursor, crops: Sequence[str]) -> dict[str, CropCard]:
    found = answers.several(cursor, "cards", CropCard, kind="crop", keys=sorted(set(crops)))
    return {card.value.code: card for card in found}


# --- counting --------------------------------------------------------------------------------------------------


class PlaceToCount(Struct, frozen=True, kw_only=True):
    """A place and by how many plants its numbers may be wrong in all, as the count buffer reckons it.

    longest: since when the part of it that was counted longest ago is uncounted; never: lines never counted since they came.
    """

    place: str
    name: str
    house: str
    lines: int
    never: int
    units: int
    longest: datetime
    may_be_off: float
    open_from: datetime | None


class ToCount(Answer, frozen=True, kw_only=True):
    """Places by risk, the one whose numbers may be wrong by most plants first (book: plants)."""

    places: list[PlaceToCount]


class CountLine(Struct, frozen=True, kw_only=True):
    """Something that the book has at a place. How many, a blind sheet does not say."""

    batch: str
    crop: str
    name: str
    size: str | None
    stage: str
    unit: str


class CountSheet(Answer, frozen=True, kw_only=True):
    """What to count at one place, blind: no figure of the book is on it."""

    place: str
    name: str
    house: str
    open_from: datetime | None
    lines: list[CountLine]


def to_count(cursor: Cursor, now: datetime) -> ToCount:
    """Where a count would tell most: many plants, counted long ago."""
    policy = answers.policy_of(cursor)
    known = {card.value.code: card for card in places(cursor)}
    sums: dict[str, list[float]] = {}
    longest: dict[str, datetime] = {}
    rows = cursor.execute(SQL["standing_since"], {"stages": list(COUNTED), "place": None})
    for code, _, _, _, _, _, units, counted_at, since in rows:
        found = sums.setdefault(code, [0, 0, 0, 0.0])
        found[0] += 1
        found[1] += counted_at is None
        found[2] += units
        found[3] += shelf.count_error(units, (now - since).total_seconds() / 86_400, policy) ** 2
        longest[code] = min(since, longest.get(code, since))
    lines = [
        PlaceToCount(
            place=code,
            name=known[code].value.name,
            house=known[code].value.house,
            lines=int(count),
            never=int(never),
            units=int(units),
            longest=longest[code],
            may_be_off=round(math.sqrt(off), 1),
            open_from=known[code].closed_until(now),
        )
        for code, (count, never, units, off) in sums.items()
    ]
    return ToCount(as_of=store.head(cursor), places=sorted(lines, key=lambda line: (-line.may_be_off, line.place)))


def count_sheet(cursor: Cursor, place: str, now: datetime) -> CountSheet:
    """What stands at a place, without numbers. Raises Unknown."""
    card = answers.one(cursor, "place", place, PlaceCard)
    stages = [stage for stage in Stage if stage is not Stage.PICKED]
    rows = cursor.execute(SQL["standing_since"], {"stages": stages, "place": place}).fetchall()
    named = crop_names(cursor, [row[2] for row in rows])
    return CountSheet(
        as_of=store.head(cursor),
        place=place,
        name=card.value.name,
        house=card.value.house,
        open_from=card.closed_until(now),
        lines=[
            CountLine(batch=row[1], crop=row[2], name=named[row[2]], size=row[3], stage=row[4], unit=row[5]) for row in rows
        ],
    )


# --- potting ---------------------------------------------------------------------------------------------------


class Tray(Struct, frozen=True, kw_only=True):
    """Where plugs of a batch stand in holding, and how many are there by the book."""

    batch: str
    place: str
    plugs: int


def trays(cursor: Cursor, numbers: Sequence[str]) -> dict[str, list[Tray]]:
    """Where the plugs of some batches stand, by batch."""
    found: dict[str, list[Tray]] = {}
    for card in answers.several(cursor, "cards", BatchCard, kind="batch", keys=sorted(set(numbers))):
        found[card.number] = [
            Tray(batch=card.number, place=where.partition("/")[2], plugs=standing.units)
            for where, standing in card.standing.items()
            if where.startswith(f"{Stage.ROOTED}/") and standing.units > 0
        ]
    return found
