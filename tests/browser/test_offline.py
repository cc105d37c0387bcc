"""Writing down where there is no signal, in a real browser: kept through a killed browser and a restarted server, sent once.

Runs with --browser=PATH. The browser has a profile of its own on disk, so that it can be killed and started again.
"""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import httpx
import pytest
from playwright.sync_api import BrowserContext, Page, Playwright, ViewportSize, expect, sync_playwright

from ledger import keys, serving
from tests.browser.conftest import QUIET
from tests.telling import Teller

IXORA = "ixora-copper-thimble"
PHONE: ViewportSize = {"width": 390, "height": 844}


class Bench:
    """A served nursery that can go away and come back, and a phone whose browser can be killed."""

    def __init__(self, database: str, folder: Path, tool: Playwright, program: str) -> None:
        self.database, self.folder, self._tool, self._program = database, folder, tool, program
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.address = f"http://127.0.0.1:{self.port}"
        self.key = keys.make(database, "all", keys.SCOPES)
        self.server: contextlib.AbstractContextManager[str] | None = None
        self._phone: BrowserContext | None = None

    @property
    def phone(self) -> BrowserContext:
        """The phone's browser, opened before."""
        assert self._phone is not None
        return self._phone

    def serve(self) -> None:
        """The server is there."""
        self.server = serving.in_background(self.database, "127.0.0.1", self.port)
        self.server.__enter__()

    def stop(self) -> None:
        """It is gone."""
        if self.server is not None:
            self.server.__exit__(None, None, None)
            self.server = None

    def open(self) -> Page:
        """The phone's browser, with what it kept."""
        self._phone = self._tool.chromium.launch_persistent_context(
            self.folder, executable_path=self._program, args=QUIET, viewport=PHONE
        )
        return self.phone.pages[0] if self.phone.pages else self.phone.new_page()

    def kill(self) -> None:
        """Power off: nothing is closed, nothing is tidied up."""
        for pid in _browsers(self.folder):
            os.kill(pid, signal.SIGKILL)
        with contextlib.suppress(Exception):
            self.phone.close()
        self._phone = None
        for name in ("SingletonLock", "SingletonSocket", "SingletonCookie"):
            (self.folder / name).unlink(missing_ok=True)

    def close(self) -> None:
        """All away."""
        if self._phone is not None:
            self._phone.close()
        self.stop()

    def post(self, told: list[dict[str, Any]]) -> Any:
        """Entries by the API."""
        answer = httpx.post(f"{self.address}/v1/entries", json=told, headers={"Authorization": f"Bearer {self.key}"})
        assert answer.status_code == 201, answer.text
        return answer.json()

    def told(self, kind: str) -> list[dict[str, Any]]:
        """What the book has of one type, in order."""
        answer = httpx.get(f"{self.address}/v1/entries", params={"type": kind}, headers={"Authorization": f"Bearer {self.key}"})
        return [entry["told"] for entry in answer.json()["entries"]]

    def sign_in(self, page: Page, name: str = "phone") -> None:
        """Signed in, in the potter's hands."""
        key = keys.make(self.database, name, ("read", "write"))
        page.goto(f"{self.address}/sign-in?next=/tag")
        page.get_by_label("Key").fill(key)
        page.get_by_role("button", name="Sign in").click()
        page.get_by_role("button", name="potter").click()
        page.wait_for_url("**/tag")


def _browsers(folder: Path) -> list[int]:
    """The main process of the browser with this profile, which this test started."""
    found = []
    for path in Path("/proc").glob("[0-9]*/cmdline"):
        with contextlib.suppress(OSError):
            arguments = path.read_bytes().split(b"\0")
            if f"--user-data-dir={folder}".encode() in arguments and not any(each.startswith(b"--type=") for each in arguments):
                found.append(int(path.parent.name))
    return found


