"""Cuttings gathered, struck into cells, and counted when they have rooted."""

from __future__ import annotations

from typing import Any

import pytest

from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger, moves

GATHERED: dict[str, Any] = {
    "crop": IXORA,
    "stock_plants": [{"stock_plant": IXORA_PLANTS, "cuttings": 60}],
    "place": "P1",
}
STRAIGHT: dict[str, Any] = {**GATHERED, "cuttings": 60, "per_cell": 1, "cells": 60, "place": "P1"}


def gathered(ledger: Ledger) -> str:
    """A batch of 60 cuttings in hand at P1."""
    told: Any = ledger.tell("gathered", **GATHERED).told
    return str(told.batch)


# --- gathered ----------------------------------------------------------------------------------------------------


def test_cuttings_gathered_come_from_the_stock_plants_and_leave_them_standing(ledger: Ledger) -> None:
    """A stock plant gives cuttings and stays; how many are growing on it nobody knows."""
    ledger.tell("stock-set", stock_plant="S-IXO-2", crop=IXORA, place="S1", units=1, source="opening")
    parts = [{"stock_plant": IXORA_PLANTS, "cuttings": 40}, {"stock_plant": "S-IXO-2", "cuttings": 20}]
    told: Any = ledger.tell("gathered", crop=IXORA, stock_plants=parts, place="P1", wanted=80)
    assert moves(told) == [("stock-plant", f"{told.told.batch}/gathered/P1", 60, "cutting")]
    assert ledger.standing(IXORA_PLANTS) == {"stock/S1": 20}


def test_a_batch_knows_the_stock_plants_it_came_from_and_they_know_it(ledger: Ledger) -> None:
    """With the number of cuttings that each gave."""
    batch = gathered(ledger)
    assert [(parent.holder, parent.units) for parent in ledger.card("batch", batch).parents] == [(IXORA_PLANTS, 60)]
    assert ledger.card("stock-plant", IXORA_PLANTS).children == (batch,)


def test_one_stock_plant_is_named_once(ledger: Ledger) -> None:
    """Two rounds over the same plant are added up."""
    refused = ledger.refusal("gathered", **{**GATHERED, "stock_plants": GATHERED["stock_plants"] * 2})
    assert (refused.code, refused.field) == ("contradiction", "stock_plants")


@pytest.mark.parametrize(("kind", "told"), [("gathered", GATHERED), ("struck", STRAIGHT)])
def test_cuttings_come_from_plants_of_their_own_crop(ledger: Ledger, kind: str, told: dict[str, Any]) -> None:
    """A hoya gives no ixora."""
    refused = ledger.refusal(kind, **{**told, "crop": HOYA})
    assert (refused.code, refused.field) == ("different-plants", "stock_plants")


@pytest.mark.parametrize(("kind", "told"), [("gathered", GATHERED), ("struck", STRAIGHT)])
def test_cuttings_come_from_plants_that_stand(ledger: Ledger, kind: str, told: dict[str, Any]) -> None:
    """A code whose plants all died gives none, and one that nobody set is unknown."""
    ledger.tell("stock-removed", stock_plant=IXORA_PLANTS, units=20, cause="cold")
    refused = ledger.refusal(kind, **told)
    assert (refused.code, refused.field, refused.offer) == ("not-enough-standing", "stock_plants", ())
    refused = ledger.refusal(kind, **{**told, "stock_plants": [{"stock_plant": "S-NONE", "cuttings": 60}]})
    assert (refused.code, refused.field) == ("unknown-code", "stock_plants")


@pytest.mark.parametrize(("kind", "told"), [("gathered", GATHERED), ("struck", STRAIGHT)])
def test_a_protected_crop_is_not_propagated_without_licence(ledger: Ledger, kind: str, told: dict[str, Any]) -> None:
    """The crop says whether it may be."""
    crop = {"code": IXORA, "name": "Copper Thimble", "species": "Ixora coccinea", "group": "Woody"}
    ledger.tell("crop-set", **crop, may_propagate=False)
    refused = ledger.refusal(kind, **told)
    assert (refused.code, refused.field) == ("may-not-propagate", "crop")
    ledger.tell("crop-set", **crop, licence="the owner's letter of March")
    ledger.tell(kind, **told)


# --- struck ------------------------------------------------------------------------------------------------------


def test_striking_turns_gathered_cuttings_into_cells(ledger: Ledger) -> None:
    """Out of the hand through `converted`, at the ratio of the entry: 29 cells of two and two odd ones."""
    batch = gathered(ledger)
    struck = ledger.tell("struck", batch=batch, gathered_at="P1", cuttings=60, per_cell=2, cells=31, singles=2, place="P1")
    assert moves(struck) == [
        (f"{batch}/gathered/P1", "converted", 60, "cutting"),
        ("converted", f"{batch}/struck/P1", 31, "cell"),
    ]
    assert (ledger.units("converted cutting"), ledger.units("converted cell")) == (60, -31)


def test_cuttings_may_be_struck_straight_off_the_stock_plants(ledger: Ledger) -> None:
    """As a new batch, with the stock plants for parents."""
    struck: Any = ledger.tell("struck", **STRAIGHT)
    assert moves(struck) == [
        ("stock-plant", "converted", 60, "cutting"),
        ("converted", f"{struck.told.batch}/struck/P1", 60, "cell"),
    ]
    assert [parent.holder for parent in ledger.card("batch", struck.told.batch).parents] == [IXORA_PLANTS]


