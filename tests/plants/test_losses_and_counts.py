"""Plants found dead, and plants counted: what a count sets, what a later slip does to it, and what moves nothing."""

from __future__ import annotations

from datetime import timedelta
from itertools import permutations
from typing import Any

import pytest

from ledger.plants.entries import Cause
from tests.plants.memory import Ledger, moves

UNIT = {"gathered": "cutting", "struck": "cell", "rooted": "cell"}


def tray(ledger: Ledger, units: int = 40) -> dict[str, Any]:
    """A tray of plugs in H1, as the entries below name it."""
    return {"batch": ledger.opened("rooted", units, "H1"), "stage": "rooted", "place": "H1"}


# --- lost --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("cause", Cause)
def test_lost_plants_go_to_the_account_of_their_cause(ledger: Ledger, cause: str) -> None:
    """The list of causes is closed, so that rates can be compared."""
    here = tray(ledger)
    lost = ledger.tell("lost", **here, units=3, cause=cause)
    assert moves(lost) == [(f"{here['batch']}/rooted/H1", f"loss/{cause}", 3, "cell")]


@pytest.mark.parametrize("cause", ["count-short", "count-over", "bad-luck"])
def test_a_cause_outside_the_list_is_no_cause(ledger: Ledger, cause: str) -> None:
    """What is missing without a cause is counted, not lost."""
    refused = ledger.refusal("lost", **tray(ledger), units=3, cause=cause)
    assert (refused.code, refused.field) == ("malformed", "cause")


@pytest.mark.parametrize("stage", ["gathered", "struck", "rooted", "potted", "finished", "seconds"])
def test_plants_are_lost_at_any_stage_in_its_unit(ledger: Ledger, stage: str) -> None:
    """Cuttings, cells, or pots of the batch's size."""
    size = None if stage in UNIT else "P9"
    batch = ledger.opened(stage, 10, "G1", size)
    lost = ledger.tell("lost", batch=batch, stage=stage, place="G1", units=10, cause="heat")
    assert moves(lost) == [(f"{batch}/{stage}/G1", "loss/heat", 10, UNIT.get(stage, "pot:P9"))]
    assert ledger.standing(batch) == {}


def test_no_more_are_lost_than_stand_but_for_counting_first(ledger: Ledger) -> None:
    """Who holds 41 dead ones had 41."""
    here = tray(ledger)
    refused = ledger.refusal("lost", **here, units=41, cause="rot")
    assert (refused.code, refused.field, refused.data) == ("not-enough-standing", "units", {"wanted": 41, "standing": 40})
    counted, lost = refused.offer
    assert (type(counted).__name__, type(lost).__name__) == ("Counted", "Lost")
    ledger.write(refused.offer)
    assert ledger.standing(here["batch"]) == {}


def test_nothing_is_lost_before_it_came(ledger: Ledger) -> None:
    """At the moment of a slip that is too early nothing stood there, and nothing could be counted then."""
    here = tray(ledger)
    refused = ledger.refusal("lost", **here, units=1, cause="rot", occurred_at=ledger.teller.now - timedelta(hours=1))
    assert (refused.code, refused.data["standing"], refused.offer) == ("not-enough-standing", 0, ())


def test_a_slip_is_refused_where_a_later_job_used_those_plants(ledger: Ledger) -> None:
    """38 were potted at noon: three cannot have died before, unless more stood there."""
    here = tray(ledger)
    morning = ledger.teller.now + timedelta(hours=1)
    ledger.tell("moved", **here, to="H2", units=38, occurred_at=morning + timedelta(hours=3))
    refused = ledger.refusal("lost", **here, units=3, cause="rot", occurred_at=morning)
    assert (refused.code, refused.data["standing"]) == ("not-enough-standing", 2)
    ledger.tell("lost", **here, units=2, cause="rot", occurred_at=morning)
    assert ledger.standing(here["batch"]) == {"rooted/H2": 38}


