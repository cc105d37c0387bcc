"""Beyond counted stock: the rule with a forecast and a pool of plugs, on forecasts written by hand. Rules alone.

The window has 40 finished ixoras in P9 and 10 in C2, no count buffer, potting on Tuesdays, and today is a Monday.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import betabinom

from ledger.plants.offer import Offer
from ledger.plants.recorded import Grant
from ledger.plants.refusals import Problem, Refused
from tests.plants.memory import HOYA, IXORA, Ledger
from tests.promising import foretold
from tests.promising.shop import PLAIN, Fact, line

TODAY = date(2026, 9, 14)
TUESDAY = TODAY + timedelta(days=1)
WEEKS = [TODAY + timedelta(weeks=week) for week in range(60)]
#: a Tuesday's pots, eight weeks later
READY = TUESDAY + timedelta(weeks=8)


def publish(window: Ledger, p9: Fact, c2: Fact | None = None, pool: Fact | None = None, **more: Any) -> str:
    """A forecast of the ixora as of now; the entry's id. It counts on what stands where nothing else is said."""
    stands = {name: kept.counted_on for name, kept in window.card("shelf", f"{IXORA}/P9").lines.items()}
    sizes = {"P9": p9 if p9["relied"] else {**p9, "relied": stands}, **({"C2": c2} if c2 is not None else {})}
    told = foretold.forecast(IXORA, window.teller.now.date(), len(window.log), sizes, pool) | more
    return str(window.tell("forecast-published", forecast=told, by="tallybench").told.id)


def finished(window: Ledger, size: str = "P9") -> str:
    """The batch that stands finished in a size from the first day on."""
    return next(number for kind, number in window.cards if kind == "batch" and window.card("batch", number).size == size)


def promise(window: Ledger, *lines: Fact, order: str = "A-1", **fields: Any) -> tuple[str, list[Grant]]:
    """A basket that is granted; its promise, and what its lines were given."""
    recorded = window.tell("promised", order=order, lines=list(lines), **fields)
    return str(recorded.told.id), list(recorded.grants)


def lacking(window: Ledger, *lines: Fact, **fields: Any) -> list[Fact]:
    """The lines that a refused basket lacks."""
    problem: Problem = window.refusal("promised", order="A-9", lines=list(lines), **fields)
    assert problem.code == "not-promisable"
    found: list[Fact] = problem.data["lines"]
    return found


def free(window: Ledger, *days: date) -> list[int]:
    """Promisable by each of some days, potting and all."""
    offer = window.offer()
    return [offer.promisable(day) for day in days]


def own_line(window: Ledger, promise_id: str, index: int = 0) -> Any:
    """A line of a promise as its card has it."""
    return window.card("promise", promise_id).lines[str(index)]


# --- the size's own supply -------------------------------------------------------------------------------------------


def test_the_worked_six_weeks_through_the_offer(window: Ledger) -> None:
    """40 stand, 96 by week 3 and 150 by week 6, the first 20 of them from today on in another batch."""
    window.opened("finished", 20, "G2", "P9")
    publish(window, foretold.size([(0, 60), (3, 96), (6, 150)]))
    orders = [10, 22, 15, 8, 20, 12]
    for week, units in enumerate(orders, start=1):
        window.tell("promised", order=f"A-{week}", lines=[line(units, due=WEEKS[week])])
    assert free(window, *WEEKS[1:7]) == [21, 21, 21, 21, 21, 63]


def test_borrow_back_through_the_offer(window: Ledger) -> None:
    """10 on hand, 20 more in weeks 3 and 5, 25 promised for week 3: never 10 . -5 . 20."""
    window.tell("counted", batch=finished(window), stage="finished", place="G1", units=10, method="count")
    publish(window, foretold.size([(0, 10), (3, 30), (5, 50)]))
    promise(window, line(25, due=WEEKS[3]))
    assert free(window, *WEEKS[1:6]) == [5, 5, 5, 5, 25]
    assert [(step.on, step.quantity) for step in window.offer().curve()] == [(TODAY, 5), (WEEKS[5], 25)]


def test_today_is_counted_and_never_forecast(window: Ledger) -> None:
    """A forecast of 500 for today's week gives nobody a plant today; tomorrow is its own."""
    publish(window, foretold.size([(0, 500)]))
    assert free(window, TODAY, TUESDAY) == [40, 500]
    promise(window, line(40))
    assert free(window, TODAY, TUESDAY) == [0, 460]


def test_the_count_buffer_comes_off_every_day(window: Ledger) -> None:
    """40 counted now: 2 kept back; an uncounted forecast does not give them away either."""
    window.tell("policy-set", always_held_units=1000)
    publish(window, foretold.size([(0, 40), (5, 90)]))
    assert free(window, TODAY, WEEKS[1], WEEKS[5]) == [38, 38, 88]


def test_each_step_says_what_it_rests_on(window: Ledger) -> None:
    """The first of finished, growing on and asked that gives all of it; then plugs, then those still rooting."""
    of = foretold.size([(0, 40), (3, 60), (6, 70)], finished=[(0, 40)], growing=[(0, 40), (3, 60)])
    publish(window, of, pool=foretold.pool(10, rooting=[(0, 10), (4, 30)]))
    assert [(step.on, step.basis, step.shared) for step in window.offer().curve()] == [
        (TODAY, "finished", False),
        (WEEKS[3], "growing-on", False),
        (WEEKS[6], "asked", False),
        (READY, "plugs", True),
        (READY + timedelta(weeks=4), "plugs", True),
    ]
    plugs = window.offer().potted(TUESDAY)
    _, (grant,) = promise(window, line(70 + plugs, due=READY))
    assert (grant.basis, grant.confidence, grant.units) == ("plugs", 90, 70 + plugs)
    assert window.offer().curve()[-1].basis == "rooting"
    _, (grant,) = promise(window, line(3, due=WEEKS[20]), order="A-2")
    assert grant.basis == "rooting"


def test_more_confidence_gives_less(window: Ledger) -> None:
    """Asked for at 50 and 99 %: the forecast's own curves; between two published ones the higher."""
    publish(window, foretold.size([(0, 40), (5, 90)]))
    quantities = [window.offer(confidence=percent).promisable(WEEKS[5]) for percent in (50, 80, 85, 90, 95, 99)]
    assert quantities == [94, 92, 90, 90, 89, 86]


