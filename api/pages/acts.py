"""The acts at the bench: a form for each, its answer with before and after, and undo for half an hour.

What a form asks is in `forms`, what it tells in `api.slips`. An unlikely number is asked about once before it is written.
"""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from typing import Any
from urllib.parse import quote
from uuid import UUID, uuid4, uuid5

from litestar import Response
from litestar.exceptions import NotFoundException
from litestar.params import FromPath
from msgspec import Struct
from msgspec.structs import replace

from api import problems, slips, writing
from api.pages import cautions, forms, words
from api.pages.forms import Field, Form, Option, Spot
from api.pages.showing import Asker, Page, Unnamed, act, answer, page, person_of
from api.reader import Reader
from api.services import NamedReader, NamedTurns
from ledger import handling
from ledger.handling import Hand, Kept
from ledger.log import codec
from ledger.nursery import Posted, Turns
from ledger.plants.entries import Counted, Method
from ledger.plants.recorded import Recorded, split_standing
from ledger.plants.refusals import AlreadyReversed, IdReused, Problem, Refused

UNDO = timedelta(minutes=30)
#: the number has to be said to be right
UNLIKELY = "unlikely"
_CAUSE = "last-cause"
_MONTH_S = 30 * 86_400
_REASONS = ("Wrong number", "Wrong batch", "Wrong act", "It did not happen")
_ALLOWED = ("Seen from outside", "Done before the treatment", "Allowed by a trained person")


class Ground(Struct, frozen=True, kw_only=True):
    """What a form stands on: the plants, and the last such entries on the crop."""

    form: Form
    hand: Hand
    past: list[Recorded]


class Change(Struct, frozen=True, kw_only=True):
    """What an entry did to the plants of one stage at one place."""

    batch: str
    what: str
    before: int
    after: int


# --- the forms -------------------------------------------------------------------------------------------------


@page("/act/{kind:str}", scope="write", asks=("batch", "stage", "place", "stock", "order", "units"))
def get_act(request: Asker, reader: NamedReader, kind: FromPath[str]) -> Page | Response[Any]:
    """The form of an act, filled in from the batch; where plants stand at several places, which of them first."""
    _holder(request)
    asked = {name: value.strip() for name, value in request.query_params.items() if value.strip()}
    ground = _ground(reader, kind, asked)
    found = _matching(forms.spots(ground.form, ground.hand), asked)
    if len(found) == 1:
        return _shown(request, ground, found[0], asked, str(uuid4()))
    shows = {"form": ground.form, "hand": ground.hand, "spots": found, "words": words}
    return Page(template="act_where.html", title=ground.form.label, shows=shows)


def _ground(reader: Reader, kind: str, asked: dict[str, str], at: datetime | None = None) -> Ground:
    form = forms.FORMS.get(kind)
    if form is None:
        raise NotFoundException(f"there is no act {kind[:20]}")
    stock = asked.get("stock")
    with reader.look() as cursor:
        hand = handling.hand(cursor, None if stock else asked.get("batch"), stock, at or datetime.now(UTC))
        past = handling.usual(cursor, slips.KINDS[kind][0], hand.crop.value.code)
    if hand.batch is None and kind in {"strike", "gather"}:
        form = replace(form, stages=())  # straight off stock plants: nothing was gathered
    return Ground(form=form, hand=hand, past=past)


def _matching(found: list[Spot], asked: dict[str, str]) -> list[Spot]:
    return [
        spot
        for spot in found
        if all(not asked.get(name) or not value or asked[name] == value for name, value in _names(spot).items())
    ]


def _names(spot: Spot) -> dict[str, str]:
    return {"stage": spot.stage, "place": spot.place, "order": spot.order if spot.stage == "picked" else ""}


def _shown(
    request: Asker,
    ground: Ground,
    spot: Spot,
    given: dict[str, str],
    name: str,
    wrong: Sequence[Problem] = (),
    doubt: str | None = None,
    offers: bool = False,
    number: int | None = None,
) -> Page:
    """The form as it stands: empty, or as it was filled in with what is wrong with it."""
    fields = [_remembered(request, field, given) for field in ground.form.asks(ground.hand, spot, ground.past)]
    shut = [] if ground.form.paper else cautions.closed(ground.hand, _places(ground.hand, spot, given))
    most = forms.usual_most(ground.form, ground.past)
    half, counted = spot.units // 2 if ground.form.half else None, forms.counted_as(ground.form, spot)
    above = min((limit for limit in (half, 2 * most if most is not None else None) if limit is not None), default=None)
    shows = {
        "form": ground.form,
        "hand": ground.hand,
        "spot": spot,
        "fields": fields,
        "given": given,
        "id": name,
        "wrong": {problem.field: problem.detail for problem in wrong},
        "problems": wrong,
        "doubt": doubt,
        "number": number,
        "offers": offers,
        "closed": shut,
        "allowed": [Option(value=text, label=text) for text in _ALLOWED],
        "cautions": [*cautions.of_crop(ground.hand), *cautions.of_act(ground.form.kind, ground.hand)],
        "above": above,
        "nouns": [words.noun(counted, 1), words.noun(counted, 2)],
        "in_trays": any(given.get(f"{field.name}.trays") for field in fields)
        or (counted in {"struck", "rooted"} and ground.form.kind in {"strike", "root", "count"}),
        "words": words,
    }
    status = problems.status_of(list(wrong)) if wrong else 200
    return Page(template="act.html", title=ground.form.label, shows=shows, status=status)


