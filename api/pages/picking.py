"""Picking: the route of a day in walking order, what to do where plants are not there, and whether a box may go."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime
from itertools import groupby
from typing import Any
from urllib.parse import quote

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import FromPath
from litestar.response import Redirect

from api import parameters as asked
from api.pages import words
from api.pages.showing import Asker, Page, act, answer, page
from api.pages.telling import Told, in_hands_of, part_of, tell, telling, whole, zone_of
from api.reader import Reader
from api.services import NamedReader, NamedTurns
from ledger import answers, rounds
from ledger.plants.desk import day_of
from ledger.rounds import Packing

#: so many picks are laid out on one page; those after them come when these are pulled
MOST = 80
_ASKED = ("order", "crop", "size", "batch", "place", "units", "replaces", "to", "date")


@page("/picks", scope="read", asks=("date", "to", "done"))
def get_picks(request: Asker, reader: NamedReader) -> Page:
    """What to pull for a day, place by place."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        zone, today = zone_of(cursor), day_of(now, answers.policy_of(cursor))
        day = _day(request.query_params.get("date"), today)
        found = rounds.picks(cursor, day, now)
    to = request.query_params.get("to", "")
    shows = {
        "found": found,
        "places": [(lines[0], lines) for lines in _by_place(found.picks[:MOST])],
        "most": MOST,
        "to": to if to in found.packing else next(iter(found.packing), None),
        "done": request.query_params.get("done"),
        "zone": zone,
        "today": today,
        "now": now.astimezone(zone),
        "words": words,
        "instead": _instead,
    }
    return Page(template="picks.html", title="Picking", shows=shows)


def _by_place(picks: list[rounds.Pick]) -> list[list[rounds.Pick]]:
    return [list(lines) for _, lines in groupby(picks, key=lambda pick: pick.place)]


def _day(text: str | None, otherwise: date) -> date:
    try:
        return date.fromisoformat(text) if text else otherwise
    except ValueError as error:
        raise ValidationException("give the day as 2026-11-24") from error


def _instead(pick: rounds.Pick, to: str, day: date) -> str:
    """Where to go if the plants are not there."""
    given = {name: getattr(pick, name) for name in ("order", "crop", "size", "batch", "place", "units", "replaces")}
    return f"/picks/instead?date={day}{asked.kept(**given, to=to)}"


