"""Plants carried from place to place, split over places, put together, and found to be another crop."""

from __future__ import annotations

from typing import Any

import pytest

from ledger.plants.refusals import Refused
from tests.plants.memory import HOYA, IXORA, Ledger, moves

# --- moved -------------------------------------------------------------------------------------------------------


def test_carrying_plants_changes_their_place_and_nothing_else(ledger: Ledger) -> None:
    """The sum is unchanged."""
    batch = ledger.opened("rooted", 40, "H1")
    moved = ledger.tell("moved", batch=batch, stage="rooted", place="H1", to="H2", units=15)
    assert moves(moved) == [(f"{batch}/rooted/H1", f"{batch}/rooted/H2", 15, "cell")]
    assert ledger.standing(batch) == {"rooted/H1": 25, "rooted/H2": 15}


def test_a_batch_stands_at_several_places_and_stages_at_once(ledger: Ledger) -> None:
    """One batch on three benches, half of it finished."""
    batch = ledger.opened("potted", 60, "G1", "P9")
    ledger.tell("moved", batch=batch, stage="potted", place="G1", to="G2", units=20)
    ledger.tell("moved", batch=batch, stage="potted", place="G1", to="H1", units=10)
    ledger.tell("graded", batch=batch, place="G1", finished=25, held_back=5, to="H2")
    assert ledger.standing(batch) == {"potted/G1": 5, "potted/G2": 20, "potted/H1": 10, "finished/H2": 25}
    ledger.tell("lost", batch=batch, stage="potted", place="G2", units=20, cause="cold")
    assert ledger.standing(batch) == {"potted/G1": 5, "potted/H1": 10, "finished/H2": 25}


def test_no_more_is_carried_than_stands_but_for_counting_first(ledger: Ledger) -> None:
    """Who carries 42 counts 42."""
    batch = ledger.opened("rooted", 40, "H1")
    refused = ledger.refusal("moved", batch=batch, stage="rooted", place="H1", to="H2", units=42)
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "units", {"wanted": 42, "standing": 40})
    ledger.write(refused.offer)
    assert ledger.standing(batch) == {"rooted/H2": 42}


@pytest.mark.parametrize(
    ("changes", "field"), [({"to": "H1"}, "to"), ({"order": "A-1"}, "order"), ({"stage": "picked"}, "order")]
)
def test_plants_are_carried_to_another_place_and_picked_ones_with_their_order(
    ledger: Ledger, changes: dict[str, Any], field: str
) -> None:
    """An order goes with picked plants and with no others."""
    told = {"batch": ledger.opened("rooted", 40, "H1"), "stage": "rooted", "place": "H1", "to": "H2", "units": 5}
    refused = ledger.refusal("moved", **{**told, **changes})
    assert (refused.code, refused.field) == ("contradiction", field)


# --- merged ------------------------------------------------------------------------------------------------------


def part(batch: str, units: int, place: str = "H1") -> dict[str, Any]:
    """Units of a batch at a place."""
    return {"batch": batch, "place": place, "units": units}


def test_part_trays_put_together_are_a_new_batch_with_both_for_parents(ledger: Ledger) -> None:
    """The sum is unchanged and the parents keep their quantities."""
    first, second = ledger.opened("rooted", 61, "H1"), ledger.opened("rooted", 51, "H2")
    merged: Any = ledger.tell("merged", stage="rooted", sources=[part(first, 61), part(second, 11, "H2")], place="H1")
    into = merged.told.into
    assert moves(merged) == [
        (f"{first}/rooted/H1", f"{into}/rooted/H1", 61, "cell"),
        (f"{second}/rooted/H2", f"{into}/rooted/H1", 11, "cell"),
    ]
    assert [(parent.holder, parent.units) for parent in ledger.card("batch", into).parents] == [(first, 61), (second, 11)]
    assert ledger.card("batch", first).children == ledger.card("batch", second).children == (into,)
    assert ledger.standing(second) == {"rooted/H2": 40}


def test_a_batch_may_take_the_others_in(ledger: Ledger) -> None:
    """It keeps its number, and what it had."""
    first, second = ledger.opened("rooted", 61, "H1"), ledger.opened("rooted", 51, "H2")
    ledger.tell("merged", stage="rooted", sources=[part(second, 51, "H2")], place="H1", into=first)
    assert ledger.standing(first) == {"rooted/H1": 112}
    assert [(parent.holder, parent.units) for parent in ledger.card("batch", first).parents] == [(second, 51)]


def test_two_places_of_one_batch_are_two_parts(ledger: Ledger) -> None:
    """Each with its own quantity; one place is named once."""
    batch = ledger.opened("rooted", 60, "H1")
    ledger.tell("moved", batch=batch, stage="rooted", place="H1", to="H2", units=20)
    merged: Any = ledger.tell("merged", stage="rooted", sources=[part(batch, 30), part(batch, 20, "H2")], place="H1")
    assert ledger.standing(merged.told.into) == {"rooted/H1": 50}
    refused = ledger.refusal("merged", stage="rooted", sources=[part(batch, 1), part(batch, 2)], place="H1")
    assert (refused.code, refused.field) == ("contradiction", "sources")


