"""Every report as it is printed: one function makes the tables of one answer, for the API and the command line alike.

A new report needs columns and a function here, a route, and a command. What a CSV gives is the first table.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Literal, get_args

from msgspec import Struct

from ledger import answers
from ledger.printing.tables import Column, Fact, Report, Table, fact, rows_of

Format = Literal["csv", "xlsx", "pdf"]
FORMATS: tuple[Format, ...] = get_args(Format)
MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv; charset=utf-8",
    "xlsx": "application/vnd.openxmlformats-officedocument.spreadsheetml.sheet",
    "pdf": "application/pdf",
}


def as_bytes(report: Report, kind: Format) -> bytes:
    """A report in one of the formats."""
    # the libraries behind XLSX and PDF are slow to load: whoever asks for neither does not wait for them
    match kind:
        case "csv":
            from ledger.printing.text import as_csv  # noqa: PLC0415

            return as_csv(report.tables[0])
        case "xlsx":
            from ledger.printing.sheets import as_xlsx  # noqa: PLC0415

            return as_xlsx(report)
        case "pdf":
            from ledger.printing.pages import as_pdf  # noqa: PLC0415

            return as_pdf(report)


def _texts(*names: str) -> tuple[Column, ...]:
    return tuple(Column(name=name, heading=name.replace("_", " ").capitalize()) for name in names)


def _units(name: str, heading: str, unit: str = "") -> Column:
    return Column(name=name, heading=heading, kind="units", unit=unit)


def _share(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading, kind="share")


def _named(name: str, since: date, until: date) -> str:
    return f"{name}-{since}-{until}"


def _about(since: date, until: date, as_of: int) -> list[Fact]:
    return [
        fact("from", "From", since, "date"),
        fact("to", "To", until, "date"),
        fact("as_of", "As of position", as_of, "units"),
    ]


# --- shrink ----------------------------------------------------------------------------------------------------

_RATES = (
    *_texts("crop", "size", "stage", "cause"),
    _units("lost", "Lost"),
    _units("of", "Of"),
    _share("rate", "Rate"),
    _share("low", "Low"),
    _share("high", "High"),
    _units("batches", "Batches"),
    *_texts("few_data"),
)
_CUMULATIVE = (*_texts("crop", "size"), _units("stages", "Stages"), _share("rate", "Lost over all stages"))
_RECORDS = (
    *_texts("crop", "size", "stage"),
    _units("count_short", "Count short"),
    _units("count_over", "Count over"),
    _units("counts", "Counts"),
)
_BESIDE = (*_texts("crop", "size", "what"), _units("units", "Units"))


def shrink(found: answers.ShrinkReport, made_at: datetime) -> Report:
    """Rates, then what stands beside them."""
    facts = (
        fact("basis", "Basis", found.basis),
        fact("denominator", "Of", found.denominator),
        *_about(found.since, found.until, found.as_of),
    )

    def table(title: str, columns: tuple[Column, ...], lines: Sequence[Struct], *notes: str) -> Table:
        return Table(title=title, columns=columns, rows=rows_of(lines, columns), facts=facts, notes=notes)

    return Report(
        title="Shrink",
        name=_named("shrink", found.since, found.until),
        made_at=made_at,
        tables=(
            table("Lost", _RATES, found.rates, f"Low and high: {found.interval}."),
            table("Over all stages", _CUMULATIVE, found.cumulative),
            table("Count differences", _RECORDS, found.records, "They measure the records, not the growing."),
            table("Beside shrink", _BESIDE, found.beside, "Not in any rate."),
        ),
    )


# --- promises kept ---------------------------------------------------------------------------------------------

_KEPT = (
    *_texts("stated", "basis", "crop", "size", "month"),
    _units("lines", "Lines"),
    _units("lines_kept", "Lines kept"),
    _share("share", "Share kept"),
    _share("low", "Low"),
    _share("high", "High"),
    _units("units", "Units"),
    _units("units_kept", "Units kept"),
    *_texts("few_data"),
)


def promises_kept(found: answers.KeptReport, made_at: datetime) -> Report:
    """Stated confidence against what was kept."""
    facts = (
        fact("counted", "Kept", found.counted),
        fact("open", "Open and not checked", found.open, "units"),
        *_about(found.since, found.until, found.as_of),
    )
    lines, kept = sum(line.lines for line in found.lines), sum(line.lines_kept for line in found.lines)
    units, units_kept = sum(line.units for line in found.lines), sum(line.units_kept for line in found.lines)
    share = kept / lines if lines else None
    return Report(
        title="Promises kept",
        name=_named("promises-kept", found.since, found.until),
        made_at=made_at,
        tables=(
            Table(
                title="Promises kept",
                columns=_KEPT,
                rows=rows_of(found.lines, _KEPT),
                facts=facts,
                totals=("Total", None, None, None, None, lines, kept, share, None, None, units, units_kept, None),
                notes=(f"Low and high: {found.interval}.",),
            ),
        ),
    )
