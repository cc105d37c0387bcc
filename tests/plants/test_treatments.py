"""Treatments of places and batches, and how long a place stays closed."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from tests.plants.memory import Ledger


def treat(ledger: Ledger, hours: int | None, **more: Any) -> str:
    """Bench G1 treated; closed for so many hours by the label. The entry's id."""
    fields: dict[str, Any] = {"product": "soap", "places": ["G1"], **more}
    if hours is not None:
        fields["re_entry_ends"] = (ledger.teller.now + timedelta(hours=hours)).isoformat()
    return str(ledger.tell("treated", **fields).told.id)


def closed_until(ledger: Ledger, place: str = "G1", *, after_hours: int = 0) -> datetime | None:
    """Until when a place is closed, as seen so many hours from the latest entry."""
    until: datetime | None = ledger.card("place", place).closed_until(ledger.teller.now + timedelta(hours=after_hours))
    return until


def test_a_treated_place_is_closed_until_the_label_s_hour(ledger: Ledger) -> None:
    """And open from then on; no plants move."""
    before = ledger.teller.now
    treat(ledger, 12)
    assert ledger.log[-1].moves == ()
    assert closed_until(ledger) == before + timedelta(hours=12)
    assert closed_until(ledger, after_hours=12) is None
    assert closed_until(ledger, "G2") is None


def test_where_several_were_applied_the_longest_rules(ledger: Ledger) -> None:
    """In whichever order they were told."""
    before = ledger.teller.now
    for hours in (12, 48, 4, None):
        treat(ledger, hours)
    until = closed_until(ledger)
    assert until is not None
    assert timedelta(hours=48) <= until - before < timedelta(hours=49)
    assert closed_until(ledger, after_hours=24) == until
    assert closed_until(ledger, after_hours=49) is None


def test_the_longest_rules_however_many_short_ones_follow(ledger: Ledger) -> None:
    """A place keeps its latest treatments, and never forgets one that still runs."""
    before = ledger.teller.now
    treat(ledger, 72)
    for _ in range(30):
        treat(ledger, None)
    assert closed_until(ledger) == before + timedelta(hours=72)
    assert len(ledger.card("place", "G1").treatments) == 11


def test_a_treatment_taken_back_closes_nothing(ledger: Ledger) -> None:
    """The next longest rules then."""
    treat(ledger, 4)
    longest = treat(ledger, 48)
    ledger.tell("reversed", entry=longest, reason="it was the other house")
    assert closed_until(ledger, after_hours=5) is None


def test_a_batch_remembers_its_treatments(ledger: Ledger) -> None:
    """For the inspector: product, day and entry."""
    batch = ledger.opened("rooted", 40, "H1")
    first = treat(ledger, 4, batches=[batch], places=[], rate="5 ml a litre")
    treat(ledger, 4, batches=[batch], product="sulphur")
    assert [treated.product for treated in ledger.card("batch", batch).treatments] == ["soap", "sulphur"]
    ledger.tell("reversed", entry=first, reason="it was the other tray")
    assert [treated.product for treated in ledger.card("batch", batch).treatments] == ["sulphur"]


@pytest.mark.parametrize(
    ("changes", "code", "field"),
    [
        ({"places": []}, "contradiction", "places"),
        ({"places": ["G1", "G1"]}, "contradiction", "places"),
        ({"batches": ["26W38-01W", "26W38-01W"]}, "contradiction", "batches"),
        ({"places": ["G9"]}, "unknown-code", "places"),
        ({"batches": ["26W38-99H"]}, "unknown-code", "batches"),
    ],
)
def test_a_treatment_names_known_places_or_batches_each_once(
    ledger: Ledger, changes: dict[str, Any], code: str, field: str
) -> None:
    """At least one of them."""
    refused = ledger.refusal("treated", product="soap", **{"places": ["G1"], **changes})
    assert (refused.code, refused.field) == (code, field)
