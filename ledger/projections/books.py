"""The books, following the log: lines of units and value, and what the cost flow has to remember from entry to entry.

Owns the tables book_lines, book_months, book_batches and book_state. What the lines say is decided in `ledger.books.flow`.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from typing import Any
from uuid import UUID

import msgspec
import psycopg

from ledger.books import flow
from ledger.books.flow import BatchOf, CropBooks, Line, Reference, Shelf
from ledger.log import queries, store
from ledger.plants.entries import Reversed
from ledger.plants.recorded import Recorded

SQL = queries.load("ledger.projections", "books.sql")

#: under which the reference is kept beside the crops
_REFERENCE = ""

_encoder = msgspec.json.Encoder(order="deterministic")


def load(cursor: psycopg.Cursor[Any], batches: Iterable[str], crops: Iterable[str]) -> Shelf:
    """What the flow remembers of some batches, their crops and some more crops; and the reference."""
    shelf = Shelf()
    for batch, crop, size, tray_cells in cursor.execute(SQL["batches"], {"batches": list(batches)}).fetchall():
        shelf.batches[batch] = BatchOf(crop=crop, size=size, tray_cells=tray_cells)
    wanted = {_REFERENCE, *crops, *(of.crop for of in shelf.batches.values())}
    for crop, state in cursor.execute(SQL["states"], {"crops": list(wanted)}).fetchall():
        if crop == _REFERENCE:
            shelf.reference = msgspec.json.decode(state, type=Reference)
        else:
            shelf.crops[crop] = msgspec.json.decode(state, type=CropBooks)
    return shelf


class Books:
    """The projection as the runner knows it."""

    name = "books"
    version = 2
    with_the_pen = False
    tables = queries.text("ledger.projections", "books.tables.sql")

    def apply(self, cursor: psycopg.Cursor[Any], entries: Sequence[Recorded]) -> None:
        """Add a chunk of the log, in order."""
        taken_back = [entry.told.entry for entry in entries if isinstance(entry.told, Reversed)]
        originals = store.known(cursor, taken_back)[1] if taken_back else {}
        looks = {entry_id: recorded for entry_id, (_, recorded) in originals.items() if flow.looks(recorded)}
        batches = {batch for entry in [*entries, *looks.values()] for batch in flow.batches_of(entry)}
        crops = {crop for entry in entries for crop in flow.crops_of(entry)}
        shelf = load(cursor, batches, crops)
        shelf.look_of = looks.get
        before = _states(shelf)
        named = dict(shelf.batches)
        made = self._lines(cursor, shelf, entries, taken_back)
        self._put(cursor, "put_lines", [msgspec.structs.asdict(line) for line in made])
        self._put(cursor, "add_months", _by_month(made))
        self._put(
            cursor,
            "put_batches",
            [
                {"batch": batch, "crop": of.crop, "size": of.size, "tray_cells": of.tray_cells}
                for batch, of in shelf.batches.items()
                if named.get(batch) != of
            ],
        )
        changed = [
            {"crop": crop, "state": state.decode()} for crop, state in _states(shelf).items() if before.get(crop) != state
        ]
        self._put(cursor, "put_states", changed)

    def _lines(
        self, cursor: psycopg.Cursor[Any], shelf: Shelf, entries: Sequence[Recorded], taken_back: Sequence[UUID]
    ) -> list[Line]:
        """Every line of the chunk. What is taken back may be of the chunk itself or of the past."""
        past: dict[UUID, list[Line]] = {}
        if taken_back:
            for entry_id, *row in cursor.execute(SQL["lines_of"], {"ids": list(taken_back)}).fetchall():
                past.setdefault(entry_id, []).append(Line(**dict(zip(Line.__struct_fields__, row, strict=True))))
        shelf.lines_of = lambda entry_id: past.get(entry_id, ())
        made: list[Line] = []
        for entry in entries:
            lines = flow.apply(shelf, entry)
            if entry.told.id in taken_back:
                past[entry.told.id] = lines
            made += lines
        return made

    def _put(self, cursor: psycopg.Cursor[Any], name: str, rows: Sequence[dict[str, Any]]) -> None:
        if rows:
            cursor.execute(SQL[name], {column: [row[column] for row in rows] for column in rows[0]})


def _states(shelf: Shelf) -> dict[str, bytes]:
    """What is kept of each crop, and of the reference."""
    states: dict[str, CropBooks | Reference] = {**shelf.crops, _REFERENCE: shelf.reference}
    return {crop: _encoder.encode(state) for crop, state in states.items()}


def _by_month(lines: Iterable[Line]) -> list[dict[str, Any]]:
    """The sums of lines by pool, month, flow and cause."""
    sums: dict[tuple[Any, ...], list[int]] = {}
    for line in lines:
        key = (line.crop, line.size, line.stage, line.day.replace(day=1), line.flow, line.cause)
        total = sums.setdefault(key, [0, 0, 0, 0])
        for at, amount in enumerate((line.units, line.value, line.cost, line.normal)):
            total[at] += amount
    names = ("crop", "size", "stage", "month", "flow", "cause", "units", "value", "cost", "normal")
    return [dict(zip(names, (*key, *total), strict=True)) for key, total in sums.items()]
