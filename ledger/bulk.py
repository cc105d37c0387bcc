"""Entries from files: JSON lines or CSV, as a person or another program would keep them.

An entry without an id gets one made from its own content and its line, so that the same file posted twice is written once.
"""

from __future__ import annotations

import csv
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any
from uuid import NAMESPACE_URL, uuid5

import msgspec

from ledger.log import codec
from ledger.plants.entries import TYPES

_SPACE = uuid5(NAMESPACE_URL, "tallybench:file")


def read(path: Path) -> list[dict[str, Any]]:
    """The entries of a file, as they would be posted. Raises codec.Unreadable with the line that cannot be read."""
    lines = _csv(path) if path.suffix.lower() == ".csv" else _json_lines(path)
    return [_with_id(item, number) for number, item in lines]


def _with_id(item: dict[str, Any], line: int) -> dict[str, Any]:
    return item if "id" in item else {**item, "id": str(uuid5(_SPACE, f"{line}:{json.dumps(item, sort_keys=True)}"))}


def _json_lines(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    with path.open("rb") as file:
        for number, line in enumerate(file, 1):
            if not line.strip():
                continue
            try:
                item = codec.read_json(line)
            except codec.Unreadable as error:
                raise codec.Unreadable(f"line {number}: {error}") from None
            if not isinstance(item, dict):
                raise codec.Unreadable(f"line {number}: an entry is a JSON object, one a line")
            yield number, item


def _csv(path: Path) -> Iterator[tuple[int, dict[str, Any]]]:
    """The head names the fields; an empty cell is a field left out; lists and objects are written as JSON in their cell."""
    with path.open(encoding="utf-8-sig", newline="") as file:
        table = csv.DictReader(file, strict=True)
        if not table.fieldnames or "type" not in table.fieldnames:
            raise codec.Unreadable("the first line of a CSV names the fields, type among them")
        for row in table:
            number = table.line_num
            if None in row:
                raise codec.Unreadable(f"line {number}: more cells than the first line names")
            yield number, {name: _cell(row["type"], name, cell) for name, cell in row.items() if cell not in (None, "")}


def _cell(kind: str, name: str, cell: str) -> Any:
    """Text as the value that the field takes; what does not fit stays text and is refused with the entry."""
    fields = {field.encode_name: field for field in msgspec.structs.fields(TYPES[kind])} if kind in TYPES else {}
    if name not in fields:
        return cell
    try:
        value = json.loads(cell) if cell[:1] in "[{" else cell
        return msgspec.to_builtins(msgspec.convert(value, fields[name].type, strict=False))
    except (msgspec.ValidationError, json.JSONDecodeError):
        return cell
