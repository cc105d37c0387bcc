"""What the ledger can be asked, and the shapes of the answers. Reads only; it never takes the pen.

Every function takes a cursor whose transaction sees one moment (REPEATABLE READ), and every answer says as of which
position it is true. The API and the command line both answer from here.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, date, datetime
from typing import Any, Literal, TypeVar

import msgspec
import psycopg
from msgspec import Struct

from ledger.books import shrink
from ledger.log import queries, store
from ledger.plants import cards, rules
from ledger.plants.cards import (
    AnyCard,
    BatchCard,
    CropCard,
    PolicyCard,
    PromiseCard,
    RecipeCard,
    ShelfCard,
    StockPlantCard,
)
from ledger.plants.entries import PolicySet
from ledger.plants.shelf import Sellable, sellable
from ledger.promising import baseline
from ledger.promising.baseline import Step

SQL = queries.load("ledger.projections", "reads.sql")
Cursor = psycopg.Cursor[Any]

MOST = 1_000
_MOST_FAMILY = 5_000


class Unknown(Exception):
    """Nothing of that name is in the ledger."""


class Answer(Struct, frozen=True, kw_only=True):
    """Every answer says as of which position of the ledger it is true."""

    as_of: int


# --- stock -----------------------------------------------------------------------------------------------------


class StockLine(Struct, frozen=True, kw_only=True):
    """Units of a batch at one place and stage (book: plants). When and how they were last counted, if ever."""

    batch: str
    crop: str
    size: str | None
    stage: str
    place: str
    unit: str
    units: int
    counted_at: datetime | None
    counted_how: str | None
    counted_by: str | None


class Stock(Answer, frozen=True, kw_only=True):
    """Plants standing: now, or at a moment as it happened, from what was known at another."""

    at: datetime | None
    known_at: datetime | None
    total: dict[str, int]
    lines: list[StockLine]
    more: bool


def stock(
    cursor: Cursor,
    *,
    crop: str | None = None,
    size: str | None = None,
    stage: str | None = None,
    place: str | None = None,
    at: datetime | None = None,
    known_at: datetime | None = None,
    limit: int = MOST,
) -> Stock:
    """The plant book. With `at` or `known_at`, from the lines of the log, else from the balances."""
    values = {"crop": crop, "size": size, "stage": stage, "place": place, "limit": limit + 1}
    if at is None and known_at is None:
        rows = cursor.execute(SQL["stock_now"], values).fetchall()
    else:
        far = datetime.max.replace(tzinfo=rules.DEFAULT_POLICY.occurred_at.tzinfo)
        rows = cursor.execute(SQL["stock_at"], {**values, "at": at or far, "known_at": known_at or far}).fetchall()
    fields = StockLine.__struct_fields__
    lines = [StockLine(**dict(zip(fields, row, strict=True))) for row in rows[:limit]]
    total: dict[str, int] = {}
    for line in lines:
        total[line.unit] = total.get(line.unit, 0) + line.units
    return Stock(as_of=store.head(cursor), at=at, known_at=known_at, total=total, lines=lines, more=len(rows) > limit)


class Account(Struct, frozen=True, kw_only=True):
    """What one outside account holds of one unit."""

    account: str
    unit: str
    units: int


class Sums(Answer, frozen=True, kw_only=True):
    """The proof of the double entry: the sum of each unit over all accounts, and what the outside accounts hold."""

    sums: dict[str, int]
    outside: list[Account]


def sums(cursor: Cursor) -> Sums:
    """Plants are never made or destroyed, only moved: every sum is 0."""
    totals = dict(cursor.execute(SQL["units_in_all"]).fetchall())
    outside = [Account(account=row[0], unit=row[1], units=row[2]) for row in cursor.execute(SQL["outside"])]
    return Sums(as_of=store.head(cursor), sums=totals, outside=outside)


# --- batches and families --------------------------------------------------------------------------------------


class Batches(Answer, frozen=True, kw_only=True):
    """A page of batches; `next` is the number to go on after."""

    batches: list[BatchCard]
    next: str | None


def batches(
    cursor: Cursor,
    *,
    crop: str | None = None,
    size: str | None = None,
    stage: str | None = None,
    place: str | None = None,
    standing: bool = True,
    after: str = "",
    limit: int = 100,
) -> Batches:
    """Batches in the order of their numbers, a page at a time."""
    values = {"crop": crop, "size": size, "stage": stage, "place": place, "standing": standing, "after": after}
    found = [_card(row[0], BatchCard) for row in cursor.execute(SQL["batches"], {**values, "limit": limit + 1})]
    following = found[limit - 1].number if len(found) > limit else None
    return Batches(as_of=store.head(cursor), batches=found[:limit], next=following)


class Flag(Struct, frozen=True, kw_only=True):
    """A condition that stands beside the stage."""

    what: str
    detail: str


class BatchAnswer(Answer, frozen=True, kw_only=True):
    """A batch card: units by stage and place, flags, family, and the life line (the entries that touched it)."""

    batch: BatchCard
    flags: list[Flag]
    expected: list[Step]
    life: list[msgspec.Raw]


def batch(cursor: Cursor, number: str, now: datetime) -> BatchAnswer:
    """The card of one batch. Raises Unknown."""
    card = _one(cursor, "batch", number, BatchCard)
    life = [
        msgspec.Raw(row[0].encode()) for row in cursor.execute(SQL["life"], {"kind": "batch", "key": number, "limit": MOST})
    ]
    crop = _one(cursor, "crop", card.crop, CropCard)
    return BatchAnswer(
        as_of=store.head(cursor),
        batch=card,
        flags=list(_flags(cursor, card, crop, now)),
        expected=_expected(cursor, card, crop, now),
        life=life,
    )


def _flags(cursor: Cursor, card: BatchCard, crop: CropCard, now: datetime) -> Iterator[Flag]:
    for stop in (*card.stops, *crop.stops):
        yield Flag(what="stopped", detail=f"{stop.reason} since {stop.at.date()}")
    for hold in card.holds:
        yield Flag(what="held", detail=f"{hold.units} for {hold.reason}, look again on {hold.review_on}")
    if card.units_in("seconds"):
        yield Flag(what="seconds", detail=f"{card.units_in('seconds')} of lower grade stand apart")
    if crop.value.caution:
        yield Flag(what="caution", detail=crop.value.caution)
    places = {where.split("/")[1] for where, standing in card.standing.items() if standing.units > 0}
    for place in _cards(cursor, "cards", cards.PlaceCard, kind="place", keys=sorted(places)):
        if (until := place.closed_until(now)) is not None:
            detail = f"{place.value.code} is closed until {until:%Y-%m-%d %H:%M} UTC (as typed in from the label)"
            yield Flag(what="in-re-entry", detail=detail)
    closed = [treated.re_entry_ends for treated in card.treatments if treated.re_entry_ends and treated.re_entry_ends > now]
    if closed:
        yield Flag(
            what="in-re-entry", detail=f"treated, closed until {max(closed):%Y-%m-%d %H:%M} UTC (as typed in from the label)"
        )


def _expected(cursor: Cursor, card: BatchCard, crop: CropCard, now: datetime) -> list[Step]:
    policy = policy_of(cursor)
    recipe = _maybe(cursor, "recipe", card.crop, RecipeCard)
    today = rules.day_of(now, policy)
    sizes = [card.size] if card.size is not None else sorted(crop.value.sizes)
    steps: list[Step] = []
    for size in sizes[:1]:
        value = recipe.value if recipe else None
        steps += baseline.curve(size, 0, [card], value, policy.potting_weekday, today)
    return steps


class Kin(Struct, frozen=True, kw_only=True):
    """A batch or stock plant in a trace, and the units that link it to the ones it came from (null at the start)."""

    holder: str
    crop: str
    size: str | None
    came: str
    on: date | None
    parents: dict[str, int]
    standing: dict[str, int]


class OrderTouched(Struct, frozen=True, kw_only=True):
    """An order that had plants of a traced batch; the region is all that is kept of a destination."""

    batch: str
    order: str
    shipped: int
    region: str | None


class Trace(Answer, frozen=True, kw_only=True):
    """Provenance: every batch up or down the family, where its plants stand, and the orders that had some."""

    start: str
    direction: Literal["back", "forward"]
    kin: list[Kin]
    orders: list[OrderTouched]
    more: bool


def trace(cursor: Cursor, start: str, direction: Literal["back", "forward"]) -> Trace:
    """Follow the family from a batch or stock plant, generation by generation. Raises Unknown."""
    found: dict[str, BatchCard | StockPlantCard] = {}
    generation = [start]
    while generation and len(found) < _MOST_FAMILY:
        members = _holders(cursor, generation)
        found |= {card.key[1]: card for card in members}
        following = [name for card in members for name in _next(card, direction)]
        generation = sorted(set(following) - found.keys())
    if start not in found:
        raise Unknown(f"there is no batch or stock plant {start}")
    kin = [_kin(card) for card in found.values()]
    numbers = [name for name, card in found.items() if isinstance(card, BatchCard)]
    rows = cursor.execute(SQL["orders_of"], {"batches": numbers if direction == "forward" else [], "limit": _MOST_FAMILY})
    orders = [OrderTouched(batch=row[0], order=row[1], shipped=row[2], region=row[3]) for row in rows]
    return Trace(as_of=store.head(cursor), start=start, direction=direction, kin=kin, orders=orders, more=bool(generation))


def _holders(cursor: Cursor, names: Sequence[str]) -> list[BatchCard | StockPlantCard]:
    members: list[BatchCard | StockPlantCard] = []
    for kind in ("batch", "stock-plant"):
        rows = cursor.execute(SQL["cards"], {"kind": kind, "keys": list(names)}).fetchall()
        for row in rows:
            card = cards.decode(row[0])
            assert isinstance(card, BatchCard | StockPlantCard)
            members.append(card)
    return members


def _next(card: BatchCard | StockPlantCard, direction: str) -> Sequence[str]:
    if direction == "forward":
        return card.children
    if isinstance(card, StockPlantCard):
        return [card.from_batch] if card.from_batch else []
    return [parent.holder for parent in card.parents]


def _kin(card: BatchCard | StockPlantCard) -> Kin:
    parents: dict[str, int] = {}
    for parent in card.parents if isinstance(card, BatchCard) else ():
        parents[parent.holder] = parents.get(parent.holder, 0) + parent.units
    return Kin(
        holder=card.key[1],
        crop=card.crop,
        size=card.size if isinstance(card, BatchCard) else None,
        came=card.came if isinstance(card, BatchCard) else card.source.value,
        on=card.born_on if isinstance(card, BatchCard) else None,
        parents=parents,
        standing={where: standing.units for where, standing in card.standing.items() if standing.units},
    )


# --- availability ----------------------------------------------------------------------------------------------

SCHEMA_ORG = "https://schema.org/"


class Availability(Answer, frozen=True, kw_only=True):
    """What a shop may show for one crop and size.

    `now` rests on counted stock alone (book: plants). `curve` is an opinion (book: forecast), named in `forecast`; the
    baseline claims no confidence.
    """

    crop: str
    size: str
    now: int
    stock: Sellable
    forecast: Literal["baseline"]
    confidence: float | None
    curve: list[Step]
    availability: str
    availability_starts: date | None


class AvailabilityList(Answer, frozen=True, kw_only=True):
    """What can be sold now, of every crop and size asked for."""

    offers: list[Availability]
    next: str | None


class ReadyBy(Answer, frozen=True, kw_only=True):
    """The earliest date for a quantity. `rests_on` says which book: counted stock, or the baseline; null if never."""

    crop: str
    size: str
    quantity: int
    ready_by: date | None
    basis: str | None
    rests_on: Literal["counted stock", "baseline"] | None
    forecast: Literal["baseline"]
    confidence: float | None
    availability: str


def availability(cursor: Cursor, crop_code: str, size: str, now: datetime) -> Availability:
    """Sellable now and the baseline's curve. Raises Unknown for a crop that is not sold in that size."""
    crop = _one(cursor, "crop", crop_code, CropCard)
    if size not in crop.value.sizes:
        raise Unknown(f"{crop_code} is not sold in {size}: it is sold in {', '.join(sorted(crop.value.sizes)) or 'no size'}")
    policy, as_of = policy_of(cursor), store.head(cursor)
    shelf = _maybe(cursor, "shelf", f"{crop_code}/{size}", ShelfCard)
    recipe = _maybe(cursor, "recipe", crop_code, RecipeCard)
    coming = _cards(cursor, "expected", BatchCard, crop=crop_code)
    return _availability(crop, size, shelf, recipe, coming, policy, now, as_of)


