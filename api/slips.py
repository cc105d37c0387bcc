"""Slips: the form of an act as somebody filled it in, read into the entry that it tells.

Pure, so that a form sent at once and one that waited on a device are read alike. What the book has to say to it (is there
enough standing?) is not asked here.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

from msgspec import Struct

from api import tallies
from api.tallies import Tally
from ledger.log import codec
from ledger.plants.entries import Entry, Stage
from ledger.plants.refusals import Malformed, Problem, Refused

Fields = Mapping[str, str]


class Told(Struct, frozen=True, kw_only=True):
    """What a slip tells: the entry, and its main number as it was counted (None where it has none)."""

    entry: Entry
    tally: Tally | None = None


class _Bad(ValueError):
    """A field that cannot be read."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


class _Slip:
    """The fields of a slip, read one by one."""

    def __init__(self, fields: Fields, by: str) -> None:
        self.fields = fields
        self.by = by
        self.tally: Tally | None = None

    def maybe(self, name: str) -> str | None:
        return self.fields.get(name, "").strip() or None

    def text(self, name: str, what: str) -> str:
        found = self.maybe(name)
        if found is None:
            raise _Bad(name, f"say {what}")
        return found

    def either(self, name: str, what: str) -> str:
        """One of the usual words, or what was written beside them."""
        return self.maybe(f"{name}.other") or self.text(name, what)

    def ticked(self, name: str) -> bool:
        return self.maybe(name) is not None

    def number(self, name: str, default: int = 0) -> int:
        found = self.maybe(name)
        try:
            return default if found is None else tallies.whole(found)
        except tallies.BadNumber as error:
            raise _Bad(name, str(error)) from None

    def counted(self, name: str, *, main: bool = True) -> int | None:
        """A tally's units, None where nothing was given."""
        try:
            found = tallies.read(self.fields, name)
        except tallies.BadNumber as error:
            raise _Bad(name, str(error)) from None
        if main:
            self.tally = found
        return None if found is None else found.units

    def count(self, name: str, what: str, least: int = 1) -> int:
        found = self.counted(name)
        if found is None or found < least:
            raise _Bad(name, f"say how many {what}")
        return found

    def here(self) -> dict[str, Any]:
        """The plants in the hand."""
        return {"batch": self.text("batch", "which batch"), "place": self.text("place", "where they stand")}

    def staged(self) -> dict[str, Any]:
        found = {**self.here(), "stage": self.text("stage", "at which stage they are")}
        if found["stage"] == Stage.PICKED:
            found["order"] = self.text("order", "for which order they were picked")
        return found


def _strike(slip: _Slip) -> dict[str, Any]:
    cells, per_cell, singles = slip.count("cells", "cells were filled"), slip.number("per_cell", 1), slip.number("singles")
    cuttings = per_cell * max(0, cells - singles) + singles
    told: dict[str, Any] = {
        "cuttings": cuttings,
        "cells": cells,
        "per_cell": per_cell,
        "singles": singles,
        "place": slip.text("to", "where they were set"),
        "covered": slip.ticked("covered"),
    }
    told |= {name: found for name in ("hormone", "strength", "medium") if (found := slip.maybe(name)) is not None}
    if slip.tally is not None and slip.tally.cells:
        told["tray_cells"] = slip.tally.cells
    plant = slip.maybe("stock")
    if plant is not None:
        source = {"crop": slip.text("crop", "which crop"), "stock_plants": [{"stock_plant": plant, "cuttings": cuttings}]}
    else:
        source = {"batch": slip.text("batch", "which batch"), "gathered_at": slip.text("place", "where they were gathered")}
    return told | source


def _gather(slip: _Slip) -> dict[str, Any]:
    cuttings = slip.count("units", "cuttings were taken")
    plants = [{"stock_plant": slip.text("stock", "from which stock plant"), "cuttings": cuttings}]
    told = {"crop": slip.text("crop", "which crop"), "stock_plants": plants, "place": slip.text("to", "where they lie now")}
    wanted = slip.number("wanted")
    return told | ({"wanted": wanted} if wanted else {})


def _root(slip: _Slip) -> dict[str, Any]:
    usable = slip.counted("usable")
    if usable is None:
        raise _Bad("usable", "say how many usable plugs there are (0 if there is none)")
    weak, failed, part = slip.number("weak"), slip.counted("failed", main=False), slip.ticked("part")
    if failed is None:  # of all that stood there when the form was made, the rest
        failed = 0 if part else max(0, slip.number("of") - usable - weak)
    to = slip.text("to", "where the plugs were set")
    return {**slip.here(), "usable": usable, "weak": weak, "failed": failed, "part": part, "to": to}


def _move(slip: _Slip) -> dict[str, Any]:
    return {**slip.staged(), "units": slip.count("units", "were moved"), "to": slip.text("to", "where they stand now")}


def _pot(slip: _Slip) -> dict[str, Any]:
    pots, per_pot = slip.count("pots", "pots were filled"), slip.number("per_pot", 1)
    casualties, returned = slip.number("casualties"), slip.number("returned")
    return {
        **slip.staged(),
        "size": slip.text("size", "which size of pot"),
        "pots": pots,
        "per_pot": per_pot,
        "casualties": casualties,
        "returned": returned,
        "plugs": pots * per_pot + casualties + returned,
        "to": slip.text("to", "where the pots were set"),
    }