def _places(hand: Hand, spot: Spot, given: dict[str, str]) -> list[str]:
    """Where somebody has to go for it."""
    here = [spot.place] if spot.place else []
    if not here and hand.batch is not None:
        here = [where.split("/")[1] for where, there in hand.batch.standing.items() if there.units]
    return [*here, *([given["to"]] if given.get("to") else [])]


def _remembered(request: Asker, field: Field, given: dict[str, str]) -> Field:
    """The cause chosen last on this device is chosen already; whoever acts has agreed, unless it was somebody else."""
    if field.name in given:
        return replace(field, value=given[field.name])
    if field.name == "cause":
        last = request.cookies.get(_CAUSE, "")
        return replace(field, value=last) if any(option.value == last for option in field.options) else field
    if field.name == "approved_by":
        return replace(field, value=person_of(request) or "")
    return field


def _holder(request: Asker) -> str:
    """Who acts. Raises Unnamed: the form that was asked for is come back to, else the tags."""
    person = person_of(request)
    if person is None:
        wanted = request.url.path + (f"?{request.url.query}" if request.url.query else "")
        raise Unnamed(quote(wanted if request.method == "GET" else "/tag", safe=""))
    return person


# --- writing ---------------------------------------------------------------------------------------------------


@act("/act/{kind:str}", scope="write")
async def post_act(request: Asker, reader: NamedReader, turns: NamedTurns, form: dict[str, str], kind: FromPath[str]) -> Any:
    """Written once, and what it changed; or the form again, with what is wrong or unlikely."""
    person = _holder(request)
    ground = await asyncio.to_thread(_ground, reader, kind, form)
    spot, name = _spot(ground, form), form.get("id") or str(uuid4())
    if step := form.pop("step", None):
        return _shown(request, ground, spot, _stepped(form, step), name)
    try:
        told = slips.told(kind, form, id=name, occurred_at=datetime.now(UTC).isoformat(), by=person)
        before = await asyncio.to_thread(_kept, reader, told.entry.id)
        if before is None and (asked := _asked(ground, spot, form, told)) is not None:
            wrong, doubt, number = asked
            return _shown(request, ground, spot, form, name, wrong, doubt, number=number)
        posted = await writing.write(turns, reader, [told.entry], request.state.client, count_first="count_first" in form)
    except Refused as refused:
        if any(problem.code == IdReused.CODE for problem in refused.problems):
            return await _written_before(reader, name)
        return _shown(request, ground, spot, form, name, refused.problems, offers=bool(writing.offer_of(refused)))
    return _answered(request, ground, spot, told, posted)


def _spot(ground: Ground, form: dict[str, str]) -> Spot:
    """The plants that the form is about, even if none stand there any more."""
    wanted = {name: form.get(name, "") for name in ("stage", "place")}
    found = _matching(forms.spots(ground.form, ground.hand), form)
    if len(found) == 1:
        return found[0]
    return Spot(**wanted, units=0, order=form.get("order", ""))


def _stepped(form: dict[str, str], step: str) -> dict[str, str]:
    """The form with so many more in one of its numbers: what the buttons do where no script runs."""
    name, _, by = step.partition(":")
    before = form.get(name, "").replace(",", "")
    more = int(by) if by.isdigit() else 0
    return {**form, name: str((int(before) if before.isdigit() else 0) + more) if more else ""}


def _kept(reader: Reader, name: UUID) -> Kept | None:
    with reader.look() as cursor:
        return handling.entry(cursor, name)


def _asked(
    ground: Ground, spot: Spot, form: dict[str, str], told: slips.Told
) -> tuple[list[Problem], str | None, int | None] | None:
    """What has to be said before it is written: a reason for going where nobody may go yet, or that a number is right."""
    shut = [] if ground.form.paper else cautions.closed(ground.hand, _places(ground.hand, spot, form))
    if shut and not (form.get(slips.OVERRIDE) or form.get(f"{slips.OVERRIDE}.other")):
        until = max(each.until for each in shut)
        detail = f"Not before {until:%H:%M} on {until:%d %b}: say why it is written down all the same"
        return [Problem(index=0, code="in-re-entry", detail=detail, field=slips.OVERRIDE)], None, None
    entry = told.entry
    if isinstance(entry, Counted):
        number = entry.units
        doubt = forms.doubtful_count(number, spot.units) if entry.method is not Method.SAMPLE else None
    else:
        number = ground.form.number(entry) if ground.form.number is not None else 0
        doubt = forms.doubt(ground.form, entry, spot.units, ground.past)
    if doubt is None or form.get("confirmed") == str(number):
        return None
    return [], doubt, number


