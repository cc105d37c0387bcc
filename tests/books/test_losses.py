"""Reports of losses: shrink by anything, what stands beside it, yields, damage on the way, what was taken back."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from datetime import date, timedelta
from random import Random
from typing import Any, get_args

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from ledger import losses
from ledger.books import shrink
from ledger.books.shrink import Grouping
from ledger.log import codec, store
from ledger.nursery import Nursery, Posted
from ledger.projections import runner
from tests.auditor import Fact, Names, is_standing, recorded_lines, told
from tests.conftest import fresh
from tests.simulation.playing import History, play
from tests.telling import START, Teller

CROP = "ixora-copper-thimble"
LONG_AGO, FAR_OFF = date(2024, 1, 1), date(2027, 1, 1)
ALL = list(get_args(Grouping))


def asked(conninfo: str, **wanted: Any) -> losses.ShrinkReport:
    """The shrink report, after everything has followed."""
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection)
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        return losses.shrink_report(cursor, **{"basis": "calendar", "since": LONG_AGO, "until": FAR_OFF, "by": ALL, **wanted})


class Bench:
    """A nursery with standard costs in which things happen on days of our choosing."""

    def __init__(self, nursery: Nursery, conninfo: str) -> None:
        self.nursery = nursery
        self.conninfo = conninfo
        self.teller = Teller()
        nursery.post(codec.read_told(self.teller.beginnings()))
        for step, amount in {"bought-in": "1.00", "cutting": "0.10", "potting": "0.40"}.items():
            self.post("cost-set", step=step, amount=amount, effective_on="2026-01-01", day=0)

    def post(self, kind: str, *, day: int, **fields: Any) -> Posted:
        """One entry, so many days after the first."""
        told_at = START + timedelta(days=day, hours=6)
        return self.nursery.post(codec.read_told(self.teller.fact(kind, occurred_at=told_at, **fields)))

    def pots(self, units: int, *, day: int, size: str = "P9", place: str = "G1", stage: str = "potted") -> str:
        """A batch of bought-in pots; its number."""
        told: Any = (
            self.post("bought-in", day=day, crop=CROP, stage=stage, size=size, place=place, units=units, supplier_batch="7")
            .entries[0]
            .told
        )
        self.post("cleared", day=day, stop=str(told.id), because="looked at", batch=told.batch)
        return str(told.batch)

    def lost(self, batch: str, units: int, *, day: int, cause: str = "rot", place: str = "G1", **more: Any) -> Posted:
        """So many growing pots lost."""
        return self.post("lost", day=day, batch=batch, stage="potted", place=place, units=units, cause=cause, **more)

    def rates(self, *by: str, **wanted: Any) -> dict[tuple[Any, ...], tuple[int, int]]:
        """(lost, of) by what it is grouped by."""
        found = asked(self.conninfo, by=list(by), **wanted).rates
        return {tuple(getattr(rate, name) for name in by): (rate.lost, rate.of) for rate in found}


@pytest.fixture
def bench(nursery: Nursery, database: str) -> Bench:
    """Beginnings, and what things cost."""
    return Bench(nursery, database)


def day(number: int) -> date:
    """So many days after the first."""
    return (START + timedelta(days=number)).date()


# --- what a rate is of -----------------------------------------------------------------------------------------


def test_a_calendar_rate_is_of_what_stood_and_what_came_in_each_month(bench: Bench) -> None:
    """100 in September, 5 lost; 95 and 20 more in October, 10 lost; 105 stand all November."""
    batch = bench.pots(100, day=0)
    bench.lost(batch, 5, day=3)
    second = bench.pots(20, day=20)
    bench.lost(second, 10, day=25)
    until = day(60)
    assert (day(0).month, day(20).month, until.month) == (9, 10, 11)
    assert bench.rates("month", until=until) == {("2026-09",): (5, 100), ("2026-10",): (10, 115), ("2026-11",): (0, 105)}
    assert bench.rates("crop", until=until) == {(CROP,): (15, 120)}
    assert bench.rates("crop", since=day(19), until=until) == {(CROP,): (10, 115)}
    assert bench.rates("crop", since=day(30), until=until) == {(CROP,): (0, 105)}


def test_a_cohort_rate_is_of_the_batches_that_came_in_whenever_they_lost(bench: Bench) -> None:
    """A loss of October belongs to September's batch."""
    bench.lost(bench.pots(100, day=0), 7, day=25)
    bench.pots(20, day=20)
    assert bench.rates("month", basis="cohort") == {("2026-09",): (7, 100), ("2026-10",): (0, 20)}
    assert bench.rates("crop", basis="cohort", until=day(10)) == {(CROP,): (7, 100)}
    assert bench.rates("crop", basis="cohort", since=day(10)) == {(CROP,): (0, 20)}


