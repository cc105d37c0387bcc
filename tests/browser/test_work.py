"""A day's work written down on a phone, in a real browser: what is tapped there is what the book then holds."""

from __future__ import annotations

import socket
from collections.abc import Iterator
from typing import Any
from uuid import uuid4

import pytest
from playwright.sync_api import Browser, Page, expect

from ledger import keys, serving
from tests.browser.conftest import SIZES, signed_in
from tests.telling import Teller
from tests.visits import Demo

IXORA = "ixora-copper-thimble"
PATIENCE_MS = 20_000


class Phone:
    """A phone in somebody's hands on a small nursery; the API beside it, to see what was written."""

    page: Page

    def __init__(self, served: Demo) -> None:
        self.served, self.teller = served, Teller()

    def post(self, told: list[dict[str, Any]]) -> Any:
        """Entries by the API."""
        with self.served.client() as client:
            answer = client.post("/v1/entries", json=told)
        assert answer.status_code == 201, answer.text
        return answer.json()

    def opened(self, stage: str, place: str, units: int, **more: Any) -> str:
        """A batch that stood there when the book was opened; its number."""
        fact = self.teller.fact("opened", crop=IXORA, stage=stage, place=place, units=units, **more)
        return str(self.post([fact])["entries"][0]["batch"])

    def standing(self, batch: str) -> dict[str, int]:
        """Units by `<stage>/<place>`."""
        with self.served.client() as client:
            card = client.get(f"/v1/batches/{batch}").json()["batch"]
        return {where: there["units"] for where, there in card["standing"].items() if there["units"]}

    def go(self, path: str) -> None:
        """To a page."""
        self.page.goto(self.served.address + path)

    def write(self) -> None:
        """The form's main button; a doubt about the number is answered with yes."""
        button = self.page.locator("form[data-entry] button.main")
        done, doubt = self.page.get_by_role("heading", name="Written down"), self.page.locator("#doubt")
        button.click()
        expect(done.or_(doubt)).to_be_visible(timeout=PATIENCE_MS)
        if doubt.count():
            button.click()
        expect(done).to_be_visible(timeout=PATIENCE_MS)


@pytest.fixture
def phone(database: str, browser: Browser) -> Iterator[Phone]:
    """A small nursery, served, and a phone that is signed in."""
    key = keys.make(database, "all", keys.SCOPES)
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with serving.in_background(database, "127.0.0.1", port) as address:
        served = Demo(conninfo=database, address=address, key=key, known={})
        phone = Phone(served)
        phone.post(phone.teller.beginnings())
        device = signed_in(browser, served, SIZES["phone"])
        phone.page = device.new_page()
        yield phone
        device.close()


def test_a_loss_is_written_and_taken_back(phone: Phone) -> None:
    """Nine dead plugs are off the book after one form, and back on it after the undo that its answer offers."""
    batch = phone.opened("rooted", "H1", 144)
    phone.go(f"/batch/{batch}")
    phone.page.get_by_role("link", name="Lost").click()
    phone.page.locator("[name=units]").fill("9")
    phone.page.get_by_label("Rot", exact=True).check()
    phone.write()
    assert phone.standing(batch) == {"rooted/H1": 135}
    phone.page.get_by_role("link", name="Undo").click()
    phone.page.get_by_role("button", name="Take it back").click()
    phone.page.wait_for_load_state()
    assert phone.standing(batch) == {"rooted/H1": 144}


def test_plugs_are_potted(phone: Phone) -> None:
    """Twenty pots of twenty plugs: the tray has twenty fewer, and a new batch of pots grows on."""
    batch = phone.opened("rooted", "H1", 144)
    phone.go(f"/act/pot?batch={batch}")
    phone.page.get_by_label("P9").check()
    phone.page.locator("[name=pots]").fill("20")
    phone.page.get_by_label("Set at").select_option("G1")
    phone.write()
    assert phone.standing(batch) == {"rooted/H1": 124}
    with phone.served.client() as client:
        (child,) = client.get(f"/v1/batches/{batch}").json()["batch"]["children"]
    phone.go(f"/batch/{child}")
    expect(phone.page.get_by_text("20 pots").first).to_be_visible()


def test_a_slip_that_comes_late_moves_the_count_with_it(phone: Phone) -> None:
    """Counted 130 of 144; a loss of the day before, told afterwards, explains four of the missing, and 130 still stand."""
    batch = phone.opened("rooted", "H1", 144)
    late = phone.teller.fact("lost", batch=batch, stage="rooted", place="H1", units=4, cause="rot")
    phone.go(f"/act/count?batch={batch}")
    phone.page.locator("[name=units]").fill("130")
    phone.write()
    assert phone.standing(batch) == {"rooted/H1": 130}
    phone.post([late])
    assert phone.standing(batch) == {"rooted/H1": 130}


def test_a_basket_is_seen_on_the_board(phone: Phone) -> None:
    """What a shop has reserved is promised, and no longer to be promised, on the board of the next who looks."""
    phone.opened("finished", "G1", 40, size="P9")
    line = {"crop": IXORA, "size": "P9", "units": 3}
    phone.go(f"/board/{IXORA}/P9")
    before = int(phone.page.locator(".number").first.inner_text())
    with phone.served.client() as client:
        basket = {"order": "A-1", "region": "North", "by": "head-grower", "lines": [line]}
        answer = client.post("/v1/promises", json=basket, headers={"Idempotency-Key": f'"{uuid4()}"'})
    assert answer.status_code in (200, 201), answer.text
    phone.go(f"/board/{IXORA}/P9")
    assert int(phone.page.locator(".number").first.inner_text()) == before - 3
