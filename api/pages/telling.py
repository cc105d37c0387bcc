"""Telling the ledger from a form: whose hands the device is in, ids so that two taps write once, the nursery's own time."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote
from uuid import UUID, uuid4, uuid5
from zoneinfo import ZoneInfo

from api.pages.showing import Asker, Unnamed, person_of, templates
from api.reader import Reader
from api.writing import write
from ledger import answers
from ledger.answers import Cursor
from ledger.log import codec
from ledger.nursery import Posted, Turns
from ledger.plants.refusals import Malformed, Problem, Refused

Told = dict[str, Any]


def _local(value: datetime | None, zone: ZoneInfo) -> datetime | None:
    """A time as the clocks of the nursery show it."""
    return None if value is None else value.astimezone(zone)


templates.filters |= {"local": _local}
templates.globals |= {"new_id": lambda: str(uuid4())}


def zone_of(cursor: Cursor) -> ZoneInfo:
    """The nursery's own time."""
    return ZoneInfo(answers.policy_of(cursor).time_zone)


def in_hands_of(request: Asker, back: str) -> str:
    """Who acts. Raises Unnamed where nobody has tapped their name: to the names, and back to a page."""
    person = person_of(request)
    if person is None:
        raise Unnamed(quote(back, safe="/"))
    return person


def whole(text: str | None) -> int | str | None:
    """A number as it was typed; what is none is left as it is, and refused where it is read."""
    return int(text) if text is not None and text.isascii() and text.isdigit() and len(text) < 10 else text  # noqa: PLR2004


def telling(form: Mapping[str, str], by: str) -> Told:
    """What every entry has, with the id that came with the form."""
    return {"id": form.get("id", ""), "occurred_at": datetime.now(UTC).isoformat(), "by": by}


def part_of(told: Told, name: str) -> Told:
    """The same for one of several entries of a form, by a name that it has there."""
    try:
        whole_form = UUID(told["id"])
    except ValueError as error:
        problem = Problem(index=0, code=Malformed.CODE, detail="the form is not whole: load the page again", field="id")
        raise Refused([problem]) from error
    return {**told, "id": str(uuid5(whole_form, name))}


async def tell(request: Asker, turns: Turns, reader: Reader, told: Sequence[Told]) -> Posted:
    """Write entries, all or none; the same form sent again gets the answer of the first. Raises Refused."""
    return await write(turns, reader, codec.read_told(list(told)), request.state.client)