@pytest.mark.parametrize("basis", ["cohort", "calendar"])
def test_told_apart_by_cause_place_or_person_the_denominator_stays(bench: Bench, basis: str) -> None:
    """And the report says so."""
    batch = bench.pots(100, day=0)
    bench.post("moved", day=1, batch=batch, stage="potted", place="G1", to="G2", units=40)
    bench.lost(batch, 3, day=2)
    bench.lost(batch, 2, day=2, cause="cold", place="G2", by="potter")
    assert bench.rates("cause", basis=basis) == {("rot",): (3, 100), ("cold",): (2, 100)}
    assert bench.rates("place", "person", basis=basis) == {("G1", "head-grower"): (3, 100), ("G2", "potter"): (2, 100)}
    assert "all that was at risk" in asked(bench.conninfo, basis=basis, by=["cause"]).denominator


@pytest.mark.parametrize("basis", ["cohort", "calendar"])
def test_batches_that_were_put_together_count_as_one(bench: Bench, basis: str) -> None:
    """They share what befalls them from then on; what each lost before is of the units that it came with."""
    one, other = bench.pots(50, day=0), bench.pots(30, day=1)
    bench.lost(one, 10, day=2)
    sources = [{"batch": one, "place": "G1", "units": 40}, {"batch": other, "place": "G1", "units": 30}]
    merged: Any = bench.post("merged", day=3, stage="potted", sources=sources, place="G2").entries[0].told
    bench.lost(merged.into, 7, day=40, place="G2")
    (line,) = asked(bench.conninfo, basis=basis, by=["crop"]).rates
    assert (line.lost, line.of, line.batches, line.interval) == (17, 80, 1, "wilson")
    if basis == "cohort":
        assert bench.rates("month", basis=basis) == {("2026-09",): (17, 80)}


def test_plants_set_back_are_at_risk_again(bench: Bench) -> None:
    """What was graded in September and cut back in October can be lost in October: never more lost than was there."""
    batch = bench.pots(10, day=0)
    bench.post("graded", day=1, batch=batch, place="G1", finished=10, to="G2")
    bench.post("set-back", day=20, batch=batch, place="G2", units=6, to="G1", reason="leggy")
    bench.lost(batch, 4, day=25)
    found = bench.rates("stage", "month", until=day(29))
    assert found["potted", "2026-10"] == (4, 6)
    assert found["finished", "2026-09"] == (0, 10)


def test_plants_that_a_count_found_are_at_risk_and_differences_stand_apart(bench: Bench) -> None:
    """Five more than the book: 15 can be lost. What counts find is records, not growing."""
    batch = bench.pots(10, day=0)
    bench.post("counted", day=1, batch=batch, stage="potted", place="G1", units=15, method="count", by="potter")
    bench.lost(batch, 12, day=2)
    bench.post("counted", day=3, batch=batch, stage="potted", place="G1", units=1, method="count")
    bench.lost(batch, 1, day=2)  # late: it explains one of the two that were missing
    report = asked(bench.conninfo, by=["person"])
    assert [(line.lost, line.of) for line in report.rates] == [(13, 14)]
    assert {line.person: (line.count_short, line.count_over, line.counts) for line in report.records} == {
        "potter": (0, 5, 1),
        "head-grower": (1, 0, 1),
    }


# --- beside each other: units, cost, retail ---------------------------------------------------------------------


