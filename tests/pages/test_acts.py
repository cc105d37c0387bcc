"""The acts at the bench: each is written once, refused with its reason, asked about where it is unlikely, and taken back."""

from __future__ import annotations

import uuid
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from typing import NamedTuple
from unittest.mock import patch

import pytest

from api.pages import acts
from api.pages.forms import FORMS
from tests.pages.conftest import Device, field, plain


class Case(NamedTuple):
    """An act: what its page is asked for, what is filled in, the entry's type, and what stands of the batch afterwards."""

    asked: str
    given: dict[str, str]
    kind: str
    stands: dict[str, int]
    #: fields with which it is refused, and what it is told
    refused: tuple[dict[str, str], str]


def _opened(device: Device, stage: str, units: int, place: str, size: str | None = None) -> str:
    sized = {"size": size} if size else {}
    number: str = device.tell("opened", crop=device.crop, stage=stage, place=place, units=units, **sized)["batch"]
    return number


def _gathered(device: Device) -> str:
    plants = [{"stock_plant": device.stock, "cuttings": 60}]
    number: str = device.tell("gathered", crop=device.crop, stock_plants=plants, place="P1")["batch"]
    return number


def _picked(device: Device) -> str:
    number = _opened(device, "finished", 40, "G1", "P9")
    device.tell("picked", order="A-1", batch=number, place="G1", units=10, to="K1")
    return number


def _held(device: Device) -> str:
    number = _opened(device, "finished", 40, "G1", "P9")
    device.tell("held", reason="buyer", review_on="2026-12-01", batch=number, units=5)
    return number


def _stopped(device: Device) -> str:
    number = _opened(device, "finished", 40, "G1", "P9")
    device.tell("stopped", reason="quality", batch=number)
    return number


TOO_MANY = "if they are there, count first"
CASES: dict[str, tuple[Callable[[Device], str], Case]] = {
    "strike": (
        _gathered,
        Case("", {"cells": "30", "per_cell": "2"}, "struck", {"struck/P1": 30}, ({"cells": "31", "per_cell": "2"}, TOO_MANY)),
    ),
    "root": (
        lambda at: _opened(at, "struck", 50, "P1"),
        Case(
            "",
            {"usable": "40", "weak": "3", "to": "H1"},
            "rooted",
            {"struck/P1": 3, "rooted/H1": 40},
            ({"usable": "30", "failed": "2", "to": "H1"}, "50 cells stand at P1, the count makes 32"),
        ),
    ),
    "move": (
        lambda at: _opened(at, "rooted", 50, "H1"),
        Case(
            "",
            {"units": "20", "to": "H2"},
            "moved",
            {"rooted/H1": 30, "rooted/H2": 20},
            ({"units": "51", "to": "H2"}, TOO_MANY),
        ),
    ),
    "pot": (
        lambda at: _opened(at, "rooted", 50, "H1"),
        Case(
            "",
            {"size": "P9", "pots": "20", "per_pot": "2", "casualties": "3", "to": "G1"},
            "potted",
            {"rooted/H1": 7},
            ({"size": "P9", "pots": "60", "to": "G1"}, TOO_MANY),
        ),
    ),
    "pot-up": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "",
            {"size": "C2", "pots": "9", "casualties": "1", "to": "G1"},
            "potted-up",
            {"finished/G1": 30},
            ({"size": "C2", "pots": "41", "to": "G1"}, TOO_MANY),
        ),
    ),
    "grade": (
        lambda at: _opened(at, "potted", 40, "G1", "P9"),
        Case(
            "",
            {"finished": "20", "held_back": "10", "seconds": "2", "culled": "1", "label_checked": "yes", "to": "G2"},
            "graded",
            {"potted/G1": 17, "finished/G2": 20, "seconds/G2": 2},
            ({"finished": "41"}, TOO_MANY),
        ),
    ),
    "lose": (
        lambda at: _opened(at, "rooted", 144, "H1"),
        Case("", {"units": "9", "cause": "rot"}, "lost", {"rooted/H1": 135}, ({"units": "9"}, "say why they were lost")),
    ),
    "count": (
        lambda at: _opened(at, "rooted", 144, "H1"),
        Case("", {"units": "139"}, "counted", {"rooted/H1": 139}, ({}, "say how many you see (0 if none is left)")),
    ),
    "set-back": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "", {"units": "5", "reason": "Leggy"}, "set-back", {"finished/G1": 35, "potted/G1": 5}, ({"units": "5"}, "say why")
        ),
    ),
    "pick": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "",
            {"units": "5", "order": "A-1"},
            "picked",
            {"finished/G1": 35, "picked/K1": 5},
            ({"units": "41", "order": "A-1"}, TOO_MANY),
        ),
    ),
    "put-back": (
        _picked,
        Case(
            "",
            {"units": "4", "to": "G2"},
            "put-back",
            {"finished/G1": 30, "picked/K1": 6, "finished/G2": 4},
            ({"units": "11", "to": "G2"}, "10 of"),
        ),
    ),
    "tend": (
        lambda at: _opened(at, "potted", 40, "G1", "P9"),
        Case("", {"act": "pinched", "days_added": "7"}, "tended", {"potted/G1": 40}, ({}, "say what was done")),
    ),
    "hold": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "",
            {"units": "5", "reason": "weather"},
            "held",
            {"finished/G1": 40},
            ({"units": "41", "reason": "weather"}, "40 finished of"),
        ),
    ),
    "end-hold": (_held, Case("", {}, "hold-ended", {"finished/G1": 40}, ({"hold": str(uuid.UUID(int=7))}, "no hold"))),
    "stop": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "",
            {"reason": "quarantine", "authority": "told, ref 7"},
            "stopped",
            {"finished/G1": 40},
            ({}, "say why it is stopped"),
        ),
    ),
    "clear": (
        _stopped,
        Case(
            "", {"because": "looked again"}, "cleared", {"finished/G1": 40}, ({}, "say why it may be lifted, and who says so")
        ),
    ),
    "give-out": (
        lambda at: _opened(at, "finished", 40, "G1", "P9"),
        Case(
            "", {"units": "2", "why": "Show"}, "given-out", {"finished/G1": 38}, ({"units": "2"}, "say why they were given out")
        ),
    ),
}
IRREVERSIBLE = {"end-hold", "clear"}


