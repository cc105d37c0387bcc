"""The accountant's statement, the value of what stands, and the journal; as JSON, or as a file (CSV, XLSX, PDF)."""

from __future__ import annotations

from datetime import date
from typing import Annotated, cast, get_args

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter

from api import parameters as asked
from api.resources.reports import given, period
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers, printed, statements
from ledger.books.statement import StatementBy
from ledger.plants.entries import END


@reading("/v1/reports/movement", scope="books", answers=statements.Movement, tag="Books")
def get_movement(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str,
        QueryParameter(
            pattern=r"^(crop|size|stage)(,(crop|size|stage)){0,2}" + END,
            description="Any of crop, size, stage. Units are added up within one stage only: a plug is no pot.",
        ),
    ] = "stage",
    since: asked.Since = None,
    until: asked.Until = None,
    crop: asked.Crop = None,
    size: asked.Size = None,
    stage: asked.AtStage = None,
    known_at: asked.KnownAt = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[statements.Movement] | Response[bytes]:
    """Opening, what came in and went out, closing: in units and money. It ties, or there is none (503, does-not-tie)."""
    asked.has_zone("known_at", known_at)
    follower.catch_up()
    chosen = cast("list[StatementBy]", [name for name in get_args(StatementBy) if name in by.split(",")])
    with reader.look() as cursor:
        first, last = _past(cursor, since, until)
        found = statements.movement(
            cursor, since=first, until=last, by=chosen, crop=crop, size=size, stage=stage, known_at=known_at
        )
        made_at = answers.written_at(cursor, found.as_of)
    return Response(found) if format == "json" else given(printed.movement(found, made_at), format)


@reading("/v1/reports/value", scope="books", answers=statements.Value, tag="Books")
def get_value(
    reader: NamedReader,
    follower: NamedFollower,
    on: Annotated[date | None, QueryParameter(description="At the end of this day; today if left out.")] = None,
    batches: Annotated[bool, QueryParameter(description="A line for each batch.")] = False,
    realisable: Annotated[
        bool, QueryParameter(description="Also net realisable value, and the lower of it and cost, batch by batch.")
    ] = False,
    crop: asked.Crop = None,
    size: asked.Size = None,
    stage: asked.AtStage = None,
    known_at: asked.KnownAt = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[statements.Value] | Response[bytes]:
    """What stands and what it is worth, at moving average cost. Stock plants are not inventory."""
    asked.has_zone("known_at", known_at)
    follower.catch_up()
    with reader.look() as cursor:
        _, day = _past(cursor, None, on)
        found = statements.value(
            cursor, on=day, by_batch=batches, realisable=realisable, crop=crop, size=size, stage=stage, known_at=known_at
        )
        made_at = answers.written_at(cursor, found.as_of)
    return Response(found) if format == "json" else given(printed.value(found, made_at), format)


@reading("/v1/reports/journal", scope="books", answers=statements.Journal, tag="Books")
def get_journal(
    reader: NamedReader,
    follower: NamedFollower,
    since: asked.Since = None,
    until: asked.Until = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[statements.Journal] | Response[bytes]:
    """The period as journal lines under the accounts of `books-set`; debit and credit are equal."""
    follower.catch_up()
    with reader.look() as cursor:
        first, last = _past(cursor, since, until)
        found = statements.journal(cursor, since=first, until=last)
        made_at = answers.written_at(cursor, found.as_of)
    return Response(found) if format == "json" else given(printed.journal(found, made_at), format)


def _past(cursor: answers.Cursor, since: date | None, until: date | None) -> tuple[date, date]:
    """A period of which the books can speak: it has no day that is still to come."""
    first, last = period(cursor, since, until)
    _, today = period(cursor, None, None)
    if last > today:
        message = f"the books end today ({today}): ask for no later day"
        raise ValidationException(detail=message, extra=[{"key": "to", "message": message}])
    return first, last
