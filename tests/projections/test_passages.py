"""Passages: how plants went through the stages of a batch, by day. They tie to what stands, and count no plant twice."""

from __future__ import annotations

from collections import Counter
from datetime import date, timedelta
from typing import Any

import psycopg
import pytest

from ledger.log import codec, store
from ledger.nursery import Nursery, Posted
from ledger.plants.entries import type_of
from ledger.projections import runner
from tests.simulation.playing import History, query
from tests.telling import START, Teller

CROP = "ixora-copper-thimble"
NEXT_DAY = START + timedelta(days=1)

#: (stage, flow, via): units, summed over the days; zeros left out
Flows = dict[tuple[str, str, str], int]


class Bench:
    """A nursery in which things happen to one batch of growing pots, a day apart."""

    def __init__(self, nursery: Nursery, conninfo: str) -> None:
        self.nursery = nursery
        self.conninfo = conninfo
        self.teller = Teller()
        nursery.post(codec.read_told(self.teller.beginnings()))
        self.days = 0
        pots = {"crop": CROP, "stage": "potted", "size": "P9", "place": "G1", "units": 100, "supplier_batch": "7"}
        self.batch = self.number(self.post("bought-in", **pots))
        self.post("cleared", stop=self.last.entries[0].told.id, because="looked at", batch=self.batch)

    def post(self, kind: str, **fields: Any) -> Posted:
        """One entry, on the next day unless it says when."""
        if "occurred_at" not in fields:
            self.days += 1
            fields["occurred_at"] = START + timedelta(days=self.days)
        told = {name: str(value) if name in ("stop", "entry") else value for name, value in fields.items()}
        posted = self.nursery.post(codec.read_told(self.teller.fact(kind, **told)))
        if kind != "cleared":
            self.last = posted
        return posted

    def number(self, posted: Posted) -> str:
        """The batch that an entry made or is about."""
        told: Any = posted.entries[0].told
        number: str = getattr(told, "into", None) or told.batch
        return number

    def graded(self, finished: int, **fields: Any) -> Posted:
        """Pots looked over at G1; the good ones go to G2."""
        return self.post("graded", batch=self.batch, place="G1", finished=finished, to="G2", **fields)

    def reverse(self, posted: Posted) -> Posted:
        """Take an entry back."""
        return self.post("reversed", entry=posted.entries[0].told.id, reason="a slip of the pen")

    def flows(self, batch: str | None = None) -> Flows:
        """What came of it all."""
        with psycopg.connect(store.app_conninfo(self.conninfo), autocommit=True) as connection:
            runner.follow(connection)
            rows = connection.execute(
                "select stage, flow, via, sum(units)::bigint from passages where batch = %s"
                " group by 1, 2, 3 having sum(units) <> 0",
                [batch or self.batch],
            )
            return {(stage, flow, via): units for stage, flow, via, units in rows}

    def by_day(self, stage: str, flow: str) -> dict[date, int]:
        """One flow by days; zeros left out."""
        self.flows()
        rows = query(self.conninfo, "select day, stage, flow, batch, units from passages where units <> 0")
        found: Counter[date] = Counter()
        for day, row_stage, row_flow, batch, units in rows:
            if (row_stage, row_flow, batch) == (stage, flow, self.batch):
                found[day] += units
        return dict(found)


@pytest.fixture
def bench(nursery: Nursery, database: str) -> Bench:
    """One hundred pots growing at G1."""
    return Bench(nursery, database)


BEGUN: Flows = {("potted", "entered", "bought-in"): 100}


def test_plants_enter_leave_and_are_lost(bench: Bench) -> None:
    """The plain way: from growing to finished, to the order, out; with losses on the way."""
    bench.graded(60, held_back=20, seconds=5, culled=3)
    bench.post("lost", batch=bench.batch, stage="potted", place="G1", units=4, cause="rot")
    bench.post("picked", order="A-1", batch=bench.batch, place="G2", units=10, to="K1")
    lines = [{"batch": bench.batch, "place": "K1", "units": 9}]
    bench.post("shipped", order="A-1", carrier="own van", region="north", lines=lines)
    bench.post("sold-here", batch=bench.batch, stage="seconds", place="G2", units=2, price="3.00")
    assert bench.flows() == BEGUN | {
        ("potted", "left", "finished"): 60,
        ("potted", "left", "seconds"): 5,
        ("potted", "lost", "graded-out"): 3,
        ("potted", "lost", "rot"): 4,
        ("finished", "entered", "potted"): 60,
        ("seconds", "entered", "potted"): 5,
        ("finished", "left", "picked"): 10,
        ("picked", "entered", "finished"): 10,
        ("picked", "left", "shipped"): 9,
        ("seconds", "left", "shipped"): 2,
    }


