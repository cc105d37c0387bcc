"""Entries from files: JSON lines or CSV, as a person or another program would keep them.

An entry without an id gets one made from its own content and its line, so that the same file posted twice is written once.
"""

from __future__ import annotations

import csv
import json
from collections import Counter
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, NamedTuple
from uuid import NAMESPACE_URL, uuid5

import msgspec

from ledger.log import codec
from ledger.plants.entries import TYPES

_SPACE = uuid5(NAMESPACE_URL, "tallybench:file")


class Line(NamedTuple):
    """An entry as it would be posted, and the line of the file where it stands."""

    number: int
    entry: dict[str, Any]


class UnreadableFile(codec.Unreadable):
    """The file cannot be read: every fault of it, a line each."""

    def __init__(self, faults: Sequence[str]) -> None:
        super().__init__("\n".join(faults))


def read(path: Path) -> list[Line]:
    """The entries of a file. Raises UnreadableFile with every line that cannot be read."""
    lines, faults = list[Line](), list[str]()
    for number, item in _csv(path) if path.suffix.lower() == ".csv" else _json_lines(path):
        if isinstance(item, str):
            faults.append(f"line {number}: {item}" if number else item)
        else:
            lines.append(Line(number, _with_id(item, number)))
    if faults:
        raise UnreadableFile(faults)
    return lines


def _with_id(item: dict[str, Any], line: int) -> dict[str, Any]:
    return item if "id" in item else {**item, "id": str(uuid5(_SPACE, f"{line}:{json.dumps(item, sort_keys=True)}"))}


#: (line, entry), or (line, what is wrong with it); line 0: what is wrong with the whole file
_Read = Iterator[tuple[int, dict[str, Any] | str]]


def _json_lines(path: Path) -> _Read:
    for number, line in enumerate(path.read_bytes().removeprefix(b"\xef\xbb\xbf").splitlines(), 1):
        if not line.strip():
            continue
        try:
            item = codec.read_json(line)
        except codec.Unreadable as error:
            yield number, str(error)
        else:
            yield number, item if isinstance(item, dict) else "an entry is a JSON object, one a line"


def _csv(path: Path) -> _Read:
    """The head names the fields; an empty cell is a field left out; lists and objects are written as JSON in their cell."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError:
        yield 0, "the file is not UTF-8 text"
        return
    table = csv.DictReader(text.splitlines(keepends=True), strict=True)
    names = table.fieldnames or []
    if "type" not in names:
        yield 0, "the first line of a CSV names the fields, type among them"
        return
    for name, times in Counter(names).items():
        if times > 1:
            yield 0, f"the first line of a CSV names a field twice: {name}"
            return
    try:
        for row in table:
            if None in row:
                yield table.line_num, "more cells than the first line names"
            else:
                filled = {name: cell for name, cell in row.items() if cell not in (None, "")}
                yield table.line_num, {name: _cell(row["type"], name, cell) for name, cell in filled.items()}
    except csv.Error as error:
        yield table.line_num + 1, f"the table cannot be read from here on: {error}"


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
