"""The striking calculator: how many cuttings to strike so that so many plugs, or finished pots, come of it."""

from __future__ import annotations

import asyncio
from datetime import UTC, datetime
from itertools import islice
from zoneinfo import ZoneInfo

from api.pages.showing import Asker, Page, page
from api.pages.telling import whole, zone_of
from api.reader import Reader
from api.services import NamedBoard, NamedFits, NamedReader
from ledger import strikings
from ledger.answers import Unknown
from ledger.strikings import MOST_UNITS, Fits, Striking

_MOST_FOUND = 24
_MOST_TEXT = 64


@page("/striking", scope="read", asks=("crop", "size", "units"))
async def get_striking(request: Asker, reader: NamedReader, board: NamedBoard, fits: NamedFits) -> Page:
    """Find the crop, say how many; the answer for 50, 80, 90 and 95 %."""
    text = request.query_params.get("crop", "")[:_MOST_TEXT].strip()
    size, units = request.query_params.get("size") or None, whole(request.query_params.get("units") or "100")
    fresh = await board.fresh()
    crops = list(islice(fresh.found(text, None), _MOST_FOUND + 1)) if text else []
    chosen = next((crop for crop in crops if text == crop.code), crops[0] if len(crops) == 1 else None)
    wrong, answered, zone = None, None, ZoneInfo("UTC")
    if not isinstance(units, int) or not 1 <= units <= MOST_UNITS:
        wrong, units = f"give a number from 1 to {MOST_UNITS}: more is several rounds, and each has luck of its own", 100
    elif chosen is not None:
        if size is not None and size not in chosen.sizes:
            size = None
        answered, zone = await asyncio.to_thread(_strike, reader, fits, chosen.code, units, size)
    shows = {
        "text": text,
        "size": size,
        "units": units,
        "crops": crops[:_MOST_FOUND],
        "more": len(crops) > _MOST_FOUND,
        "chosen": chosen,
        "found": answered,
        "wrong": wrong,
        "most": MOST_UNITS,
        "now": datetime.now(UTC).astimezone(zone),
    }
    return Page(template="striking.html", title="How many to strike", shows=shows, status=400 if wrong else 200)


def _strike(reader: Reader, fits: Fits, crop: str, units: int, size: str | None) -> tuple[Striking | None, ZoneInfo]:
    with reader.look() as cursor:
        try:
            return strikings.strike(cursor, fits, crop, units, size, datetime.now(UTC)), zone_of(cursor)
        except Unknown:  # it was sold a moment ago
            return None, zone_of(cursor)


HANDLERS = [get_striking]
