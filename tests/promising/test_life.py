"""What may become of a promise in every state that it can be in, and what is refused with which code. Rules alone."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

import pytest

from tests.plants.memory import HOYA, IXORA, Ledger
from tests.promising.shop import PLAIN, line

TODAY = date(2026, 9, 14)
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
    "expired": set[str](),
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


def test_confirming_after_the_hold_was_told_expired_is_refused_and_a_new_basket_gets_what_is_there(window: Ledger) -> None:
    """The plants may be somebody else's by then."""
    promise = in_state(window, "expired")
    window.tell("promised", order="A-2", lines=[line(38)])
    problem = window.refusal("promise-confirmed", promise=promise)
    assert (problem.code, problem.data["state"]) == ("not-open", "expired")
    assert window.refusal("promised", order="A-1", lines=[line(5)]).data["lines"][0]["promisable"] == 2


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
