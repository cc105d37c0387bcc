"""The striking calculator: more for more confidence, from the crop's own batches as soon as there are any."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from ledger.forecast.striking import begin_with, in_turn
from tests.pages.boards.conftest import IXORA, Desk, plain

MONTHS = {"days": [30] * 12, "come_through": [80] * 12}


def cells(desk: Desk, **asked: Any) -> list[int]:
    """Cells at 50, 80, 90 and 95 %."""
    return [line["cells"] for line in desk.ask("/v1/striking", crop=IXORA, **asked)["begin"]]


def grown(desk: Desk, share: int) -> None:
    """Four batches of 100 cells struck in September, of which so many of a hundred rooted in October."""
    for week in range(4):
        day = date(2026, 9, 15) + timedelta(days=week)
        taken = [{"stock_plant": "S-IXO", "cuttings": 100}]
        struck = {"cuttings": 100, "per_cell": 1, "cells": 100, "place": "P1"}
        batch = desk.tell("struck", crop=IXORA, stock_plants=taken, **struck, occurred_at=f"{day}T09:00:00Z")["batch"]
        rooted = {"usable": share, "weak": 0, "failed": 100 - share, "to": "H1"}
        desk.tell("rooted", batch=batch, place="P1", **rooted, occurred_at=f"{day + timedelta(days=31)}T09:00:00Z")


def test_more_confidence_needs_more_and_pots_need_more_than_plugs(desk: Desk) -> None:
    """By the recipe alone, which is said, and in cuttings and trays as the recipe strikes them."""
    desk.tell(
        "recipe-set", crop=IXORA, rooting=MONTHS, growing={"P9": MONTHS}, holding_limit_days=[60] * 12, cuttings_per_cell=2,
        tray_cells=72,
    )  # fmt: skip
    plugs, pots = cells(desk, units=60), cells(desk, units=60, size="P9")
    assert 60 < plugs[0] < plugs[1] < plugs[2] < plugs[3]
    assert all(pot > plug for pot, plug in zip(pots, plugs, strict=True))
    found = desk.ask("/v1/striking", crop=IXORA, units=60)
    line = found["begin"][2]
    assert (line["cuttings"], line["trays"]) == (2 * line["cells"], -(-line["cells"] // 72))
    assert found["learned"][0]["assumed"]
    assert "the recipe alone" in desk.read(f"/striking?crop={IXORA}&units=60")


def test_it_learns_from_the_crops_own_batches(desk: Desk) -> None:
    """Where half of them failed, many more are needed; of how many batches it knows, it says."""
    desk.tell("recipe-set", crop=IXORA, rooting=MONTHS, growing={"P9": MONTHS}, holding_limit_days=[60] * 12)
    grown(desk, 45)
    found = desk.ask("/v1/striking", crop=IXORA, units=60)
    assert found["learned"][0]["batches"] == 4
    assert 0.4 < found["learned"][0]["share"] < 0.6
    assert found["begin"][0]["cells"] > 100
    assert "4 finished batches of its own" in plain(desk.read(f"/striking?crop={IXORA}&units=60"))


def test_a_crop_is_found_by_a_part_of_its_name(desk: Desk) -> None:
    """One is taken, several are offered, none is said."""
    assert "Which of them?" in desk.read("/striking?crop=o")
    assert "for 100 good plugs" in plain(desk.read("/striking?crop=thimble"))
    assert "No crop that is sold is called that" in desk.read("/striking?crop=nothing-like-it")


@pytest.mark.parametrize("units", ["0", "501", "many"])
def test_a_number_out_of_bounds_is_told(desk: Desk, units: str) -> None:
    """With the bounds."""
    assert "1 to 500" in desk.read(f"/striking?crop={IXORA}&units={units}", 400)


def test_two_steps_in_turn_have_the_mean_and_variance_of_their_product() -> None:
    """And nothing changes where the second lets everything through."""
    mean, strength = in_turn((0.9, 30.0), (0.8, 20.0))
    assert mean == pytest.approx(0.72)
    squares = [m * (m * k + 1) / (k + 1) for m, k in ((0.9, 30.0), (0.8, 20.0))]
    assert mean * (1 - mean) / (strength + 1) == pytest.approx(squares[0] * squares[1] - mean**2)
    whole = in_turn((0.8, 20.0), (1.0, 1e9))
    assert whole == pytest.approx((0.8, 20.0), rel=1e-6)
    assert begin_with(50, 0.9, [whole]) == begin_with(50, 0.9, [(0.8, 20.0)])