@act("/picks/pick", scope="write")
async def post_pick(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """Pulled, and put where picked plants are put."""
    by = in_hands_of(request, "/picks")
    told = telling(form, by) | {"type": "picked", "units": whole(form.get("units"))}
    told |= {name: form.get(name, "") for name in ("order", "batch", "place", "to")}
    if form.get("replaces"):
        told["replaces"] = form["replaces"]
    await tell(request, turns, reader, [told])
    return _back(form, done=told["id"])


@page("/picks/instead", scope="write", asks=_ASKED)
def get_instead(request: Asker, reader: NamedReader) -> Page:
    """Not there, or poor: another batch, or what is there is counted, and the route is laid out anew."""
    given = {name: request.query_params.get(name, "") for name in _ASKED}
    with reader.look() as cursor:
        lots = rounds.lots(cursor, given["crop"], given["size"])
        named = rounds.crop_names(cursor, [given["crop"]])
    others = [lot for lot in lots if (lot.batch.number, lot.place) != (given["batch"], given["place"])]
    shows = {"given": given, "others": others, "name": named.get(given["crop"], given["crop"]), "wanted": whole(given["units"])}
    return Page(template="instead.html", title="Not there?", shows=shows)


@act("/picks/found", scope="write")
async def post_found(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """So many were found where the book has more: a count, after which the route looks elsewhere."""
    by = in_hands_of(request, "/picks")
    told = telling(form, by) | {"type": "counted", "stage": "finished", "method": "count", "units": whole(form.get("found"))}
    told |= {name: form.get(name, "") for name in ("batch", "place")}
    await tell(request, turns, reader, [told])
    return _back(form)


def _back(form: dict[str, str], done: str | None = None) -> Response[Any]:
    given = {name: form.get(name) or None for name in ("date", "to")}
    return Redirect(f"/picks?{asked.kept(**given, done=done)[1:]}", status_code=303)


# --- packing ---------------------------------------------------------------------------------------------------


@page("/packing/{order:str}", scope="read")
def get_packing(request: Asker, reader: NamedReader, order: FromPath[str]) -> Page:  # noqa: ARG001
    """Whether this box may go."""
    return _packing(reader, order, {}, None)


def _look(reader: Reader, order: str) -> tuple[Packing, datetime]:
    now = datetime.now(UTC)
    with reader.look() as cursor:
        return rounds.packing(cursor, order, day_of(now, answers.policy_of(cursor))), now.astimezone(zone_of(cursor))


def _packing(reader: Reader, order: str, form: dict[str, str], wrong: str | None) -> Page:
    found, now = _look(reader, order)
    shows = {"found": found, "now": now, "words": words, "form": form, "wrong": wrong}
    return Page(template="packing.html", title=f"May box {order} go?", shows=shows, status=409 if wrong else 200)


@act("/packing/{order:str}/ship", scope="write")
async def post_ship(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, order: FromPath[str]
) -> Page | Response[Any]:
    """All that is picked for the order leaves. Against a hold or a rule only with a reason, which stays beside the entry."""
    by = in_hands_of(request, f"/packing/{order}")
    found, _ = await asyncio.to_thread(_look, reader, order)
    wrong = _why_not(found, form)
    if wrong is not None:
        return await asyncio.to_thread(_packing, reader, order, form, wrong)
    told = telling(form, by)
    entries: list[Told] = [
        {**part_of(told, str(hold.entry)), "type": "hold-ended", "hold": str(hold.entry), "order": order}
        for hold in found.holds
    ]
    shipped = {
        **told,
        "type": "shipped",
        "order": order,
        "carrier": form.get("carrier", ""),
        "region": form.get("region", ""),
        "lines": [{"batch": line.batch, "place": line.place, "units": line.units} for line in found.lines],
    }
    note = [f"Papers: {form['papers']}"] if form.get("papers") else []
    note += [f"Sent although {'; '.join(found.because)}: {form['because']}"] if form.get("because") else []
    shipped |= {"note": ". ".join(note)[:500]} if note else {}
    shipped |= {"service": form["service"]} if form.get("service") else {}
    await tell(request, turns, reader, [*entries, shipped])
    shows = {"order": order, "units": sum(line.units for line in found.lines), "entry": told["id"]}
    return answer(request, Page(template="shipped.html", title=f"Box {order} has left", shows=shows))


def _why_not(found: Packing, form: dict[str, str]) -> str | None:
    """What is missing before the box may leave; None if nothing is."""
    if not found.lines:
        return "nothing is picked for this order: there is no box"
    if found.papers and not form.get("papers"):
        return f"say which papers are in the box: {', '.join(found.papers)}"
    met = len(found.papers) if form.get("papers") else 0
    met += found.region is None and bool(form.get("region"))
    if len(found.because) > met and not form.get("because"):
        return "the box may not go as it is: say why it goes all the same, and who allowed it"
    return None


@act("/packing/{order:str}/hold", scope="write")
async def post_wait(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, order: FromPath[str]
) -> Response[Any]:
    """The box waits: for the weather, for papers, for the buyer."""
    by = in_hands_of(request, f"/packing/{order}")
    told = telling(form, by) | {"type": "held", "order": order}
    told |= {name: form.get(name, "") for name in ("reason", "review_on")}
    await tell(request, turns, reader, [told])
    return Redirect(f"/packing/{quote(order, safe='')}", status_code=303)


HANDLERS = [get_picks, post_pick, get_instead, post_found, get_packing, post_ship, post_wait]