def test_a_grant_beyond_counted_stock_tells_its_forecast_and_confidence(window: Ledger) -> None:
    """And one of counted stock tells neither."""
    entry = publish(window, foretold.size([(0, 40), (5, 90)], finished=[(0, 40)]))
    _, (now, later) = promise(window, line(5), line(60, due=WEEKS[5]))
    assert (now.basis, now.confidence, now.forecast) == ("finished", None, None)
    assert (later.basis, later.confidence, str(later.forecast)) == ("growing-on", 90, entry)


# --- the safe bound ----------------------------------------------------------------------------------------------------


def _merge(window: Ledger, batch: str) -> None:
    told: Any = window.tell("merged", stage="finished", sources=[{"batch": batch, "place": "G1", "units": 7}], place="G2").told
    assert told.into != batch


BOUNDS: dict[str, tuple[int, Callable[[Ledger, str], object]]] = {
    "lost": (7, lambda at, batch: at.tell("lost", batch=batch, stage="finished", place="G1", units=7, cause="rot")),
    "counted short": (
        7,
        lambda at, batch: at.tell("counted", batch=batch, stage="finished", place="G1", units=33, method="count"),
    ),
    "held": (7, lambda at, batch: at.tell("held", batch=batch, units=7, reason="weather", review_on="2026-12-01")),
    "stopped": (40, lambda at, batch: at.tell("stopped", batch=batch, reason="quality")),
    "picked for an order without a promise": (
        7,
        lambda at, batch: at.tell("picked", order="B-1", batch=batch, place="G1", units=7, to="K1"),
    ),
    "sold here": (7, lambda at, batch: at.tell("sold-here", batch=batch, place="G1", units=7, price="9.00")),
    "merged into a new batch": (0, _merge),
    "found by a count": (
        0,
        lambda at, batch: at.tell("counted", batch=batch, stage="finished", place="G1", units=48, method="count"),
    ),
}


@pytest.mark.parametrize("what", BOUNDS)
def test_what_a_forecast_counts_on_and_is_gone_comes_off_at_once(window: Ledger, what: str) -> None:
    """Plant for plant, on every later day, until the next forecast."""
    batch = finished(window)
    publish(window, foretold.size([(0, 40), (5, 90)], {batch: 40}))
    falls, happens = BOUNDS[what]
    before = free(window, WEEKS[1], WEEKS[5])
    happens(window, batch)
    assert free(window, WEEKS[1], WEEKS[5]) == [units - falls for units in before]


def test_growing_plants_lost_come_off_and_graded_ones_do_not(window: Ledger) -> None:
    """30 growing on: 10 of them finished changes nothing; 4 culled and 3 lost are 7 fewer."""
    batch = window.opened("potted", 30, "G2", "P9")
    publish(window, foretold.size([(0, 40), (5, 65)], {finished(window): 40, batch: 30}))
    window.tell("graded", batch=batch, place="G2", finished=10, seconds=0, culled=4, to="G1")
    assert free(window, WEEKS[1], WEEKS[5]) == [36, 61]
    assert window.offer().now == 50
    window.tell("lost", batch=batch, stage="potted", place="G2", units=3, cause="cold")
    assert free(window, WEEKS[5]) == [58]


def test_picking_what_is_promised_changes_nothing_for_the_others(window: Ledger) -> None:
    """One plant less counted on, one less owed."""
    batch = finished(window)
    publish(window, foretold.size([(0, 40), (5, 90)], {batch: 40}))
    promise(window, line(12, due=WEEKS[2]))
    before = free(window, TODAY, WEEKS[1], WEEKS[5])
    window.tell("picked", order="A-1", batch=batch, place="G1", units=12, to="K1")
    assert free(window, TODAY, WEEKS[1], WEEKS[5]) == before


def test_finished_plants_of_a_new_batch_make_up_for_lost_ones_and_no_more(window: Ledger) -> None:
    """They stand: the forecast that does not know them is short by them. Held ones of them are not free."""
    batch = finished(window)
    publish(window, foretold.size([(0, 40), (5, 90)], {batch: 40}))
    window.tell("lost", batch=batch, stage="finished", place="G1", units=9, cause="rot")
    fresh = window.opened("finished", 6, "G2", "P9")
    assert free(window, WEEKS[5]) == [87]
    window.tell("held", batch=fresh, units=2, reason="weather", review_on="2026-12-01")
    assert free(window, WEEKS[5]) == [85]


def test_a_loss_of_yesterday_that_is_told_today_leaves_the_forecast_usable(window: Ledger) -> None:
    """What it counts on is less at once; it is stale when the loss has waited since it was told, not since it happened."""
    window.teller.now += timedelta(days=2)
    publish(window, foretold.size([(0, 40), (5, 90)]))
    published = window.teller.now
    assert free(window, WEEKS[6]) == [90]
    lost = {"batch": finished(window), "stage": "finished", "place": "G1", "units": 3, "cause": "rot"}
    window.tell("lost", **lost, occurred_at=(published - timedelta(days=1)).isoformat())
    told = window.log[-1].recorded_at
    assert (window.offer().stale, free(window, WEEKS[6])) == (None, [87])
    (grant,) = promise(window, line(50, due=WEEKS[6]))[1]
    assert (grant.units, grant.promisable) == (50, 87)
    window.clock = told + timedelta(minutes=15)
    assert window.offer().stale is None
    window.clock += timedelta(seconds=1)
    assert window.offer().stale == "changes-not-forecast"


# --- stale --------------------------------------------------------------------------------------------------------------


def _stale(window: Ledger, why: str) -> Offer:
    if why == "no-forecast":
        return window.offer()
    publish(window, foretold.size([(0, 40), (5, 90)], {finished(window): 40}), pool=foretold.pool(50))
    match why:
        case "old-forecast":
            window.teller.now += timedelta(hours=36, minutes=1)
        case "changes-not-forecast":
            window.tell("lost", batch=finished(window), stage="finished", place="G1", units=1, cause="rot")
            window.teller.now += timedelta(minutes=16)
        case "stopped":
            window.tell("stopped", crop=IXORA, reason="quarantine")
        case _:
            pass
    window.clock = window.teller.now
    return window.offer()


