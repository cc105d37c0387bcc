"""Counting as pages: risk first, a sheet that shows nothing of the book, and all its numbers written in one call."""

from __future__ import annotations

from tests.pages.boards.conftest import Desk, forms, plain


def test_the_place_that_may_be_off_by_most_comes_first(desk: Desk) -> None:
    """Many plants, counted long ago; a count takes it down the list."""
    many, _ = desk.finished(400), desk.finished(20, place="G2")
    assert [place["place"] for place in desk.ask("/v1/counts")["places"]] == ["G1", "G2"]
    before = desk.ask("/v1/counts")["places"][0]["may_be_off"]
    desk.act("/count/G1", "/count/G1", **{f"units.{many}/finished": "400"})
    after = {place["place"]: place["may_be_off"] for place in desk.ask("/v1/counts")["places"]}["G1"]
    assert after < before
    assert "Count G1" in desk.read("/count")


def test_a_sheet_shows_no_figure_of_the_book(desk: Desk) -> None:
    """Neither on the page nor in the API."""
    batch = desk.finished(387)
    page = desk.read("/count/G1")
    assert batch in page
    assert "387" not in page
    assert "units" not in desk.ask("/v1/counts/G1")["lines"][0]


def test_all_numbers_are_written_in_one_call_and_the_difference_is_shown(desk: Desk) -> None:
    """What was left empty was not counted; what the book does not have there is counted, too."""
    one, other, third = desk.finished(40), desk.finished(30), desk.finished(20, place="G2")
    fields = {f"units.{one}/finished": "38", "batch": third, "stage": "finished", "units": "3"}
    answer = desk.act("/count/G1", "/count/G1", **fields)
    said = plain(answer.text)
    assert "2 counts. They differ from the book by 5 plants in all" in said
    assert f"{one} finished 40 38 -2" in said
    assert f"{third} finished 0 3 +3" in said
    counted = desk.told("counted")
    assert {(told["batch"], told["units"], told["method"]) for told in counted} == {
        (one, 38, "blind-count"),
        (third, 3, "blind-count"),
    }
    assert desk.standing(other) == {"finished/G1": 30}


def test_a_number_far_off_is_asked_about_once_without_the_books_figure(desk: Desk) -> None:
    """Then it is written as it is."""
    batch = desk.finished(73)
    again = desk.act("/count/G1", "/count/G1", **{f"units.{batch}/finished": "7"})
    assert again.status_code == 409
    assert "Look again" in again.text
    assert "73" not in plain(again.text)
    assert desk.told("counted") == []
    sent = desk.send("/count/G1", forms(again.text)["/count/G1"][0])
    assert sent.status_code == 200
    assert desk.standing(batch) == {"finished/G1": 7}


def test_an_empty_sheet_and_a_word_for_a_number_are_refused(desk: Desk) -> None:
    """Nothing is written."""
    batch = desk.finished(40)
    assert desk.act("/count/G1", "/count/G1").status_code == 409
    assert desk.act("/count/G1", "/count/G1", **{f"units.{batch}/finished": "forty"}).status_code == 409
    assert desk.told("counted") == []


def test_the_same_sheet_sent_twice_is_written_once(desk: Desk) -> None:
    """Two taps are one count; another number on a sheet that was sent is not taken in silence."""
    batch = desk.finished(40)
    fields = forms(desk.read("/count/G1"))["/count/G1"][0] | {f"units.{batch}/finished": "39"}
    assert [desk.send("/count/G1", fields).status_code for _ in range(2)] == [200, 200]
    assert len(desk.told("counted")) == 1
    changed = fields | {f"units.{batch}/finished": "38"}
    assert desk.send("/count/G1", changed).status_code == 409
    assert desk.standing(batch) == {"finished/G1": 39}


def test_an_unknown_place_is_not_found(desk: Desk) -> None:
    """A page says so."""
    desk.read("/count/Z99", 404)
