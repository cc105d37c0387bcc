"""The referee of the books itself, against figures worked out by hand, and against logs that were tampered with.

Whoever judges others has to be judged first: where this file is silent, an agreement of product and referee says little.
"""

from __future__ import annotations

import ast
import copy
import sys
from collections.abc import Callable
from datetime import date
from fractions import Fraction
from pathlib import Path
from random import Random

import pytest

from tests import auditor as referee_of_plants
from tests.auditor import Fact
from tests.books import auditor as referee_of_books
from tests.books.auditor import RANK, Books, Line, Pool, Sum, books
from tests.books.histories import Remembered, exported, told_at_random
from tests.test_worked_batch import IXORA, grow, propagate, sell

DAY = date(2026, 9, 14)
COSTS = {"cutting": "0.05", "striking": "0.10", "potting": "0.40", "labelling": "0.11"}


def cost(step: str, amount: str, **of: str) -> tuple[str, Fact]:
    """A standard cost from the first day on."""
    return "cost-set", {"step": step, "amount": amount, "effective_on": "2026-09-01", **of}


def decided(percent: Fact | None = None, **of: object) -> tuple[str, Fact]:
    """The accountant's decisions: nothing is normal unless said."""
    return "books-set", {"normal_percent": {**dict.fromkeys(RANK, 0), **(percent or {})}, **of}


STANDARD = [cost(step, amount) for step, amount in COSTS.items()]


def worked(*settings: tuple[str, Fact]) -> Books:
    """The books of the worked batch of the design."""
    bench = Remembered(*settings)
    small, _, _ = grow(bench, propagate(bench))
    sell(bench, small)
    return books(bench.log())


def total(kept: Books, flow: str, cause: str | None = None) -> tuple[int, Fraction]:
    """Units and money of a flow of the whole log."""
    lines = [line for line in kept.lines if line.flow == flow and cause in (None, line.cause)]
    return sum(line.units for line in lines), sum((line.value for line in lines), Fraction(0))


def test_the_worked_batch_costs_what_it_costs() -> None:
    """300 cuttings at 5, 144 cells at 10, 76 and 10 pots at 40, 33 labels at 11: nothing is lost between in and out."""
    kept = worked(*STANDARD, decided())
    assert kept.findings() == []
    work = {step: total(kept, "work", step)[1] for step in COSTS}
    assert work == {"cutting": 1500, "striking": 1440, "potting": 86 * 40, "labelling": 33 * 11}
    assert {pool[1:]: units for pool, (units, _) in kept.closing(DAY).items()} == {
        (None, "rooted"): 31,
        ("P9", "potted"): 4,
        ("P9", "finished"): 4,
        ("C2", "potted"): 45,
    }
    gone = sum((total(kept, flow)[1] for flow in ("lost", "counted", "shipped")), Fraction(0))
    assert sum(work.values()) + gone == sum(value for _, value in kept.closing(DAY).values())


def test_a_plug_of_the_worked_batch_carries_its_cuttings_and_its_cell() -> None:
    """12 of 300 cuttings lost at 5 each: 288 carry 1,440; with 144 cells at 10 a cell is worth 20, and stays so."""
    kept = worked(*STANDARD, decided())
    lost = {(line.pool.stage, line.cause, line.units): line.value for line in kept.lines if line.flow == "lost"}
    assert lost["gathered", "graded-out", -12] == -60
    assert lost["struck", "rot", -9] == -180
    assert kept.closing(DAY)[Pool(IXORA, None, "rooted")] == (31, Fraction(31 * 20))


def test_normal_losses_stay_in_the_cost_of_those_who_live() -> None:
    """15 of 300 cuttings may be lost, and 14 of 144 cells: 12 cuttings, 9 and 5 cells leave their value, the others take it."""
    kept = worked(*STANDARD, decided({"gathered": 5, "struck": 10}))
    cell = Fraction(1500 + 1440, 144)
    lost = [line for line in kept.lines if line.flow == "lost" and line.pool.stage in ("gathered", "struck")]
    told = [(line.cause, line.units, line.normal, line.value) for line in lost]
    after_rot = cell * 144 / 135
    after_first = (135 * after_rot - 5 * after_rot) / 125
    assert told == [
        ("graded-out", -12, 12, 0),
        ("rot", -9, 9, 0),
        ("did-not-root", -10, 5, -5 * after_rot),
        ("did-not-root", -8, 0, -8 * after_first),
        ("graded-out", -5, 0, -5 * after_first),
    ]
    assert [line.cost for line in lost][:2] == [-12 * 5, -9 * cell]


def test_the_last_plants_of_a_pool_are_no_normal_loss() -> None:
    """Nobody is left to carry what they cost."""
    bench = Remembered(*STANDARD, decided({"rooted": 100}))
    batch = bench.tell("opened", crop=IXORA, stage="rooted", place="H1", units=10)
    for units in (4, 6):
        bench.tell("lost", batch=batch, stage="rooted", place="H1", units=units, cause="rot")
    lost = [(line.normal, line.value) for line in books(bench.log()).lines if line.flow == "lost"]
    assert lost == [(4, Fraction(0)), (0, Fraction(-150))]


