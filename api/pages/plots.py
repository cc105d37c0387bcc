"""The pictures of the office as pages and as SVG: /plots, /plots/{name} with its table beneath, /plots/{name}.svg."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

from litestar import Response
from litestar.handlers import HTTPRouteHandler
from msgspec import Struct

from api.pages import asked as given
from api.pages.remembered import Remembered
from api.pages.showing import HEADERS, Asker, Page, page
from api.pages.tabled import Tabled, tabled
from api.services import NamedFollower, NamedReader
from ledger import pictures
from ledger.answers import Cursor
from ledger.pictures import Asked, Picture
from ledger.plants import numbers
from ledger.printing import plots
from ledger.printing.plots import Plot
from ledger.printing.tables import Cell, Column

#: `v`: the position that a page was made of; it makes addresses differ, so that a browser may keep what it has
_ASKS = ("from", "to", "crop", "size", "v")
_KEPT = "private, max-age=3600"


class Framed(Struct, frozen=True, kw_only=True):
    """A picture in a page: where it is, what it shows, and the same numbers as a table."""

    name: str
    heading: str
    src: str
    alt: str
    title: str
    measures: str
    table: Tabled


def drawn(request: Asker, cursor: Cursor, picture: Picture, asked: Asked) -> tuple[int, Plot]:
    """A picture as of a position, made anew only if the ledger went on."""
    remembered: Remembered = request.app.state["remembered"]
    at = pictures.as_of(cursor)
    return at, remembered.get(("plot", picture.name, at, asked), lambda: picture.draw(cursor, asked))


def framed(request: Asker, cursor: Cursor, picture: Picture, asked: Asked, query: dict[str, Any]) -> Framed:
    """A picture to be put into a page."""
    at, plot = drawn(request, cursor, picture, asked)
    return Framed(
        name=picture.name,
        heading=picture.heading,
        src=f"/plots/{picture.name}.svg{given.repeated(**query, v=at)}",
        alt=plot.alt,
        title=plot.title,
        measures=plot.measures,
        table=tabled(plot.table, leads=_leads),
    )


def _leads(column: Column, cell: Cell) -> str | None:
    return f"/batch/{cell}" if column.name == "batch" and isinstance(cell, str) and numbers.is_valid(cell) else None


def query_of(request: Asker, picture: Picture) -> dict[str, Any]:
    """What of the question the picture can be narrowed by."""
    found: dict[str, Any] = {}
    for name in picture.narrowed_by:
        found[name] = given.day(request, name) if name in ("from", "to") else given.code(request, name)
    return found


def asked_of(cursor: Cursor, query: dict[str, Any]) -> Asked:
    """The same as the picture takes it."""
    now = datetime.now(UTC)
    return pictures.asked_for(cursor, now, query.get("from"), query.get("to"), query.get("crop"), query.get("size"))


@page("/plots", scope="read")
def get_plots(request: Asker) -> Page:
    """All pictures by name."""
    scopes = request.scope["state"]["session"].caller.scopes
    seen = [picture for picture in pictures.PICTURES.values() if picture.scope in scopes]
    return Page(template="plots.html", title="Pictures", shows={"pictures": seen})


def _handlers(picture: Picture) -> Iterator[HTTPRouteHandler]:
    @page(f"/plots/{picture.name}.svg", scope=picture.scope, asks=_ASKS)
    def get_svg(request: Asker, reader: NamedReader, follower: NamedFollower) -> Response[bytes]:
        follower.catch_up()
        query = query_of(request, picture)
        remembered: Remembered = request.app.state["remembered"]
        with reader.look() as cursor:
            asked = asked_of(cursor, query)
            at, plot = drawn(request, cursor, picture, asked)
        svg = remembered.get(("svg", picture.name, at, asked), lambda: plots.as_svg(plot))
        kept = {"Cache-Control": _KEPT} if given.text(request, "v") else {}
        return Response(svg.encode(), media_type="image/svg+xml", headers={**HEADERS, **kept})

    @page(f"/plots/{picture.name}", scope=picture.scope, asks=_ASKS)
    def get_plot(request: Asker, reader: NamedReader, follower: NamedFollower) -> Page:
        follower.catch_up()
        query = query_of(request, picture)
        with reader.look() as cursor:
            asked = asked_of(cursor, query)
            found = framed(request, cursor, picture, asked, query)
            pairs = pictures.promised_at_all(cursor) if "size" in picture.narrowed_by else []
            at = pictures.as_of(cursor)
        names = list(pictures.PICTURES)
        shows = {"plot": found, "picture": picture, "query": query, "asked": asked, "as_of": at, "pairs": pairs, "names": names}
        return Page(template="plot.html", title=picture.heading, shows=shows)

    yield get_svg
    yield get_plot


HANDLERS = [get_plots, *(handler for picture in pictures.PICTURES.values() for handler in _handlers(picture))]