def test_units_cost_and_retail_stand_side_by_side(bench: Bench) -> None:
    """1.00 each by cost; the list price of the day of the loss; normal and expensed units apart."""
    bench.post("books-set", day=0, normal_percent={"potted": 0}, normal_basis="of-input")
    batch = bench.pots(100, day=1)
    bench.lost(batch, 2, day=2, cause="dried-out")
    crop = {"code": CROP, "name": "Ixora", "species": "Ixora", "group": "Woody"}
    bench.post("crop-set", day=5, **crop, sizes={"P9": {"price": "20.00"}})
    bench.lost(batch, 3, day=6, cause="pest")
    bench.lost(batch, 1, day=3, cause="pest")  # told late: the price of its day
    report = asked(bench.conninfo, by=["cause"])
    found = {line.cause: (line.lost, line.cost, line.expensed, line.normal, line.retail) for line in report.rates}
    assert found == {"dried-out": (2, 200, 200, 0, 3000), "pest": (4, 400, 400, 0, 7500)}
    assert {(line.avoidable, line.lost, line.share) for line in report.avoidable} == {(2, 6, 0.333333)}
    assert (report.currency, report.places) == ("GBP", 2)


def test_a_normal_loss_is_carried_by_the_others(bench: Bench) -> None:
    """10 % of input are normal: of 12 lost of 100, 10 leave their cost to the survivors and 2 are expensed."""
    bench.post("books-set", day=0, normal_percent={"finished": 10}, normal_basis="of-input")
    batch = bench.pots(100, day=1, stage="finished")
    bench.post("lost", day=2, batch=batch, stage="finished", place="G1", units=12, cause="rot")
    (line,) = asked(bench.conninfo, by=[]).rates
    assert (line.lost, line.normal, line.cost, line.expensed) == (12, 10, 1200, 200)


def test_plants_without_a_size_have_no_list_price_and_the_report_says_so(bench: Bench) -> None:
    """Their retail value is not 0 but unknown."""
    plugs: Any = (
        bench.post("bought-in", day=0, crop=CROP, stage="rooted", place="H1", units=50, supplier_batch="7").entries[0].told
    )
    bench.post("lost", day=1, batch=plugs.batch, stage="rooted", place="H1", units=4, cause="heat")
    report = asked(bench.conninfo, by=["crop"])
    (line,) = report.rates
    assert (line.unit, line.retail, line.unpriced, line.cost) == ("cell", None, 4, 400)
    assert any("plants without a size" in note for note in report.notes)


def test_gifts_stock_seconds_and_transit_damage_stand_beside_shrink_and_never_in_it(bench: Bench) -> None:
    """Each with units, and with cost and retail value where it has one."""
    batch = bench.pots(50, day=0, stage="finished")
    why = {"why": "a sample", "approved_by": "head-grower"}
    bench.post("given-out", day=1, batch=batch, stage="finished", place="G1", units=2, **why)
    bench.post("planted-as-stock", day=1, batch=batch, stage="finished", place="G1", units=3, **why)
    bench.post("picked", day=2, order="A-1", batch=batch, place="G1", units=10, to="K1")
    bench.post("shipped", day=3, order="A-1", carrier="Van", region="2", lines=[{"batch": batch, "place": "K1", "units": 10}])
    bench.post("damage-claimed", day=5, order="A-1", batch=batch, units=4, carrier="Van", cause="crushed")
    report = asked(bench.conninfo, by=["size"])
    assert all(line.lost == 0 for line in report.rates)
    assert {line.what: (line.size, line.units, line.cost, line.retail) for line in report.beside} == {
        "given-out": ("P9", 2, 200, 3000),
        "planted-as-stock": ("P9", 3, 300, 4500),
        "transit-damage": ("P9", 4, None, 6000),
    }


# --- yield -----------------------------------------------------------------------------------------------------


def strike(bench: Bench, cells: int, *, day: int, per_cell: int = 2) -> str:
    """A batch struck straight off the stock plants."""
    cuttings = per_cell * cells
    taken = [{"stock_plant": "S-IXO", "cuttings": cuttings}]
    told: Any = (
        bench.post(
            "struck", day=day, crop=CROP, stock_plants=taken, cuttings=cuttings, per_cell=per_cell, cells=cells, place="P1"
        )
        .entries[0]
        .told
    )
    return str(told.batch)


