"""Picking and packing as pages: the oldest first, no plant twice, and no box against a rule without a reason."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from tests.pages.boards.conftest import HOYA, IXORA, Desk, forms, now, plain, today


def route(desk: Desk) -> list[tuple[str, str, int, str]]:
    """Place, batch, units and order of the picks, in walking order."""
    return [(pick["place"], pick["batch"], pick["units"], pick["order"]) for pick in desk.ask("/v1/picks")["picks"]]


def test_the_route_goes_by_place_and_takes_the_oldest_first(desk: Desk) -> None:
    """An order that needs more than one batch has takes it from two; no plant is on the route twice."""
    old, new = desk.finished(3, place="G2"), desk.finished(20, place="G1")
    desk.promise(2, "A-1")
    desk.promise(4, "A-2")
    assert route(desk) == [("G1", new, 3, "A-2"), ("G2", old, 2, "A-1"), ("G2", old, 1, "A-2")]
    said = plain(desk.read("/picks"))
    assert "6 pots to pull at 2 places" in said


def test_what_is_not_bought_not_due_stopped_or_held_is_not_on_it(desk: Desk) -> None:
    """Stopped plants are nowhere to be pulled; held orders wait, with the day to look again."""
    desk.finished(20)
    desk.tell("promised", order="N-1", lines=[{"crop": IXORA, "size": "P9", "units": 1}], occurred_at=now())
    desk.promise(1, "N-2", due=today() + timedelta(days=9))
    desk.promise(1, "N-3")
    desk.tell("held", reason="weather", review_on=(today() + timedelta(days=2)).isoformat(), order="N-3")
    found = desk.ask("/v1/picks")
    assert (found["picks"], [line["order"] for line in found["waiting"]]) == ([], ["N-3"])
    assert "waits for: the weather" in plain(desk.read("/picks"))
    later = desk.ask("/v1/picks", date=(today() + timedelta(days=9)).isoformat())
    assert [pick["order"] for pick in later["picks"]] == ["N-2"]


def test_a_tick_is_a_picked_entry_and_the_route_shows_the_rest(desk: Desk) -> None:
    """With the way to undo it."""
    batch = desk.finished(20)
    desk.promise(2, "A-1")
    answer = desk.act("/picks", "/picks/pick")
    (told,) = desk.told("picked")
    assert (told["order"], told["batch"], told["place"], told["units"], told["to"]) == ("A-1", batch, "G1", 2, "K1")
    page = desk.read(answer.headers["Location"])
    assert f"/undo/{told['id']}" in page
    assert "Nothing is left to pull" in page
    assert "/packing/A-1" in page


def test_what_is_not_there_is_counted_and_the_route_looks_elsewhere(desk: Desk) -> None:
    """Another batch, and short where there is none."""
    old, new = desk.finished(5), desk.finished(2, place="G2")
    desk.promise(5, "A-1")
    page = desk.read("/picks")
    instead = page.partition('href="/picks/instead')[2].partition('"')[0].replace("&amp;", "&")
    answer = desk.act(f"/picks/instead{instead}", "/picks/found", found="1")
    assert answer.status_code == 303
    assert desk.standing(old) == {"finished/G1": 1}
    assert route(desk) == [("G1", old, 1, "A-1"), ("G2", new, 2, "A-1")]
    assert [(line["order"], line["units"]) for line in desk.ask("/v1/picks")["short"]] == [("A-1", 2)]
    assert "none left to pull" in plain(desk.read("/picks"))


def test_poor_ones_are_left_and_others_taken(desk: Desk) -> None:
    """From any batch that is finished and free."""
    desk.finished(5)
    new = desk.finished(9, place="G2")
    desk.promise(3, "A-1")
    instead = desk.read("/picks").partition('href="/picks/instead')[2].partition('"')[0].replace("&amp;", "&")
    desk.act(f"/picks/instead{instead}", "/picks/pick")
    assert [(told["batch"], told["units"], told["order"]) for told in desk.told("picked")] == [(new, 3, "A-1")]


def test_more_than_stand_there_is_refused(desk: Desk) -> None:
    """With what the book has."""
    desk.finished(5)
    desk.promise(3, "A-1")
    answer = desk.act("/picks", "/picks/pick", units="9")
    assert answer.status_code == 409
    assert "5" in plain(answer.text)
    assert desk.told("picked") == []


def test_a_place_after_a_treatment_says_until_when_it_is_closed(desk: Desk) -> None:
    """And that this replaces no posting."""
    desk.finished(5)
    desk.promise(3, "A-1")
    desk.tell("treated", product="Soap", places=["G1"], re_entry_ends=(now() + timedelta(hours=4)).isoformat())
    said = plain(desk.read("/picks"))
    assert "Not before" in said
    assert "It replaces no posting" in said


# --- packing -----------------------------------------------------------------------------------------------------


def boxed(desk: Desk, region: str = "north", crop: str = IXORA) -> str:
    """Two plants picked for the order A-1; their batch."""
    batch = desk.finished(10, crop)
    desk.promise(2, "A-1", crop, region=region)
    desk.tell("picked", order="A-1", batch=batch, place="G1", units=2, to="K1", occurred_at=now())
    return batch


def region(desk: Desk, *rules: dict[str, Any]) -> None:
    """The region north, with rules."""
    own = {"because": "a weed there", "source": "own list", "checked_on": "2026-09-01"}
    desk.tell("destination-set", region="north", name="The north", rules=[own | rule for rule in rules])


def test_a_box_that_nothing_speaks_against_goes(desk: Desk) -> None:
    """All that is picked leaves, to the promise's region."""
    region(desk)
    batch = boxed(desk)
    assert desk.ask("/v1/orders/A-1/packing")["verdict"] == "go"
    assert "✓ Go" in desk.read("/packing/A-1")
    answer = desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van")
    assert "have left" in plain(answer.text)
    (told,) = desk.told("shipped")
    assert (told["region"], told["carrier"], told["lines"]) == ("north", "Van", [{"batch": batch, "place": "K1", "units": 2}])
    assert "note" not in told


