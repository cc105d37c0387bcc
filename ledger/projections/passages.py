"""How plants passed through the stages of each batch, by day: entered, joined, left, lost, counted.

Owns the tables passages, stays (the same summed up by batch and stage) and count_differences. A movement against the order
of life (a set-back, a put-back) takes the earlier passage back instead of counting the plant twice; a reversal takes its
entry's passages back.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from datetime import date
from typing import Any, NamedTuple
from uuid import UUID

import psycopg
from msgspec.structs import replace

from ledger.log import queries
from ledger.plants.entries import Reversed, Stage
from ledger.plants.recorded import LIFE, LOSS, STOCK, Move, Recorded, split_standing

SQL = queries.load("ledger.projections", "passages.sql")

_RANK = {stage.value: rank for rank, stage in enumerate(LIFE)} | {Stage.SECONDS.value: LIFE.index(Stage.FINISHED)}


class Passage(NamedTuple):
    """Plants of a batch that came into a stage, or left it, on one day and by one way."""

    batch: str
    stage: str
    day: date
    flow: str
    via: str


class Difference(NamedTuple):
    """By how much one count was away from the book, and where it was taken."""

    entry: UUID
    batch: str
    stage: str
    place: str
    day: date


def steps(entry: Recorded) -> Iterator[tuple[Passage | Difference, int]]:
    """What one entry adds (the pure step of this projection): passages and count differences with signed units."""
    taking_back = isinstance(entry.told, Reversed)
    for move in entry.moves:
        day = move.booked_on or entry.booked_on
        if move.count is not None:
            yield from _difference(move, move.count, day)
        elif taking_back:
            for passage, units in _passages(replace(move, source=move.target, target=move.source), day):
                yield passage, -units
        else:
            yield from _passages(move, day)


def _difference(move: Move, count: UUID, day: date) -> Iterator[tuple[Passage | Difference, int]]:
    found = split_standing(move.source) is None
    where = split_standing(move.target if found else move.source)
    assert where is not None
    if where[1] == STOCK:
        return
    units = move.units if found else -move.units
    yield Passage(where[0], where[1], day, "counted", ""), units
    yield Difference(count, *where, day), units


def _passages(move: Move, day: date) -> Iterator[tuple[Passage, int]]:
    source, target = split_standing(move.source), split_standing(move.target)
    if (source is not None and source[1] == STOCK) or (target is not None and target[1] == STOCK):
        return
    if source is not None and target is not None:
        (batch, stage, _), (to_batch, to_stage, _) = source, target
        if batch != to_batch:
            yield Passage(batch, stage, day, "joined", to_batch), -move.units
            yield Passage(to_batch, to_stage, day, "joined", batch), move.units
        elif _RANK[to_stage] > _RANK[stage]:
            yield Passage(batch, stage, day, "left", to_stage), move.units
            yield Passage(batch, to_stage, day, "entered", stage), move.units
        elif _RANK[to_stage] < _RANK[stage]:
            yield Passage(batch, to_stage, day, "left", stage), -move.units
            yield Passage(batch, stage, day, "entered", to_stage), -move.units
    elif source is not None:
        lost = move.target.startswith(LOSS)
        yield Passage(*source[:2], day, "lost" if lost else "left", move.target.removeprefix(LOSS)), move.units
    elif target is not None:
        yield Passage(*target[:2], day, "entered", move.source), move.units


class Passages:
    """The projection as the runner knows it."""

    name = "passages"
    version = 3
    with_the_pen = False
    tables = queries.text("ledger.projections", "passages.tables.sql")

    def apply(self, cursor: psycopg.Cursor[Any], entries: Sequence[Recorded]) -> None:
        """Add a chunk of the log, in order."""
        passages: Counter[Passage] = Counter()
        differences: Counter[Difference] = Counter()
        for entry in entries:
            for step, units in steps(entry):
                if isinstance(step, Passage):
                    passages[step] += units
                else:
                    differences[step] += units
        for name, summed, fields in (("add", passages, Passage._fields), ("add_counts", differences, Difference._fields)):
            if summed:
                columns: dict[str, list[Any]] = {field: [key[place] for key in summed] for place, field in enumerate(fields)}
                cursor.execute(SQL[name], {**columns, "units": list(summed.values())})
        if passages:
            touched = list({(passage.batch, passage.stage) for passage in passages})
            cursor.execute(SQL["sum_up"], {"batch": [batch for batch, _ in touched], "stage": [stage for _, stage in touched]})