def test_yield_is_per_cutting_and_per_cell_and_by_what_is_in_the_pots(bench: Bench) -> None:
    """60 cells of two cuttings, 54 plugs, three to a pot: 18 pots, 15 saleable: .125, .25 and .75, with 6 cells under way."""
    batch = strike(bench, 60, day=0)
    bench.post("rooted", day=10, batch=batch, place="P1", usable=54, weak=0, failed=6, to="H1")
    pots: Any = (
        bench.post("potted", day=20, batch=batch, place="H1", size="C2", plugs=54, pots=18, per_pot=3, to="G1").entries[0].told
    )
    bench.post("graded", day=40, batch=pots.into, place="G1", finished=15, culled=1, held_back=2, to="G2")
    (line,) = asked(bench.conninfo, by=["crop"]).yields
    assert (line.cuttings, line.cells, line.saleable, line.cells_in_saleable, line.under_way) == (120, 60, 15, 45, 6)
    assert (line.per_cutting, line.per_cell, line.come_through) == (0.125, 0.25, 0.75)
    (line,) = asked(bench.conninfo, by=["month"], until=day(5)).yields
    assert (line.month, line.saleable) == ("2026-09", 15)
    assert asked(bench.conninfo, by=["crop"], since=day(5)).yields == []


def test_a_plant_that_was_potted_up_is_saleable_once_and_shares_of_a_merge_are_kept(bench: Bench) -> None:
    """Two cohorts put together 30 to 10: of 8 saleable six and two are theirs; those potted up count when they are finished."""
    early, late = strike(bench, 30, day=0), strike(bench, 10, day=20)
    for batch, units in ((early, 30), (late, 10)):
        bench.post("rooted", day=30, batch=batch, place="P1", usable=units, weak=0, failed=0, to="H1")
    sources = [{"batch": early, "place": "H1", "units": 30}, {"batch": late, "place": "H1", "units": 10}]
    plugs: Any = bench.post("merged", day=31, stage="rooted", sources=sources, place="H1").entries[0].told
    pots: Any = (
        bench.post("potted", day=32, batch=plugs.into, place="H1", size="P9", plugs=12, pots=12, to="G1").entries[0].told
    )
    bench.post("graded", day=50, batch=pots.into, place="G1", finished=12, to="G2")
    bench.post("potted-up", day=51, batch=pots.into, place="G2", size="C2", pots=4, to="G1")
    found = {line.month: line for line in asked(bench.conninfo, by=["month"]).yields}
    assert {month: line.saleable for month, line in found.items()} == {"2026-09": 6, "2026-10": 2}
    assert {month: line.under_way for month, line in found.items()} == {"2026-09": 24, "2026-10": 8}


# --- damage on the way -----------------------------------------------------------------------------------------


def damaged(conninfo: str, *by: str, **period: date) -> losses.DamageReport:
    """The report of damage."""
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection)
    with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
        wanted: Any = {"since": LONG_AGO, "until": FAR_OFF, "by": list(by), **period}
        return losses.damage_report(cursor, **wanted)


def send(bench: Bench, batch: str, order: str, units: int, carrier: str, region: str, *, day: int) -> None:
    """Pick and ship."""
    bench.post("picked", day=day, order=order, batch=batch, place="G1", units=units, to="K1")
    lines = [{"batch": batch, "place": "K1", "units": units}]
    bench.post("shipped", day=day, order=order, carrier=carrier, service="next day", region=region, lines=lines)


