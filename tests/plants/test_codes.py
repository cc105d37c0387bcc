"""Whatever an entry names is known, and nothing new comes to what is retired: for every type and every field."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from tests.plants.cases import CASES
from tests.plants.memory import IXORA, Ledger

#: a code of each kind that nobody set, by the fields that name one
UNKNOWN = {
    "by": "stranger",
    "approved_by": "stranger",
    "label_checked_by": "stranger",
    "batch": "26W38-99H",
    "place": "G99",
    "to": "G99",
    "gathered_at": "G99",
    "crop": "unheard-of",
    "size": "C99",
    "stock_plant": "S-99",
}
PARTS = ("sources", "lines", "stock_plants")
LISTS = {"places": "G99", "batches": "26W38-99H"}
#: where plants are set down, by type; elsewhere they stand there already
SET_DOWN = {"gathered": "place", "struck": "place", "merged": "place", "opened": "place", "bought-in": "place"}


def slips(fields: dict[str, Any]) -> Iterator[tuple[str, dict[str, Any]]]:
    """The same entry with one unknown code in it, and the field to look at."""
    for name, code in UNKNOWN.items():
        if name in fields or name == "by":
            yield name, {**fields, name: code}
    for name, code in LISTS.items():
        if name in fields:
            yield name, {**fields, name: [*fields[name], code]}
    for name in PARTS:
        for field, code in UNKNOWN.items():
            if field in (fields.get(name) or [{}])[0]:
                yield name, {**fields, name: [{**fields[name][0], field: code}]}


@pytest.mark.parametrize("case", CASES)
def test_every_code_that_an_entry_names_is_known(ledger: Ledger, case: str) -> None:
    """The refusal names the field in which it stands."""
    kind, fields = CASES[case](ledger)
    if kind == "graded":
        fields["label_checked_by"] = "packer"
    for field, slip in slips(fields):
        refused = ledger.refusal(kind, **slip)
        assert (refused.code, refused.field) == ("unknown-code", field)
    ledger.tell(kind, **fields)


@pytest.mark.parametrize("case", CASES)
def test_nothing_is_set_down_at_a_retired_place(ledger: Ledger, case: str) -> None:
    """What stands there can still be carried off, counted, written off and sold."""
    kind, fields = CASES[case](ledger)
    where: dict[str, str] = {name: fields[name] for name in ("place", "to", "gathered_at") if name in fields}
    where |= {name: part["place"] for name in PARTS for part in fields.get(name, ()) if "place" in part}
    set_down = "to" if "to" in fields else SET_DOWN.get(kind)
    retired = fields[set_down] if set_down is not None else None
    for place in sorted({*where.values(), "K1"} - {retired}):
        ledger.tell("place-set", code=place, name=place, house="G", kind="bench", retired=True)
    if retired is not None:
        bench = {"code": retired, "name": retired, "house": "G", "kind": "bench"}
        ledger.tell("place-set", **bench, retired=True)
        refused = ledger.refusal(kind, **fields)
        assert (refused.code, refused.field) == ("retired", set_down)
        ledger.tell("place-set", **bench)
    ledger.tell(kind, **fields)


@pytest.mark.parametrize("kind", ["shipped", "put-back", "moved", "lost"])
def test_picked_plants_go_nowhere_before_they_were_picked(ledger: Ledger, kind: str) -> None:
    """A slip that is too early: the order has them now, and had none then."""
    batch = ledger.opened("finished", 40, "G1", "P9")
    before = ledger.teller.now
    ledger.teller.now = before.replace(hour=before.hour + 2)
    ledger.tell("picked", order="A-1", batch=batch, place="G1", units=5, to="K1")
    here = {"batch": batch, "place": "K1", "units": 5}
    told: dict[str, dict[str, Any]] = {
        "shipped": {"order": "A-1", "carrier": "by road", "region": "north", "lines": [here]},
        "put-back": {**here, "order": "A-1", "to": "G2"},
        "moved": {**here, "order": "A-1", "stage": "picked", "to": "G2"},
        "lost": {**here, "order": "A-1", "stage": "picked", "cause": "handling"},
    }
    refused = ledger.refusal(kind, **told[kind], occurred_at=before.replace(hour=before.hour + 1))
    assert (refused.code, refused.offer) == ("not-enough-standing", ())
    assert refused.data == {"wanted": 5, "standing": 0}


def test_the_crop_of_a_stock_plant_is_known(ledger: Ledger) -> None:
    """And its place."""
    told = {"stock_plant": "S-NEW", "crop": IXORA, "place": "S1", "units": 1, "source": "opening"}
    for name in ("crop", "place"):
        refused = ledger.refusal("stock-set", **{**told, name: UNKNOWN[name]})
        assert (refused.code, refused.field) == ("unknown-code", name)
