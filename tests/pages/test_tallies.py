"""Numbers as they are counted: trays of cells, less the gaps, and odd ones; against a plain sum."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as some

from api import tallies
from api.tallies import BadNumber, Tally


@pytest.mark.parametrize(
    ("tally", "said"),
    [
        (Tally(trays=2, cells=72, gaps=5), "2 trays of 72 less 5 = 139 plugs"),
        (Tally(trays=1, cells=50, odd=4), "1 tray of 50 and 4 odd = 54 plugs"),
        (Tally(trays=20, cells=72, gaps=1, odd=1), "20 trays of 72 less 1 and 1 odd = 1,440 plugs"),
        (Tally(odd=9), "9 plugs"),
        (Tally(), "0 plugs"),
    ],
)
def test_a_tally_is_said_as_it_was_counted(tally: Tally, said: str) -> None:
    """In words that can be checked against the trays."""
    assert tally.said("plugs") == said


@given(some.integers(1, 400), some.integers(1, 400), some.integers(0, 300), some.integers(0, 300))
def test_a_tally_is_its_sum(trays: int, cells: int, gaps: int, odd: int) -> None:
    """Trays times cells, less gaps, plus odd ones; never below nothing."""
    typed = {"n.trays": str(trays), "n.cells": f" {cells:,} ", "n.gaps": str(gaps), "n": str(odd)}
    expected = trays * cells - gaps + odd
    if expected < 0:
        with pytest.raises(BadNumber, match="gaps are more than"):
            tallies.read(typed, "n")
    else:
        found = tallies.read(typed, "n")
        assert found is not None
        assert found.units == expected


def test_nothing_given_is_no_tally_though_cells_are_filled_in() -> None:
    """The cells of a tray are the crop's own, and say nothing of how many."""
    assert tallies.read({"n.cells": "72", "n": "", "n.trays": " "}, "n") is None
    assert tallies.read({"n.cells": "72", "n": "3"}, "n") == Tally(odd=3)


@pytest.mark.parametrize(
    "typed",
    [
        {"n.trays": "2"}, {"n.gaps": "3", "n": "9"}, {"n": "-1"}, {"n": "1.5"}, {"n": "1000001"},
        {"n": "\N{FULLWIDTH DIGIT ONE}"},
        {"n.trays": "1000000", "n.cells": "1000000"}, {"n": "9" * 400},
    ],
)  # fmt: skip
def test_what_does_not_add_up_is_refused(typed: dict[str, str]) -> None:
    """With a sentence."""
    with pytest.raises(BadNumber):
        tallies.read(typed, "n")
