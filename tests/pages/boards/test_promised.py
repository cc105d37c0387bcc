"""Promises as pages: by the week in which they are due, to be moved and released by who may, and how they were kept."""

from __future__ import annotations

from datetime import timedelta

from tests.pages.boards.conftest import HOYA, Desk, plain, today


def test_open_lines_stand_under_their_week_the_earliest_first(desk: Desk) -> None:
    """With order, what is open, and what it rests on."""
    desk.finished(40)
    later = today() + timedelta(days=21)
    desk.promise(3, "B-2", due=later)
    desk.promise(2, "B-1")
    said = plain(desk.read("/promises"))
    year, week, _ = later.isocalendar()
    assert f"Due in {year}-W{week:02}" in said
    assert said.index("B-1") < said.index("B-2")
    assert "2 open lines, 5 pots, 0 lines at risk" in said
    assert "B-1" not in plain(desk.read("/promises?order=B-2"))


def test_only_those_at_risk_if_asked(desk: Desk) -> None:
    """With the chance and the day to offer."""
    desk.finished(40)
    risky = desk.promise(3, "B-2")
    desk.promise(2, "B-1")
    desk.at_risk(risky, 3, [])
    said = plain(desk.read("/promises?at_risk=yes"))
    assert "3 short at least 50 %; offer" in said
    assert "B-1" not in said


def test_a_line_is_moved_and_released_from_its_page(desk: Desk) -> None:
    """Each is an entry by whoever holds the device."""
    desk.finished(40)
    promise = desk.promise(3, "B-2")
    page, later = f"/promises/{promise}", (today() + timedelta(days=9)).isoformat()
    assert desk.act(page, f"{page}/move", due=later).status_code == 303
    assert [(told["line"], told["due"], told["by"]) for told in desk.told("promise-moved")] == [(0, later, "head-grower")]
    assert desk.act(page, f"{page}/release", reason="the buyer gave up").status_code == 303
    assert "0 open" in plain(desk.read(page))
    assert desk.ask("/v1/open-lines")["lines"] == []


def test_a_day_that_has_passed_is_refused_and_said(desk: Desk) -> None:
    """Nothing is written then."""
    desk.finished(40)
    promise = desk.promise(3, "B-2", due=today() + timedelta(days=9))
    page = f"/promises/{promise}"
    answer = desk.act(page, f"{page}/move", due=(today() - timedelta(days=1)).isoformat())
    assert answer.status_code == 409
    assert "is past" in answer.text
    assert desk.told("promise-moved") == []


def test_deciding_needs_the_scope_of_promises(desk: Desk) -> None:
    """A grower's device reads them."""
    desk.finished(40)
    promise = desk.promise(3)
    desk.sign_in(("read", "write"))
    assert "Decide" not in desk.read("/promises")
    desk.read(f"/promises/{promise}", 403)


def test_lines_come_in_pages(desk: Desk) -> None:
    """The API leads on by the line's name; the total is of all."""
    desk.finished(40, HOYA)
    for number in range(5):
        desk.promise(1, f"C-{number}", HOYA)
    first = desk.ask("/v1/open-lines", limit=3)
    rest = desk.ask("/v1/open-lines", limit=3, after=first["next"])
    orders = [line["order"] for found in (first, rest) for line in found["lines"]]
    assert sorted(orders) == [f"C-{number}" for number in range(5)]
    assert (first["lines_in_all"], rest["next"]) == (5, None)


def test_how_well_promises_were_kept(desk: Desk) -> None:
    """Stated against kept, with the picture of it."""
    assert "No promise fell due" in desk.read("/kept")
    batch = desk.finished(40)
    desk.promise(3, "B-2")
    desk.tell("picked", order="B-2", batch=batch, place="G1", units=3, to="K1", occurred_at=today().isoformat() + "T00:00:01Z")
    page = desk.read("/kept")
    assert "counted stock 100.0 %" in plain(page)
    assert "/plots/kept.svg" in page
