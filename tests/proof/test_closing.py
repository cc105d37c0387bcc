"""Closing a month: in order, whole, for good; what comes late is counted on the first open day and keeps its true one."""

from __future__ import annotations

import contextlib
import json
import threading
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import psycopg
import pytest

from ledger import proving
from ledger.nursery import Nursery, Unavailable
from ledger.plants.entries import HeadSigned, PeriodClosed
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Refused
from ledger.projections import runner
from tests import auditor
from tests.proof.conftest import Books


def code_of(refused: pytest.ExceptionInfo[Refused]) -> str:
    """Why it was refused."""
    (problem,) = refused.value.problems
    return problem.code


def test_a_month_is_closed_with_a_signed_head_over_all_that_was_told(books: Books) -> None:
    """Both entries stand one after the other, and the head is outside as well."""
    books.opened()
    size = len(books.query("select from entries"))
    posted = books.close(books.before)
    head, closed = (entry.told for entry in posted.entries)
    assert isinstance(head, HeadSigned)
    assert isinstance(closed, PeriodClosed)
    assert (head.size, head.why, closed.size, closed.root) == (size, "close", size, head.root)
    assert [kept.signature for kept in books.seal.kept()[0]] == [head.signature]
    assert books.audit().findings == []


def test_months_are_closed_one_after_the_other_and_only_once_they_are_over(books: Books) -> None:
    """Not before the first of which anything is told, not twice, none left out, not the running one."""
    long_ago = books.before - timedelta(days=40)
    for month in (long_ago, books.this):
        with pytest.raises(Refused) as refused:
            books.close(month)
        assert code_of(refused) == "not-closable"
    books.close(books.before)
    with pytest.raises(Refused, match="closed already"):
        books.close(books.before)
    books.close(books.last)
    with pytest.raises(Refused, match="not over yet"):
        books.close(books.this)
    assert len(books.query("select from entries where type = 'period-closed'")) == 2
    assert len(books.seal.kept()[0]) == 2, "a close that is refused signs nothing"


def test_the_first_month_closed_closes_all_before_it(books: Books) -> None:
    """There is no open day before a closed one."""
    batch = books.opened()
    books.close(books.last)
    late = books.lose(batch, occurred_at=books.before + timedelta(days=3))
    assert late.booked_on == books.this.date()
    with pytest.raises(Refused, match="closed already"):
        books.close(books.before)


def test_a_close_and_a_head_are_not_taken_back(books: Books) -> None:
    """A head that is not the log's is not told either, whoever made it."""
    for entry in books.close(books.before).entries:
        with pytest.raises(Refused) as refused:
            books.tell("reversed", entry=str(entry.told.id), reason="no", occurred_at=datetime.now(UTC))
        assert code_of(refused) == "not-reversible"
    signed = books.seal.sign(5, "00" * 32, "asked", datetime.now(UTC))
    told = HeadSigned(
        id=uuid4(), occurred_at=datetime.now(UTC), by="tallybench",
        size=5, root=signed.root, key=signed.key, signature=signed.signature, why="asked",
    )  # fmt: skip
    with pytest.raises(Refused) as refused:
        books.nursery.post([told])
    assert code_of(refused) == "wrong-head"


def test_a_period_is_not_closed_on_another_head_than_the_one_just_signed(books: Books) -> None:
    """Neither without a head nor on an older one."""
    head = books.sign()
    books.sign()
    closed = PeriodClosed(
        id=uuid4(), occurred_at=datetime.now(UTC), by="head-grower",
        period=f"{books.before:%Y-%m}", size=head.size, root=head.root,
    )  # fmt: skip
    with pytest.raises(Refused) as refused:
        books.nursery.post([closed])
    assert code_of(refused) == "wrong-head"


def test_a_month_is_over_when_it_is_over_in_the_nursery(books: Books) -> None:
    """Not by the clock of the server or of Greenwich: closing follows the policy's time zone."""
    books.tell("policy-set", time_zone="Pacific/Kiritimati")  # 14 hours ahead
    late = books.before.replace(day=1) - timedelta(hours=9)  # 23:00 the day before in UTC: the first, 13:00, there
    batch = books.tell(
        "bought-in", crop="ixora-copper-thimble", stage="finished", size="P9", place="G1", units=5, supplier_batch="x",
        occurred_at=late,
    )  # fmt: skip
    assert batch.booked_on == books.before.date()
    books.close(books.before)
    assert books.query("select booked_on from entries where type = 'period-closed'")[0][0] >= books.this.date()


