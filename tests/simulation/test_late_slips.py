"""A late slip never changes what was counted: the order in which facts arrive has no say in what they mean.

What is claimed: facts about one place that happened at different moments, and that are possible in the order in which
they happened, end in the same balance, the same difference at every count and the same losses in whatever order they
arrive. One may be refused for what has not arrived yet; told again later it is accepted. (Never all that wait: of those
not there yet the latest count or find can always be told; where only losses are missing, any of them.) Of two facts told
for the same moment the one told first counts as the earlier.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from itertools import permutations
from random import Random
from typing import NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from ledger.log import codec
from ledger.nursery import Nursery
from ledger.plants import numbers
from ledger.plants.book import Book, Missing
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Refused
from ledger.projections import cards
from tests.auditor import Fact, audit
from tests.simulation.conftest import FreshLedger
from tests.simulation.playing import History
from tests.telling import Teller

DAY = datetime(2024, 3, 5, tzinfo=UTC)


class Happening(NamedTuple):
    """Something that happened at the bench: `lost`, `counted`, `found` (carried there) or `taken` (carried off)."""

    hour: int
    kind: str
    units: int


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What has become of the plants of one batch at the bench; differences by the hour of the count."""

    balance: int
    differences: dict[int, int]
    lost: int


class Bench:
    """A nursery where batch after batch stands at G1, with plenty more of each at G2."""

    def __init__(self, nursery: Nursery) -> None:
        self.nursery = nursery
        self.teller = Teller(DAY - timedelta(days=1))
        self.serial = 0
        self.post(*self.teller.beginnings())

    def post(self, *facts: Fact) -> tuple[Recorded, ...]:
        """Post some entries as one list."""
        return self.nursery.post(codec.read_told(list(facts))).entries

    def new_batch(self, units: int) -> str:
        """A batch of which so many stand at G1 before the first hour."""
        batch, self.serial = numbers.next_number("24W10", self.serial)
        came = {"crop": "ixora-copper-thimble", "size": "P9", "units": 900, "supplier_batch": "7"}
        self.post(
            self.teller.fact("bought-in", batch=batch, stage="finished", place="G2", occurred_at=DAY, **came),
            self.fact(batch, Happening(0, "found", units)),
        )
        return batch

    def fact(self, batch: str, happening: Happening) -> Fact:
        """A happening as it is told."""
        told = {
            "batch": batch,
            "stage": "finished",
            "units": happening.units,
            "occurred_at": DAY + timedelta(hours=happening.hour),
        }
        match happening.kind:
            case "lost":
                return self.teller.fact("lost", place="G1", cause="rot", **told)
            case "counted":
                return self.teller.fact("counted", place="G1", method="count", **told)
            case "found":
                return self.teller.fact("moved", place="G2", to="G1", **told)
            case _:
                return self.teller.fact("moved", place="G1", to="G2", **told)

    def arrive(self, units: int, happenings: Sequence[Happening], *, together: bool = False) -> Outcome:
        """Tell these in this order, one by one or as one list; what is refused is told again after the others."""
        batch = self.new_batch(units)
        waiting = [self.fact(batch, happening) for happening in happenings]
        entries: list[Recorded] = []
        if together:
            entries += self.post(*waiting)
            waiting = []
        while waiting:
            refused = []
            for fact in waiting:
                try:
                    entries += self.post(fact)
                except Refused:
                    refused.append(fact)
            assert len(refused) < len(waiting), f"none of {refused} is accepted"
            waiting = refused
        return outcome(batch, units, entries)


def outcome(batch: str, units: int, entries: Sequence[Recorded]) -> Outcome:
    """What the recorded movements come to."""
    here = f"{batch}/finished/G1"
    hours = {entry.told.id: round((entry.told.occurred_at - DAY) / timedelta(hours=1)) for entry in entries}
    balance, lost = units, 0
    differences: Counter[int] = Counter()
    for move in (move for entry in entries for move in entry.moves if here in (move.source, move.target)):
        signed = move.units if move.target == here else -move.units
        balance += signed
        if move.count is not None:
            differences[hours[move.count]] += signed
        if "loss/rot" in (move.source, move.target):
            lost -= signed
    return Outcome(balance=balance, differences={hour: units for hour, units in differences.items() if units}, lost=lost)


@pytest.fixture
def bench(database: str) -> Iterator[Bench]:
    """A bench whose whole log is audited when the test is done."""
    with Nursery(database) as nursery:
        yield Bench(nursery)
    assert audit(History(conninfo=database).log())[1] == []


def test_a_slip_that_comes_after_the_count_moves_its_difference_to_the_true_cause(bench: Bench) -> None:
    """Book 40, three died at 9, a count at 10 sees 37, the slip comes at 11: 37 stay, and count-short becomes rot."""
    batch = bench.new_batch(40)
    counted = bench.post(bench.fact(batch, Happening(10, "counted", 37)))
    assert outcome(batch, 40, counted) == Outcome(balance=37, differences={10: -3}, lost=0)
    late = bench.post(bench.fact(batch, Happening(9, "lost", 3)))
    assert outcome(batch, 40, [*counted, *late]) == Outcome(balance=37, differences={}, lost=3)


@pytest.mark.parametrize("together", [False, True], ids=["one by one", "as one list"])
def test_the_worked_example_in_every_order(bench: Bench, *, together: bool) -> None:
    """Whether the slip or the count arrives first, alone or in one turn of the pen, the book is the same."""
    for order in permutations([Happening(9, "lost", 3), Happening(10, "counted", 37)]):
        assert bench.arrive(40, order, together=together) == Outcome(balance=37, differences={}, lost=3)