# --- counted -----------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("method", ["count", "blind-count"])
@pytest.mark.parametrize("seen", [0, 37, 43])
def test_a_count_sets_the_balance_and_books_the_difference(ledger: Ledger, method: str, seen: int) -> None:
    """Short or over, against `count-difference`, with the count's id beside it."""
    here = tray(ledger)
    account = f"{here['batch']}/rooted/H1"
    counted = ledger.tell("counted", **here, units=seen, method=method)
    sides = (account, "count-difference") if seen < 40 else ("count-difference", account)
    assert moves(counted) == [(*sides, abs(seen - 40), "cell")]
    assert counted.moves[0].count == counted.told.id
    assert ledger.units(account) == seen


def test_a_count_that_agrees_moves_nothing_and_is_remembered(ledger: Ledger) -> None:
    """Every balance shows when it was last counted, how and by whom."""
    here = tray(ledger)
    counted = ledger.tell("counted", **here, units=40, method="blind-count", by="propagator")
    assert counted.moves == ()
    last = ledger.card("batch", here["batch"]).standing["rooted/H1"].last_count
    assert (last.units, last.method, last.by, last.at) == (40, "blind-count", "propagator", counted.told.occurred_at)


@pytest.mark.parametrize("method", ["sample", "estimate"])
def test_an_estimate_never_moves_a_balance(ledger: Ledger, method: str) -> None:
    """It is kept as an opinion, and does not count as a count."""
    here = tray(ledger)
    assert ledger.tell("counted", **here, units=12, method=method).moves == ()
    standing = ledger.card("batch", here["batch"]).standing["rooted/H1"]
    assert (standing.units, standing.last_count) == (40, None)


def test_plants_are_found_by_counting_where_the_book_has_none(ledger: Ledger) -> None:
    """A tray that somebody carried without a word."""
    here = tray(ledger)
    ledger.tell("counted", **{**here, "place": "H2"}, units=6, method="count")
    assert ledger.standing(here["batch"]) == {"rooted/H1": 40, "rooted/H2": 6}


@pytest.mark.parametrize(("size", "stage"), [(None, "finished"), (None, "seconds"), ("P9", "struck"), ("P9", "rooted")])
def test_plugs_are_not_counted_as_pots_nor_pots_as_plugs(ledger: Ledger, size: str | None, stage: str) -> None:
    """A batch is of plugs or of pots of one size: a misread tag."""
    batch = ledger.opened("potted" if size else "rooted", 10, "G1", size)
    refused = ledger.refusal("counted", batch=batch, stage=stage, place="G1", units=5, method="count")
    assert (refused.code, refused.field) == ("different-plants", "stage")


def test_a_job_at_a_stage_that_the_batch_cannot_have_offers_no_count(ledger: Ledger) -> None:
    """Plugs picked by a misread tag are not to be found by counting."""
    picked = {"order": "A-1", "batch": ledger.opened("rooted", 10, "H1"), "place": "H1", "units": 1, "to": "K1"}
    refused = ledger.refusal("picked", **picked)
    assert (refused.code, refused.offer) == ("not-enough-standing", ())


def test_picked_plants_are_not_counted(ledger: Ledger) -> None:
    """Their order says how many they are."""
    refused = ledger.refusal("counted", **{**tray(ledger), "stage": "picked"}, units=5, method="count")
    assert (refused.code, refused.field) == ("contradiction", "stage")


def test_nothing_is_counted_before_it_came(ledger: Ledger) -> None:
    """The batch did not exist then."""
    here = tray(ledger)
    refused = ledger.refusal("counted", **here, units=9, method="count", occurred_at=ledger.teller.now - timedelta(hours=1))
    assert (refused.code, refused.field) == ("not-enough-standing", "occurred_at")


def test_a_late_count_cannot_find_fewer_than_were_taken_later(ledger: Ledger) -> None:
    """38 were carried off at noon: there were not 30 in the morning."""
    here = tray(ledger)
    morning = ledger.teller.now + timedelta(hours=1)
    ledger.tell("moved", **here, to="H2", units=38, occurred_at=morning + timedelta(hours=3))
    assert ledger.refusal("counted", **here, units=30, method="count", occurred_at=morning).code == "not-enough-standing"
    ledger.tell("counted", **here, units=39, method="count", occurred_at=morning)
    assert ledger.standing(here["batch"]) == {"rooted/H1": 1, "rooted/H2": 38}


# --- a late slip against a count -----------------------------------------------------------------------------------


