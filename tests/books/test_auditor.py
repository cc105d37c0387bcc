"""The product's books against the referee's, who shares no code with them: units to the unit, money to the penny.

Entry by entry in memory, over as many random histories as are asked for (`--books=1000` is the long form); and as a user sees
them, statements and values of periods and filters out of a real database. The controls at the end break the flow on purpose.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from fractions import Fraction
from functools import cache
from itertools import product
from random import Random
from typing import Any

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from psycopg.conninfo import make_conninfo

from ledger import statements
from ledger.books import flow
from ledger.books.statement import OF_MONEY, StatementLine
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.recorded import Recorded
from ledger.projections import runner
from tests.auditor import Fact
from tests.books.auditor import Books, Line, Pool, Sum, books, pence
from tests.books.histories import Remembered, exported, told_at_random
from tests.conftest import fresh
from tests.plants.cases import CASES
from tests.simulation.playing import History, play
from tests.test_worked_batch import IXORA, grow, propagate, sell

ROUNDS = 60
#: the product rounds every amount to a millionth of a penny; a thousandth is far more than that can come to
SAME = Fraction(1, 1000)
NIGHT = timedelta(days=1)
COSTS = {"cutting": "0.0512", "striking": "0.1104", "potting": "0.3777", "labelling": "0.1133", "space": "1.30", "hook": "0.21"}
SETTINGS: list[tuple[str, Fact]] = [
    *(("cost-set", {"step": step, "amount": amount, "effective_on": "2026-09-01"}) for step, amount in COSTS.items()),
    ("place-set", {"code": "P1", "name": "P1", "house": "P", "kind": "mist", "area_cm2": 90_000, "tray_places": 20}),
    ("place-set", {"code": "H1", "name": "H1", "house": "H", "kind": "holding", "area_cm2": 90_000, "tray_places": 20}),
    ("books-set", {"normal_percent": {"gathered": 5, "struck": 10, "rooted": 5, "potted": 4, "finished": 3}}),
]

Effect = tuple[Any, ...]


# --- what each says ------------------------------------------------------------------------------------------------


def by_the_product(log: Sequence[Recorded]) -> list[Line]:
    """The lines of the product, entry after entry, read as the referee's are."""
    made: dict[Any, list[flow.Line]] = {}
    shelf = flow.Shelf(lines_of=lambda entry: made.get(entry, ()), look_of={entry.told.id: entry for entry in log}.get)
    for entry in log:
        made[entry.told.id] = flow.apply(shelf, entry)
    return [read(line) for lines in made.values() for line in lines]


def read(line: flow.Line) -> Line:
    """A line of the product as the referee would write it."""
    whose = (line.position, Pool(line.crop, line.size, line.stage), line.place, line.batch, line.day, line.type, line.person)
    value, cost = (Fraction(amount, flow.MICRO) for amount in (line.value, line.cost))
    return Line(*whose, line.flow, line.cause, line.units, value, cost, line.normal)


def effects(lines: Iterable[Line]) -> dict[Effect, Sum]:
    """What each entry did to each pool, flow by flow. Space is one sum an entry: the product has spans, the referee nights."""
    sums: defaultdict[Effect, Sum] = defaultdict(lambda: Sum(0, Fraction(0), Fraction(0), 0))
    for line in lines:
        day = None if line.flow in ("space", "storage") else line.day
        key = (line.position, *line.pool, line.type, line.person, line.flow, line.cause, day)
        sums[key] = sums[key].add(line)
    return sums


def apart(log: Sequence[Recorded]) -> list[str]:
    """Where the product and the referee differ, in the order of the log."""
    referee = books(exported(log))
    ours, theirs = effects(by_the_product(log)), effects(referee.lines)
    nothing = Sum(0, Fraction(0), Fraction(0), 0)
    found = referee.findings()
    for key in sorted(ours.keys() | theirs.keys(), key=lambda key: (key[0], str(key))):
        one, other = ours.get(key, nothing), theirs.get(key, nothing)
        money = max(abs(one.value - other.value), abs(one.cost - other.cost))
        if (one.units, one.normal) != (other.units, other.normal) or money > SAME:
            found.append(f"{' '.join(map(str, key))}: {said(one)}, the referee has {said(other)}")
    return found


def said(total: Sum) -> str:
    """A sum in words."""
    return f"{total.units} units worth {float(total.value):.3f} ({float(total.cost):.3f}), {total.normal} normal"


# --- entry by entry ------------------------------------------------------------------------------------------------


@cache
def random_log(seed: int) -> list[Recorded]:
    """A history to look at, made once."""
    return told_at_random(Random(seed), ROUNDS)


