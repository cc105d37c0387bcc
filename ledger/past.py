"""From the ledger to the forecast's plain records: past stays, facts of crops, the climate, and what stands of one crop now.

Reads only, in a transaction that sees one moment; computes no forecast. What the passages have not followed yet is taken from
the log itself, so that the records are true at the moment that is looked at.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date
from itertools import groupby
from operator import itemgetter
from typing import Any, NamedTuple

import psycopg
from msgspec.structs import replace

from ledger.answers import SQL
from ledger.forecast.stays import CropFacts, Look, Lot, Stay
from ledger.forecast.supply import Ask, Standing
from ledger.forecast.timing import Climate
from ledger.log import codec
from ledger.plants import cards
from ledger.plants.book import Book
from ledger.plants.cards import CropCard, MeasuredCard, NormalsCard, RecipeCard, ShelfLine
from ledger.plants.entries import Stage
from ledger.plants.recorded import OPENING
from ledger.projections.passages import Passage, steps

Cursor = psycopg.Cursor[Any]

_STAGES = {stage.value: stage for stage in (Stage.STRUCK, Stage.ROOTED, Stage.POTTED, Stage.FINISHED)}
_CHUNK = 5_000


class _Batch(NamedTuple):
    """What the stays need of a batch's card."""

    crop: str
    size: str | None
    born_on: date
    days_added: int


class _Row(NamedTuple):
    """A passage and its units."""

    batch: str
    stage: str
    day: date
    flow: str
    via: str
    units: int


class Told(NamedTuple):
    """All that a forecast learns from."""

    stays: Sequence[Stay]
    facts: Sequence[CropFacts]
    climate: Climate


def told(cursor: Cursor) -> Told:
    """All that a forecast learns from, as it is known now."""
    return Told(stays(cursor), facts(cursor), climate(cursor))


# --- past stays ------------------------------------------------------------------------------------------------


def stays(cursor: Cursor, batches: Sequence[str] | None = None) -> list[Stay]:
    """How every batch stood in every stage; only of some batches, if they are named."""
    rows, named = _rows(cursor, batches), batches
    while named is not None:  # plants that joined a batch bring the time with them that they have had elsewhere
        known = {row.batch for row in rows} | set(named)
        named = sorted({row.via for row in rows if row.flow == "joined" and row.units > 0} - known) or None
        if named is not None:
            rows += _rows(cursor, named)
    found = {
        number: _Batch(crop, size, date.fromisoformat(born_on), days_added)
        for number, crop, size, born_on, days_added in _asked(
            cursor, "past_batches", None if batches is None else sorted({row.batch for row in rows})
        )
    }
    chosen = None if batches is None else set(batches)
    return [stay for stay in stays_of(rows, found) if chosen is None or stay.batch in chosen]


def _rows(cursor: Cursor, batches: Sequence[str] | None) -> list[_Row]:
    """Passages up to the head of the log: those of the projection, and those of the entries that it has still to follow."""
    rows = [_Row(*row) for row in _asked(cursor, "past_passages", batches)]
    followed = cursor.execute(SQL["followed"]).fetchone()
    assert followed is not None, "the projection is built"
    position = int(followed[0])
    while True:
        late = cursor.execute(SQL["not_followed"], {"after": position, "limit": _CHUNK}).fetchall()
        entries = [codec.decode(content, name, schema) for name, schema, content in late]
        for entry in entries:
            for step, units in steps(entry):
                if isinstance(step, Passage) and (batches is None or step.batch in batches):
                    rows.append(_Row(*step, units))
        if len(entries) < _CHUNK:
            return rows
        position = entries[-1].position


def _asked(cursor: Cursor, query: str, batches: Sequence[str] | None) -> list[tuple[Any, ...]]:
    """Of all batches or of some: two queries, so that each is answered by the index that suits it."""
    if batches is None:
        return cursor.execute(SQL[query]).fetchall()
    return cursor.execute(SQL[f"{query}_of"], {"batches": batches}).fetchall()


