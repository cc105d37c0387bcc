"""Plugs potted, pots potted up, graded, cut back and tended."""

from __future__ import annotations

from typing import Any

import pytest

from tests.plants.memory import IXORA, Ledger, moves


def potting(batch: str, plugs: int, pots: int, **more: Any) -> dict[str, Any]:
    """Plugs of a batch in H1 put into 9 cm pots at G1."""
    return {"batch": batch, "place": "H1", "size": "P9", "plugs": plugs, "pots": pots, "to": "G1", **more}


# --- potted ------------------------------------------------------------------------------------------------------


def test_potting_turns_plugs_into_pots_of_a_new_batch(ledger: Ledger) -> None:
    """Two plugs a pot; the casualties are lost in handling; plugs taken along and brought back never move."""
    batch = ledger.opened("rooted", 100, "H1")
    potted: Any = ledger.tell("potted", **potting(batch, 90, 40, per_pot=2, casualties=3, returned=7))
    into = potted.told.into
    assert moves(potted) == [
        (f"{batch}/rooted/H1", "converted", 80, "cell"),
        (f"{batch}/rooted/H1", "loss/handling", 3, "cell"),
        ("converted", f"{into}/potted/G1", 40, "pot:P9"),
    ]
    assert ledger.standing(batch) == {"rooted/H1": 17}
    card = ledger.card("batch", into)
    assert (card.crop, card.size, card.came) == (IXORA, "P9", "potted")
    assert [(parent.holder, parent.units) for parent in card.parents] == [(batch, 80)]


def test_plugs_out_of_sand_are_potted_before_they_are_counted(ledger: Ledger) -> None:
    """Straight from struck, where the entry says so."""
    batch = ledger.opened("struck", 30, "H1")
    potted: Any = ledger.tell("potted", **potting(batch, 20, 20, stage="struck"))
    assert ledger.standing(batch) == {"struck/H1": 10}
    assert ledger.standing(potted.told.into) == {"potted/G1": 20}


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"plugs": 41}, "plugs"),
        ({"casualties": 1}, "plugs"),
        ({"returned": 1}, "plugs"),
        ({"per_pot": 2}, "plugs"),
        ({"stage": "finished"}, "stage"),
    ],
)
def test_plugs_are_per_pot_times_pots_and_casualties_and_returned(ledger: Ledger, changes: dict[str, Any], field: str) -> None:
    """The crew's figures have to add up, and they start from plugs."""
    refused = ledger.refusal("potted", **potting(ledger.opened("rooted", 60, "H1"), 40, 40) | changes)
    assert (refused.code, refused.field) == ("contradiction", field)


def test_no_more_plugs_are_potted_than_stand_but_for_counting_first(ledger: Ledger) -> None:
    """Also not taken along and brought back."""
    batch = ledger.opened("rooted", 40, "H1")
    refused = ledger.refusal("potted", **potting(batch, 45, 38, returned=7))
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "plugs", {"wanted": 45, "standing": 40})
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"rooted/H1": 7}


def test_a_batch_may_be_potted_into_several_sizes(ledger: Ledger) -> None:
    """The list asks for small and large ones; each size is a batch."""
    batch = ledger.opened("rooted", 76, "H1")
    small: Any = ledger.tell("potted", **potting(batch, 40, 40)).told
    large: Any = ledger.tell("potted", **potting(batch, 36, 36) | {"size": "C2"}).told
    assert ledger.card("batch", batch).children == (small.into, large.into)
    assert ledger.card("batch", large.into).size == "C2"


# --- potted up ---------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("stage", ["potted", "finished"])
def test_potting_up_makes_a_new_batch_of_the_larger_size(ledger: Ledger, stage: str) -> None:
    """Pots and casualties leave the old batch; the pots stand in the new one, growing on again."""
    batch = ledger.opened(stage, 33, "G1", "P9")
    up: Any = ledger.tell("potted-up", batch=batch, stage=stage, place="G1", size="C2", pots=10, casualties=1, to="G2")
    assert moves(up) == [
        (f"{batch}/{stage}/G1", "converted", 10, "pot:P9"),
        (f"{batch}/{stage}/G1", "loss/handling", 1, "pot:P9"),
        ("converted", f"{up.told.into}/potted/G2", 10, "pot:C2"),
    ]
    assert [(parent.holder, parent.units) for parent in ledger.card("batch", up.told.into).parents] == [(batch, 10)]