# --- what comes late ---------------------------------------------------------------------------------------------


def days(entry: Recorded) -> list[tuple[Any, Any]]:
    """Where the books count each movement, and where it happened."""
    return [(move.booked_on or entry.booked_on, move.happened_on or entry.happened_on) for move in entry.moves]


def test_a_late_entry_is_counted_on_the_first_open_day_and_keeps_its_true_one(books: Books) -> None:
    """Also the line against a count of the closed month; the balance is what was counted."""
    batch = books.opened()
    day = books.before + timedelta(days=9)
    books.tell("counted", batch=batch, stage="finished", place="G1", units=4_990, method="count", occurred_at=day)
    books.close(books.before)
    late = books.lose(batch, 10, occurred_at=day - timedelta(hours=1))
    first_open = books.last.date()
    assert (late.booked_on, late.happened_on, late.day) == (first_open, day.date(), day.date())
    assert days(late) == [(first_open, day.date())] * 2
    assert books.query("select units from p_cards.balances where holder = %s", batch) == [(4_990,)]
    timely = books.lose(batch, occurred_at=books.last + timedelta(hours=1))
    assert (timely.booked_on, timely.happened_on) == (first_open, None)


def test_what_takes_back_an_entry_of_a_closed_month_is_counted_on_the_first_open_day(books: Books) -> None:
    """The month that was reported stays as it was reported; the correction shows in the next."""
    batch = books.opened()
    lost = books.lose(batch, 7)
    count = books.tell("counted", batch=batch, stage="finished", place="G1", units=4_000, method="count")
    books.close(books.before)
    at = books.last + timedelta(days=4)
    for entry, units in ((count, 4_993), (lost, 5_000)):
        undone = books.tell("reversed", entry=str(entry.told.id), reason="a slip", occurred_at=at)
        assert (undone.booked_on, undone.happened_on) == (at.date(), None)
        assert {(move.booked_on, move.happened_on) for move in undone.moves} == {(books.last.date(), entry.booked_on)}
        assert books.query("select units from p_cards.balances where holder = %s", batch) == [(units,)]


def test_a_correction_stays_in_the_month_in_which_the_books_counted_what_it_corrects(books: Books) -> None:
    """An entry that came late is taken back where it was counted, not where it happened, as long as that is open."""
    batch = books.opened()
    books.close(books.before)
    late = books.lose(batch, 3, occurred_at=books.before + timedelta(days=5))
    undone = books.tell("reversed", entry=str(late.told.id), reason="a slip", occurred_at=books.this)
    assert days(undone) == [(books.last.date(), late.day)]
    again = books.lose(batch, 3, occurred_at=books.before + timedelta(days=5))
    books.close(books.last)
    undone = books.tell("reversed", entry=str(again.told.id), reason="a slip", occurred_at=books.this)
    assert days(undone) == [(books.this.date(), again.day)]


def test_the_sums_of_a_closed_month_never_change(books: Books) -> None:
    """Whatever is told later, by booking day the lines of the closed month sum up to what they did."""
    batch = books.opened()
    for _ in range(5):
        books.lose(batch, 2)
    kept = books.tell("counted", batch=batch, stage="finished", place="G1", units=4_980, method="count")
    question = "select account, sum(units) from p_lines.lines where booked_on < %s group by 1 order by 1"
    books.close(books.before)
    closed = books.query(question, books.last.date())
    assert closed
    for hours in (0.5, 2, 300):
        books.lose(batch, 1, occurred_at=books.before + timedelta(hours=hours))
    books.tell("reversed", entry=str(kept.told.id), reason="a slip", occurred_at=books.this)
    books.follow()
    assert books.query(question, books.last.date()) == closed
    assert runner.verify(books.conninfo) == []


