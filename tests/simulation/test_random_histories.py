"""Random histories of a nursery, through the real pen, against an auditor that shares no code with it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from random import Random

import psycopg
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from psycopg import sql

from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants.entries import TYPES
from ledger.projections import runner
from tests.auditor import audit, told
from tests.simulation.conftest import FreshLedger
from tests.simulation.histories import Teller
from tests.simulation.playing import History, head, play, query

ROUNDS = 250


@pytest.fixture(scope="module", params=[1, 2, 3], ids=lambda seed: f"seed {seed}")
def history(request: pytest.FixtureRequest, fresh_ledger: FreshLedger) -> Iterator[History]:
    """A nursery with a few hundred entries behind it; the seed replays it."""
    with fresh_ledger() as conninfo:
        yield play(conninfo, Random(request.param), ROUNDS)


def test_the_book_ties_to_what_was_told(history: History) -> None:
    """Sum of every unit 0, movements positive and two-sided, positions dense, and every balance of every moment as told."""
    book, findings = audit(history.log())
    assert findings == []
    assert history.balances() == {key: units for key, units in book.balance.items() if units}


def test_no_account_was_ever_below_zero(history: History) -> None:
    """Never negative at any moment in occurred order, whatever had been told by then."""
    log = history.log()
    for length in range(1, len(log) + 1):
        assert told(log[:length]).overdrawn == []


def test_a_rebuild_equals_what_stands(history: History) -> None:
    """Every projection replayed into empty tables equals the live one, row by row."""
    assert runner.verify(history.conninfo) == []


def test_a_replay_stopped_and_resumed_equals_a_whole_one(history: History) -> None:
    """Wherever a replay is interrupted, a new process goes on from there and ends with the same rows."""
    random = Random(7)
    length = len(history.log())
    for name in runner.ALL:
        cuts = sorted({random.randint(1, length) for _ in range(9)} | {length})
        assert resumed_apart(history.conninfo, name, cuts) == []


def resumed_apart(conninfo: str, name: str, cuts: list[int]) -> list[tuple[object, ...]]:
    """Rows in which a projection replayed from cut to cut, each time by a new object, differs from the live one."""
    apart: list[tuple[object, ...]] = []
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection, connection.transaction(force_rollback=True):
        connection.execute("create schema resumed")
        connection.execute("set local search_path to resumed, public")
        connection.execute(runner.ALL[name]().tables)
        after = 0
        for upto in cuts:
            with connection.cursor() as cursor:
                runner.ALL[name]().apply(cursor, store.read(cursor, after, upto - after))
            after = upto
        for (table,) in connection.execute(
            "select table_name from information_schema.tables where table_schema = 'resumed'"
        ).fetchall():
            sides = sql.Identifier("resumed", table), sql.Identifier(f"p_{name}", table)
            for one, other in (sides, sides[::-1]):
                apart += connection.execute(
                    sql.SQL("select * from {} except all select * from {}").format(one, other)
                ).fetchall()
    return apart


def test_a_refused_entry_leaves_no_trace(history: History) -> None:
    """After a refusal the pen, the log and the tables are as they were; no position is used up."""
    heads = [refusal.heads for refusal in history.refusals if refusal.heads is not None]
    assert heads
    assert [before for before, _ in heads] == [after for _, after in heads]


#: entries that take from an account exactly what they say, so that a refusal for want of plants can be held to the book
TAKES_ALL = (
    "lost",
    "moved",
    "picked",
    "shipped",
    "set-back",
    "renamed",
    "merged",
    "potted-up",
    "given-out",
    "planted-as-stock",
)


def test_nothing_is_refused_for_want_of_plants_that_stood_there(history: History) -> None:
    """Where the ledger refuses because it would fall below zero, the auditor, told the same, finds it below zero too."""
    tried = 0
    for refusal in history.refusals:
        if len(refusal.posted) > 1:
            continue
        (fact,), problem = refusal.posted, refusal.problems[0]
        short = problem.code == "not-enough-standing" and fact["type"] in TAKES_ALL
        breaks = problem.code == "breaks-later-fact" and "account" in problem.data
        if short or breaks:
            new_batch = {"into": "24W99-01X"} if fact["type"] in ("merged", "potted-up", "renamed") else {}
            supposed = [*refusal.log, {**new_batch, **fact, "position": len(refusal.log) + 1}]
            assert told(supposed).overdrawn, f"{fact} was refused: {problem.detail}"
            tried += 1
    assert tried > 0


def test_the_same_list_again_is_answered_again_and_written_once(history: History) -> None:
    """An id that is known is answered as it was the first time; the log does not grow."""
    before = head(history.conninfo)
    with Nursery(history.conninfo) as nursery:
        for facts in history.posted[-20:]:
            entries = [codec.encode(entry).decode() for entry in nursery.post(codec.read_told(facts)).entries]
            rows = query(history.conninfo, "select content from entries order by position")
            assert set(entries) <= {row[0] for row in rows}
    assert head(history.conninfo) == before


def test_the_histories_are_worth_their_while(history: History) -> None:
    """Most of what is told is accepted, nearly every type of entry occurs, and late slips, reversals and counts abound."""
    log = history.log()
    kinds = Counter(fact["type"] for fact in log)
    assert len(history.posted) > ROUNDS * 2 / 3
    about_plants = {kind for kind, record in TYPES.items() if record.REVERSIBLE}
    assert len(about_plants - set(kinds)) <= 4, about_plants - set(kinds)
    assert kinds["counted"] > 10
    assert kinds["reversed"] > 5
    assert sum("count" in move for fact in log if fact["type"] != "counted" for move in fact.get("moves", [])) > 5
    codes = {problem.code for refusal in history.refusals for problem in refusal.problems}
    assert codes >= {"not-enough-standing", "unknown-code"}


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])
@given(random=st.randoms(use_true_random=False), rounds=st.integers(min_value=1, max_value=25))
def test_whatever_is_told_the_book_ties(fresh_ledger: FreshLedger, random: Random, rounds: int) -> None:
    """As above for short histories, which hypothesis makes as small as they can be when one of them fails."""
    with fresh_ledger() as conninfo:
        history = play(conninfo, random, rounds)
        book, findings = audit(history.log())
        assert findings == []
        assert history.balances() == {key: units for key, units in book.balance.items() if units}
        assert runner.verify(conninfo) == []
        assert all(refusal.heads[0] == refusal.heads[1] for refusal in history.refusals if refusal.heads)


def test_one_seed_tells_one_history() -> None:
    """The same seed makes the same entries, so that a failure can be looked at again."""
    told_once, told_again = (Teller(Random(11)).opening() for _ in range(2))
    assert told_once == told_again