def availabilities(
    cursor: Cursor, now: datetime, crop: str | None = None, after: str = "", limit: int = 200
) -> AvailabilityList:
    """Every crop and size on offer, by crop code, a page at a time (`limit` crops)."""
    policy, as_of = policy_of(cursor), store.head(cursor)
    if crop is not None:
        crops = [_one(cursor, "crop", crop, CropCard)]
    else:
        rows = cursor.execute(SQL["cards_of_kind"], {"kind": "crop", "after": after, "limit": limit + 1}).fetchall()
        crops = [_card(row[2], CropCard) for row in rows]
    codes = [crop.value.code for crop in crops[:limit]]
    shelves = {shelf.key[1]: shelf for shelf in _cards(cursor, "shelves", ShelfCard, crop=crop)}
    recipes = {recipe.value.crop: recipe for recipe in _cards(cursor, "cards", RecipeCard, kind="recipe", keys=codes)}
    coming: dict[str, list[BatchCard]] = {}
    for batch in _cards(cursor, "expected", BatchCard, crop=crop):
        coming.setdefault(batch.crop, []).append(batch)
    offers = []
    for found in crops[:limit]:
        code = found.value.code
        for size in sorted(found.value.sizes):
            shelf = shelves.get(f"{code}/{size}")
            offers.append(_availability(found, size, shelf, recipes.get(code), coming.get(code, []), policy, now, as_of))
    return AvailabilityList(as_of=as_of, offers=offers, next=codes[-1] if len(crops) > limit else None)


