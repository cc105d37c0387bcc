"""A basket asked for: what is granted, what is refused with which figures, and what leaves nothing to grant. Rules alone."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Problem
from tests.plants.memory import HOYA, IXORA, Ledger
from tests.promising.shop import PLAIN, Fact, line

TODAY = date(2026, 9, 14)


def basket(window: Ledger, *lines: Fact, order: str = "A-1", **fields: Any) -> Recorded:
    """A basket that is granted, whole or in part."""
    return window.tell("promised", order=order, lines=list(lines), **fields)


def refused(window: Ledger, *lines: Fact, **fields: Any) -> Problem:
    """A basket that is refused."""
    return window.refusal("promised", order="A-1", lines=list(lines), **fields)


def grants(recorded: Recorded) -> list[tuple[int, int, int]]:
    """(line, units granted, promisable when it was granted)."""
    return [(grant.line, grant.units, grant.promisable) for grant in recorded.grants]


# --- all or none, part, declined -----------------------------------------------------------------------------------


def test_a_basket_is_granted_line_by_line_with_its_basis(window: Ledger) -> None:
    """Each grant says what it rests on and how much was free; a day left out is today."""
    recorded = basket(window, line(30), line(5, HOYA, due=TODAY + timedelta(days=7)))
    assert grants(recorded) == [(0, 30, 40), (1, 5, 20)]
    assert [(grant.basis, grant.due) for grant in recorded.grants] == [
        ("finished", TODAY),
        ("finished", TODAY + timedelta(days=7)),
    ]
    assert recorded.moves == ()
    assert (window.sellable().now, window.sellable().promised, window.sellable(HOYA).now) == (10, 30, 15)


def test_all_or_none_grants_nothing_where_one_line_lacks(window: Ledger) -> None:
    """The refusal names the lines that lack, with what is promisable, and no others."""
    problem = refused(window, line(5), line(21, HOYA), line(11, IXORA, "C2"))
    assert (problem.code, problem.field) == ("not-promisable", "lines")
    assert problem.data["lines"] == [
        {"line": 1, "crop": HOYA, "size": "P9", "asked": 21, "promisable": 20, "ready_by": None},
        {"line": 2, "crop": IXORA, "size": "C2", "asked": 11, "promisable": 10, "ready_by": None},
    ]
    assert window.sellable().now == 40


def test_part_is_granted_only_where_part_is_welcome(window: Ledger) -> None:
    """Without all-or-none, what lacks is declined, and the rest is granted."""
    recorded = basket(window, line(50, allow_part=True), line(21, HOYA), line(4, IXORA, "C2"), all_or_none=False)
    assert grants(recorded) == [(0, 40, 40), (2, 4, 10)]
    assert list(window.card("promise", str(recorded.told.id)).lines) == ["0", "2"]
    assert window.sellable(HOYA).now == 20


def test_a_part_is_enough_for_all_or_none_where_it_is_welcome(window: Ledger) -> None:
    """Some is what the caller asked for; none is not."""
    assert grants(basket(window, line(50, allow_part=True), line(1, HOYA))) == [(0, 40, 40), (1, 1, 20)]
    assert refused(window, line(1, allow_part=True), line(1, HOYA)).data["lines"][0]["promisable"] == 0


@pytest.mark.parametrize("part", [False, True])
def test_a_basket_of_which_nothing_can_be_granted_is_refused(window: Ledger, part: bool) -> None:
    """There is no empty promise, whatever is welcome."""
    basket(window, line(40), line(20, HOYA))
    problem = refused(window, line(1, allow_part=part), line(2, HOYA, allow_part=part), all_or_none=False)
    assert problem.code == "not-promisable"
    assert [(found["asked"], found["promisable"]) for found in problem.data["lines"]] == [(1, 0), (2, 0)]


def test_the_same_crop_twice_in_one_basket_is_not_granted_twice(window: Ledger) -> None:
    """The second line sees what the first was given, also where it is due earlier."""
    problem = refused(window, line(30, due=TODAY + timedelta(days=9)), line(11))
    assert problem.data["lines"] == [{"line": 1, "crop": IXORA, "size": "P9", "asked": 11, "promisable": 10, "ready_by": None}]
    recorded = basket(window, line(30, due=TODAY + timedelta(days=9)), line(11, allow_part=True), line(1), all_or_none=False)
    assert grants(recorded) == [(0, 30, 40), (1, 10, 10)]
    assert window.sellable().now == 0


def test_a_declined_line_takes_nothing_from_the_lines_after_it(window: Ledger) -> None:
    """41 cannot be had, 40 can."""
    assert grants(basket(window, line(41), line(40), all_or_none=False)) == [(1, 40, 40)]


def test_a_plant_promised_for_later_is_not_sold_today(window: Ledger) -> None:
    """The look-ahead over what stands: a later order keeps its plants."""
    basket(window, line(35, due=TODAY + timedelta(days=60)))
    assert refused(window, line(6)).data["lines"][0]["promisable"] == 5
    assert grants(basket(window, line(5))) == [(0, 5, 5)]


# --- what leaves nothing to grant ----------------------------------------------------------------------------------


def test_the_count_buffer_is_kept_back_and_a_count_makes_it_smaller(window: Ledger) -> None:
    """40 counted 30 days ago: 3 are kept back; counted today: 2 (the design's worked values, with its constants)."""
    window.tell("policy-set", always_held_units=100)
    window.teller.now += timedelta(days=30)
    assert refused(window, line(38), hold_minutes=5).data["lines"][0]["promisable"] == 37
    batch = next(number for kind, number in window.cards if kind == "batch")
    window.tell("counted", batch=batch, stage="finished", place="G1", units=40, method="count")
    assert grants(basket(window, line(38))) == [(0, 38, 38)]


def test_stopped_and_held_plants_are_not_promised(window: Ledger) -> None:
    """A hold takes its units out, a stop its batch, a stop of the crop all of it; lifted, they are there again."""
    batch = window.opened("finished", 7, "G2", "P9")
    hold = window.tell("held", batch=batch, units=3, reason="weather", review_on="2026-10-01").told.id
    assert refused(window, line(45)).data["lines"][0]["promisable"] == 44
    stop = window.tell("stopped", batch=batch, reason="quality").told.id
    assert refused(window, line(45)).data["lines"][0]["promisable"] == 40
    whole = window.tell("stopped", crop=IXORA, reason="name-in-doubt").told.id
    assert refused(window, line(45)).data["lines"][0]["promisable"] == 0
    window.tell("cleared", crop=IXORA, stop=str(whole), because="looked at")
    window.tell("cleared", batch=batch, stop=str(stop), because="looked at")
    window.tell("hold-ended", batch=batch, hold=str(hold))
    assert grants(basket(window, line(47))) == [(0, 47, 47)]


def test_only_finished_plants_are_promised(window: Ledger) -> None:
    """Nothing that still grows or was graded second stands behind a promise of this book."""
    window.opened("potted", 100, "G2", "P9")
    window.opened("seconds", 100, "G2", "P9")
    assert refused(window, line(41)).data["lines"][0]["promisable"] == 40


def test_sold_here_is_not_above_sellable_less_promised(window: Ledger) -> None:
    """The counter in the yard cannot sell what the shop has promised."""
    batch = next(number for kind, number in window.cards if kind == "batch")
    assert window.standing(batch) == {"finished/G1": 40}
    basket(window, line(35, due=TODAY + timedelta(days=60)))
    sale = {"batch": batch, "place": "G1", "price": "12.00"}
    problem = window.refusal("sold-here", units=6, **sale)
    assert (problem.code, problem.data["sellable"]) == ("not-sellable", 5)
    window.tell("sold-here", units=5, **sale)
    assert window.sellable().now == 0


# --- what cannot be asked ------------------------------------------------------------------------------------------


def test_a_past_day_is_refused_and_today_is_not(window: Ledger) -> None:
    """Today is the nursery's own."""
    window.tell("policy-set", **PLAIN, time_zone="Pacific/Auckland")
    window.teller.now = window.teller.now.replace(hour=13)  # one in the morning of the next day there
    assert refused(window, line(1, due=TODAY)).code == "not-promisable"
    assert basket(window, line(1)).grants[0].due == TODAY + timedelta(days=1)
    assert basket(window, line(1, due=TODAY + timedelta(days=1))).grants[0].units == 1


@pytest.mark.parametrize(
    ("asked", "given"),
    [
        (line(1, "no-such-crop"), "no-such-crop"),
        (line(1, size="Q7"), "Q7"),
    ],
)
def test_an_unknown_crop_or_size_is_refused_by_its_name(window: Ledger, asked: Fact, given: str) -> None:
    """Also where the other lines could be granted and the basket may be granted in part."""
    problem = refused(window, line(1), asked, all_or_none=False)
    assert (problem.code, problem.field, problem.data["given"]) == ("unknown-code", "lines", given)


def test_a_size_in_which_the_crop_is_not_sold_is_refused(window: Ledger) -> None:
    """The size is known, but the crop's own list does not have it."""
    window.tell("size-set", code="T5", name="5 cm tub", rank=9)
    assert refused(window, line(1, size="T5")).code == "unknown-code"


def test_a_replacement_needs_a_damage_claim_that_stands(window: Ledger) -> None:
    """A promise that replaces names the claim; one that was taken back, or is none, is refused."""
    batch = next(number for kind, number in window.cards if kind == "batch")
    window.tell("picked", order="A-1", batch=batch, place="G1", units=5, to="K1")
    lines = [{"batch": batch, "place": "K1", "units": 5}]
    shipped = window.tell("shipped", order="A-1", carrier="Northway", region="Hillshire", lines=lines)
    claim = window.tell("damage-claimed", order="A-1", batch=batch, units=2, carrier="Northway", cause="crushed")
    assert refused(window, line(2), replaces=str(shipped.told.id)).code == "unknown-code"
    assert basket(window, line(2), replaces=str(claim.told.id)).grants[0].units == 2
    window.tell("reversed", entry=str(claim.told.id), reason="told by mistake")
    assert refused(window, line(2), replaces=str(claim.told.id)).code == "already-reversed"


# --- hoarding ------------------------------------------------------------------------------------------------------


def test_unconfirmed_holds_are_capped_and_confirming_frees_them(window: Ledger) -> None:
    """The cap is the policy's; a basket that would pass it is refused whole, with the figures."""
    window.tell("policy-set", **PLAIN, most_held_units=12)
    first = basket(window, line(4), line(3, HOYA)).told.id
    problem = refused(window, line(6))
    assert (problem.code, problem.data) == ("holds-too-much", {"held": 13, "most": 12})
    basket(window, line(5), order="A-2")
    window.tell("promise-confirmed", promise=str(first))
    assert grants(basket(window, line(7), order="A-3")) == [(0, 7, 31)]


@pytest.mark.parametrize("line_of", [None, 0])
def test_releasing_frees_the_cap(window: Ledger, line_of: int | None) -> None:
    """Of the whole promise, or of one line as much as the line held."""
    window.tell("policy-set", **PLAIN, most_held_units=12)
    held = basket(window, line(8), line(4, HOYA)).told.id
    which = {} if line_of is None else {"line": line_of}
    window.tell("promise-released", promise=str(held), reason="not wanted", **which)
    free = 12 if line_of is None else 8
    assert refused(window, line(free + 1)).code == "holds-too-much"
    assert basket(window, line(free)).grants[0].units == free


def test_only_what_is_granted_counts_against_the_cap(window: Ledger) -> None:
    """A part may fit where the whole would not have."""
    window.tell("policy-set", **PLAIN, most_held_units=12)
    assert grants(basket(window, line(300, IXORA, "C2", allow_part=True))) == [(0, 10, 10)]
