"""Picked, put back, shipped, claimed; sold here; given out and planted as stock."""

from __future__ import annotations

from typing import Any
from uuid import UUID

import pytest

from tests.plants.memory import Ledger, moves

LEAVING = {"order": "A-1", "carrier": "by road", "region": "north"}


def finished(ledger: Ledger, units: int = 40) -> str:
    """A batch of finished 9 cm pots at G1."""
    return ledger.opened("finished", units, "G1", "P9")


def picking(batch: str, units: int, **more: Any) -> dict[str, Any]:
    """Plants pulled from G1 to the packing table for an order."""
    return {"order": "A-1", "batch": batch, "place": "G1", "units": units, "to": "K1", **more}


def shipping(*lines: tuple[str, str, int], **more: Any) -> dict[str, Any]:
    """Picked plants that left."""
    return {**LEAVING, "lines": [{"batch": batch, "place": place, "units": units} for batch, place, units in lines], **more}


# --- picked, put back ----------------------------------------------------------------------------------------------


def test_picking_takes_finished_plants_to_the_packing_table_for_an_order(ledger: Ledger) -> None:
    """The movement names the order, and the order knows what was pulled for it."""
    batch = finished(ledger)
    picked = ledger.tell("picked", **picking(batch, 15))
    assert moves(picked) == [(f"{batch}/finished/G1", f"{batch}/picked/K1", 15, "pot:P9")]
    assert picked.moves[0].order == "A-1"
    assert ledger.card("order", "A-1").picked == {f"{batch}/K1": 15}
    assert ledger.sellable().finished == 25


def test_no_more_are_picked_than_stand_finished_but_for_counting_first(ledger: Ledger) -> None:
    """The picker holds one that the book lacks: found one, then picked it, as one tap."""
    batch = finished(ledger)
    refused = ledger.refusal("picked", **picking(batch, 41))
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "units", {"wanted": 41, "standing": 40})
    found, picked = ledger.write(refused.offer)
    assert moves(found) == [("count-difference", f"{batch}/finished/G1", 1, "pot:P9")]
    assert moves(picked) == [(f"{batch}/finished/G1", f"{batch}/picked/K1", 41, "pot:P9")]


def test_plants_that_grow_on_and_seconds_are_not_picked(ledger: Ledger) -> None:
    """Only finished ones leave for an order."""
    for stage in ("potted", "seconds"):
        batch = ledger.opened(stage, 10, "G1", "P9")
        assert ledger.refusal("picked", **picking(batch, 1)).data == {"wanted": 1, "standing": 0}


def test_picked_plants_put_back_are_finished_ones_again(ledger: Ledger) -> None:
    """At the place where they were put, and no longer the order's."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    back = ledger.tell("put-back", order="A-1", batch=batch, place="K1", units=4, to="G2")
    assert moves(back) == [(f"{batch}/picked/K1", f"{batch}/finished/G2", 4, "pot:P9")]
    assert ledger.card("order", "A-1").picked == {f"{batch}/K1": 11}
    assert ledger.standing(batch) == {"finished/G1": 25, "picked/K1": 11, "finished/G2": 4}


@pytest.mark.parametrize(
    ("kind", "more"),
    [
        ("put-back", {"to": "G2"}),
        ("moved", {"stage": "picked", "to": "G2"}),
        ("lost", {"stage": "picked", "cause": "handling"}),
    ],
)
def test_an_order_s_plants_are_no_other_order_s(ledger: Ledger, kind: str, more: dict[str, Any]) -> None:
    """Five picked for one order are none for another, though they stand side by side."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    ledger.tell("picked", **picking(batch, 5, order="B-2"))
    told = {"batch": batch, "place": "K1", **more}
    refused = ledger.refusal(kind, **told, units=6, order="B-2")
    assert (refused.code, refused.field, refused.data) == ("more-than-picked", "units", {"picked": 5, "wanted": 6})
    ledger.tell(kind, **told, units=5, order="B-2")
    assert ledger.card("order", "A-1").picked == {f"{batch}/K1": 15}


def test_picked_plants_are_carried_with_their_order(ledger: Ledger) -> None:
    """A rack rolled aside still belongs to it."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    ledger.tell("moved", batch=batch, stage="picked", place="K1", to="H1", units=15, order="A-1")
    assert ledger.card("order", "A-1").picked == {f"{batch}/H1": 15}


def test_plants_broken_at_packing_are_lost_out_of_their_order(ledger: Ledger) -> None:
    """The cause is kept, and the order lacks them."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    lost = ledger.tell("lost", batch=batch, stage="picked", place="K1", units=1, cause="handling", order="A-1")
    assert moves(lost) == [(f"{batch}/picked/K1", "loss/handling", 1, "pot:P9")]
    assert ledger.card("order", "A-1").picked == {f"{batch}/K1": 14}