def test_a_late_slip_never_changes_what_was_counted(ledger: Ledger) -> None:
    """Three died at nine, 37 were counted at ten, the slip arrives at eleven: still 37, and the three have their cause."""
    here = tray(ledger)
    account = f"{here['batch']}/rooted/H1"
    nine = ledger.teller.now + timedelta(hours=1)
    counted = ledger.tell("counted", **here, units=37, method="count", occurred_at=nine + timedelta(hours=1))
    slip = ledger.tell("lost", **here, units=3, cause="rot", occurred_at=nine)
    assert moves(slip) == [(account, "loss/rot", 3, "cell"), ("count-difference", account, 3, "cell")]
    against = slip.moves[1]
    assert (against.at, against.count) == (counted.told.occurred_at, counted.told.id)
    assert (ledger.units(account), ledger.units("count-difference cell"), ledger.units("loss/rot cell")) == (37, 0, 3)


def test_only_the_next_count_answers_for_a_late_slip(ledger: Ledger) -> None:
    """The counts after it were taken from that one."""
    here = tray(ledger)
    start = ledger.teller.now
    for hours, seen in ((2, 37), (4, 36)):
        ledger.tell("counted", **here, units=seen, method="count", occurred_at=start + timedelta(hours=hours))
    slip = ledger.tell("lost", **here, units=3, cause="rot", occurred_at=start + timedelta(hours=1))
    assert [move.at for move in slip.moves] == [None, start + timedelta(hours=2)]
    between = ledger.tell("lost", **here, units=1, cause="rot", occurred_at=start + timedelta(hours=3))
    assert [move.at for move in between.moves] == [None, start + timedelta(hours=4)]
    assert ledger.standing(here["batch"]) == {"rooted/H1": 36}
    assert ledger.units("count-difference cell") == 0


def test_the_order_of_arrival_never_changes_the_balance_nor_the_causes(ledger: Ledger) -> None:
    """Two losses, a find by count, a carrying and a count, told in every order that the clock allows: one book."""
    here = tray(ledger)
    start = ledger.teller.now
    slips = [
        ledger.teller.fact("lost", **here, units=3, cause="rot", occurred_at=start + timedelta(hours=1)),
        ledger.teller.fact("counted", **here, units=36, method="count", occurred_at=start + timedelta(hours=2)),
        ledger.teller.fact("lost", **here, units=5, cause="cold", occurred_at=start + timedelta(hours=3)),
        ledger.teller.fact("counted", **here, units=30, method="blind-count", occurred_at=start + timedelta(hours=4)),
        ledger.teller.fact("moved", **here, to="H2", units=10, occurred_at=start + timedelta(hours=5)),
    ]
    books = set()
    for order in permutations(slips):
        fresh = Ledger()
        fresh.post(fresh.teller.beginnings())
        assert tray(fresh) == here
        fresh.post(order)
        books.add(frozenset((name, units) for name, (_, units) in fresh.accounts().items() if units))
    (book,) = books
    assert dict(book)[f"{here['batch']}/rooted/H1"] == 20
    assert dict(book)["count-difference cell"] == 2


def test_a_late_slip_reaches_a_count_that_agreed_also_within_one_list(ledger: Ledger) -> None:
    """A count without a difference moved nothing, and still is where a late slip ends."""
    here = tray(ledger)
    start = ledger.teller.now
    counted = ledger.teller.fact("counted", **here, units=40, method="count", occurred_at=start + timedelta(hours=3))
    slips = [
        ledger.teller.fact("lost", **here, units=units, cause="rot", occurred_at=start + timedelta(hours=hours))
        for hours, units in ((2, 3), (1, 2))
    ]
    ledger.post([counted, *slips])
    assert ledger.standing(here["batch"]) == {"rooted/H1": 40}
    assert ledger.units("count-difference cell") == -5


def test_what_happened_at_the_moment_of_a_count_and_was_told_after_it_comes_after_it(ledger: Ledger) -> None:
    """Of one moment, the order of telling is the order of occurring."""
    here = tray(ledger)
    noon = ledger.teller.now + timedelta(hours=4)
    ledger.tell("counted", **here, units=37, method="count", occurred_at=noon)
    ledger.tell("lost", **here, units=2, cause="rot", occurred_at=noon)
    assert ledger.standing(here["batch"]) == {"rooted/H1": 35}
