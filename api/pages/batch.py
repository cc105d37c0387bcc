"""From a tag to the card of its batch: key the number in, scan it, and what is known of the plants in the hand."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote

from litestar import Response, get
from litestar.params import FromPath
from litestar.response import Redirect
from msgspec import Struct

from api import sessions
from api.keys import OPEN, Keys
from api.pages import cautions, forms, words
from api.pages.showing import HEADERS, Asker, Page, page
from api.services import NamedReader
from ledger import handling
from ledger.handling import Hand
from ledger.plants import numbers
from ledger.plants.entries import THE_LEDGER, Reversed
from ledger.plants.recorded import Recorded

_LIFE, _WHOLE_LIFE = 30, 400
_YEARS_BACK = 2
#: letters that were read where a figure stands
_MISREAD = str.maketrans("OQIZSB", "001258")
_LONG = re.compile(r"([0-9A-Z]{2})W([0-9A-Z]{2})([0-9A-Z]{2,5})([0-9A-Z])")
_SHORT = re.compile(r"W?([0-9OQIZSB]{2})([0-9OQIZSB]{2,5})([0-9A-Z])")


class Standing(Struct, frozen=True, kw_only=True):
    """A line of the card: plants of one stage at one place, and when and how they were last counted."""

    stage: str
    place: str
    said: str
    what: str
    counted: str
    counted_at: datetime | None
    closed: datetime | None


class Condition(Struct, frozen=True, kw_only=True):
    """Something that stands beside the stage, with a word, a sign and a tone."""

    tone: str
    sign: str
    what: str
    text: str


class Moment(Struct, frozen=True, kw_only=True):
    """An entry on the life line."""

    at: datetime
    who: str
    what: str
    told: str
    note: str | None
    late: datetime | None
    taken_back: bool
    reversal: bool
    undo: str | None


# --- the tag ---------------------------------------------------------------------------------------------------


@page("/tag", scope="write", asks=("number",))
def get_tag(request: Asker, reader: NamedReader) -> Page | Response[Any]:
    """Key a number in or scan it; from there to the card."""
    given = request.query_params.get("number", "").strip()
    wrong, near = None, []
    if given:
        with reader.look() as cursor:
            read = read_number(given, datetime.now(UTC).year)
            for number in read:
                if numbers.is_valid(number) and handling.knows_batch(cursor, number):
                    return Redirect(f"/batch/{number}", status_code=303)
            code = given.upper().replace(" ", "")
            if handling.knows_stock_plant(cursor, code):
                return Redirect(f"/stock/{quote(code, safe='')}", status_code=303)
            wrong, near = _no_number(given, read), _near(cursor, read)
    shows = {"given": given, "wrong": wrong, "near": near}
    return Page(template="tag.html", title="Tag", shows=shows, status=404 if wrong else 200)


def read_number(text: str, year: int) -> list[str]:
    """The batch numbers that may be meant, by what was keyed in or scanned: hyphens and case do not matter, nor the year.

    A scanned code is the whole link of a tag.
    """
    tight = re.sub(r"[^0-9A-Z]", "", text.rsplit("/", 1)[-1].upper())
    if found := _LONG.fullmatch(tight):
        head = [part.translate(_MISREAD) for part in found.groups()[:3]]
        return [f"{head[0]}W{head[1]}-{head[2]}{_check(found[4])}"]
    if found := _SHORT.fullmatch(tight):
        week, serial = found[1].translate(_MISREAD), found[2].translate(_MISREAD)
        years = [f"{(year - back) % 100:02d}" for back in range(_YEARS_BACK + 1)]
        made = [f"{short}W{week}-{serial}{_check(found[3])}" for short in years]
        return [number for number in made if numbers.is_valid(number)] or made[:1]
    return []


def _check(character: str) -> str:
    """The ledger gives no check character that could be misread."""
    return character.translate(_MISREAD)


def _no_number(given: str, read: list[str]) -> str:
    if not read or re.match(numbers.PATTERN, read[0]) is None:
        return f"{given[:40]} is no batch number. One looks like 26W38-07K: year, week, number and a check character."
    number = read[0]
    right = numbers.check_character(number[:-1])
    if number[-1] != right:
        return f"{number}: the check character does not agree. For {number[:-1]} it is {right}. Look at the tag again."
    return f"{number} is a good number, but there is no such batch in the book."


def _near(cursor: Any, read: list[str]) -> list[tuple[str, str]]:
    """The batch that would be meant if the check character alone was misread."""
    found = []
    for number in read:
        if re.match(numbers.PATTERN, number) and not numbers.is_valid(number):
            mended = number[:-1] + numbers.check_character(number[:-1])
            if crop := handling.knows_batch(cursor, mended):
                found.append((mended, crop.name))
    return found


@get("/t/{batch:str}", opt={"scope": OPEN}, include_in_schema=False)
async def get_tagged(request: Asker, batch: FromPath[str]) -> Response[Any]:
    """What a tag's code holds: to the card on a device that has signed in, else to where the plant came from."""
    keys: Keys = request.app.state["keys"]
    cookie = request.cookies.get(sessions.NAME)
    session = await keys.signed_in(cookie) if cookie else None
    number = next(iter(read_number(batch, datetime.now(UTC).year)), batch)
    to = "batch" if session is not None and "read" in session.caller.scopes else "plant"
    return Redirect(f"/{to}/{quote(number, safe='')}", status_code=303, headers=HEADERS)