@pytest.mark.parametrize("why", ["no-forecast", "old-forecast", "changes-not-forecast", "stopped"])
def test_with_a_stale_forecast_nothing_is_granted_beyond_now(window: Ledger, why: str) -> None:
    """By each of its reasons; what is granted for later rests on counted stock and says so."""
    offer = _stale(window, why)
    assert offer.stale == why
    now = {"stopped": 0, "changes-not-forecast": 39}.get(why, 40)
    assert [offer.promisable(day) for day in (offer.today, WEEKS[2], WEEKS[30])] == [now] * 3
    assert [step.quantity for step in offer.curve()] == [now]
    assert lacking(window, line(now + 1, due=WEEKS[30]))[0] == {
        "line": 0, "crop": IXORA, "size": "P9", "asked": now + 1, "promisable": now, "ready_by": None,
    }  # fmt: skip
    if now:
        _, (grant,) = promise(window, line(now, due=WEEKS[30]))
        assert (grant.basis, grant.confidence, grant.forecast) == ("finished", None, None)


def test_a_new_forecast_that_knows_the_change_is_believed_again(window: Ledger) -> None:
    """And one that was made before the change is not."""
    _stale(window, "changes-not-forecast")
    window.clock = None
    publish(window, foretold.size([(0, 39), (5, 89)]), position=len(window.log) - 1)
    assert window.offer().stale is None
    window.teller.now += timedelta(minutes=16)
    window.tell("cost-set", step="potting", amount="1.00", effective_on="2026-01-01")
    assert window.offer().stale == "changes-not-forecast"
    publish(window, foretold.size([(0, 39), (5, 89)]))
    window.teller.now += timedelta(hours=2)
    assert window.offer().stale is None


# --- the pool of plugs --------------------------------------------------------------------------------------------------


def with_plugs(window: Ledger, plugs: int = 60, **of_pool: Any) -> str:
    """A forecast of what stands, and plugs in holding which belong to no size; their batch."""
    batch = window.opened("rooted", plugs, "H1")
    publish(
        window,
        foretold.size([(0, 40)], {finished(window): 40}),
        foretold.size([(0, 10)], {finished(window, "C2"): 10}, ready=[(0, 12)]),
        foretold.pool(plugs, {batch: plugs}, **of_pool),
    )
    return batch


def test_what_a_size_lacks_is_asked_to_be_potted(window: Ledger) -> None:
    """On the next potting day in time: the fewest pots that give the units at 90 %, and their plugs reserved."""
    batch = with_plugs(window)
    promised, (grant,) = promise(window, line(50, due=WEEKS[20]))
    assert grant.potting is not None
    pots = grant.potting.pots
    chances = [betabinom.sf(9, many, 90_000, 10_000) for many in (pots - 1, pots)]
    assert chances[0] < 0.9 <= chances[1]
    assert (grant.potting.on, grant.potting.units, grant.potting.plugs) == (TUESDAY, 10, pots)
    assert window.card("pool", IXORA).reserved == {f"{TUESDAY}/P9": pots}
    assert (own_line(window, promised).pooled, own_line(window, promised).potting_on) == (10, TUESDAY)
    assert window.card("pool", IXORA).lines[batch].plugs == 60


def test_two_sizes_draw_on_one_pool_and_no_plug_is_promised_twice(window: Ledger) -> None:
    """Pots for one leave so many plugs fewer to the other; all of them together are never more than there are."""
    with_plugs(window, 30)
    both = [window.offer(size=size).promisable(WEEKS[20]) for size in ("P9", "C2")]
    promise(window, line(both[0], due=WEEKS[20]))
    assert window.offer(size="C2").promisable(WEEKS[20]) == 10
    assert sum(window.card("pool", IXORA).reserved.values()) <= 30
    assert lacking(window, line(both[1], IXORA, "C2", due=WEEKS[20]))[0]["promisable"] == 10


def test_two_sizes_in_one_basket_draw_on_one_pool(window: Ledger) -> None:
    """The second line sees the plugs that the first one took."""
    with_plugs(window, 30)
    _, grants = promise(
        window, line(60, due=WEEKS[20]), line(60, IXORA, "C2", due=WEEKS[20], allow_part=True), all_or_none=False
    )
    assert [(grant.units, grant.potting is not None) for grant in grants] == [(60, True), (10 + grants[1].units - 10, True)]
    assert sum(grant.potting.plugs for grant in grants if grant.potting) <= 30


def test_plugs_that_are_gone_are_not_potted(window: Ledger) -> None:
    """Lost ones, one by one; of a stopped batch all. What is reserved stays reserved, and nothing more is promised of it."""
    batch = with_plugs(window, 30)
    before = window.offer().potted(TUESDAY)
    window.tell("lost", batch=batch, stage="rooted", place="H1", units=6, cause="rot")
    assert window.offer().plugs.free(TUESDAY) == 24
    assert window.offer().potted(TUESDAY) < before
    promise(window, line(50, due=WEEKS[20]))
    reserved = window.card("pool", IXORA).reserved
    window.tell("stopped", batch=batch, reason="quality")
    assert window.card("pool", IXORA).reserved == reserved
    assert (window.offer().plugs.free(TUESDAY), window.offer().potted(TUESDAY)) == (0, 0)


def test_a_pot_of_two_plugs_takes_two(window: Ledger) -> None:
    """The recipe says how many go into one."""
    window.tell(
        "recipe-set", crop=IXORA, rooting=_timing(), growing={"P9": _timing()}, holding_limit_days=[60] * 12,
        plugs_per_pot={"P9": 2},
    )  # fmt: skip
    with_plugs(window, 30)
    _, (grant,) = promise(window, line(45, due=WEEKS[20]))
    assert grant.potting is not None
    assert grant.potting.plugs == 2 * grant.potting.pots


def _timing() -> Fact:
    return {"days": [60] * 12, "come_through": [90] * 12}


def test_the_crew_s_pots_close_the_ask_and_taken_back_open_it_again(window: Ledger) -> None:
    """Plugs that are potted are reserved no longer; nobody else gets more or fewer by it."""
    batch = with_plugs(window)
    _, (grant,) = promise(window, line(50, due=WEEKS[20]))
    assert grant.potting is not None
    before = free(window, WEEKS[20])
    potted = window.tell(
        "potted", batch=batch, place="H1", size="P9", plugs=grant.potting.pots, pots=grant.potting.pots, per_pot=1,
        casualties=0, to="G2",
    )  # fmt: skip
    assert window.card("pool", IXORA).reserved == {}
    assert window.card("shelf", f"{IXORA}/P9").asked[TUESDAY.isoformat()].potted == grant.potting.pots
    assert free(window, WEEKS[20]) == before
    window.tell("reversed", entry=str(potted.told.id), reason="told by mistake")
    assert window.card("pool", IXORA).reserved == {f"{TUESDAY}/P9": grant.potting.pots}


