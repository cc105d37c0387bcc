"""A stored sample of every (type, schema), kept for ever: what was once written can always be read and folded.

`<type>.<schema>.json`, or `<type>.<schema>.<what is special>.json`, holds one row as it is kept in the log, to the byte. A
sample is never changed and never removed. A new type, schema or field gets a new one: tell the entry to a
`tests.plants.memory.Ledger`, after what it needs, and keep what `codec.encode` makes of it.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import pytest
import rfc8785

from ledger.log import codec
from ledger.plants.book import Book, Missing
from ledger.plants.cards import Key
from ledger.plants.entries import TYPES, Lost, Told, type_of
from ledger.plants.evolve import evolve
from ledger.plants.recorded import Move, Recorded, split_standing


class Sample(NamedTuple):
    """A kept row, by the name of its file."""

    kind: str
    schema: int
    content: bytes


def _read(path: Path) -> Sample:
    kind, schema, *_ = path.name.split(".")
    return Sample(kind, int(schema), path.read_bytes())


SAMPLES = {path.name: _read(path) for path in sorted(Path(__file__).parent.glob("*.json"))}


def without_a_sample(samples: Iterable[Sample]) -> list[tuple[str, int]]:
    """Every (type, schema) up to today's of which no sample is kept."""
    kept = {(sample.kind, sample.schema) for sample in samples}
    wanted = {(kind, schema) for kind, record in TYPES.items() for schema in range(1, record.SCHEMA + 1)}
    return sorted(wanted - kept)


def decoded(sample: Sample) -> Recorded:
    """The sample as an entry of today."""
    return codec.decode(sample.content, sample.kind, sample.schema)


def folded(entries: Iterable[Recorded]) -> Book:
    """The book after these entries, in the order of positions. Raises AssertionError where one touches nothing."""
    ordered = sorted(entries, key=lambda entry: entry.position)
    book = Book()
    for entry in ordered:
        while True:
            try:
                touched: list[tuple[Key, int]] = evolve(book, entry)
            except Missing as missing:
                if missing.card is not None:
                    book.cards[missing.card] = None
                elif missing.entry is not None:
                    book.entries[missing.entry] = next((told for told in ordered if told.told.id == missing.entry), None)
                continue
            assert touched, f"{type_of(entry.told)} changed no card"
            break
    return book


# --- every type and schema -----------------------------------------------------------------------------------------


def test_every_type_has_a_sample_of_every_schema() -> None:
    """Up to the one of today; keep what is missing as tests/entries/<type>.<schema>.json."""
    assert without_a_sample(SAMPLES.values()) == []


def test_a_type_without_a_sample_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A type of tomorrow, and a schema of tomorrow, are missing until their samples are kept."""
    monkeypatch.setitem(TYPES, "watered", Lost)
    monkeypatch.setattr(Lost, "SCHEMA", 2)
    assert without_a_sample(SAMPLES.values()) == [("lost", 2), ("watered", 1), ("watered", 2)]


def test_every_field_of_every_type_is_told_in_a_sample() -> None:
    """A field that is renamed or dropped without a step cannot go unnoticed."""
    told: dict[str, set[str]] = {kind: set() for kind in TYPES}
    for sample in SAMPLES.values():
        told[sample.kind] |= json.loads(sample.content)["told"].keys() - {"type"}
    assert told == {kind: {field.encode_name for field in msgspec.structs.fields(record)} for kind, record in TYPES.items()}


def test_every_field_of_a_movement_and_of_a_row_is_in_a_sample() -> None:
    """Also those that only reversals, counts and orders have."""
    rows = [json.loads(sample.content) for sample in SAMPLES.values()]
    moved = {name for row in rows for move in row.get("moves", ()) for name in move}
    assert moved == {field.encode_name for field in msgspec.structs.fields(Move)}
    assert {name for row in rows for name in row} == {field.encode_name for field in msgspec.structs.fields(Recorded)}


# --- every sample --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_decodes_as_what_it_says(name: str) -> None:
    """Its file's name tells type and schema, and so does the row."""
    sample = SAMPLES[name]
    row = json.loads(sample.content)
    assert (row["told"]["type"], row["schema"]) == (sample.kind, sample.schema)
    entry = decoded(sample)
    assert (type_of(entry.told), entry.schema) == (sample.kind, sample.schema)
    assert type(entry.told) is TYPES[sample.kind]


@pytest.mark.parametrize("name", SAMPLES)
def test_a_sample_is_canonical_json(name: str) -> None:
    """As RFC 8785 has it, by a library that is not our encoder."""
    content = SAMPLES[name].content
    assert rfc8785.dumps(json.loads(content)) == content


@pytest.mark.parametrize("name", [name for name, sample in SAMPLES.items() if sample.schema == TYPES[sample.kind].SCHEMA])
def test_a_sample_of_today_s_schema_is_encoded_to_the_very_same_bytes(name: str) -> None:
    """What is written today is what was written then."""
    assert codec.encode(decoded(SAMPLES[name])) == SAMPLES[name].content


@pytest.mark.parametrize("name", SAMPLES)
def test_what_a_sample_tells_can_be_told_again(name: str) -> None:
    """The told part, posted with its schema, reads as the same entry: an export is good to import."""
    row: dict[str, Any] = json.loads(SAMPLES[name].content)
    assert codec.read_told({**row["told"], "schema": row["schema"]}) == [decoded(SAMPLES[name]).told]


def test_the_samples_fold_to_a_book() -> None:
    """Together they are one story: each changes a card, its plants stand where they were moved to, and no unit is made."""
    entries = [decoded(sample) for sample in SAMPLES.values()]
    book = folded(entries)
    sums: dict[str, int] = {}
    for entry in entries:
        for move in entry.moves:
            for account, units in ((move.source, -move.units), (move.target, move.units)):
                sums[f"{account} {move.unit}"] = sums.get(f"{account} {move.unit}", 0) + units
    for name, units in sums.items():
        account, unit = name.split(" ")
        where = split_standing(account)
        if where is None:
            assert book.outside(unit).units[account] == units
        else:
            card = book.holder(where[0])
            assert card is not None
            assert card.standing[f"{where[1]}/{where[2]}"].units == units
    assert sum(sums.values()) == 0


@pytest.mark.parametrize("kind", TYPES)
def test_a_told_field_is_never_of_a_type_that_json_cannot_keep(kind: str) -> None:
    """No binary fraction anywhere in the log: money is a decimal in text, days and units are whole numbers."""
    record: type[Told] = TYPES[kind]
    assert not any("FloatType" in repr(msgspec.inspect.type_info(field.type)) for field in msgspec.structs.fields(record))