def test_only_plants_of_one_crop_and_size_are_put_together(ledger: Ledger) -> None:
    """Neither two crops, nor two sizes, nor plugs with pots."""
    ixora = ledger.opened("finished", 10, "G1", "P9")
    others = [
        ledger.opened("finished", 10, "G1", "P9", crop=HOYA),
        ledger.opened("finished", 10, "G1", "C2"),
        ledger.opened("rooted", 10, "G1"),
    ]
    for other in others:
        both = [part(ixora, 5, "G1"), part(other, 5, "G1")]
        for told in ({"sources": both}, {"sources": both[:1], "into": other}):
            refused = ledger.refusal("merged", stage="finished", place="G1", **told)
            assert (refused.code, refused.field) == ("different-plants", "sources")


def test_no_more_is_put_together_than_stands_but_for_counting_first(ledger: Ledger) -> None:
    """Where too few stand of two batches, the one is offered after the other, and both counts go before the merge."""
    first, second = ledger.opened("rooted", 10, "H1"), ledger.opened("rooted", 10, "H2")
    refused = ledger.refusal("merged", stage="rooted", sources=[part(first, 12), part(second, 13, "H2")], place="H1")
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "sources", {"wanted": 12, "standing": 10})
    with pytest.raises(Refused) as again:
        ledger.write(refused.offer)
    (problem,) = again.value.problems
    assert problem.data == {"wanted": 13, "standing": 10}
    merged: Any = ledger.write([refused.offer[0], *problem.offer])[-1]
    assert ledger.standing(merged.told.into) == {"rooted/H1": 25}


@pytest.mark.parametrize(("changes", "field"), [({"stage": "picked"}, "stage"), ({"into": "26W38-01W"}, "sources")])
def test_picked_plants_are_not_put_together_nor_a_batch_with_itself(
    ledger: Ledger, changes: dict[str, Any], field: str
) -> None:
    """The one belongs to an order, the other is together already."""
    batch = ledger.opened("rooted", 10, "H1")
    assert batch == "26W38-01W"
    refused = ledger.refusal("merged", **{"stage": "rooted", "sources": [part(batch, 5)], "place": "H2", **changes})
    assert (refused.code, refused.field) == ("contradiction", field)


# --- renamed -----------------------------------------------------------------------------------------------------


def test_renaming_leaves_both_crops_together_unchanged(ledger: Ledger) -> None:
    """Three pots in the ixora were hoyas: the units change batch and crop, and their number stays."""
    batch = ledger.opened("potted", 40, "G1", "P9")
    pots = {"batch": batch, "stage": "potted", "place": "G1"}
    renamed: Any = ledger.tell("renamed", **pots, units=3, crop=HOYA, evidence="it flowered")
    into = renamed.told.into
    assert moves(renamed) == [(f"{batch}/potted/G1", f"{into}/potted/G1", 3, "pot:P9")]
    card = ledger.card("batch", into)
    assert (card.crop, card.size, card.parents[0].holder, card.parents[0].units) == (HOYA, "P9", batch, 3)
    assert ledger.standing(batch) == {"potted/G1": 37}
    assert ledger.standing(into) == {"potted/G1": 3}


@pytest.mark.parametrize("stage", ["gathered", "struck", "rooted"])
def test_plants_are_renamed_at_any_stage(ledger: Ledger, stage: str) -> None:
    """Plugs stay plugs."""
    batch = ledger.opened(stage, 40, "H1")
    renamed: Any = ledger.tell("renamed", batch=batch, stage=stage, place="H1", units=40, crop=HOYA, evidence="leaf")
    assert ledger.standing(renamed.told.into) == {f"{stage}/H1": 40}
    assert ledger.card("batch", renamed.told.into).size is None


def test_renaming_needs_another_crop_that_is_known_and_plants_that_stand(ledger: Ledger) -> None:
    """And picked plants are put back first."""
    told = {"batch": ledger.opened("rooted", 40, "H1"), "stage": "rooted", "place": "H1", "units": 3, "evidence": "leaf"}
    refused = ledger.refusal("renamed", **told, crop=IXORA)
    assert (refused.code, refused.field) == ("different-plants", "crop")
    refused = ledger.refusal("renamed", **told, crop="unheard-of")
    assert (refused.code, refused.field) == ("unknown-code", "crop")
    refused = ledger.refusal("renamed", **{**told, "stage": "picked"}, crop=HOYA)
    assert (refused.code, refused.field) == ("contradiction", "stage")
    refused = ledger.refusal("renamed", **{**told, "units": 41}, crop=HOYA)
    assert (refused.code, refused.field) == ("not-enough-standing", "units")
    ledger.write(refused.offer)
