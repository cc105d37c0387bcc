"""Between entries and bytes: decoding what is posted, encoding what is kept, and the steps from old schemas to new ones.

A kept row is canonical JSON (RFC 8785): keys sorted, no spaces, whole numbers only, so that the same entry is always the
same bytes. Rows are never rewritten; an old row is lifted step by step when it is read.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from typing import Any, cast
from uuid import UUID

import msgspec
from msgspec.structs import replace

from ledger.plants.entries import TYPES, BrokenRule, Entry, Told, Treated, type_of
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Contradiction, Malformed, Problem, Refusal, Refused, as_problem

MOST_ENTRIES = 2_000
_MOST_DEPTH = 12
_MOST_DIGITS = 20  # more would take long to read, and no field takes them
_MOST_PROBLEMS = 100
#: a time outside of these is a slip, and near the calendar's ends it could not be told in every time zone
_FIRST_YEAR, _LAST_YEAR = 1900, 9998
_SURROGATE = re.compile(r"\\u[dD][89a-fA-F]")

#: what a policy of before the promise book leaves open
_POLICY_OF_PROMISES = {
    "hold_minutes": 30, "most_held_units": 500, "most_held_percent": 50, "always_held_units": 20, "confidence": 90,
    "forecast_hours": 36, "forecast_lag_minutes": 15,
}  # fmt: skip

#: the pure step from (type, schema) to the next schema, dict to dict: {("lost", 1): step, ...}
STEPS: dict[tuple[str, int], Callable[[dict[str, Any]], dict[str, Any]]] = {
    ("policy-set", 1): lambda told: {**_POLICY_OF_PROMISES, **told},
    ("policy-set", 2): lambda told: {"silent_hours": 36, **told},  # of before devices were heard of
}


_encoder = msgspec.json.Encoder(order="sorted", decimal_format="string", uuid_format="canonical")
_rows = msgspec.json.Decoder(Recorded)
_old_rows = msgspec.json.Decoder(dict[str, msgspec.Raw])


def canonical(value: object) -> bytes:
    """The value as canonical JSON (RFC 8785). Good for what entries are made of: no fractions, keys in plain ASCII."""
    return _encoder.encode(value)


# --- keeping and reading ---------------------------------------------------------------------------------------


def encode(recorded: Recorded) -> bytes:
    """The bytes that are kept, for ever."""
    return canonical(recorded)


def decode(content: str | bytes, kind: str, schema: int) -> Recorded:
    """A kept row as an entry of today's schema."""
    if schema == TYPES[kind].SCHEMA:
        return _rows.decode(content)
    row = _old_rows.decode(content)
    told = lift(msgspec.json.decode(row["told"]), schema)
    return _rows.decode(msgspec.json.encode({**row, "told": told}))


def lift(told: dict[str, Any], schema: int) -> dict[str, Any]:
    """A told entry of an older schema, step by step, in today's."""
    kind = told["type"]
    while schema < TYPES[kind].SCHEMA:
        told = STEPS[kind, schema](told)
        schema += 1
    return told


def digest(told: Told) -> bytes:
    """What tells the same content under the same id from another: SHA-256 over the canonical JSON of what was told."""
    return hashlib.sha256(canonical(told)).digest()


# --- what is posted --------------------------------------------------------------------------------------------


class Unreadable(Exception):
    """The body is no JSON, or JSON that nobody can mean (duplicate keys, too deep)."""


