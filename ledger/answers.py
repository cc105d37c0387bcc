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

from ledger.books import kept
from ledger.log import queries, store
from ledger.plants import cards, desk
from ledger.plants.cards import (
    AnyCard,
    BatchCard,
    CropCard,
    HeadCard,
    ListedPotting,
    NurseryCard,
    PolicyCard,
    PottingCard,
    PromiseCard,
    RecipeCard,
    ShelfCard,
    StockPlantCard,
)
from ledger.plants.entries import PolicySet, PottingLine
from ledger.plants.recipes import Expected, expected

SQL = queries.load("ledger.projections", "reads.sql")
Cursor = psycopg.Cursor[Any]

MOST = 1_000
_MOST_FAMILY = 5_000


class Unknown(Exception):
    """Nothing of that name is in the ledger."""


class Answer(Struct, frozen=True, kw_only=True):
    """Every answer says as of which position of the ledger it is true."""

    as_of: int


def written_at(cursor: Cursor, position: int) -> datetime:
    """When the ledger came to a position; for an empty ledger, long ago."""
    row = cursor.execute(SQL["written_at"], {"position": position}).fetchone()
    return row[0] if row is not None else datetime(2000, 1, 1, tzinfo=UTC)


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
    """Plants standing: now, or at a moment as it happened, from what was known at another.

    total: of everything asked for, on whichever page. `next` names the line to go on after.
    """

    at: datetime | None
    known_at: datetime | None
    total: dict[str, int]
    lines: list[StockLine]
    next: str | None


def stock(
    cursor: Cursor,
    *,
    crop: str | None = None,
    size: str | None = None,
    stage: str | None = None,
    place: str | None = None,
    at: datetime | None = None,
    known_at: datetime | None = None,
    after: str = "",
    limit: int = MOST,
) -> Stock:
    """The plant book, a page at a time. With `at` or `known_at`, from the lines of the log, else from the balances."""
    narrowed = {"crop": crop, "size": size, "stage": stage, "place": place}
    values = {**narrowed, "after": after.split("/") if after else None, "limit": limit + 1}
    if at is None and known_at is None:
        rows = cursor.execute(SQL["stock_now"], values).fetchall()
    else:
        far = datetime.max.replace(tzinfo=desk.DEFAULT_POLICY.occurred_at.tzinfo)
        rows = cursor.execute(SQL["stock_at"], {**values, "at": at or far, "known_at": known_at or far}).fetchall()
    fields = StockLine.__struct_fields__
    lines = [StockLine(**dict(zip(fields, row[1:], strict=True))) for row in rows[:limit] if row[1] is not None]
    following = _line_name(lines[-1]) if len(rows) > limit else None
    return Stock(as_of=store.head(cursor), at=at, known_at=known_at, total=rows[0][0] or {}, lines=lines, next=following)


def _line_name(line: StockLine) -> str:
    """What tells a line from all others, in the order in which they stand."""
    return "/".join((line.crop, line.size or "", line.stage, line.place, line.batch, line.unit))


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
    expected: list[Expected]
    life: list[msgspec.Raw]


