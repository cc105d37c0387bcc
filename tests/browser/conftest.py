"""A browser, the demo served once for the run, and a device of each size that is signed in and in somebody's hands."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, BrowserContext, Page, sync_playwright
from psycopg.conninfo import make_conninfo

from tests import visits
from tests.conftest import fresh
from tests.visits import Demo

SIZES = {"phone": (390, 844), "desk": (1280, 800)}
QUIET = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"]


@pytest.fixture(scope="module")
def browser(request: pytest.FixtureRequest) -> Iterator[Browser]:
    """The Chromium that the run was given, headless and asking nothing of other hosts. One tool at a time can drive it."""
    with sync_playwright() as tool:
        opened = tool.chromium.launch(executable_path=request.config.getoption("--browser"), args=QUIET)
        yield opened
        opened.close()


@pytest.fixture(scope="session")
def demo(cluster: str) -> Iterator[Demo]:
    """A small demo, made once for the run."""
    with fresh(cluster) as name, visits.served_demo(make_conninfo(cluster, dbname=name)) as served:
        yield served


@pytest.fixture(scope="module", params=SIZES)
def device(request: pytest.FixtureRequest, browser: Browser, demo: Demo) -> Iterator[BrowserContext]:
    """A device of one of the two sizes, signed in; the cookie is from the form, as everybody's."""
    opened = signed_in(browser, demo, SIZES[request.param])
    yield opened
    opened.close()


@pytest.fixture
def screen(device: BrowserContext) -> Iterator[Page]:
    """An empty page of that device."""
    opened = device.new_page()
    yield opened
    opened.close()


def signed_in(browser: Browser, demo: Demo, size: tuple[int, int]) -> BrowserContext:
    """A device that was signed in through the pages, and whose holder has tapped a name."""
    width, height = size
    # a service worker would answer in the server's place, and what it fetches is not seen
    opened = browser.new_context(viewport={"width": width, "height": height}, service_workers="block")
    page = opened.new_page()
    page.goto(f"{demo.address}/sign-in")
    page.fill("input[name=key]", demo.key)
    page.locator("main form button").first.click()
    page.wait_for_url("**/who**")
    page.locator("main form button").first.click()
    page.wait_for_url(lambda url: "/who" not in url)
    page.close()
    return opened