@pytest.fixture(params=CASES)
def case(request: pytest.FixtureRequest, device: Device) -> tuple[str, str, Case]:
    """An act by its kind, and the number of a batch that it can be done to."""
    begin, found = CASES[request.param]
    return request.param, begin(device), found


def test_every_act_has_a_case() -> None:
    """Cuttings are gathered from stock plants, which has tests of its own below."""
    assert CASES.keys() | {"gather"} == FORMS.keys()


def test_an_act_is_written_once_and_taken_back(device: Device, case: tuple[str, str, Case]) -> None:
    """The same form sent twice writes one entry and answers the same; undo leaves everything as it was."""
    kind, number, told = case
    before, was = device.standing(number), len(device.entries(told.kind))
    form = device.form(f"/act/{kind}?batch={number}") | told.given
    answers = [device.send(f"/act/{kind}", form) for _ in range(2)]
    assert [answer.status_code for answer in answers] == [200, 200], plain(answers[0].text)
    assert plain(answers[0].text) == plain(answers[1].text)
    assert "Written down" in answers[0].text
    written = device.entries(told.kind)
    assert len(written) == was + 1
    assert written[-1]["id"] == form["id"]
    assert written[-1]["by"] == "potter"
    assert device.standing(number) == told.stands
    assert f'href="/batch/{number}"' in answers[0].text
    undo = f"/undo/{form['id']}"
    assert (f'href="{undo}"' in answers[0].text) == (kind not in IRREVERSIBLE)
    if kind not in IRREVERSIBLE:
        back = device.form(undo) | {"reason": "Wrong batch"}
        done = [device.send(undo, back) for _ in range(2)]
        assert [answer.status_code for answer in done] == [200, 200], plain(done[0].text)
        assert [entry["reason"] for entry in device.entries("reversed")] == ["Wrong batch"]
        assert device.standing(number) == before


def test_an_act_is_refused_with_its_reason(device: Device, case: tuple[str, str, Case]) -> None:
    """Nothing is written, the form comes again as it was filled in, and says what is wrong."""
    kind, number, told = case
    given, reason = told.refused
    form = device.form(f"/act/{kind}?batch={number}")
    position = device.ask("/readyz")["position"]
    answer = device.send(f"/act/{kind}", form | given)
    assert answer.status_code in {409, 422}, plain(answer.text)
    assert reason in plain(answer.text)
    assert device.ask("/readyz")["position"] == position
    for name, value in given.items():
        if name in form and name not in {"hold", "reason"}:
            assert field(answer.text, name) == value