def test_random_histories_have_the_books_of_the_referee(request: pytest.FixtureRequest) -> None:
    """Every effect of every entry on every pool; the seed that differs is named."""
    for seed in range(request.config.getoption("--books")):
        assert apart(random_log(seed)) == [], f"seed {seed}"


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(random=st.randoms(use_true_random=False), rounds=st.integers(min_value=1, max_value=25))
def test_whatever_is_told_the_books_are_those_of_the_referee(random: Random, rounds: int) -> None:
    """As above for short histories, which hypothesis makes as small as they can be when one of them fails."""
    assert apart(told_at_random(random, rounds)) == []


@pytest.mark.parametrize("days", [0, 9])
@pytest.mark.parametrize("case", CASES)
def test_every_kind_of_entry_and_its_reversal(case: str, days: int) -> None:
    """Told, taken back the same day or nine days later, and told again: with costs, space and normal losses."""
    bench = Remembered(*SETTINGS)
    kind, fields = CASES[case](bench.ledger)
    bench.teller.now += timedelta(days=days)
    told = bench.ledger.tell(kind, **fields)
    bench.teller.now += timedelta(days=days)
    bench.tell("reversed", entry=str(told.told.id), reason="told by mistake")
    if "batch" in fields and kind not in ("held", "stopped"):
        bench.tell(kind, **fields)
    assert apart(bench.ledger.log) == []


def test_the_worked_batch_in_memory() -> None:
    """The worked batch of the design, with space and with normal losses."""
    bench = Remembered(*SETTINGS)
    small, _, _ = grow(bench, propagate(bench))
    sell(bench, small)
    assert apart(bench.ledger.log) == []


SLIPS = [
    ("lost", {"cause": "rot", "units": 3}),
    ("given-out", {"units": 2, "why": "a sample", "approved_by": "head-grower"}),
    ("picked", {"units": 4, "order": "A-1", "to": "K1"}),
    ("moved", {"units": 5, "to": "G2"}),
    ("renamed", {"units": 6, "crop": "hoya-pewter-spoon", "evidence": "leaf"}),
]


@pytest.mark.parametrize("seen", [0, 20, 37, 44])
@pytest.mark.parametrize("slip", [kind for kind, _ in SLIPS])
def test_a_late_slip_against_a_count_and_both_taken_back(slip: str, seen: int) -> None:
    """Book 40; a slip of the morning arrives days after the count of noon; then either is taken back."""
    fields = dict(SLIPS)[slip]
    for first in ("count", "slip"):
        bench = Remembered(*SETTINGS)
        batch = bench.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40)
        where = {"batch": batch, "place": "G1"}
        morning = bench.teller.now + timedelta(hours=1)
        bench.teller.now += timedelta(hours=4)
        count = bench.ledger.tell("counted", **where, stage="finished", units=seen, method="count")
        bench.teller.now += timedelta(days=5)
        staged = {} if slip == "picked" else {"stage": "finished"}
        late = bench.ledger.tell(slip, **where, **staged, **fields, occurred_at=morning)
        assert apart(bench.ledger.log) == []
        bench.teller.now += timedelta(days=5)
        bench.tell("reversed", entry=str((count if first == "count" else late).told.id), reason="told by mistake")
        assert apart(bench.ledger.log) == []


def test_plants_that_a_count_takes_out_again_pay_for_the_nights_between() -> None:
    """Ten pots stand at G2; five are carried to G1 on day 2, told after a count of G1 on day 5 that agreed with the book."""
    bench = Remembered(*SETTINGS)
    batch = bench.tell("opened", crop=IXORA, stage="potted", size="P9", place="G2", units=10)
    began = bench.teller.now
    here = {"batch": batch, "stage": "potted"}
    bench.tell("counted", **here, place="G1", units=0, method="count", occurred_at=began + 5 * NIGHT)
    bench.tell("moved", **here, place="G2", to="G1", units=5, occurred_at=began + 2 * NIGHT)
    bench.tell("lost", **here, place="G2", units=5, cause="rot", occurred_at=began + 7 * NIGHT)
    space = sum(line.value for line in by_the_product(bench.ledger.log) if line.flow == "space")
    night = Fraction(81, 10_000) * 130 / 7
    assert abs(space - (10 * 5 + 5 * 2) * night) < SAME
    assert apart(bench.ledger.log) == []


def test_what_is_found_after_a_reversal_is_worth_what_the_last_ones_were() -> None:
    """Space was paid for six nights before the potting was taken back: pots found afterwards are valued with it."""
    bench = Remembered(*SETTINGS)
    plugs = bench.tell("opened", crop=IXORA, stage="rooted", place="H2", units=40)
    potted = bench.ledger.tell("potted", batch=plugs, place="H2", size="P9", plugs=20, pots=20, to="G1")
    made: Any = potted.told
    here = {"batch": made.into, "stage": "potted", "place": "G1"}
    bench.teller.now += 6 * NIGHT
    lost = bench.ledger.tell("lost", **here, units=5, cause="surplus")
    for entry in (lost, potted):
        bench.tell("reversed", entry=str(entry.told.id), reason="told by mistake")
    bench.tell("counted", **here, units=4, method="count")
    (found,) = [line for line in by_the_product(bench.ledger.log) if line.flow == "counted"]
    each = Fraction("16.16") + Fraction("37.77") + 6 * Fraction(81, 10_000) * 130 / 7
    assert abs(found.value - 4 * each) < SAME
    assert apart(bench.ledger.log) == []