def _availability(
    crop: CropCard,
    size: str,
    shelf: ShelfCard | None,
    recipe: RecipeCard | None,
    coming: Sequence[BatchCard],
    policy: PolicySet,
    now: datetime,
    as_of: int,
) -> Availability:
    code = crop.value.code
    found = sellable(shelf or ShelfCard(crop=code, size=size), crop, policy, now)
    growing = [] if crop.stops else [batch for batch in coming if not batch.stops]
    value = recipe.value if recipe else None
    today = rules.day_of(now, policy)
    steps = baseline.curve(size, found.now, growing, value, policy.potting_weekday, today)
    later = next((step for step in steps if step.on > today), None)
    term = "InStock" if found.now > 0 else "PreOrder" if later else "OutOfStock"
    return Availability(
        as_of=as_of,
        crop=code,
        size=size,
        now=found.now,
        stock=found,
        forecast="baseline",
        confidence=None,
        curve=steps,
        availability=SCHEMA_ORG + term,
        availability_starts=later.on if term == "PreOrder" and later else None,
    )


def ready_by(cursor: Cursor, crop: str, size: str, quantity: int, now: datetime) -> ReadyBy:
    """By when so many can be had. Raises Unknown."""
    offer = availability(cursor, crop, size, now)
    step = baseline.ready_by(offer.curve, quantity)
    from_stock = step is not None and step.basis == "finished"
    return ReadyBy(
        as_of=offer.as_of,
        crop=crop,
        size=size,
        quantity=quantity,
        ready_by=step.on if step else None,
        basis=step.basis if step else None,
        rests_on=("counted stock" if from_stock else "baseline") if step else None,
        forecast="baseline",
        confidence=None,
        availability=SCHEMA_ORG + ("InStock" if from_stock else "PreOrder" if step else "OutOfStock"),
    )


