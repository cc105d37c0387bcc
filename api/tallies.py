"""Numbers as they are counted at a bench: trays of so many cells, less the gaps, and odd ones besides.

Pure. In a form a tally called `units` is the fields `units` (the odd ones), `units.trays`, `units.cells` and `units.gaps`.
"""

from __future__ import annotations

from collections.abc import Mapping

from msgspec import Struct

from ledger.plants.entries import MOST_UNITS

#: the parts of a tally, by the end of their field's name
PARTS = {"trays": ".trays", "cells": ".cells", "gaps": ".gaps", "odd": ""}
_MOST_DIGITS = 7


class BadNumber(ValueError):
    """What was typed is no count. The message says what to do."""


class Tally(Struct, frozen=True, kw_only=True):
    """trays x cells - gaps + odd."""

    trays: int = 0
    cells: int = 0
    gaps: int = 0
    odd: int = 0

    @property
    def units(self) -> int:
        return self.trays * self.cells - self.gaps + self.odd

    def said(self, unit: str) -> str:
        """2 trays of 72 less 5 and 3 odd = 142 plugs; `unit` is the noun for so many."""
        total = f"{self.units:,} {unit}"
        if not self.trays:
            return total
        trays = "1 tray" if self.trays == 1 else f"{self.trays} trays"
        less = f" less {self.gaps}" if self.gaps else ""
        odd = f" and {self.odd} odd" if self.odd else ""
        return f"{trays} of {self.cells}{less}{odd} = {total}"


def whole(text: str) -> int:
    """A whole number as somebody types it: spaces and thousands' commas do not matter. Raises BadNumber."""
    digits = text.replace(" ", "").replace(",", "").replace("\u202f", "")
    if not (digits.isascii() and digits.isdigit()) or len(digits) > _MOST_DIGITS or int(digits) > MOST_UNITS:
        raise BadNumber(f"{text[:20]!r} is no count: give a whole number from 0 to {MOST_UNITS:,}")
    return int(digits)


def read(fields: Mapping[str, str], name: str) -> Tally | None:
    """The tally of that name in a form, None where nothing was given. Raises BadNumber."""
    given = {part: fields.get(name + end, "").strip() for part, end in PARTS.items()}
    if not given["odd"] and not given["trays"]:
        return None
    tally = Tally(**{part: whole(text) for part, text in given.items() if text})
    if tally.trays and not tally.cells:
        raise BadNumber("say how many cells or pots a tray has")
    if not tally.trays:
        if tally.gaps:
            raise BadNumber("gaps are counted in trays: say how many trays")
        tally = Tally(odd=tally.odd)  # the cells of a tray are filled in beforehand, and mean nothing without one
    if tally.units < 0:
        raise BadNumber(f"{tally.gaps} gaps are more than {tally.trays} trays of {tally.cells} have")
    if tally.units > MOST_UNITS:
        raise BadNumber(f"that comes to {tally.units:,}: look at the numbers again")
    return tally