# --- as a user sees them -------------------------------------------------------------------------------------------


def differences(told: StatementLine, opening: Sum, between: dict[str, Sum], closing: Sum) -> Iterator[str]:
    """A line of a statement against the referee's sums, amount by amount."""
    amounts = {"opening": (told.opening, opening.units, opening.value), "closing": (told.closing, closing.units, closing.value)}
    zero = Sum(0, Fraction(0), Fraction(0), 0)
    lost = between.get("lost", zero)
    for name, amount in told.columns.items():
        total = between.get(name, zero)
        units, value = total.units, total.value
        if name == "lost-normal":
            units, value = -lost.normal, Fraction(0)
        elif name == "lost-abnormal":
            units, value = -lost.abnormal, lost.value
        amounts[name] = (amount, units, value)
    for name, (amount, units, value) in amounts.items():
        moves_plants = name not in OF_MONEY and amount.units is not None
        if (moves_plants and amount.units != units) or not rounds_to(value, amount.value):
            yield f"{told.crop} {told.size} {told.stage} {name}: {amount}, the referee has {units} and {float(value):.3f}"
    if told.opening.value + sum(column.value for column in told.columns.values()) + told.rounding != told.closing.value:
        yield f"{told.crop} {told.size} {told.stage}: it does not add up to the penny"


def rounds_to(exact: Fraction, shown: int) -> bool:
    """To the penny; where the exact amount is a hair from a half, either of its neighbours will do."""
    return shown in (pence(exact - SAME), pence(exact), pence(exact + SAME))


def total(lines: Iterable[Line]) -> Sum:
    """What some lines come to, without what storing costs beside the inventory."""
    found = Sum(0, Fraction(0), Fraction(0), 0)
    for line in lines:
        found = found.add(line)
    return found


def statements_apart(cursor: Any, referee: Books, since: date, until: date, **asked: Any) -> Iterator[str]:
    """A statement by crop, size and stage, and its total, against the referee."""
    told = statements.movement(cursor, since=since, until=until, by=("crop", "size", "stage"), **asked)
    chosen = [asked.get(name) for name in ("crop", "size", "stage")]
    lines = [
        line for line in referee.until(until) if all(want in (None, has) for want, has in zip(chosen, line.pool, strict=True))
    ]
    shown = {Pool(str(line.crop), line.size, str(line.stage)): line for line in told.lines}
    for pool, line in [*shown.items(), (None, told.total)]:
        own = [line for line in lines if pool in (None, line.pool)]
        yield from differences(line, *told_of(own, since))
    for pool in {line.pool for line in lines} - shown.keys():
        amounts = [(line.units, line.value) for line in lines if line.pool == pool]
        nothing = all(not units and abs(value) <= Fraction(1, 2) for units, value in amounts)
        if not nothing and total(line for line in lines if line.pool == pool).units:
            yield f"{pool} is not in the statement"
    stored = total(line for line in lines if line.flow == "storage" and line.day >= since)
    if not rounds_to(-stored.cost, told.storage):
        yield f"storage {told.storage}, the referee has {float(-stored.cost):.3f}"


def told_of(lines: list[Line], since: date) -> tuple[Sum, dict[str, Sum], Sum]:
    """Opening, flows and closing of some lines."""
    period = [line for line in lines if line.day >= since]
    flows = {line.flow for line in period}
    between = {name: total(line for line in period if line.flow == name) for name in flows}
    return total(line for line in lines if line.day < since), between, total(lines)


def values_apart(cursor: Any, referee: Books, on: date, **asked: Any) -> Iterator[str]:
    """What stood at the end of a day, line by line."""
    told = statements.value(cursor, on=on, **asked)
    closing = referee.closing(on)
    shown = {Pool(line.crop, line.size, line.stage): line for line in told.lines}
    for pool, (units, value) in closing.items():
        line = shown.get(pool)
        if units and (line is None or line.units != units or not rounds_to(value, line.value)):
            yield f"{pool} on {on}: {line}, the referee has {units} and {float(value):.3f}"
    if shown.keys() - closing.keys():
        yield f"more stands than the referee knows of: {shown.keys() - closing.keys()}"


