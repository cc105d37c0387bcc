"""Promises: open lines by the week in which they are due, to be moved or released; and how well promises were kept."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from itertools import groupby
from typing import Any
from uuid import UUID

from litestar import Response
from litestar.params import FromPath
from litestar.response import Redirect

from api import parameters as asked
from api.pages.board import RESTS_ON
from api.pages.showing import Asker, Page, act, page
from api.pages.telling import in_hands_of, tell, telling, whole, zone_of
from api.services import NamedReader, NamedTurns
from ledger import answers, rounds
from ledger.plants.desk import day_of
from ledger.rounds import OpenLine

PAGE = 100
_YEAR = timedelta(days=365)


@page("/promises", scope="read", asks=("at_risk", "order", "crop", "size", "after"))
def get_promises(request: Asker, reader: NamedReader) -> Page:
    """Open lines, the earliest due first, by ISO week."""
    given: dict[str, Any] = {name: request.query_params.get(name) or None for name in ("order", "crop", "size")}
    risky = bool(request.query_params.get("at_risk"))
    after = request.query_params.get("after", "")
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found = rounds.open_lines(cursor, at_risk=risky, after=after, limit=PAGE, **given)
        named = rounds.crop_names(cursor, [line.line.crop for line in found.lines])
        zone, today = zone_of(cursor), day_of(now, answers.policy_of(cursor))
    kept = asked.kept(at_risk="yes" if risky else None, **given)
    shows = {
        "found": found,
        "weeks": [(week, list(lines)) for week, lines in groupby(found.lines, key=_week)],
        "named": named,
        "risky": risky,
        "given": given,
        "further": f"/promises?after={asked.escaped(found.next)}{kept}" if found.next else None,
        "rests_on": RESTS_ON,
        "today": today,
        "now": now.astimezone(zone),
    }
    return Page(template="promises.html", title="Promises", shows=shows)


def _week(line: OpenLine) -> str:
    year, week, _ = line.line.due.isocalendar()
    return f"{year}-W{week:02}"


@page("/promises/{promise:uuid}", scope="promise")
def get_promise(request: Asker, reader: NamedReader, promise: FromPath[UUID]) -> Page:  # noqa: ARG001
    """One promise, with what may be decided of each of its lines."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found = answers.promise(cursor, str(promise))
        named = rounds.crop_names(cursor, [line.crop for line in found.promise.lines.values()])
        zone, today = zone_of(cursor), day_of(now, answers.policy_of(cursor))
    shows = {
        "promise": found.promise,
        "named": named,
        "rests_on": RESTS_ON,
        "as_of": found.as_of,
        "zone": zone,
        "today": today,
        "now": now.astimezone(zone),
    }
    return Page(template="promise.html", title=f"Promise to {found.promise.order}", shows=shows)


@act("/promises/{promise:uuid}/release", scope="promise")
async def post_release(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, promise: FromPath[UUID]
) -> Response[Any]:
    """What is open of a line is free again."""
    return await _change(request, form, reader, turns, promise, {"type": "promise-released", "reason": form.get("reason", "")})


@act("/promises/{promise:uuid}/move", scope="promise")
async def post_move(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, promise: FromPath[UUID]
) -> Response[Any]:
    """A line to another day."""
    return await _change(request, form, reader, turns, promise, {"type": "promise-moved", "due": form.get("due", "")})


async def _change(
    request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns, promise: UUID, told: dict[str, Any]
) -> Response[Any]:
    by = in_hands_of(request, f"/promises/{promise}")
    line = whole(form.get("line"))
    await tell(request, turns, reader, [{**telling(form, by), **told, "promise": str(promise), "line": line}])
    return Redirect(f"/promises/{promise}", status_code=303)


@page("/kept", scope="read", asks=("from", "to"))
def get_kept(request: Asker, reader: NamedReader) -> Page:
    """Stated confidence against what was kept, over the last year unless told otherwise."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        zone, today = zone_of(cursor), day_of(now, answers.policy_of(cursor))
        until = _day(request.query_params.get("to"), today)
        since = _day(request.query_params.get("from"), until - _YEAR)
        found = answers.kept_report(cursor, since=min(since, until), until=until, by=["confidence"])
        by_crop = answers.kept_report(cursor, since=min(since, until), until=until, by=["crop", "size"])
        named = rounds.crop_names(cursor, [line.crop for line in by_crop.lines if line.crop])
    worst = sorted(by_crop.lines, key=lambda line: (line.share, -line.lines))[:20]
    shows = {"found": found, "worst": worst, "named": named, "now": now.astimezone(zone)}
    return Page(template="kept.html", title="Promises kept", shows=shows)


def _day(text: str | None, otherwise: date) -> date:
    """A day as it was typed; one that cannot be read is the usual one."""
    try:
        return date.fromisoformat(text) if text else otherwise
    except ValueError:
        return otherwise


HANDLERS = [get_promises, get_promise, post_release, post_move, get_kept]
