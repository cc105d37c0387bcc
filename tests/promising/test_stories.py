"""Promises and the plants behind them, through the real service: picking closes lines, coming back opens them, losses show.

After each story every projection is rebuilt from the log and found equal (the fixture `shop` looks).
"""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from ledger.nursery import Nursery
from ledger.plants.entries import PromiseExpired
from ledger.worker import Sweeper
from tests.plants.memory import HOYA, IXORA
from tests.promising.shop import PLAIN, Shop, line, pinned

# --- picking -------------------------------------------------------------------------------------------------------


def test_picks_close_the_lines_of_their_order_earliest_due_first(shop: Shop) -> None:
    """Whatever their places in the basket. What is picked is neither standing nor promised any more."""
    promise = shop.promise(line(5, due=shop.day(9)), line(4, due=shop.day(2)), line(3, HOYA), line(2, IXORA, "C2"))
    shop.pick(3)
    assert shop.lines(promise) == [(5, 0), (1, 3), (3, 0), (2, 0)]
    shop.pick(4)
    assert shop.lines(promise) == [(2, 3), (0, 4), (3, 0), (2, 0)]
    assert (shop.committed(), shop.free(), shop.free(HOYA), shop.free(IXORA, "C2")) == (2, 40 - 7 - 2, 17, 8)


def test_picks_close_lines_of_several_promises_to_one_order_earliest_due_first(shop: Shop) -> None:
    """Also where the later promise is due earlier; of the same day, what was granted first."""
    late = shop.promise(line(5, due=shop.day(9)))
    early = shop.promise(line(4, due=shop.day(2)))
    same = shop.promise(line(2, due=shop.day(2)))
    shop.pick(5)
    assert (shop.lines(late), shop.lines(early), shop.lines(same)) == ([(5, 0)], [(0, 4)], [(1, 1)])
    shop.pick(3)
    assert (shop.lines(late), shop.lines(early), shop.lines(same)) == ([(3, 2)], [(0, 4)], [(0, 2)])


def test_a_pick_for_an_order_without_a_promise_closes_nothing(shop: Shop) -> None:
    """It takes plants away, which the shop sees; the promise of another order stays open."""
    promise = shop.promise(line(5))
    shop.pick(7, "B-2")
    assert shop.lines(promise) == [(5, 0)]
    assert shop.free() == 40 - 7 - 5


def test_a_promise_made_after_the_plants_were_picked_is_not_closed_by_them(shop: Shop) -> None:
    """They were pulled for something else of that order."""
    shop.pick(7)
    promise = shop.promise(line(5))
    shop.put_back(3)
    assert shop.lines(promise) == [(5, 0)]
    shop.pick(5)
    assert shop.lines(promise) == [(0, 5)]


#: ways in which plants that were picked come off an order again
BACKS = ["put back", "lost", "pick taken back"]


def off_the_order(shop: Shop, way: str, pick: str) -> None:
    """The 3 plants of that pick."""
    match way:
        case "put back":
            shop.put_back(3)
        case "lost":
            shop.lose(3, stage="picked", place="K1", order="A-1")
        case _:
            shop.take_back(pick)


@pytest.mark.parametrize("way", BACKS)
def test_what_comes_off_an_order_opens_what_was_closed_last(shop: Shop, way: str) -> None:
    """Put back, lost from picked, or never picked: the promise is as it was before that pick."""
    first, second = shop.promise(line(5, due=shop.day(2))), shop.promise(line(5, due=shop.day(9)))
    shop.pick(5)
    pick = shop.pick(3)
    assert (shop.lines(first), shop.lines(second)) == ([(0, 5)], [(2, 3)])
    off_the_order(shop, way, pick)
    assert (shop.lines(first), shop.lines(second)) == ([(0, 5)], [(5, 0)])
    assert shop.committed() == 5


@pytest.mark.parametrize("way", BACKS)
def test_what_was_picked_beyond_the_promise_comes_back_first(shop: Shop, way: str) -> None:
    """8 pulled for a promise of 5: 3 come off again, and the promise is still fulfilled; nobody is owed a plant."""
    promise = shop.promise(line(5))
    shop.pick(5)
    pick = shop.pick(3)
    off_the_order(shop, way, pick)
    assert shop.lines(promise) == [(0, 5)]
    assert shop.committed() == 0
    shop.put_back(2)
    assert shop.lines(promise) == [(2, 3)]


def test_a_put_back_taken_back_closes_the_line_again(shop: Shop) -> None:
    """Every reversal mirrors what it takes back."""
    promise = shop.promise(line(5))
    shop.pick(7)
    back = shop.put_back(4)
    assert shop.lines(promise) == [(2, 3)]
    shop.take_back(back)
    assert shop.lines(promise) == [(0, 5)]
    shop.put_back(2)
    assert shop.lines(promise) == [(0, 5)]