def test_damage_is_claimed_of_shipped_with_its_interval_and_the_cost_of_replacements(bench: Bench) -> None:
    """By carrier, cause, region and month; a claim is of the month in which it was shipped; a claim taken back is none."""
    batch = bench.pots(200, day=0, stage="finished")
    for number, (carrier, region, on) in enumerate([("Van", "1", 1), ("Van", "2", 1), ("Van", "1", 20), ("Post", "1", 1)]):
        send(bench, batch, f"A-{number}", 20, carrier, region, day=on)
    claim: dict[str, Any] = {"batch": batch, "carrier": "Van", "day": 25}
    first = bench.post("damage-claimed", order="A-0", units=3, cause="crushed", **claim).entries[0].told
    bench.post("damage-claimed", order="A-2", units=1, cause="dried", **claim)
    wrong = bench.post("damage-claimed", order="A-1", units=9, cause="dried", **claim)
    bench.post("reversed", day=26, entry=str(wrong.entries[0].told.id), reason="another order")
    bench.post("picked", day=27, order="A-0-R", batch=batch, place="G1", units=2, to="K1", replaces=str(first.id))
    found = {line.carrier: line for line in damaged(bench.conninfo, "carrier").lines}
    assert {name: (line.claimed, line.shipped, line.orders) for name, line in found.items()} == {
        "Van": (4, 60, 3),
        "Post": (0, 20, 1),
    }
    assert (found["Van"].replaced, found["Van"].replaced_cost) == (2, 200)
    assert (found["Van"].interval, found["Van"].few_data) == ("beta-binomial", False)
    low, high = shrink.wilson(0, 20)
    assert (found["Post"].low, found["Post"].high) == (round(low, 6), round(high, 6))
    by_cause = {
        (line.cause, line.month): (line.claimed, line.shipped) for line in damaged(bench.conninfo, "cause", "month").lines
    }
    assert by_cause == {("crushed", "2026-09"): (3, 60), ("dried", "2026-10"): (1, 20)}
    regions = {line.region: (line.claimed, line.shipped) for line in damaged(bench.conninfo, "region", until=day(5)).lines}
    assert regions == {"1": (3, 40), "2": (0, 20)}


# --- taken back, and counted differently -----------------------------------------------------------------------


def test_every_reversal_and_every_count_that_differs_is_told(bench: Bench) -> None:
    """Who, when, what, how many, why, and what the inventory's value changed by; and summed."""
    bench.post("books-set", day=0, normal_percent={}, normal_basis="of-input")
    batch = bench.pots(50, day=0)
    slip = bench.lost(batch, 5, day=1)
    bench.post("reversed", day=2, entry=str(slip.entries[0].told.id), reason="they live", by="potter")
    bench.post("counted", day=3, batch=batch, stage="potted", place="G1", units=47, method="count", note="dusk")
    bench.lost(batch, 1, day=1)  # explains one of three
    bench.post("counted", day=4, batch=batch, stage="potted", place="G1", units=47, method="count")  # no difference
    with psycopg.connect(store.app_conninfo(bench.conninfo), autocommit=True) as connection:
        runner.follow(connection)
    with psycopg.connect(store.app_conninfo(bench.conninfo)) as connection, runner.look(connection) as cursor:
        found = losses.reversal_report(cursor, since=LONG_AGO, until=FAR_OFF, by=["kind", "person"])
        none = losses.reversal_report(cursor, since=day(20), until=FAR_OFF, by=[])
    taken_back, counted = found.lines
    assert (taken_back.kind, taken_back.person, taken_back.type, taken_back.entry_person) == (
        "reversal", "potter", "lost", "head-grower",
    )  # fmt: skip
    assert (taken_back.units, taken_back.value, taken_back.reason, taken_back.day) == (5, 500, "they live", day(2))
    assert taken_back.entry == slip.entries[0].told.id
    assert (counted.kind, counted.units, counted.value, counted.reason) == ("count-difference", -2, -200, "dusk")
    assert (counted.batch, counted.stage, counted.place, counted.day) == (batch, "potted", "G1", day(3))
    assert [(line.kind, line.person, line.times, line.moved, line.short, line.value) for line in found.sums] == [
        ("count-difference", "head-grower", 1, 0, 2, -200),
        ("reversal", "potter", 1, 5, 0, 500),
    ]
    assert (none.lines, none.sums) == ([], [])


# --- random histories against the auditor ----------------------------------------------------------------------

SEEDS = (40, 44)


@pytest.fixture(scope="module", params=SEEDS, ids=lambda seed: f"seed {seed}")
def history(request: pytest.FixtureRequest, cluster: str, template_database: str) -> Iterator[History]:
    """A nursery with a random history behind it; the seed replays it."""
    with fresh(cluster, template_database) as name:
        yield play(make_conninfo(cluster, dbname=name), Random(request.param), 120)


