"""The potting list as a page: closed and given out, answered line by line, the pots and the answer in one call."""

from __future__ import annotations

from datetime import date, timedelta

import pytest

from tests.pages.boards.conftest import IXORA, Desk, forms, now, plain, today


@pytest.fixture
def asked(desk: Desk) -> tuple[Desk, str, date]:
    """Six ixoras promised out of potting: the desk, the batch of 60 plugs at H1, and the day of the list."""
    desk.finished(1)
    plugs = str(desk.tell("opened", crop=IXORA, stage="rooted", place="H1", units=60)["batch"])
    desk.forecast({}, [(0, 0)], {plugs: 60})
    desk.promise(6, due=today() + timedelta(weeks=20))
    (day,) = {line["potting_on"] for promise in desk.ask("/v1/promises")["promises"] for line in promise["lines"].values()}
    return desk, plugs, date.fromisoformat(day)


def issued(desk: Desk) -> int:
    """The list is given out; the pots that it asks for."""
    assert desk.act("/potting", "/potting/issue").status_code == 303
    return int(desk.ask("/v1/potting-list")["lines"][0]["line"]["pots"])


def test_no_list_is_asked_for(desk: Desk) -> None:
    """The page says so."""
    assert "No promise asks for potting" in desk.read("/potting")


def test_a_list_is_closed_and_gets_its_trays(asked: tuple[Desk, str, date]) -> None:
    """Before, it stands as it is so far."""
    desk, plugs, day = asked
    assert "as it stands so far" in desk.read("/potting")
    pots = issued(desk)
    said = plain(desk.read("/potting"))
    assert f"{pots} pots" in said
    assert f"{plugs} H1 {pots} plugs" in said
    assert [told["day"] for told in desk.told("potting-issued")] == [day.isoformat()]


def test_a_line_is_answered_with_what_was_potted_from_the_tray(asked: tuple[Desk, str, date]) -> None:
    """The pots stand where they were set down; the list says that it is answered."""
    desk, plugs, day = asked
    pots = issued(desk)
    answer = desk.act("/potting", "/potting/answer", **{"pots.1": str(pots), "broken.1": "2", "to": "G1"})
    assert answer.status_code == 303
    (potted,), (told,) = desk.told("potted"), desk.told("potting-answered")
    assert (potted["plugs"], potted["pots"], potted["casualties"], potted["listed"]) == (pots + 2, pots, 2, day.isoformat())
    assert (told["potted"], "because" in told) == (pots, False)
    assert desk.standing(plugs) == {"rooted/H1": 60 - pots - 2}
    assert f"Answered: {pots} potted" in plain(desk.read(f"/potting?day={day}"))


def test_fewer_need_a_reason(asked: tuple[Desk, str, date]) -> None:
    """Without one nothing is written, neither the pots nor the answer."""
    desk, plugs, _ = asked
    issued(desk)
    fewer = {"pots.1": "4", "to": "G1"}
    assert desk.act("/potting", "/potting/answer", **fewer).status_code == 409
    assert desk.standing(plugs) == {"rooted/H1": 60}
    assert desk.act("/potting", "/potting/answer", **fewer, because="not-rooted-through").status_code == 303
    assert [(told["potted"], told["because"]) for told in desk.told("potting-answered")] == [(4, "not-rooted-through")]


def test_none_were_potted(asked: tuple[Desk, str, date]) -> None:
    """Broken plugs are lost all the same."""
    desk, plugs, _ = asked
    issued(desk)
    desk.act("/potting", "/potting/answer", **{"broken.1": "3", "because": "no-time"})
    assert [(told["potted"], told["because"]) for told in desk.told("potting-answered")] == [(0, "no-time")]
    assert desk.standing(plugs) == {"rooted/H1": 57}


def test_pots_told_before_count_in_the_answer(asked: tuple[Desk, str, date]) -> None:
    """What was written down at the bench need not be written again."""
    desk, plugs, day = asked
    pots = issued(desk)
    at_the_bench = {"batch": plugs, "place": "H1", "size": "P9", "plugs": 3, "pots": 3, "to": "G1", "listed": day.isoformat()}
    desk.tell("potted", **at_the_bench, occurred_at=now())
    assert "3 are written down as potted" in plain(desk.read("/potting"))
    desk.act("/potting", "/potting/answer", **{"pots.1": str(pots - 3), "to": "G1"})
    assert [told["potted"] for told in desk.told("potting-answered")] == [pots]


def test_the_same_answer_sent_twice_is_written_once(asked: tuple[Desk, str, date]) -> None:
    """Two taps are one answer."""
    desk, _, _ = asked
    pots = issued(desk)
    fields = forms(desk.read("/potting"))["/potting/answer"][0] | {"pots.1": str(pots), "to": "G1"}
    assert [desk.send("/potting/answer", fields).status_code for _ in range(2)] == [303, 303]
    assert len(desk.told("potted")) == 1


def test_a_day_that_is_none_is_refused(desk: Desk) -> None:
    """With how to write one."""
    assert "2026-11-24" in desk.read("/potting?day=tomorrow", 400)
