"""Reports: shrink, damage on the way, what was taken back, how promises were kept; as JSON, or as a file (CSV, XLSX, PDF)."""

from __future__ import annotations

from datetime import UTC, date, datetime
from typing import Annotated

from litestar import Response
from litestar.exceptions import ValidationException
from litestar.params import QueryParameter

from api import parameters as asked
from api.routes import reading
from api.services import NamedFollower, NamedReader
from ledger import answers, losses, printed
from ledger.books.kept import KeptBy
from ledger.books.shrink import Basis, Grouping
from ledger.plants.desk import day_of
from ledger.printing.tables import Report

_LONG_AGO = date(2000, 1, 1)


@reading("/v1/reports/shrink", scope="books", answers=losses.ShrinkReport, tag="Books")
def get_shrink(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str, QueryParameter(pattern=asked.any_of(Grouping), description=f"Any of {asked.named(Grouping)}; the stage always is.")
    ] = "crop,size",
    basis: Annotated[
        Basis, QueryParameter(description="Of what the rates are: a cohort of batches, or a calendar period.")
    ] = "cohort",
    since: asked.Since = None,
    until: asked.Until = None,
    crop: asked.Crop = None,
    size: asked.Size = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[losses.ShrinkReport] | Response[bytes]:
    """What was lost, with numerator, denominator and basis of every rate, its cost and its retail value side by side.

    Count differences, damage on the way, gifts and plants planted as stock stand beside it.
    """
    follower.catch_up()
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = losses.shrink_report(
            cursor, basis=basis, since=first, until=last, by=asked.chosen(Grouping, by), crop=crop, size=size
        )
        made_at = answers.written_at(cursor, report.as_of)
    return Response(report) if format == "json" else given(printed.shrink(report, made_at), format)


@reading("/v1/reports/damage", scope="books", answers=losses.DamageReport, tag="Books")
def get_damage(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str, QueryParameter(pattern=asked.any_of(losses.DamageBy), description=f"Any of {asked.named(losses.DamageBy)}.")
    ] = "carrier",
    since: asked.Since = None,
    until: asked.Until = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[losses.DamageReport] | Response[bytes]:
    """What arrived damaged of what was shipped in the period, with the interval of each rate, and what replacing it cost."""
    follower.catch_up()
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = losses.damage_report(cursor, since=first, until=last, by=asked.chosen(losses.DamageBy, by))
        made_at = answers.written_at(cursor, report.as_of)
    return Response(report) if format == "json" else given(printed.damage(report, made_at), format)


@reading("/v1/reports/reversals", scope="books", answers=losses.ReversalReport, tag="Books")
def get_reversals(
    reader: NamedReader,
    follower: NamedFollower,
    by: Annotated[
        str, QueryParameter(pattern=asked.any_of(losses.ReversalsBy), description=f"Any of {asked.named(losses.ReversalsBy)}.")
    ] = "kind,person",
    since: asked.Since = None,
    until: asked.Until = None,
    crop: asked.Crop = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[losses.ReversalReport] | Response[bytes]:
    """Every entry that was taken back and every count that differed from the book: who, when, what, why, how much."""
    follower.catch_up()
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = losses.reversal_report(cursor, since=first, until=last, by=asked.chosen(losses.ReversalsBy, by), crop=crop)
        made_at = answers.written_at(cursor, report.as_of)
    return Response(report) if format == "json" else given(printed.reversals(report, made_at), format)


@reading("/v1/reports/promises-kept", scope="books", answers=answers.KeptReport, tag="Books")
def get_promises_kept(
    reader: NamedReader,
    by: Annotated[
        str, QueryParameter(pattern=asked.any_of(KeptBy), description=f"Any of {asked.named(KeptBy)}.")
    ] = "confidence",
    since: asked.Since = None,
    until: asked.Until = None,
    format: asked.Format = "json",  # noqa: A002 - the API's word
) -> Response[answers.KeptReport] | Response[bytes]:
    """Stated confidence against what was kept, of promises whose lines fell due in the period."""
    with reader.look() as cursor:
        first, last = period(cursor, since, until)
        report = answers.kept_report(cursor, since=first, until=last, by=asked.chosen(KeptBy, by))
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