def periods(referee: Books) -> list[tuple[date, date]]:
    """A day, a few days, everything, from the middle to well after the end, before the beginning."""
    days = sorted({line.day for line in referee.lines})
    first, middle, last = days[0], days[len(days) // 2], days[-1]
    return [
        (first, first),
        (first + NIGHT, middle),
        (first, last),
        (middle, last + 40 * NIGHT),
        (first - 9 * NIGHT, first - NIGHT),
    ]


@pytest.fixture(scope="module", params=[1, 2, 3], ids=lambda seed: f"seed {seed}")
def history(request: pytest.FixtureRequest, cluster: str, template_database: str) -> Iterator[History]:
    """A nursery with a history behind it, its books followed."""
    with fresh(cluster, template_database) as name:
        yield play(make_conninfo(cluster, dbname=name), Random(100 + request.param), 150)


def test_statements_of_random_histories_are_those_of_the_referee(history: History) -> None:
    """Every period, whole and narrowed to each crop, each size, each stage, and all three."""
    referee = books(history.log())
    pools = {line.pool for line in referee.lines}
    filters: list[dict[str, Any]] = [{}]
    for number, name in enumerate(("crop", "size", "stage")):
        filters += [{name: value} for value in {pool[number] for pool in pools} if value is not None]
    filters.append(dict(zip(("crop", "size", "stage"), max(pools, key=str), strict=True)))
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection, connection.cursor() as cursor:
        for (since, until), asked in product(periods(referee), filters):
            assert list(statements_apart(cursor, referee, since, until, **asked)) == [], f"{since} to {until}, {asked}"


def test_values_of_random_histories_are_those_of_the_referee(history: History) -> None:
    """On the days that periods end on, the space stood until then included."""
    referee = books(history.log())
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection, connection.cursor() as cursor:
        for _, until in periods(referee):
            assert list(values_apart(cursor, referee, until)) == []


def test_the_books_as_they_were_known_are_those_of_the_referee_then(history: History) -> None:
    """Whoever asks what was known at a moment is told what the log said by then."""
    log = history.log()
    for length in (40, len(log) // 2, len(log) - 7):
        at = datetime.fromisoformat(log[length - 1]["recorded_at"])
        known = [row for row in log if datetime.fromisoformat(row["recorded_at"]) <= at]
        referee = books(known)
        with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection, connection.cursor() as cursor:
            for since, until in periods(referee):
                assert list(statements_apart(cursor, referee, since, until, known_at=at)) == []


def test_the_worked_batch_is_stated_as_the_referee_has_it(nursery: Nursery, database: str) -> None:
    """The worked batch through the pen, its statement, and its value weeks later."""
    bench = Remembered(*SETTINGS)
    small, _, _ = grow(bench, propagate(bench))
    sell(bench, small)
    nursery.post([entry.told for entry in bench.ledger.log])
    log = History(conninfo=database).log()
    referee = books(log)
    with psycopg.connect(store.owner_conninfo(database), autocommit=True) as connection:
        runner.follow(connection)
        with connection.cursor() as cursor:
            for since, until in periods(referee):
                assert list(statements_apart(cursor, referee, since, until)) == []
                assert list(values_apart(cursor, referee, until)) == []


# --- controls ------------------------------------------------------------------------------------------------------


def skewed(real: Callable[..., int]) -> Callable[..., int]:
    """A penny more than it should be."""
    return lambda *given: real(*given) + flow.MICRO


BROKEN: dict[str, tuple[str, Callable[..., Any]]] = {
    "space is never charged": ("charges", lambda *_: []),
    "storage is in the cost": ("in_cost", lambda *_: True),
    "every price is a penny more": ("micro", skewed(flow.micro)),
    "losses do not come first": ("_is_loss", lambda _: False),
    "all losses are normal": ("_Posting.normal_left", lambda *_: 10**9),
    "no loss is normal": ("_Posting.normal_left", lambda *_: 0),
    "reversals turn nothing round": ("_Posting.turn_round", lambda *_: None),
    "empty pools keep their value": ("_Posting.clear", lambda _: None),
    "what comes back is not taken off what was normal": ("_Posting.count_bases", lambda *_: None),
    "looking is not counted": ("_Posting.count_inspected", lambda *_: None),
    "no work is done": ("_Posting.work", lambda *_: None),
    "nights before an entry are not charged": ("_Posting.charge_pool", lambda *_: None),
}


@pytest.mark.parametrize("how", BROKEN)
def test_the_referee_sees_a_broken_flow(how: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Were the product wrong in this way, a random history would tell. If not, the tests above are blind."""
    logs = [random_log(seed) for seed in range(30)]
    part, instead = BROKEN[how]
    monkeypatch.setattr(f"{flow.__name__}.{part}", instead)

    def noticed(log: list[Recorded]) -> bool:
        try:
            return bool(apart(log))
        except (AssertionError, KeyError, ValueError, ZeroDivisionError):  # broken so badly that it cannot go on
            return True

    assert any(noticed(log) for log in logs)
