"""Batches, their cards, and where plants came from and went."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Literal

from litestar import Response
from litestar.params import FromQuery, QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers


@reading("/v1/batches", scope="read", answers=answers.Batches, tag="Plant book")
def get_batches(
    reader: NamedReader,
    crop: asked.Crop = None,
    size: asked.Size = None,
    stage: asked.AtStage = None,
    place: asked.Place = None,
    standing: Annotated[bool, QueryParameter(description="Only batches of which anything stands.")] = True,
    after: Annotated[str, QueryParameter(pattern=asked.ANY_CODE, max_length=12, description="The number to go on after.")] = "",
    limit: asked.Limit = 100,
) -> Response[answers.Batches]:
    """Batch cards in the order of their numbers. `Link: rel="next"` leads on."""
    with reader.look() as cursor:
        found = answers.batches(
            cursor, crop=crop, size=size, stage=stage, place=place, standing=standing, after=after, limit=limit
        )
    kept = asked.kept(crop=crop, size=size, stage=stage, place=place, standing=str(standing).lower(), limit=limit)
    headers = {} if found.next is None else {"Link": f'</v1/batches?after={found.next}{kept}>; rel="next"'}
    return Response(found, headers=headers)


@reading("/v1/batches/{batch:str}", scope="read", answers=answers.BatchAnswer, tag="Plant book")
def get_batch(reader: NamedReader, batch: asked.BatchPath) -> answers.BatchAnswer:
    """A batch card: units by stage and place, flags, family, the baseline's dates, and the life line."""
    with reader.look() as cursor:
        return answers.batch(cursor, batch, datetime.now(UTC))


@reading("/v1/batches/{batch:str}/trace", scope="read", answers=answers.Trace, tag="Plant book")
def get_trace(
    reader: NamedReader,
    follower: NamedFollower,
    batch: asked.BatchPath,
    direction: FromQuery[Literal["back", "forward"]] = "back",
) -> answers.Trace:
    """Back to the stock plants, or forward to every batch, place, order and region."""
    follower.catch_up()
    with reader.look() as cursor:
        return answers.trace(cursor, batch, direction)


@reading("/v1/stock-plants/{code:str}/trace", scope="read", answers=answers.Trace, tag="Plant book")
def get_stock_trace(reader: NamedReader, follower: NamedFollower, code: asked.StockPlantPath) -> answers.Trace:
    """All that came from a stock plant: where it stands now, and the orders that had some."""
    follower.catch_up()
    with reader.look() as cursor:
        return answers.trace(cursor, code, "forward")
