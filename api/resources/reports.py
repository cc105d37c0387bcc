"""Reports for the accountant: shrink, as JSON or CSV."""

from __future__ import annotations

import csv
import io
from datetime import UTC, date, datetime
from typing import Annotated, Literal, cast, get_args

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers
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
        today = day_of(datetime.now(UTC), answers.policy_of(cursor))
        first, last = since or _LONG_AGO, until or today
        if first > last:
            message = f"the period ends ({last}) before it begins ({first})"
            raise ValidationException(detail=message, extra=[{"key": "from", "message": message}])
        report = answers.shrink_report(cursor, basis=basis, since=first, until=last, by=groupings, crop=crop, size=size)
    if format == "json":
        return Response(report)
    name = f"shrink-{first}-{last}.csv"
    return Response(
        _csv(report),
        media_type="text/csv",
        headers={"Content-Disposition": f'attachment; filename="{name}"'},
    )


def _csv(report: answers.ShrinkReport) -> str:
    """The rates as a table; every line says its basis and denominator. Codes only, so no cell can be taken for a formula."""
    text = io.StringIO()
    table = csv.writer(text)
    fields = Rate.__struct_fields__
    table.writerow([*fields, "basis", "denominator", "from", "to", "as_of"])
    tail = [report.basis, report.denominator, report.since, report.until, report.as_of]
    for rate in report.rates:
        table.writerow([*(getattr(rate, field) for field in fields), *tail])
    return text.getvalue()