# --- stock plants ----------------------------------------------------------------------------------------------


@page("/stock/{code:str}", scope="read")
def get_stock_plant(reader: NamedReader, request: Asker, code: FromPath[str]) -> Page:  # noqa: ARG001 - every page is given its request
    """The stock plants under a code: how many stand where, what may be done, and what came from them."""
    with reader.look() as cursor:
        hand = handling.hand(cursor, None, code, datetime.now(UTC))
    assert hand.stock is not None
    standing = [(where.split("/")[1], there.units) for where, there in hand.stock.standing.items() if there.units]
    shows = {
        "hand": hand,
        "stock": hand.stock,
        "standing": standing,
        "cautions": list(cautions.of_crop(hand)),
        "conditions": [
            Condition(tone="alarm", sign="■", what="Stopped", text=f"{words.STOPS[stop.reason]} since {stop.at:%d %b %Y}")
            for stop in hand.stock.stops
        ],
        "children": hand.stock.children[::-1],
    }
    return Page(template="stock.html", title=code, shows=shows)


# --- the card --------------------------------------------------------------------------------------------------


@page("/batch/{number:str}", scope="read", asks=("life",))
def get_batch(request: Asker, reader: NamedReader, number: FromPath[str]) -> Page:
    """Everything of one batch on a page: what stands where, in which condition, what may be done, its life and family."""
    whole = request.query_params.get("life") == "all"
    with reader.look() as cursor:
        hand = handling.hand(cursor, number, None, datetime.now(UTC))
        parents, children = handling.family(cursor, hand.held)
        life = handling.life(cursor, number, _WHOLE_LIFE if whole else _LIFE)
    may_write = "write" in request.scope["state"]["session"].caller.scopes
    shows = {
        "hand": hand,
        "batch": hand.held,
        "size": hand.sizes.get(hand.held.size or ""),
        "age": words.age(hand.held, hand.now.date()),
        "came": words.CAME.get(hand.held.came, hand.held.came),
        "standing": _standing(hand),
        "conditions": list(_conditions(hand)),
        "cautions": list(cautions.of_crop(hand)),
        "closed": cautions.closed(hand, _places(hand)),
        "expected": [(_stage(each.stage), each.on, each.units) for each in handling.due(hand)],
        "acts": forms.possible(hand) if may_write else [],
        "treatments": [(each.product, each.at.astimezone(hand.now.tzinfo)) for each in hand.held.treatments],
        "life": [_moment(hand, life, each, may_write) for each in life.entries],
        "earlier": life.earlier,
        "parents": parents,
        "children": children,
        "words": words,
    }
    return Page(template="batch.html", title=number, shows=shows)


def _stage(stage: str) -> str:
    return words.STAGES[stage]


def _places(hand: Hand) -> list[str]:
    return [where.split("/")[1] for where, there in hand.held.standing.items() if there.units]


