"""What stood here on the first day, what is bought in, and the stock plants in the ground."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger, moves

POTS: dict[str, Any] = {"crop": IXORA, "stage": "finished", "size": "P9", "place": "G1", "units": 12}


# --- opened ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stage", "size", "unit"),
    [
        ("gathered", None, "cutting"),
        ("struck", None, "cell"),
        ("rooted", None, "cell"),
        ("potted", "P9", "pot:P9"),
        ("finished", "C2", "pot:C2"),
        ("seconds", "P9", "pot:P9"),
    ],
)
def test_opening_brings_plants_of_any_stage_out_of_the_opening_account(
    ledger: Ledger, stage: str, size: str | None, unit: str
) -> None:
    """Cuttings before striking, cells before potting, pots of a size after it."""
    sized = {} if size is None else {"size": size}
    opened: Any = ledger.tell("opened", crop=IXORA, stage=stage, place="G1", units=12, **sized)
    assert moves(opened) == [("opening", f"{opened.told.batch}/{stage}/G1", 12, unit)]
    assert ledger.units(f"opening {unit}") == -12


def test_the_first_opening_makes_the_first_day_and_there_is_no_second(ledger: Ledger) -> None:
    """The book is opened on one day of the nursery's calendar, early or late in it."""
    first = ledger.tell("opened", **POTS)
    ledger.tell("opened", **POTS, occurred_at=first.told.occurred_at.replace(hour=23))
    for days in (-1, 1):
        refused = ledger.refusal("opened", **POTS, occurred_at=first.told.occurred_at + timedelta(days=days))
        assert (refused.code, refused.field) == ("not-opening-day", "occurred_at")
        assert refused.data == {"opening_day": "2026-09-14"}


def test_what_was_opened_has_the_age_that_was_told(ledger: Ledger) -> None:
    """A tray that was struck three weeks before the first day is three weeks old."""
    opened: Any = ledger.tell("opened", crop=IXORA, stage="struck", place="P1", units=10, age_days=21)
    card = ledger.card("batch", opened.told.batch)
    assert (card.born_on.isoformat(), card.came) == ("2026-08-24", "opened")


# --- bought in ---------------------------------------------------------------------------------------------------


def test_bought_in_plants_come_out_of_the_bought_in_account(ledger: Ledger) -> None:
    """As a batch of their own, which remembers how it came."""
    bought: Any = ledger.tell("bought-in", **POTS, supplier_batch="L 7741", unit_cost="1.25")
    assert moves(bought) == [("bought-in", f"{bought.told.batch}/finished/G1", 12, "pot:P9")]
    assert ledger.card("batch", bought.told.batch).came == "bought-in"


def test_bought_in_plants_start_stopped_where_the_policy_isolates(ledger: Ledger) -> None:
    """Without a policy the careful way holds: they are in the inventory and not for sale until cleared."""
    bought: Any = ledger.tell("bought-in", **POTS, supplier_batch="L 7741")
    (stop,) = ledger.card("batch", bought.told.batch).stops
    assert (stop.reason, stop.entry) == ("isolation", bought.told.id)
    sold = {"batch": bought.told.batch, "place": "G1", "units": 1, "price": "9.00"}
    assert ledger.refusal("sold-here", **sold).code == "stopped"
    assert ledger.sellable().stopped == 12
    ledger.tell("cleared", batch=bought.told.batch, stop=str(bought.told.id), because="clean after three weeks")
    ledger.tell("sold-here", **sold)


def test_bought_in_plants_start_free_where_the_policy_does_not_isolate(ledger: Ledger) -> None:
    """The nursery decides, by its policy."""
    ledger.tell("policy-set", isolate_bought_in=False)
    bought: Any = ledger.tell("bought-in", **POTS, supplier_batch="L 7741")
    assert ledger.card("batch", bought.told.batch).stops == ()


@pytest.mark.parametrize("kind", ["opened", "bought-in"])
@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"stage": "rooted"}, "size"),  # plugs have no size yet
        ({"size": None}, "size"),  # pots have one
        ({"stage": "picked"}, "stage"),  # nothing comes in as picked
    ],
)
def test_size_and_stage_belong_together_at_the_door(ledger: Ledger, kind: str, changes: dict[str, Any], field: str) -> None:
    """Size exists from potting on, and picked plants belong to an order."""
    told = {**POTS, **({} if kind == "opened" else {"supplier_batch": "7"}), **changes}
    refused = ledger.refusal(kind, **{name: value for name, value in told.items() if value is not None})
    assert (refused.code, refused.field) == ("contradiction", field)


