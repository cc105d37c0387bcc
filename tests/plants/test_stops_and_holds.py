"""What may not be sold or propagated just now, what waits, and what is sellable after all of it."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from ledger.plants.cards import ShelfCard, ShelfLine
from ledger.plants.desk import DEFAULT_POLICY
from ledger.plants.shelf import count_buffer, counted
from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger
from tests.telling import START

BOTH_ENDS = {"place": "G1", "to": "K1", "order": "A-1"}


def finished(ledger: Ledger, units: int = 40, **more: Any) -> str:
    """A batch of finished 9 cm pots at G1."""
    return ledger.opened("finished", units, "G1", "P9", **more)


def stop(ledger: Ledger, **target: Any) -> str:
    """Something stopped; the id of the stop."""
    return str(ledger.tell("stopped", reason="quarantine", **target).told.id)


def acts(batch: str) -> dict[str, dict[str, Any]]:
    """One plant of a batch sold and picked."""
    return {
        "sold-here": {"batch": batch, "place": "G1", "units": 1, "price": "9.00"},
        "picked": {"batch": batch, "place": "G1", "units": 1, "to": "K1", "order": "A-1"},
    }


# --- stopped and cleared -------------------------------------------------------------------------------------------


@pytest.mark.parametrize("reason", ["quarantine", "isolation", "name-in-doubt", "quality"])
def test_a_stopped_batch_is_neither_sold_nor_picked_until_cleared(ledger: Ledger, reason: str) -> None:
    """The refusal names the stop that is in force."""
    batch = finished(ledger)
    stopped = ledger.tell("stopped", batch=batch, reason=reason, authority="the plant-health office")
    assert stopped.moves == ()
    for kind, told in acts(batch).items():
        refused = ledger.refusal(kind, **told)
        assert (refused.code, refused.field, refused.data) == ("stopped", "batch", {"stop": str(stopped.told.id)})
    ledger.tell("cleared", batch=batch, stop=str(stopped.told.id), because="looked at again")
    for kind, told in acts(batch).items():
        ledger.tell(kind, **told)


def test_a_stopped_crop_stops_every_batch_of_it_and_no_other(ledger: Ledger) -> None:
    """A virus in a cultivar."""
    ixora, hoya = finished(ledger), finished(ledger, crop=HOYA)
    stop(ledger, crop=IXORA)
    for kind, told in acts(ixora).items():
        assert ledger.refusal(kind, **told).code == "stopped"
    assert ledger.sellable(IXORA).now == 0
    for kind, told in acts(hoya).items():
        ledger.tell(kind, **told)


def test_a_shipment_waits_where_its_plants_were_stopped_after_picking(ledger: Ledger) -> None:
    """Picked, and then suspected: it does not leave."""
    batch = finished(ledger)
    ledger.tell("picked", **acts(batch)["picked"])
    shipped = {"order": "A-1", "carrier": "by road", "region": "north", "lines": [{"batch": batch, "place": "K1", "units": 1}]}
    for target in ({"batch": batch}, {"crop": IXORA}):
        told = stop(ledger, **target)
        assert ledger.refusal("shipped", **shipped).code == "stopped"
        ledger.tell("cleared", **target, stop=told, because="a false alarm")
    ledger.tell("shipped", **shipped)


@pytest.mark.parametrize("kind", ["gathered", "struck"])
@pytest.mark.parametrize(("target", "field"), [({"stock_plant": IXORA_PLANTS}, "stock_plants"), ({"crop": IXORA}, "crop")])
def test_nothing_is_propagated_from_a_stopped_stock_plant_or_crop(
    ledger: Ledger, kind: str, target: dict[str, str], field: str
) -> None:
    """Neither gathered nor struck straight."""
    cuttings = {"crop": IXORA, "stock_plants": [{"stock_plant": IXORA_PLANTS, "cuttings": 10}], "place": "P1"}
    told = cuttings if kind == "gathered" else {**cuttings, "cuttings": 10, "per_cell": 1, "cells": 10}
    stopped = stop(ledger, **target)
    refused = ledger.refusal(kind, **told)
    assert (refused.code, refused.field, refused.data) == ("stopped", field, {"stop": stopped})
    ledger.tell("cleared", **target, stop=stopped, because="tested clean")
    ledger.tell(kind, **told)


def test_two_stops_are_cleared_one_by_one(ledger: Ledger) -> None:
    """What was stopped for two reasons is free when both are gone, and a stop ends once."""
    batch = finished(ledger)
    first, second = stop(ledger, batch=batch), stop(ledger, batch=batch)
    ledger.tell("cleared", batch=batch, stop=first, because="tested clean")
    assert ledger.refusal("picked", **acts(batch)["picked"]).data == {"stop": second}
    refused = ledger.refusal("cleared", batch=batch, stop=first, because="tested clean")
    assert (refused.code, refused.field) == ("already-ended", "stop")
    ledger.tell("cleared", batch=batch, stop=second, because="tested clean")
    ledger.tell("picked", **acts(batch)["picked"])


def test_a_stop_is_cleared_on_what_it_stopped(ledger: Ledger) -> None:
    """The stop of one batch is not lifted from another."""
    batch, other = finished(ledger), finished(ledger)
    stopped = stop(ledger, batch=batch)
    assert ledger.refusal("cleared", batch=other, stop=stopped, because="a slip").code == "already-ended"


@pytest.mark.parametrize("targets", [{}, {"batch": "26W38-01W", "crop": IXORA}])
def test_a_stop_names_one_batch_stock_plant_or_crop(ledger: Ledger, targets: dict[str, str]) -> None:
    """Exactly one, so that its clearing is plain."""
    refused = ledger.refusal("stopped", reason="quality", **targets)
    assert (refused.code, refused.field) == ("contradiction", "batch")


@pytest.mark.parametrize(
    ("target", "field"), [({"batch": "26W38-99H"}, "batch"), ({"stock_plant": "S-9"}, "stock_plant"), ({"crop": "x"}, "crop")]
)
def test_a_stop_names_something_known(ledger: Ledger, target: dict[str, str], field: str) -> None:
    """An unknown target is a slip."""
    refused = ledger.refusal("stopped", reason="quality", **target)
    assert (refused.code, refused.field) == ("unknown-code", field)


def test_stopped_plants_are_carried_counted_and_written_off(ledger: Ledger) -> None:
    """They are inventory: isolation means to move them, and destruction is a loss."""
    batch = finished(ledger)
    stop(ledger, batch=batch)
    here = {"batch": batch, "stage": "finished"}
    ledger.tell("moved", **here, place="G1", to="G2", units=40)
    ledger.tell("counted", **here, place="G2", units=39, method="count")
    ledger.tell("lost", **here, place="G2", units=39, cause="regulated")


# --- a stop goes with the plants -----------------------------------------------------------------------------------


def children(ledger: Ledger, stage: str, size: str | None, kind: str) -> tuple[str, str]:
    """A stopped batch, and one that was made from it afterwards."""
    parent = ledger.opened(stage, 40, "G1", size)
    stop(ledger, batch=parent)
    plants = {"batch": parent, "stage": stage, "place": "G1"}
    told: dict[str, dict[str, Any]] = {
        "potted": {**plants, "size": "P9", "plugs": 10, "pots": 10, "to": "G2"},
        "potted-up": {**plants, "size": "C2", "pots": 10, "to": "G2"},
        "merged": {"stage": stage, "sources": [{"batch": parent, "place": "G1", "units": 10}], "place": "G2"},
        "renamed": {**plants, "units": 10, "crop": HOYA, "evidence": "it flowered"},
    }
    made: Any = ledger.tell(kind, **told[kind])
    return parent, made.told.into


@pytest.mark.parametrize(
    ("kind", "stage", "size"),
    [("potted", "rooted", None), ("potted-up", "finished", "P9"), ("merged", "finished", "P9"), ("renamed", "finished", "P9")],
)
def test_nothing_is_cleared_by_being_potted_merged_or_renamed(ledger: Ledger, kind: str, stage: str, size: str | None) -> None:
    """Plants of a stopped batch stay stopped in the batch that they become, until that one is cleared."""
    parent, child = children(ledger, stage, size, kind)
    (stopped,) = ledger.card("batch", child).stops
    ledger.tell("cleared", batch=parent, stop=str(stopped.entry), because="tested clean")
    assert ledger.card("batch", child).stops == (stopped,)
    ledger.tell("cleared", batch=child, stop=str(stopped.entry), because="tested clean")
    assert ledger.card("batch", child).stops == ()


def test_stopped_plants_put_to_others_stop_them_all(ledger: Ledger) -> None:
    """Where shares are unknown every plant is a suspect; taken back, the others are free again."""
    clean, suspect = finished(ledger), finished(ledger, 5)
    stop(ledger, batch=suspect)
    part = {"batch": suspect, "place": "G1", "units": 5}
    merged = ledger.tell("merged", stage="finished", sources=[part], place="G1", into=clean)
    assert ledger.sellable().stopped == 45
    ledger.tell("reversed", entry=str(merged.told.id), reason="they were set beside, not among them")
    assert ledger.sellable().stopped == 5


def test_a_name_in_doubt_is_settled_by_renaming(ledger: Ledger) -> None:
    """What was found to be another crop has its name, and is free; a quarantine goes along."""
    batch = finished(ledger)
    ledger.tell("stopped", batch=batch, reason="name-in-doubt")
    renaming = {"batch": batch, "stage": "finished", "place": "G1", "units": 3, "crop": HOYA, "evidence": "it flowered"}
    renamed: Any = ledger.tell("renamed", **renaming)
    assert ledger.card("batch", renamed.told.into).stops == ()


def test_a_stop_taken_back_is_gone_also_where_plants_carried_it(ledger: Ledger) -> None:
    """It should never have been: down to the batches made of batches made of it."""
    plugs = ledger.opened("rooted", 40, "H1")
    stopped = stop(ledger, batch=plugs)
    potted: Any = ledger.tell("potted", batch=plugs, place="H1", size="P9", plugs=40, pots=40, to="G1")
    up: Any = ledger.tell("potted-up", batch=potted.told.into, stage="potted", place="G1", size="C2", pots=9, to="G2")
    assert ledger.card("batch", up.told.into).stops
    ledger.tell("reversed", entry=stopped, reason="it was the tray beside it")
    assert [ledger.card("batch", batch).stops for batch in (plugs, potted.told.into, up.told.into)] == [(), (), ()]


# --- held --------------------------------------------------------------------------------------------------------


HOLDING = {"reason": "weather", "review_on": "2026-12-01"}


def test_held_plants_stay_in_the_inventory_and_are_not_for_sale(ledger: Ledger) -> None:
    """Until the hold is ended, by its id, once."""
    batch = finished(ledger)
    held = ledger.tell("held", **HOLDING, batch=batch, units=10)
    assert held.moves == ()
    assert (ledger.sellable().finished, ledger.sellable().held, ledger.sellable().now) == (40, 10, 28)
    ended = {"batch": batch, "hold": str(held.told.id)}
    ledger.tell("hold-ended", **ended)
    assert ledger.sellable().held == 0
    refused = ledger.refusal("hold-ended", **ended)
    assert (refused.code, refused.field) == ("already-ended", "hold")


def test_no_more_are_held_than_are_finished_and_free_of_holds(ledger: Ledger) -> None:
    """Two holds share what stands."""
    batch = finished(ledger)
    ledger.tell("held", **HOLDING, batch=batch, units=30)
    refused = ledger.refusal("held", **HOLDING, batch=batch, units=11)
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "units", {"wanted": 11, "standing": 10})
    ledger.tell("held", **HOLDING, batch=batch, units=10)


def test_an_order_is_held_as_a_whole(ledger: Ledger) -> None:
    """For its buyer or for papers, with a day to look at it again."""
    held = ledger.tell("held", reason="papers", review_on="2026-12-01", order="A-1")
    (hold,) = ledger.card("order", "A-1").holds
    assert (hold.entry, hold.reason, hold.review_on.isoformat()) == (held.told.id, "papers", "2026-12-01")
    ledger.tell("hold-ended", order="A-1", hold=str(held.told.id))
    assert ledger.card("order", "A-1").holds == ()
    assert ledger.refusal("hold-ended", order="B-2", hold=str(held.told.id)).code == "already-ended"


@pytest.mark.parametrize(
    ("target", "field"),
    [
        ({}, "batch"),
        ({"order": "A-1", "batch": "26W38-01W", "units": 1}, "batch"),
        ({"batch": "26W38-01W"}, "units"),
        ({"order": "A-1", "units": 2}, "units"),
    ],
)
def test_a_hold_is_of_units_of_a_batch_or_of_an_order(ledger: Ledger, target: dict[str, Any], field: str) -> None:
    """One of the two, and units only of a batch."""
    refused = ledger.refusal("held", **HOLDING, **target)
    assert (refused.code, refused.field) == ("contradiction", field)


def test_held_plants_that_died_are_not_held_from_the_living(ledger: Ledger) -> None:
    """A hold of 30, of which 35 were lost, holds the 5 that are left and no others."""
    batch, other = finished(ledger), finished(ledger, 10)
    ledger.tell("held", **HOLDING, batch=batch, units=30)
    ledger.tell("lost", batch=batch, stage="finished", place="G1", units=35, cause="cold")
    now = ledger.sellable()
    assert (now.finished, now.held, now.now) == (15, 5, 8)
    assert ledger.standing(other) == {"finished/G1": 10}


# --- sellable now --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("units", "days", "kept"), [(40, 3, 2), (40, 30, 3), (150, 30, 8), (0, 0, 2), (40, 0, 2), (40, -1, 2)])
def test_the_count_buffer_grows_with_units_and_with_days_since_the_count(units: int, days: int, kept: int) -> None:
    """Q 40: 2 after 3 days, 3 after 30; Q 150: 8 after 30 days."""
    assert count_buffer(units, days, DEFAULT_POLICY) == kept


@pytest.mark.parametrize(("units", "days", "now"), [(40, 3, 38), (40, 30, 37), (150, 30, 142), (1, 0, 0)])
def test_what_is_sellable_is_what_is_finished_less_the_buffer(units: int, days: int, now: int) -> None:
    """Never below zero."""
    line = ShelfLine(units=units, counted_at=START)
    shelf = ShelfCard(crop=IXORA, size="P9", lines={"26W38-01W": line})
    found = counted(shelf, None, DEFAULT_POLICY, START + timedelta(days=days))
    assert found.free - found.buffer == now


def test_a_count_makes_the_buffer_smaller(ledger: Ledger) -> None:
    """After thirty days without one, three of forty are kept back; counted today, two."""
    batch = finished(ledger)
    ledger.clock = ledger.teller.now + timedelta(days=30)
    assert ledger.sellable().now == 37
    there = {"batch": batch, "stage": "finished", "place": "G1", "units": 40, "method": "count"}
    ledger.tell("counted", **there, occurred_at=ledger.clock)
    assert (ledger.sellable().now, ledger.sellable().counted_at) == (38, ledger.clock)


def test_an_estimate_makes_the_buffer_no_smaller(ledger: Ledger) -> None:
    """It is no count."""
    batch = finished(ledger)
    ledger.clock = ledger.teller.now + timedelta(days=30)
    there = {"batch": batch, "stage": "finished", "place": "G1", "units": 40, "method": "estimate"}
    ledger.tell("counted", **there, occurred_at=ledger.clock)
    assert ledger.sellable().now == 37


def test_the_shelf_is_as_old_as_its_part_that_was_longest_uncounted(ledger: Ledger) -> None:
    """One bench counted is not two."""
    batch = finished(ledger)
    ledger.tell("moved", batch=batch, stage="finished", place="G1", to="G2", units=20)
    uncounted = ledger.teller.now
    there = {"batch": batch, "stage": "finished", "place": "G1", "units": 20, "method": "count"}
    ledger.tell("counted", **there, occurred_at=uncounted + timedelta(days=3))
    assert ledger.sellable().counted_at == uncounted


def test_sellable_now_leaves_out_stopped_and_held_plants_once(ledger: Ledger) -> None:
    """A held plant of a stopped batch is stopped, and is not taken off twice."""
    free, stopped = finished(ledger, 40), finished(ledger, 20)
    ledger.tell("held", **HOLDING, batch=stopped, units=20)
    stop(ledger, batch=stopped)
    ledger.tell("held", **HOLDING, batch=free, units=10)
    now = ledger.sellable()
    assert (now.finished, now.stopped, now.held, now.buffer, now.now) == (60, 20, 10, 2, 28)


def test_seconds_growing_and_picked_plants_are_not_sellable_now(ledger: Ledger) -> None:
    """Counted finished plants, and nothing else."""
    batch = ledger.opened("potted", 60, "G1", "P9")
    ledger.tell("graded", batch=batch, place="G1", finished=40, seconds=5, held_back=15, to="G1")
    ledger.tell("picked", batch=batch, units=10, **BOTH_ENDS)
    assert (ledger.sellable().finished, ledger.sellable().now) == (30, 28)


def test_the_policy_sets_the_buffer(ledger: Ledger) -> None:
    """A nursery that counts without error keeps none back."""
    finished(ledger)
    ledger.tell("policy-set", buffer_z_per_mille=0)
    assert ledger.sellable().now == 40