def test_bought_in_cuttings_are_struck_like_gathered_ones(ledger: Ledger) -> None:
    """They came as cuttings in hand."""
    bought: Any = ledger.tell("bought-in", crop=IXORA, stage="gathered", place="P1", units=50, supplier_batch="7")
    batch = bought.told.batch
    ledger.tell("struck", batch=batch, gathered_at="P1", cuttings=50, per_cell=1, cells=50, place="P1")
    assert ledger.standing(batch) == {"struck/P1": 50}


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"cells": 29}, "cuttings"),  # 58 cuttings fill 29 cells of two
        ({"singles": 1}, "cuttings"),
        ({"cells": 3, "singles": 4}, "singles"),
        ({"gathered_at": None}, "gathered_at"),
        ({"stock_plants": GATHERED["stock_plants"]}, "gathered_at"),
        ({"crop": IXORA}, "crop"),
        ({"batch": None}, "batch"),
    ],
)
def test_cuttings_are_per_cell_times_full_cells_and_singles(ledger: Ledger, changes: dict[str, Any], field: str) -> None:
    """And they come either out of the hand or straight off the stock plants."""
    batch = gathered(ledger)
    told = {"batch": batch, "gathered_at": "P1", "cuttings": 60, "per_cell": 2, "cells": 30, "place": "P1", **changes}
    refused = ledger.refusal("struck", **{name: value for name, value in told.items() if value is not None})
    assert (refused.code, refused.field) == ("contradiction", field)


def test_no_more_is_struck_than_was_gathered_but_for_counting_first(ledger: Ledger) -> None:
    """Who holds 62 cuttings counts 62, and strikes them: the refusal offers both."""
    batch = gathered(ledger)
    struck = {"batch": batch, "gathered_at": "P1", "cuttings": 62, "per_cell": 2, "cells": 31, "place": "P1"}
    refused = ledger.refusal("struck", **struck)
    assert (refused.code, refused.field) == ("not-enough-standing", "cuttings")
    assert refused.data == {"wanted": 62, "standing": 60}
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"struck/P1": 31}
    assert ledger.units("count-difference cutting") == -2


# --- rooted ------------------------------------------------------------------------------------------------------


def rooting(batch: str, usable: int, weak: int, failed: int, **more: Any) -> dict[str, Any]:
    """A rooting count under the mist; the plugs go to H1."""
    return {"batch": batch, "place": "P1", "usable": usable, "weak": weak, "failed": failed, "to": "H1", **more}


def test_the_rooting_count_takes_usable_plugs_to_holding_and_books_failed_ones_off(ledger: Ledger) -> None:
    """Weak ones stay under the mist for another look."""
    batch = ledger.opened("struck", 40, "P1")
    rooted = ledger.tell("rooted", **rooting(batch, 30, 4, 6))
    assert moves(rooted) == [
        (f"{batch}/struck/P1", f"{batch}/rooted/H1", 30, "cell"),
        (f"{batch}/struck/P1", "loss/did-not-root", 6, "cell"),
    ]
    assert ledger.standing(batch) == {"struck/P1": 4, "rooted/H1": 30}


def test_a_rooting_count_adds_up_to_the_cells_standing(ledger: Ledger) -> None:
    """Usable, weak and failed make the tray, unless a part is counted first."""
    batch = ledger.opened("struck", 40, "P1")
    refused = ledger.refusal("rooted", **rooting(batch, 30, 4, 5))
    assert (refused.code, refused.field, refused.data) == ("not-all-counted", "usable", {"standing": 40, "counted": 39})
    ledger.tell("rooted", **rooting(batch, 15, 4, 1, part=True))
    ledger.tell("rooted", **rooting(batch, 20, 2, 2))
    assert ledger.standing(batch) == {"struck/P1": 2, "rooted/H1": 35}


@pytest.mark.parametrize("part", [False, True])
def test_a_rooting_count_cannot_find_more_cells_than_stand_but_for_counting_first(ledger: Ledger, part: bool) -> None:
    """A tray held more than was written: count it, then count it out."""
    batch = ledger.opened("struck", 40, "P1")
    refused = ledger.refusal("rooted", **rooting(batch, 30, 4, 8, part=part))
    assert (refused.code, refused.field) == ("not-enough-standing", "usable")
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"struck/P1": 4, "rooted/H1": 30}


def test_a_rooting_count_needs_a_cell(ledger: Ledger) -> None:
    """Nothing counted is nothing told."""
    refused = ledger.refusal("rooted", **rooting(ledger.opened("struck", 40, "P1"), 0, 0, 0))
    assert (refused.code, refused.field) == ("contradiction", "usable")


def test_a_tray_of_which_nothing_rooted_leaves_only_the_loss(ledger: Ledger) -> None:
    """No movement of zero plugs is written."""
    batch = ledger.opened("struck", 40, "P1")
    assert moves(ledger.tell("rooted", **rooting(batch, 0, 0, 40))) == [(f"{batch}/struck/P1", "loss/did-not-root", 40, "cell")]