@pytest.mark.parametrize("kind", ["given-out", "planted-as-stock"])
def test_picked_plants_are_put_back_before_they_go_another_way(ledger: Ledger, kind: str) -> None:
    """Neither given away nor planted out of an order, nor picked a second time."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    gone = {"batch": batch, "stage": "picked", "place": "K1", "units": 1, "why": "a gift", "approved_by": "packer"}
    refused = ledger.refusal(kind, **gone)
    assert (refused.code, refused.field) == ("contradiction", "stage")
    again = picking(batch, 1, order="B-2") | {"place": "K1", "to": "H1"}
    assert ledger.refusal("picked", **again).data == {"wanted": 1, "standing": 0}


# --- shipped ------------------------------------------------------------------------------------------------------


def test_shipping_takes_picked_plants_out(ledger: Ledger) -> None:
    """From several batches and places, for one order, to a region and no more than that."""
    first, second = finished(ledger), finished(ledger)
    for batch in (first, second):
        ledger.tell("picked", **picking(batch, 15))
    ledger.tell("moved", batch=second, stage="picked", place="K1", to="H1", units=5, order="A-1")
    shipped = ledger.tell("shipped", **shipping((first, "K1", 15), (second, "K1", 10), (second, "H1", 4)), service="overnight")
    assert moves(shipped) == [
        (f"{first}/picked/K1", "shipped", 15, "pot:P9"),
        (f"{second}/picked/K1", "shipped", 10, "pot:P9"),
        (f"{second}/picked/H1", "shipped", 4, "pot:P9"),
    ]
    order = ledger.card("order", "A-1")
    assert (order.picked, order.shipped) == ({f"{second}/H1": 1}, {first: 15, second: 14})
    assert (order.region, order.carrier) == ("north", "by road")


def test_no_more_is_shipped_than_was_picked_for_the_order(ledger: Ledger) -> None:
    """Though more stand on the table, for another."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    ledger.tell("picked", **picking(batch, 5, order="B-2"))
    refused = ledger.refusal("shipped", **shipping((batch, "K1", 16)))
    assert (refused.code, refused.field, refused.data) == ("more-than-picked", "units", {"picked": 15, "wanted": 16})


def test_a_line_of_a_shipment_is_named_once(ledger: Ledger) -> None:
    """Two lines of the same batch and place are added up."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    refused = ledger.refusal("shipped", **shipping((batch, "K1", 10), (batch, "K1", 5)))
    assert (refused.code, refused.field) == ("contradiction", "lines")


# --- damage claimed ------------------------------------------------------------------------------------------------


def claiming(batch: str, units: int) -> dict[str, Any]:
    """Plants of an order that arrived crushed."""
    return {"order": "A-1", "batch": batch, "units": units, "carrier": "by road", "cause": "crushed", "days_in_transit": 3}


def test_a_damage_claim_moves_nothing_and_is_not_above_what_was_shipped(ledger: Ledger) -> None:
    """The plants left long ago, so it is not shrink; what was claimed once is not claimed again."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    refused = ledger.refusal("damage-claimed", **claiming(batch, 1))
    assert (refused.code, refused.field, refused.data) == ("more-than-shipped", "units", {"shipped": 0, "wanted": 1})
    ledger.tell("shipped", **shipping((batch, "K1", 15)))
    assert ledger.tell("damage-claimed", **claiming(batch, 2)).moves == ()
    assert ledger.refusal("damage-claimed", **claiming(batch, 14)).data == {"shipped": 13, "wanted": 14}
    assert ledger.card("order", "A-1").claimed == {batch: 2}


def test_a_replacement_names_the_claim_that_it_answers(ledger: Ledger) -> None:
    """A claim that was told, and not one that was taken back."""
    batch = finished(ledger)
    ledger.tell("picked", **picking(batch, 15))
    shipped = ledger.tell("shipped", **shipping((batch, "K1", 15)))
    claim = ledger.tell("damage-claimed", **claiming(batch, 2))
    ledger.tell("picked", **picking(batch, 2, order="A-1-again", replaces=str(claim.told.id)))
    for other in (str(UUID(int=7)), str(shipped.told.id)):
        refused = ledger.refusal("picked", **picking(batch, 2, replaces=other))
        assert (refused.code, refused.field) == ("unknown-code", "replaces")
    ledger.tell("reversed", entry=str(claim.told.id), reason="it was another parcel")
    refused = ledger.refusal("picked", **picking(batch, 2, replaces=str(claim.told.id)))
    assert (refused.code, refused.field) == ("already-reversed", "replaces")


# --- sold here -----------------------------------------------------------------------------------------------------