def test_a_plant_born_late_is_as_old_as_it_is(books: Books) -> None:
    """Where the books count it is no birthday."""
    books.opened()
    books.close(books.before)
    at = books.before + timedelta(days=6)
    come = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": "G1", "supplier_batch": "x"}
    came: Any = books.tell("bought-in", units=5, occurred_at=at, **come)
    assert came.booked_on == books.last.date()
    born = books.query("select card ->> 'born_on' from p_cards.cards where key = %s", came.told.batch)
    assert born == [(at.date().isoformat(),)]


def test_late_entries_are_listed_with_their_true_day(books: Books) -> None:
    """Those that happened in a closed month, and those that take back what did; no others."""
    batch = books.opened()
    early = books.lose(batch, 4)
    books.close(books.before)
    books.lose(batch, occurred_at=books.last + timedelta(hours=1))
    late = books.lose(batch, 2, occurred_at=books.before + timedelta(days=2), note='it says "happened_on":"2020-01-01"')
    stopped = books.tell("stopped", reason="quality", batch=batch, occurred_at=books.before + timedelta(days=3))
    undone = books.tell("reversed", entry=str(early.told.id), reason="a slip", occurred_at=books.this)
    with books.look() as cursor:
        found = proving.late_report(cursor, books.before.date(), books.this.date()).entries
        assert proving.late_report(cursor, books.before.date(), books.before.date()).entries == []
    first_open = books.last.date()
    assert [(line.position, line.happened_on, line.booked_on) for line in found] == [
        (late.position, late.day, first_open),
        (stopped.position, stopped.day, first_open),
        (undone.position, early.day, first_open),
    ]
    assert [line.of for line in found] == [None, None, early.told.id]
    assert [sum(move.units for move in line.moves) for line in found] == [2, 0, 4]


# --- all or nothing ------------------------------------------------------------------------------------------------


class Killed(BaseException):
    """The process died there."""


def test_killed_between_the_head_and_the_close_nothing_is_half_closed(books: Books, monkeypatch: pytest.MonkeyPatch) -> None:
    """The head outside is true of the log, the log knows neither, and closing again closes."""
    books.opened()

    def killed(*_: Any, **__: Any) -> Any:
        raise Killed

    with monkeypatch.context() as patch:
        patch.setattr(Nursery, "post", killed)
        with pytest.raises(Killed):
            books.close(books.before)
    assert len(books.seal.kept()[0]) == 1
    assert books.query("select from entries where type in ('head-signed', 'period-closed')") == []
    assert books.audit().findings == []
    books.close(books.before)
    assert len(books.query("select from entries where type in ('head-signed', 'period-closed')")) == 2
    assert books.audit().findings == []


def test_a_close_that_loses_its_connection_in_the_middle_leaves_neither(books: Books) -> None:
    """Killed by the server while it writes: both entries or none, and a second try stands."""
    books.opened()
    size = len(books.query("select from entries"))
    for delay in (0.0, 0.002, 0.004, 0.008, 0.016, 0.03, 10.0):
        stop = threading.Timer(delay, books.disconnect)
        stop.start()
        with contextlib.suppress(Unavailable, psycopg.OperationalError):
            books.close(books.before)
        stop.cancel()
        stop.join()
        written = len(books.query("select from entries")) - size
        assert written in (0, 2)
        if written:
            break
        books.nursery.close()  # its connection is gone, which it would find out at its next turn
    assert len(books.query("select from entries where type = 'period-closed'")) == 1
    assert len(books.query("select from entries where type = 'head-signed'")) == 1
    assert books.audit().findings == []


def test_the_referee_agrees_where_the_books_count_everything(books: Books) -> None:
    """A second reading of closes and days, without a line of the product."""
    batch = books.opened()
    early = books.lose(batch, 4)
    books.tell("counted", batch=batch, stage="finished", place="G1", units=4_990, method="count")
    books.close(books.before)
    books.lose(batch, 3, occurred_at=books.teller.now - timedelta(seconds=90))
    books.tell("reversed", entry=str(early.told.id), reason="a slip", occurred_at=books.this)
    books.close(books.last)
    books.lose(batch, 1, occurred_at=books.last)
    log = [auditor.flat(json.loads(row[0])) for row in books.query("select content from entries order by position")]
    assert list(auditor.bookings(log, "UTC")) == []
    wrong = [{**fact, "booked_on": "2020-01-01"} if fact["type"] == "lost" else fact for fact in log]
    assert list(auditor.bookings(wrong, "UTC"))
