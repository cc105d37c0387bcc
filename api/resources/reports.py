"""Reports for the accountant: shrink, and how promises were kept; as JSON or CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from datetime import UTC, date, datetime
from typing import Annotated, Literal, cast, get_args

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter
from msgspec import Struct

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers
from ledger.books.kept import Kept, KeptBy
from ledger.books.shrink import Basis, Grouping, Rate
from ledger.plants.entries import END
from ledger.plants.rules import day_of

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
    format: Annotated[Literal["json", "csv"], QueryParameter(description="How to answer.")] = "json",  # noqa: A002 - the API's word
) -> Response[answers.ShrinkReport] | Response[str]:
    """What was lost, with numerator, denominator and basis of every rate. Count differences and gifts stand beside it."""
    follower.catch_up()
    groupings = cast("list[Grouping]", [name for name in _BY if name in by.split(",")])
    with reader.look() as cursor:
        first, last = _period(cursor, since, until)
        report = answers.shrink_report(cursor, basis=basis, since=first, until=last, by=groupings, crop=crop, size=size)
    if format == "json":
        return Response(report)
    told = {"basis": report.basis, "denominator": report.denominator}
    return _csv(f"shrink-{first}-{last}.csv", report.rates, Rate, {**told, **_about(report)})


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
    format: Annotated[Literal["json", "csv"], QueryParameter(description="How to answer.")] = "json",  # noqa: A002 - the API's word
) -> Response[answers.KeptReport] | Response[str]:
    """Stated confidence against what was kept, of promises whose lines fell due in the period."""
    groupings = [name for name in get_args(KeptBy) if name in by.split(",")]
    with reader.look() as cursor:
        first, last = _period(cursor, since, until)
        report = answers.kept_report(cursor, since=first, until=last, by=groupings)
    if format == "json":
        return Response(report)
    return _csv(f"promises-kept-{first}-{last}.csv", report.lines, Kept, {"counted": report.counted, **_about(report)})


def _period(cursor: answers.Cursor, since: date | None, until: date | None) -> tuple[date, date]:
    """First and last day; all until today where none is named."""
    today = day_of(datetime.now(UTC), answers.policy_of(cursor))
    first, last = since or _LONG_AGO, until or today
    if first > last:
        message = f"the period ends ({last}) before it begins ({first})"
        raise ValidationException(detail=message, extra=[{"key": "from", "message": message}])
    return first, last


def _about(report: answers.ShrinkReport | answers.KeptReport) -> dict[str, object]:
    return {"from": report.since, "to": report.until, "as_of": report.as_of}


def _csv(name: str, rows: Sequence[Struct], shape: type[Struct], told: Mapping[str, object]) -> Response[str]:
    """Rows as a table, each with what holds for all. Codes and numbers only, so no cell can be taken for a formula."""
    text = io.StringIO()
    table = csv.writer(text)
    table.writerow([*shape.__struct_fields__, *told])
    for row in rows:
        table.writerow([*(getattr(row, field) for field in shape.__struct_fields__), *told.values()])
    return Response(text.getvalue(), media_type="text/csv", headers={"Content-Disposition": f'attachment; filename="{name}"'})
