"""Both sides of every movement, as rows: the stock at any date, as it happened or as it was known on another.

Owns the table lines.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any

import psycopg

from ledger.log import queries
from ledger.plants.entries import type_of
from ledger.plants.recorded import Recorded, split_standing

SQL = queries.load("ledger.projections", "lines.sql")


def rows(entry: Recorded) -> Iterator[dict[str, Any]]:
    """The lines of one entry (the pure step of this projection)."""
    for number, move in enumerate(entry.moves):
        for account, other, units in ((move.source, move.target, -move.units), (move.target, move.source, move.units)):
            holder, stage, place = split_standing(account) or (None, None, None)
            yield {
                "position": entry.position,
                "line": number,
                "incoming": units > 0,
                "account": account,
                "other": other,
                "unit": move.unit,
                "units": units,
                "holder": holder,
                "stage": stage,
                "place": place,
                "at": entry.at(move),
                "booked_on": move.booked_on or entry.booked_on,
                "recorded_at": entry.recorded_at,
                "type": type_of(entry.told),
                "person": entry.told.by,
                "count": move.count,
                "order_ref": move.order,
            }


class Lines:
    """The projection as the runner knows it."""

    name = "lines"
    version = 2
    with_the_pen = False
    tables = queries.text("ledger.projections", "lines.tables.sql")

    def apply(self, cursor: psycopg.Cursor[Any], entries: Sequence[Recorded]) -> None:
        """Add the lines of a chunk of the log, in order."""
        made = [row for entry in entries for row in rows(entry)]
        if made:
            cursor.execute(SQL["put"], {column: [row[column] for row in made] for column in made[0]})