def stays_of(rows: Iterable[_Row], batches: Mapping[str, _Batch]) -> Iterator[Stay]:
    """The stays that passages tell of (the pure part)."""
    ordered = sorted((row for row in rows if row.stage in _STAGES), key=itemgetter(0, 1, 2))
    by_stay = {key: list(found) for key, found in groupby(ordered, key=itemgetter(0, 1))}
    starts = _Starts(by_stay, batches)
    for (number, stage), found in by_stay.items():
        batch = batches[number]
        units, looks = _looks(_STAGES[stage], found)
        if units <= 0:
            continue
        left = units - sum(look.gone for look in looks)
        started_on = starts.of(number, stage)
        yield Stay(
            batch=number,
            crop=batch.crop,
            stage=_STAGES[stage],
            started_on=min(started_on, looks[0].on) if looks else started_on,
            units=units,
            size=batch.size,
            looks=tuple(looks),
            running=left > 0,
            days_added=batch.days_added,
        )


def _looks(stage: Stage, rows: Sequence[_Row]) -> tuple[int, list[Look]]:
    """Units that entered to stay, and the looks at them. What left a stage to count elsewhere had never entered it here."""
    units, by_day = 0, defaultdict[date, dict[str, int]](lambda: {"finished": 0, "poor": 0, "lost": 0})
    for row in rows:
        match row.flow:
            case "entered" | "joined":
                units += row.units
            case "counted":
                by_day[row.day]["lost"] -= row.units
            case _:
                what = _came_of(stage, row.flow, row.via)
                if what is None:
                    units -= row.units
                else:
                    by_day[row.day][what] += row.units
    days = sorted(by_day)
    for what in ("finished", "poor", "lost"):
        units += _taken_back([by_day[day] for day in days], what)
    looks = [Look(on=day, **by_day[day]) for day in days]
    return units, [look for look in looks if look.gone]


def _came_of(stage: Stage, flow: str, via: str) -> str | None:
    """What became of plants that left a stage or were lost in it; None where they went on growing in another batch."""
    if flow == "lost":
        poor = {Stage.STRUCK: "did-not-root", Stage.POTTED: "graded-out"}.get(stage)
        return "poor" if via == poor else "lost"
    if stage is Stage.POTTED:
        return {"finished": "finished", "seconds": "poor", "picked": "finished"}.get(via)
    return "finished"


def _taken_back(looks: Sequence[dict[str, int]], what: str) -> int:
    """Take what was taken back (below 0) from the looks before it, the latest first, else after it; what is over was more."""
    for at, look in enumerate(looks):
        over = -look[what]
        if over <= 0:
            continue
        look[what] = 0
        for other in (*reversed(looks[:at]), *looks[at + 1 :]):
            taken = min(over, max(0, other[what]))
            other[what] -= taken
            over -= taken
        if over:
            return over + _taken_back(looks, what)
    return 0


