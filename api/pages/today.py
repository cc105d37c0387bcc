"""Today: what needs a decision, each with the way to act; and the answers to the ledger's questions and to holds."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import msgspec
from litestar import Response
from litestar.response import Redirect

from api.pages import words
from api.pages.showing import Asker, Page, act, page
from api.pages.telling import in_hands_of, part_of, tell, telling, whole, zone_of
from api.services import NamedFollower, NamedReader, NamedTurns
from ledger import today
from ledger.answers import OpenQuestion
from ledger.log import codec
from ledger.plants.refusals import Malformed, Problem, Refused


@page("/", scope="read")
def get_root(request: Asker) -> Response[Any]:  # noqa: ARG001 - every page is given its request
    """To Today."""
    return Redirect("/today", status_code=303)


@page("/today", scope="read")
def get_today(request: Asker, reader: NamedReader, follower: NamedFollower) -> Page:  # noqa: ARG001
    """What needs a decision."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found, zone = today.today(cursor, now, follower.trouble), zone_of(cursor)
    shows = {
        "today": found,
        "zone": zone,
        "now": now.astimezone(zone),
        "words": words,
        "questions": [_question(each) for each in found.questions.questions],
    }
    return Page(template="today.html", title="Today", shows=shows)


def _question(question: OpenQuestion) -> dict[str, Any]:
    """The two entries that may be one job, in words."""
    return {"entry": question.entry, "of": question.of, "slips": [_slip(question.first), _slip(question.second)]}


def _slip(content: msgspec.Raw) -> dict[str, Any]:
    told = codec.read_told([msgspec.json.decode(content)["told"]])[0]
    return {"said": words.said(told), "by": told.by, "at": told.occurred_at, "batch": getattr(told, "batch", None)}


@act("/today/question", scope="write")
async def post_question(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """Both happened; or one of them is taken back, for it was written twice."""
    by = in_hands_of(request, "/today")
    told = telling(form, by)
    match form.get("do"):
        case "both":
            told |= {"type": "answered", "entry": form.get("entry", ""), "answer": "Both happened"}
        case "first" | "second" as which:
            taken_back = form.get("of" if which == "first" else "entry", "")
            told |= {"type": "reversed", "entry": taken_back, "reason": "One job, written down twice"}
        case _:
            raise _choose()
    await tell(request, turns, reader, [told])
    return Redirect("/today", status_code=303)


@act("/today/hold", scope="write")
async def post_hold(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """A hold ends; or it is looked at again on a later day, which is a new hold in the place of the old one."""
    by = in_hands_of(request, "/today")
    told = telling(form, by)
    of = {name: form[name] for name in ("order", "batch") if form.get(name)}
    ended = {**part_of(told, "end"), "type": "hold-ended", "hold": form.get("hold", ""), **of}
    if form.get("do") == "end":
        await tell(request, turns, reader, [ended])
    elif form.get("do") == "later":
        again = {**part_of(told, "again"), "type": "held", **of}
        again |= {name: form.get(name) for name in ("reason", "review_on")}
        if "batch" in of:
            again["units"] = whole(form.get("units"))
        await tell(request, turns, reader, [ended, again])
    else:
        raise _choose()
    return Redirect("/today", status_code=303)


def _choose() -> Refused:
    return Refused([Problem(index=0, code=Malformed.CODE, detail="tap one of the buttons", field="do")])


HANDLERS = [get_root, get_today, post_question, post_hold]
