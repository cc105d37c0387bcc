"""People, crops, sizes, places, costs and the policy: told whole, known before they are named, retired and never removed."""

from __future__ import annotations

from typing import Any

import pytest

from tests.plants.memory import HOYA, IXORA, Ledger

TIMING = {"days": [28] * 12, "come_through": [80] * 12}
RECIPE: dict[str, Any] = {"rooting": TIMING, "growing": {"P9": TIMING}, "holding_limit_days": [60] * 12}

SETTINGS: dict[str, dict[str, Any]] = {
    "person-set": {"code": "weekender", "name": "Weekend help"},
    "size-set": {"code": "C5", "name": "5 litre pot", "rank": 3},
    "place-set": {"code": "G9", "name": "Bench 9", "house": "G", "kind": "bench"},
    "crop-set": {"code": "coleus-rooks-supper", "name": "Rook's Supper", "species": "Coleus", "group": "Soft"},
    "recipe-set": {"crop": IXORA, **RECIPE},
    "cost-set": {"step": "potting", "amount": "0.35", "effective_on": "2026-01-01", "crop": IXORA, "size": "P9"},
    "policy-set": {"time_zone": "Europe/London"},
    "prints-set": {"address": "https://bench.example", "registration": "GB-12345", "origin": "GB"},
}


@pytest.mark.parametrize("kind", SETTINGS)
def test_a_reference_value_moves_no_plants(ledger: Ledger, kind: str) -> None:
    """It says how the nursery works, not what stands there."""
    assert ledger.tell(kind, **SETTINGS[kind]).moves == ()


@pytest.mark.parametrize("kind", SETTINGS)
def test_a_reference_value_is_told_whole_and_the_newest_one_rules(ledger: Ledger, kind: str) -> None:
    """What an earlier one said and the new one leaves out is gone."""
    ledger.tell(kind, **{**SETTINGS[kind], "note": "the first"})
    ledger.tell(kind, **SETTINGS[kind])
    values = [getattr(card, "value", None) or getattr(card, "values", [None])[-1] for card in ledger.cards.values()]
    (newest,) = [value for value in values if value is not None and value.id == ledger.log[-1].told.id]
    assert newest.note is None


@pytest.mark.parametrize("kind", SETTINGS)
def test_a_reference_value_is_set_again_and_never_taken_back(ledger: Ledger, kind: str) -> None:
    """Its correction is the next one."""
    told = ledger.tell(kind, **SETTINGS[kind])
    refused = ledger.refusal("reversed", entry=str(told.told.id), reason="a slip of the pen")
    assert (refused.code, refused.field) == ("not-reversible", "entry")


# --- people ------------------------------------------------------------------------------------------------------


def test_the_first_person_enters_themselves() -> None:
    """Somebody has to be the first to tell anything."""
    ledger = Ledger()
    ledger.tell("person-set", code="owner", name="Owner", by="owner")
    assert ledger.card("person", "owner").value.name == "Owner"


def test_nobody_is_entered_by_a_stranger(ledger: Ledger) -> None:
    """Whoever tells has to be known, also to introduce somebody else."""
    refused = ledger.refusal("person-set", code="friend", name="Friend", by="stranger")
    assert (refused.code, refused.field, refused.data) == ("unknown-code", "by", {"kind": "person", "given": "stranger"})


def test_who_has_left_tells_nothing_more(ledger: Ledger) -> None:
    """Not even that they are back: that is for somebody who is still here to tell."""
    ledger.tell("person-set", code="potter", name="Potter", active=False)
    for told in ({"code": "potter", "name": "Potter"}, {"code": "friend", "name": "Friend"}):
        refused = ledger.refusal("person-set", by="potter", **told)
        assert (refused.code, refused.field) == ("retired", "by")
    ledger.tell("person-set", code="potter", name="Potter")
    ledger.tell("person-set", code="friend", name="Friend", by="potter")


