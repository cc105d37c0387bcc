"""Where a plant came from, and where all that came from it went: for the inspector, and for whoever bought it. Reads only.

What the public is told has no people, no prices, no numbers of plants and no orders in it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date, datetime

from msgspec import Struct

from ledger import answers
from ledger.answers import Answer, Cursor, OrderTouched, Unknown
from ledger.ground import names
from ledger.log import codec, queries
from ledger.plants import cards, numbers
from ledger.plants.cards import CropCard, StockPlantCard
from ledger.plants.entries import BoughtIn, Stage, Treated

SQL = queries.load("ledger.projections", "origin.sql")
_MOST = 2_000


class Ancestor(Struct, frozen=True, kw_only=True):
    """A batch or stock plant of a family, with the first day of each stage. parents: units that came from each."""

    holder: str
    is_batch: bool
    crop: str
    name: str
    size: str | None
    came: str
    on: date | None
    days: dict[str, date]
    parents: dict[str, int]
    standing: dict[str, int]


class Noted(Struct, frozen=True, kw_only=True):
    """A treatment that named a batch, or the papers with which it was bought in."""

    batch: str
    at: datetime
    what: str


class Family(Answer, frozen=True, kw_only=True):
    """Back to the stock plants and forward to the orders, of a batch or of a stock plant."""

    start: str
    back: list[Ancestor]
    forward: list[Ancestor]
    orders: list[OrderTouched]
    noted: list[Noted]
    more: bool


class Step(Struct, frozen=True, kw_only=True):
    """One day in the life of a plant that its buyer is told."""

    stage: str
    on: date
    batch: str


class Source(Struct, frozen=True, kw_only=True):
    """A stock plant that cuttings came from."""

    code: str
    source: str
    from_batch: str | None


class Origin(Answer, frozen=True, kw_only=True):
    """What the buyer of a plant is told of it. How it came into the nursery is `beginning` where no stock plant is known."""

    number: str
    name: str
    species: str
    size: str | None
    caution: str | None
    steps: list[Step]
    sources: list[Source]
    beginning: str | None


def as_written(typed: str) -> str:
    """A number or code as it is kept, of one that was typed by hand."""
    found = typed.strip().upper().replace(" ", "").replace("–", "-")
    if "-" not in found and "W" in found[:3]:  # a batch number without its hyphen
        found = f"{found[:5]}-{found[5:]}"
    return found


def family(cursor: Cursor, start: str) -> Family:
    """Everything that came before and after. Raises Unknown."""
    back, forward = (answers.trace(cursor, start, direction) for direction in ("back", "forward"))
    holders = {kin.holder for kin in (*back.kin, *forward.kin)}
    days, called = _days(cursor, holders), names(cursor, {kin.crop for kin in (*back.kin, *forward.kin)})
    return Family(
        as_of=back.as_of,
        start=start,
        back=[_ancestor(kin, days, called) for kin in back.kin],
        forward=[_ancestor(kin, days, called) for kin in forward.kin],
        orders=forward.orders,
        noted=_noted(cursor, sorted(filter(is_batch, holders))),
        more=back.more or forward.more,
    )


def origin(cursor: Cursor, number: str) -> Origin:
    """The story of one batch. Raises Unknown."""
    if not is_batch(number):
        raise Unknown(f"there is no batch {number}")
    found = answers.trace(cursor, number, "back")
    first, crop = found.kin[0], answers.reference(cursor, "crop", found.kin[0].crop).card
    assert isinstance(crop, CropCard)
    chain = _own(found.kin)
    days = _days(cursor, (kin.holder for kin in chain))
    steps = [
        Step(stage=stage, on=on, batch=kin.holder)
        for kin in chain
        for stage, on in days.get(kin.holder, {}).items()
        if stage not in (Stage.SECONDS, Stage.PICKED)
    ]
    stock = sorted({parent for kin in chain for parent in kin.parents if not is_batch(parent)})
    plants = [cards.decode(row[0]) for row in cursor.execute(SQL["stock_plants"], {"keys": stock})]
    sources = [
        Source(code=card.code, source=card.source.value, from_batch=card.from_batch)
        for card in plants
        if isinstance(card, StockPlantCard)
    ]
    earliest = min(chain, key=lambda kin: (kin.on or date.max, kin.holder))
    return Origin(
        as_of=found.as_of,
        number=number,
        name=crop.value.name,
        species=crop.value.species,
        size=first.size,
        caution=crop.value.caution,
        steps=sorted(steps, key=lambda step: (step.on, list(Stage).index(Stage(step.stage)))),
        sources=sources,
        beginning=None if sources else earliest.came,
    )


def _own(family: list[answers.Kin]) -> list[answers.Kin]:
    """The batches from a plant back to its mother plants, and not what those were grown from."""
    of = {kin.holder: kin for kin in family}
    chain, pending = dict[str, answers.Kin](), [family[0].holder]
    while pending:
        kin = of.get(pending.pop())
        if kin is not None and kin.holder not in chain:
            chain[kin.holder] = kin
            pending += [parent for parent in kin.parents if is_batch(parent)]
    return list(chain.values())


def is_batch(holder: str) -> bool:
    """A batch's number begins with its year, a stock plant's code with a letter."""
    return numbers.is_valid(holder)


def _ancestor(kin: answers.Kin, days: dict[str, dict[str, date]], called: dict[str, str]) -> Ancestor:
    return Ancestor(
        holder=kin.holder,
        is_batch=is_batch(kin.holder),
        crop=kin.crop,
        name=called.get(kin.crop, kin.crop),
        size=kin.size,
        came=kin.came,
        on=kin.on,
        days=days.get(kin.holder, {}),
        parents=kin.parents,
        standing=kin.standing,
    )


def _days(cursor: Cursor, holders: Iterable[str]) -> dict[str, dict[str, date]]:
    found: dict[str, dict[str, date]] = defaultdict(dict)
    rows = cursor.execute(SQL["came_to"], {"batches": sorted(filter(is_batch, holders))}).fetchall()
    for batch, stage, on in sorted(rows, key=lambda row: (row[0], list(Stage).index(Stage(row[1])))):
        found[batch][stage] = on
    return found


def _noted(cursor: Cursor, batches: list[str]) -> list[Noted]:
    found = []
    for batch, content, kind, schema in cursor.execute(SQL["treated_or_bought"], {"batches": batches, "limit": _MOST}):
        told = codec.decode(content, kind, schema).told
        match told:
            case Treated():
                rate = f", {told.rate}" if told.rate else ""
                found.append(Noted(batch=batch, at=told.occurred_at, what=f"treated with {told.product}{rate}"))
            case BoughtIn():
                papers = f", papers: {told.papers}" if told.papers else ", no papers written down"
                found.append(
                    Noted(batch=batch, at=told.occurred_at, what=f"bought in, supplier's batch {told.supplier_batch}{papers}")
                )
            case _:
                pass
    return found