async def _written_before(reader: Reader, name: str) -> Page:
    """The same form was sent before, filled in otherwise."""
    kept = await asyncio.to_thread(_kept, reader, UUID(name))
    assert kept is not None, "its id is in the book"
    shows = {"kept": kept, "number": _batch_of(kept.recorded), "said": words.said(kept.recorded.told)}
    return Page(template="written_before.html", title="Written down before", shows=shows, status=409)


def _answered(request: Asker, ground: Ground, spot: Spot, told: slips.Told, posted: Posted) -> Response[Any]:
    """What was written, before and after, and the way to take it back."""
    written = posted.entries[-1]
    zone, counted = ground.hand.now.tzinfo, forms.counted_as(ground.form, spot)
    shows = {
        "form": ground.form,
        "number": _batch_of(written) or (ground.hand.batch.number if ground.hand.batch is not None else None),
        "source": ground.hand.batch.number if ground.hand.batch is not None else None,
        "stock": ground.hand.stock.code if ground.hand.stock is not None else None,
        "said": words.said(written.told),
        "tally": told.tally.said(words.noun(counted, told.tally.units)) if told.tally and told.tally.trays and counted else "",
        "changes": _changes(posted),
        "counted": _counted(posted),
        "first": len(posted.entries) > 1,
        "written": written,
        "at": written.told.occurred_at.astimezone(zone),
        "undo_until": written.recorded_at.astimezone(zone) + UNDO if written.told.REVERSIBLE else None,
        "cautions": [cautions.Caution(tone="alarm", what="Pest or virus", text=cautions.AUTHORITY)]
        if getattr(written.told, "cause", None) == "regulated" or getattr(written.told, "reason", None) == "quarantine"
        else [],
    }  # fmt: skip
    made = answer(request, Page(template="act_done.html", title="Written down", shows=shows))
    if cause := getattr(written.told, "cause", None):
        secure = request.url.scheme == "https"
        made.set_cookie(
            key=_CAUSE, value=str(cause), path="/act", max_age=_MONTH_S, httponly=True, samesite="strict", secure=secure
        )
    return made


def _batch_of(recorded: Recorded) -> str | None:
    return getattr(recorded.told, "into", None) or getattr(recorded.told, "batch", None)


def _changes(posted: Posted) -> list[Change]:
    """Before and after, of every place that the entries changed."""
    by: dict[str, int] = {}
    for move in (move for recorded in posted.entries for move in recorded.moves):
        by[move.source] = by.get(move.source, 0) - move.units
        by[move.target] = by.get(move.target, 0) + move.units
    found = []
    for balance in posted.balances:
        where = split_standing(balance.account)
        if where is None:
            continue
        holder, stage, place = where
        what = f"{words.STAGES.get(stage, stage).capitalize()} at {place}"
        before = balance.units - by.get(balance.account, 0)
        found.append(Change(batch=holder, what=what, before=before, after=balance.units))
    return found


def _counted(posted: Posted) -> str | None:
    """What a blind count found, now that it may be said."""
    told = posted.entries[-1].told
    if not isinstance(told, Counted) or not told.method.moves_balance:
        return None
    difference = sum(
        move.units if split_standing(move.target) is not None else -move.units
        for move in posted.entries[-1].moves
        if move.count == told.id
    )
    book = told.units - difference
    if difference == 0:
        return f"The book says {book:,} too."
    return f"The book said {book:,}: {abs(difference):,} {'more' if difference > 0 else 'fewer'}."


# --- undo ------------------------------------------------------------------------------------------------------


@page("/undo/{entry:uuid}", scope="write")
def get_undo(request: Asker, reader: NamedReader, entry: FromPath[UUID]) -> Page | Response[Any]:
    """What would be taken back, and why."""
    _holder(request)
    return _undo(reader, entry, str(uuid4()))