# --- numbers ---------------------------------------------------------------------------------------------------------------


def test_a_number_is_worked_out_from_trays(device: Device, plugs: str) -> None:
    """2 trays of 72 less 5 are 139 plugs, and the answer says so in these words, with before and after."""
    answer = device.act("count", f"batch={plugs}", units__trays="2", units__cells="72", units__gaps="5")
    text = plain(answer.text)
    assert "2 trays of 72 less 5 = 139 plugs" in text
    assert "was 144 , now 139" in text
    assert device.standing(plugs) == {"rooted/H1": 139}


def test_a_count_is_blind(device: Device, plugs: str) -> None:
    """Nothing on the page gives the book's figure away before it is counted; afterwards it is told."""
    page = device.get(f"/act/count?batch={plugs}")
    assert "144" not in page
    assert "144" not in device.get(f"/act/count?batch={plugs}&stage=rooted&place=H1")
    answer = device.act("count", f"batch={plugs}", units="150")
    assert "The book said 144: 6 more" in plain(answer.text)


def test_a_count_of_a_split_batch_asks_which_without_a_figure(device: Device, plugs: str) -> None:
    """Two places, two links, no number."""
    device.tell("moved", batch=plugs, stage="rooted", place="H1", to="H2", units=44)
    page = plain(device.get(f"/act/count?batch={plugs}"))
    assert "Which ones?" in page
    assert "100" not in page
    assert "44" not in page
    assert "44 plugs" in plain(device.get(f"/act/lose?batch={plugs}"))


def test_a_count_far_from_the_book_is_asked_about_without_the_figure(device: Device, plugs: str) -> None:
    """It is asked once; confirmed, it is written."""
    form = device.form(f"/act/count?batch={plugs}") | {"units": "20"}
    asked = device.send("/act/count", form)
    assert asked.status_code == 200
    assert "Not written yet" in asked.text
    assert "144" not in asked.text
    assert device.standing(plugs) == {"rooted/H1": 144}
    device.send("/act/count", form | {"confirmed": field(asked.text, "confirmed")})
    assert device.standing(plugs) == {"rooted/H1": 20}


def test_an_empty_count_is_not_zero_and_zero_is_a_count(device: Device, plugs: str) -> None:
    """Nothing typed is nothing seen written down; a typed 0 is."""
    assert device.act("count", f"batch={plugs}").status_code == 422
    asked = device.act("count", f"batch={plugs}", units="0")
    assert "Not written yet" in asked.text
    assert device.act("count", f"batch={plugs}", units="0", confirmed="0").status_code == 200
    assert device.standing(plugs) == {}


def test_more_than_half_is_asked_about_once(device: Device, plugs: str) -> None:
    """The answer to the question is for that number: another one is asked about again."""
    form = device.form(f"/act/lose?batch={plugs}") | {"units": "100", "cause": "rot"}
    asked = device.send("/act/lose", form)
    assert "100 is more than half of the 144" in plain(asked.text)
    assert device.entries("lost") == []
    again = device.send("/act/lose", form | {"units": "110", "confirmed": field(asked.text, "confirmed")})
    assert "Not written yet" in again.text
    assert device.send("/act/lose", form | {"confirmed": "100"}).status_code == 200
    assert device.standing(plugs) == {"rooted/H1": 44}


def test_more_than_twice_the_usual_is_asked_about(device: Device, plugs: str) -> None:
    """Where five losses of the crop were of 4 or fewer, 20 of 144 is a lot."""
    for units in (2, 3, 4, 4, 4):
        device.tell("lost", batch=plugs, stage="rooted", place="H1", units=units, cause="rot", by="propagator")
    asked = device.act("lose", f"batch={plugs}", units="20", cause="rot")
    assert "20 is more than twice what is usual here (up to 4 at a time)" in plain(asked.text)
    assert "Written down" in device.act("lose", f"batch={plugs}", units="8", cause="rot").text