@pytest.mark.parametrize("size", ["P9", "C2"])
def test_potting_up_is_only_to_a_larger_size(ledger: Ledger, size: str) -> None:
    """Neither the same nor a smaller one."""
    batch = ledger.opened("finished", 10, "G1", "C2")
    refused = ledger.refusal("potted-up", batch=batch, place="G1", size=size, pots=5, to="G2")
    assert (refused.code, refused.field) == ("not-larger", "size")


def test_plugs_are_potted_and_not_potted_up(ledger: Ledger) -> None:
    """A plug has no size yet."""
    batch = ledger.opened("rooted", 10, "G1")
    refused = ledger.refusal("potted-up", batch=batch, place="G1", size="C2", pots=5, to="G2")
    assert (refused.code, refused.field) == ("not-larger", "size")


def test_no_more_are_potted_up_than_stand_but_for_counting_first(ledger: Ledger) -> None:
    """Casualties stood there as well."""
    batch = ledger.opened("finished", 10, "G1", "P9")
    refused = ledger.refusal("potted-up", batch=batch, place="G1", size="C2", pots=10, casualties=2, to="G2")
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "pots", {"wanted": 12, "standing": 10})
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {}


# --- graded ------------------------------------------------------------------------------------------------------


def test_grading_parts_finished_plants_from_seconds_and_culls(ledger: Ledger) -> None:
    """Held back ones stay where they are."""
    batch = ledger.opened("potted", 38, "G1", "P9")
    graded = ledger.tell(
        "graded", batch=batch, place="G1", finished=30, held_back=4, seconds=3, culled=1, to="G2", label_checked_by="packer"
    )
    assert moves(graded) == [
        (f"{batch}/potted/G1", f"{batch}/finished/G2", 30, "pot:P9"),
        (f"{batch}/potted/G1", f"{batch}/seconds/G2", 3, "pot:P9"),
        (f"{batch}/potted/G1", "loss/graded-out", 1, "pot:P9"),
    ]
    assert ledger.standing(batch) == {"potted/G1": 4, "finished/G2": 30, "seconds/G2": 3}


def test_no_more_are_graded_than_stand_but_for_counting_first(ledger: Ledger) -> None:
    """The four add up to the plants looked at, held back ones too."""
    batch = ledger.opened("potted", 38, "G1", "P9")
    refused = ledger.refusal("graded", batch=batch, place="G1", finished=30, held_back=6, seconds=3, culled=1, to="G2")
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "finished", {"wanted": 40, "standing": 38})
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"potted/G1": 6, "finished/G2": 30, "seconds/G2": 3}


def test_grading_needs_a_plant(ledger: Ledger) -> None:
    """Nothing looked at is nothing told."""
    refused = ledger.refusal("graded", batch=ledger.opened("potted", 38, "G1", "P9"), place="G1", finished=0, to="G2")
    assert (refused.code, refused.field) == ("contradiction", "finished")


# --- set back, tended ----------------------------------------------------------------------------------------------


def test_plants_cut_back_grow_on_again_and_are_not_for_sale(ledger: Ledger) -> None:
    """From finished to potted, with the grower's guess of the delay."""
    batch = ledger.opened("finished", 20, "G1", "P9")
    told = {"batch": batch, "place": "G1", "to": "G2", "reason": "leggy", "days_added": 21}
    assert moves(ledger.tell("set-back", **told, units=5)) == [(f"{batch}/finished/G1", f"{batch}/potted/G2", 5, "pot:P9")]
    assert ledger.card("batch", batch).days_added == 21
    assert ledger.sellable().finished == 15
    refused = ledger.refusal("set-back", **told, units=16)
    assert (refused.code, refused.field) == ("not-enough-standing", "units")
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"potted/G2": 21}


@pytest.mark.parametrize("act", ["trimmed", "pinched", "spaced", "fed", "weaned"])
def test_tending_moves_readiness_and_no_plants(ledger: Ledger, act: str) -> None:
    """Pinching adds days; the number stays."""
    batch = ledger.opened("potted", 20, "G1", "P9")
    for _ in range(2):
        assert ledger.tell("tended", batch=batch, act=act, days_added=7).moves == ()
    assert ledger.card("batch", batch).days_added == 14
