"""Facts of every type, made up by hypothesis from the bounds that the types themselves declare.

Owns the making of posts that are well-formed and agree with themselves, and nothing of what a book would say to them.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable
from datetime import datetime, timedelta, timezone
from functools import cache
from pathlib import Path
from typing import Any
from uuid import UUID

import msgspec
from hypothesis import strategies as st
from msgspec import inspect

from ledger.plants import forecasts
from ledger.plants.entries import TYPES

Fact = dict[str, Any]

_OFFSETS = st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
#: moments with an offset, as JSON tells them, within the years that are read
MOMENTS = st.datetimes(datetime(1901, 1, 1), datetime(9997, 12, 31), timezones=_OFFSETS).map(datetime.isoformat)  # noqa: DTZ001
_TEXT = st.characters(exclude_categories=["Cs", "Cc"])
#: short and long ones of every pattern; what any text may be is made up
_CODES = [
    "~ ~",
    "a",
    "ixora-copper-thimble",
    "P9",
    "C",
    "G1",
    "S-IXO-2",
    "26W38-01W",
    "25W53-9999C",
    "A-1001.b:7",
    "north west",
    "GBP",
]
_CODES += ["2026-11", "0a" * 32, "0a" * 64, "GB", "http://a", "https://tags.example:8787/book"]
_CODES += ["Europe/London", "UTC", "0", "12.50", "999999.9999", "9" * 40, "Z" * 8, "h" * 40]


def is_moment(kind: inspect.Type) -> bool:
    """True for a point in time, told or left out."""
    if isinstance(kind, inspect.UnionType):
        return any(is_moment(part) for part in kind.types)
    return isinstance(kind, inspect.DateTimeType)


@cache
def fields(kind: str) -> dict[str, inspect.Type]:
    """The fields of a type of entry and what each takes."""
    return {field.encode_name: inspect.type_info(field.type) for field in msgspec.structs.fields(TYPES[kind])}


def _of(kind: inspect.Type) -> st.SearchStrategy[Any]:
    """Values that a type takes, as JSON."""
    match kind:
        case inspect.Metadata(type=inner):
            return _of(inner)
        case inspect.UnionType(types=types):
            return st.one_of([_of(part) for part in types if not isinstance(part, inspect.NoneType)])
        case inspect.BoolType():
            return st.booleans()
        case inspect.IntType(ge=least, le=most):
            return st.integers(least, most)
        case inspect.StrType(pattern=str(pattern), min_length=least, max_length=most):
            codes = [code for code in _CODES if re.match(pattern, code) and (least or 0) <= len(code) <= (most or 40)]
            return st.text(_TEXT, min_size=least or 0, max_size=20) if "~ ~" in codes else st.sampled_from(codes)
        case inspect.StrType():
            return st.sampled_from(_CODES)
        case inspect.EnumType(cls=words):
            return st.sampled_from([str(word.value) for word in words])
        case inspect.LiteralType(values=words):
            return st.sampled_from(words)
        case inspect.UUIDType():
            return st.integers(0, 2**128 - 1).map(lambda number: str(UUID(int=number)))
        case inspect.DateTimeType():
            return MOMENTS
        case inspect.DateType():
            return st.dates().map(lambda day: day.isoformat())
        case inspect.ListType(item_type=item, min_length=least, max_length=most):
            return st.lists(_of(item), min_size=least or 1, max_size=min(most or 3, max(least or 0, 3)), unique_by=repr)
        case inspect.DictType(key_type=key, value_type=value, min_length=least):
            return st.dictionaries(_of(key), _of(value), min_size=least or 0, max_size=3)
        case inspect.StructType(cls=forecasts.Published):  # too much to make up: a kept one, of another crop and day
            changes = {
                "crop": st.sampled_from(["a", "ixora-copper-thimble"]),
                "day": _of(inspect.DateType()),
                "seed": st.integers(0, 999),
            }
            return st.fixed_dictionaries(changes).map(lambda changed: {**_kept_forecast(), **changed})
        case inspect.StructType(fields=parts):
            return st.fixed_dictionaries({part.encode_name: _of(part.type) for part in parts})
        case _:
            raise NotImplementedError(kind)


@cache
def _kept_forecast() -> Fact:
    row = json.loads((Path(__file__).parent.parent / "entries" / "forecast-published.1.json").read_text("utf-8"))
    forecast: Fact = row["told"]["forecast"]
    return forecast


@cache
def facts(kind: str) -> st.SearchStrategy[Fact]:
    """Posts of one type that agree with themselves; fields that may be left out sometimes are."""
    must: dict[str, st.SearchStrategy[Any]] = {"type": st.just(kind)}
    may: dict[str, st.SearchStrategy[Any]] = {}
    for field in msgspec.structs.fields(TYPES[kind]):
        (must if field.required else may)[field.encode_name] = _of(inspect.type_info(field.type))
    return st.fixed_dictionaries(must, optional=may).map(_AGREE.get(kind, lambda fact: fact))


# --- what agrees with itself -----------------------------------------------------------------------------------------


def _one_of(fact: Fact, *names: str) -> Fact:
    """Only the first of these fields that is told, or a batch where none is."""
    told = next((name for name in names if name in fact), "batch")
    kept = {name: value for name, value in fact.items() if name not in names}
    return {**kept, told: fact.get(told, "26W38-01W")}


def _with_order(fact: Fact) -> Fact:
    """An order goes with picked plants, and two places are two."""
    if fact.get("to") == fact["place"]:
        fact = {**fact, "to": "X" if fact["place"] != "X" else "Y"}
    if fact["stage"] == "picked":
        return {"order": "A-1", **fact}
    return {name: value for name, value in fact.items() if name != "order"}


def _unpicked(fact: Fact) -> Fact:
    return {**fact, "stage": "rooted"} if fact["stage"] == "picked" else fact


def _sized(fact: Fact) -> Fact:
    """Size exists from potting on."""
    fact = _unpicked(fact)
    if fact["stage"] in {"potted", "finished", "seconds"}:
        return {"size": "P9", **fact}
    return {name: value for name, value in fact.items() if name != "size"}


def _some(*names: str) -> Callable[[Fact], Fact]:
    """At least one plant among these fields."""

    def at_least_one(fact: Fact) -> Fact:
        return fact if any(fact.get(name) for name in names) else {**fact, names[0]: 1}

    return at_least_one


def _once(field: str, *names: str) -> Callable[[Fact], Fact]:
    """Each part of a list once."""

    def each_once(fact: Fact) -> Fact:
        parts = {tuple(part[name] for name in names): part for part in fact[field]}
        return {**fact, field: list(parts.values())}

    return each_once


def _merged(fact: Fact) -> Fact:
    fact = _unpicked(_once("sources", "batch", "place")(fact))
    if any(part["batch"] == fact.get("into") for part in fact["sources"]):
        del fact["into"]
    return fact


def _struck(fact: Fact) -> Fact:
    cells = fact["cells"] % 90_000 + 1
    singles = fact.get("singles", 0) % (cells + 1)
    cuttings = fact["per_cell"] * (cells - singles) + singles
    fact = {**fact, "cells": cells, "singles": singles, "cuttings": cuttings}
    if "stock_plants" in fact and "crop" in fact:
        left_out = {"gathered_at"}
        fact["stock_plants"] = [{**fact["stock_plants"][0], "cuttings": cuttings}]
    else:
        left_out = {"crop", "stock_plants"}
        fact = {"gathered_at": "P1", "batch": "26W38-01W", **fact}
    return {name: value for name, value in fact.items() if name not in left_out}


def _potted(fact: Fact) -> Fact:
    pots, casualties, returned = fact["pots"] % 90_000 + 1, fact.get("casualties", 0) % 900, fact.get("returned", 0) % 900
    plugs = fact.get("per_pot", 1) * pots + casualties + returned
    stage = {"stage": "struck"} if "stage" in fact else {}
    return {**fact, **stage, "pots": pots, "casualties": casualties, "returned": returned, "plugs": plugs}


def _held(fact: Fact) -> Fact:
    if "order" in fact:
        return {name: value for name, value in fact.items() if name not in {"batch", "units"}}
    return {"batch": "26W38-01W", "units": 1, **fact}


def _treated(fact: Fact) -> Fact:
    return fact if fact.get("places") or fact.get("batches") else {**fact, "places": ["G1"]}


def _ruled(fact: Fact) -> Fact:
    """A rule names a crop or a species, and papers where it needs some."""
    for rule in fact.get("rules", []):
        del rule["species" if "a" in rule["because"] else "crop"]
        if rule["verdict"] == "refused":
            del rule["papers"]
    return fact


_AGREE: dict[str, Callable[[Fact], Fact]] = {
    "gathered": _once("stock_plants", "stock_plant"),
    "struck": _struck,
    "rooted": _some("usable", "weak", "failed"),
    "moved": _with_order,
    "merged": _merged,
    "potted": _potted,
    "potted-up": lambda fact: {**fact, "stage": "potted"} if "stage" in fact else fact,
    "graded": _some("finished", "held_back", "seconds", "culled"),
    "lost": _with_order,
    "counted": _unpicked,
    "opened": _sized,
    "bought-in": _sized,
    "destination-set": _ruled,
    "held": _held,
    "hold-ended": lambda fact: _one_of(fact, "batch", "order"),
    "sold-here": lambda fact: {**fact, "stage": "seconds"} if "stage" in fact else fact,
    "shipped": _once("lines", "batch", "place"),
    "given-out": _unpicked,
    "planted-as-stock": _unpicked,
    "stopped": lambda fact: _one_of(fact, "batch", "stock_plant", "crop"),
    "cleared": lambda fact: _one_of(fact, "batch", "stock_plant", "crop"),
    "renamed": _unpicked,
    "treated": _treated,
}