def test_of_several_places_none_is_chosen_for_somebody(device: Device, plugs: str) -> None:
    """Until it is known where such plants go: a place that nobody chose would be written unread."""
    assert device.form(f"/act/pot?batch={plugs}")["to"] == ""
    answer = device.act("pot", f"batch={plugs}", size="P9", pots="4")
    assert answer.status_code == 422
    assert "say where the pots were set" in plain(answer.text)
    device.act("pot", f"batch={plugs}", size="P9", pots="4", to="G2")
    assert device.form(f"/act/pot?batch={plugs}")["to"] == "G2"


def test_moving_all_of_it_is_not_unlikely(device: Device, plugs: str) -> None:
    """It is what is done with trays."""
    assert device.act("move", f"batch={plugs}", to="H2").status_code == 200
    assert device.standing(plugs) == {"rooted/H2": 144}


def test_the_buttons_add_where_no_script_runs(device: Device, plugs: str) -> None:
    """They give the form back with another number and write nothing."""
    form = device.form(f"/act/lose?batch={plugs}") | {"units": "2", "cause": "rot"}
    page = device.send("/act/lose", form | {"step": "units:5"})
    assert field(page.text, "units") == "7"
    assert field(page.text, "cause") == "rot"
    assert field(page.text, "id") == form["id"]
    assert field(device.send("/act/lose", form | {"step": "units:0"}).text, "units") == ""
    assert device.entries("lost") == []


@pytest.mark.parametrize("units", ["x", "-3", "1.5", "²", "1e3", "99999999", "12345678901234567890"])
def test_what_is_no_count_is_refused_at_its_field(device: Device, plugs: str, units: str) -> None:
    """With what to do."""
    answer = device.act("lose", f"batch={plugs}", units=units, cause="rot")
    assert answer.status_code == 422
    assert "is no count: give a whole number" in plain(answer.text)


def test_the_last_cause_is_chosen_already(device: Device, plugs: str) -> None:
    """On the same device."""
    assert "cause" not in device.form(f"/act/lose?batch={plugs}")
    device.act("lose", f"batch={plugs}", units="2", cause="overheld")
    assert device.form(f"/act/lose?batch={plugs}")["cause"] == "overheld"


# --- count first -----------------------------------------------------------------------------------------------------------


def test_plants_in_the_hand_are_counted_first_with_one_tap(device: Device, pots: str) -> None:
    """The refusal offers it; both entries are written together, and undo takes both back."""
    form = device.form(f"/act/pick?batch={pots}") | {"units": "43", "order": "A-1"}
    refused = device.send("/act/pick", form)
    assert refused.status_code == 409
    assert 'name="count_first"' in refused.text
    written = [device.send("/act/pick", form | {"count_first": "1"}) for _ in range(2)]
    assert [answer.status_code for answer in written] == [200, 200], plain(written[0].text)
    assert plain(written[0].text) == plain(written[1].text)
    assert "was counted first" in written[0].text
    assert device.standing(pots) == {"picked/K1": 43}
    assert [(told["units"], told["method"]) for told in device.entries("counted")] == [(43, "count")]
    undo = f"/undo/{form['id']}"
    assert device.send(undo, device.form(undo)).status_code == 200
    assert device.standing(pots) == {"finished/G1": 40}


# --- where, and who --------------------------------------------------------------------------------------------------------


def test_cuttings_are_gathered_and_struck_straight_from_stock_plants(device: Device) -> None:
    """The stock plant's page leads to both; a new number is given and shown."""
    page = device.get(f"/stock/{device.stock}")
    assert f"/act/gather?stock={device.stock}" in page
    gathered = device.act("gather", f"stock={device.stock}", units="30", to="P1")
    assert gathered.status_code == 200, plain(gathered.text)
    (told,) = device.entries("gathered")
    assert told["batch"] in gathered.text
    struck = device.act(
        "strike", f"stock={device.stock}", cells__trays="1", cells__cells="50", cells="4", per_cell="2", singles="1"
    )
    assert struck.status_code == 200, plain(struck.text)
    assert "1 tray of 50 and 4 odd = 54 cells" in plain(struck.text)
    (told,) = device.entries("struck")
    assert (told["cuttings"], told["cells"], told["tray_cells"]) == (107, 54, 50)
    assert f'href="/batch/{told["batch"]}"' in struck.text