# --- stock plants ------------------------------------------------------------------------------------------------


def stock(units: int, **changes: Any) -> dict[str, Any]:
    """The ixora's stock plants, told whole; 20 stand in S1 already."""
    return {"stock_plant": IXORA_PLANTS, "crop": IXORA, "place": "S1", "units": units, "source": "opening", **changes}


@pytest.mark.parametrize("source", ["opening", "bought-in", "planted-as-stock"])
def test_more_stock_plants_come_from_the_source_told(ledger: Ledger, source: str) -> None:
    """Told whole, they are moved by the difference."""
    more = ledger.tell("stock-set", **stock(23, source=source))
    assert moves(more) == [(source, f"{IXORA_PLANTS}/stock/S1", 3, "stock-plant")]


def test_stock_plants_told_again_unchanged_move_nothing(ledger: Ledger) -> None:
    """As a licence number is added."""
    assert ledger.tell("stock-set", **stock(20, licence="EU 2024/118")).moves == ()
    assert ledger.card("stock-plant", IXORA_PLANTS).licence == "EU 2024/118"


def test_stock_plants_told_at_another_place_were_carried_there(ledger: Ledger) -> None:
    """All of them, and then the difference comes in."""
    carried = ledger.tell("stock-set", **stock(21, place="G1"))
    assert moves(carried) == [
        (f"{IXORA_PLANTS}/stock/S1", f"{IXORA_PLANTS}/stock/G1", 20, "stock-plant"),
        ("opening", f"{IXORA_PLANTS}/stock/G1", 1, "stock-plant"),
    ]
    assert ledger.standing(IXORA_PLANTS) == {"stock/G1": 21}


def test_setting_stock_plants_may_not_lower_them(ledger: Ledger) -> None:
    """Those that went have a cause, which is told with stock-removed."""
    refused = ledger.refusal("stock-set", **stock(18))
    assert (refused.code, refused.field, refused.data) == ("would-lower", "units", {"standing": 20})


def test_stock_plants_of_a_protected_crop_need_its_licence(ledger: Ledger) -> None:
    """Those that stand may be told again; no more may come."""
    crop = {"code": IXORA, "name": "Copper Thimble", "species": "Ixora coccinea", "group": "Woody"}
    ledger.tell("crop-set", **crop, may_propagate=False)
    refused = ledger.refusal("stock-set", **stock(21))
    assert (refused.code, refused.field) == ("may-not-propagate", "crop")
    ledger.tell("stock-set", **stock(20, place="G1"))


def test_a_stock_plant_s_code_keeps_its_crop(ledger: Ledger) -> None:
    """Another crop gets another code."""
    refused = ledger.refusal("stock-set", **stock(20, crop=HOYA))
    assert (refused.code, refused.field) == ("different-plants", "crop")


def test_stock_plants_are_told_as_they_stand_now_not_as_they_stood(ledger: Ledger) -> None:
    """Told whole for an earlier day, after they were carried, they would stand twice."""
    day = ledger.teller.now
    ledger.tell("stock-set", **stock(20, place="G1"), occurred_at=day + timedelta(days=10))
    refused = ledger.refusal("stock-set", **stock(20), occurred_at=day + timedelta(days=5))
    assert (refused.code, refused.field) == ("breaks-later-fact", "occurred_at")
    assert ledger.standing(IXORA_PLANTS) == {"stock/G1": 20}


def test_a_late_slip_never_changes_what_was_told_to_stand(ledger: Ledger) -> None:
    """Twenty were told to stand at noon: what is said to have died before leaves twenty, and one fewer from the source."""
    noon = ledger.teller.now + timedelta(hours=4)
    ledger.tell("stock-set", **stock(20), occurred_at=noon)
    removed = {"stock_plant": IXORA_PLANTS, "units": 1, "cause": "cold"}
    slip = ledger.tell("stock-removed", **removed, occurred_at=noon - timedelta(hours=1))
    assert moves(slip)[1] == ("opening", f"{IXORA_PLANTS}/stock/S1", 1, "stock-plant")
    assert ledger.standing(IXORA_PLANTS) == {"stock/S1": 20}


