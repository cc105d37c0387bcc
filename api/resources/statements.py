"""The accountant's statement, the value of what stands, and the journal; as JSON, or as a file (CSV, XLSX, PDF)."""

from __future__ import annotations

from datetime import date
from typing import Annotated

from litestar import Response
from litestar.params import QueryParameter

from api import parameters as asked
from api.resources.reports import given, period
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers, printed, statements
from ledger.books.statement import StatementBy


@reading("/v1/reports/movement", scope="books", answers=statements.Movement, tag="Books")
def get_movement(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str,
        QueryParameter(
            pattern=asked.any_of(StatementBy),
            description=f"Any of {asked.named(StatementBy)}. Units are added up within one stage only: a plug is no pot.",
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
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        found = statements.movement(
            cursor,
            since=first,
            until=last,
            by=asked.chosen(StatementBy, by),
            crop=crop,
            size=size,
            stage=stage,
            known_at=known_at,
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
        _, day = period(cursor, None, on)
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
        first, last = period(cursor, since, until)
        found = statements.journal(cursor, since=first, until=last)
        made_at = answers.written_at(cursor, found.as_of)
    return Response(found) if format == "json" else given(printed.journal(found, made_at), format)
