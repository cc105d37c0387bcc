"""Tables of reports as a page shows them: what a cell says, whether it is a number, and only so many rows."""

from __future__ import annotations

from collections.abc import Callable

from msgspec import Struct

from ledger.printing.tables import Cell, Column, Table, shown

MOST = 200
Leads = Callable[[Column, Cell], str | None]


class Heading(Struct, frozen=True, kw_only=True):
    """The heading of a column."""

    text: str
    number: bool


class Shown(Struct, frozen=True, kw_only=True):
    """A cell. label: its column's heading, for screens on which a row is a card."""

    text: str
    label: str
    number: bool
    href: str | None = None


class Tabled(Struct, frozen=True, kw_only=True):
    """A table for the template."""

    title: str
    headings: list[Heading]
    rows: list[list[Shown]]
    totals: list[Shown]
    notes: tuple[str, ...]
    in_all: int

    @property
    def left_out(self) -> bool:
        """Whether some rows are not shown."""
        return self.in_all > len(self.rows)


def _nowhere(_: Column, __: Cell) -> str | None:
    return None


def tabled(table: Table, most: int = MOST, leads: Leads = _nowhere) -> Tabled:
    """The first rows of a table, without columns in which nothing stands. leads: where a cell's link leads to."""
    rows = list(table.rows)
    places = [at for at in range(len(table.columns)) if not rows or any(row[at] is not None for row in rows)]
    columns = [table.columns[at] for at in places]

    def cell(column: Column, value: Cell, *, link: bool) -> Shown:
        href = leads(column, value) if link else None
        return Shown(text=shown(value, column), label=column.whole_heading, number=column.kind in _NUMBERS, href=href)

    totals = []
    if table.totals is not None and rows:
        totals = [cell(table.total_columns[at], table.totals[at], link=False) for at in places]
    return Tabled(
        title=table.title,
        headings=[Heading(text=column.whole_heading, number=column.kind in _NUMBERS) for column in columns],
        rows=[[cell(table.columns[at], row[at], link=True) for at in places] for row in rows[:most]],
        totals=totals,
        notes=table.notes,
        in_all=len(rows),
    )


_NUMBERS = ("units", "share", "money")
