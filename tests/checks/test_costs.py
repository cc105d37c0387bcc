"""The cost flow against published figures, through the product's own functions, and the books' referee beside it.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from fractions import Fraction
from typing import Any

import pytest

from ledger.books import flow
from tests.books.auditor import Books, books
from tests.books.histories import exported
from tests.plants.memory import IXORA, Ledger

#: a square foot is (0.3048 m) squared, by definition
SQUARE_FOOT = Fraction(3048, 10_000) ** 2


class Shop:
    """A ledger whose entries go to the product's flow and to the referee."""

    def __init__(self, **decided: Any) -> None:
        self.ledger = Ledger()
        self.ledger.post(self.ledger.teller.beginnings())
        self.ledger.tell("policy-set", isolate_bought_in=False, buffer_z_per_mille=0, buffer_share_per_mille=0)
        self.ledger.tell("books-set", **decided)
        self.today = self.ledger.teller.now.date()

    def bought(self, units: int, unit_cost: str, stage: str = "finished") -> str:
        """A batch from a supplier; its number."""
        came: Any = self.ledger.tell(
            "bought-in", crop=IXORA, stage=stage, size="P9", place="G1", units=units, unit_cost=unit_cost, supplier_batch="7"
        )
        return str(came.told.batch)

    def sold(self, batches: Sequence[tuple[str, int]]) -> None:
        """Plants sold at the nursery; of which batch is nothing to the average."""
        for batch, units in batches:
            self.ledger.tell("sold-here", batch=batch, place="G1", units=units, price="50")

    def books(self) -> tuple[flow.Shelf, list[flow.Line], Books]:
        """What the product remembers, its lines, and the referee's books."""
        shelf, lines = flow.Shelf(), list[flow.Line]()
        for entry in self.ledger.log:
            lines += flow.apply(shelf, entry)
        return shelf, lines, books(exported(self.ledger.log))


def test_normal_spoilage_is_carried_by_the_good_units_and_abnormal_spoilage_is_expensed() -> None:
    """Cost accounting text item on spoilage (SEEN): of 550 units for 2,200, 30 are spoiled as expected and 20 beyond.

    500 good units carry 2,120, which is 4.24 each; 80 is an expense. Expected are 6 % of the good output.
    """
    shop = Shop(normal_basis="of-good-output", normal_percent={"potted": 6})
    batch = shop.bought(550, "4", stage="potted")
    shop.ledger.tell("graded", batch=batch, place="G1", finished=500, culled=50, to="G2")
    shelf, lines, referee = shop.books()
    (lost,) = [line for line in lines if line.flow == "lost"]
    assert (lost.units, lost.normal, flow.minor(lost.value)) == (-50, 30, -80_00)
    assert flow.minor(lost.cost) == -200_00
    good = shelf.crops[IXORA].pools["P9/finished"]
    assert (good.units, flow.minor(good.value)) == (500, 2_120_00)
    assert good.value == 500 * flow.micro("4.24")
    assert [(total.normal, total.value) for total in referee.lost(shop.today, shop.today).values()] == [(30, Fraction(-80_00))]


#: OpenStax, Principles of Accounting 1, chapter 10 (MEM, arithmetic checked below): bought at, sold
BUYS, SALES = [(150, 21), (225, 27), (210, 33)], [120, 180]


def test_the_moving_average_is_that_of_the_textbook() -> None:
    """Cost of sales 7,252.94, ending inventory 8,902.06; the exact figures are 123,300/17 and 151,335/17."""
    shop = Shop()
    first = shop.bought(*_told(BUYS[0]))
    shop.sold([(first, SALES[0])])
    second = shop.bought(*_told(BUYS[1]))
    shop.sold([(first, 30), (second, SALES[1] - 30)])
    shop.bought(*_told(BUYS[2]))
    shelf, lines, referee = shop.books()
    sold = -sum(line.value for line in lines if line.flow == "shipped")
    left = shelf.crops[IXORA].pools["P9/finished"]
    assert (flow.minor(sold), flow.minor(left.value)) == (7_252_94, 8_902_06)
    assert left.units == sum(units for units, _ in BUYS) - sum(SALES)
    exact = Fraction(123_300_00, 17), Fraction(151_335_00, 17)
    assert [round(amount) for amount in exact] == [7_252_94, 8_902_06]
    assert -referee.flows(shop.today, shop.today, lambda line: line.flow)["shipped"].value == exact[0]
    assert [value for _, value in referee.closing(shop.today).values()] == [exact[1]]


def _told(buy: tuple[int, int]) -> tuple[int, str]:
    return buy[0], str(buy[1])


def test_first_in_first_out_would_be_another_figure() -> None:
    """The contrast, from the same chapter: 7,200 and 8,955. So the test above can tell one method from the other."""
    layers = [price for units, price in BUYS for _ in range(units)]
    gone = sum(SALES)
    assert (sum(layers[:gone]), sum(layers[gone:])) == (7_200, 8_955)


def test_a_square_foot_week_of_space_costs_what_the_trade_article_says() -> None:
    """40,000 square feet, three quarters of them used, 52 weeks: 1,560,000 square-foot-weeks (SEEN, trade article).

    1,000,000 over these is 0.64. Our function charges square metres by the week: at 1.00 it gives the area-weeks stood.
    """
    pot_cm2 = 64
    pots = 40_000 * Fraction(3, 4) * SQUARE_FOOT * 10_000 / pot_cm2
    assert pots == int(pots)
    ledger = Ledger()
    ledger.post(ledger.teller.beginnings())
    ledger.tell("size-set", code="P9", name="pot", rank=1, area_cm2=pot_cm2)
    ledger.tell("cost-set", step="space", amount="1", effective_on="2026-01-01")
    ledger.opened("potted", int(pots), "G1", "P9")
    shelf = flow.Shelf()
    for entry in ledger.log:
        flow.apply(shelf, entry)
    day = ledger.teller.now.date()
    standing = shelf.crops[IXORA].pools["P9/potted"].standing
    charged = flow.charges(shelf, IXORA, "P9", "potted", standing, day, day + timedelta(weeks=52))
    area_weeks = Fraction(sum(amount for _, _, amount in charged), flow.micro("1"))
    assert float(area_weeks / SQUARE_FOOT) == pytest.approx(1_560_000, abs=1e-6)
    assert round(1_000_000 / float(area_weeks / SQUARE_FOOT), 2) == 0.64
    closing = books(exported(ledger.log)).closing(day + timedelta(weeks=52, days=-1))
    assert [value / 100 / SQUARE_FOOT for _, value in closing.values()] == [1_560_000]