def _standing(hand: Hand) -> list[Standing]:
    found = []
    for where, there in hand.held.standing.items():
        if there.units == 0:
            continue
        stage, place = where.split("/")
        count, card = there.last_count, hand.places.get(place)
        until = card.closed_until(hand.now) if card is not None else None
        found.append(
            Standing(
                stage=stage,
                place=place,
                said=words.units(there.units, stage),
                what=words.STAGES[stage],
                counted="never counted here" if count is None else f"{words.METHODS[count.method]} by {_name(hand, count.by)}",
                counted_at=count.at.astimezone(hand.now.tzinfo) if count is not None else None,
                closed=until.astimezone(hand.now.tzinfo) if until is not None else None,
            )
        )  # fmt: skip
    return sorted(found, key=lambda line: (list(words.STAGES).index(line.stage), line.place))


def _name(hand: Hand, code: str) -> str:
    return "the ledger" if code == THE_LEDGER else hand.people.get(code, code)


def _conditions(hand: Hand) -> Iterator[Condition]:
    batch = hand.held
    for stop, all_of_it in [*((stop, False) for stop in batch.stops), *((stop, True) for stop in hand.crop.stops)]:
        whose = "All of the crop: " if all_of_it else ""
        text = (
            f"{whose}{words.STOPS[stop.reason]} since {stop.at.astimezone(hand.now.tzinfo):%d %b %Y}. Neither sold nor picked."
        )
        yield Condition(tone="alarm", sign="■", what="Stopped", text=text)
        if stop.reason == "quarantine":
            yield Condition(tone="alarm", sign="!", what="Pest or virus", text=cautions.AUTHORITY)
    for hold in batch.holds:
        wait = f"{words.units(hold.units, 'finished')} wait for {words.HOLDS[hold.reason].lower()}"
        text = f"{wait}: look again on {hold.review_on:%a %d %b}"
        yield Condition(tone="warn", sign="‖", what="Held", text=text)
    if seconds := batch.units_in("seconds"):
        text = f"{words.units(seconds, 'seconds')} of lower grade stand apart"
        yield Condition(tone="note", sign="◇", what="Seconds", text=text)
    yield from _overdue(hand)


def _overdue(hand: Hand) -> Iterator[Condition]:
    """By the recipe: what should be through its stage, and plugs near the end of their time."""
    batch, recipe, today = hand.held, hand.recipe, hand.now.date()
    if recipe is None:
        return
    month = batch.born_on.month - 1
    if batch.units_in("struck"):
        due = batch.born_on + timedelta(days=recipe.rooting.days[month] + batch.days_added)
        if due < today:
            text = f"should have rooted by {due:%a %d %b}, by the recipe"
            yield Condition(tone="warn", sign="!", what="Overdue", text=text)
    plugs = [there.since for where, there in batch.standing.items() if where.startswith("rooted/") and there.units]
    since = min(plugs, default=None)
    if since is not None:
        held, limit = (hand.now - since).days, recipe.holding_limit_days[since.month - 1]
        if limit and held * 5 >= limit * 4:
            over = "past" if held > limit else "near"
            text = f"{held} days in holding, {over} the limit of {limit} days"
            yield Condition(tone="warn", sign="!", what="Held long", text=text)


def _moment(hand: Hand, life: handling.Life, recorded: Recorded, may_write: bool) -> Moment:
    told = recorded.told
    back = told.id in life.taken_back
    fresh = hand.now - recorded.recorded_at < timedelta(minutes=30)
    late = recorded.recorded_at - told.occurred_at > timedelta(hours=1)
    return Moment(
        at=told.occurred_at.astimezone(hand.now.tzinfo),
        who=_name(hand, told.by),
        what=words.heading(recorded),
        told=words.said(told),
        note=told.note,
        late=recorded.recorded_at.astimezone(hand.now.tzinfo) if late else None,
        taken_back=back,
        reversal=isinstance(told, Reversed),
        undo=str(told.id) if may_write and fresh and told.REVERSIBLE and not back else None,
    )


HANDLERS = [get_tag, get_tagged, get_stock_plant, get_batch]