def test_stock_plants_told_twice_of_one_moment_are_as_the_second_says(ledger: Ledger) -> None:
    """Of one moment, the order of telling is the order of occurring."""
    at = ledger.teller.now
    ledger.tell("stock-set", **stock(21), occurred_at=at)
    ledger.tell("stock-set", **stock(22), occurred_at=at)
    assert ledger.standing(IXORA_PLANTS) == {"stock/S1": 22}


def test_stock_plants_out_of_a_batch_belong_to_its_family(ledger: Ledger) -> None:
    """What comes of a batch is found from it, also by way of a stock plant."""
    batch = ledger.opened("potted", 10, "G1", "P9")
    ledger.tell("planted-as-stock", batch=batch, stage="potted", place="G1", units=3, why="strong", approved_by="head-grower")
    ledger.tell("stock-set", **stock(3, stock_plant="S-IXO-2", source="planted-as-stock", from_batch=batch))
    assert ledger.card("batch", batch).children == ("S-IXO-2",)
    assert ledger.card("stock-plant", "S-IXO-2").from_batch == batch
    refused = ledger.refusal("stock-set", **stock(3, stock_plant="S-IXO-3", from_batch="26W38-99H"))
    assert (refused.code, refused.field) == ("unknown-code", "from_batch")


def test_stock_plants_removed_are_lost_to_a_cause(ledger: Ledger) -> None:
    """From where they stand."""
    removed = ledger.tell("stock-removed", stock_plant=IXORA_PLANTS, units=2, cause="disease")
    assert moves(removed) == [(f"{IXORA_PLANTS}/stock/S1", "loss/disease", 2, "stock-plant")]


def test_no_more_stock_plants_are_removed_than_stand(ledger: Ledger) -> None:
    """Never below zero; there is nothing to count first, they are few."""
    refused = ledger.refusal("stock-removed", stock_plant=IXORA_PLANTS, units=21, cause="disease")
    assert (refused.code, refused.field) == ("not-enough-standing", "units")
    assert (refused.data, refused.offer) == ({"wanted": 21, "standing": 20}, ())


def test_stock_plants_are_removed_from_where_they_stood_then(ledger: Ledger) -> None:
    """A slip from before they were carried takes them from the old place, and leaves too few to have been carried."""
    day = ledger.teller.now
    ledger.tell("stock-set", **stock(20, place="G1"), occurred_at=day + timedelta(days=10))
    removed = {"stock_plant": IXORA_PLANTS, "units": 2, "cause": "cold"}
    assert ledger.refusal("stock-removed", **removed, occurred_at=day + timedelta(days=5)).code == "not-enough-standing"
    ledger.tell("stock-removed", **removed, occurred_at=day + timedelta(days=11))
    assert ledger.standing(IXORA_PLANTS) == {"stock/G1": 18}


def test_stock_plants_found_alive_again_after_they_were_carried_can_be_brought_after(ledger: Ledger) -> None:
    """A removal taken back puts them where they stood; told whole once more, all stand together."""
    removed = ledger.tell("stock-removed", stock_plant=IXORA_PLANTS, units=2, cause="cold")
    ledger.tell("stock-set", **stock(18, place="G1"))
    ledger.tell("reversed", entry=str(removed.told.id), reason="they were alive")
    assert ledger.standing(IXORA_PLANTS) == {"stock/G1": 18, "stock/S1": 2}
    ledger.tell("stock-set", **stock(20, place="G1"))
    assert ledger.standing(IXORA_PLANTS) == {"stock/G1": 20}


def test_stock_plants_at_two_places_are_removed_from_both(ledger: Ledger) -> None:
    """As many as stand under the code can go, wherever they stand."""
    removed = ledger.tell("stock-removed", stock_plant=IXORA_PLANTS, units=2, cause="cold")
    ledger.tell("stock-set", **stock(18, place="G1"))
    ledger.tell("reversed", entry=str(removed.told.id), reason="they were alive")
    ledger.tell("stock-removed", stock_plant=IXORA_PLANTS, units=20, cause="cold")
    assert ledger.standing(IXORA_PLANTS) == {}