def test_shipping_and_carrying_picked_plants_opens_nothing(shop: Shop) -> None:
    """Nor does taking either of them back."""
    promise = shop.promise(line(5))
    shop.pick(4)
    batch = shop.batches[IXORA, "P9"]
    moved = shop.tell("moved", batch=batch, stage="picked", place="K1", to="G2", units=4, order="A-1")
    lines = [{"batch": batch, "place": "G2", "units": 3}]
    shipped = shop.tell("shipped", order="A-1", carrier="Northway", region="Hillshire", lines=lines)
    assert shop.lines(promise) == [(1, 4)]
    shop.take_back(str(shipped.told.id))
    shop.take_back(str(moved.told.id))
    assert shop.lines(promise) == [(1, 4)]
    shop.put_back(4)
    assert shop.lines(promise) == [(5, 0)]


@pytest.mark.parametrize("end", ["released", "expired"])
def test_what_comes_back_to_a_promise_that_has_ended_is_free(shop: Shop, end: str) -> None:
    """Nobody is owed it any more."""
    promise = shop.promise(line(5), hold_minutes=5)
    shop.pick(3)
    shop.teller.now += timedelta(minutes=6)
    told = {"by": "tallybench"} if end == "expired" else {"reason": "not wanted"}
    shop.tell(f"promise-{end}", promise=promise, **told)
    assert (shop.card(promise).state, shop.lines(promise)) == (end, [(0, 3)])
    shop.put_back(3)
    assert (shop.committed(), shop.free()) == (0, 40)


def test_a_replacement_promise_is_closed_by_its_own_pick(shop: Shop) -> None:
    """Two crushed on the way are promised again to the same order, from what stands now."""
    promise = shop.promise(line(5))
    shop.pick(5)
    batch = shop.batches[IXORA, "P9"]
    lines = [{"batch": batch, "place": "K1", "units": 5}]
    shop.tell("shipped", order="A-1", carrier="Northway", region="Hillshire", lines=lines)
    claim = shop.tell("damage-claimed", order="A-1", batch=batch, units=2, carrier="Northway", cause="crushed").told.id
    again = shop.promise(line(2), replaces=str(claim))
    shop.tell("picked", order="A-1", batch=batch, place="G1", units=2, to="K1", replaces=str(claim))
    assert (shop.lines(promise), shop.lines(again)) == ([(0, 5)], [(0, 2)])


# --- losses --------------------------------------------------------------------------------------------------------


def test_a_loss_lowers_what_is_promisable_at_once(shop: Shop) -> None:
    """And so does a count; a promise made is not dropped."""
    promise = shop.promise(line(10))
    shop.lose(25)
    assert shop.free() == 5
    assert shop.refusal("promised", order="A-2", lines=[line(6)]).data["lines"][0]["promisable"] == 5
    shop.tell("counted", batch=shop.batches[IXORA, "P9"], stage="finished", place="G1", units=12, method="count")
    assert shop.free() == 2
    shop.lose(5)
    assert (shop.free(), shop.lines(promise)) == (0, [(10, 0)])


def test_lines_at_risk_are_those_that_what_will_be_there_does_not_reach(shop: Shop) -> None:
    """Served by due date, then by the time of the grant: who comes last is short first, and whole before the next one is."""
    shop.promise(line(5, HOYA))
    middle = shop.promise(line(10, due=shop.day(9)), order="A-1")
    last = shop.promise(line(10, due=shop.day(9)), order="A-2")
    first = shop.promise(line(10, due=shop.day(2)), order="A-3")
    shop.tell("promise-confirmed", promise=last)
    assert shop.at_risk() == []
    missing, loss = 0, ""
    for lost in (13, 9, 17):
        loss = shop.lose(lost)
        risks = shop.at_risk()
        assert [promise for promise, _, _ in risks] == [first, middle, last][-len(risks) :]
        assert [short for _, _, short in risks[1:]] == [10] * (len(risks) - 1)
        missing, before = sum(short for _, _, short in risks), missing
        assert missing > before
    shop.take_back(loss)
    shop.tell("counted", batch=shop.batches[IXORA, "P9"], stage="finished", place="G1", units=40, method="count")
    assert shop.at_risk() == []


def test_a_line_recovers_by_new_plants_by_moving_behind_or_by_release(shop: Shop) -> None:
    """Three ways out of the list."""
    one, two = shop.promise(line(20)), shop.promise(line(20, due=shop.day(2)), order="A-2")
    shop.lose(5)
    assert {promise for promise, _, _ in shop.at_risk()} == {two}
    shop.tell("promise-moved", promise=one, line=0, due=shop.day(9).isoformat())
    ((promise, _, short),) = shop.at_risk()
    assert promise == one
    shop.tell("opened", crop=IXORA, stage="finished", place="G2", units=2, size="P9")
    ((promise, _, less),) = shop.at_risk()
    assert (promise, less < short) == (one, True)
    shop.tell("promise-released", promise=two, reason="not wanted")
    assert shop.at_risk() == []