def test_a_promise_given_back_gives_its_plugs_back_unless_they_are_potted(window: Ledger) -> None:
    """8 of the pots are potted: those stay asked for, the others are not wanted any more."""
    batch = with_plugs(window)
    promised, _ = promise(window, line(50, due=WEEKS[20]))
    before = free(window, WEEKS[20])
    window.tell("potted", batch=batch, place="H1", size="P9", plugs=8, pots=8, per_pot=1, casualties=0, to="G2")
    window.tell("promise-released", promise=promised, reason="not wanted")
    assert window.card("pool", IXORA).reserved == {}
    ask = window.card("shelf", f"{IXORA}/P9").asked[TUESDAY.isoformat()]
    assert (ask.pots, ask.potted, ask.lines) == (8, 8, {})
    assert free(window, WEEKS[20])[0] > before[0]


def test_a_promise_moved_to_an_earlier_day_that_has_its_plants_rests_on_no_potting(window: Ledger) -> None:
    """It was given plants of the size's own for that day: they are owed, and its plugs are free again."""
    with_plugs(window)
    promised, _ = promise(window, line(50, due=WEEKS[20]))
    window.opened("finished", 30, "G2", "P9")
    window.tell("promise-moved", promise=promised, line=0, due=TODAY.isoformat())
    assert own_line(window, promised).pooled == 0
    assert window.card("pool", IXORA).reserved == {}
    assert free(window, TODAY) == [20]
    assert lacking(window, line(21))[0]["promisable"] == 20


def test_a_promise_moved_to_an_earlier_day_may_be_met_from_the_pool_as_a_new_one_would(window: Ledger) -> None:
    """Half of what it was given is lost: what its size lacks on the new day is asked to be potted, and the entry says so."""
    with_plugs(window)
    promised, _ = promise(window, line(30, due=WEEKS[20]))
    promise(window, line(10, due=WEEKS[10]), order="A-2")
    window.tell("lost", batch=finished(window), stage="finished", place="G1", units=20, cause="rot")
    problem = window.refusal("promise-moved", promise=promised, line=0, due=WEEKS[2].isoformat())
    assert (problem.code, problem.field, problem.data) == ("not-promisable", "due", {"promisable": 10, "asked": 30})
    (grant,) = window.tell("promise-moved", promise=promised, line=0, due=WEEKS[15].isoformat()).grants
    assert grant.potting is not None
    assert (grant.units, grant.due, grant.potting.on, grant.potting.units) == (30, WEEKS[15], TUESDAY, 20)
    moved = own_line(window, promised)
    assert (moved.due, moved.open, moved.pooled, moved.potting_on) == (WEEKS[15], 30, 20, TUESDAY)
    assert (moved.basis, moved.confidence) == ("plugs", 90)
    assert window.card("pool", IXORA).reserved == {f"{TUESDAY}/P9": grant.potting.plugs}
    issued: Any = window.tell("potting-issued", day=TUESDAY.isoformat()).told
    assert [listed.pots for listed in issued.lines] == [grant.potting.pots]


def test_a_promise_moved_to_a_later_day_keeps_its_potting(window: Ledger) -> None:
    """And nobody gets a plant more or fewer on the days after it."""
    with_plugs(window)
    promised, (grant,) = promise(window, line(50, due=WEEKS[20]))
    before = free(window, WEEKS[30])
    window.tell("promise-moved", promise=promised, line=0, due=WEEKS[25].isoformat())
    assert grant.potting is not None
    assert (own_line(window, promised).pooled, free(window, WEEKS[30])) == (10, before)
    assert window.card("pool", IXORA).reserved == {f"{TUESDAY}/P9": grant.potting.pots}


def test_a_forecast_that_knows_the_ask_takes_it_over_from_the_memory(window: Ledger) -> None:
    """What was granted from the pool is then owed by the size's own supply, which has the pots."""
    batch = with_plugs(window)
    _, (grant,) = promise(window, line(50, due=WEEKS[20]))
    assert grant.potting is not None
    before = free(window, WEEKS[1], WEEKS[20])
    relied = {finished(window): 40, f"asked/{TUESDAY}": grant.potting.pots}
    publish(window, foretold.size([(0, 40), (9, 50)], relied), pool=foretold.pool(60, {batch: 60}))
    assert window.card("shelf", f"{IXORA}/P9").pooled == {}
    assert free(window, WEEKS[1], WEEKS[20]) == before


@pytest.mark.parametrize("told", [True, False], ids=["told expired", "not told yet"])
def test_a_hold_from_the_pool_that_is_confirmed_late_asks_for_potting_again(window: Ledger, told: bool) -> None:
    """The list of its day is closed by then: it asks for the next day, and its old plugs are free."""
    with_plugs(window)
    promised, _ = promise(window, line(50, due=WEEKS[20]), hold_minutes=10)
    window.teller.now += timedelta(minutes=11)
    if told:
        window.tell("promise-expired", promise=promised, by="tallybench")
        assert window.card("pool", IXORA).reserved == {}
    window.tell("potting-issued", day=TUESDAY.isoformat())
    before = free(window, WEEKS[20])[0]
    (grant,) = window.tell("promise-confirmed", promise=promised).grants
    assert grant.potting is not None
    assert (grant.units, grant.potting.on, grant.potting.units) == (50, TUESDAY + timedelta(weeks=1), 10)
    assert (own_line(window, promised).pooled, own_line(window, promised).potting_on) == (10, grant.potting.on)
    assert window.card("pool", IXORA).reserved == {f"{grant.potting.on}/P9": grant.potting.plugs}
    assert window.offer().own.free(WEEKS[20]) == 0
    assert free(window, WEEKS[20])[0] <= before


# --- the potting list -----------------------------------------------------------------------------------------------------


