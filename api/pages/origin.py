"""Where plants came from and went: /trace/{number} for the inspector, and /plant/{number} for whoever bought one (public)."""

from __future__ import annotations

from datetime import date

from litestar.params import FromPath
from litestar.response import Redirect

from api.keys import OPEN
from api.pages import asked as given
from api.pages.showing import Asker, Page, page
from api.services import NamedFollower, NamedReader
from ledger import answers, origin
from ledger.answers import Unknown
from ledger.pictures import STAGES
from ledger.plants import numbers

#: how something came into the book, in words
CAME = {
    "opened": "stood in the nursery when its book was opened",
    "opening": "stood in the nursery when its book was opened",
    "bought-in": "was bought in",
    "gathered": "cuttings taken off stock plants",
    "struck": "struck",
    "potted": "potted from plugs",
    "potted-up": "potted up from a smaller pot",
    "merged": "put together from other batches",
    "renamed": "found under another name",
    "planted-as-stock": "was grown here and planted out as a stock plant",
}
_TOLD = {
    "gathered": "Cuttings were taken",
    "struck": "The cuttings were put into trays to root",
    "rooted": "They had rooted",
    "potted": "Potted",
    "finished": "Ready for sale",
}
_MOST = 400


@page("/trace", scope="read", asks=("number",))
def get_find(request: Asker) -> Page | Redirect:
    """A number to trace."""
    number = given.text(request, "number")
    if number is not None:
        return Redirect(f"/trace/{origin.as_written(number)[:40]}", status_code=303)
    return Page(template="find.html", title="Trace a plant")


@page("/trace/{number:str}", scope="read")
def get_trace(reader: NamedReader, follower: NamedFollower, number: FromPath[str], request: Asker) -> Page:  # noqa: ARG001
    """A family, back to its stock plants and forward to the orders."""
    follower.catch_up()
    with reader.look() as cursor:
        found = origin.family(cursor, origin.as_written(number))
        made_at = answers.written_at(cursor, found.as_of)
    shows = {
        "found": found,
        "parts": (("Where it came from", "back", _by_day(found.back)), ("What came of it", "forward", _by_day(found.forward))),
        "came": CAME,
        "stages": STAGES,
        "most": _MOST,
        "made_at": made_at,
    }
    return Page(template="trace.html", title=f"Trace of {found.start}", shows=shows)


def _by_day(family: list[origin.Ancestor]) -> list[origin.Ancestor]:
    """Stock plants before the batches, those by the day on which they began."""
    return sorted(family, key=lambda each: (each.is_batch, each.on or date.min, each.holder))


@page("/plant/{number:str}", scope=OPEN)
def get_plant(reader: NamedReader, number: FromPath[str], request: Asker) -> Page:  # noqa: ARG001
    """What the tag's code leads a buyer to: no people, no prices, no numbers of plants."""
    typed = origin.as_written(number)[:24]
    with reader.look() as cursor:
        try:
            found = origin.origin(cursor, typed)
        except Unknown:
            slip = not numbers.is_valid(typed)
            shows = {"number": typed, "slip": slip}
            return Page(template="no_plant.html", title="We do not know this number", shows=shows, status=404)
    shows = {"found": found, "told": _TOLD, "came": CAME}
    return Page(template="plant.html", title=found.name, shows=shows)


HANDLERS = [get_find, get_trace, get_plant]