def _once(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    made = dict(pairs)
    if len(made) != len(pairs):
        twice = Counter(key for key, _ in pairs).most_common(1)[0][0]
        raise Unreadable(f"the key {twice!r:.60} stands twice in one object: keep one of the two")
    return made


def _no_constant(name: str) -> Any:
    raise Unreadable(f"{name} is no JSON number: leave the field out, or give a number")


def _whole(text: str) -> int | float:
    return int(text) if len(text) <= _MOST_DIGITS else float(text)


def _number(text: str) -> int | float:
    """JSON has one kind of number, so 3.0 is the whole number 3."""
    value = float(text)
    return int(value) if value.is_integer() and abs(value) < 2**53 else value


def read_json(body: bytes) -> Any:
    """Parse a posted body strictly: UTF-8, whole characters, no duplicate keys, no NaN, not too deep. Raises Unreadable."""
    try:
        text = body.decode("utf-8")
        value = json.loads(text, object_pairs_hook=_once, parse_constant=_no_constant, parse_int=_whole, parse_float=_number)
    except UnicodeDecodeError:
        raise Unreadable("the body is not UTF-8 text: send it as UTF-8, not compressed") from None
    except RecursionError:
        raise Unreadable("the body is nested too deep") from None
    except json.JSONDecodeError as error:
        raise Unreadable(f"the body is not JSON: {error.msg} at character {error.pos}") from None
    if _depth(value) > _MOST_DEPTH:
        raise Unreadable(f"the body is nested more than {_MOST_DEPTH} deep")
    if _SURROGATE.search(text):
        _whole_characters(value)
    return value


def _whole_characters(value: Any) -> None:
    try:
        json.dumps(value, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError as error:
        half = f"\\u{ord(error.object[error.start]):04x}"
        raise Unreadable(f"{half} is half a character: send both halves of the pair, or leave it out") from None


def _depth(value: Any, level: int = 1) -> int:
    if level > _MOST_DEPTH or not isinstance(value, dict | list) or not value:
        return level
    inside = value.values() if isinstance(value, dict) else value
    return max(_depth(item, level + 1) if isinstance(item, dict | list) else level for item in inside)


def read_told(value: Any) -> list[Entry]:
    """One posted entry or a list of them. Raises Refused with every problem of every entry."""
    posted = value if isinstance(value, list) else [value]
    if not 1 <= len(posted) <= MOST_ENTRIES:
        detail = f"post 1 to {MOST_ENTRIES} entries at a time, not {len(posted)}"
        raise Refused([Problem(index=0, code=Malformed.CODE, detail=detail)])
    told: list[Entry] = []
    problems: list[Problem] = []
    for index, item in enumerate(posted):
        if len(problems) >= _MOST_PROBLEMS:
            break
        found = _read_one(item)
        if isinstance(found, Told):
            told.append(found)
        else:
            problems.extend(as_problem(index, refusal) for refusal in found)
    if problems:
        raise Refused(problems[:_MOST_PROBLEMS])
    return told


def _read_one(item: Any) -> Entry | Sequence[Refusal]:
    """The entry, or everything that is wrong with it."""
    try:
        value = _lifted(item)
        try:
            return in_utc(cast(Entry, msgspec.convert(value, TYPES[value["type"]])))
        except msgspec.ValidationError as error:
            return _faults(value, error)
    except Refusal as refusal:
        return [refusal]


def _lifted(item: Any) -> dict[str, Any]:
    """What was posted as a JSON object of a known type, in today's schema."""
    if not isinstance(item, dict):
        raise Malformed("an entry is a JSON object with a type, an id, occurred_at and by")
    kind = item.get("type")
    if not isinstance(kind, str) or kind not in TYPES:
        raise Malformed(f"type is one of {', '.join(TYPES)}", field="type")
    if "schema" not in item:
        return item
    schema, current = item["schema"], TYPES[kind].SCHEMA
    if type(schema) is not int or not 1 <= schema <= current:
        raise Malformed(f"schema of {kind} is 1 to {current}: leave it out for the newest", field="schema")
    try:
        return lift({name: part for name, part in item.items() if name != "schema"}, schema)
    except (AttributeError, LookupError, TypeError, ValueError):  # a step takes what was once written, not what is posted
        raise Malformed(f"this is no {kind} of schema {schema}: leave schema out to tell it in the newest") from None


def in_utc(told: Entry) -> Entry:
    """The same moments, told in UTC, so that one moment is always the same bytes. Raises Malformed for absurd years."""
    told = replace(told, occurred_at=_utc(told.occurred_at, "occurred_at"))
    if isinstance(told, Treated) and told.re_entry_ends is not None:
        told = replace(told, re_entry_ends=_utc(told.re_entry_ends, "re_entry_ends"))
    return told


def _utc(at: datetime, field: str) -> datetime:
    if not _FIRST_YEAR <= at.year <= _LAST_YEAR:
        raise Malformed(f"{field} lies in the year {at.year}: give a time of {_FIRST_YEAR} to {_LAST_YEAR}", field=field)
    return at.astimezone(UTC)


def _faults(item: dict[str, Any], first: msgspec.ValidationError) -> Sequence[Refusal]:
    """Every fault of an entry that did not convert: each field by itself, missing ones, or else the contradiction."""
    fields = {field.encode_name: field for field in msgspec.structs.fields(TYPES[item["type"]])}
    faults: list[Refusal] = []
    for name, value in item.items():
        if len(faults) >= _MOST_PROBLEMS:
            break
        if name == "type":
            continue
        if name not in fields:
            faults.append(Malformed(f"{item['type']} has no field {name[:60]!r}: it has {', '.join(fields)}", field=name[:60]))
            continue
        try:
            msgspec.convert(value, fields[name].type)
        except msgspec.ValidationError as error:
            broken = isinstance(error.__cause__, BrokenRule)
            faults.append((Contradiction if broken else Malformed)(f"{name}: {error}", field=name))
    for name, field in fields.items():
        if field.required and name not in item:
            faults.append(Malformed(f"{name} is missing", field=name))
    if not faults and isinstance(first.__cause__, BrokenRule):
        return [Contradiction(str(first.__cause__), field=first.__cause__.field)]
    return faults or [Malformed(str(first))]


def reverses(told: Told) -> UUID | None:
    """The id of the entry that this one takes back, if it does."""
    return getattr(told, "entry", None) if type_of(told) == "reversed" else None