def test_the_list_takes_first_what_has_used_up_most_of_its_holding_limit(window: Ledger) -> None:
    """Of two batches the one that waited longer, then the other; stopped ones never."""
    old, stopped = window.opened("rooted", 6, "H1"), window.opened("rooted", 50, "H1")
    window.tell("stopped", batch=stopped, reason="quality")
    window.teller.now += timedelta(minutes=300)
    young = window.opened("rooted", 30, "H2")
    relied = {old: 6, young: 30}
    publish(window, foretold.size([(0, 40)], {finished(window): 40}), pool=foretold.pool(36, relied))
    _, (grant,) = promise(window, line(50, due=WEEKS[20]))
    assert grant.potting is not None
    issued: Any = window.tell("potting-issued", day=TUESDAY.isoformat()).told
    (listed,) = issued.lines
    pots = grant.potting.pots
    assert (listed.crop, listed.size, listed.pots, listed.plugs) == (IXORA, "P9", pots, pots)
    assert [(take.batch, take.plugs) for take in listed.take] == [(old, 6), (young, pots - 6)]


def test_after_a_list_is_issued_promises_ask_for_the_next_potting_day(window: Ledger) -> None:
    """The crew's list does not change under its hands; and a list is issued once, in the order of days."""
    with_plugs(window)
    promise(window, line(45, due=WEEKS[20]))
    assert window.refusal("potting-issued", day=(TUESDAY + timedelta(weeks=1)).isoformat()).code == "not-open"
    window.tell("potting-issued", day=TUESDAY.isoformat())
    _, (grant,) = promise(window, line(4, due=WEEKS[20]), order="A-2")
    assert grant.potting is not None
    assert grant.potting.on == TUESDAY + timedelta(weeks=1)
    assert window.refusal("potting-issued", day=TUESDAY.isoformat()).code == "not-open"


def test_a_day_whose_asks_were_all_given_back_holds_up_no_list(window: Ledger) -> None:
    """Nobody wants anything potted on it any more."""
    with_plugs(window)
    promised, _ = promise(window, line(45, due=WEEKS[20]))
    window.tell("promise-released", promise=promised, reason="not wanted")
    issued: Any = window.tell("potting-issued", day=(TUESDAY + timedelta(weeks=1)).isoformat()).told
    assert issued.lines == []


def _potted(window: Ledger, batch: str, pots: int, **more: Any) -> Fact:
    """Plugs put into as many pots of nine centimetres, as it is told."""
    what = {"batch": batch, "place": "H1", "size": "P9", "plugs": pots, "pots": pots, "per_pot": 1, "casualties": 0, "to": "G2"}
    return window.teller.fact("potted", **what, **more)


def _answer(window: Ledger, potted: int, **more: Any) -> Fact:
    """The crew's answer to Tuesday's line, as it is told."""
    return window.teller.fact("potting-answered", day=TUESDAY.isoformat(), crop=IXORA, size="P9", potted=potted, **more)


def _listed(window: Ledger, units: int = 50) -> tuple[str, int]:
    """A promise that asks for potting on Tuesday, whose list is issued: the batch of plugs, and the pots that it asks for."""
    batch = with_plugs(window)
    promise(window, line(units, due=WEEKS[20]))
    window.tell("potting-issued", day=TUESDAY.isoformat())
    return batch, window.card("potting", TUESDAY.isoformat()).lines[f"{IXORA}/P9"].line.pots


def _ask(window: Ledger) -> Any:
    return window.card("shelf", f"{IXORA}/P9").asked[TUESDAY.isoformat()]


@pytest.mark.parametrize("known", [False, True])
def test_an_answer_short_comes_back_to_the_lines_and_lowers_supply_by_exactly_that(window: Ledger, known: bool) -> None:
    """Whether a forecast knew of the ask or not. The reason is asked for; the line granted last is short first."""
    batch = with_plugs(window)
    first, _ = promise(window, line(45, due=WEEKS[20]))
    last, _ = promise(window, line(6, due=WEEKS[20]), order="A-2")
    pots = _ask(window).pots
    if known:
        relied = {finished(window): 40, f"asked/{TUESDAY}": pots}
        publish(window, foretold.size([(0, 40), (9, 60)], relied), pool=foretold.pool(60, {batch: 60}))
    window.tell("potting-issued", day=TUESDAY.isoformat())
    problem = window.refusal("potting-answered", day=TUESDAY.isoformat(), crop=IXORA, size="P9", potted=pots - 4)
    assert (problem.code, problem.field) == ("contradiction", "because")
    window.opened("finished", 20, "G2", "P9")
    before = window.offer().own.free(WEEKS[25])
    window.post([_potted(window, batch, pots - 4), _answer(window, pots - 4, because="no-pots")])
    assert window.offer().own.free(WEEKS[25]) == before - 4
    answers = [own_line(window, name).answer for name in (first, last)]
    assert [(answer.asked, answer.potted, answer.because.value) for answer in answers] == [(pots, pots - 4, "no-pots")] * 2
    assert [own_line(window, name).pooled for name in (first, last)] == [5, 2]
    assert window.refusal("potting-answered", day=TUESDAY.isoformat(), crop=IXORA, size="P9", potted=1).code == "not-open"


def test_an_answer_of_more_than_was_told_as_potted_is_refused_until_it_is_told(window: Ledger) -> None:
    """Lines of promises rest on the answer: pots that nobody wrote down are no plants. In one call both stand."""
    batch, pots = _listed(window)
    window.post([_potted(window, batch, 3, listed=TUESDAY.isoformat())])
    with pytest.raises(Refused) as refused:
        window.post([_answer(window, pots)])
    (problem,) = refused.value.problems
    assert (problem.code, problem.field, problem.data) == ("contradiction", "potted", {"potted": 3})
    assert f"{pots} are said to be potted and 3 are told as potted" in problem.detail
    window.post([_potted(window, batch, pots - 3, listed=TUESDAY.isoformat()), _answer(window, pots)])
    assert (_ask(window).pots, _ask(window).potted) == (pots, pots)


def test_an_answer_of_less_than_was_told_as_potted_is_refused(window: Ledger) -> None:
    """What was potted is not short. The entry that is wrong is reversed, or the answer is another; the fact itself stands."""
    batch, pots = _listed(window)
    (told,) = window.post([_potted(window, batch, 5)])
    with pytest.raises(Refused) as refused:
        window.post([_answer(window, 3, because="no-time")])
    assert "answer 5, or reverse" in refused.value.problems[0].detail
    window.tell("reversed", entry=str(told.told.id), reason="were three")
    window.post([_potted(window, batch, 3), _answer(window, 3, because="no-time")])
    assert _ask(window).pots == 3 < pots


