"""What may become of a promise in every state that it can be in, and what is refused with which code. Rules alone."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from tests.plants.memory import HOYA, IXORA, Ledger
from tests.promising.shop import PLAIN, line

TODAY = date(2026, 9, 14)
REFUSED = {"verdict": "refused", "because": "by its own list", "source": "the nursery's list", "checked_on": "2026-09-01"}
LATER = TODAY + timedelta(days=30)

#: what may be told of a promise
CALLS: dict[str, tuple[str, dict[str, Any]]] = {
    "confirm": ("promise-confirmed", {}),
    "release": ("promise-released", {"reason": "not wanted"}),
    "release a line": ("promise-released", {"reason": "not wanted", "line": 0}),
    "move": ("promise-moved", {"line": 0, "due": LATER.isoformat()}),
    "expire": ("promise-expired", {"by": "tallybench"}),
}
#: and what is accepted in which state; everything else is refused as not open
ACCEPTED = {
    "held": {"confirm", "release", "release a line", "move"},
    "run out but not told": {"confirm", "release", "release a line", "move", "expire"},
    "confirmed": {"release", "release a line", "move"},
    "released": set[str](),
    "expired": {"confirm"},
    "picked whole": set[str](),
}


def in_state(window: Ledger, state: str) -> str:
    """A promise of 5 ixoras and 2 hoyas for ten minutes, brought into a state."""
    lines = [line(5, due=TODAY + timedelta(days=9)), line(2, HOYA)]
    promise = str(window.tell("promised", order="A-1", lines=lines, hold_minutes=10).told.id)
    match state:
        case "run out but not told":
            window.teller.now += timedelta(minutes=11)
        case "confirmed" | "picked whole":
            window.tell("promise-confirmed", promise=promise)
        case "released":
            window.tell("promise-released", promise=promise, reason="not wanted")
        case "expired":
            window.teller.now += timedelta(minutes=11)
            window.tell("promise-expired", promise=promise, by="tallybench")
        case _:
            pass
    if state == "picked whole":
        ixora, _, hoya = (number for kind, number in window.cards if kind == "batch")
        window.tell("picked", order="A-1", batch=ixora, place="G1", units=5, to="K1")
        window.tell("picked", order="A-1", batch=hoya, place="G2", units=2, to="K1")
    return promise


@pytest.mark.parametrize("call", CALLS)
@pytest.mark.parametrize("state", ACCEPTED)
def test_a_call_is_accepted_in_its_states_and_refused_in_all_others(window: Ledger, state: str, call: str) -> None:
    """Refused as not open, and nothing is left behind (the ledger in memory looks)."""
    promise = in_state(window, state)
    kind, fields = CALLS[call]
    if call in ACCEPTED[state]:
        window.tell(kind, promise=promise, **fields)
    else:
        assert window.refusal(kind, promise=promise, **fields).code == "not-open"


@pytest.mark.parametrize("call", CALLS)
def test_a_promise_that_never_was_is_unknown(window: Ledger, call: str) -> None:
    """Also where the id is that of another entry."""
    kind, fields = CALLS[call]
    other = str(window.log[0].told.id)
    problem = window.refusal(kind, promise=other, **fields)
    assert (problem.code, problem.field, problem.data["given"]) == ("unknown-code", "promise", other)


@pytest.mark.parametrize("call", ["release a line", "move"])
def test_a_line_that_was_not_granted_is_not_open(window: Ledger, call: str) -> None:
    """Neither one beyond the basket nor one that was declined."""
    lines = [line(500), line(1)]
    promise = str(window.tell("promised", order="A-1", lines=lines, all_or_none=False).told.id)
    kind, fields = CALLS[call]
    assert window.refusal(kind, promise=promise, **{**fields, "line": 0}).code == "not-open"
    assert window.refusal(kind, promise=promise, **{**fields, "line": 7}).code == "not-open"
    window.tell(kind, promise=promise, **{**fields, "line": 1})


def test_what_ends_a_promise_frees_its_units_and_what_does_not_keeps_them(window: Ledger) -> None:
    """Confirming keeps, releasing a line frees the line, releasing or expiring frees all that is open."""
    promise = in_state(window, "held")
    assert (window.sellable().now, window.sellable(HOYA).now) == (35, 18)
    window.tell("promise-confirmed", promise=promise)
    assert (window.sellable().now, window.sellable(HOYA).now) == (35, 18)
    window.tell("promise-released", promise=promise, reason="not wanted", line=0)
    assert (window.sellable().now, window.sellable(HOYA).now) == (40, 18)
    window.tell("promise-released", promise=promise, reason="not wanted")
    assert (window.sellable().now, window.sellable(HOYA).now) == (40, 20)
    in_state(window, "expired")
    assert (window.sellable().now, window.sellable(HOYA).now) == (40, 20)


def test_a_hold_that_has_run_out_holds_until_it_is_told(window: Ledger) -> None:
    """Correctness never rests on whoever tells it: its plants cannot go to another before, and its buyer may still buy."""
    promise = in_state(window, "run out but not told")
    assert window.refusal("promised", order="A-2", lines=[line(36)]).data["lines"][0]["promisable"] == 35
    window.tell("promise-confirmed", promise=promise)
    assert window.refusal("promise-expired", promise=promise, by="tallybench").code == "not-open"


# --- confirming after the hold has run out ---------------------------------------------------------------------------


def test_confirming_an_expired_hold_is_granted_anew_where_its_plants_are_still_there(window: Ledger) -> None:
    """In the same call: its lines are open again, bought, and rank from now on; the entry says what they rest on."""
    promise = in_state(window, "expired")
    assert [line.lapsed for line in window.card("promise", promise).lines.values()] == [5, 2]
    recorded = window.tell("promise-confirmed", promise=promise)
    assert [(grant.line, grant.units, grant.promisable) for grant in recorded.grants] == [(0, 5, 40), (1, 2, 20)]
    card = window.card("promise", promise)
    assert (card.state, card.open, card.position) == ("confirmed", 7, recorded.position)
    assert [(line.open, line.granted, line.lapsed) for line in card.lines.values()] == [(5, 5, 0), (2, 2, 0)]
    assert (window.sellable().now, window.sellable(HOYA).now) == (35, 18)
    assert window.refusal("promise-confirmed", promise=promise).code == "not-open"


def test_confirming_an_expired_hold_whose_plants_are_gone_is_refused_with_what_is_there(window: Ledger) -> None:
    """All of it or nothing, as the basket was asked for; nothing is left of the attempt, and a later one may succeed."""
    promise = in_state(window, "expired")
    other = str(window.tell("promised", order="A-2", lines=[line(38)]).told.id)
    problem = window.refusal("promise-confirmed", promise=promise)
    assert (problem.code, problem.field) == ("not-promisable", "promise")
    assert problem.data["lines"] == [{"line": 0, "crop": IXORA, "size": "P9", "asked": 5, "promisable": 2, "ready_by": None}]
    assert (window.card("promise", promise).state, window.sellable().now, window.sellable(HOYA).now) == ("expired", 2, 20)
    window.tell("promise-released", promise=other, reason="not wanted")
    window.tell("promise-confirmed", promise=promise)


def test_what_was_welcome_in_the_basket_is_welcome_when_it_is_confirmed_late(window: Ledger) -> None:
    """A part where a part was, and declined lines where not all or none was asked for."""
    lines = [line(5, allow_part=True), line(2, HOYA), line(3, IXORA, "C2")]
    promise = str(window.tell("promised", order="A-1", lines=lines, all_or_none=False, hold_minutes=10).told.id)
    window.teller.now += timedelta(minutes=11)
    window.tell("promise-expired", promise=promise, by="tallybench")
    window.tell("promised", order="A-2", lines=[line(38), line(19, HOYA)])
    recorded = window.tell("promise-confirmed", promise=promise)
    assert [(grant.line, grant.asked, grant.units) for grant in recorded.grants] == [(0, 5, 2), (2, 3, 3)]
    card = window.card("promise", promise)
    assert [(line.open, line.lapsed) for line in card.lines.values()] == [(2, 0), (0, 0), (3, 0)]


@pytest.mark.parametrize("told", [True, False], ids=["told expired", "not told yet"])
def test_a_hold_that_has_run_out_is_decided_anew_whether_that_was_told_or_not(window: Ledger, told: bool) -> None:
    """Its own units are not counted against it, nor is what was lost meanwhile promised."""
    promise = in_state(window, "run out but not told")
    window.tell("lost", batch=next(name for kind, name in window.cards if kind == "batch"), stage="finished", place="G1",
                units=36, cause="rot")  # fmt: skip
    if told:
        window.tell("promise-expired", promise=promise, by="tallybench")
    problem = window.refusal("promise-confirmed", promise=promise)
    assert [(found["line"], found["promisable"]) for found in problem.data["lines"]] == [(0, 4)]
    assert window.card("shelf", f"{IXORA}/P9").due == ({} if told else {(TODAY + timedelta(days=9)).isoformat(): 5})


@pytest.mark.parametrize("told", [True, False], ids=["told expired", "not told yet"])
def test_what_was_picked_of_a_hold_stays_picked_and_only_the_rest_is_decided_anew(window: Ledger, told: bool) -> None:
    """Two of five are pulled already: three are wanted still."""
    promise = in_state(window, "held")
    batch = next(name for kind, name in window.cards if kind == "batch")
    window.tell("picked", order="A-1", batch=batch, place="G1", units=2, to="K1")
    window.teller.now += timedelta(minutes=11)
    if told:
        window.tell("promise-expired", promise=promise, by="tallybench")
    recorded = window.tell("promise-confirmed", promise=promise)
    assert [(grant.line, grant.asked, grant.promisable) for grant in recorded.grants] == [(0, 3, 38), (1, 2, 20)]
    first = window.card("promise", promise).lines["0"]
    assert (first.granted, first.picked, first.open) == (5, 2, 3)
    assert window.sellable().now == 35


def test_a_day_that_is_past_when_it_is_confirmed_is_moved_only_where_later_is_welcome(window: Ledger) -> None:
    """Nothing can be had for yesterday."""

    def held(**more: Any) -> str:
        return str(window.tell("promised", order="A-1", lines=[line(1, **more)], hold_minutes=10).told.id)

    strict, patient = held(), held(allow_later=True)
    window.teller.now += timedelta(days=1)
    assert window.refusal("promise-confirmed", promise=strict).code == "not-promisable"
    window.tell("promise-confirmed", promise=patient)
    assert window.card("promise", patient).lines["0"].due == TODAY + timedelta(days=1)


def test_a_hold_of_which_nothing_was_open_when_it_ran_out_cannot_be_confirmed(window: Ledger) -> None:
    """What was given back line by line was not wanted; there is nothing to grant."""
    promise = in_state(window, "held")
    for number in (0, 1):
        window.tell("promise-released", promise=promise, reason="not wanted", line=number)
    window.teller.now += timedelta(minutes=11)
    window.tell("promise-expired", promise=promise, by="tallybench")
    problem = window.refusal("promise-confirmed", promise=promise)
    assert (problem.code, problem.data["state"]) == ("not-open", "expired")


def test_a_region_that_was_closed_meanwhile_is_closed_to_a_late_confirmation(window: Ledger) -> None:
    """A new attempt is held against the rules of now."""
    promise = str(window.tell("promised", order="A-1", lines=[line(1)], region="island", hold_minutes=10).told.id)
    window.tell("destination-set", region="island", name="The island", rules=[REFUSED])
    window.teller.now += timedelta(minutes=11)
    problem = window.refusal("promise-confirmed", promise=promise)
    assert (problem.code, problem.field) == ("not-sent-there", "promise")


def test_a_hold_runs_out_to_the_minute_that_it_was_given(window: Ledger) -> None:
    """Not a moment earlier. The policy says how long where the basket does not."""
    window.tell("policy-set", **PLAIN, hold_minutes=45)
    promised = window.tell("promised", order="A-1", lines=[line(1)])
    promise = str(promised.told.id)
    assert window.card("promise", promise).expires_at == promised.told.occurred_at + timedelta(minutes=45)
    window.clock = promised.told.occurred_at + timedelta(minutes=45) - timedelta(microseconds=1)
    window.teller.now = promised.recorded_at
    assert window.refusal("promise-expired", promise=promise, by="tallybench").code == "not-open"
    window.clock += timedelta(microseconds=1)
    window.tell("promise-expired", promise=promise, by="tallybench")


# --- moving --------------------------------------------------------------------------------------------------------


def test_a_line_moves_to_any_later_day_and_to_an_earlier_one_that_has_its_plants(window: Ledger) -> None:
    """Its own units are not counted against it. A past day is none."""
    promise = in_state(window, "confirmed")
    window.tell("promised", order="A-2", lines=[line(35)])
    for due in (LATER, TODAY, TODAY + timedelta(days=9)):
        window.tell("promise-moved", promise=promise, line=0, due=due.isoformat())
        assert window.card("promise", promise).lines["0"].due == due
        assert window.card("shelf", f"{IXORA}/P9").due.get(due.isoformat()) == (40 if due == TODAY else 5)
    problem = window.refusal("promise-moved", promise=promise, line=0, due=(TODAY - timedelta(days=1)).isoformat())
    assert (problem.code, problem.field) == ("not-promisable", "due")


def test_a_line_whose_plants_are_lost_moves_later_and_not_earlier(window: Ledger) -> None:
    """Later is how a promise at risk is saved; earlier would take what others are promised."""
    promise = in_state(window, "confirmed")
    window.tell("promised", order="A-2", lines=[line(35)])
    batch = next(number for kind, number in window.cards if kind == "batch")
    window.tell("lost", batch=batch, stage="finished", place="G1", units=2, cause="rot")
    problem = window.refusal("promise-moved", promise=promise, line=0, due=TODAY.isoformat())
    assert (problem.code, problem.data) == ("not-promisable", {"promisable": 3, "asked": 5})
    window.tell("promise-moved", promise=promise, line=0, due=LATER.isoformat())


@pytest.mark.parametrize("kind", ["promised", *sorted({kind for kind, _ in CALLS.values()})])
def test_nothing_of_the_promise_book_is_taken_back_by_reversing(window: Ledger, kind: str) -> None:
    """Release it, ask again: what was granted was granted."""
    promise = in_state(window, "run out but not told")
    entry = promise
    if kind != "promised":
        fields = next(fields for name, fields in CALLS.values() if name == kind)
        entry = str(window.tell(kind, promise=promise, **fields).told.id)
    assert window.refusal("reversed", entry=entry, reason="told by mistake").code == "not-reversible"