def audited(log: list[Fact]) -> Counter[tuple[Any, ...]]:
    """Losses as the auditor works them out from what was told: by crop, size, stage, month, cause, place and person."""
    undone = {fact["entry"] for fact in log if fact["type"] == "reversed"}
    names, persons = Names(log), Counter[tuple[Any, ...]]()
    for fact in log:
        if fact["type"] == "reversed" or fact["id"] in undone:
            continue
        for line in recorded_lines([fact]):
            if line.target.startswith("loss/") and is_standing(line.source):
                holder, stage, place = line.source.split("/")
                if stage != "stock":
                    cause = line.target.removeprefix("loss/")
                    key = (names.crop[holder], names.size[holder], stage, f"{line.at:%Y-%m}", cause, place, fact["by"])
                    persons[key] += line.units
    return persons


def test_losses_are_the_auditors_by_everything_that_they_are_told_apart_by(history: History) -> None:
    """Crop, size, stage, month, cause, place and person together, and each combination of two; net of what was taken back."""
    log = history.log()
    expected = audited(log)
    summed: Counter[tuple[Any, ...]] = Counter()
    for (crop, size, stage, _, cause, _, _), units in expected.items():
        summed[crop, size, stage, cause] += units
    book = {key: units for key, units in told(log).losses.items() if units and key[2] != "stock"}
    assert {key: units for key, units in summed.items() if units} == book
    for by in (ALL, ["crop", "cause"], ["person", "place"], ["month", "size"], ["stage"]):
        places = [place for place, name in enumerate(ALL) if name in by or name == "stage"]
        wanted: Counter[tuple[Any, ...]] = Counter()
        for key, units in expected.items():
            wanted[tuple(key[place] for place in places)] += units
        found: Counter[tuple[Any, ...]] = Counter()
        for rate in asked(history.conninfo, by=by).rates:
            found[tuple(getattr(rate, ALL[place]) for place in places)] += rate.lost
        assert {key: units for key, units in found.items() if units} == {key: units for key, units in wanted.items() if units}


@pytest.mark.parametrize("basis", get_args(shrink.Basis))
@pytest.mark.parametrize("by", [["crop", "size"], ["month"], [], ALL[:4]])
def test_never_more_is_lost_than_was_at_risk_and_all_losses_have_a_line(history: History, basis: str, by: list[str]) -> None:
    """On both bases; rates lie in their intervals; a cohort's losses are all losses, whenever its batches came in."""
    report = asked(history.conninfo, basis=basis, by=by)
    lost = sum(units for (_, _, stage, _), units in told(history.log()).losses.items() if stage != "stock")
    assert sum(rate.lost for rate in report.rates) == lost > 0
    for rate in report.rates:
        assert 0 <= rate.lost <= rate.of
        assert rate.low is not None
        assert rate.high is not None
        assert rate.low <= (rate.rate or 0) <= rate.high
        assert rate.batches > 0


def test_what_stood_at_a_month_s_beginning_and_came_in_is_what_the_movements_say(history: History) -> None:
    """The denominators of a calendar report over a period, added up from the movements themselves, batch by batch."""
    log = history.log()
    days = sorted({line.at.date() for line in recorded_lines(log)})
    since, until = days[len(days) // 3], days[2 * len(days) // 3]
    names = Names(log)
    found = {
        (rate.crop, rate.size, rate.stage): rate.of
        for rate in asked(history.conninfo, by=["crop", "size"], since=since, until=until).rates
    }
    opening, closing = Counter[tuple[Any, ...]](), Counter[tuple[Any, ...]]()
    for line in recorded_lines(log):
        for account, units in ((line.source, -line.units), (line.target, line.units)):
            if is_standing(account) and "/stock/" not in account:
                holder, stage, _ = account.split("/")
                key = (names.crop[holder], names.size[holder], stage)
                opening[key] += units if line.at.date() < since else 0
                closing[key] += units if line.at.date() <= until else 0
    for key, units in opening.items():
        assert found.get(key, 0) >= max(units, closing[key], 0)
    assert sum(found.values()) > 0
