"""What is printed, as PDF: tray tags, pot labels, lists to carry about, a trace. Each is a link; /prints lists them."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Any

from litestar import Response
from litestar.exceptions import NotFoundException, ValidationException

from api.pages.showing import HEADERS, Asker, Page, page
from api.services import NamedReader
from ledger import answers, printed, prints
from ledger.plants import numbers
from ledger.printing.labels import Format, Sheet, Stake, TooSmall, as_tags, form_of
from ledger.printing.lists import Checklist, as_list

_FORMAT = ("format", "width", "height")
_SMALLEST, _BIGGEST = 10.0, 297.0  # mm
_MOST = 10_000


@page("/prints", scope="read", asks=("batch",))
def get_prints(request: Asker, reader: NamedReader) -> Page:
    """What can be printed, and on what."""
    with reader.look() as cursor:
        kept = prints.settings(cursor)
        places = answers.references(cursor, "place", limit=answers.MOST).values
        leads_to = prints.address(cursor, _own(request))
    shows = {
        "batch": request.query_params.get("batch", ""),
        "places": [each.card.value for each in places],  # type: ignore[union-attr] # cards of places
        "address": leads_to,
        "registration": kept.registration if kept else None,
        "stake": Stake(),
        "sheet": Sheet(),
        "most": prints.MOST_TAGS,
    }
    return Page(template="prints.html", title="Prints", shows=shows)


@page("/prints/tags.pdf", scope="read", asks=("batch", "trays", "first", *_FORMAT))
def get_tags(request: Asker, reader: NamedReader) -> Response[bytes]:
    """A tag for each tray of a batch."""
    found, made_at = _batch(request, reader)
    trays, first = _whole(request, "trays"), _whole(request, "first") or 1
    tags = prints.tray_tags(found, trays, first)
    if not tags:
        raise ValidationException(detail=f"there is no tray {first} of {trays or found.trays}")
    return _tags(request, tags, f"tags-{found.card.number}", made_at)


@page("/prints/labels.pdf", scope="read", asks=("batch", "many", *_FORMAT))
def get_labels(request: Asker, reader: NamedReader) -> Response[bytes]:
    """A label for each pot of a batch."""
    found, made_at = _batch(request, reader)
    return _tags(request, prints.pot_labels(found, _whole(request, "many")), f"labels-{found.card.number}", made_at)


@page("/prints/potting.pdf", scope="read", asks=("day",))
def get_potting(request: Asker, reader: NamedReader) -> Response[bytes]:
    """The potting list of a day, or of the next that has one."""
    with reader.look() as cursor:
        found = prints.potting_list(cursor, _day(request), datetime.now(UTC))
    return _list(found, "potting")


@page("/prints/picks.pdf", scope="read", asks=("day",))
def get_pick_route(request: Asker, reader: NamedReader) -> Response[bytes]:
    """The pick route of a day, today's where none is named."""
    with reader.look() as cursor:
        found = prints.pick_route(cursor, _day(request), datetime.now(UTC))
    return _list(found, "picks")


@page("/prints/count.pdf", scope="read", asks=("place",))
def get_count_sheet(request: Asker, reader: NamedReader) -> Response[bytes]:
    """A blind count sheet of a place."""
    place = _asked(request, "place").upper()
    with reader.look() as cursor:
        found = prints.count_sheet(cursor, place, datetime.now(UTC))
    return _list(found, f"count-{place}")


@page("/prints/trace.pdf", scope="read", asks=("number", "direction"))
def get_trace(request: Asker, reader: NamedReader) -> Response[bytes]:
    """Where a batch or stock plant came from, or what came of it."""
    number, forward = _asked(request, "number").upper(), request.query_params.get("direction", "back") == "forward"
    with reader.look() as cursor:
        found = answers.trace(cursor, number, "forward" if forward else "back")
        report = prints.trace(found, answers.written_at(cursor, found.as_of))
    return _pdf(printed.as_bytes(report, "pdf"), report.name)


# --- what was asked for ----------------------------------------------------------------------------------------------


def _asked(request: Asker, name: str) -> str:
    value: str = request.query_params.get(name, "").strip()
    if not value:
        raise ValidationException(detail=f"say which {name}")
    return value


def _whole(request: Asker, name: str) -> int | None:
    value = request.query_params.get(name, "").strip()
    if not value:
        return None
    if not (value.isascii() and value.isdigit() and len(value) <= len(str(_MOST)) and 1 <= int(value) <= _MOST):
        raise ValidationException(detail=f"{name} is a whole number from 1 to {_MOST}")
    return int(value)


def _day(request: Asker) -> date | None:
    value = request.query_params.get("day", "").strip()
    try:
        return date.fromisoformat(value) if value else None
    except ValueError:
        raise ValidationException(detail="a day is written like 2027-03-02") from None


def _batch(request: Asker, reader: NamedReader) -> tuple[prints.Batch, datetime]:
    number = _asked(request, "batch").upper()
    if not numbers.is_valid(number):
        raise NotFoundException(detail=f"{number[:20]} is no batch number: look at its last character again")
    with reader.look() as cursor:
        base = prints.address(cursor, _own(request))
        assert base is not None, "the request has one"
        found = prints.batch(cursor, number, base, datetime.now(UTC))
        return found, answers.written_at(cursor, answers.sums(cursor).as_of)


def _own(request: Asker) -> str:
    """The address under which this server was asked."""
    return str(request.base_url).rstrip("/")


def _form(request: Asker) -> Format:
    """The format that was asked for, in the sizes that were."""
    name = request.query_params.get("format", "sheet")
    if name not in ("stake", "sheet"):
        raise ValidationException(detail="format is stake or sheet")
    return form_of(name, _mm(request, "width"), _mm(request, "height"))


def _mm(request: Asker, name: str) -> float | None:
    value = request.query_params.get(name, "").strip()
    if not value:
        return None
    try:
        found = float(value)
    except ValueError:
        found = 0.0
    if not _SMALLEST <= found <= _BIGGEST:
        raise ValidationException(detail=f"{name} is in millimetres, from {_SMALLEST:g} to {_BIGGEST:g}")
    return found


# --- the files -------------------------------------------------------------------------------------------------------


def _tags(request: Asker, tags: list[Any], name: str, made_at: datetime) -> Response[bytes]:
    try:
        return _pdf(as_tags(tags, _form(request), made_at), name)
    except TooSmall as error:
        raise ValidationException(detail=str(error)) from None


def _list(found: Checklist, name: str) -> Response[bytes]:
    return _pdf(as_list(found), name)


def _pdf(content: bytes, name: str) -> Response[bytes]:
    """A document to be opened in the browser, and printed from there."""
    headers = {**HEADERS, "Content-Disposition": f'inline; filename="{name}.pdf"'}
    return Response(content, media_type="application/pdf", headers=headers)


HANDLERS = [get_prints, get_tags, get_labels, get_potting, get_pick_route, get_count_sheet, get_trace]
