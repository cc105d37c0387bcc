"""What is printed for the nursery's hands: tags, labels, count sheets, potting lists, traces, sign-in cards.

It asks the answers and fills in what printing/ draws. What a tag says is the plant book's; nothing is written.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import NamedTuple
from urllib.parse import quote

import msgspec

from ledger import answers, rounds
from ledger.answers import Cursor, Kin, Unknown
from ledger.keys import Scope
from ledger.plants.cards import BatchCard, CropCard, PlaceCard, PrintsCard, RecipeCard
from ledger.plants.desk import day_of, zone_of
from ledger.plants.entries import CropSet, PrintsSet
from ledger.printing.labels import Card, Passport, Tag
from ledger.printing.lists import Checklist, Column, Part
from ledger.printing.tables import Column as Field
from ledger.printing.tables import Report, Table, fact

#: where the pages are served, for the links in codes, where the nursery's settings do not say it
ADDRESS = "TALLYBENCH_ADDRESS"
MOST_TAGS = 200
#: how plants that were not struck here came, as a tag says it
_CAME = {"opened": "in the book", "bought-in": "bought in", "gathered": "gathered"}


# --- settings ------------------------------------------------------------------------------------------------------


def settings(cursor: Cursor) -> PrintsSet | None:
    """What the nursery has set for prints, if anything."""
    try:
        card = answers.reference(cursor, "prints", "").card
    except Unknown:
        return None
    assert isinstance(card, PrintsCard)
    return card.value


def address(cursor: Cursor, otherwise: str | None) -> str | None:
    """Where links lead to: as the nursery set it, as the environment says, or otherwise."""
    kept = settings(cursor)
    found = (kept.address if kept else None) or os.environ.get(ADDRESS) or otherwise
    return found.rstrip("/") if found else None


# --- tags ----------------------------------------------------------------------------------------------------------


class Batch(NamedTuple):
    """A batch as its tags tell of it; trays: as many as its plants fill, by the recipe."""

    card: BatchCard
    tag: Tag
    trays: int
    pots: int


def batch(cursor: Cursor, number: str, base: str, now: datetime) -> Batch:
    """What the tags of a batch say. Raises Unknown."""
    card = answers.batch(cursor, number, now).batch
    crop = _crop(cursor, card.crop)
    family = answers.trace(cursor, number, "back").kin
    kept = settings(cursor)
    tag = Tag(
        cultivar=crop.name,
        botanical=crop.species,
        came=_came(cursor, card, family),
        number=number,
        link=f"{base}/t/{quote(number)}",
        passport=_passport(kept, crop, number, family),
    )
    units = sum(standing.units for standing in card.standing.values())
    return Batch(card=card, tag=tag, trays=_trays(cursor, card, units), pots=units if card.size is not None else 0)


def tray_tags(found: Batch, trays: int | None, first: int = 1) -> list[Tag]:
    """A tag for each tray from the first one on, as many as a file holds."""
    many = trays or found.trays
    last = min(many, first + MOST_TAGS - 1)
    return [msgspec.structs.replace(found.tag, nth=f"tray {nth} of {many}") for nth in range(first, last + 1)]


def pot_labels(found: Batch, many: int | None) -> list[Tag]:
    """A label for each pot, as many as a file holds."""
    size = found.card.size or ""
    return [msgspec.structs.replace(found.tag, nth=size)] * min(many or found.pots or 1, MOST_TAGS)


def _crop(cursor: Cursor, code: str) -> CropSet:
    card = answers.reference(cursor, "crop", code).card
    assert isinstance(card, CropCard)
    return card.value


def _came(cursor: Cursor, card: BatchCard, family: Sequence[Kin]) -> str:
    """The ISO weeks in which the cuttings were struck, the plants' own or their parents'; else how they came."""
    zone = zone_of(answers.policy_of(cursor).time_zone)
    struck = [
        datetime.fromisoformat(told["occurred_at"]).astimezone(zone).date()
        for kin in family
        if kin.came in ("gathered", "struck")
        for told in _told_of(cursor, kin.holder)
        if told["type"] == "struck"
    ]
    if struck:
        first, last = week(min(struck)), week(max(struck))
        return f"struck {first}" if first == last else f"struck {first} to {last}"
    first_of = min((kin for kin in family if kin.on is not None), key=lambda kin: (kin.on, kin.holder), default=None)
    came, on = (first_of.came, first_of.on) if first_of is not None else (card.came, card.born_on)
    return f"{_CAME.get(came, came)} {week(on or card.born_on)}"


def _told_of(cursor: Cursor, number: str) -> Iterable[dict[str, str]]:
    for content in answers.entries(cursor, batch=number, limit=answers.MOST).entries:
        told: dict[str, str] = msgspec.json.decode(content)["told"]
        yield told


def week(day: date) -> str:
    """2026-W38, as ISO 8601 has it."""
    year, number, _ = day.isocalendar()
    return f"{year}-W{number:02d}"


def _passport(kept: PrintsSet | None, crop: CropSet, number: str, family: Sequence[Kin]) -> Passport | None:
    """Only where the nursery says that it is authorised. What was bought in came from where its papers say."""
    if kept is None or kept.registration is None:
        return None
    bought = any(kin.came == "bought-in" for kin in family)
    origin = "" if bought else kept.origin or ""
    return Passport(botanical=crop.species, registration=kept.registration, traceability=number, origin=origin)


def _trays(cursor: Cursor, card: BatchCard, units: int) -> int:
    try:
        recipe = answers.reference(cursor, "recipe", card.crop).card
    except Unknown:
        return 1
    cells = recipe.value.tray_cells if isinstance(recipe, RecipeCard) else None
    return max(1, -(-units // cells)) if cells and card.size is None else 1


# --- lists ---------------------------------------------------------------------------------------------------------


def _about(cursor: Cursor, as_of: int, book: str, now: datetime) -> str:
    here = now.astimezone(zone_of(answers.policy_of(cursor).time_zone))
    return f"From the {book}, as of position {as_of}; printed {here:%Y-%m-%d %H:%M}."


def count_sheet(cursor: Cursor, place: str, now: datetime) -> Checklist:
    """What stands at a place, to be counted blind: no figure of the book is on it. Raises Unknown."""
    card = answers.reference(cursor, "place", place).card
    assert isinstance(card, PlaceCard)
    found = answers.stock(cursor, place=place)
    names = {line.crop: _crop(cursor, line.crop).name for line in found.lines}
    closed = card.closed_until(now)
    notes = [f"CLOSED until {closed:%Y-%m-%d %H:%M} UTC after a treatment, as typed in from its label."] if closed else []
    notes.append("Count what you see, without the book. Write 0 where nothing stands. What is not listed: write it below.")
    columns = (
        Column(heading="Batch", share=22, bold=True),
        Column(heading="Plant", share=40),
        Column(heading="Size", share=10),
        Column(heading="Stage", share=16),
        Column(heading="Counted", share=18, box=True),
    )
    rows = [(line.batch, names[line.crop], line.size or "", line.stage) for line in found.lines]
    part = Part(
        heading=f"{card.value.house}, {card.value.name} ({place})" if card.value.name != place else place,
        columns=columns,
        rows=[*rows, *[("", "", "", "")] * 3],
        notes=(*notes, "Counted by ........................   on ....................   at ............"),
    )
    about = _about(cursor, found.as_of, "plant book", now)
    return Checklist(title="Count sheet", about=about, made_at=now, parts=(part,))


def potting_list(cursor: Cursor, day: date | None, now: datetime) -> Checklist:
    """What to pot on a day: a page for each bench that plugs are taken from, with boxes for what was potted."""
    found = answers.potting(cursor, day)
    asks: dict[str, list[tuple[str, ...]]] = {}
    for listed in found.lines:
        line = listed.line
        name = _crop(cursor, line.crop).name
        if not line.take:
            asks.setdefault("Not issued yet: plugs are chosen when the list is", []).append(
                (name, line.size, str(line.pots), str(line.plugs), "")
            )
        for take in line.take:
            benches = _benches(cursor, take.batch)
            pots = str(line.pots) if take is line.take[0] else "see above"
            asks.setdefault(benches, []).append((name, line.size, pots, str(take.plugs), take.batch))
    columns = (
        Column(heading="Plant", share=36),
        Column(heading="Size", share=9),
        Column(heading="Pots", share=13, bold=True),
        Column(heading="Plugs to take", share=12, bold=True),
        Column(heading="Tray tag to pull", share=22, bold=True),
        Column(heading="Potted", share=15, box=True),
        Column(heading="Short, because", share=26, box=True),
    )
    parts = tuple(
        Part(heading=f"Plugs from {bench}" if rows[0][-1] else bench, columns=columns, rows=rows)
        for bench, rows in sorted(asks.items())
    )
    about = _about(cursor, found.as_of, "promise book and the plant book", now)
    state = "" if found.day is None else f" for {found.day}" + (f" ({week(found.day)})" if found.issued else ", not issued yet")
    return Checklist(title=f"Potting list{state}", about=about, made_at=now, parts=parts)


def _benches(cursor: Cursor, number: str) -> str:
    """Where the plugs of a batch stand."""
    card = answers.batch(cursor, number, answers.written_at(cursor, 0)).batch
    places = [where.partition("/")[2] for where, there in card.standing.items() if where.startswith("rooted/") and there.units]
    return ", ".join(sorted(places)) or "nowhere by the book"


def pick_route(cursor: Cursor, day: date | None, now: datetime) -> Checklist:
    """What to pull for the orders of a day, in walking order; then what the book does not have."""
    found = rounds.picks(cursor, day or today(cursor, now), now)
    columns = (
        Column(heading="Place", share=14, bold=True),
        Column(heading="Plant", share=34),
        Column(heading="Size", share=9),
        Column(heading="Batch", share=22, bold=True),
        Column(heading="Pull", share=9, bold=True),
        Column(heading="Order", share=22),
        Column(heading="Pulled", share=13, box=True),
    )
    rows = [(_place_of(pick), _plant_of(pick), pick.size, pick.batch, str(pick.units), pick.order) for pick in found.picks]
    parts = [Part(heading=f"To {', '.join(found.packing) or 'packing'}", columns=columns, rows=rows)]
    missing = [*found.short, *found.waiting]
    if missing:
        beside = tuple(Column(heading=name, share=share) for name, share in _MISSING)
        lines = [
            (line.order, line.name, line.size, str(line.units), "the order is held" if line.held else "not there by the book")
            for line in missing
        ]
        parts.append(Part(heading="Not to be pulled", columns=beside, rows=lines))
    about = _about(cursor, found.as_of, "promise book and the plant book", now)
    more = " There is more than one round." if found.more else ""
    return Checklist(title=f"Pick route for {found.date}", about=about + more, made_at=now, parts=tuple(parts))


_MISSING = (("Order", 22), ("Plant", 34), ("Size", 9), ("Units", 9), ("Why", 30))


def _place_of(pick: rounds.Pick) -> str:
    return f"{pick.place} CLOSED until {pick.open_from:%Y-%m-%d %H:%M} UTC" if pick.open_from else pick.place


def _plant_of(pick: rounds.Pick) -> str:
    cautions = [f"NOT to {pick.region}: {pick.refused}"] if pick.refused else []
    return "; ".join([pick.name, *cautions, *(f"papers: {paper}" for paper in pick.papers)])


def trace(found: answers.Trace, made_at: datetime) -> Report:
    """A family with where its plants stand, and the orders that had some."""
    back = found.direction == "back"
    facts = (
        fact("start", "From", found.start),
        fact("direction", "Followed", "to where it came from" if back else "to what came of it"),
        fact("as_of", "As of position", found.as_of, "units"),
    )
    family = (
        Field(name="holder", heading="Batch or stock plant"),
        Field(name="crop", heading="Crop"),
        Field(name="size", heading="Size"),
        Field(name="came", heading="Came"),
        Field(name="on", heading="On", kind="date"),
        Field(name="parents", heading="From"),
        Field(name="standing", heading="Standing"),
    )
    rows = [
        (
            kin.holder, kin.crop, kin.size, kin.came, kin.on,
            ", ".join(f"{name} ({units})" for name, units in kin.parents.items()),
            ", ".join(f"{units} {where.replace('/', ' at ')}" for where, units in kin.standing.items()),
        )
        for kin in found.kin
    ]  # fmt: skip
    more = ("There are more than are shown here.",) if found.more else ()
    tables = [Table(title="Family", columns=family, rows=rows, facts=facts, notes=more)]
    if not back:
        orders = (
            Field(name="order", heading="Order"),
            Field(name="batch", heading="Batch"),
            Field(name="shipped", heading="Shipped", kind="units"),
            Field(name="region", heading="Region"),
        )
        had = [(line.order, line.batch, line.shipped, line.region) for line in found.orders]
        tables.append(Table(title="Orders that had some", columns=orders, rows=had, facts=facts))
    name = f"trace-{found.start}-{found.direction}"
    return Report(title=f"Trace of {found.start}", name=name, made_at=made_at, tables=tuple(tables))


# --- sign-in cards ---------------------------------------------------------------------------------------------------


def sign_in_card(key: str, role: str, device: str, scopes: Sequence[Scope], base: str, expires_at: datetime | None) -> Card:
    """The card of a key, which is shown only when it is made."""
    ends = f"Holds until {expires_at:%Y-%m-%d}." if expires_at else ""
    link = f"{base.rstrip('/')}/sign-in#{quote(key)}"
    return Card(role=role, device=device, may=", ".join(scopes), prefix=key.split("-")[1], link=link, ends=ends)


def today(cursor: Cursor, now: datetime) -> date:
    """The nursery's own day."""
    return day_of(now, answers.policy_of(cursor))