def test_potting_leads_to_the_new_batch(device: Device, plugs: str) -> None:
    """And back to the plugs."""
    answer = device.act("pot", f"batch={plugs}", size="P9", pots="20", to="G1")
    new = device.entries("potted")[0]["into"]
    assert f'href="/batch/{new}"' in answer.text
    assert f'href="/batch/{plugs}"' in answer.text
    assert device.standing(new) == {"potted/G1": 20}


def test_picked_plants_keep_their_order(device: Device) -> None:
    """Two orders, two answers to which ones; what is lost of one is its order's."""
    number = _picked(device)
    device.tell("picked", order="B-2", batch=number, place="G1", units=3, to="K1")
    page = plain(device.get(f"/act/put-back?batch={number}"))
    assert "10 pots, picked for A-1" in page
    assert "3 pots, picked for B-2" in page
    answer = device.act("lose", f"batch={number}&stage=picked&place=K1&order=B-2", units="1", cause="handling")
    assert answer.status_code == 200, plain(answer.text)
    assert device.entries("lost")[0]["order"] == "B-2"


def test_who_acts_has_to_be_said_first(device: Device, plugs: str) -> None:
    """A device in nobody's hands is asked whose it is in, and comes back."""
    device.sign_in(person=None)
    answer = device.client.get(f"/act/lose?batch={plugs}", follow_redirects=False)
    assert answer.status_code == 303
    assert answer.headers["Location"] == f"/who?next=%2Fact%2Flose%3Fbatch%3D{plugs}"


def test_signing_in_leads_back_to_the_very_form(device: Device, plugs: str) -> None:
    """With all that it was asked for, through the sign-in and the choice of a name."""
    device.client.cookies.clear()
    wanted = f"/act/lose?batch={plugs}&stage=rooted&place=H1"
    answer = device.client.get(wanted, follow_redirects=False)
    assert answer.status_code == 303
    assert field(device.get(answer.headers["Location"]), "next").replace("&amp;", "&") == wanted
    answer = device.client.post("/sign-in", data={"key": device.key, "next": wanted}, follow_redirects=False)
    assert field(device.get(answer.headers["Location"]), "next").replace("&amp;", "&") == wanted


def test_a_device_that_may_only_read_is_not_let_act(device: Device, plugs: str) -> None:
    """Neither its card nor its keys lead there."""
    device.sign_in(scopes=("read",))
    assert "/act/" not in device.get(f"/batch/{plugs}")
    assert device.get(f"/act/lose?batch={plugs}", status=403)


def test_a_forged_form_is_not_taken(device: Device, plugs: str) -> None:
    """Without the session's token nothing is written."""
    form = device.form(f"/act/lose?batch={plugs}") | {"units": "1", "cause": "rot", "token": "x"}
    assert device.send("/act/lose", form).status_code == 403
    assert device.entries("lost") == []


def test_an_act_that_is_none_and_a_batch_that_is_none_are_not_found(device: Device, plugs: str) -> None:
    """With a page that says so."""
    assert "no act" in device.get(f"/act/dance?batch={plugs}", status=404)
    assert "no batch" in device.get("/act/lose?batch=25W02-07N", status=404)
    assert "say which batch" in device.get("/act/lose", status=404)


def test_the_same_form_filled_in_otherwise_writes_nothing(device: Device, plugs: str) -> None:
    """Going back in the browser and changing the number is told what stands, and how to take it back."""
    form = device.form(f"/act/lose?batch={plugs}") | {"units": "2", "cause": "rot"}
    device.send("/act/lose", form)
    answer = device.send("/act/lose", form | {"units": "3"})
    assert answer.status_code == 409
    assert "This form was sent before" in plain(answer.text)
    assert f"/undo/{form['id']}" in answer.text
    assert device.standing(plugs) == {"rooted/H1": 142}


def test_the_same_job_by_another_person_is_pointed_out(device: Device, plugs: str) -> None:
    """It is written, with a question."""
    at = datetime.now(UTC).isoformat()
    device.tell("lost", batch=plugs, stage="rooted", place="H1", units=9, cause="rot", by="propagator", occurred_at=at)
    assert "Somebody else wrote down the same" in plain(device.act("lose", f"batch={plugs}", units="9", cause="rot").text)


