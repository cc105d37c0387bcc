"""The boards as data: what needs a decision, the route of a day, what to count, whether a box may go, how many to strike."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated

from litestar import Response
from litestar.params import PathParameter, QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFits, NamedFollower, NamedReader
from ledger import answers, rounds, strikings, today
from ledger.plants.desk import day_of

OrderPath = Annotated[str, PathParameter(pattern=asked.ORDER, max_length=64)]
#: a day that may be reckoned with
_FAR = date(2200, 1, 1)


@reading("/v1/today", scope="read", answers=today.Today, tag="Boards")
def get_today(reader: NamedReader, follower: NamedFollower) -> today.Today:
    """What needs a decision: promises at risk, plants that cannot wait, questions, holds to look at again, losses, trouble."""
    with reader.look() as cursor:
        return today.today(cursor, datetime.now(UTC), follower.trouble)


@reading("/v1/picks", scope="read", answers=rounds.Picks, tag="Boards")
def get_picks(
    reader: NamedReader,
    on: Annotated[
        date | None, QueryParameter(name="date", description="What is due by this day (to the year 2199); today if left out.")
    ] = None,
) -> rounds.Picks:
    """What to pull for a day, in walking order: place, crop, size, units, batch and order; the oldest finished plants first.

    Only what was bought. Pulled plants are told with `picked` entries; the next answer then shows the rest.
    """
    now = datetime.now(UTC)
    with reader.look() as cursor:
        return rounds.picks(cursor, min(on or day_of(now, answers.policy_of(cursor)), _FAR), now)


@reading("/v1/orders/{order:str}/packing", scope="read", answers=rounds.Packing, tag="Boards")
def get_packing(reader: NamedReader, order: OrderPath) -> rounds.Packing:
    """May what is picked for an order leave today? By the nursery's own list of destinations; official rules come first."""
    now = datetime.now(UTC)
    with reader.look() as cursor:
        return rounds.packing(cursor, order, day_of(now, answers.policy_of(cursor)))


@reading("/v1/open-lines", scope="read", answers=rounds.OpenLines, tag="Promises")
def get_open_lines(
    reader: NamedReader,
    at_risk: Annotated[bool, QueryParameter(description="Only those that may not be there on their day.")] = False,
    order: Annotated[str | None, QueryParameter(pattern=asked.ORDER, max_length=64, description="Only of this order.")] = None,
    crop: asked.Crop = None,
    size: asked.Size = None,
    after: Annotated[
        str, QueryParameter(pattern=asked.OPEN_LINE, max_length=60, description="The line to go on after, as `next` names it.")
    ] = "",
    limit: asked.Limit = 200,
) -> Response[rounds.OpenLines]:
    """Lines of promises with anything left to pick, the earliest due first. `Link: rel="next"` leads on."""
    with reader.look() as cursor:
        found = rounds.open_lines(cursor, at_risk=at_risk, order=order, crop=crop, size=size, after=after, limit=limit)
    kept = asked.kept(at_risk="true" if at_risk else None, order=order, crop=crop, size=size, limit=limit)
    link = f'</v1/open-lines?after={asked.escaped(found.next)}{kept}>; rel="next"'
    return Response(found, headers={} if found.next is None else {"Link": link})


@reading("/v1/counts", scope="read", answers=rounds.ToCount, tag="Boards")
def get_counts(reader: NamedReader) -> rounds.ToCount:
    """Where to count next: places by how many plants their numbers may be wrong, as the count buffer reckons it."""
    with reader.look() as cursor:
        return rounds.to_count(cursor, datetime.now(UTC))


@reading("/v1/counts/{place:str}", scope="read", answers=rounds.CountSheet, tag="Boards")
def get_count_sheet(
    reader: NamedReader, place: Annotated[str, PathParameter(pattern=asked.PLACE, max_length=16)]
) -> rounds.CountSheet:
    """What to count at a place, blind: no figure of the book is in it. The counts are told with `counted` entries."""
    with reader.look() as cursor:
        return rounds.count_sheet(cursor, place, datetime.now(UTC))


@reading("/v1/striking", scope="read", answers=strikings.Striking, tag="Boards")
def get_striking(
    reader: NamedReader,
    fits: NamedFits,
    crop: Annotated[str, QueryParameter(pattern=asked.PERSON, max_length=64, description="The crop.")],
    units: Annotated[
        int, QueryParameter(ge=1, le=strikings.MOST_UNITS, description="How many good plugs, or with a size finished pots.")
    ],
    size: asked.Size = None,
) -> strikings.Striking:
    """How many cuttings to strike for so many, at 50, 80, 90 and 95 %, by what the crop's own batches have shown."""
    with reader.look() as cursor:
        return strikings.strike(cursor, fits, crop, units, size, datetime.now(UTC))