def batch(cursor: Cursor, number: str, now: datetime) -> BatchAnswer:
    """The card of one batch. Raises Unknown."""
    card = one(cursor, "batch", number, BatchCard)
    life = [
        msgspec.Raw(row[0].encode()) for row in cursor.execute(SQL["life"], {"kind": "batch", "key": number, "limit": MOST})
    ]
    crop, recipe = one(cursor, "crop", card.crop, CropCard), maybe(cursor, "recipe", card.crop, RecipeCard)
    return BatchAnswer(
        as_of=store.head(cursor),
        batch=card,
        flags=list(_flags(cursor, card, crop, now)),
        expected=expected(card, recipe.value if recipe is not None else None, desk.day_of(now, policy_of(cursor))),
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
    for place in several(cursor, "cards", cards.PlaceCard, kind="place", keys=sorted(places)):
        if (until := place.closed_until(now)) is not None:
            detail = f"{place.value.code} is closed until {until:%Y-%m-%d %H:%M} UTC (as typed in from the label)"
            yield Flag(what="in-re-entry", detail=detail)
    closed = [treated.re_entry_ends for treated in card.treatments if treated.re_entry_ends and treated.re_entry_ends > now]
    if closed:
        yield Flag(
            what="in-re-entry", detail=f"treated, closed until {max(closed):%Y-%m-%d %H:%M} UTC (as typed in from the label)"
        )


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


# --- promises --------------------------------------------------------------------------------------------------


class PromiseAnswer(Answer, frozen=True, kw_only=True):
    """A promise (book: promises). A line with `risk` is at risk: its chance, what is short, why, and a day to offer."""

    promise: PromiseCard


class Promises(Answer, frozen=True, kw_only=True):
    """A page of promises; `next` is the promise to go on after."""

    promises: list[PromiseCard]
    next: str | None


def promise(cursor: Cursor, promise: str) -> PromiseAnswer:
    """One promise. Raises Unknown."""
    return PromiseAnswer(as_of=store.head(cursor), promise=one(cursor, "promise", promise, PromiseCard))


def promises(
    cursor: Cursor, *, state: str | None, order: str | None, only_at_risk: bool, after: str = "", limit: int = 200
) -> Promises:
    """Promises in the order of their ids, a page at a time; with `only_at_risk`, those with a line that is."""
    narrowed = {"state": state, "order": order, "at_risk": only_at_risk, "after": after}
    found = several(cursor, "promises", PromiseCard, **narrowed, limit=limit + 1)
    return Promises(
        as_of=store.head(cursor), promises=found[:limit], next=str(found[limit - 1].promise) if len(found) > limit else None
    )


class PottingAnswer(Answer, frozen=True, kw_only=True):
    """What promises ask to be potted on a day: as it was issued, with the crew's answers; or as it stands so far.

    Without a day none is asked for and none was ever issued.
    """

    day: date | None
    issued: bool
    lines: list[ListedPotting]


def potting(cursor: Cursor, day: date | None) -> PottingAnswer:
    """The potting list of a day, or of the next that has one; without plugs chosen until it is issued."""
    as_of = store.head(cursor)
    nursery = nursery_card(cursor)
    if day is None:
        day = min(map(date.fromisoformat, nursery.potting), default=nursery.potting_issued)
    if day is None:
        return PottingAnswer(as_of=as_of, day=None, issued=False, lines=[])
    name = day.isoformat()
    card = maybe(cursor, "potting", name, PottingCard)
    if card is not None:
        return PottingAnswer(as_of=as_of, day=day, issued=True, lines=list(card.lines.values()))
    keys = sorted(nursery.potting.get(name, ()))
    lines = []
    for there in several(cursor, "cards", ShelfCard, kind="shelf", keys=keys):
        ask = there.asked.get(name)
        if ask is not None and ask.open:
            line = PottingLine(crop=there.crop, size=there.size, pots=ask.open, plugs=ask.reserved)
            lines.append(ListedPotting(line=line))
    return PottingAnswer(as_of=as_of, day=day, issued=False, lines=lines)


# --- promises kept ---------------------------------------------------------------------------------------------


class KeptReport(Answer, frozen=True, kw_only=True):
    """Stated confidence against what was kept (book: promises), of lines that fell due in the period.

    open: units that fell due in it and are neither picked nor checked yet.
    """

    since: date
    until: date
    counted: str
    interval: str
    open: int
    lines: list[kept.Kept]


def kept_report(cursor: Cursor, *, since: date, until: date, by: Sequence[kept.KeptBy]) -> KeptReport:
    """How promises were kept whose lines fell due from one day to another, both included."""
    rows = cursor.execute(SQL["due_lines"], {"from": since, "to": until}).fetchall()
    fields = kept.KeptLine.__struct_fields__
    return KeptReport(
        as_of=store.head(cursor),
        since=since,
        until=until,
        counted="picked by their day, or free for them on it; not those given back by their buyer",
        interval="Wilson, 95 %, as if each line stood for itself; lines of one batch do not, so the truth may lie wider",
        open=sum(row[len(fields)] for row in rows),
        lines=kept.kept((kept.KeptLine(**dict(zip(fields, row, strict=False))) for row in rows), by),
    )


# --- questions and reference values ----------------------------------------------------------------------------


class OpenQuestion(Struct, frozen=True, kw_only=True):
    """Two entries that may be one job. Reverse one of them, or answer that both happened."""

    kind: str
    entry: str
    of: str
    first: msgspec.Raw
    second: msgspec.Raw


class Questions(Answer, frozen=True, kw_only=True):
    """What somebody has to look at; `next` is the position to go on after."""

    questions: list[OpenQuestion]
    next: int | None


def questions(cursor: Cursor, after: int = 0, limit: int = 200) -> Questions:
    """What the ledger would like to be told, by the positions of the entries that raised it, a page at a time."""
    rows = cursor.execute(SQL["questions"], {"after": after, "limit": limit + 1}).fetchall()
    found = [
        OpenQuestion(
            kind="possible-duplicate",
            entry=row[0],
            of=row[1],
            first=msgspec.Raw(row[3].encode()),
            second=msgspec.Raw(row[2].encode()),
        )
        for row in rows[:limit]
    ]
    return Questions(as_of=store.head(cursor), questions=found, next=rows[limit - 1][4] if len(rows) > limit else None)


def policy_card(cursor: Cursor) -> PolicyCard:
    """The policy in force, or the default, and the correction of its confidence."""
    return maybe(cursor, "policy", "", PolicyCard) or PolicyCard(value=desk.DEFAULT_POLICY)


def policy_of(cursor: Cursor) -> PolicySet:
    """The policy in force, or the default."""
    return policy_card(cursor).value


def nursery_card(cursor: Cursor) -> NurseryCard:
    """What is known of the nursery as a whole."""
    return maybe(cursor, "nursery", "", NurseryCard) or NurseryCard()


def head_card(cursor: Cursor) -> HeadCard | None:
    """The head of the proof that was signed last."""
    return maybe(cursor, "head", "", HeadCard)


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


def several(cursor: Cursor, query: str, shape: type[Kind], **values: Any) -> list[Kind]:
    """The cards of one kind that a query gives."""
    return [_card(row[0], shape) for row in cursor.execute(SQL[query], values)]


def maybe(cursor: Cursor, kind: str, key: str, shape: type[Kind]) -> Kind | None:
    """One card, None if there is none."""
    row = cursor.execute(SQL["card"], {"kind": kind, "key": key}).fetchone()
    return None if row is None else _card(row[1], shape)


def one(cursor: Cursor, kind: str, key: str, shape: type[Kind]) -> Kind:
    """One card. Raises Unknown."""
    card = maybe(cursor, kind, key, shape)
    if card is None:
        raise Unknown(f"there is no {kind} {key}")
    return card