def test_stopped_and_held_plants_put_promises_at_risk_and_the_count_buffer_does_not(shop: Shop) -> None:
    """A buffer is caution about new promises, not a reason to break one."""
    promise = shop.promise(line(40))
    shop.tell("policy-set")
    assert (shop.free(), shop.at_risk()) == (0, [])
    batch = shop.batches[IXORA, "P9"]
    hold = shop.tell("held", batch=batch, units=4, reason="weather", review_on="2026-10-01").told.id
    assert shop.at_risk() == [(promise, 0, 4)]
    stop = shop.tell("stopped", batch=batch, reason="quality").told.id
    assert shop.at_risk() == [(promise, 0, 40)]
    shop.tell("cleared", batch=batch, stop=str(stop), because="looked at")
    shop.tell("hold-ended", batch=batch, hold=str(hold))
    assert shop.at_risk() == []


def test_picking_a_promise_takes_it_off_the_list_and_puts_nobody_else_on_it(shop: Shop) -> None:
    """One plant less stands, one less is owed."""
    one, two = shop.promise(line(20)), shop.promise(line(20), order="A-2")
    shop.lose(5)
    shop.pick(20)
    assert shop.at_risk() == [(two, 0, 5)]
    shop.pick(15, "A-2")
    assert shop.at_risk() == [(two, 0, 5)]
    assert (shop.lines(one), shop.lines(two)) == ([(0, 20)], [(5, 15)])


# --- holding -------------------------------------------------------------------------------------------------------


def test_each_client_has_a_cap_of_its_own(shop: Shop) -> None:
    """One hoarder does not lock the others out. Picking for a hold does not free the cap, buying does."""
    shop.tell("policy-set", **PLAIN, most_held_units=10)
    promise = shop.promise(line(10), client="one")
    assert shop.refusal("promised", "one", order="A-2", lines=[line(1)]).code == "holds-too-much"
    shop.promise(line(10), client="two", order="A-3")
    shop.pick(10)
    assert shop.refusal("promised", "one", order="A-2", lines=[line(1)]).code == "holds-too-much"
    shop.tell("promise-confirmed", "two", promise=promise)
    shop.promise(line(10), client="one", order="A-2")


def test_the_sweeper_tells_what_has_run_out_and_nothing_else(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Holds of an hour ago run out; one that was confirmed in the meantime, one that lasts and one bought do not."""
    now = datetime.now(UTC)
    with Nursery(database) as nursery:
        shop = Shop(database, nursery)
        shop.teller.now = now - timedelta(hours=1)
        with monkeypatch.context() as patch:
            pinned(patch, lambda: shop.teller.now)
            shop.open()
            run_out = [shop.promise(line(2), order=f"A-{number}", hold_minutes=5) for number in range(3)]
            lasting = shop.promise(line(2), hold_minutes=120)
            bought = shop.promise(line(2), hold_minutes=5)
            shop.tell("promise-confirmed", promise=bought)
        with Sweeper(database, nursery, pause_s=60) as sweeper:
            assert sweeper.sweep() == 3
            assert sweeper.sweep() == 0
        states = [shop.card(promise).state for promise in [*run_out, lasting, bought]]
        assert states == ["expired"] * 3 + ["held", "confirmed"]
        assert shop.free() == 40 - 4


def test_a_hold_confirmed_while_it_is_being_swept_stays_confirmed(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The pen decides: the sweeper comes second, is refused, and goes on with the others."""
    now = datetime.now(UTC)
    with Nursery(database) as nursery:
        shop = Shop(database, nursery)
        shop.teller.now = now - timedelta(hours=1)
        with monkeypatch.context() as patch:
            pinned(patch, lambda: shop.teller.now)
            shop.open()
            holds = sorted(shop.promise(line(2), order=f"A-{number}", hold_minutes=5) for number in range(3))
        post = nursery.post

        def overtaken(told: Any, client: str = "here") -> Any:
            (entry,) = told
            if isinstance(entry, PromiseExpired) and str(entry.promise) == holds[0]:
                post([shop.teller.tell("promise-confirmed", promise=holds[0])])
            return post(told, client)

        monkeypatch.setattr(nursery, "post", overtaken)
        with Sweeper(database, nursery, pause_s=60) as sweeper:
            assert sweeper.sweep() == 2
        assert [shop.card(promise).state for promise in holds] == ["confirmed", "expired", "expired"]