@pytest.fixture
def bench(database: str, tmp_path: Path, request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The nursery served, and the phone not opened yet."""
    with sync_playwright() as tool:
        opened = Bench(database, tmp_path / "profile", tool, request.config.getoption("--browser"))
        try:
            opened.serve()
            yield opened
        finally:
            opened.close()


@pytest.fixture
def plugs(bench: Bench) -> str:
    """The number of a batch of 144 rooted plugs at H1."""
    teller = Teller()
    bench.post(teller.beginnings())
    number: str = bench.post([teller.fact("opened", crop=IXORA, stage="rooted", place="H1", units=144)])["entries"][0]["batch"]
    return number


def lose(page: Page, address: str, batch: str, units: int) -> None:
    """Write a loss down: the form, the number, the cause."""
    page.goto(f"{address}/act/lose?batch={batch}")
    page.locator("[name=units]").fill(str(units))
    page.get_by_label("Rot", exact=True).check()
    page.locator("form[data-entry] button.main").click()
    expect(page.get_by_role("heading", name="Written down")).to_be_visible()


def until(found: Callable[[], bool], seconds: float = 20.0) -> None:
    """Wait for something that happens elsewhere."""
    end = time.monotonic() + seconds
    while not found():
        assert time.monotonic() < end, "it did not happen in time"
        time.sleep(0.1)


def ready(page: Page, address: str, batch: str) -> None:
    """The card was seen where there was signal, and what will be wanted is kept."""
    page.goto(f"{address}/batch/{batch}")
    kept = f"caches.open('pages-1').then((pages) => pages.match('/act/lose?batch={batch}')).then(Boolean)"
    until(lambda: bool(page.evaluate(kept)))


def test_twenty_entries_without_signal_survive_the_browser_and_the_server_and_are_there_once_in_order(
    bench: Bench, plugs: str
) -> None:
    """With their own times; a refusal in the middle stays in sight until it is answered."""
    page = bench.open()
    bench.sign_in(page)
    ready(page, bench.address, plugs)
    bench.phone.set_offline(True)
    bench.stop()
    page.goto(f"{bench.address}/tag?number={plugs.lower().replace('-', '')}")
    expect(page.get_by_role("heading", name=plugs)).to_be_visible()
    expect(page.locator("#no-signal")).to_contain_text("As of ")
    for number in range(20):
        if number == 9:  # 200 are not there, which nobody can know without signal
            page.goto(f"{bench.address}/act/lose?batch={plugs}")
            page.locator("[name=units]").fill("200")
            page.get_by_label("Rot", exact=True).check()
            page.locator("form[data-entry] button.main").click()
            expect(page.get_by_text("Is it right?")).to_be_visible()
            page.get_by_role("button", name="Yes, write it down").click()
            expect(page.get_by_role("heading", name="Written down")).to_be_visible()
        else:
            lose(page, bench.address, plugs, 1)
            expect(page.locator("main")).to_contain_text("Was 144, now 143")
        expect(page.locator("#waiting")).to_have_text(f"{number + 1} not sent yet")
    bench.kill()

    page = bench.open()
    bench.phone.set_offline(True)
    page.goto(f"{bench.address}/queue")
    expect(page.locator("#no-signal")).to_contain_text("no signal")
    expect(page.get_by_role("heading", name="20 not sent yet")).to_be_visible()
    seen = page.locator("#queue .card").all_inner_texts()
    bench.serve()
    assert bench.told("lost") == []
    bench.phone.set_offline(False)
    bench.sign_in(page, "the phone again")  # a browser that is killed may have lost its cookie; the queue it has not
    expect(page.locator("#waiting")).to_have_text("! 1 refused", timeout=30_000)
    lost = bench.told("lost")
    assert [each["units"] for each in lost] == [1] * 19
    times = [datetime.fromisoformat(each["occurred_at"]) for each in lost]
    assert times == sorted(times)
    assert len({each["id"] for each in lost}) == 19
    assert len(set(times)) == 19
    assert len(seen) == 20

    page.goto(f"{bench.address}/queue")
    expect(page.get_by_role("alert")).to_contain_text("count first")
    page.get_by_role("button", name="Correct it").click()
    page.get_by_label("How many (number)").fill("2")
    page.get_by_role("button", name="Send it as it is now").click()
    expect(page.locator("#queue")).to_contain_text("Everything that was written down here is in the book")
    expect(page.locator("#waiting")).to_be_hidden()
    answered = bench.told("lost")[-1]
    assert answered["units"] == 2
    assert times[8] < datetime.fromisoformat(answered["occurred_at"]) < times[9]


def test_a_session_that_ended_keeps_the_queue_and_asks_to_sign_in(bench: Bench, plugs: str) -> None:
    """Pages that were kept are forgotten; what was written down is not, and goes out after signing in."""
    page = bench.open()
    bench.sign_in(page)
    ready(page, bench.address, plugs)
    bench.phone.set_offline(True)
    bench.stop()
    lose(page, bench.address, plugs, 3)
    for key in keys.listed(bench.database):
        if key.name == "phone":
            keys.revoke(bench.database, key.prefix)
    bench.serve()
    bench.phone.set_offline(False)
    page.evaluate("dispatchEvent(new Event('online'))")
    expect(page.locator("main")).to_contain_text("has to be signed in again", timeout=15_000)
    page.get_by_role("link", name="Sign in").click()
    expect(page.locator("#waits")).to_contain_text("1 entries on this device")
    assert bench.told("lost") == []
    until(lambda: not page.evaluate("caches.has('pages-1')"))
    bench.sign_in(page, "the phone again")
    until(lambda: len(bench.told("lost")) == 1)
    assert bench.told("lost")[0]["by"] == "potter"


def test_with_signal_the_page_says_what_was_and_is_and_a_refusal_is_dropped_with_a_reason(bench: Bench, plugs: str) -> None:
    """Counting first is one tap; the server hears of what waits."""
    page = bench.open()
    complaints: list[str] = []
    page.on("pageerror", lambda error: complaints.append(str(error)))
    bench.sign_in(page)
    lose(page, bench.address, plugs, 4)
    expect(page.locator("main")).to_contain_text("was 144, now 140")
    expect(page.get_by_role("link", name="Undo")).to_be_visible()
    for _ in range(2):
        page.goto(f"{bench.address}/act/lose?batch={plugs}")
        page.locator("[name=units]").fill("300")
        page.get_by_label("Rot", exact=True).check()
        page.locator("form[data-entry] button.main").click()
        page.get_by_role("button", name="Yes, write it down").click()
        expect(page.get_by_role("alert")).to_contain_text("The book did not take it")
    page.get_by_role("button", name="They are there: count first").click()
    expect(page.locator("main")).to_contain_text("What the book lacked was counted first")
    page.goto(f"{bench.address}/queue")
    expect(page.locator("#waiting")).to_have_text("! 1 refused")
    offer = httpx.get(f"{bench.address}/v1/availability/{IXORA}/P9", headers={"Authorization": f"Bearer {bench.key}"}).json()
    assert [each["waiting"] for each in offer["unheard"]] == [1]
    page.get_by_role("button", name="Drop it…").click()
    page.get_by_label("Why it is dropped").fill("Typed twice")
    page.get_by_role("button", name="Drop it", exact=True).click()
    expect(page.locator("#queue")).to_contain_text("Dropped: Typed twice")
    expect(page.locator("#waiting")).to_be_hidden()
    assert [each["units"] for each in bench.told("lost")] == [4, 300]
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    assert complaints == []


def test_kept_pages_are_forgotten_when_the_device_changes_hands_or_is_signed_out(bench: Bench, plugs: str) -> None:
    """Nobody sees where there is no signal what was kept for somebody else."""
    page = bench.open()
    bench.sign_in(page)
    ready(page, bench.address, plugs)
    page.goto(f"{bench.address}/who?next=/tag")
    page.get_by_role("button", name="packer").click()
    page.wait_for_url("**/tag")
    bench.phone.set_offline(True)
    bench.stop()
    page.goto(f"{bench.address}/batch/{plugs}")
    expect(page.get_by_role("heading", name="No signal")).to_be_visible()
    bench.serve()
    bench.phone.set_offline(False)
    ready(page, bench.address, plugs)
    page.goto(f"{bench.address}/who")
    page.get_by_role("button", name="Sign this device out").click()
    page.wait_for_url("**/sign-in")
    bench.stop()
    page.goto(f"{bench.address}/tag")
    expect(page.get_by_role("heading", name="No signal")).to_be_visible()