def selling(batch: str, units: int, **more: Any) -> dict[str, Any]:
    """Plants sold over the counter from G1."""
    return {"batch": batch, "place": "G1", "units": units, "price": "14.50", **more}


@pytest.mark.parametrize("stage", ["finished", "seconds"])
def test_a_sale_at_the_nursery_ships_without_an_order(ledger: Ledger, stage: str) -> None:
    """Finished plants, or seconds."""
    batch = ledger.opened(stage, 40, "G1", "P9")
    sold = ledger.tell("sold-here", **selling(batch, 5, stage=stage))
    assert moves(sold) == [(f"{batch}/{stage}/G1", "shipped", 5, "pot:P9")]
    assert sold.moves[0].order is None


def test_no_more_is_sold_here_than_is_sellable_now(ledger: Ledger) -> None:
    """Forty stand, two are the count buffer: the refusal says how many are left."""
    batch = finished(ledger)
    refused = ledger.refusal("sold-here", **selling(batch, 39))
    assert (refused.code, refused.field, refused.data) == ("not-sellable", "units", {"sellable": 38, "wanted": 39})
    ledger.tell("sold-here", **selling(batch, 38))
    assert ledger.sellable().now == 0


def test_seconds_are_sold_as_they_stand(ledger: Ledger) -> None:
    """They were never promised to anyone: no buffer is kept of them."""
    batch = ledger.opened("seconds", 5, "G1", "P9")
    refused = ledger.refusal("sold-here", **selling(batch, 6, stage="seconds"))
    assert (refused.code, refused.field) == ("not-enough-standing", "units")
    ledger.tell("sold-here", **selling(batch, 5, stage="seconds"))


def test_no_more_is_sold_here_than_stands_but_for_counting_first(ledger: Ledger) -> None:
    """Counted first, and then what is sellable of them."""
    refused = ledger.refusal("sold-here", **selling(finished(ledger), 41))
    assert (refused.code, refused.field, len(refused.offer)) == ("not-enough-standing", "units", 2)


@pytest.mark.parametrize(
    ("changes", "code"),
    [({"stage": "potted"}, "contradiction"), ({"price": "-1"}, "malformed"), ({"price": "0.00001"}, "malformed")],
)
def test_only_finished_plants_and_seconds_are_sold_at_a_price(ledger: Ledger, changes: dict[str, str], code: str) -> None:
    """Money has four places at the most, and is not below zero."""
    refused = ledger.refusal("sold-here", **selling(finished(ledger), 1, **changes))
    assert (refused.code, refused.field) == (code, next(iter(changes)))


def test_a_sale_of_plants_that_were_counted_away_since_is_refused_in_words(ledger: Ledger) -> None:
    """They stood there at that moment only: a slip of grading, before a count that saw none."""
    batch = ledger.opened("potted", 40, "G2", "P9")
    start = ledger.teller.now
    hours = [start.replace(hour=start.hour + hour) for hour in range(1, 4)]
    ledger.tell("counted", batch=batch, stage="finished", place="G1", units=0, method="count", occurred_at=hours[2])
    ledger.tell("graded", batch=batch, place="G2", finished=5, to="G1", occurred_at=hours[0])
    refused = ledger.refusal("sold-here", **selling(batch, 2), occurred_at=hours[1])
    assert (refused.code, refused.data) == ("not-sellable", {"sellable": 0, "wanted": 2})


# --- given out, planted as stock -------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["given-out", "planted-as-stock"])
@pytest.mark.parametrize(("stage", "size"), [("rooted", None), ("potted", "P9"), ("finished", "C2"), ("seconds", "P9")])
def test_plants_that_go_out_without_a_sale_have_an_account_of_their_own(
    ledger: Ledger, kind: str, stage: str, size: str | None
) -> None:
    """At any stage but picked: they are no shrink, and somebody approved."""
    batch = ledger.opened(stage, 10, "G1", size)
    out = ledger.tell(kind, batch=batch, stage=stage, place="G1", units=2, why="for a school", approved_by="head-grower")
    assert [(source, target, units) for source, target, units, _ in moves(out)] == [(f"{batch}/{stage}/G1", kind, 2)]
    assert ledger.standing(batch) == {f"{stage}/G1": 8}


@pytest.mark.parametrize("kind", ["given-out", "planted-as-stock"])
def test_no_more_go_out_than_stand_but_for_counting_first(ledger: Ledger, kind: str) -> None:
    """The same rule at every door."""
    told = {"stage": "finished", "place": "G1", "units": 12, "why": "for a school", "approved_by": "head-grower"}
    refused = ledger.refusal(kind, batch=finished(ledger, 10), **told)
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "units", {"wanted": 12, "standing": 10})
    ledger.write(refused.offer)
