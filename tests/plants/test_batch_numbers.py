"""Batch numbers: given in the order of entering, week by week, safe to read and safe to choose."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Any

import pytest

from ledger.log import codec
from ledger.plants import numbers
from tests.plants.memory import HOYA, IXORA, Ledger

TRAY: dict[str, Any] = {"crop": IXORA, "stage": "rooted", "place": "H1", "units": 30}


def bought(ledger: Ledger, **more: Any) -> str:
    """A tray of plugs bought in; its number."""
    told: Any = ledger.tell("bought-in", **TRAY, supplier_batch="7", **more).told
    return str(told.batch)


def number(head: str) -> str:
    """A number chosen by hand, with its check character."""
    return head + numbers.check_character(head)


def passed_over(week: str, upto: int) -> list[int]:
    """The serials of a week that are passed over because their check character is easily misread."""
    return [serial for serial in range(1, upto) if numbers.check_character(f"{week}-{serial:02d}") in set("BIOQSZ")]


def test_batches_are_numbered_by_week_in_the_order_of_entering(ledger: Ledger) -> None:
    """Year, ISO week, serial and check character."""
    given = [bought(ledger) for _ in range(3)]
    assert given == ["26W38-01W", "26W38-02U", "26W38-06M"]  # 03 to 05 would end in S, Q and O
    assert all(numbers.is_given(each) for each in given)


def test_each_week_has_a_series_of_its_own(ledger: Ledger) -> None:
    """Also the week to which a late slip belongs."""
    monday = datetime(2026, 9, 28, 8, 0, tzinfo=UTC)
    sunday = monday.replace(day=27)
    given = [bought(ledger, occurred_at=day) for day in (sunday, monday, sunday, monday)]
    assert [each[:5] for each in given] == ["26W39", "26W40", "26W39", "26W40"]
    for week in ("26W39", "26W40"):
        first, first_serial = numbers.next_number(week, 0)
        assert [each for each in given if each.startswith(week)] == [first, numbers.next_number(week, first_serial)[0]]


def test_the_days_between_the_years_belong_to_their_week_s_year(ledger: Ledger) -> None:
    """2026 has a week 53, and the first of January 2027 is in it."""
    for day in (datetime(2026, 12, 31, 8, tzinfo=UTC), datetime(2027, 1, 1, 8, tzinfo=UTC)):
        assert bought(ledger, occurred_at=day).startswith("26W53-")
    assert bought(ledger, occurred_at=datetime(2027, 1, 4, 8, tzinfo=UTC)).startswith("27W01-01")


def test_numbers_that_are_easily_misread_are_passed_over(ledger: Ledger) -> None:
    """Their serials are left out, and no others: a hundred batches of one week."""
    given = [bought(ledger) for _ in range(100)]
    assert not {each[-1] for each in given} & set("BIOQSZ")
    serials = [numbers.serial_of(each)[1] for each in given]
    skipped = passed_over("26W38", serials[-1])
    assert skipped
    assert serials == [serial for serial in range(1, serials[-1] + 1) if serial not in skipped]
    assert given[-1][6:9].isdigit()  # past 99 the serial has three figures


@pytest.mark.parametrize("kind", ["opened", "bought-in", "gathered", "struck", "merged", "potted", "potted-up", "renamed"])
def test_every_entry_that_makes_a_batch_takes_a_number_or_gives_one(ledger: Ledger, kind: str) -> None:
    """A tag that was written before the entry keeps its number; the next one given follows it."""
    plugs = ledger.opened("rooted", 30, "H1")
    pots = ledger.opened("finished", 30, "G1", "P9")
    cuttings: dict[str, Any] = {"crop": IXORA, "stock_plants": [{"stock_plant": "S-IXO", "cuttings": 5}], "place": "P1"}
    told: dict[str, tuple[str, dict[str, Any]]] = {
        "opened": ("batch", TRAY),
        "bought-in": ("batch", {**TRAY, "supplier_batch": "7"}),
        "gathered": ("batch", cuttings),
        "struck": ("batch", {**cuttings, "cuttings": 5, "per_cell": 1, "cells": 5}),
        "merged": ("into", {"stage": "rooted", "sources": [{"batch": plugs, "place": "H1", "units": 5}], "place": "H1"}),
        "potted": ("into", {"batch": plugs, "place": "H1", "size": "P9", "plugs": 5, "pots": 5, "to": "G1"}),
        "potted-up": ("into", {"batch": pots, "place": "G1", "size": "C2", "pots": 5, "to": "G1"}),
        "renamed": ("into", {"batch": plugs, "stage": "rooted", "place": "H1", "units": 5, "crop": HOYA, "evidence": "leaf"}),
    }
    field, fields = told[kind]
    chosen = number("26W38-41")
    assert getattr(ledger.tell(kind, **fields, **{field: chosen}).told, field) == chosen
    assert ledger.card("batch", chosen).came == kind
    given = getattr(ledger.tell(kind, **fields).told, field)
    assert numbers.serial_of(given) == ("26W38", 42)
    if kind != "merged":  # which takes the others into a batch that is there
        refused = ledger.refusal(kind, **fields, **{field: chosen})
        assert (refused.code, refused.field) == ("number-taken", field)
    refused = ledger.refusal(kind, **fields, **{field: "26W38-41K"})
    assert (refused.code, refused.field) == ("bad-check-character", field)


def test_a_number_may_be_chosen_for_any_week(ledger: Ledger) -> None:
    """The tags of trays that stood here before the book was opened."""
    assert bought(ledger, batch=number("25W49-11")) == number("25W49-11")
    assert numbers.serial_of(bought(ledger)) == ("26W38", 1)


def test_a_number_that_is_easily_misread_is_not_to_be_chosen(ledger: Ledger) -> None:
    """It would be read back as another."""
    misread = number(f"26W38-{passed_over('26W38', 100)[0]:02d}")
    assert misread[-1] in set("BIOQSZ")
    refused = ledger.refusal("bought-in", **TRAY, supplier_batch="7", batch=misread)
    assert (refused.code, refused.field) == ("bad-check-character", "batch")


def test_a_chosen_number_never_uses_up_the_week(ledger: Ledger) -> None:
    """After the highest that may be chosen there are numbers to give, which are kept and read again."""
    refused = ledger.refusal("bought-in", **TRAY, supplier_batch="7", batch="26W38-99999A")
    assert (refused.code, refused.field) == ("number-taken", "batch")
    highest = next(
        chosen for chosen in (number(f"26W38-{serial}") for serial in range(9_999, 9_000, -1)) if numbers.is_given(chosen)
    )
    bought(ledger, batch=highest)
    for _ in range(3):
        told = ledger.tell("bought-in", **TRAY, supplier_batch="7")
        assert codec.decode(codec.encode(told), "bought-in", 1) == told


@pytest.mark.parametrize("text", ["26W38", "26W38-1A", "26W00-01A", "26W54-01A", "26w38-01w", "26W38-01W\n", " 26W38-01W"])
def test_what_is_not_of_the_form_is_no_number(text: str) -> None:
    """Two figures of the year, a week from 01 to 53, a serial of two figures or more."""
    assert not numbers.is_valid(text)


@pytest.mark.parametrize("field", ["batch", "into"])
def test_a_slip_in_reading_a_tag_is_caught_before_anything_is_looked_up(ledger: Ledger, field: str) -> None:
    """One character off is no number at all; it is not merely unknown."""
    batch = ledger.opened("rooted", 30, "H1")
    slip = batch.replace("W38", "W39")
    told = {"batch": batch, "place": "H1", "size": "P9", "plugs": 5, "pots": 5, "to": "G1", field: slip}
    refused = ledger.refusal("potted", **told)
    assert (refused.code, refused.field) == ("bad-check-character", field)


def test_a_batch_taken_back_keeps_its_number(ledger: Ledger) -> None:
    """A tag may be out there: the number is not given again."""
    first = bought(ledger)
    ledger.tell("reversed", entry=str(ledger.log[-1].told.id), reason="it was not delivered")
    assert numbers.serial_of(bought(ledger))[1] == 2
    assert ledger.refusal("bought-in", **TRAY, supplier_batch="7", batch=first).code == "number-taken"