def test_more_may_be_potted_and_answered_than_was_asked(window: Ledger) -> None:
    """A fact is not refused; nobody rests on what is beyond the ask."""
    batch, pots = _listed(window)
    window.post([_potted(window, batch, pots + 6), _answer(window, pots + 6)])
    assert (_ask(window).pots, _ask(window).potted) == (pots, pots)


def test_what_was_potted_before_the_list_was_issued_is_no_part_of_its_answer(window: Ledger) -> None:
    """The list asks for the rest, and the crew answers for that: nothing is short."""
    batch = with_plugs(window)
    promised, _ = promise(window, line(50, due=WEEKS[20]))
    asked = _ask(window).pots
    window.post([_potted(window, batch, 4)])
    window.tell("potting-issued", day=TUESDAY.isoformat())
    listed = window.card("potting", TUESDAY.isoformat()).lines[f"{IXORA}/P9"]
    assert (listed.line.pots, listed.before) == (asked - 4, 4)
    window.post([_potted(window, batch, asked - 4), _answer(window, asked - 4)])
    assert (_ask(window).pots, own_line(window, promised).pooled) == (asked, 10)
    assert (own_line(window, promised).answer.asked, own_line(window, promised).answer.potted) == (asked - 4, asked - 4)


def test_pots_for_a_list_close_that_list_s_ask_and_no_other(window: Ledger) -> None:
    """Without a list they count for the earliest day; a list that never was is unknown, and so is a line that it has not."""
    batch, pots = _listed(window)
    _, (grant,) = promise(window, line(4, due=WEEKS[20]), order="A-2")
    assert grant.potting is not None
    later = grant.potting.on
    window.post([_potted(window, batch, pots + 1, listed=TUESDAY.isoformat()), _answer(window, pots)])
    window.post([_potted(window, batch, 1, listed=TUESDAY.isoformat())])
    assert window.card("shelf", f"{IXORA}/P9").asked[later.isoformat()].open == grant.potting.pots
    window.post([_potted(window, batch, 1)])
    assert window.card("shelf", f"{IXORA}/P9").asked[later.isoformat()].open == grant.potting.pots - 1
    for wrong in ({"listed": later.isoformat()}, {"listed": TUESDAY.isoformat(), "size": "C2"}):
        with pytest.raises(Refused) as refused:
            window.post([{**_potted(window, batch, 1), **wrong}])
        assert (refused.value.problems[0].code, refused.value.problems[0].field) == ("unknown-code", "listed")


def test_of_pots_taken_back_after_the_answer_nobody_gets_any(window: Ledger) -> None:
    """They were told by mistake, and answered by mistake: supply falls by them at once."""
    batch, pots = _listed(window)
    window.opened("finished", 20, "G2", "P9")
    potted, _ = window.post([_potted(window, batch, pots), _answer(window, pots)])
    publish(window, foretold.size([(0, 60), (9, 80)], {finished(window): 40, f"asked/{TUESDAY}": pots}))
    before = window.offer().own.supplied(WEEKS[20])
    window.tell("reversed", entry=str(potted.told.id), reason="told by mistake")
    assert window.offer().own.supplied(WEEKS[20]) == before - pots
    assert _ask(window).pots == 0


# --- part, later, substitution ------------------------------------------------------------------------------------------


def test_all_of_it_later_before_a_part_of_it_now(window: Ledger) -> None:
    """Where both are welcome; where neither is, the refusal names the day."""
    publish(window, foretold.size([(0, 40), (5, 90)]))
    _, (later,) = promise(window, line(60, due=WEEKS[1], allow_later=True, allow_part=True))
    assert (later.units, later.due) == (60, WEEKS[5])
    assert lacking(window, line(31, due=WEEKS[1]))[0]["ready_by"] is None
    assert lacking(window, line(31, due=WEEKS[1]))[0]["promisable"] == 30
    _, (part,) = promise(window, line(99, due=WEEKS[1], allow_later=True, allow_part=True), order="A-2")
    assert (part.units, part.due) == (30, WEEKS[1])


def test_a_substitution_gives_back_and_grants_or_does_neither(window: Ledger) -> None:
    """Its own plants count as free for it; refused, the line is as it was."""
    promised, _ = promise(window, line(40))
    wanted = line(11, HOYA, due=WEEKS[1])
    window.refusal("promise-substituted", promise=promised, line=0, wanted=line(21, HOYA))
    assert (own_line(window, promised).open, window.offer().now) == (40, 0)
    window.tell("promise-substituted", promise=promised, line=0, wanted=wanted)
    assert [own_line(window, promised, index).open for index in (0, 1)] == [0, 11]
    assert (window.offer().now, window.offer(HOYA).now) == (40, 9)
    window.tell("promise-substituted", promise=promised, line=1, wanted=line(20, HOYA))
    assert [own_line(window, promised, index).open for index in (0, 1, 2)] == [0, 0, 20]


def test_a_substitution_of_a_hold_is_no_way_around_the_cap(window: Ledger) -> None:
    """One plant held may not become forty; a confirmed one may."""
    window.tell("policy-set", **PLAIN | {"most_held_units": 12})
    promised, _ = promise(window, line(1))
    problem = window.refusal("promise-substituted", promise=promised, line=0, wanted=line(13))
    assert (problem.code, problem.data) == ("holds-too-much", {"held": 13, "most": 12})
    window.tell("promise-substituted", promise=promised, line=0, wanted=line(12))
    window.tell("promise-confirmed", promise=promised)
    window.tell("promise-substituted", promise=promised, line=1, wanted=line(40))


def test_a_key_holds_at_most_a_share_of_a_crop_and_size(window: Ledger) -> None:
    """Half of 40, but what is always allowed is; by crop and size, also over several baskets and lines."""
    window.tell("policy-set", buffer_z_per_mille=0, always_held_units=5)
    promise(window, line(15), line(20, HOYA, allow_part=True) | {"units": 5})
    problem = window.refusal("promised", order="A-2", lines=[line(3), line(3)])
    assert (problem.code, problem.data) == ("holds-too-much", {"held": 21, "most": 20})
    promise(window, line(5), order="A-2")
    assert promise(window, line(5, IXORA, "C2"), order="A-3")[1][0].units == 5
    assert window.refusal("promised", order="A-4", lines=[line(1, IXORA, "C2")]).code == "holds-too-much"


# --- where it goes ------------------------------------------------------------------------------------------------------


