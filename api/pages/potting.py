"""The potting list of a day: closed and given out here, and answered line by line with what was potted from which tray."""

from __future__ import annotations

import asyncio
from collections.abc import Iterator
from datetime import UTC, date, datetime
from typing import Any

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.response import Redirect
from msgspec import Struct

from api.pages.showing import Asker, Page, act, page
from api.pages.telling import Told, in_hands_of, part_of, tell, telling, whole, zone_of
from api.reader import Reader
from api.services import NamedReader, NamedTurns
from ledger import answers, rounds
from ledger.answers import Cursor
from ledger.plants.cards import ListedPotting, RecipeCard, ShelfCard
from ledger.plants.desk import day_of
from ledger.plants.entries import PlaceKind, ShortReason

#: where pots are set to grow on
_GROWING = (PlaceKind.BENCH, PlaceKind.LINE)
SHORT = {
    ShortReason.TOO_FEW_PLUGS: "Too few plugs",
    ShortReason.NOT_ROOTED_THROUGH: "Not rooted through",
    ShortReason.UNHEALTHY: "Not healthy",
    ShortReason.NO_TIME: "No time",
    ShortReason.NO_ROOM: "No room",
    ShortReason.NO_POTS: "No pots",
    ShortReason.OTHER: "Something else",
}


class Line(Struct, frozen=True, kw_only=True):
    """A line of the list as the crew sees it. trays: (plugs to take, the tray); told: pots told as potted already."""

    of: ListedPotting
    name: str
    trays: list[tuple[int, rounds.Tray]]
    per_pot: int
    told: int


@page("/potting", scope="read", asks=("day",))
def get_potting(request: Asker, reader: NamedReader) -> Page:
    """The list of a day, or the next one."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        found = answers.potting(cursor, _day(request.query_params.get("day")))
        zone, today = zone_of(cursor), day_of(now, answers.policy_of(cursor))
        lines = _lines(cursor, found)
        places = [card.value for card in rounds.places(cursor) if card.value.kind in _GROWING and not card.value.retired]
    shows = {
        "found": found,
        "lines": lines,
        "places": places,
        "reasons": SHORT,
        "today": today,
        "now": now.astimezone(zone),
        "answered": sum(line.of.potted is not None for line in lines),
    }
    return Page(template="potting.html", title="Potting list", shows=shows)


def _day(text: str | None) -> date | None:
    try:
        return date.fromisoformat(text) if text else None
    except ValueError as error:
        raise ValidationException("give the day as 2026-11-24") from error


def _lines(cursor: Cursor, found: answers.PottingAnswer) -> list[Line]:
    crops = [each.line.crop for each in found.lines]
    named = rounds.crop_names(cursor, crops)
    recipes = answers.several(cursor, "cards", RecipeCard, kind="recipe", keys=sorted(set(crops)))
    per_pot = {(card.value.crop, size): many for card in recipes for size, many in card.value.plugs_per_pot.items()}
    keys = [f"{each.line.crop}/{each.line.size}" for each in found.lines]
    shelves = {card.key[1]: card for card in answers.several(cursor, "cards", ShelfCard, kind="shelf", keys=keys)}
    trays = rounds.trays(cursor, [take.batch for each in found.lines for take in each.line.take])
    return [
        Line(
            of=each,
            name=named[each.line.crop],
            trays=[pair for take in each.line.take for pair in _from(trays.get(take.batch, []), take.plugs)],
            per_pot=per_pot.get((each.line.crop, each.line.size), 1),
            told=_told(shelves.get(f"{each.line.crop}/{each.line.size}"), found.day, each),
        )
        for each in found.lines
    ]


def _from(trays: list[rounds.Tray], plugs: int) -> list[tuple[int, rounds.Tray]]:
    """So many plugs out of the places where a batch stands."""
    found = []
    for tray in trays:
        taken = min(plugs, tray.plugs)
        if taken:
            found.append((taken, tray))
            plugs -= taken
    return found


def _told(there: ShelfCard | None, day: date | None, listed: ListedPotting) -> int:
    ask = there.asked.get(day.isoformat()) if there is not None and day is not None else None
    return max(0, ask.potted - listed.before) if ask is not None else 0


@act("/potting/issue", scope="write")
async def post_issue(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """The list is closed and given out: its plugs are chosen, later promises ask for the next day."""
    by = in_hands_of(request, "/potting")
    await tell(request, turns, reader, [{**telling(form, by), "type": "potting-issued", "day": form.get("day", "")}])
    return Redirect(f"/potting?day={form.get('day', '')}", status_code=303)


@act("/potting/answer", scope="write")
async def post_answer(request: Asker, form: dict[str, str], reader: NamedReader, turns: NamedTurns) -> Response[Any]:
    """A line is answered: what was potted from each tray, and why fewer than asked; all of it in one call."""
    by = in_hands_of(request, "/potting")
    told = telling(form, by)
    line = {name: form.get(name, "") for name in ("day", "crop", "size")}
    potted = list(_potted(form, told, line))
    here = sum(each["pots"] for each in potted if isinstance(each.get("pots"), int))
    potted_in_all = await asyncio.to_thread(_in_all, reader, line, here)
    answer = {**part_of(told, "answer"), "type": "potting-answered", **line, "potted": potted_in_all}
    if form.get("because"):
        answer["because"] = form["because"]
    await tell(request, turns, reader, [*potted, answer])
    return Redirect(f"/potting?day={line['day']}", status_code=303)


def _potted(form: dict[str, str], told: Told, line: dict[str, str]) -> Iterator[Told]:
    """An entry for each tray of which pots were made or plugs broken: fields `tray.1`, `pots.1`, `broken.1` and so on."""
    per_pot = whole(form.get("per_pot") or "1")
    for name, tray in sorted(form.items()):
        if not name.startswith("tray."):
            continue
        row = name.removeprefix("tray.")
        pots, broken = whole(form.get(f"pots.{row}") or "0"), whole(form.get(f"broken.{row}") or "0")
        batch, _, place = tray.partition("/")
        of = {**part_of(told, tray), "batch": batch, "place": place}
        if pots != 0:
            yield {
                **of,
                "type": "potted",
                "size": line["size"],
                "plugs": _plugs(pots, per_pot, broken),
                "pots": pots,
                "per_pot": per_pot,
                "casualties": broken,
                "to": form.get("to", ""),
                "listed": line["day"],
            }
        elif broken != 0:
            yield {**of, "type": "lost", "stage": "rooted", "units": broken, "cause": "handling"}


def _plugs(pots: int | str | None, per_pot: int | str | None, broken: int | str | None) -> int | str | None:
    """Plugs used; what is no number is refused where it is read."""
    if isinstance(pots, int) and isinstance(per_pot, int) and isinstance(broken, int):
        return pots * per_pot + broken
    return pots


def _in_all(reader: Reader, line: dict[str, str], here: int) -> int:
    """What the answer says: what was told as potted before, and what this form tells; as it was said, if it is answered."""
    with reader.look() as cursor:
        found = answers.potting(cursor, _day(line["day"]))
        lines = [
            each for each in _lines(cursor, found) if (each.of.line.crop, each.of.line.size) == (line["crop"], line["size"])
        ]
    for each in lines:
        return each.told + here if each.of.potted is None else each.of.potted
    return here


HANDLERS = [get_potting, post_issue, post_answer]