# --- undo ------------------------------------------------------------------------------------------------------------------


def test_undo_ends_after_half_an_hour(device: Device, plugs: str) -> None:
    """From then on a count tells what is true."""
    form = device.form(f"/act/lose?batch={plugs}") | {"units": "2", "cause": "rot"}
    device.send("/act/lose", form)
    undo = f"/undo/{form['id']}"
    back = device.form(undo)
    with patch.object(acts, "UNDO", timedelta(0)):
        assert "more than half an hour ago" in plain(device.get(undo))
        assert device.send(undo, back).status_code == 409
    assert device.entries("reversed") == []


def test_undo_of_what_others_moved_on_is_refused_with_the_reason(device: Device, plugs: str) -> None:
    """Plants that left since cannot come back."""
    moved = device.form(f"/act/move?batch={plugs}") | {"units": "144", "to": "H2"}
    device.send("/act/move", moved)
    device.act("move", f"batch={plugs}", to="H1")
    undo = f"/undo/{moved['id']}"
    answer = device.send(undo, device.form(undo))
    assert answer.status_code == 409
    assert "a later entry moved those plants" in plain(answer.text)


def test_undo_of_nothing_is_not_found(device: Device) -> None:
    """An id of no entry."""
    device.get(f"/undo/{uuid.uuid4()}", status=404)


# --- cautions --------------------------------------------------------------------------------------------------------------


def test_a_place_in_re_entry_is_a_hard_stop_with_a_named_override(device: Device, plugs: str) -> None:
    """The page says until when and defers to the posting; with a reason it is written, and the reason stays with it."""
    ends = datetime.now(UTC) + timedelta(hours=2)
    device.tell("treated", product="Soap", batches=[plugs], re_entry_ends=ends.isoformat())
    page = plain(device.get(f"/act/lose?batch={plugs}"))
    assert f"Not before {ends:%H:%M}" in page
    assert "the posting at the door and local rules come first" in page
    refused = device.act("lose", f"batch={plugs}", units="2", cause="rot")
    assert refused.status_code == 409
    assert "say why it is written down all the same" in plain(refused.text)
    assert device.entries("lost") == []
    assert device.act("lose", f"batch={plugs}", units="2", cause="rot", override="Seen from outside").status_code == 200
    assert device.entries("lost")[0]["note"] == "before re-entry was allowed: Seen from outside"


def test_a_place_to_move_to_counts_for_re_entry_too(device: Device, plugs: str) -> None:
    """Whoever carries plants there goes in."""
    ends = datetime.now(UTC) + timedelta(hours=2)
    device.tell("place-set", code="H9", name="H9", house="H", kind="holding")
    device.tell("treated", product="Soap", places=["H9"], re_entry_ends=ends.isoformat())
    assert device.act("move", f"batch={plugs}", to="H9").status_code == 409
    assert device.act("lose", f"batch={plugs}", units="2", cause="rot").status_code == 200


def test_cautions_stand_where_they_matter(device: Device, plugs: str) -> None:
    """Hormone at striking, gloves and a licence on every form of the crop, the authority where a pest is suspected."""
    device.tell(
        "crop-set", code=device.crop, name="Hoya", species="Hoya carnosa", group="Woody",
        caution="Sap irritates the skin", licence="PBR 12", sizes={"P9": {"price": "15.00"}},
    )  # fmt: skip
    page = plain(device.get(f"/act/strike?stock={device.stock}"))
    assert "its label rules for crops, rate, gloves and re-entry" in page
    assert "Sap irritates the skin. Wear gloves." in page
    assert "needs its owner's licence. Licence: PBR 12." in page
    assert "call the plant-health authority" in plain(device.get(f"/act/stop?batch={plugs}"))
    device.tell("stopped", reason="quarantine", batch=plugs)
    assert "call the plant-health authority" in plain(device.get(f"/act/move?batch={plugs}"))


def test_a_crop_that_may_not_be_propagated_is_refused(device: Device) -> None:
    """With the reason."""
    device.tell("crop-set", code=device.crop, name="Hoya", species="Hoya carnosa", group="Woody", may_propagate=False)
    answer = device.act("strike", f"stock={device.stock}", cells="9", per_cell="1")
    assert answer.status_code == 409
    assert "may not be propagated here" in plain(answer.text)