# --- promises --------------------------------------------------------------------------------------------------


class AtRisk(Struct, frozen=True, kw_only=True):
    """A line that the finished plants no longer cover, once the lines due before it have theirs."""

    promise: str
    line: int
    order: str
    crop: str
    size: str
    due: date
    open: int
    short: int


class PromiseAnswer(Answer, frozen=True, kw_only=True):
    """A promise (book: promises), and which of its lines are at risk."""

    promise: PromiseCard
    at_risk: list[AtRisk]


class Promises(Answer, frozen=True, kw_only=True):
    promises: list[PromiseCard]
    at_risk: list[AtRisk]
    next: str | None


def promise(cursor: Cursor, promise: str) -> PromiseAnswer:
    """One promise. Raises Unknown."""
    card = _one(cursor, "promise", promise, PromiseCard)
    crops = sorted({line.crop for line in card.lines.values() if line.open})
    risks = [risk for crop in crops for risk in at_risk(cursor, crop) if risk.promise == promise]
    return PromiseAnswer(as_of=store.head(cursor), promise=card, at_risk=risks)


def promises(
    cursor: Cursor, *, state: str | None, order: str | None, only_at_risk: bool, after: str = "", limit: int = 200
) -> Promises:
    """Promises in the order of their ids, a page at a time; with `only_at_risk`, those that are."""
    risks = at_risk(cursor)
    if only_at_risk:
        keys = sorted({risk.promise for risk in risks if risk.promise > after})
        found = _cards(cursor, "cards", PromiseCard, kind="promise", keys=keys[: limit + 1])
    else:
        found = _cards(cursor, "promises", PromiseCard, state=state, order=order, after=after, limit=limit + 1)
    shown = {str(card.promise) for card in found[:limit]}
    return Promises(
        as_of=store.head(cursor),
        promises=found[:limit],
        at_risk=[risk for risk in risks if risk.promise in shown],
        next=str(found[limit - 1].promise) if len(found) > limit else None,
    )