def _rule(verdict: str, **more: Any) -> Fact:
    return {
        "verdict": verdict,
        "because": "by its own list",
        "source": "the nursery's list",
        "checked_on": "2026-09-01",
        **more,
    }


@pytest.mark.parametrize(
    ("rule", "refused"),
    [
        (_rule("refused"), {IXORA, HOYA}),
        (_rule("refused", crop=IXORA), {IXORA}),
        (_rule("refused", species="Hoya carnosa"), {HOYA}),
        (_rule("refused", months=[9]), {IXORA, HOYA}),
        (_rule("refused", months=[12, 1, 2]), set[str]()),
    ],
)
def test_a_region_refuses_by_crop_species_and_season(window: Ledger, rule: Fact, refused: set[str]) -> None:
    """A refused line is declined with the reason, and takes no plants; other regions do not care."""
    window.tell("destination-set", region="region-3", name="Region 3", rules=[rule])
    for crop in (IXORA, HOYA):
        if crop in refused:
            problem = window.refusal("promised", order="A-1", lines=[line(1, crop)], region="region-3")
            assert (problem.code, problem.data["lines"][0]["because"]) == ("not-sent-there", "by its own list")
        else:
            promise(window, line(1, crop), region="region-3")
        promise(window, line(1, crop), region="region-4")


def test_papers_travel_with_the_grant(window: Ledger) -> None:
    """Every paper that a rule of the region asks for."""
    rules = [_rule("needs-papers", papers="a certificate"), _rule("needs-papers", papers="a passport", crop=HOYA)]
    window.tell("destination-set", region="region-5", name="Region 5", rules=rules)
    _, grants = promise(window, line(1), line(1, HOYA), region="region-5")
    assert [grant.papers for grant in grants] == [("a certificate",), ("a certificate", "a passport")]


@pytest.mark.parametrize("due", [TODAY + timedelta(days=3), TODAY + timedelta(days=30)], ids=["earlier", "later"])
def test_where_a_line_goes_is_looked_at_again_when_it_is_moved(window: Ledger, due: date) -> None:
    """A rule may have changed, or be of another season: other papers, or not at all. Refused, the line is as it was."""
    promised, _ = promise(window, line(5, due=WEEKS[1]), region="region-3")
    assert own_line(window, promised).papers == ()
    rules = [_rule("needs-papers", papers="a certificate")]
    window.tell("destination-set", region="region-3", name="Region 3", rules=rules)
    (grant,) = window.tell("promise-moved", promise=promised, line=0, due=due.isoformat()).grants
    assert (grant.papers, own_line(window, promised).papers) == (("a certificate",), ("a certificate",))
    window.tell("destination-set", region="region-3", name="Region 3", rules=[_rule("refused", crop=IXORA)])
    problem = window.refusal("promise-moved", promise=promised, line=0, due=WEEKS[1].isoformat())
    assert (problem.code, problem.field, problem.data["lines"][0]["because"]) == ("not-sent-there", "due", "by its own list")
    assert own_line(window, promised).due == due


# --- what the ledger notices ----------------------------------------------------------------------------------------------


def test_a_line_is_at_risk_with_cause_and_offer_until_it_is_safe(window: Ledger) -> None:
    """Told twice alike is refused, and so is a line that is safe already."""
    promised, _ = promise(window, line(10, due=WEEKS[2]))
    about = {"promise": promised, "line": 0, "by": "tallybench"}
    loss = window.tell("lost", batch=finished(window), stage="finished", place="G1", units=33, cause="rot").told.id
    assert window.refusal("promise-safe", chance=95, **about).code == "not-open"
    told = {**about, "chance": 10, "short": 3, "because": [str(loss)], "offered": WEEKS[6].isoformat()}
    window.tell("promise-at-risk", **told)
    risk = own_line(window, promised).risk
    assert (risk.chance, risk.short, risk.because, risk.offered) == (10, 3, (loss,), WEEKS[6])
    assert window.refusal("promise-at-risk", **told).code == "not-open"
    window.tell("promise-at-risk", **told | {"short": 4})
    window.tell("promise-safe", chance=95, **about)
    assert own_line(window, promised).risk is None


def test_a_line_moved_while_at_risk_was_not_kept(window: Ledger) -> None:
    """As far as it was short; moved without need it still can be."""
    promised, _ = promise(window, line(10, due=WEEKS[2]))
    about = {"promise": promised, "line": 0}
    window.tell("promise-at-risk", **about, by="tallybench", chance=10, short=3)
    window.tell("promise-moved", **about, due=WEEKS[6].isoformat())
    found = own_line(window, promised)
    assert (found.missed, found.checked, found.risk) == (3, True, None)
    other, _ = promise(window, line(10, due=WEEKS[2]), order="A-2")
    window.tell("promise-moved", promise=other, line=0, due=WEEKS[6].isoformat())
    assert (own_line(window, other).missed, own_line(window, other).checked) == (0, False)


def test_what_was_there_on_the_day_is_kept_and_the_rest_missed(window: Ledger) -> None:
    """To those granted first; after what was overdue already. Picked in time counts as kept. Checked once."""
    ids = [promise(window, line(15, due=WEEKS[1]), order=f"A-{number}")[0] for number in range(2)]
    for name in ids:
        window.tell("promise-confirmed", promise=name)
    overdue, _ = promise(window, line(5, due=TUESDAY), order="A-3")
    window.tell("promise-confirmed", promise=overdue)
    batch = finished(window)
    window.tell("picked", order="A-0", batch=batch, place="G1", units=4, to="K1")
    window.tell("lost", batch=batch, stage="finished", place="G1", units=16, cause="rot")
    told = {"crop": IXORA, "size": "P9", "by": "tallybench", "day": WEEKS[1].isoformat()}
    lines = [{"promise": name, "line": 0} for name in reversed(ids)]
    assert window.refusal("due-checked", lines=lines, **told).code == "in-the-future"
    window.teller.now += timedelta(weeks=1)
    window.tell("due-checked", lines=lines, **told)
    found = [own_line(window, name) for name in ids]
    assert [(one.kept, one.missed, one.checked) for one in found] == [(15, 0, True), (4, 11, True)]
    assert window.refusal("due-checked", lines=lines, **told).code == "not-open"


# --- whatever happens -----------------------------------------------------------------------------------------------------

