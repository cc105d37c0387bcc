"""Today: everything that needs a decision is on it, with the way to act, and what is decided there is written once."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from tests.pages.boards.conftest import HOYA, IXORA, Desk, forms, heard, now, plain, today


def test_the_root_leads_to_today_and_a_stranger_to_the_sign_in(desk: Desk) -> None:
    """Whoever has not signed in sees nothing of the nursery."""
    assert desk.client.get("/", follow_redirects=False).headers["Location"] == "/today"
    desk.client.cookies.clear()
    assert desk.client.get("/today", follow_redirects=False).headers["Location"] == "/sign-in?next=/today"


def test_a_quiet_nursery_has_nothing_to_decide_but_that_it_has_no_forecast(desk: Desk) -> None:
    """Every list is there and says that it is empty; what is wrong comes first."""
    said = plain(desk.read("/today"))
    assert "The forecast is stale" in said
    for nothing in ("Nothing looks like it", "None is overdue", "None is near its limit", "Nothing is stopped"):
        assert nothing in said


def two_slips(desk: Desk) -> tuple[dict[str, Any], dict[str, Any]]:
    """The same loss by two people."""
    batch = desk.finished(40)
    lost = {"batch": batch, "stage": "finished", "place": "G1", "units": 3, "cause": "rot"}
    return desk.tell("lost", **lost), desk.tell("lost", **lost, by="potter")


def test_two_slips_that_both_happened_are_answered(desk: Desk) -> None:
    """The question is gone then, and both stay."""
    _, second = two_slips(desk)
    assert "3 pots finished at G1 lost: rot" in plain(desk.read("/today"))
    assert desk.act("/today", "/today/question", do="both").status_code == 303
    assert [told["entry"] for told in desk.told("answered")] == [second["id"]]
    assert "/today/question" not in forms(desk.read("/today"))


@pytest.mark.parametrize("which", ["first", "second"])
def test_of_two_slips_of_one_job_either_is_taken_back(desk: Desk, which: str) -> None:
    """By a reversal that says why."""
    slips = dict(zip(("first", "second"), two_slips(desk), strict=True))
    assert desk.act("/today", "/today/question", do=which).status_code == 303
    (told,) = desk.told("reversed")
    assert (told["entry"], told["reason"]) == (slips[which]["id"], "One job, written down twice")


def test_two_taps_write_once(desk: Desk) -> None:
    """The form carries the id of what it writes."""
    two_slips(desk)
    fields = forms(desk.read("/today"))["/today/question"][0] | {"do": "both"}
    assert [desk.send("/today/question", fields).status_code for _ in range(2)] == [303, 303]
    assert len(desk.told("answered")) == 1


def test_a_form_of_another_site_is_refused(desk: Desk) -> None:
    """Without the token of the session nothing is written."""
    two_slips(desk)
    fields = forms(desk.read("/today"))["/today/question"][0] | {"do": "both", "token": "guessed"}
    assert desk.send("/today/question", fields).status_code == 403
    assert desk.told("answered") == []


def test_a_device_in_nobodys_hands_is_asked_whose_they_are(desk: Desk) -> None:
    """Every entry has a person."""
    two_slips(desk)
    desk.sign_in(person=None)
    answer = desk.act("/today", "/today/question", do="both")
    assert answer.headers["Location"] == "/who?next=/today"
    assert desk.told("answered") == []


def test_a_hold_is_shown_on_its_day_and_ends(desk: Desk) -> None:
    """Not before that day; of an order and of a batch alike."""
    batch = desk.finished(40)
    yesterday = (today() - timedelta(days=1)).isoformat()
    held = desk.tell("held", reason="buyer", review_on=yesterday, batch=batch, units=4)
    desk.tell("held", reason="weather", review_on=(today() + timedelta(days=3)).isoformat(), order="Z-9")
    said = plain(desk.read("/today"))
    assert f"4 of {batch} waits for: the buyer" in said
    assert "Z-9" not in said
    assert desk.act("/today", "/today/hold", do="end").status_code == 303
    (ended,) = desk.told("hold-ended")
    assert (ended["hold"], ended["batch"]) == (held["id"], batch)
    assert "Nothing is due to be looked at" in plain(desk.read("/today"))


def test_a_hold_is_put_off_to_a_later_day(desk: Desk) -> None:
    """One hold ends and another begins, both or neither."""
    desk.tell("held", reason="weather", review_on=today().isoformat(), order="Z-9")
    later = (today() + timedelta(days=5)).isoformat()
    desk.act("/today", "/today/hold", do="later", review_on=later)
    assert [(told["order"], told["review_on"]) for told in desk.told("held")][1:] == [("Z-9", later)]
    assert len(desk.told("hold-ended")) == 1
    assert "Nothing is due to be looked at" in plain(desk.read("/today"))


def test_what_was_lost_yesterday_is_listed_and_what_was_taken_back_is_not(desk: Desk) -> None:
    """By the nursery's own day."""
    batch = desk.finished(40)
    yesterday = now() - timedelta(days=1)
    where = {"batch": batch, "stage": "finished", "place": "G1", "occurred_at": yesterday}
    desk.tell("lost", **where, units=7, cause="cold")
    slip = desk.tell("lost", **where, units=2, cause="pest")
    desk.tell("reversed", entry=slip["id"], reason="slip", occurred_at=now())
    found = desk.ask("/v1/today")
    assert [(line["units"], line["cause"]) for line in found["lost"]] == [(7, "cold")]
    assert "Lost yesterday 7 plants" in plain(desk.read("/today"))


