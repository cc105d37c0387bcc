"""From a tag to the card: numbers as they are keyed in, what a tag's code leads to, and what the card says."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

import pytest

from api.pages.batch import read_number
from ledger.plants import numbers
from tests.pages.conftest import Device, fields, plain

NUMBER = "26W38-07K"


@pytest.mark.parametrize(
    "typed",
    [
        "26W38-07K", "26w38-07k", "26W3807K", " 26 w 38 07 k ", "26-W38-07-K", "26w38_07k", "3807k", "W38-07K", "38-07K",
        "26W38-O7K", "Z6W38-07K", "http://nursery.example/t/26W38-07K", "HTTPS://NURSERY.EXAMPLE/T/26W38-07K",
    ],
)  # fmt: skip
def test_a_number_is_read_however_it_is_keyed_in(typed: str) -> None:
    """Case, hyphens and blanks do not matter, letters that look like figures are those, and the year may be left out."""
    assert read_number(typed, 2026) == [NUMBER]


def test_without_the_year_the_check_character_says_which() -> None:
    """Of this year and the two before only those are meant with whose number it agrees."""
    for year in (2024, 2025, 2026):
        number, _ = numbers.next_number(f"{year % 100}W38", 11)
        assert number in read_number(number[2:], 2026)
        assert all(numbers.is_valid(found) for found in read_number(number[2:], 2026))


@pytest.mark.parametrize("typed", ["", "hello", "26W38", "K", "26W38-07K-1234567", "💧", "%00"])
def test_what_is_no_number_is_none(typed: str) -> None:
    """And breaks nothing."""
    assert read_number(typed, 2026) == []


def test_a_keyed_in_number_leads_to_the_card(device: Device, plugs: str) -> None:
    """However it is written."""
    for typed in (plugs, plugs.lower().replace("-", ""), plugs[2:]):
        answer = device.client.get("/tag", params={"number": typed}, follow_redirects=False)
        assert answer.status_code == 303
        assert answer.headers["Location"] == f"/batch/{plugs}"


def test_a_wrong_check_character_is_told_with_the_right_one(device: Device, plugs: str) -> None:
    """And the batch that may be meant is offered by name."""
    wrong = plugs[:-1] + ("A" if plugs[-1] != "A" else "C")
    page = device.get(f"/tag?number={wrong}", status=404)
    assert f"the check character does not agree. For {plugs[:-1]} it is {plugs[-1]}" in plain(page)
    assert f'href="/batch/{plugs}"' in page
    assert fields(page)["number"] == wrong


def test_a_number_of_no_batch_and_what_is_no_number_say_so(device: Device) -> None:
    """Each with what to do."""
    head = "25W02-07"
    unknown = head + numbers.check_character(head)
    assert "there is no such batch in the book" in plain(device.get(f"/tag?number={unknown}", status=404))
    assert "One looks like 26W38-07K" in plain(device.get("/tag?number=<b>x", status=404))


def test_a_stock_plants_code_leads_to_its_page(device: Device) -> None:
    """Small letters too."""
    answer = device.client.get("/tag", params={"number": device.stock.lower()}, follow_redirects=False)
    assert answer.headers["Location"] == f"/stock/{device.stock}"
    page = plain(device.get(f"/stock/{device.stock}"))
    assert "20 plants" in page


def test_a_tags_code_leads_to_the_card_or_to_the_buyers_page(device: Device, plugs: str) -> None:
    """By whether the device has signed in; a stranger is not sent to the sign-in."""
    answer = device.client.get(f"/t/{plugs}", follow_redirects=False)
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/batch/{plugs}")
    device.client.cookies.clear()
    answer = device.client.get(f"/t/{plugs.lower()}", follow_redirects=False)
    assert (answer.status_code, answer.headers["Location"]) == (303, f"/plant/{plugs}")
    answer = device.client.get("/t/%2F%2Felsewhere.example", follow_redirects=False)
    assert answer.headers.get("Location", "/plant/").startswith("/plant/")


def test_the_camera_is_offered_by_the_script_only(device: Device) -> None:
    """Where no script runs, or the browser cannot read codes, it stays hidden."""
    page = device.get("/tag")
    assert '<section id="scan" hidden>' in page
    assert "scan.js" in page


# --- the card --------------------------------------------------------------------------------------------------------------


def test_the_card_says_what_stands_where_and_when_it_was_counted(device: Device, plugs: str) -> None:
    """Every line with its last count and how, or that there was none."""
    device.tell("moved", batch=plugs, stage="rooted", place="H1", to="H2", units=44)
    device.tell("counted", batch=plugs, stage="rooted", place="H1", units=98, method="blind-count", by="propagator")
    page = plain(device.get(f"/batch/{plugs}"))
    assert "98 plugs Rooted plugs at H1" in page
    assert "Counted without knowing the book by propagator" in page
    assert "44 plugs Rooted plugs at H2 Never counted here" in page
    assert "Book: plants, as of entry" in page


def test_the_card_shows_the_life_with_what_was_taken_back(device: Device, plugs: str) -> None:
    """In the order in which it happened, with who told it, and the reversal as an entry of its own."""
    lost = device.tell(
        "lost", batch=plugs, stage="rooted", place="H1", units=9, cause="rot", by="propagator", note="wet corner"
    )
    device.tell("reversed", entry=lost["id"], reason="wrong tray")
    page = plain(device.get(f"/batch/{plugs}"))
    opened, gone, back = (
        page.index(word) for word in ("144 plugs at H1 when", "9 plugs at H1 lost: rot", "Taken back: wrong tray")
    )
    assert opened < gone < back
    assert "Taken back 9 plugs at H1 lost" in page
    assert "Note: wet corner" in page


def test_a_long_life_is_shown_from_its_end(device: Device, plugs: str) -> None:
    """With a way to all of it."""
    lost = {"batch": plugs, "stage": "rooted", "place": "H1", "units": 1, "cause": "rot"}
    device.post([device.teller.fact("lost", **lost, note=f"day {day}") for day in range(40)])
    page = device.get(f"/batch/{plugs}")
    assert "day 39" in page
    assert "day 5<" not in page
    assert "life=all" in page
    assert "day 5<" in device.get(f"/batch/{plugs}?life=all")


def test_the_card_leads_through_the_family(device: Device) -> None:
    """Parents and children, each with the units that link them."""
    plants = [{"stock_plant": device.stock, "cuttings": 60}]
    number = device.tell("struck", crop=device.crop, stock_plants=plants, cuttings=60, cells=60, per_cell=1, place="P1")[
        "batch"
    ]
    device.tell("rooted", batch=number, place="P1", usable=50, weak=0, failed=10, to="H1")
    told = device.tell("potted", batch=number, place="H1", size="P9", plugs=20, pots=20, to="G1")
    page = device.get(f"/batch/{number}")
    assert f'href="/stock/{device.stock}"' in page
    assert "gave 60 cuttings" in plain(page)
    assert f'href="/batch/{told["batch"]}"' in page
    assert f"{told['batch']} took 20, in P9; 20 stand now" in plain(page)
    assert f'href="/batch/{number}"' in device.get(f"/batch/{told['batch']}")


def test_conditions_stand_on_the_card_in_words(device: Device, pots: str) -> None:
    """Stopped, held and closed places, each with what it means."""
    ends = datetime.now(UTC) + timedelta(hours=3)
    device.tell("stopped", reason="quarantine", batch=pots)
    device.tell("held", reason="weather", review_on="2026-12-01", batch=pots, units=5)
    device.tell("treated", product="Soap", batches=[pots], re_entry_ends=ends.isoformat())
    page = plain(device.get(f"/batch/{pots}"))
    assert "Stopped Quarantine (suspected pest or virus)" in page
    assert "call the plant-health authority" in page
    assert "5 pots wait for the weather: look again on Tue 01 Dec" in page
    assert f"Not before {ends:%H:%M}" in page
    assert "Soap" in page


def test_expected_days_have_their_basis(device: Device) -> None:
    """The recipe, which no promise rests on; what is late is called so."""
    months = {"days": [30] * 12, "come_through": [90] * 12}
    recipe = {"crop": device.crop, "rooting": months, "growing": {"P9": months}, "holding_limit_days": [60] * 12}
    device.tell("recipe-set", **recipe)
    number = device.tell("opened", crop=device.crop, stage="struck", place="P1", units=100)["batch"]
    page = plain(device.get(f"/batch/{number}"))
    assert "About 90 rooted plugs by" in page
    assert "no promise rests on it" in page
    assert "Overdue should have rooted by" in page


def test_only_acts_that_can_be_done_are_offered(device: Device, plugs: str, pots: str) -> None:
    """Plugs are potted and pots are picked."""
    of_plugs, of_pots = device.get(f"/batch/{plugs}"), device.get(f"/batch/{pots}")
    assert "/act/pot?" in of_plugs
    assert "/act/pick?" not in of_plugs
    assert "/act/pick?" in of_pots
    assert "/act/root?" not in of_pots
    for kind in ("end-hold", "clear", "put-back", "gather"):
        assert f"/act/{kind}?" not in of_plugs + of_pots


def test_times_are_the_nurserys_own(device: Device, plugs: str) -> None:
    """Not those of the server or of whoever told it."""
    device.tell("lost", batch=plugs, stage="rooted", place="H1", units=1, cause="rot", occurred_at="2026-11-20T23:30:00+00:00")
    device.tell("policy-set", time_zone="Asia/Tokyo")
    try:
        assert "Sat 21 Nov 2026, 08:30" in plain(device.get(f"/batch/{plugs}"))
    finally:
        device.tell("policy-set", time_zone="UTC")


def test_an_unknown_batch_is_not_found(device: Device) -> None:
    """With a page."""
    assert "there is no batch 25W02-07N" in device.get("/batch/25W02-07N", status=404)
    device.get("/stock/NONE", status=404)


def test_what_people_wrote_is_shown_as_text(device: Device, plugs: str) -> None:
    """Never as markup."""
    device.tell("lost", batch=plugs, stage="rooted", place="H1", units=1, cause="rot", note="<script>alert(1)</script>")
    page = device.get(f"/batch/{plugs}")
    assert "<script>alert" not in page
    assert "&lt;script&gt;" in page
