"""Counting: which place to count next, and a blind sheet for one place whose answers are written in one call.

A sheet shows no figure of the book. A number far from it is asked about once, without saying which way it is off.
"""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from litestar import Response
from litestar.params import FromPath
from msgspec import Struct

from api.pages import words
from api.pages.showing import Asker, Page, act, page
from api.pages.telling import Told, in_hands_of, part_of, tell, telling, whole, zone_of
from api.reader import Reader
from api.services import NamedReader, NamedTurns
from ledger import answers, rounds
from ledger.nursery import Posted
from ledger.plants.entries import Counted
from ledger.plants.recorded import COUNT_DIFFERENCE
from ledger.plants.refusals import Malformed, Problem, Refused

#: a count that is off by more than half, and by more than so many, is asked about once
_FEW = 5


class Counting(Struct, frozen=True, kw_only=True):
    """What one count found: the book had `before`, now it has `after`."""

    batch: str
    stage: str
    before: int
    after: int


@page("/count", scope="read")
def get_count(request: Asker, reader: NamedReader) -> Page:  # noqa: ARG001 - every page is given its request
    """Places by risk."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found, zone = rounds.to_count(cursor, now), zone_of(cursor)
    return Page(template="count.html", title="Which place to count", shows={"found": found, "zone": zone, "now": now})


@page("/count/{place:str}", scope="read")
def get_sheet(request: Asker, reader: NamedReader, place: FromPath[str]) -> Page:  # noqa: ARG001
    """A blind sheet."""
    return _sheet(reader, place, {}, [])


def _sheet(reader: Reader, place: str, form: dict[str, str], again: list[str]) -> Page:
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found, zone = rounds.count_sheet(cursor, place, now), zone_of(cursor)
    shows = {"found": found, "zone": zone, "now": now.astimezone(zone), "words": words, "form": form, "again": again}
    return Page(template="count_sheet.html", title=f"Count {place}", shows=shows, status=409 if again else 200)


@act("/count/{place:str}", scope="write")
async def post_sheet(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, place: FromPath[str]
) -> Page | Response[Any]:
    """All numbers of the sheet in one call; then what was different."""
    by = in_hands_of(request, f"/count/{place}")
    told = list(_counts(form, telling(form, by), place))
    if not told:
        raise Refused([Problem(index=0, code=Malformed.CODE, detail="no number was filled in", field="units")])
    far = await asyncio.to_thread(_far_off, reader, place, told)
    if far and form.get("sure") != "yes":
        return await asyncio.to_thread(_sheet, reader, place, form, far)
    posted = await tell(request, turns, reader, told)
    found = list(_found(posted))
    shows = {"place": place, "found": found, "words": words, "off": sum(abs(each.after - each.before) for each in found)}
    return Page(template="counted.html", title=f"{place} is counted", shows=shows)


def _counts(form: dict[str, str], told: Told, place: str) -> Iterator[Told]:
    """Fields `units.<batch>/<stage>`; what was left empty was not counted. `batch`, `stage`, `units`: something else there."""
    numbers = {name.removeprefix("units."): text for name, text in form.items() if name.startswith("units.") and text}
    if form.get("batch") and form.get("units"):
        numbers[f"{form['batch'].upper()}/{form.get('stage', '')}"] = form["units"]
    for name, text in numbers.items():
        batch, _, stage = name.partition("/")
        yield {
            **part_of(told, name),
            "type": "counted",
            "batch": batch,
            "stage": stage,
            "place": place,
            "units": whole(text),
            "method": "blind-count",
        }


def _far_off(reader: Reader, place: str, told: list[Told]) -> list[str]:
    """Which of the numbers are so far from the book that somebody should look again."""
    with reader.look() as cursor:
        lines = answers.stock(cursor, place=place, limit=answers.MOST).lines
    book = {(line.batch, line.stage): line.units for line in lines}
    return [
        f"{each['batch']}/{each['stage']}"
        for each in told
        if isinstance(each["units"], int)
        and abs(each["units"] - (had := book.get((each["batch"], each["stage"]), 0))) > max(_FEW, had / 2)
    ]


def _found(posted: Posted) -> Iterator[Counting]:
    for entry in posted.entries:
        if isinstance(entry.told, Counted):
            over = sum(move.units if move.source == COUNT_DIFFERENCE else -move.units for move in entry.moves)
            after = entry.told.units
            yield Counting(batch=entry.told.batch, stage=entry.told.stage, before=after - over, after=after)


HANDLERS = [get_count, get_sheet, post_sheet]
