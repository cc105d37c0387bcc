"""Tray arithmetic as it is common practice (CP, no source): a tray is a container, never a unit."""

from __future__ import annotations

from typing import Any, NamedTuple

import pytest

from ledger.log import codec
from ledger.plants.entries import Struck
from ledger.plants.refusals import Refused
from tests.telling import Teller

#: the trade's trays: rows x columns of cells
TRAYS = {72: (6, 12), 50: (5, 10)}


def struck(cuttings: int, **numbers: int) -> Struck:
    """Cuttings struck straight off one stock plant."""
    taken = [{"stock_plant": "S-IXO", "cuttings": cuttings}]
    told: dict[str, Any] = {"crop": "ixora-copper-thimble", "place": "P1", "stock_plants": taken, "cuttings": cuttings}
    (entry,) = codec.read_told(Teller().fact("struck", **told, **numbers))
    assert isinstance(entry, Struck)
    return entry


class Filled(NamedTuple):
    """Trays as they were filled: gaps are cells left empty, odd ones stand beside the trays, singles got one cutting."""

    trays: int
    tray_cells: int
    gaps: int
    odd: int
    per_cell: int
    singles: int


@pytest.mark.parametrize(
    "filled",
    [
        Filled(2, 72, 0, 0, 2, 0),  # 288 cuttings at two a cell fill two trays of 72
        Filled(2, 72, 3, 0, 1, 0),
        Filled(4, 50, 0, 7, 1, 0),
        Filled(3, 50, 2, 5, 2, 4),
        Filled(1, 72, 70, 0, 3, 1),
    ],
)
def test_cells_are_trays_times_cells_less_gaps_and_odd_ones(filled: Filled) -> None:
    """Quantity = trays x cells - gaps + odd ones; and the cuttings are per cell x full cells + singles."""
    rows, columns = TRAYS[filled.tray_cells]
    cells = filled.trays * rows * columns - filled.gaps + filled.odd
    needed = filled.per_cell * (cells - filled.singles) + filled.singles
    numbers = {"per_cell": filled.per_cell, "cells": cells, "singles": filled.singles, "tray_cells": filled.tray_cells}
    assert struck(needed, **numbers).cells == cells
    for wrong in (needed - 1, needed + 1):
        with pytest.raises(Refused, match="contradiction"):
            struck(wrong, **numbers)


def test_a_fuller_pot_takes_two_plugs() -> None:
    """Plugs = per pot x pots + casualties + returned: 75 plugs make 36 pots of two, with 2 broken and 1 carried back."""
    potted: dict[str, Any] = {"batch": "26W38-01W", "place": "H1", "size": "P9", "to": "G1", "per_pot": 2, "pots": 36}
    fact = Teller().fact("potted", **potted, plugs=75, casualties=2, returned=1)
    assert codec.read_told(fact)
    with pytest.raises(Refused, match="contradiction"):
        codec.read_told({**fact, "plugs": 74})