def test_cells_overdue_off_the_mist_and_plugs_going_over_are_named(desk: Desk) -> None:
    """By the recipe's days, and by the share of the holding limit that is used up."""
    months = {"days": [30] * 12, "come_through": [90] * 12}
    desk.tell("recipe-set", crop=IXORA, rooting=months, growing={"P9": months}, holding_limit_days=[14] * 12)
    plugs = desk.tell("opened", crop=IXORA, stage="rooted", place="H1", units=50)["batch"]
    taken = [{"stock_plant": "S-IXO", "cuttings": 30}]
    cells = desk.tell("struck", crop=IXORA, stock_plants=taken, cuttings=30, per_cell=1, cells=30, place="P1")["batch"]
    found = desk.ask("/v1/today")
    assert [(line["batch"], line["cells"], line["due"]) for line in found["overdue"]] == [(cells, 30, "2026-10-14")]
    assert [(line["batch"], line["plugs"], line["share"] > 1) for line in found["going_over"]] == [(plugs, 50, True)]
    page = desk.read("/today")
    assert f"/act/root?batch={cells}" in page
    assert f"/act/pot?batch={plugs}" in page


def test_a_promise_at_risk_says_what_is_short_why_and_what_to_offer(desk: Desk) -> None:
    """With the way to decide."""
    batch = desk.finished(40)
    promise = desk.promise(30)
    lost = desk.tell("lost", batch=batch, stage="finished", place="G1", units=20, cause="cold", occurred_at=now())
    desk.at_risk(promise, 10, [lost["id"]])
    said = plain(desk.read("/today"))
    assert "10 of them may not be there. Chance for all: at least 50 %" in said
    assert f"Because: {batch} lost 20 (cold)" in said
    assert "To offer:" in said
    assert f"/promises/{promise}" in desk.read("/today")


def test_what_is_stopped_closed_or_silent_is_told(desk: Desk) -> None:
    """Stops with their plants, places until the time on the label, devices with entries that nobody has."""
    batch = desk.finished(40)
    desk.tell("stopped", reason="quarantine", batch=batch)
    desk.tell("stopped", reason="name-in-doubt", crop=HOYA)
    desk.tell("treated", product="Soap", places=["G2"], re_entry_ends=(now() + timedelta(hours=4)).isoformat())
    heard(desk.conninfo, 3, timedelta(minutes=5))
    found = desk.ask("/v1/today")
    assert [(line["kind"], line["units"]) for line in found["stopped"]] == [("crop", 0), ("batch", 40)]
    assert [line["place"] for line in found["re_entry"]] == ["G2"]
    said = plain(desk.read("/today"))
    assert "3 entries wait on all" in said
    assert "G2 not before" in said
    heard(desk.conninfo, 0, timedelta(days=2))
    assert "all is silent" in plain(desk.read("/today"))


def test_a_reader_is_shown_no_button(desk: Desk) -> None:
    """Who may not write is not asked to."""
    two_slips(desk)
    desk.sign_in(("read",))
    assert "Both happened" not in desk.read("/today")