def test_a_move_from_place_to_place_is_no_passage(bench: Bench) -> None:
    """Stages are what counts here, not benches."""
    bench.post("moved", batch=bench.batch, stage="potted", place="G1", to="G2", units=30)
    assert bench.flows() == BEGUN


def test_a_set_back_takes_the_earlier_passage_back(bench: Bench) -> None:
    """A plant cut back and finished again came through once, not twice."""
    bench.graded(40)
    bench.post("set-back", batch=bench.batch, place="G2", units=15, to="G1", reason="too leggy")
    through = {("potted", "left", "finished"): 25, ("finished", "entered", "potted"): 25}
    assert bench.flows() == BEGUN | through
    bench.graded(15)
    assert bench.flows() == BEGUN | dict.fromkeys(through, 40)


def test_a_put_back_takes_the_pick_back(bench: Bench) -> None:
    """The plant went to the order and came back: as if it had not been picked."""
    bench.graded(40)
    before = bench.flows()
    bench.post("picked", order="A-1", batch=bench.batch, place="G2", units=12, to="K1")
    bench.post("put-back", order="A-1", batch=bench.batch, place="K1", units=12, to="G2")
    assert bench.flows() == before


@pytest.mark.parametrize(
    ("kind", "fields"),
    [
        ("lost", {"stage": "finished", "place": "G2", "units": 4, "cause": "rot"}),
        ("graded", {"place": "G1", "finished": 20, "seconds": 5, "culled": 3, "to": "G1"}),
        ("set-back", {"place": "G2", "units": 15, "to": "G1", "reason": "too leggy"}),
        ("picked", {"order": "A-1", "place": "G2", "units": 12, "to": "K1"}),
        ("moved", {"stage": "finished", "place": "G2", "to": "G1", "units": 9}),
        ("sold-here", {"place": "G2", "units": 2, "price": "8.50"}),
        ("given-out", {"stage": "finished", "place": "G2", "units": 2, "why": "a sample", "approved_by": "head-grower"}),
        (
            "planted-as-stock",
            {"stage": "finished", "place": "G2", "units": 2, "why": "good ones", "approved_by": "head-grower"},
        ),
        ("potted-up", {"place": "G2", "size": "C2", "pots": 6, "casualties": 2, "to": "G1"}),
        ("counted", {"stage": "finished", "place": "G2", "units": 37, "method": "count"}),
        ("counted", {"stage": "finished", "place": "G2", "units": 44, "method": "blind-count"}),
        ("counted", {"stage": "finished", "place": "G2", "units": 12, "method": "estimate"}),
        ("renamed", {"stage": "finished", "place": "G2", "units": 6, "crop": "hoya-pewter-spoon", "evidence": "it flowered"}),
    ],
)
def test_a_reversal_takes_its_entrys_passages_back(bench: Bench, kind: str, fields: dict[str, Any]) -> None:
    """On the day of what it takes back: every day of every flow is as if it had never been told."""
    bench.graded(40)
    before, by_day = bench.flows(), bench.by_day("finished", "entered")
    posted = bench.post(kind, batch=bench.batch, **fields)
    if kind != "moved" and fields.get("method") != "estimate":
        assert bench.flows() != before
    bench.reverse(posted)
    assert bench.flows() == before
    assert bench.by_day("finished", "entered") == by_day
    made = getattr(posted.entries[0].told, "into", None)
    assert made is None or bench.flows(made) == {}
    assert query(bench.conninfo, "select stage, day, units from passages where units <> 0 and flow = 'counted'") == []


def test_batches_put_together_are_joined_and_not_entered(bench: Bench) -> None:
    """What enters a stage is counted once in the family: in the batch where it did."""
    pots = {"crop": CROP, "stage": "potted", "size": "P9", "place": "G1", "units": 50, "supplier_batch": "8"}
    other = bench.number(bench.post("bought-in", **pots))
    sources = [{"batch": bench.batch, "place": "G1", "units": 30}, {"batch": other, "place": "G1", "units": 50}]
    both = bench.number(bench.post("merged", stage="potted", sources=sources, place="G2"))
    assert bench.flows() == BEGUN | {("potted", "joined", both): -30}
    assert bench.flows(other) == {("potted", "entered", "bought-in"): 50, ("potted", "joined", both): -50}
    assert bench.flows(both) == {("potted", "joined", bench.batch): 30, ("potted", "joined", other): 50}


def test_a_late_slip_takes_its_units_out_of_the_count_difference(bench: Bench) -> None:
    """Three found missing, then told as rot: lost 3, and the net difference of the count is 0."""
    count_at = START + timedelta(days=9)
    bench.post("counted", batch=bench.batch, stage="potted", place="G1", units=97, method="count", occurred_at=count_at)
    assert bench.flows() == BEGUN | {("potted", "counted", ""): -3}
    for units in (1, 2):
        at = count_at - timedelta(hours=units)
        bench.post("lost", batch=bench.batch, stage="potted", place="G1", units=units, cause="rot", occurred_at=at)
    assert bench.flows() == BEGUN | {("potted", "lost", "rot"): 3}
    assert query(bench.conninfo, "select units, day from count_differences") == [(0, count_at.date())]