def _undo(reader: Reader, entry: UUID, name: str, wrong: Sequence[Problem] = ()) -> Page:
    with reader.look() as cursor:
        kept = handling.entry(cursor, entry)
        zone = handling.zone(cursor)
    if kept is None:
        raise NotFoundException("there is no such entry")
    told = kept.recorded.told
    shows = {
        "kept": kept,
        "id": name,
        "number": _batch_of(kept.recorded),
        "said": words.said(told),
        "at": told.occurred_at.astimezone(zone),
        "until": kept.recorded.recorded_at.astimezone(zone) + UNDO,
        "why_not": _why_not(kept, datetime.now(UTC)),
        "reasons": [Option(value=text, label=text) for text in _REASONS],
        "problems": wrong,
    }
    return Page(template="undo.html", title="Undo", shows=shows, status=problems.status_of(list(wrong)) if wrong else 200)


def _why_not(kept: Kept, now: datetime) -> str | None:
    if kept.taken_back:
        return "It was taken back already."
    if not kept.recorded.told.REVERSIBLE:
        return "Such an entry is not taken back: tell what is true now instead."
    if kept.recorded.recorded_at + UNDO < now:
        return "It was written more than half an hour ago: tell what is true now, with a count."
    return None


@act("/undo/{entry:uuid}", scope="write")
async def post_undo(request: Asker, reader: NamedReader, turns: NamedTurns, form: dict[str, str], entry: FromPath[UUID]) -> Any:
    """Taken back, visibly, with the count that was written together with it; what it was before, stands again."""
    person = _holder(request)
    name = form.get("id") or str(uuid4())
    kept, first, known = await asyncio.to_thread(_to_take_back, reader, entry, name)
    if kept is None:
        raise NotFoundException("there is no such entry")
    reason = form.get("reason.other") or form.get("reason") or _REASONS[0]
    why_not = _why_not(kept, datetime.now(UTC))
    if why_not is not None and not known:
        wrong = [Problem(index=0, code=AlreadyReversed.CODE, detail=why_not)]
        return await asyncio.to_thread(_undo, reader, entry, name, wrong)
    envelope = {"type": "reversed", "occurred_at": datetime.now(UTC).isoformat(), "by": person, "reason": reason}
    told = [{**envelope, "id": name, "entry": str(entry)}]
    try:
        if first is not None:
            told.append({**envelope, "id": str(uuid5(UUID(name), "count")), "entry": str(first.told.id)})
        posted = await writing.write(turns, reader, codec.read_told(told), request.state.client)
    except (Refused, ValueError) as error:
        wrong = error.problems if isinstance(error, Refused) else [Problem(index=0, code="malformed", detail=str(error))]
        return await asyncio.to_thread(_undo, reader, entry, name, wrong)
    shows = {"number": _batch_of(kept.recorded), "said": words.said(kept.recorded.told), "reason": reason}
    return Page(template="undone.html", title="Taken back", shows={**shows, "changes": _changes(posted)})


def _to_take_back(reader: Reader, entry: UUID, name: str) -> tuple[Kept | None, Recorded | None, bool]:
    """The entry; the count written together with it; and whether this very form was sent before."""
    with reader.look() as cursor:
        kept = handling.entry(cursor, entry)
        first = handling.counted_first(cursor, kept.recorded) if kept is not None else None
        try:
            known = handling.entry(cursor, UUID(name)) is not None
        except ValueError:
            known = False
    return kept, first, known


# --- what waited on a device -----------------------------------------------------------------------------------


class Taken(Struct, frozen=True, kw_only=True):
    """What became of an entry that waited on a device: what the answer to its form would have said."""

    id: UUID
    position: int
    said: str
    batch: str | None
    changes: list[Change]
    counted: str | None
    count_first: bool
    undo_until: datetime | None


async def take(
    reader: Reader,
    turns: Turns,
    client: str,
    kind: str,
    fields: dict[str, str],
    *,
    id: UUID,  # noqa: A002 - the entry's own word
    occurred_at: datetime,
    by: str,
) -> Taken:
    """Written once, as its form would have been at its own time. Raises Refused, also for what its form would have asked."""
    told = slips.told(kind, fields, id=str(id), occurred_at=occurred_at.isoformat(), by=by)
    if await asyncio.to_thread(_kept, reader, id) is None:
        ground = await asyncio.to_thread(_ground, reader, kind, fields, occurred_at)
        wrong, doubt, number = _asked(ground, _spot(ground, fields), fields, told) or ([], None, None)
        if doubt is not None:
            wrong = [Problem(index=0, code=UNLIKELY, detail=doubt, data={"number": number})]
        if wrong:
            raise Refused(wrong)
    posted = await writing.write(turns, reader, [told.entry], client, count_first="count_first" in fields)
    written = posted.entries[-1]
    return Taken(
        id=written.told.id,
        position=written.position,
        said=words.said(written.told),
        batch=_batch_of(written),
        changes=_changes(posted),
        counted=_counted(posted),
        count_first=len(posted.entries) > 1,
        undo_until=written.recorded_at + UNDO if written.told.REVERSIBLE else None,
    )


HANDLERS = [get_act, post_act, get_undo, post_undo]
