"""Lists to carry about and write on: big rows, boxes to write in, one part a page, its heading on every page of it."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from msgspec import Struct

from ledger.printing.paper import FONT, MM_A_POINT, Letters, Paper, Style, in_lines

ROW = 11.0  # mm: room for a pencil in a glove
_MARGIN, _FOOT = 12.0, 16.0
_LETTERS, _GAP, _LINE = 11.0, 1.5, 1.2
_WIDE, _HIGH = 210.0, 297.0


class Column(Struct, frozen=True, kw_only=True):
    """A column: its heading, its part of the width, and whether it is a box to write in."""

    heading: str
    share: int
    box: bool = False
    bold: bool = False


class Part(Struct, frozen=True, kw_only=True):
    """What is done at one bench, or on one round. Rows have a text for every column that is no box."""

    heading: str
    columns: tuple[Column, ...]
    rows: Sequence[Sequence[str]]
    notes: tuple[str, ...] = ()


class Checklist(Struct, frozen=True, kw_only=True):
    """A list of parts, each begun on a new page. about: what holds for all, told on every page."""

    title: str
    about: str
    made_at: datetime
    parts: tuple[Part, ...]


def as_list(found: Checklist) -> bytes:
    """A list as a document."""
    letters = Letters()
    paper = _Paper(found, letters)
    printer = _Printer(paper, letters)
    for part in found.parts:
        printer.print(part)
    if not found.parts:
        paper.add_page()
        paper.write_at(_MARGIN, paper.top, "Nothing to do.", _LETTERS)
    return bytes(paper.output())


class _Paper(Paper):
    """A4 with what the list is of at the head, and the number of the page at the foot."""

    def __init__(self, found: Checklist, letters: Letters) -> None:
        super().__init__(found.title, found.made_at)
        self._title, self._about = letters(found.title), in_lines(letters(found.about), _WIDE - 2 * _MARGIN, 8)
        self.top = _MARGIN + 8 + 4 * len(self._about)

    def header(self) -> None:
        """What the list is of."""
        self.write_at(_MARGIN, _MARGIN, self._title, 16, "B")
        for nth, line in enumerate(self._about):
            self.write_at(_MARGIN, _MARGIN + 8 + 4 * nth, line, 8)

    def footer(self) -> None:
        """Which page it is."""
        self.set_font(FONT, "", 7)
        self.set_xy(_WIDE - _MARGIN - 36, _HIGH - _MARGIN)
        self.cell(36, 5, f"page {self.page_no()} of {{nb}}", align="R")


class _Printer:
    def __init__(self, paper: _Paper, letters: Letters) -> None:
        self._paper = paper
        self._letters = letters
        self._y = 0.0

    def print(self, part: Part) -> None:
        """A part from the top of a page on."""
        shares = sum(column.share for column in part.columns)
        widths = [column.share / shares * (_WIDE - 2 * _MARGIN) for column in part.columns]
        self._begin(part, widths)
        for note in part.notes:
            self._lines(note, 9, "")
        self._head(part, widths)
        if not part.rows:
            self._lines("Nothing.", _LETTERS, "")
        for row in part.rows:
            self._row(part, widths, row)

    def _begin(self, part: Part, _: Sequence[float]) -> None:
        self._paper.add_page()
        self._y = self._paper.top + 2
        self._lines(part.heading, 13, "B")
        self._y += 1

    def _lines(self, text: str, size: float, style: Style) -> None:
        for line in in_lines(self._letters(text), _WIDE - 2 * _MARGIN, size, style):
            self._paper.write_at(_MARGIN, self._y, line, size, style)
            self._y += size * MM_A_POINT * _LINE

    def _head(self, part: Part, widths: Sequence[float]) -> None:
        self._y += 2
        cells = [
            in_lines(self._letters(column.heading), width - 2 * _GAP, 8, "B")
            for column, width in zip(part.columns, widths, strict=True)
        ]
        x = _MARGIN
        for lines, width in zip(cells, widths, strict=True):
            for nth, line in enumerate(lines):
                self._paper.write_at(x + _GAP, self._y + nth * 8 * MM_A_POINT * _LINE, line, 8, "B")
            x += width
        self._y += max(map(len, cells)) * 8 * MM_A_POINT * _LINE + 0.8
        self._rule(0.3)

    def _row(self, part: Part, widths: Sequence[float], row: Sequence[str]) -> None:
        texts = iter(row)
        cells: list[list[str] | None] = []
        for column, width in zip(part.columns, widths, strict=True):
            style: Style = "B" if column.bold else ""
            cells.append(None if column.box else in_lines(self._letters(next(texts)), width - 2 * _GAP, _LETTERS, style))
        line = _LETTERS * MM_A_POINT * _LINE
        height = max(ROW, 3 + line * max(len(cell or ()) for cell in cells))
        if self._y + height > _HIGH - _FOOT:
            self._begin(part, widths)
            self._head(part, widths)
        x = _MARGIN
        for cell, column, width in zip(cells, part.columns, widths, strict=True):
            if cell is None:
                self._paper.set_line_width(0.3)
                self._paper.rect(x + _GAP, self._y + 1.2, width - 2 * _GAP, ROW - 2.4)
            for nth, text in enumerate(cell or ()):
                self._paper.write_at(x + _GAP, self._y + 2.5 + nth * line, text, _LETTERS, "B" if column.bold else "")
            x += width
        self._y += height
        self._rule(0.1)

    def _rule(self, width: float) -> None:
        self._paper.set_line_width(width)
        self._paper.line(_MARGIN, self._y, _WIDE - _MARGIN, self._y)