def test_who_approves_or_checks_labels_is_a_person_too(ledger: Ledger) -> None:
    """The name beside a decision is held to the same rule as the teller's."""
    batch = ledger.opened("potted", 10, "G1", "P9")
    given = {"batch": batch, "stage": "potted", "place": "G1", "units": 1, "why": "a sample"}
    ledger.tell("person-set", code="packer", name="Packer", active=False)
    assert ledger.refusal("given-out", **given, approved_by="stranger").field == "approved_by"
    assert ledger.refusal("given-out", **given, approved_by="packer").code == "retired"
    refused = ledger.refusal("graded", batch=batch, place="G1", finished=1, to="G2", label_checked_by="stranger")
    assert (refused.code, refused.field) == ("unknown-code", "label_checked_by")


# --- crops, sizes, places ----------------------------------------------------------------------------------------


def test_a_crop_is_sold_in_known_sizes(ledger: Ledger) -> None:
    """A size has to be set before a crop is offered in it."""
    refused = ledger.refusal("crop-set", **SETTINGS["crop-set"], sizes={"C9": {"price": "4.00"}})
    assert (refused.code, refused.field) == ("unknown-code", "sizes")


@pytest.mark.parametrize(
    ("kind", "changes", "field"),
    [
        ("recipe-set", {"crop": "unheard-of"}, "crop"),
        ("recipe-set", {"growing": {"C9": TIMING}}, "growing"),
        ("cost-set", {"crop": "unheard-of"}, "crop"),
        ("cost-set", {"size": "C9"}, "size"),
    ],
)
def test_recipes_and_costs_name_known_crops_and_sizes(ledger: Ledger, kind: str, changes: dict[str, Any], field: str) -> None:
    """A code that nobody set is a slip of the pen."""
    refused = ledger.refusal(kind, **{**SETTINGS[kind], **changes})
    assert (refused.code, refused.field) == ("unknown-code", field)


def test_a_retired_crop_takes_no_new_plants(ledger: Ledger) -> None:
    """It is retired, not removed: what stands can still be worked with and sold off."""
    batch = ledger.opened("rooted", 10, "H1")
    retired = {"code": IXORA, "name": "Copper Thimble", "species": "Ixora coccinea", "group": "Woody", "retired": True}
    ledger.tell("crop-set", **retired)
    told: dict[str, dict[str, Any]] = {
        "bought-in": {"stage": "rooted", "place": "H1", "units": 5, "supplier_batch": "7"},
        "gathered": {"stock_plants": [{"stock_plant": "S-IXO", "cuttings": 5}], "place": "P1"},
        "stock-set": {"stock_plant": "S-IXO", "place": "S1", "units": 25, "source": "opening"},
    }
    for kind, fields in told.items():
        refused = ledger.refusal(kind, crop=IXORA, **fields)
        assert (refused.code, refused.field) == ("retired", "crop")
    ledger.tell("potted", batch=batch, place="H1", size="P9", plugs=10, pots=10, to="G1")


def test_a_retired_size_is_potted_into_no_more(ledger: Ledger) -> None:
    """The pots that stand in it are still graded and sold."""
    plugs, pots = ledger.opened("rooted", 10, "H1"), ledger.opened("potted", 10, "G1", "P9")
    ledger.tell("size-set", code="P9", name="9 cm pot", rank=1, retired=True)
    refused = ledger.refusal("potted", batch=plugs, place="H1", size="P9", plugs=10, pots=10, to="G1")
    assert (refused.code, refused.field) == ("retired", "size")
    ledger.tell("graded", batch=pots, place="G1", finished=10, to="G2")


def test_costs_are_kept_by_day_and_a_day_told_again_is_replaced(ledger: Ledger) -> None:
    """One amount a day and step: the newest told of it."""
    for amount, day in (("0.30", "2026-01-01"), ("0.35", "2026-06-01"), ("0.40", "2026-01-01")):
        ledger.tell("cost-set", step="potting", amount=amount, effective_on=day, crop=HOYA)
    values = ledger.card("cost", f"potting.{HOYA}.all").values
    assert [(value.effective_on.isoformat(), str(value.amount)) for value in values] == [
        ("2026-06-01", "0.35"),
        ("2026-01-01", "0.40"),
    ]


@pytest.mark.parametrize("zone", ["Europe/Nowhere", "Europe", "Mars"])
def test_the_time_zone_is_one_of_the_list(ledger: Ledger, zone: str) -> None:
    """A nursery's days need a real calendar."""
    refused = ledger.refusal("policy-set", time_zone=zone)
    assert (refused.code, refused.field) == ("unknown-time-zone", "time_zone")
