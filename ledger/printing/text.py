"""A table as CSV (RFC 4180, UTF-8), and what makes a text harmless in a spreadsheet. Pure.

One line of names, then the rows as programs take them, with what holds for all of them beside each. There are no totals: a
column can be summed. Numbers are never touched, negative ones neither: they are not texts.
"""

from __future__ import annotations

import csv
import io
import re
import unicodedata
from collections.abc import Iterator

from ledger.printing.tables import NOTES, Cell, Column, Table, exact

#: what XML has no character for, and UTF-8 no bytes
_UNWRITABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
#: a sign that begins a formula; in its full-width and small forms some programs read it too
_SIGNS = "=+\\-@" + "".join(
    each for each in map(chr, range(0xA0, 0x10000)) if unicodedata.normalize("NFKC", each) in {"=", "+", "-", "@"}
)
_BLANK = "\\s\u200b-\u200f\u2060\ufeff"
_FORMULA = re.compile(f"[\t\r\n]|[{_BLANK}]*[{_SIGNS}]")
#: the same where a program takes another sign than the comma to end a cell
_WITHIN = re.compile(f'(?<=[;\t\r\n])([{_BLANK}"]*)(?=[{_SIGNS}])')

APOSTROPHE = "A text that a spreadsheet could take for a formula has an apostrophe before it."


def writable(text: str) -> str:
    """The text without control characters and halves of characters."""
    return _UNWRITABLE.sub("", text)


def looks_like_a_formula(text: str) -> bool:
    """True for a text that a spreadsheet could run when it opens a file of text."""
    return _FORMULA.match(text) is not None


def harmless(text: str) -> str:
    """The text as it may stand in a file that a spreadsheet opens, whatever it takes for the end of a cell."""
    text = _WITHIN.sub(r"\1'", writable(text))
    return f"'{text}" if looks_like_a_formula(text) else text


def as_csv(table: Table) -> bytes:
    """A table as CSV. The last column has the notes, in the first row only."""
    text = io.StringIO(newline="")
    lines = csv.writer(text)
    told = [_told(fact.value, fact.column) for fact in table.facts]
    lines.writerow([*(column.name for column in table.columns), *(fact.column.name for fact in table.facts), NOTES])
    notes = _notes(table)
    for row in table.rows:
        cells = (_told(cell, column) for cell, column in zip(row, table.columns, strict=True))
        lines.writerow([*cells, *told, next(notes)])
    return text.getvalue().encode()


def _notes(table: Table) -> Iterator[str]:
    yield harmless(" ".join((*table.notes, APOSTROPHE)))
    while True:
        yield ""


def _told(cell: Cell, column: Column) -> str:
    return harmless(exact(cell, column)) if column.kind == "text" else exact(cell, column)