class _Starts:
    """When the plants of a stay began it, on the average: those that joined from another batch began it there."""

    def __init__(self, by_stay: Mapping[tuple[str, str], Sequence[_Row]], batches: Mapping[str, _Batch]) -> None:
        self._by_stay, self._batches = by_stay, batches
        self._known: dict[tuple[str, str], date] = {}

    def of(self, number: str, stage: str) -> date:
        key = (number, stage)
        if key not in self._known:
            rows = [row for row in self._by_stay[key] if row.flow in ("entered", "joined") and row.units > 0]
            self._known[key] = self._by_stay[key][0].day  # should two batches have joined each other
            total = sum(row.units for row in rows)
            if total:
                days = sum(row.units * self._began(row).toordinal() for row in rows)
                self._known[key] = date.fromordinal(days // total)
        return self._known[key]

    def _began(self, row: _Row) -> date:
        if row.flow == "joined" and (row.via, row.stage) in self._by_stay:
            return self.of(row.via, row.stage)
        return self._batches[row.batch].born_on if row.via == OPENING else row.day


# --- crops and the climate -------------------------------------------------------------------------------------


def facts(cursor: Cursor) -> list[CropFacts]:
    """What was told of every crop."""
    recipes = {recipe.value.crop: recipe for recipe in _all(cursor, "recipe", RecipeCard)}
    shelves: dict[str, list[str]] = defaultdict(list)
    for (key,) in cursor.execute(SQL["shelf_keys"]):
        crop, size = key.split("/")
        shelves[crop].append(size)
    return [facts_of(crop, recipes.get(crop.value.code), shelves[crop.value.code]) for crop in _all(cursor, "crop", CropCard)]


def facts_of(crop: CropCard, recipe: RecipeCard | None, shelves: Iterable[str]) -> CropFacts:
    """What was told of one crop; `shelves`: the sizes in which any of it ever stood or was promised."""
    typed = recipe.value.growing if recipe is not None else {}
    sizes = sorted({*crop.value.sizes, *typed, *shelves})
    return CropFacts(
        code=crop.value.code,
        group=crop.value.group,
        base_temperature_c=crop.value.base_temperature_c,
        rooting=recipe.value.rooting if recipe is not None else None,
        growing={size: typed.get(size) for size in sizes},
    )


def climate(cursor: Cursor) -> Climate:
    """The houses' usual temperatures and those measured; without the usual ones every crop's time is counted in days."""
    normals = next(iter(_all(cursor, "normals", NormalsCard)), None)
    if normals is None:
        return Climate()
    return Climate(
        normals_c=tuple(tenths / 10 for tenths in normals.value.normals_tenths_c),
        measured_c={
            date.fromisoformat(day): tenths / 10
            for month in _all(cursor, "measured", MeasuredCard)
            for day, tenths in month.days.items()
        },
    )


def _all(cursor: Cursor, kind: str, shape: type[Any]) -> Iterator[Any]:
    for _, _, stored in cursor.execute(SQL["cards_of_kind"], {"kind": kind, "after": "", "limit": None}).fetchall():
        card = cards.decode(stored)
        assert isinstance(card, shape)
        yield card


# --- what stands now -------------------------------------------------------------------------------------------


def standing(cursor: Cursor, book: Book, crop: str, sizes: Iterable[str], today: date) -> Standing:
    """What one crop has, by the cards of a book (crop, pool and its shelves) and the stays of what is running."""
    card, pool = book.crop(crop), book.pool(crop)
    shelves = {size: book.shelf(crop, size) for size in sizes}
    asked = {
        size: [
            Ask(on=date.fromisoformat(day), pots=ask.open, of=ask.pots)
            for day, ask in sorted(there.asked.items())
            if not ask.answered
        ]
        for size, there in shelves.items()
    }
    if card is None or card.stops:
        return Standing(crop=crop, sizes=tuple(shelves), asked={size: asks for size, asks in asked.items() if asks})
    growing = {number for there in shelves.values() for number, line in there.lines.items() if _free(line)[1]}
    rooting = {number for number, line in pool.lines.items() if line.cells > 0 and not line.stopped}
    running = {
        (stay.batch, stay.stage): replace(stay, started_on=min(stay.started_on, today))
        for stay in (stays(cursor, sorted(growing | rooting)) if growing or rooting else ())
        if stay.running
    }
    return Standing(
        crop=crop,
        sizes=tuple(shelves),
        finished={
            size: {number: free for number, line in there.lines.items() if (free := _free(line)[0])}
            for size, there in shelves.items()
        },
        growing={
            size: [
                Lot(stay=running[number, Stage.POTTED], units=units)
                for number, line in sorted(there.lines.items())
                if (units := _free(line)[1])
            ]
            for size, there in shelves.items()
        },
        asked={size: asks for size, asks in asked.items() if asks},
        plugs={number: line.plugs for number, line in pool.lines.items() if line.plugs > 0 and not line.stopped},
        rooting=[Lot(stay=running[number, Stage.STRUCK], units=pool.lines[number].cells) for number in sorted(rooting)],
    )


def _free(line: ShelfLine) -> tuple[int, int]:
    """Finished and growing units of a batch that may be counted on: together `line.counted_on`."""
    if line.stopped:
        return 0, 0
    finished = max(0, line.units - line.held)
    return finished, max(0, line.counted_on - finished)
