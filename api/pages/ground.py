"""The benches: /bench, a map drawn to scale house by house, and /bench/{place}, what stands there (book: plants)."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import UTC, datetime
from itertools import accumulate
from zoneinfo import ZoneInfo

from litestar import Response
from litestar.params import FromPath
from litestar.response import Redirect
from msgspec import Struct

from api.pages import asked as given
from api.pages.showing import Asker, Page, page
from api.services import NamedReader
from ledger import answers, ground
from ledger.ground import AGES, Filled, Standing, Stands
from ledger.pictures import STAGES

#: what the bands of age are called; each has a pattern of its own, p0 the lightest
BANDS = (
    *(f"{since} to {until} weeks" if since else f"under {until} weeks" for since, until in zip((0, *AGES), AGES, strict=False)),
    f"{AGES[-1]} weeks and over",
)
_WIDE, _ROW, _BAR = 340, 58, 26
_FULL = 1.0
_CM2 = 10_000


class Part(Struct, frozen=True, kw_only=True):
    """A piece of a drawn place: what one band of age takes up."""

    band: int
    x: float
    width: float


class Drawn(Struct, frozen=True, kw_only=True):
    """A place as it is drawn: its length to scale, how much of it is taken by plants of which age, and that in words."""

    filled: Filled
    y: int
    length: float
    parts: list[Part]
    room: str
    words: str
    over: bool


class House(Struct, frozen=True, kw_only=True):
    """The places of a house, drawn on one scale."""

    name: str
    places: list[Drawn]
    scale: str

    @property
    def height(self) -> int:
        """Of the drawing."""
        return _ROW * len(self.places)


@page("/bench", scope="read", asks=("house", "place"))
def get_bench(request: Asker, reader: NamedReader) -> Page | Response[None]:
    """The map."""
    place = given.text(request, "place")
    if place is not None:
        return Redirect(f"/bench/{place.upper()[:40]}", status_code=303)
    house = given.text(request, "house")
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found = ground.ground(cursor, now, house)
        zone = ZoneInfo(answers.policy_of(cursor).time_zone)
    if house is not None and house not in found.places:
        raise answers.Unknown(f"there is no house {house[:60]}")
    houses = [_house(name, places, zone) for name, places in found.houses.items() if places]
    shows = {
        "houses": houses,
        "others": found.places if not houses or house is not None else {},
        "bands": BANDS,
        "wide": _WIDE,
        "bar": _BAR,
        "row": _ROW,
        "as_of": found.as_of,
        "now": now.astimezone(zone),
    }
    return Page(template="bench.html", title=house or "Benches", shows=shows)


def _house(name: str, places: Sequence[Filled], zone: ZoneInfo) -> House:
    most: dict[str, int] = {}
    for each in places:
        measure, room = _room(each)
        most[measure] = max(most.get(measure, 0), room)
    drawn = [_drawn(at, each, most, zone) for at, each in enumerate(places)]
    full = [_in_words(measure, room) for measure, room in most.items() if room]
    return House(name=name, places=drawn, scale=f"Full length: {', or '.join(full)}." if full else "No room has been told.")


def _room(filled: Filled) -> tuple[str, int]:
    place = filled.place
    if place.hooks:
        return "hooks", place.hooks
    return ("area", place.area_cm2) if place.area_cm2 else ("trays", place.tray_places)


def _in_words(measure: str, room: int) -> str:
    match measure:
        case "hooks":
            return f"{room} hooks"
        case "area":
            return f"{room / _CM2:.1f} m²"
        case _:
            return f"{room} trays"


def _drawn(at: int, filled: Filled, most: dict[str, int], zone: ZoneInfo) -> Drawn:
    measure, room = _room(filled)
    length = _WIDE * room / most[measure] if room else 0.0
    whole = max(filled.used or 0.0, _FULL)
    ends = [length * share / whole for share in accumulate(filled.ages)]
    parts = [
        Part(band=band, x=round(start, 1), width=round(end - start, 1))
        for band, (start, end) in enumerate(zip([0.0, *ends], ends, strict=False))
        if end - start > 0
    ]
    over = (filled.used or 0.0) > _FULL
    return Drawn(
        filled=filled,
        y=at * _ROW,
        length=round(length, 1),
        parts=parts,
        room=_in_words(measure, room) if room else "room not told",
        words=_words(filled, zone, over=over),
        over=over,
    )


def _words(filled: Filled, zone: ZoneInfo, *, over: bool) -> str:
    """How full, and how old what stands there is; first of all whether it is closed."""
    said = []
    if filled.closed_until is not None:
        said.append(f"no entry before {filled.closed_until.astimezone(zone):%a %H:%M}")
    if filled.stock_plants:
        said.append(f"{filled.stock_plants} stock plants")
    elif not filled.batches:
        said.append("empty")
    if filled.used is not None and filled.batches:
        share = f"{filled.used:.0%}".replace("%", " %")
        said.append(f"{share} full" + (", too full" if over else ""))
    elif filled.batches:
        said.append(f"{filled.batches} batches")
    if filled.oldest_weeks is not None:
        said.append(f"oldest {filled.oldest_weeks} weeks")
    return ", ".join(said)


# --- one place ---------------------------------------------------------------------------------------------------


class Line(Struct, frozen=True, kw_only=True):
    """A batch at a place as the page shows it."""

    stands: Stands
    name: str
    stage: str
    weeks: int
    flags: list[str]


@page("/bench/{place:str}", scope="read")
def get_place(reader: NamedReader, place: FromPath[str], request: Asker) -> Page:  # noqa: ARG001
    """What stands at a place."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found = ground.standing(cursor, place.upper(), now)
        zone = ZoneInfo(answers.policy_of(cursor).time_zone)
    closed = found.filled.closed_until
    shows = {
        "place": found.filled.place,
        "filled": found.filled,
        "words": _words(found.filled, zone, over=(found.filled.used or 0.0) > _FULL),
        "lines": list(_lines(found)),
        "stock": found.stock,
        "names": found.names,
        "closed": closed.astimezone(zone) if closed is not None else None,
        "as_of": found.as_of,
        "now": now.astimezone(zone),
        "zone": zone,
    }
    return Page(template="place.html", title=f"{found.filled.place.code} · {found.filled.place.name}", shows=shows)


def _lines(found: Standing) -> Iterator[Line]:
    for line in found.stands:
        card = found.cards[line.batch]
        flags = [f"stopped: {stop.reason.value.replace('-', ' ')}" for stop in card.stops]
        flags += [f"{hold.units} held, look again {hold.review_on}" for hold in card.holds if hold.units]
        days = (found.today - line.since.date()).days if line.since is not None else None
        if line.limit is not None and days is not None and days > line.limit:
            flags.append(f"{days} days as plugs, {line.limit} are enough")
        yield Line(
            stands=line,
            name=found.names.get(line.crop, line.crop),
            stage=STAGES[line.stage],
            weeks=line.weeks(found.today),
            flags=flags,
        )


HANDLERS = [get_bench, get_place]
