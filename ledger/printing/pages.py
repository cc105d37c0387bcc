"""A report as PDF, to file or to print: A4, black on white, headings on every page. The same report is the same bytes.

A note at the end says which letters had to be replaced by which.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import UTC
from itertools import zip_longest
from typing import Literal

from msgspec import Struct

from ledger.printing.paper import FONT, MM_A_POINT, Letters, Paper, Style, in_lines, width_of
from ledger.printing.tables import Column, Report, Row, Table, shown

MARGIN, FOOT = 12.0, 16.0  # mm
GAP = 1.6  # mm, on both sides of a cell
LINE = 1.25  # of the height of a letter
WIDEST_TEXT = 60.0  # mm
NARROWEST_TEXT = 1.6  # mm a point

Orientation = Literal["portrait", "landscape"]

RIGHT = {"units", "share", "money"}


class TooWide(ValueError):
    """A table has more columns than a page holds in letters that can be read."""


#: how a table may stand, the best first: the sheet, the size of the letters in points, and whether texts may be broken for it
_WAYS: tuple[tuple[Orientation, float, bool], ...] = (
    ("portrait", 9.0, False),
    ("portrait", 8.0, False),
    ("landscape", 9.0, False),
    ("landscape", 8.0, False),
    ("landscape", 7.0, True),
    ("landscape", 6.0, True),
    ("landscape", 5.0, True),
    ("landscape", 4.0, True),
)
_ROOM: dict[Orientation, float] = {"portrait": 210 - 2 * MARGIN, "landscape": 297 - 2 * MARGIN}


def as_pdf(report: Report) -> bytes:
    """A report as one document."""
    letters = Letters()
    paper = _Paper(report, letters)
    _Pages(paper, letters).print(report)
    return bytes(paper.output())


class _Paper(Paper):
    """Sheets with a footer."""

    def __init__(self, report: Report, letters: Letters) -> None:
        super().__init__(report.title, report.made_at)
        self._foot = letters(f"{report.title}, as of {report.made_at.astimezone(UTC):%Y-%m-%d %H:%M} UTC")

    def footer(self) -> None:
        """What the page is of, and which one it is."""
        self.set_font(FONT, "", 7)
        self.text(MARGIN, self.h - MARGIN + 4, self._fitting(self._foot))
        self.set_xy(self.w - MARGIN - 36, self.h - MARGIN)
        self.cell(36, 5, f"page {self.page_no()} of {{nb}}", align="R")  # the number of pages, once it is known

    def _fitting(self, text: str) -> str:
        room = self.w - 2 * MARGIN - 36
        while width_of(text, 7) > room:
            text = text[:-2]
        return text


class _Layout(Struct, frozen=True, kw_only=True):
    """How a table stands on paper: on what sheet, the size of its letters, and how wide its columns are, in mm."""

    orientation: Orientation
    size: float
    widths: list[float]

    @property
    def line(self) -> float:
        """How high a line is."""
        return self.size * MM_A_POINT * LINE


def _layout(table: Table, natural: Sequence[float], sheets: Collection[str]) -> _Layout:
    """The best way for a table on these sheets, from the widths of its columns in letters of one point."""
    for orientation, size, broken in _WAYS:
        if orientation in sheets:
            widths = _widths(table.columns, natural, size, _ROOM[orientation], broken=broken)
            if widths is not None:
                return _Layout(orientation=orientation, size=size, widths=widths)
    raise TooWide(f"{table.title}: {len(table.columns)} columns are more than a page is wide")


def _widths(
    columns: Sequence[Column], natural: Sequence[float], size: float, room: float, *, broken: bool
) -> list[float] | None:
    """Numbers are never broken; texts are over WIDEST_TEXT, and narrower still where there is no other way."""
    widths = [width * size + 2 * GAP for width in natural]
    texts = [at for at, column in enumerate(columns) if column.kind == "text"]
    for at in texts:
        widths[at] = min(widths[at], WIDEST_TEXT)
    over = sum(widths) - room
    if over <= 0:
        return widths
    to_give = {at: max(0.0, widths[at] - NARROWEST_TEXT * size) for at in texts}
    if not broken or sum(to_give.values()) < over:
        return None
    for at, most in to_give.items():
        widths[at] -= over * most / sum(to_give.values())
    return widths


class _Pages:
    """Prints from the top of a page to its end, and goes on with the next."""

    def __init__(self, paper: _Paper, letters: Letters) -> None:
        self._paper = paper
        self._letters = letters
        self._y = 0.0
        self._orientation: Orientation = "portrait"

    def print(self, report: Report) -> None:
        """Title, then table after table, then what letters were replaced."""
        natural = [self._natural(table) for table in report.tables]
        together = list(zip(report.tables, natural, strict=True))
        layouts = [_layout(table, widths, _ROOM) for table, widths in together]
        if any(layout.orientation == "landscape" for layout in layouts):
            self._orientation = "landscape"
            layouts = [_layout(table, widths, {"landscape"}) for table, widths in together]
        self._new_page()
        self._paragraph(report.title, 14, "B")
        before: list[str] = []
        for table, layout in zip(report.tables, layouts, strict=True):
            told = [f"{fact.column.whole_heading}: {shown(fact.value, fact.column)}" for fact in table.facts]
            self._y += 3
            self._need(30)
            if table.title != report.title:
                self._paragraph(table.title, 11, "B")
            for line in told if told != before else ():
                self._paragraph(line, 9)
            before = told
            self._table(table, layout)
            for note in table.notes:
                self._paragraph(note, 8)
        for note in self._letters.notes():
            self._paragraph(note, 8)

    def _natural(self, table: Table) -> list[float]:
        """How wide each column would be in letters of one point, without its gaps."""
        widths = [self._widest(column.whole_heading.split(), "B") for column in table.columns]
        kinds: list[tuple[Style, Iterable[Row], tuple[Column, ...]]] = [("", table.rows, table.columns)]
        if table.totals is not None:
            kinds.append(("B", [table.totals], table.total_columns))
        for style, row, columns in ((style, row, columns) for style, rows, columns in kinds for row in rows):
            for at, (cell, column) in enumerate(zip(row, columns, strict=True)):
                text = self._letters(shown(cell, column))
                widths[at] = max(widths[at], self._widest(text.split("\n"), style))
        return widths

    def _widest(self, lines: Sequence[str], style: Style) -> float:
        return max((width_of(self._letters(line), 1, style) for line in lines), default=0.0)

    # --- down the page -----------------------------------------------------------------------------------------

    @property
    def _left(self) -> float:
        return self._paper.h - FOOT - self._y

    def _new_page(self) -> None:
        self._paper.add_page(self._orientation)
        self._y = MARGIN

    def _need(self, height: float) -> bool:
        """Go on with a new page if so much is not left of this one; True if so."""
        if height <= self._left:
            return False
        self._new_page()
        return True

    def _paragraph(self, text: str, size: float, style: Style = "") -> None:
        line = size * MM_A_POINT * LINE
        for part in in_lines(self._letters(text), _ROOM[self._orientation], size, style):
            self._need(line)
            self._write(MARGIN, part, size, style)
            self._y += line

    def _write(self, x: float, text: str, size: float, style: Style) -> None:
        """Text whose line begins at the present height."""
        self._paper.write_at(x, self._y, text, size, style)

    def _rule(self, layout: _Layout, width: float) -> None:
        self._paper.set_line_width(width)
        self._paper.line(MARGIN, self._y, MARGIN + sum(layout.widths), self._y)

    # --- a table -----------------------------------------------------------------------------------------------

    def _table(self, table: Table, layout: _Layout) -> None:
        self._y += 1
        headings = self._lines([column.whole_heading for column in table.columns], layout, "B")
        self._head(table, layout, headings)
        empty = True
        for row in table.rows:
            empty = False
            cells = [shown(cell, column) for cell, column in zip(row, table.columns, strict=True)]
            self._row(table, layout, headings, self._lines(cells, layout, ""), "")
        if empty:
            self._paragraph("nothing", layout.size)
        if table.totals is not None:
            cells = [shown(cell, column) for cell, column in zip(table.totals, table.total_columns, strict=True)]
            if self._need(2 * layout.line):
                self._head(table, layout, headings)
            self._rule(layout, 0.3)
            self._row(table, layout, headings, self._lines(cells, layout, "B"), "B")
        self._rule(layout, 0.3)
        self._y += 2

    def _head(self, table: Table, layout: _Layout, headings: Sequence[Sequence[str]]) -> None:
        for line in headings:
            self._cells(table, layout, line, "B")
        self._y += 0.6
        self._rule(layout, 0.15)
        self._y += 0.6

    def _row(
        self,
        table: Table,
        layout: _Layout,
        headings: Sequence[Sequence[str]],
        lines: Sequence[Sequence[str]],
        style: Style,
    ) -> None:
        """A row is kept together, unless it is longer than a page."""
        whole = layout.line * len(lines)
        page = self._paper.h - FOOT - MARGIN - layout.line * (len(headings) + 1)
        if whole > self._left and whole <= page:
            self._new_page()
            self._head(table, layout, headings)
        for line in lines:
            if self._need(layout.line):
                self._head(table, layout, headings)
            self._cells(table, layout, line, style)

    def _cells(self, table: Table, layout: _Layout, line: Sequence[str], style: Style) -> None:
        x = MARGIN
        for text, column, width in zip(line, table.columns, layout.widths, strict=True):
            indent = GAP
            if column.kind in RIGHT:
                indent = width - GAP - width_of(text, layout.size, style)
            self._write(x + indent, text, layout.size, style)
            x += width
        self._y += layout.line

    def _lines(self, cells: Sequence[str], layout: _Layout, style: Style) -> list[tuple[str, ...]]:
        """The lines of a row, each with a text, or none, for every column."""
        broken = [
            in_lines(self._letters(cell), width - 2 * GAP, layout.size, style)
            for cell, width in zip(cells, layout.widths, strict=True)
        ]
        return list(zip_longest(*broken, fillvalue=""))