# --- random histories ------------------------------------------------------------------------------------------


def test_passages_tie_to_what_stands(played: History) -> None:
    """For every batch and stage: entered + joined + counted - left - lost = standing, also where nothing stands any more."""
    sums: Counter[tuple[str, str]] = Counter()
    for batch, stage, flow, units in query(played.conninfo, "select batch, stage, flow, units from passages"):
        sums[batch, stage] += -units if flow in ("left", "lost") else units
    standing = query(
        played.conninfo,
        "select holder, stage, sum(units)::bigint from balances where holder is not null and stage <> 'stock' group by 1, 2",
    )
    assert len(standing) > 20
    assert {key: units for key, units in sums.items() if units} == {(row[0], row[1]): row[2] for row in standing if row[2]}


def test_passages_tie_to_what_stood_on_every_day(played: History) -> None:
    """The same up to any day: what the passages say stood in a stage is what the lines of the log add up to."""
    stood = query(
        played.conninfo,
        "select holder, stage, booked_on, sum(units)::bigint from lines where holder is not null and stage <> 'stock'"
        " group by 1, 2, 3",
    )
    by_lines = {(row[0], row[1], row[2]): row[3] for row in stood if row[3]}
    by_passages: Counter[tuple[str, str, date]] = Counter()
    for batch, stage, day, flow, units in query(played.conninfo, "select batch, stage, day, flow, units from passages"):
        by_passages[batch, stage, day] += -units if flow in ("left", "lost") else units
    assert {key: units for key, units in by_passages.items() if units} == by_lines


def test_what_leaves_a_stage_for_the_next_enters_it(played: History) -> None:
    """Within a batch, per pair of stages."""
    rows = query(
        played.conninfo,
        "select batch, stage, flow, via, sum(units)::bigint from passages"
        " where flow in ('entered', 'left') group by 1, 2, 3, 4",
    )
    stages = {"gathered", "struck", "rooted", "potted", "finished", "seconds", "picked"}
    left = {(batch, stage, via): units for batch, stage, flow, via, units in rows if flow == "left" and via in stages}
    entered = {(batch, via, stage): units for batch, stage, flow, via, units in rows if flow == "entered" and via in stages}
    assert left
    assert left == entered


def test_what_one_batch_gave_another_joined_it(played: History) -> None:
    """Merging and renaming: both sides, with opposite signs."""
    rows = query(
        played.conninfo, "select batch, via, stage, sum(units)::bigint from passages where flow = 'joined' group by 1, 2, 3"
    )
    joined = {(batch, via, stage): units for batch, via, stage, units in rows}
    assert joined
    assert joined == {(via, batch, stage): -units for (batch, via, stage), units in joined.items()}


def test_losses_tie_to_the_loss_accounts(played: History) -> None:
    """Every plant on a loss account passed a stage as lost, but for stock plants, which have none."""
    lost = query(played.conninfo, "select via, sum(units)::bigint from passages where flow = 'lost' group by 1")
    accounts = query(
        played.conninfo,
        "select substr(account, 6), sum(units)::bigint from balances"
        " where account like 'loss/%' and unit <> 'stock-plant' group by 1",
    )
    assert {cause: units for cause, units in lost if units} == {cause: units for cause, units in accounts if units}
    assert lost


def test_count_differences_tie_to_their_account_and_to_the_passages(played: History) -> None:
    """Net of late slips and reversals: by count, by stage, and on the outside account."""
    ((counted,),) = query(played.conninfo, "select sum(units)::bigint from passages where flow = 'counted'")
    ((differences,),) = query(played.conninfo, "select sum(units)::bigint from count_differences")
    ((account,),) = query(played.conninfo, "select sum(units)::bigint from balances where account = 'count-difference'")
    assert counted == differences == -account
    counts = query(played.conninfo, "select entry from count_differences where units <> 0")
    reversed_counts = query(
        played.conninfo,
        "select c.id from entries c join entries r on r.reverses = c.id where c.type = 'counted'",
    )
    assert len(counts) > 5
    assert not set(counts) & set(reversed_counts), "a count that was taken back has no difference"


def test_the_histories_hold_what_these_properties_are_about(played: History) -> None:
    """Set-backs, put-backs, counts, merges, reversals: a history without them would prove little."""
    with psycopg.connect(store.owner_conninfo(played.conninfo)) as connection:
        kinds = Counter(type_of(entry.told) for entry in store.replay(connection))
    assert min(kinds[kind] for kind in ("set-back", "put-back", "counted", "merged", "reversed", "renamed")) > 0