def at_risk(cursor: Cursor, crop: str | None = None) -> list[AtRisk]:
    """Lines that finished plants do not cover, the earliest due served first, then the one granted first."""
    found: list[AtRisk] = []
    policy, now = policy_of(cursor), datetime.now(UTC)
    crops = {card.value.code: card for card in _cards(cursor, "crops", CropCard, crop=crop)}
    for there in _cards(cursor, "shelves", ShelfCard, crop=crop):
        stands = sellable(there, crops.get(there.crop), policy, now)
        left = stands.finished - stands.stopped - stands.held
        for name, commitment in sorted(there.commitments.items(), key=lambda item: (item[1].due, item[1].position, item[0])):
            short = min(commitment.units, max(0, commitment.units - left))
            left -= commitment.units
            if short:
                key, line = name.split("/")
                card = _one(cursor, "promise", key, PromiseCard)
                found.append(
                    AtRisk(
                        promise=key,
                        line=int(line),
                        order=card.order,
                        crop=there.crop,
                        size=there.size,
                        due=commitment.due,
                        open=commitment.units,
                        short=short,
                    )
                )
    return found


# --- shrink ----------------------------------------------------------------------------------------------------


class RecordsLine(Struct, frozen=True, kw_only=True):
    """What counts found missing or over: the quality of the records, not of the growing."""

    crop: str
    size: str | None
    stage: str
    count_short: int
    count_over: int
    counts: int


class BesideLine(Struct, frozen=True, kw_only=True):
    """What is gone without being shrink."""

    crop: str
    size: str | None
    what: str
    units: int


