"""The pages in a real browser, on a real server, as a phone and a desk see them. Runs with --browser=PATH."""

from __future__ import annotations

import socket
from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page

from ledger import serving
from tests.browser.conftest import SIZES


@pytest.fixture
def address(database: str) -> Iterator[str]:
    """A served nursery."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    with serving.in_background(database, "127.0.0.1", port) as served:
        yield served


@pytest.fixture(params=SIZES)
def page(request: pytest.FixtureRequest, browser: Browser) -> Iterator[Page]:
    """A page of one of the two sizes."""
    width, height = SIZES[request.param]
    opened = browser.new_page(viewport={"width": width, "height": height})
    yield opened
    opened.close()


def test_the_api_page_is_read_on_a_phone_and_at_a_desk(address: str, page: Page) -> None:
    """No sideways scrolling, nothing from other hosts, no complaint of the browser, and every target is big enough."""
    asked, complaints = [], []
    page.on("request", lambda request: asked.append(request.url))
    page.on("console", lambda message: complaints.append(message.text))
    page.goto(f"{address}/docs")
    assert page.title() == "Tallybench: the JSON API"
    assert asked
    assert [url for url in asked if not url.startswith(address)] == []
    assert complaints == []
    for summary in page.locator("summary").all()[:8]:
        summary.click()
    assert page.evaluate("document.documentElement.scrollWidth <= document.documentElement.clientWidth")
    boxes = [target.bounding_box() for target in page.locator("summary, nav a").all()]
    assert boxes
    assert [box for box in boxes if box is None or box["height"] < 44] == []


def test_the_api_page_opens_an_entry_by_keyboard(address: str, page: Page) -> None:
    """A reader without a mouse reaches the fields of an entry, and the problem codes are linked by their names."""
    page.goto(f"{address}/docs#entry-potted")
    summary = page.locator("#entry-potted summary")
    summary.focus()
    page.keyboard.press("Enter")
    fields = page.locator("#entry-potted td code")
    assert fields.first.is_visible()
    assert "casualties" in fields.all_inner_texts()
    page.goto(f"{address}/docs#not-enough-standing")
    assert page.locator("#not-enough-standing").is_visible()


def test_a_page_that_is_not_there_says_so(address: str, page: Page) -> None:
    """An unknown path is answered with 404 and where to look."""
    answer = page.goto(f"{address}/nowhere")
    assert answer is not None
    assert answer.status == 404
    assert "/docs lists the paths" in page.content()