weeks = st.integers(0, 12)
steps = st.one_of(
    st.tuples(st.just("ask"), st.integers(1, 25), weeks, st.booleans(), st.sampled_from(["P9", "C2"])),
    st.tuples(st.just("lose"), st.integers(1, 12)),
    st.tuples(st.just("plugs"), st.integers(1, 10)),
    st.tuples(st.just("forecast"), st.lists(st.integers(0, 30), min_size=3, max_size=3)),
    st.tuples(st.just("release"), st.integers(0, 9)),
    st.tuples(st.just("move"), st.integers(0, 9), weeks),
    st.tuples(st.just("pot"), st.integers(1, 12)),
)


def stocked() -> Ledger:
    """The window once more, for examples that each need one of their own; with plugs."""
    ledger = Ledger()
    ledger.post(ledger.teller.beginnings())
    ledger.tell("policy-set", **PLAIN)
    ledger.opened("finished", 40, "G1", "P9")
    ledger.opened("finished", 10, "G1", "C2")
    ledger.opened("rooted", 60, "H1")
    return ledger


class Play:
    """Steps played on a window, which looks after each grant at what must hold."""

    def __init__(self) -> None:
        self.window = stocked()
        self.promises: list[str] = []
        self.plugs = next(n for kind, n in self.window.cards if kind == "batch" and self.window.card("batch", n).size is None)

    def step(self, what: str, *how: Any) -> None:
        getattr(self, what)(*how)
        pool = self.window.card("pool", IXORA)
        offer = self.window.offer()
        assert offer.now >= 0
        assert all(units > 0 for size in ("P9", "C2") for units in self.window.offer(size=size).due().values())
        held = {f"{day}/{size}": ask.reserved for size in ("P9", "C2") for day, ask in self._shelf(size).asked.items()}
        assert pool.reserved == {name: plugs for name, plugs in held.items() if plugs}

    def ask(self, units: int, week: int, part: bool, size: str) -> None:
        offer, due = self.window.offer(size=size), WEEKS[week]
        whole = offer.promisable(due)
        asked = line(units, IXORA, size, due=due, allow_part=part)
        if whole < units and not (part and whole):
            assert lacking(self.window, asked)[0]["promisable"] == whole
            return
        before = (offer.supply(), offer.stale)
        promised, (grant,) = promise(self.window, asked, order=f"A-{len(self.promises)}")
        self.promises.append(promised)
        assert grant.units == min(units, whole)
        after = self.window.offer(size=size)
        assert (after.supply(), after.stale) == before, "a grant changes no supply"
        own = after.own
        for day in after.due():
            if day >= due:
                assert own.taken(day) <= own.supplied(day) or after.stale, f"{day}: more owed than will be there"
        if grant.potting is not None:
            plugs = after.plugs
            for day, _ in after.potting:
                assert plugs.taken(day) <= plugs.supplied(day), f"{day}: plugs promised twice"

    def lose(self, units: int) -> None:
        self._try("lost", batch=finished(self.window), stage="finished", place="G1", units=units, cause="rot")

    def plugs_lost(self, units: int) -> None:
        self._try("lost", batch=self.plugs, stage="rooted", place="H1", units=units, cause="rot")

    def forecast(self, more: list[int]) -> None:
        sizes = {}
        for size, weeks_off in (("P9", 2), ("C2", 4)):
            there = self._shelf(size)
            relied = {name: kept.counted_on for name, kept in there.lines.items()}
            relied |= {f"asked/{day}": ask.pots for day, ask in there.asked.items()}
            stands = sum(kept.units for kept in there.lines.values())
            growing, asked = more[0], sum(ask.units for ask in there.asked.values())
            steps = [(0, stands), (weeks_off, stands + growing), (9, stands + growing + more[1] + asked)]
            sizes[size] = foretold.size(steps, relied)
        lines = self.window.card("pool", IXORA).lines
        pool = foretold.pool(
            sum(kept.plugs for kept in lines.values()), {name: kept.counted_on for name, kept in lines.items()}
        )
        publish(self.window, sizes["P9"], sizes["C2"], pool)

    def release(self, which: int) -> None:
        if self.promises:
            self._try("promise-released", promise=self.promises[which % len(self.promises)], reason="not wanted")

    def move(self, which: int, week: int) -> None:
        if self.promises:
            self._try("promise-moved", promise=self.promises[which % len(self.promises)], line=0, due=WEEKS[week].isoformat())

    def pot(self, pots: int) -> None:
        told = {"size": "P9", "plugs": pots, "pots": pots, "per_pot": 1, "casualties": 0, "to": "G2"}
        self._try("potted", batch=self.plugs, place="H1", **told)

    def _shelf(self, size: str) -> Any:
        return self.window.card("shelf", f"{IXORA}/{size}")

    def _try(self, kind: str, **fields: Any) -> None:
        """Told if it is possible."""
        before = self.window.cards
        try:
            self.window.tell(kind, **fields)
        except Refused:
            assert self.window.cards == before


@settings(max_examples=120, deadline=None)
@given(st.lists(steps, min_size=4, max_size=18))
def test_whatever_happens_no_grant_is_above_the_rule_and_no_plug_is_reserved_twice(told: list[tuple[Any, ...]]) -> None:
    """Grants, losses, forecasts, potting, moves and releases in any order; a refusal leaves no trace.

    At every grant: what is owed by each day from its own on is no more than will be there by the rule, and the plugs
    reserved are no more than the pool has; a basket is refused only where the rule has less.
    """
    play = Play()
    for what, *how in told:
        play.step("plugs_lost" if what == "plugs" else what, *how)
    again = Ledger()
    for recorded in play.window.log:
        again.follow(recorded)
    assert again.cards == play.window.cards


@settings(max_examples=60, deadline=None)
@given(st.lists(steps, min_size=2, max_size=10), st.integers(1, 60))
def test_the_first_day_named_is_the_first_day(told: list[tuple[Any, ...]], units: int) -> None:
    """`ready_by` looks at a few days only; looked at day by day it is the same."""
    play = Play()
    play.forecast([12, 8, 4])
    for what, *how in told:
        play.step("plugs_lost" if what == "plugs" else what, *how)
    offer = play.window.offer()
    days = [TODAY + timedelta(days=day) for day in range(7 * 40)]
    step = offer.ready_by(units)
    slowly = next((day for day in days if offer.promisable(day) >= units), None)
    assert (step.on if step is not None and step.on <= days[-1] else None) == slowly
    curve = offer.curve()
    assert all(one.on < other.on for one, other in pairwise(curve))
