"""Every report as it is printed: one function makes the tables of one answer, for the API and the command line alike.

A new report needs columns and a function here, a route, and a command. What a CSV gives is the first table.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime
from typing import Literal, get_args

from msgspec import Struct

from ledger import answers, losses, statements
from ledger.books.statement import StatementLine
from ledger.printing.tables import Column, Fact, Report, Row, Table, fact, rows_of, shown

Format = Literal["csv", "xlsx", "pdf"]
FORMATS: tuple[Format, ...] = get_args(Format)
MEDIA_TYPES: dict[Format, str] = {
    "csv": "text/csv",
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


def _money(name: str, heading: str, places: int) -> Column:
    return Column(name=name, heading=heading, kind="money", places=places)


def _currency(currency: str, known_at: datetime | None) -> list[Fact]:
    return [
        fact("currency", "Currency", currency),
        *([fact("known_at", "As known at", known_at, "moment")] if known_at else []),
    ]


# --- losses ----------------------------------------------------------------------------------------------------


def _interval(many: str) -> tuple[Column, ...]:
    return (
        _share("rate", "Rate"),
        _share("low", "Low"),
        _share("high", "High"),
        *_texts("interval"),
        _units(many, many.capitalize()),
    )


def shrink(found: losses.ShrinkReport, made_at: datetime) -> Report:
    """Rates with what they cost, stage after stage, what was avoidable, yields; then what stands beside shrink."""
    facts = (
        fact("basis", "Basis", found.basis),
        fact("denominator", "Of", found.denominator),
        *_about(found.since, found.until, found.as_of),
        *_currency(found.currency, None),
    )
    cost, retail = _money("cost", "Cost", found.places), _money("retail", "At list price", found.places)
    rates = (
        *_texts("crop", "size", "stage", "month", "cause", "place", "person", "unit"),
        *(_units("lost", "Lost"), _units("of", "Of")),
        *_interval("batches"),
        *_texts("few_data"),
        *(_units("avoidable", "Avoidable"), _units("normal", "Normal"), cost),
        *(_money("expensed", "Expensed", found.places), retail, _units("unpriced", "Without a price")),
    )

    def table(title: str, columns: tuple[Column, ...], lines: Sequence[Struct], *notes: str) -> Table:
        """Without the groupings that were not asked for: paper is narrow."""
        chosen = tuple(column for column in columns if column.name in found.by or column.name not in _GROUPINGS)
        return Table(title=title, columns=chosen, rows=rows_of(lines, chosen), facts=facts, notes=notes)

    tables = (
        table("Lost", rates, found.rates, f"Low and high: {found.interval}.", *found.notes),
        table("Stage after stage", _CUMULATIVE, found.cumulative, "Up to the end of each stage: 1 - product of (1 - rate)."),
        table("Avoidable", _AVOIDABLE, found.avoidable),
        table("Yield", _YIELD, found.yields, "Of cells struck in the period; what is under way may become saleable still."),
        table("Count differences", _RECORDS, found.records, "They measure the records, not the growing."),
        table("Beside shrink", (*_BESIDE, cost, retail), found.beside, "Not in any rate."),
    )
    return Report(title="Shrink", name=_named("shrink", found.since, found.until), made_at=made_at, tables=tables)


_GROUPINGS = ("crop", "size", "month", "cause", "place", "person")
_CUMULATIVE = (
    *_texts("crop", "size", "month", "stage"),
    *(_units("lost", "Lost"), _units("of", "Of"), _share("rate", "Rate"), _share("cumulative", "Lost so far")),
)
_AVOIDABLE = (
    *_texts("crop", "size", "stage", "month", "unit"),
    *(_units("avoidable", "Avoidable"), _units("lost", "Lost"), _share("share", "Share")),
)
_YIELD = (
    *_texts("crop", "month"),
    *(_units("cuttings", "Cuttings"), _units("cells", "Cells"), _units("saleable", "Saleable"), _units("seconds", "Seconds")),
    *(_units("cells_in_saleable", "Cells in them"), _units("under_way", "Cells under way")),
    *(_share("per_cutting", "Per cutting"), _share("per_cell", "Per cell"), _share("come_through", "Cells come through")),
)
_RECORDS = (
    *_texts("crop", "size", "stage", "month", "place", "person"),
    *(_units("count_short", "Count short"), _units("count_over", "Count over"), _units("counts", "Counts")),
)
_BESIDE = (*_texts("crop", "size", "month", "what"), _units("units", "Units"))


def damage(found: losses.DamageReport, made_at: datetime) -> Report:
    """What arrived damaged of what was shipped."""
    columns = (
        *_texts(*get_args(losses.DamageBy)),
        *(_units("claimed", "Claimed"), _units("shipped", "Shipped")),
        *_interval("orders"),
        *_texts("few_data"),
        *(_units("replaced", "Replaced"), _money("replaced_cost", "At a cost of", found.places)),
    )
    facts = (
        fact("basis", "Rates", found.basis),
        *_about(found.since, found.until, found.as_of),
        *_currency(found.currency, None),
    )
    table = Table(
        title="Damage on the way",
        columns=columns,
        rows=rows_of(found.lines, columns),
        facts=facts,
        notes=(f"Low and high: {found.interval}.", "Damage on the way is no shrink."),
    )
    return Report(title="Damage", name=_named("damage", found.since, found.until), made_at=made_at, tables=(table,))


def reversals(found: losses.ReversalReport, made_at: datetime) -> Report:
    """What was taken back and what was counted differently, one by one, then summed."""
    facts = (*_about(found.since, found.until, found.as_of), *_currency(found.currency, None))
    value = _money("value", "Value", found.places)
    each = (
        *(_units("position", "Position"), Column(name="day", heading="Day", kind="date")),
        *_texts("kind", "person", "type", "entry_person", "crop", "size", "batch", "stage", "place"),
        *(_units("units", "Units"), value),
        *_texts("reason"),
    )
    sums = (
        *_texts(*get_args(losses.ReversalsBy)),
        *(_units("times", "Times"), _units("moved", "Units moved"), _units("found", "Found"), _units("short", "Short"), value),
    )
    notes = ("Units of a count: found over, or short below 0. Value: what the inventory's value changed by.",)
    tables = (
        Table(
            title="Taken back, and counted differently", columns=each, rows=rows_of(found.lines, each), facts=facts, notes=notes
        ),
        Table(title="Summed", columns=sums, rows=rows_of(found.sums, sums), facts=facts),
    )
    return Report(title="Reversals", name=_named("reversals", found.since, found.until), made_at=made_at, tables=tables)


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


# --- the statement, the value, the journal -----------------------------------------------------------------------


#: what a statement's columns are called on paper
_HEADINGS = {
    "opened": "Opened with",
    "gathered": "Cuttings taken",
    "bought-in": "Bought in",
    "made": "Struck or potted into",
    "passed-in": "Passed in",
    "work": "Labour and material",
    "space": "Space",
    "lost-normal": "Lost, normal",
    "lost-abnormal": "Lost, abnormal",
    "counted": "Count differences",
    "used": "Struck or potted from",
    "passed-on": "Passed on",
    "shipped": "Shipped",
    "given-out": "Given out",
    "planted-as-stock": "Planted as stock",
    "adjusted": "Adjusted",
}
_UNSHIPPED = (*_texts("crop", "size"), Column(name="week", heading="Due in the week of", kind="date"))


def movement(found: statements.Movement, made_at: datetime) -> Report:
    """One row for each group and line of the statement, so that it prints on paper; then what stands beside it."""
    columns = (
        *_texts("crop", "size", "stage"),
        Column(name="line", heading="Line"),
        _units("units", "Units"),
        _money("value", "Value", found.places),
    )
    facts = (*_about(found.since, found.until, found.as_of), *_currency(found.currency, found.known_at))
    beside = (
        *_UNSHIPPED,
        _units("held", "Held"),
        _units("bought", "Bought"),
        _money("price", "List price", found.places),
        _money("worth", "Bought, at list price", found.places),
    )
    open_lines = [(line.crop, line.size, line.week, line.held, line.bought, line.price, line.value) for line in found.unshipped]
    return Report(
        title="Statement of plants",
        name=_named("movement", found.since, found.until),
        made_at=made_at,
        tables=(
            Table(
                title="Statement",
                columns=columns,
                rows=[row for line in [*found.lines, found.total] for row in _statement_rows(line)],
                facts=facts,
                notes=(
                    (
                        "Opening and every line down to rounding add up to closing, in units and in money; a statement that "
                        "does not tie is not printed."
                    ),
                    (
                        "Stock plants are no inventory. Space of plants ready for sale is an expense and stands beside it: "
                        f"{shown(found.storage, _money('storage', '', found.places))}."
                    ),
                ),
            ),
            Table(
                title="Promised and not picked",
                columns=beside,
                rows=open_lines,
                totals=("Total", None, None, *_sums(open_lines, 3, 4), None, *_sums(open_lines, 6)),
                facts=facts,
                notes=(f"Picked and not shipped: {_listed(found.picked)}.", "As it stands now; no part of the statement."),
            ),
        ),
    )


def _statement_rows(line: StatementLine) -> list[Row]:
    group = (line.crop, line.size, line.stage)
    label = group if any(group) else ("Total", None, None)
    lines: list[tuple[str, int | None, int]] = [("Opening", line.opening.units, line.opening.value)]
    for name, amount in line.columns.items():
        if amount.units or amount.value:
            lines.append((_HEADINGS[name], amount.units, amount.value))
    if line.rounding:
        lines.append(("Rounding", None, line.rounding))
    lines.append(("Closing", line.closing.units, line.closing.value))
    return [(*label, *row) for row in lines]


def _listed(units: Mapping[str, int]) -> str:
    return ", ".join(f"{count} {what}" for what, count in units.items()) or "nothing"


def _sums(rows: Sequence[Row], *places: int) -> list[int]:
    return [sum(int(str(row[place])) for row in rows if row[place] is not None) for place in places]


def value(found: statements.Value, made_at: datetime) -> Report:
    """What stands, and what it is worth."""
    asked = found.lower is not None
    columns = (
        *_texts("crop", "size", "stage", "batch"),
        _units("units", "Units"),
        Column(name="each", heading="Each, on average", kind="money", places=found.places + 6),
        _money("value", "Value", found.places),
        *((_money("realisable", "Net realisable", found.places), _money("lower", "Lower", found.places)) if asked else ()),
    )
    lower = (found.realisable, found.lower) if asked else ()
    return Report(
        title="Value of plants",
        name=f"value-{found.on}",
        made_at=made_at,
        tables=(
            Table(
                title="Value",
                columns=columns,
                rows=rows_of(found.lines, columns),
                totals=("Total", None, None, None, None, None, found.total, *lower),
                facts=(
                    fact("on", "At the end of", found.on, "date"),
                    fact("as_of", "As of position", found.as_of, "units"),
                    fact("basis", "Basis", found.basis),
                    *_currency(found.currency, found.known_at),
                ),
                notes=("Stock plants are no inventory. Accounting treatment is the accountant's decision.",),
            ),
        ),
    )


def journal(found: statements.Journal, made_at: datetime) -> Report:
    """Journal lines: date, account, debit, credit, reference."""
    columns = (
        Column(name="date", heading="Date", kind="date"),
        *_texts("account"),
        _money("debit", "Debit", found.places),
        _money("credit", "Credit", found.places),
        *_texts("reference", "text"),
    )
    debit, credit = sum(line.debit for line in found.lines), sum(line.credit for line in found.lines)
    return Report(
        title="Journal",
        name=_named("journal", found.since, found.until),
        made_at=made_at,
        tables=(
            Table(
                title="Journal",
                columns=columns,
                rows=rows_of(found.lines, columns),
                totals=("Total", None, debit, credit, None, None),
                facts=(*_about(found.since, found.until, found.as_of), *_currency(found.currency, None)),
                notes=(
                    (
                        "Accounts are those of books-set; where none is set, our own name stands. Tax and accounting "
                        "treatment is the accountant's decision."
                    ),
                ),
            ),
        ),
    )
