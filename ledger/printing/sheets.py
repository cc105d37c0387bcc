"""A report as XLSX: a sheet for each table, real numbers and dates, ready to print. Rows go to the file as they come.

A text is always written as a string, never as a formula or a link.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime
from io import BytesIO
from itertools import chain, islice
from typing import BinaryIO

from xlsxwriter import Workbook
from xlsxwriter.format import Format
from xlsxwriter.worksheet import Worksheet

from ledger.printing.tables import Cell, Column, Report, Row, Table, checked, exact, shown
from ledger.printing.text import looks_like_a_formula, writable

MOST_ROWS = 1_000_000  # of a table on one sheet; 1,048,576 is the end of a sheet
MOST_DIGITS = 10**15  # a spreadsheet keeps fifteen digits of a number
MOST_LETTERS = 16_383  # it takes twice as many, but counts some letters as two
FIRST_DAY = date(1900, 3, 1)  # before it spreadsheets disagree by a day
NARROWEST, WIDEST = 8, 48
A4 = 9

_OPTIONS = {"constant_memory": True, "strings_to_formulas": False, "strings_to_urls": False, "strings_to_numbers": False}


def as_xlsx(report: Report) -> bytes:
    """A report as one file."""
    file = BytesIO()
    write_xlsx(report, file)
    return file.getvalue()


def write_xlsx(report: Report, file: BinaryIO) -> None:
    """Write a report into an open file. The same report is the same bytes."""
    with Workbook(file, _OPTIONS) as book:
        made_at = report.made_at.astimezone(UTC).replace(tzinfo=None)
        book.set_properties({"title": writable(report.title), "created": made_at})
        formats = _Formats(book)
        taken: set[str] = set()
        for table in report.tables:
            for part in _parts(table.rows):
                sheet = book.add_worksheet(_tab(table.title, taken))
                _Sheet(sheet, formats, report, table).write(part)


def _parts(rows: Iterable[Row]) -> Iterator[Iterable[Row]]:
    """The rows, as many at a time as a sheet holds; once at least."""
    left = iter(rows)
    yield islice(left, MOST_ROWS)
    for row in left:
        yield chain((row,), islice(left, MOST_ROWS - 1))


def _tab(title: str, taken: set[str]) -> str:
    """A name for a sheet that spreadsheets take: 31 letters, some not allowed, no name twice."""
    plain = re.sub(r"[\[\]:*?/\\']", " ", writable(title)).strip()[:24].strip() or "Table"
    name, number = plain, 1
    while name.casefold() in taken or name.casefold() == "history":
        number += 1
        name = f"{plain} ({number})"
    taken.add(name.casefold())
    return name


class _Formats:
    """The formats of a book, each made once: of a kind of column, in the rows or (ruled, bold) in the totals."""

    def __init__(self, book: Workbook) -> None:
        self._book = book
        self._made: dict[tuple[str, bool, bool], Format] = {}
        self.title = book.add_format({"bold": True, "font_size": 14})
        self.heading = book.add_format({"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom"})
        self.number_heading = book.add_format(
            {"bold": True, "bottom": 1, "text_wrap": True, "valign": "bottom", "align": "right"}
        )

    def of(self, column: Column, *, total: bool, quoted: bool = False) -> Format:
        """quoted: stays a text also when somebody edits the cell."""
        shape = {
            "text": "@",
            "units": "#,##0",
            "share": "0.0%",
            "money": "#,##0" + (f".{'0' * column.places}" if column.places else ""),
            "date": "yyyy-mm-dd",
            "moment": "yyyy-mm-dd hh:mm",
        }[column.kind]
        key = (shape, total, quoted)
        if key not in self._made:
            properties = {"num_format": shape if column.kind != "text" else "General", "quote_prefix": quoted}
            self._made[key] = self._book.add_format(properties | ({"bold": True, "top": 1} if total else {}))
        return self._made[key]


class _Sheet:
    """One sheet, written from the top down: title, facts, headings, rows, totals, notes."""

    def __init__(self, sheet: Worksheet, formats: _Formats, report: Report, table: Table) -> None:
        self._sheet = sheet
        self._formats = formats
        self._report = report
        self._table = table
        self._row = 0
        self._widths = [max(map(len, column.whole_heading.split()), default=0) for column in table.columns]
        self._largest = [0] * len(table.columns)

    def write(self, rows: Iterable[Row]) -> None:
        """All of it."""
        self._head()
        columns = self._table.columns
        written = [[self._formats.of(column, total=False, quoted=quoted) for quoted in (False, True)] for column in columns]
        for row in rows:
            for at, (cell, column, formats) in enumerate(zip(row, columns, written, strict=True)):
                self._write(at, cell, column, formats)
                self._widen(at, cell)
            self._row += 1
        self._foot()
        for at, column in enumerate(columns):
            self._sheet.set_column(at, at, min(max(self._width(at, column) + 2, NARROWEST), WIDEST))

    def _head(self) -> None:
        sheet, formats = self._sheet, self._formats
        sheet.set_paper(A4)
        sheet.set_landscape()
        sheet.fit_to_pages(1, 0)
        sheet.set_footer("&L&A&RPage &P of &N")
        title = self._table.title if self._table.title == self._report.title else f"{self._report.title}: {self._table.title}"
        sheet.write_string(0, 0, _fitting(title), formats.title)
        for fact in self._table.facts:
            self._row += 1
            sheet.write_string(self._row, 0, _fitting(fact.column.whole_heading))
            self._write(
                1, fact.value, fact.column, [formats.of(fact.column, total=False, quoted=each) for each in (False, True)]
            )
        self._row += 2
        for at, column in enumerate(self._table.columns):
            format_of = formats.heading if column.kind == "text" else formats.number_heading
            sheet.write_string(self._row, at, _fitting(column.whole_heading), format_of)
        sheet.repeat_rows(self._row)
        self._row += 1
        sheet.freeze_panes(self._row, 0)

    def _foot(self) -> None:
        if self._table.totals is not None:
            for at, (cell, column) in enumerate(zip(self._table.totals, self._table.total_columns, strict=True)):
                ruled = [self._formats.of(column, total=True, quoted=quoted) for quoted in (False, True)]
                self._write(at, cell, column, ruled)
                self._widen(at, cell)
            self._row += 1
        for note in self._table.notes:
            self._row += 1
            self._sheet.write_string(self._row, 0, _fitting(note))

    def _write(self, at: int, cell: Cell, column: Column, formats: Sequence[Format]) -> None:
        sheet, plain, row = self._sheet, formats[0], self._row
        match column.kind, checked(cell, column):
            case _, None:
                sheet.write_blank(row, at, None, plain)
            case "units", int(number) if abs(number) < MOST_DIGITS:
                sheet.write_number(row, at, number, plain)
            case "money", int(minor) if abs(minor) < MOST_DIGITS:
                sheet.write_number(row, at, minor / 10**column.places, plain)
            case "share", int(share) | float(share):
                sheet.write_number(row, at, share, plain)
            case "date", date() as day if day >= FIRST_DAY:
                sheet.write_datetime(row, at, datetime(day.year, day.month, day.day), plain)  # noqa: DTZ001 - a day has no zone
            case "moment", datetime() as moment if moment.date() >= FIRST_DAY:
                sheet.write_datetime(row, at, moment.replace(tzinfo=None), plain)
            case _, value:
                text = _fitting(str(value)) if column.kind == "text" else exact(cell, column)
                sheet.write_string(row, at, text, formats[looks_like_a_formula(text)])

    def _widen(self, at: int, cell: Cell) -> None:
        """Numbers are not shown here to be measured: the largest of a column is enough, at the end."""
        if isinstance(cell, str):
            self._widths[at] = max(self._widths[at], len(cell))
        elif isinstance(cell, int):
            self._largest[at] = max(self._largest[at], abs(cell))

    def _width(self, at: int, column: Column) -> int:
        match column.kind:
            case "units" | "money":
                return max(self._widths[at], len(shown(-self._largest[at], column)))
            case "date" | "moment":
                return max(self._widths[at], len("2027-03-02" if column.kind == "date" else "2027-03-02 09:00"))
            case _:
                return self._widths[at]


def _fitting(text: str) -> str:
    """A text that a cell can hold; where it is cut, that can be seen."""
    plain = writable(text).replace("\r\n", "\n").replace("\r", "\n")
    return plain if len(plain) <= MOST_LETTERS else plain[: MOST_LETTERS - 1] + "…"