@pytest.mark.parametrize("together", [False, True], ids=["one by one", "as one list"])
def test_two_counts_with_slips_on_every_side_in_every_order(bench: Bench, *, together: bool) -> None:
    """All 120 orders of two counts and three slips before, between and after them end in the same book."""
    happenings = [Happening(9, "lost", 3), Happening(11, "lost", 2), Happening(13, "taken", 5)]
    happenings += [Happening(10, "counted", 36), Happening(12, "counted", 35)]
    expected = Outcome(balance=30, differences={10: -1, 12: 1}, lost=5)
    for order in permutations(happenings):
        assert bench.arrive(40, order, together=together) == expected


@pytest.mark.parametrize("together", [False, True], ids=["one by one", "as one list"])
def test_a_count_that_agrees_stands_as_well(bench: Bench, *, together: bool) -> None:
    """A count without a difference of its own takes that of a late slip, like any other count."""
    for order in permutations([Happening(9, "lost", 3), Happening(10, "counted", 40), Happening(11, "counted", 40)]):
        assert bench.arrive(40, order, together=together) == Outcome(balance=40, differences={10: 3}, lost=3)


def test_a_count_taken_back_leaves_the_slips_as_told(bench: Bench) -> None:
    """Whenever a wrong count is taken back, before or after the late slips arrive, only the slips remain."""
    for order in permutations(["slip before", "slip after", "count", "taken back"]):
        if order.index("taken back") < order.index("count"):
            continue
        batch = bench.new_batch(40)
        count = bench.fact(batch, Happening(10, "counted", 12))
        told = {
            "slip before": bench.fact(batch, Happening(9, "lost", 3)),
            "slip after": bench.fact(batch, Happening(11, "taken", 4)),
            "count": count,
            "taken back": bench.teller.fact("reversed", entry=count["id"], reason="another bench", occurred_at=DAY),
        }
        entries = [entry for step in order for entry in bench.post(told[step])]
        assert outcome(batch, 40, entries) == Outcome(balance=33, differences={}, lost=3)


def test_a_late_slip_reads_what_came_after_it_and_nothing_before(bench: Bench, monkeypatch: pytest.MonkeyPatch) -> None:
    """However much is known of a batch: a slip with three entries and a count after it is held against their four lines."""
    batch = bench.new_batch(500)
    bench.post(*(bench.fact(batch, Happening(1, "lost", 1)) for _ in range(200)))
    bench.post(*(bench.fact(batch, Happening(hour, "lost", 1)) for hour in (3, 4, 5)))
    bench.post(bench.fact(batch, Happening(6, "counted", 290)))
    read = lines_read(monkeypatch)
    bench.post(bench.fact(batch, Happening(2, "lost", 7)))
    assert read == [4]


def lines_read(patch: pytest.MonkeyPatch) -> list[int]:
    """How many lines decisions load, each time that they load some."""
    load, found = cards.load_missing, list[int]()

    def noted(cursor: cards.Cursor, book: Book, missing: Missing) -> None:
        load(cursor, book, missing)
        if missing.lines is not None:
            found.append(len(book.stored[missing.lines[0]][1]))

    patch.setattr(cards, "load_missing", noted)
    return found


def test_many_late_slips_in_one_turn_see_each_other(bench: Bench) -> None:
    """Slips, counts and a count taken back in one list of the pen, told from the last to the first, end in the same book."""
    batch = bench.new_batch(40)
    count = bench.fact(batch, Happening(10, "counted", 12))
    taken_back = bench.teller.fact("reversed", entry=count["id"], reason="another bench", occurred_at=DAY)
    later = [bench.fact(batch, Happening(12, "counted", 30)), bench.fact(batch, Happening(11, "lost", 2))]
    earlier = [bench.fact(batch, Happening(9, "lost", 3)), bench.fact(batch, Happening(8, "found", 5))]
    entries = bench.post(*later, count, *earlier, taken_back)
    assert outcome(batch, 40, entries) == Outcome(balance=30, differences={12: -10}, lost=5)


@st.composite
def feasible(draw: st.DrawFn) -> tuple[int, list[Happening]]:
    """A number to begin with, and happenings at different hours that never take more than stands there."""
    opening = draw(st.integers(1, 20))
    balance, happenings = opening, []
    for hour in range(1, 1 + draw(st.integers(2, 6))):
        kind = draw(st.sampled_from(["lost", "counted", "found", "taken"] if balance else ["counted", "found"]))
        units = draw(st.integers(0, 20) if kind == "counted" else st.integers(1, 10 if kind == "found" else balance))
        happenings.append(Happening(hour, kind, units))
        balance = units if kind == "counted" else balance + units if kind == "found" else balance - units
    return opening, happenings


@settings(max_examples=20, deadline=None)
@given(told=feasible(), seed=st.integers(0, 2**16))
def test_every_order_of_arrival_ends_in_the_same_book(
    fresh_ledger: FreshLedger, told: tuple[int, list[Happening]], seed: int
) -> None:
    """Facts that are possible in the order in which they happened mean the same in whatever order they arrive."""
    opening, happenings = told
    with fresh_ledger() as conninfo:
        with Nursery(conninfo) as nursery:
            bench = Bench(nursery)
            expected = bench.arrive(opening, happenings)
            for order in [happenings[::-1], *(Random(seed + turn).sample(happenings, len(happenings)) for turn in range(8))]:
                assert bench.arrive(opening, order) == expected
        assert audit(History(conninfo=conninfo).log())[1] == []