def test_a_refused_plant_holds_the_box_unless_somebody_says_why(desk: Desk) -> None:
    """The rule stands there with source and date; the reason stays beside the entry."""
    boxed(desk, crop=HOYA)  # the list changes after the order was taken
    region(desk, {"verdict": "refused", "crop": HOYA})
    said = plain(desk.read("/packing/A-1"))
    assert "⛔ No" in said
    assert "a weed there own list Tue 1 Sep 2026" in said
    answer = desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van")
    assert answer.status_code == 409
    assert desk.told("shipped") == []
    desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van", because="the inspector allowed it by phone")
    (told,) = desk.told("shipped")
    assert told["note"].endswith("the inspector allowed it by phone")


def test_papers_have_to_be_named_before_the_box_goes(desk: Desk) -> None:
    """Their number is kept."""
    boxed(desk)
    region(desk, {"verdict": "needs-papers", "crop": IXORA, "papers": "passport"})
    found = desk.ask("/v1/orders/A-1/packing")
    assert (found["verdict"], found["papers"]) == ("hold", ["passport"])
    assert "say which papers" in desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van").text.casefold()
    assert desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van", papers="passport 17").status_code == 200
    assert [told["note"] for told in desk.told("shipped")] == ["Papers: passport 17"]


def test_a_held_box_waits_and_its_hold_ends_when_it_goes(desk: Desk) -> None:
    """Both in one call."""
    region(desk)
    boxed(desk)
    desk.act("/packing/A-1", "/packing/A-1/hold", reason="weather", review_on=(today() + timedelta(days=2)).isoformat())
    assert desk.ask("/v1/orders/A-1/packing")["verdict"] == "hold"
    assert desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van").status_code == 409
    desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van", because="it thaws")
    assert len(desk.told("hold-ended")) == len(desk.told("shipped")) == 1


def test_a_stopped_plant_does_not_leave_whatever_is_said(desk: Desk) -> None:
    """The ledger itself refuses it, and nothing is written."""
    region(desk)
    batch = boxed(desk)
    desk.tell("stopped", reason="quarantine", batch=batch, occurred_at=now())
    assert desk.ask("/v1/orders/A-1/packing")["verdict"] == "no"
    assert desk.act("/packing/A-1", "/packing/A-1/ship", carrier="Van", because="somebody said so").status_code == 409
    assert desk.told("shipped") == []


def test_a_region_that_is_not_on_the_list_is_asked_about(desk: Desk) -> None:
    """An order without one, too; and one that nobody knows is not found."""
    boxed(desk, "south")
    assert desk.ask("/v1/orders/A-1/packing")["verdict"] == "hold"
    assert "is not on the nursery's list" in plain(desk.read("/packing/A-1"))
    desk.read("/packing/NO-SUCH", 404)


def test_two_taps_pick_once(desk: Desk) -> None:
    """The second finds what the first one wrote."""
    desk.finished(20)
    desk.promise(2, "A-1")
    fields = forms(desk.read("/picks"))["/picks/pick"][0]
    assert [desk.send("/picks/pick", fields).status_code for _ in range(2)] == [303, 303]
    assert len(desk.told("picked")) == 1
