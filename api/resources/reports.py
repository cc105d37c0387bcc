"""Reports for the accountant: shrink, and how promises were kept; as JSON, or as a file (CSV, XLSX, PDF)."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated, cast, get_args

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers, printed
from ledger.books.kept import KeptBy
from ledger.books.shrink import Basis, Grouping
from ledger.plants.desk import day_of
from ledger.plants.entries import END
from ledger.printing.tables import Report

_BY = get_args(Grouping)
_LONG_AGO = date(2000, 1, 1)


@reading("/v1/reports/shrink", scope="books", answers=answers.ShrinkReport, tag="Books")
def get_shrink(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str,
        QueryParameter(
            pattern=r"^(crop|size|stage|cause)(,(crop|size|stage|cause)){0,3}" + END,
            description="Any of crop, size, stage, cause.",
        ),
    ] = "crop,size",
    basis: Annotated[
        Basis, QueryParameter(description="Of what the rates are: a cohort of batches, or a calendar period.")
    ] = "cohort",
    since: asked.Since = None,
    until: asked.Until = None,
    crop: asked.Crop = None,
    size: asked.Size = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[answers.ShrinkReport] | Response[bytes]:
    """What was lost, with numerator, denominator and basis of every rate. Count differences and gifts stand beside it."""
    follower.catch_up()
    groupings = cast("list[Grouping]", [name for name in _BY if name in by.split(",")])
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = answers.shrink_report(cursor, basis=basis, since=first, until=last, by=groupings, crop=crop, size=size)
        made_at = answers.written_at(cursor, report.as_of)
    return Response(report) if format == "json" else given(printed.shrink(report, made_at), format)


@reading("/v1/reports/promises-kept", scope="books", answers=answers.KeptReport, tag="Books")
def get_promises_kept(
    reader: NamedReader,
    by: Annotated[
        str,
        QueryParameter(
            pattern=r"^(confidence|basis|crop|size|month)(,(confidence|basis|crop|size|month)){0,4}" + END,
            description="Any of confidence, basis, crop, size, month.",
        ),
    ] = "confidence",
    since: asked.Since = None,
    until: asked.Until = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[answers.KeptReport] | Response[bytes]:
    """Stated confidence against what was kept, of promises whose lines fell due in the period."""
    groupings = [name for name in get_args(KeptBy) if name in by.split(",")]
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = answers.kept_report(cursor, since=first, until=last, by=groupings)
        made_at = answers.written_at(cursor, report.as_of)
    return Response(report) if format == "json" else given(printed.promises_kept(report, made_at), format)


def period(cursor: answers.Cursor, since: date | None, until: date | None) -> tuple[date, date]:
    """First and last day; all until today where none is named."""
    today = day_of(datetime.now(UTC), answers.policy_of(cursor))
    first, last = since or _LONG_AGO, until or today
    if first > last:
        message = f"the period ends ({last}) before it begins ({first})"
        raise ValidationException(detail=message, extra=[{"key": "from", "message": message}])
    return first, last


def given(report: Report, kind: printed.Format) -> Response[bytes]:
    """A report as a file to keep."""
    headers = {"Content-Disposition": f'attachment; filename="{report.name}.{kind}"'}
    return Response(printed.as_bytes(report, kind), media_type=printed.MEDIA_TYPES[kind], headers=headers)
