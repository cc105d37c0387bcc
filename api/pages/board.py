"""The availability board: every crop in every size, now and later; and what the grower may expect of one, week by week."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from itertools import islice
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
from litestar.params import FromPath
from msgspec import Struct

from api.pages.showing import Asker, Page, page
from api.pages.telling import zone_of
from api.reader import Reader
from api.services import NamedBoard, NamedReader
from ledger import rounds
from ledger.answers import policy_of
from ledger.board import Availability, Board, Outlook
from ledger.plants.desk import day_of
from ledger.plants.entries import CropSet
from ledger.plants.offer import Step

PAGE = 40
WEEKS = (2, 4, 8)
_MOST_TEXT = 60
STALE = {
    "no-forecast": "no forecast yet",
    "old-forecast": "the forecast is old",
    "changes-not-forecast": "changes wait for the forecast",
    "clock-set-back": "the clock is not believed",
    "stopped": "the crop is stopped",
}
RESTS_ON = {
    "finished": "finished plants",
    "growing-on": "plants growing on",
    "asked": "pots asked for",
    "plugs": "plugs to be potted",
    "rooting": "cuttings still rooting",
}


class Row(Struct, frozen=True, kw_only=True):
    """A crop and size on the board. later: what may be promised in all from a day on; None where nothing is promised then."""

    crop: CropSet
    size: str
    now: int
    later: list[int | None]
    promised: int
    buffer: int
    counted_at: datetime | None
    stale: str | None


@page("/board", scope="read", asks=("q", "group", "after"))
async def get_board(request: Asker, reader: NamedReader, board: NamedBoard) -> Page:
    """Crops by code, a page at a time: now and in two, four and eight weeks."""
    asked = request.query_params
    text, group, after = asked.get("q", "")[:_MOST_TEXT].strip(), asked.get("group") or None, asked.get("after", "")
    fresh = await board.fresh()
    zone, today = await asyncio.to_thread(_calendar, reader)
    crops = list(islice(fresh.found(text, group, after), PAGE + 1))
    days = [today + timedelta(weeks=weeks) for weeks in WEEKS]
    shows = {
        "rows": [row for crop in crops[:PAGE] for row in _rows(fresh, crop, days)],
        "next": crops[PAGE - 1].code if len(crops) > PAGE else None,
        "q": text,
        "group": group,
        "groups": fresh.groups(),
        "days": list(zip(WEEKS, days, strict=True)),
        "percent": fresh.percent,
        "stale": STALE,
        "as_of": fresh.position,
        "now": datetime.now(zone),
        "zone": zone,
    }
    return Page(template="board.html", title="Availability", shows=shows)


def _calendar(reader: Reader) -> tuple[ZoneInfo, date]:
    with reader.look() as cursor:
        return zone_of(cursor), day_of(datetime.now(UTC), policy_of(cursor))


def _rows(board: Board, crop: CropSet, days: list[date]) -> Iterator[Row]:
    for size in sorted(crop.sizes):
        found = _availability(board, crop.code, size)
        yield Row(
            crop=crop,
            size=size,
            now=found.now,
            later=[None if found.stale else _by(found.curve, day) for day in days],
            promised=found.stock.promised,
            buffer=found.stock.buffer,
            counted_at=found.stock.counted_at,
            stale=found.stale,
        )


def _availability(board: Board, crop: str, size: str) -> Availability:
    """As the shop is answered: from the same bytes, so that both say the same."""
    return msgspec.json.decode(board.availability(crop, size).body, type=Availability)


def _by(curve: list[Step], day: date) -> int:
    """What may be promised in all by a day."""
    return next((step.quantity for step in reversed(curve) if step.on <= day), 0)


@page("/board/{crop:str}/{size:str}", scope="read")
async def get_outlook(
    request: Asker,  # noqa: ARG001 - every page is given its request
    reader: NamedReader,
    board: NamedBoard,
    crop: FromPath[str],
    size: FromPath[str],
) -> Page:
    """One crop and size: what may be promised and what it rests on, the range behind it, and what is promised by week."""
    fresh = await board.fresh()
    outlook, found, value = fresh.outlook(crop, size), _availability(fresh, crop, size), fresh.crop(crop)
    as_of, percent = fresh.position, fresh.percent
    lines, zone = await asyncio.to_thread(_lines, reader, crop, size)
    shows = {
        "crop": value,
        "size": size,
        "found": found,
        "weeks": _weeks(outlook, lines),
        "outlook": outlook,
        "lines": lines,
        "percent": percent,
        "stale": STALE,
        "rests_on": RESTS_ON,
        "as_of": as_of,
        "now": datetime.now(zone),
        "zone": zone,
    }
    return Page(template="outlook.html", title=f"{value.name}, {size}", shows=shows)


def _lines(reader: Reader, crop: str, size: str) -> tuple[rounds.OpenLines, ZoneInfo]:
    with reader.look() as cursor:
        return rounds.open_lines(cursor, crop=crop, size=size, limit=500), zone_of(cursor)


def _weeks(outlook: Outlook, lines: rounds.OpenLines) -> list[dict[str, Any]]:
    """Supply by the day from which it changes, and what is promised in all by then; `short` where that is more than the low."""
    found = []
    for expected in outlook.days:
        promised = sum(line.line.open for line in lines.lines if line.line.due <= expected.on)
        found.append({"of": expected, "promised": promised, "short": promised > expected.low})
    return found


HANDLERS = [get_board, get_outlook]
