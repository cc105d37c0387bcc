"""A report as tables: columns that know what their cells are, rows, totals, and what holds for all of them. Pure.

Cells are values, never text made of them: each writer (text.py, sheets.py, pages.py) shows them in its own way. Money is in
whole minor units, shares are from 0 to 1; None is an empty cell.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import UTC, date, datetime
from math import isfinite
from typing import Any, Literal

from msgspec import Struct

Kind = Literal["text", "units", "share", "money", "date", "moment"]
Cell = str | int | float | date | datetime | None
Row = Sequence[Cell]


class Column(Struct, frozen=True, kw_only=True):
    """What stands in a column. name: for programs; heading: for people; unit: of its numbers; places: of money's major unit."""

    name: str
    heading: str
    kind: Kind = "text"
    unit: str = ""
    places: int = 2

    @property
    def whole_heading(self) -> str:
        """The heading with the unit."""
        return f"{self.heading} ({self.unit})" if self.unit else self.heading


class Fact(Struct, frozen=True, kw_only=True):
    """What holds for all rows of a table: period, basis, position, currency."""

    column: Column
    value: Cell


class Table(Struct, frozen=True, kw_only=True):
    """One table of a report. rows may be made while they are read, but are read more than once.

    totals: a cell for every column; None where there is none to give, and a word for what they are in a column of any kind.
    """

    title: str
    columns: tuple[Column, ...]
    rows: Iterable[Row]
    facts: tuple[Fact, ...] = ()
    totals: Row | None = None
    notes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        names = [column.name for column in self.columns] + [fact.column.name for fact in self.facts]
        if len({*names, NOTES}) <= len(names):
            raise ValueError(f"the columns and facts of a table have names of their own: {', '.join(names)}")
        if self.totals is not None and len(self.totals) != len(self.columns):
            raise ValueError(f"{len(self.columns)} columns have as many totals, not {len(self.totals)}")

    @property
    def total_columns(self) -> tuple[Column, ...]:
        """The columns as the totals take them: where a word stands among them, it is a text."""
        if self.totals is None:
            return self.columns
        return tuple(
            Column(name=column.name, heading=column.heading) if isinstance(cell, str) else column
            for cell, column in zip(self.totals, self.columns, strict=True)
        )


class Report(Struct, frozen=True, kw_only=True):
    """Tables that belong together, the first the one that was asked for.

    name: of its file; made_at: the moment of which it speaks, not the one at which it was printed.
    """

    title: str
    name: str
    made_at: datetime
    tables: tuple[Table, ...]

    def __post_init__(self) -> None:
        if not self.tables:
            raise ValueError("a report has a table")


#: the column that a CSV ends with
NOTES = "notes"


def fact(name: str, heading: str, value: Cell, kind: Kind = "text") -> Fact:
    """What holds for all rows, in one line."""
    return Fact(column=Column(name=name, heading=heading, kind=kind), value=value)


def rows_of(lines: Iterable[Struct], columns: Sequence[Column]) -> list[Row]:
    """Rows from records: the fields that have the columns' names. Yes and no are told in words."""
    return [tuple(_cell(getattr(line, column.name)) for column in columns) for line in lines]


def _cell(value: Any) -> Cell:
    if isinstance(value, bool):
        return "yes" if value else "no"
    found: Cell = value
    return found


def checked(cell: Cell, column: Column) -> Cell:
    """The cell, if it is what its column says. Raises ValueError: a report that was put together wrongly is not printed."""
    match column.kind, cell:
        case (_, None) | ("text", str()):
            return cell
        case "units" | "money", int() if not isinstance(cell, bool):
            return cell
        case "share", int() | float() if not isinstance(cell, bool) and isfinite(cell):
            return cell
        case "moment", datetime(tzinfo=zone) if zone is not None:
            return cell.astimezone(UTC)
        case "date", date() if not isinstance(cell, datetime):
            return cell
    raise ValueError(f"{cell!r} is no {column.kind} for the column {column.name}")


def exact(cell: Cell, column: Column) -> str:
    """The cell for programs: nothing rounded, nothing grouped."""
    match column.kind, checked(cell, column):
        case _, None:
            return ""
        case "money", int(minor):
            return _major(minor, column.places, "")
        case "moment", datetime() as moment:
            return moment.isoformat().replace("+00:00", "Z")
        case _, value:
            return str(value)


def shown(cell: Cell, column: Column) -> str:
    """The cell for people: 1,234 and 1,234.50 and 12.3 % and 2027-03-02."""
    match column.kind, checked(cell, column):
        case _, None:
            return ""
        case "units", value:
            return f"{value:,}"
        case "share", value:
            return f"{value:.1%}".replace("%", " %")
        case "money", int(minor):
            return _major(minor, column.places, ",")
        case "moment", datetime() as moment:
            return f"{moment.replace(tzinfo=None).isoformat(' ', 'minutes')} UTC"
        case _, value:
            return str(value)


def _major(minor: int, places: int, group: str) -> str:
    whole, rest = divmod(abs(minor), 10**places)
    sign = "-" if minor < 0 else ""
    return f"{sign}{whole:{group}}" + (f".{rest:0{places}}" if places else "")