class ShrinkReport(Answer, frozen=True, kw_only=True):
    """Numerator (`lost`), denominator (`of`) and basis of every rate are printed, since published definitions differ."""

    basis: shrink.Basis
    denominator: str
    interval: str
    since: date
    until: date
    rates: list[shrink.Rate]
    cumulative: list[shrink.Cumulative]
    records: list[RecordsLine]
    beside: list[BesideLine]


_DENOMINATOR = {
    "cohort": "units that entered the stage, of the batches that began in the period",
    "calendar": "units standing when the period began and units that came into the stage during it",
}


def shrink_report(
    cursor: Cursor,
    *,
    basis: shrink.Basis,
    since: date,
    until: date,
    by: Sequence[shrink.Grouping],
    crop: str | None = None,
    size: str | None = None,
) -> ShrinkReport:
    """What was lost, by any of crop, size, stage and cause, from the passages."""
    values = {"from": since, "to": until, "crop": crop, "size": size}
    flows = _flows(cursor.execute(SQL[f"shrink_{basis}"], values).fetchall())
    records = [
        RecordsLine(crop=row[0], size=row[1], stage=row[2], count_short=row[3], count_over=row[4], counts=row[5])
        for row in cursor.execute(SQL["count_differences"], values)
    ]
    beside = [BesideLine(crop=row[0], size=row[1], what=row[2], units=row[3]) for row in cursor.execute(SQL["beside"], values)]
    beside += [
        BesideLine(crop=row[0], size=row[1], what="transit-damage", units=row[2])
        for row in cursor.execute(SQL["transit_damage"], values)
    ]
    return ShrinkReport(
        as_of=_followed(cursor),
        basis=basis,
        denominator=_DENOMINATOR[basis],
        interval="Wilson, 95 %; batches differ more than coins do, so the truth may lie wider",
        since=since,
        until=until,
        rates=shrink.rates(flows, by),
        cumulative=shrink.cumulatives(flows, by),
        records=records,
        beside=beside,
    )


def _flows(rows: Sequence[tuple[Any, ...]]) -> list[shrink.Flow]:
    exposed: dict[tuple[str, str | None, str], int] = {}
    lost: dict[tuple[str, str | None, str], dict[str, int]] = {}
    batches: dict[tuple[str, str | None, str], set[str]] = {}
    for crop, size, stage, flow, via, units, numbers in rows:
        key = (crop, size, stage)
        batches.setdefault(key, set()).update(numbers)
        if flow == "lost":
            lost.setdefault(key, {})[via] = lost.get(key, {}).get(via, 0) + units
        else:
            exposed[key] = exposed.get(key, 0) + units
    return [
        shrink.Flow(
            crop=key[0],
            size=key[1],
            stage=key[2],
            exposed=exposed.get(key, 0),
            lost=lost.get(key, {}),
            batches=len(numbers),
        )
        for key, numbers in sorted(batches.items(), key=lambda item: (item[0][0], item[0][1] or "", item[0][2]))
        if exposed.get(key, 0) or lost.get(key)
    ]


def _followed(cursor: Cursor) -> int:
    """The position up to which the passages have followed the log."""
    row = cursor.execute(SQL["followed"]).fetchone()
    assert row is not None
    return int(row[0])


# --- questions and reference values ----------------------------------------------------------------------------


class OpenQuestion(Struct, frozen=True, kw_only=True):
    """Two entries that may be one job. Reverse one of them, or answer that both happened."""

    kind: str
    entry: str
    of: str
    first: msgspec.Raw
    second: msgspec.Raw


class Questions(Answer, frozen=True, kw_only=True):
    """What somebody has to look at."""

    questions: list[OpenQuestion]