@pytest.mark.parametrize(
    ("basis", "normal"),
    [("of-input", 10), ("of-inspected", 6), ("of-good-output", 4)],
)
def test_a_rate_is_of_what_it_says_it_is_of(basis: str, normal: int) -> None:
    """10 % of 100 that came in, of 60 looked at, of 40 that went on."""
    bench = Remembered(*STANDARD, decided({"potted": 10}, normal_basis=basis))
    batch = bench.tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=100)
    bench.tell("graded", batch=batch, place="G1", finished=40, culled=20, to="G2")
    assert [line.normal for line in books(bench.log()).lines if line.flow == "lost"] == [normal]


def test_space_is_charged_by_the_day() -> None:
    """100 pots of 81 square centimetres for 14 days at 7.00 a square metre and week: 1,134 pence, half of it after a week."""
    bench = Remembered(cost("space", "7.00"), decided())
    bench.tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=100)
    kept = books(bench.log())
    assert [kept.closing(day)[Pool(IXORA, "P9", "potted")][1] for day in (date(2026, 9, 20), date(2026, 9, 27))] == [567, 1134]


def test_ready_plants_pay_for_their_space_outside_their_value() -> None:
    """What stands finished is stored: its space is a cost of the period."""
    bench = Remembered(cost("space", "7.00"), decided())
    bench.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=100)
    kept = books(bench.log())
    assert kept.closing(date(2026, 9, 20)) == {Pool(IXORA, "P9", "finished"): (100, Fraction(0))}
    stored = kept.flows(DAY, date(2026, 9, 20), lambda line: line.flow)["storage"]
    assert stored == Sum(0, Fraction(0), Fraction(-567), 0)


def test_a_reversal_takes_back_what_was_written() -> None:
    """A loss told and taken back leaves units, value and what may still be lost as normal as they were."""
    bench = Remembered(*STANDARD, decided({"rooted": 10}))
    batch = bench.tell("opened", crop=IXORA, stage="rooted", place="H1", units=50)
    before = books(bench.log()).closing(DAY)
    lost = bench.teller.fact("lost", batch=batch, stage="rooted", place="H1", units=7, cause="rot")
    bench.post(lost)
    bench.tell("reversed", entry=lost["id"], reason="they live")
    kept = books(bench.log())
    assert kept.closing(DAY) == before
    assert kept.lost(DAY, DAY)[IXORA, None, "rooted", "rot"] == Sum(0, Fraction(0), Fraction(0), 0)
    bench.tell("lost", batch=batch, stage="rooted", place="H1", units=5, cause="cold")
    assert kept.findings() == []
    assert books(bench.log()).lost(DAY, DAY)[IXORA, None, "rooted", "cold"].normal == 5


def test_the_referee_shares_no_code_with_the_product() -> None:
    """Neither it nor the other referee, of which it reads rows, imports a line of ours."""
    for module in (referee_of_plants, referee_of_books):
        tree = ast.parse(Path(str(module.__file__)).read_text("utf-8"))
        froms = {node.module for node in ast.walk(tree) if isinstance(node, ast.ImportFrom)}
        plain = {name.name for node in ast.walk(tree) if isinstance(node, ast.Import) for name in node.names}
        assert {str(name).split(".")[0] for name in froms | plain} <= sys.stdlib_module_names | {"tests"}
        assert {name for name in froms if str(name).startswith("tests")} <= {"tests.auditor"}


TAMPERED: dict[str, Callable[[Fact], object]] = {
    "one unit more": lambda row: row["moves"][0].update(units=row["moves"][0]["units"] + 1),
    "a movement left out": lambda row: row["moves"].pop(),
    "a movement twice": lambda row: row["moves"].append(dict(row["moves"][0])),
}


@pytest.mark.parametrize("how", TAMPERED)
def test_a_log_that_was_tampered_with_gives_other_books(how: str) -> None:
    """The referee reads the movements: no change of one goes by it."""
    log = exported(told_at_random(Random(5), 40))
    tampered = copy.deepcopy(log)
    row = next(row for row in reversed(tampered) if row["type"] == "opened")
    TAMPERED[how](row)
    assert books(tampered).units != books(log).units


@pytest.mark.parametrize("seed", range(12))
def test_random_books_add_up(seed: int) -> None:
    """No pool below zero in units or money, no value without plants, and each day's lines equal that day's movements."""
    assert books(exported(told_at_random(Random(seed), 60))).findings() == []


def test_the_flows_of_any_period_join_its_two_ends() -> None:
    """Opening, what came, what went, closing: of all pools and of each."""
    kept = books(exported(told_at_random(Random(3), 80)))
    assert kept.clock is not None
    days = sorted({line.day for line in kept.lines})
    since, until = days[len(days) // 3], days[-1]
    opening, closing = kept.closing(date.fromordinal(since.toordinal() - 1)), kept.closing(until)
    flows = kept.flows(since, until, by=lambda line: line.pool)
    for pool in {*opening, *closing, *flows}:
        before, after = opening.get(pool, (0, Fraction(0))), closing.get(pool, (0, Fraction(0)))
        between = flows.get(pool)
        assert after[0] - before[0] == (between.units if between else 0)
        assert after[1] - before[1] == (between.value if between else 0)


def test_lines_say_whose_they_are() -> None:
    """Crop, size, stage, place, batch, day, type, person: whatever a report may ask for."""
    lines = [line for line in worked(*STANDARD, decided()).lines if line.flow == "lost" and line.cause == "pest"]
    assert [(line.pool, line.place, line.day, line.type, line.person) for line in lines] == [
        (Pool(IXORA, "C2", "potted"), "G2", DAY, "lost", "head-grower")
    ]
    assert isinstance(lines[0], Line)