def _pot_up(slip: _Slip) -> dict[str, Any]:
    return {
        **slip.staged(),
        "size": slip.text("size", "which size of pot"),
        "pots": slip.count("pots", "were potted up"),
        "casualties": slip.number("casualties"),
        "to": slip.text("to", "where the pots were set"),
    }


def _grade(slip: _Slip) -> dict[str, Any]:
    finished = slip.counted("finished") or 0
    rest = {name: slip.number(name) for name in ("held_back", "seconds", "culled")}
    if finished + sum(rest.values()) == 0:
        raise _Bad("finished", "say how many were looked at: finished, held back, seconds or culled")
    checked = {"label_checked_by": slip.by} if slip.ticked("label_checked") else {}
    return {**slip.here(), "finished": finished, **rest, "to": slip.text("to", "where they were set"), **checked}


def _lose(slip: _Slip) -> dict[str, Any]:
    return {**slip.staged(), "units": slip.count("units", "were lost"), "cause": slip.text("cause", "why they were lost")}


def _count(slip: _Slip) -> dict[str, Any]:
    method = slip.maybe("method") or "blind-count"
    return {**slip.staged(), "units": slip.count("units", "you see (0 if none is left)", least=0), "method": method}


def _set_back(slip: _Slip) -> dict[str, Any]:
    return {
        **slip.here(),
        "units": slip.count("units", "were cut back"),
        "to": slip.text("to", "where they stand now"),
        "reason": slip.either("reason", "why"),
        "days_added": slip.number("days_added"),
    }


def _pick(slip: _Slip) -> dict[str, Any]:
    told = {**slip.here(), "order": slip.text("order", "for which order"), "units": slip.count("units", "were picked")}
    return told | {"to": slip.text("to", "where they were put")}


def _tend(slip: _Slip) -> dict[str, Any]:
    act = slip.text("act", "what was done")
    return {"batch": slip.text("batch", "which batch"), "act": act, "days_added": slip.number("days_added")}


def _hold(slip: _Slip) -> dict[str, Any]:
    return {
        "batch": slip.text("batch", "which batch"),
        "units": slip.count("units", "have to wait"),
        "reason": slip.text("reason", "what they wait for"),
        "review_on": slip.text("review_on", "on which day to look again"),
    }


def _end_hold(slip: _Slip) -> dict[str, Any]:
    return {"batch": slip.text("batch", "which batch"), "hold": slip.text("hold", "which hold has ended")}


def _stop(slip: _Slip) -> dict[str, Any]:
    told = {"batch": slip.text("batch", "which batch"), "reason": slip.text("reason", "why it is stopped")}
    authority = slip.maybe("authority")
    return told | ({"authority": authority} if authority else {})


def _clear(slip: _Slip) -> dict[str, Any]:
    told = {"batch": slip.text("batch", "which batch"), "stop": slip.text("stop", "which stop is lifted")}
    return told | {"because": slip.text("because", "why it may be lifted, and who says so")}


def _give_out(slip: _Slip) -> dict[str, Any]:
    return {
        **slip.staged(),
        "units": slip.count("units", "were given out"),
        "why": slip.either("why", "why they were given out"),
        "approved_by": slip.text("approved_by", "who agreed to it"),
    }


#: how the form of each act becomes an entry, and of which type
KINDS: dict[str, tuple[str, Callable[[_Slip], dict[str, Any]]]] = {
    "gather": ("gathered", _gather),
    "strike": ("struck", _strike),
    "root": ("rooted", _root),
    "move": ("moved", _move),
    "pot": ("potted", _pot),
    "pot-up": ("potted-up", _pot_up),
    "grade": ("graded", _grade),
    "lose": ("lost", _lose),
    "count": ("counted", _count),
    "set-back": ("set-back", _set_back),
    "pick": ("picked", _pick),
    "put-back": ("put-back", _pick),
    "tend": ("tended", _tend),
    "hold": ("held", _hold),
    "end-hold": ("hold-ended", _end_hold),
    "stop": ("stopped", _stop),
    "clear": ("cleared", _clear),
    "give-out": ("given-out", _give_out),
}
#: the field with the reason for which a stop was passed over
OVERRIDE = "override"


def told(kind: str, fields: Fields, *, id: str, occurred_at: str, by: str) -> Told:  # noqa: A002 - the entry's own word
    """What a slip tells. Raises Refused, with the field of the form that is wrong."""
    slip = _Slip(fields, by)
    name, read = KINDS[kind]
    try:
        body = read(slip)
    except _Bad as bad:
        raise Refused([Problem(index=0, code=Malformed.CODE, detail=str(bad), field=bad.field)]) from None
    notes = [note for note in (slip.maybe("note"), _passed_over(slip)) if note is not None]
    said = {"note": "; ".join(notes)} if notes else {}
    (entry,) = codec.read_told([{**body, **said, "type": name, "id": id, "occurred_at": occurred_at, "by": by}])
    return Told(entry=entry, tally=slip.tally)


def _passed_over(slip: _Slip) -> str | None:
    """A stop that somebody passed over by name, with the reason: it stays with the entry."""
    reason = slip.maybe(f"{OVERRIDE}.other") or slip.maybe(OVERRIDE)
    return None if reason is None else f"before re-entry was allowed: {reason}"