def questions(cursor: Cursor, limit: int = 200) -> Questions:
    """What the ledger would like to be told."""
    found = [
        OpenQuestion(
            kind="possible-duplicate",
            entry=row[0],
            of=row[1],
            first=msgspec.Raw(row[3].encode()),
            second=msgspec.Raw(row[2].encode()),
        )
        for row in cursor.execute(SQL["questions"], {"limit": limit})
    ]
    return Questions(as_of=store.head(cursor), questions=found)


def policy_of(cursor: Cursor) -> PolicySet:
    """The policy in force, or the default."""
    card = _maybe(cursor, "policy", "", PolicyCard)
    return card.value if card is not None else rules.DEFAULT_POLICY


class Reference(Struct, frozen=True, kw_only=True):
    """A reference value, and its version for If-Match."""

    version: int
    card: AnyCard


class References(Answer, frozen=True, kw_only=True):
    """A page of reference values; `next` is the code to go on after."""

    values: list[Reference]
    next: str | None


def references(cursor: Cursor, kind: str, after: str = "", limit: int = 200) -> References:
    """All values of a kind in the order of their codes, a page at a time."""
    rows = cursor.execute(SQL["cards_of_kind"], {"kind": kind, "after": after, "limit": limit + 1}).fetchall()
    values = [Reference(version=row[1], card=cards.decode(row[2])) for row in rows[:limit]]
    return References(as_of=store.head(cursor), values=values, next=rows[limit - 1][0] if len(rows) > limit else None)


def reference(cursor: Cursor, kind: str, key: str) -> Reference:
    """One value. Raises Unknown."""
    row = cursor.execute(SQL["card"], {"kind": kind, "key": key}).fetchone()
    if row is None:
        raise Unknown(f"there is no {kind} {key}" if key else f"no {kind} has been set")
    return Reference(version=row[0], card=cards.decode(row[1]))


# --- the log ---------------------------------------------------------------------------------------------------


class Entries(Answer, frozen=True, kw_only=True):
    """Entries as they are kept, in order; `next` is the position to go on after."""

    entries: list[msgspec.Raw]
    next: int | None


def entries(cursor: Cursor, *, after: int = 0, limit: int = 200, by: str | None = None, **narrowed: str | None) -> Entries:
    """The log in order; narrowed by one of batch, stock_plant, crop, type, and by person."""
    chosen = {name: value for name, value in {**narrowed, "person": by}.items() if value is not None}
    if len(chosen) > 1:
        raise Unknown("narrow the log by one thing at a time: batch, stock_plant, crop, type or by")
    query, values = "contents_after", dict[str, Any]()
    for name, value in chosen.items():
        match name:
            case "batch" | "stock_plant":
                query, values = "of_batch", {"kind": name.replace("_", "-"), "key": value}
            case _:
                query, values = f"of_{name}", {name: value}
    rows = cursor.execute(store.SQL[query], {**values, "after": after, "limit": limit + 1}).fetchall()
    contents = [row[0] for row in rows[:limit]]
    following = msgspec.json.decode(contents[-1])["position"] if len(rows) > limit else None
    return Entries(as_of=store.head(cursor), entries=[msgspec.Raw(content.encode()) for content in contents], next=following)


# --- cards -----------------------------------------------------------------------------------------------------

Kind = TypeVar("Kind", bound=cards.Card)


def _card(stored: str, kind: type[Kind]) -> Kind:
    card = cards.decode(stored)
    assert isinstance(card, kind)
    return card


def _cards(cursor: Cursor, query: str, shape: type[Kind], **values: Any) -> list[Kind]:
    return [_card(row[0], shape) for row in cursor.execute(SQL[query], values)]


def _maybe(cursor: Cursor, kind: str, key: str, shape: type[Kind]) -> Kind | None:
    row = cursor.execute(SQL["card"], {"kind": kind, "key": key}).fetchone()
    return None if row is None else _card(row[1], shape)


def _one(cursor: Cursor, kind: str, key: str, shape: type[Kind]) -> Kind:
    card = _maybe(cursor, kind, key, shape)
    if card is None:
        raise Unknown(f"there is no {kind} {key}")
    return card
