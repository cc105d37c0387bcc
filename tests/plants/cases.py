"""One possible entry of every type that can be taken back, and of some in two ways, each with what it needs before it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger

Told = tuple[str, dict[str, Any]]
CUTTINGS = {"crop": IXORA, "stock_plants": [{"stock_plant": IXORA_PLANTS, "cuttings": 20}], "place": "P1"}
WHY = {"why": "strong plants", "approved_by": "head-grower"}


def plugs(ledger: Ledger, stage: str = "rooted") -> dict[str, Any]:
    """Forty cells in H1."""
    return {"batch": ledger.opened(stage, 40, "H1"), "place": "H1"}


def pots(ledger: Ledger, stage: str = "finished") -> dict[str, Any]:
    """Forty small pots at G1."""
    return {"batch": ledger.opened(stage, 40, "G1", "P9"), "place": "G1"}


def picked(ledger: Ledger) -> dict[str, Any]:
    """Ten pots picked for an order, on the packing table."""
    batch = pots(ledger)["batch"]
    ledger.tell("picked", order="A-1", batch=batch, place="G1", units=10, to="K1")
    return {"order": "A-1", "batch": batch, "place": "K1"}


def left(ledger: Ledger) -> dict[str, Any]:
    """Ten pots shipped for an order."""
    here = picked(ledger)
    lines = [{"batch": here["batch"], "place": "K1", "units": 10}]
    ledger.tell("shipped", order="A-1", carrier="by road", region="north", lines=lines)
    return {"order": "A-1", "batch": here["batch"], "carrier": "by road"}


def gathered(ledger: Ledger) -> dict[str, Any]:
    """Twenty cuttings in hand."""
    told: Any = ledger.tell("gathered", **CUTTINGS).told
    return {"batch": told.batch, "gathered_at": "P1"}


CASES: dict[str, Callable[[Ledger], Told]] = {
    "stock-removed": lambda _: ("stock-removed", {"stock_plant": IXORA_PLANTS, "units": 3, "cause": "cold"}),
    "gathered": lambda _: ("gathered", CUTTINGS),
    "struck": lambda at: ("struck", {**gathered(at), "cuttings": 20, "per_cell": 2, "cells": 10, "place": "P1"}),
    "struck straight": lambda _: ("struck", {**CUTTINGS, "cuttings": 20, "per_cell": 1, "cells": 20}),
    "rooted": lambda at: ("rooted", {**plugs(at, "struck"), "usable": 30, "weak": 4, "failed": 6, "to": "H2"}),
    "moved": lambda at: ("moved", {**plugs(at), "stage": "rooted", "units": 7, "to": "H2"}),
    "moved with its order": lambda at: ("moved", {**picked(at), "stage": "picked", "units": 7, "to": "H2"}),
    "merged": lambda at: ("merged", {"stage": "rooted", "sources": [{**plugs(at), "units": 9}], "place": "H2"}),
    "merged into a batch": lambda at: (
        "merged",
        {"stage": "rooted", "sources": [{**plugs(at), "units": 9}], "place": "H1", "into": plugs(at)["batch"]},
    ),
    "potted": lambda at: (
        "potted",
        {**plugs(at), "size": "P9", "plugs": 22, "pots": 10, "per_pot": 2, "casualties": 2, "to": "G1"},
    ),
    "potted-up": lambda at: ("potted-up", {**pots(at), "size": "C2", "pots": 10, "casualties": 1, "to": "G2"}),
    "graded": lambda at: ("graded", {**pots(at, "potted"), "finished": 9, "seconds": 3, "culled": 2, "to": "G2"}),
    "set-back": lambda at: ("set-back", {**pots(at), "units": 5, "to": "G2", "reason": "leggy", "days_added": 21}),
    "tended": lambda at: ("tended", {"batch": pots(at)["batch"], "act": "pinched", "days_added": 9}),
    "lost": lambda at: ("lost", {**plugs(at), "stage": "rooted", "units": 3, "cause": "rot"}),
    "lost from an order": lambda at: ("lost", {**picked(at), "stage": "picked", "units": 3, "cause": "handling"}),
    "counted": lambda at: ("counted", {**plugs(at), "stage": "rooted", "units": 33, "method": "count"}),
    "counted over": lambda at: ("counted", {**pots(at), "stage": "finished", "units": 44, "method": "blind-count"}),
    "counted and agreed": lambda at: ("counted", {**plugs(at), "stage": "rooted", "units": 40, "method": "count"}),
    "estimated": lambda at: ("counted", {**plugs(at), "stage": "rooted", "units": 33, "method": "estimate"}),
    "opened": lambda _: ("opened", {"crop": IXORA, "stage": "struck", "place": "P1", "units": 5}),
    "opened pots": lambda _: ("opened", {"crop": IXORA, "stage": "potted", "size": "C2", "place": "G1", "units": 5}),
    "bought-in": lambda _: (
        "bought-in",
        {"crop": IXORA, "stage": "finished", "size": "P9", "place": "G1", "units": 5, "supplier_batch": "7"},
    ),
    "picked": lambda at: ("picked", {**pots(at), "order": "A-1", "units": 5, "to": "K1"}),
    "put-back": lambda at: ("put-back", {**picked(at), "units": 5, "to": "G2"}),
    "held": lambda at: ("held", {"batch": pots(at)["batch"], "units": 5, "reason": "weather", "review_on": "2026-12-01"}),
    "held order": lambda at: ("held", {"order": picked(at)["order"], "reason": "papers", "review_on": "2026-12-01"}),
    "sold-here": lambda at: ("sold-here", {**pots(at), "units": 5, "price": "9.00"}),
    "shipped": lambda at: (
        "shipped",
        {"order": "A-1", "carrier": "by road", "region": "north", "lines": [{**_line(picked(at)), "units": 10}]},
    ),
    "damage-claimed": lambda at: ("damage-claimed", {**left(at), "units": 2, "cause": "crushed"}),
    "given-out": lambda at: ("given-out", {**pots(at), "stage": "finished", "units": 2, **WHY}),
    "planted-as-stock": lambda at: ("planted-as-stock", {**plugs(at), "stage": "rooted", "units": 2, **WHY}),
    "stopped": lambda at: ("stopped", {"batch": pots(at)["batch"], "reason": "quality"}),
    "stopped stock plant": lambda _: ("stopped", {"stock_plant": IXORA_PLANTS, "reason": "quarantine"}),
    "stopped crop": lambda _: ("stopped", {"crop": IXORA, "reason": "quarantine"}),
    "renamed": lambda at: ("renamed", {**pots(at), "stage": "finished", "units": 3, "crop": HOYA, "evidence": "leaf"}),
    "treated": lambda at: (
        "treated",
        {"product": "soap", "batches": [pots(at)["batch"]], "places": ["G1"], "re_entry_ends": "2026-09-20T08:00:00+00:00"},
    ),
}


def _line(here: dict[str, Any]) -> dict[str, Any]:
    return {"batch": here["batch"], "place": here["place"]}
