"""Plants standing, now or at any date, and the sums that prove the double entry."""

from __future__ import annotations

from typing import Annotated

from litestar import Response
from litestar.params import QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers


@reading("/v1/stock", scope="read", answers=answers.Stock, tag="Plant book")
def get_stock(
    reader: NamedReader,
    follower: NamedFollower,
    crop: asked.Crop = None,
    size: asked.Size = None,
    stage: asked.AtStage = None,
    place: asked.Place = None,
    at: asked.At = None,
    known_at: asked.KnownAt = None,
    after: Annotated[
        str,
        QueryParameter(pattern=asked.STOCK_LINE, max_length=140, description="The line to go on after, as `next` names it."),
    ] = "",
    limit: asked.Limit = 1000,
) -> Response[answers.Stock]:
    """Units by batch, stage and place: as they stand, or as they stood (`at`), from what was known then (`known_at`).

    By crop, size, stage, place and batch. `Link: rel="next"` leads on; `total` is of all pages.
    """
    for name, moment in (("at", at), ("known_at", known_at)):
        asked.has_zone(name, moment)
    if at is not None or known_at is not None:
        follower.catch_up()
    with reader.look() as cursor:
        found = answers.stock(
            cursor, crop=crop, size=size, stage=stage, place=place, at=at, known_at=known_at, after=after, limit=limit
        )
    if found.next is None:
        return Response(found)
    moments = {"at": at and at.isoformat(), "known_at": known_at and known_at.isoformat()}
    kept = asked.kept(crop=crop, size=size, stage=stage, place=place, **moments, limit=limit)
    return Response(found, headers={"Link": f'</v1/stock?after={asked.escaped(found.next)}{kept}>; rel="next"'})


@reading("/v1/sums", scope="read", answers=answers.Sums, tag="Plant book")
def get_sums(reader: NamedReader) -> answers.Sums:
    """The sum of every unit over all accounts, which is always 0, and what the outside accounts hold."""
    with reader.look() as cursor:
        return answers.sums(cursor)


@reading("/v1/questions", scope="read", answers=answers.Questions, tag="Log")
def get_questions(
    reader: NamedReader,
    after: Annotated[int, QueryParameter(ge=0, le=2**62, description="The position to go on after.")] = 0,
    limit: asked.Limit = 200,
) -> Response[answers.Questions]:
    """Entries that look like one job written down twice, until somebody reverses one or answers.

    By the positions of those that raised the question. `Link: rel="next"` leads on.
    """
    with reader.look() as cursor:
        found = answers.questions(cursor, after, limit)
    link = f'</v1/questions?after={found.next}&limit={limit}>; rel="next"'
    return Response(found, headers={} if found.next is None else {"Link": link})
