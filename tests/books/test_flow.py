"""The cost flow: what every kind of entry does to units and value, and that taking it back undoes it to the last millionth."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import pytest

from ledger.books import flow
from ledger.books.flow import Line, Shelf
from ledger.plants.recorded import split_standing
from tests.plants.cases import CASES
from tests.plants.memory import IXORA, Ledger

COSTS = {"cutting": "0.08", "striking": "0.11", "potting": "0.37", "labelling": "0.05", "bought-in": "0.60", "space": "0.90"}


def priced(**books: Any) -> Ledger:
    """A ledger with standard costs, and with what the accountant decided where anything is said."""
    ledger = Ledger()
    ledger.post(ledger.teller.beginnings())
    day = ledger.teller.now.date().isoformat()
    for step, amount in COSTS.items():
        ledger.tell("cost-set", step=step, amount=amount, effective_on=day)
    if books:
        ledger.tell("books-set", **books)
    return ledger


class Told:
    """The log of a ledger, told to the books."""

    def __init__(self, ledger: Ledger) -> None:
        self.shelf = Shelf()
        self.lines: list[Line] = []
        self._made: dict[Any, list[Line]] = {}
        self.shelf.lines_of = lambda entry_id: self._made.get(entry_id, ())
        self.shelf.look_of = {entry.told.id: entry for entry in ledger.log}.get
        for entry in ledger.log:
            self._made[entry.told.id] = flow.apply(self.shelf, entry)
            self.lines += self._made[entry.told.id]
        self.stands_as(ledger)

    def stands_as(self, ledger: Ledger) -> None:
        """Pools hold exactly the plants that stand, and exactly the value of their lines."""
        stood: dict[tuple[str, str], int] = defaultdict(int)
        for account, (_, units) in ledger.accounts().items():
            where = split_standing(account)
            if where is not None and where[1] != "stock" and units:
                of = self.shelf.batches[where[0]]
                stood[of.crop, f"{of.size or ''}/{where[1]}"] += units
        pools = {(crop, key): pool for crop, of in self.shelf.crops.items() for key, pool in of.pools.items()}
        assert {key: pool.units for key, pool in pools.items() if pool.units} == stood
        for (crop, key), pool in pools.items():
            own = [line for line in self.lines if (line.crop, f"{line.size or ''}/{line.stage}") == (crop, key)]
            assert (pool.units, pool.value) == (sum(line.units for line in own), sum(line.value for line in own))
            assert sum(pool.standing.values()) == pool.units
            assert pool.value >= 0
            assert pool.units or not pool.value

    def flows(self) -> dict[tuple[str, str], tuple[int, int]]:
        """(units, value) by (stage, flow) of all lines."""
        found: dict[tuple[str, str], tuple[int, int]] = defaultdict(lambda: (0, 0))
        for line in self.lines:
            units, value = found[line.stage, line.flow]
            found[line.stage, line.flow] = (units + line.units, value + line.value)
        return {key: amounts for key, amounts in found.items() if any(amounts)}


@pytest.mark.parametrize("case", CASES)
def test_taking_an_entry_back_undoes_its_lines(case: str) -> None:
    """After any entry and its reversal every flow is where it was before, in units and in millionths."""
    ledger = priced()
    kind, fields = CASES[case](ledger)
    before = Told(ledger).flows()
    told = ledger.tell(kind, **fields)
    after = Told(ledger)
    assert sum(line.units for line in after.lines if line.flow in ("made", "used")) != 1
    ledger.tell("reversed", entry=str(told.told.id), reason="told by mistake")
    assert Told(ledger).flows() == before


def test_what_passes_between_pools_comes_to_nothing() -> None:
    """Converted, graded, picked, renamed: value leaves one pool and enters another, and none is made on the way."""
    for case in CASES:
        ledger = priced()
        kind, fields = CASES[case](ledger)
        ledger.tell(kind, **fields)
        lines = Told(ledger).lines
        assert sum(line.value for line in lines if line.flow in ("made", "used", "passed-in", "passed-on")) == 0, case


def test_a_normal_loss_stays_in_the_cost_of_the_survivors() -> None:
    """Five of a hundred plugs are normal in holding: the others carry them. Two more are an expense, at their average."""
    ledger = priced(normal_percent={"rooted": 5})
    batch = ledger.opened("rooted", 100, "H1")
    for units in (5, 2):
        ledger.tell("lost", batch=batch, stage="rooted", place="H1", units=units, cause="rot")
    lost = [line for line in Told(ledger).lines if line.flow == "lost"]
    opened = 100 * (8 + 11) * flow.MICRO
    assert [(line.units, line.normal, line.value) for line in lost] == [(-5, 5, 0), (-2, 0, -round(opened * 2 / 95))]


@pytest.mark.parametrize("books", [{"always_abnormal": ["rot"]}, {"normal_percent": {"rooted": 0}}])
def test_some_losses_are_never_normal(books: dict[str, Any]) -> None:
    """Where a cause is always abnormal, or no loss is normal, the first plant is an expense already."""
    ledger = priced(**books)
    batch = ledger.opened("rooted", 100, "H1")
    ledger.tell("lost", batch=batch, stage="rooted", place="H1", units=1, cause="rot")
    assert [line.value for line in Told(ledger).lines if line.flow == "lost"] == [-19 * flow.MICRO]


def test_the_accountant_may_leave_all_losses_in_the_cost() -> None:
    """With expense_abnormal off, the survivors carry everything, until nobody is left."""
    ledger = priced(expense_abnormal=False)
    batch = ledger.opened("rooted", 100, "H1")
    ledger.tell("lost", batch=batch, stage="rooted", place="H1", units=99, cause="cold")
    told = Told(ledger)
    assert told.shelf.crops[IXORA].pools["/rooted"].value == 100 * 19 * flow.MICRO
    ledger.tell("lost", batch=batch, stage="rooted", place="H1", units=1, cause="cold")
    assert [line.value for line in Told(ledger).lines if line.flow == "lost"] == [0, -100 * 19 * flow.MICRO]


def test_a_pool_knows_what_its_plants_cost_when_it_is_empty() -> None:
    """What a count finds where the book had nothing is worth what the last plants there were worth."""
    ledger = priced()
    batch = ledger.opened("finished", 10, "G1", "P9")
    ledger.tell("lost", batch=batch, stage="finished", place="G1", units=10, cause="cold")
    ledger.tell("counted", batch=batch, stage="finished", place="G1", units=2, method="count")
    (found,) = [line for line in Told(ledger).lines if line.flow == "counted"]
    assert (found.units, found.value) == (2, 2 * (8 + 11 + 37 + 5) * flow.MICRO)


def test_cuttings_and_cells_of_opened_pots_cost_what_any_cost() -> None:
    """They have no size yet: a price that names one is never theirs, whether pots are made here or opened."""
    ledger = priced()
    for step in ("cutting", "striking"):
        ledger.tell("cost-set", step=step, amount="9.00", size="P9", effective_on=ledger.teller.now.date().isoformat())
    ledger.opened("potted", 10, "G1", "P9")
    assert Told(ledger).flows()["potted", "opened"] == (10, 10 * (8 + 11 + 37) * flow.MICRO)


def looked_at(ledger: Ledger) -> str:
    """A hundred pots, all looked at and all held back: no plant moves. The id of the grading."""
    batch = ledger.opened("potted", 100, "G1", "P9")
    return str(ledger.tell("graded", batch=batch, place="G1", finished=0, held_back=100, to="G2").told.id)


@pytest.mark.parametrize(("taken_back", "normal"), [(False, 10), (True, 0)])
def test_plants_looked_at_count_whether_they_move_or_not(taken_back: bool, normal: int) -> None:
    """Ten of a hundred inspected may be lost as normal, though all were held back; none if nobody looked after all."""
    ledger = priced(normal_basis="of-inspected", normal_percent={"potted": 10})
    look = looked_at(ledger)
    if taken_back:
        ledger.tell("reversed", entry=look, reason="another bench")
    told: Any = ledger.log[-2 if taken_back else -1].told
    ledger.tell("lost", batch=told.batch, stage="potted", place="G1", units=12, cause="rot")
    assert [line.normal for line in Told(ledger).lines if line.flow == "lost"] == [normal]


def test_a_rooting_count_taken_back_looked_at_nothing() -> None:
    """What it moved and what it looked at are both undone."""
    ledger = priced(normal_basis="of-inspected")
    batch = ledger.opened("struck", 100, "P1")
    count = ledger.tell("rooted", batch=batch, place="P1", usable=90, weak=10, failed=0, to="H1")
    ledger.tell("reversed", entry=str(count.told.id), reason="the wrong tray")
    told = Told(ledger)
    assert told.shelf.crops[IXORA].allowances[f"{batch}/struck"].inspected == 0


def test_trays_told_later_are_not_those_that_cells_stand_in_already() -> None:
    """Cells of a batch whose trays nobody told keep their place in the books when the batch is struck into others."""
    ledger = priced()
    batch = ledger.opened("struck", 100, "P1")
    here = {"batch": batch, "place": "P1"}
    more: Any = ledger.tell("gathered", crop=IXORA, stock_plants=[{"stock_plant": "S-IXO", "cuttings": 50}], place="P1").told
    ledger.tell("merged", stage="gathered", sources=[{"batch": more.batch, "place": "P1", "units": 50}], place="P1", into=batch)
    ledger.tell("struck", batch=batch, gathered_at="P1", cuttings=50, per_cell=1, cells=50, place="P1", tray_cells=72)
    ledger.tell("lost", **here, stage="struck", units=100, cause="rot")
    assert Told(ledger).shelf.crops[IXORA].pools["/struck"].standing == {"P1/0": 50}


def test_currencies_have_their_own_minor_units() -> None:
    """ISO 4217: two decimal places for most, none for the yen, three for the dinar of Kuwait."""
    assert [flow.micro("12.3456", currency) for currency in ("GBP", "JPY", "KWD")] == [
        1_234_560_000,
        12_345_600,
        12_345_600_000,
    ]
    assert [flow.minor(value) for value in (1_500_000, 2_500_000, -1_500_000, 1_499_999)] == [2, 2, -2, 1]
