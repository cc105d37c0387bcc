"""The look-ahead rule by itself: the worked figures that it must reproduce, and what holds for any supply and commitments."""

from __future__ import annotations

from datetime import date, timedelta
from itertools import pairwise

from hypothesis import given
from hypothesis import strategies as st

from ledger.plants.offer import Balance

TODAY = date(2026, 9, 14)
WEEKS = [TODAY + timedelta(weeks=week) for week in range(9)]  # by their number; 0 is before the first

Supply = list[tuple[date, int]]
Due = list[tuple[date, int]]

#: days in two weeks from today on, few enough to meet
days = st.integers(0, 13).map(lambda day: TODAY + timedelta(days=day))
orders = st.lists(st.tuples(days, st.integers(1, 30)), max_size=12)


@st.composite
def supplies(draw: st.DrawFn) -> Supply:
    """Cumulative supply that begins today and never falls."""
    steps, total = [(TODAY, draw(st.integers(0, 60)))], 0
    for day in sorted(draw(st.sets(days, max_size=5)) - {TODAY}):
        total += draw(st.integers(0, 40))
        steps.append((day, steps[0][1] + total))
    return steps


def promisable(supply: Supply, due: Due, on: date) -> int:
    """The rule on plain lists, what was due before today with today's."""
    units: dict[date, int] = {}
    for day, wanted in due:
        units[max(day, TODAY)] = units.get(max(day, TODAY), 0) + wanted
    return Balance(supply, units).free(on)


def net(supply: Supply, due: Due, day: date) -> int:
    """What is over on a day if all that is due by then was taken: the plain sum, which may fall below 0."""
    return max((total for step, total in supply if step <= day), default=0) - sum(units for by, units in due if by <= day)


# --- worked figures ------------------------------------------------------------------------------------------------


def test_the_worked_six_weeks() -> None:
    """60 on hand, 36 in week 3 and 54 in week 6: today's buyer cannot have the plants that are promised for week 5.

    Own figures of this project's design; the net line is plain arithmetic.
    """
    supply = [(WEEKS[1], 60), (WEEKS[3], 96), (WEEKS[6], 150)]
    due = list(zip(WEEKS[1:7], [10, 22, 15, 8, 20, 12], strict=True))
    assert [net(supply, due, week) for week in WEEKS[1:7]] == [50, 28, 49, 41, 21, 63]
    assert [promisable(supply, due, week) for week in WEEKS[1:7]] == [21, 21, 21, 21, 21, 63]


def test_borrow_back() -> None:
    """A later order takes from what is on hand before it takes from nothing: never 10 . -5 . 20.

    After Vollmann, Berry, Whybark and Jacobs, Manufacturing Planning and Control (the idea; own figures).
    """
    supply = [(WEEKS[1], 10), (WEEKS[3], 30), (WEEKS[5], 50)]
    assert [promisable(supply, [(WEEKS[3], 25)], week) for week in WEEKS[1:6]] == [5, 5, 5, 5, 25]


def test_a_master_schedule() -> None:
    """64 on hand, lots of 70 in weeks 3, 5, 7 and 8, orders 33 20 10 4 2: the increments are the discrete ATP.

    Stevenson, Operations Management, the master scheduling example (weeks and the first figure seen there, the other
    figures computed): available to promise 11, 56, 68, 70, 70.
    """
    supply = [(WEEKS[1], 64), *((WEEKS[week], 64 + 70 * lot) for lot, week in enumerate((3, 5, 7, 8), start=1))]
    due = list(zip(WEEKS[1:6], [33, 20, 10, 4, 2], strict=True))
    found = [promisable(supply, due, WEEKS[week]) for week in (1, 3, 5, 7, 8)]
    assert [found[0], *(later - earlier for earlier, later in pairwise(found))] == [11, 56, 68, 70, 70]


def test_nothing_is_promisable_before_the_first_supply() -> None:
    """A day on which nothing stands yet."""
    assert promisable([(WEEKS[3], 20)], [], WEEKS[2]) == 0
    assert promisable([(WEEKS[3], 20)], [], WEEKS[3]) == 20
    assert promisable([], [], WEEKS[1]) == 0


def test_what_was_due_before_and_is_not_picked_yet_still_counts() -> None:
    """An overdue commitment is owed today."""
    assert promisable([(TODAY, 20)], [(TODAY - timedelta(days=9), 8)], TODAY) == 12


# --- properties ----------------------------------------------------------------------------------------------------


@given(supplies(), orders, days)
def test_it_is_the_least_that_is_over_on_any_later_day(supply: Supply, due: Due, on: date) -> None:
    """Looked at day by day, beyond the last step and the last commitment; and never below 0."""
    later = [on + timedelta(days=day) for day in range(30)]
    assert promisable(supply, due, on) == max(0, min(net(supply, due, day) for day in later))


@given(supplies(), orders, days, days, st.integers(1, 50))
def test_more_supply_never_lowers_it(supply: Supply, due: Due, on: date, since: date, more: int) -> None:
    """Plants that come at any time make no day worse."""
    at = net(supply, [], since)
    steps = {**dict(supply), since: at}
    richer = sorted((step, total + (more if step >= since else 0)) for step, total in steps.items())
    before, after = promisable(supply, due, on), promisable(richer, due, on)
    assert before <= after <= before + more


@given(supplies(), orders, days, days, st.integers(1, 50))
def test_a_commitment_lowers_it_by_at_most_its_units(supply: Supply, due: Due, on: date, by: date, units: int) -> None:
    """And never raises it."""
    before = promisable(supply, due, on)
    assert max(0, before - units) <= promisable(supply, [*due, (by, units)], on) <= before


@given(supplies(), orders)
def test_what_is_granted_by_the_rule_is_there_on_its_day(supply: Supply, asked: Due) -> None:
    """However baskets come, one after the other: no day is ever promised more than it has, without the floor of 0."""
    granted: Due = []
    for on, units in asked:
        granted.append((on, min(units, promisable(supply, granted, on))))
        assert min(net(supply, granted, TODAY + timedelta(days=day)) for day in range(30)) >= 0


@given(supplies(), orders, days, days)
def test_a_later_day_is_never_worse(supply: Supply, due: Due, one: date, other: date) -> None:
    """Who waits gets no less."""
    assert promisable(supply, due, min(one, other)) <= promisable(supply, due, max(one, other))


@given(supplies(), orders)
def test_the_order_of_commitments_does_not_matter(supply: Supply, due: Due) -> None:
    """It is a sum by days."""
    assert promisable(supply, due, TODAY) == promisable(supply, list(reversed(due)), TODAY)
