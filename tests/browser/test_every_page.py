"""What holds of every page, on a phone and at a desk: it fits, is silent, and can be touched, read and worked by keys."""

from __future__ import annotations

from importlib import resources
from typing import Any

import pytest
from playwright.sync_api import Page

from tests import visits
from tests.visits import Demo

MOST_BYTES = 150_000
LEAST_TARGET = 44
MOST_TABS = 400

#: what can be tapped: not a link within a line of text, and of a choice its whole label
_SMALL = """least => {
    const seen = e => e.checkVisibility({visibilityProperty: true}) && !e.closest('.skip');
    const inline = e => e.tagName === 'A' && getComputedStyle(e).display === 'inline'
        && [...e.parentElement.childNodes].some(n => n.nodeType === 3 && n.textContent.trim().length > 1);
    const target = e => e.matches('[type=radio], [type=checkbox]') ? e.closest('label') ?? e : e;
    return [...document.querySelectorAll('a, button, summary, input:not([type=hidden]), select, textarea')]
        .filter(e => seen(e) && !inline(e) && target(e).getBoundingClientRect().height < least - 0.5)
        .map(e => e.outerHTML.slice(0, 120));
}"""

#: what the keyboard should come by: all that can be worked and is seen; of a group of radio buttons one
_REACHABLE = """() => {
    const groups = new Set();
    let count = 0;
    for (const e of document.querySelectorAll('a[href], button, summary, input:not([type=hidden]), select, textarea')) {
        if (e.disabled || !e.checkVisibility({visibilityProperty: true})) continue;
        if (e.type === 'radio') {
            const group = (e.form?.id ?? '') + e.name;
            if (groups.has(group)) continue;
            groups.add(group);
        }
        e.dataset.reach = e.type === 'radio' ? 'radio:' + e.name : String(count);
        count += 1;
    }
    return [...document.querySelectorAll('[data-reach]')].map(e => e.dataset.reach);
}"""
_FOCUSED = """() => {
    const e = document.activeElement;
    const shown = e !== document.body && getComputedStyle(e).outlineStyle !== 'none';
    return {reach: e.type === 'radio' ? 'radio:' + e.name : e.dataset?.reach ?? null, shown, what: e.outerHTML?.slice(0, 120)};
}"""

#: looked at in every run; the others with --every-page, which takes a quarter of an hour
A_HANDFUL = ("/act/lose?batch={rooted}", "/batch/{batch}", "/board", "/count/{place}", "/sign-in", "/who")


def pytest_generate_tests(metafunc: pytest.Metafunc) -> None:
    """The pages that are looked at in this run."""
    if "example" in metafunc.fixturenames:
        every = metafunc.config.getoption("--every-page")
        metafunc.parametrize("example", visits.addresses() if every else A_HANDFUL)


def test_every_route_of_a_page_has_an_example() -> None:
    """A new page is visited by the tests below, or this one says that it is missing."""
    assert [route for route in visits.routes() if not visits.examples(route)] == []


def test_a_page_fits_and_is_silent(screen: Page, demo: Demo, example: str) -> None:
    """No sideways scrolling, targets big enough, no complaint, nothing asked of other hosts, light."""
    asked: list[str] = []
    complaints: list[str] = []
    screen.on("request", lambda request: asked.append(request.url))
    screen.on("console", lambda message: complaints.append(message.text))
    screen.on("pageerror", lambda error: complaints.append(str(error)))
    answer = screen.goto(demo.address + demo.at(example), wait_until="networkidle")
    assert answer is not None
    expected = 404 if "0000-00000" in example else 200
    assert answer.status == expected, screen.inner_text("main")
    assert len(answer.body()) < MOST_BYTES
    assert [url for url in asked if not url.startswith((demo.address, "data:"))] == []
    complaints = [complaint for complaint in complaints if "Service Worker registration blocked" not in complaint]
    assert [complaint for complaint in complaints if str(expected) not in complaint or expected == 200] == []
    for closed in screen.locator("main details:not([open]) > summary").all()[:10]:
        closed.click()
    assert screen.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth") <= 0
    assert screen.evaluate(_SMALL, LEAST_TARGET) == []


def test_a_page_is_worked_without_a_mouse(screen: Page, demo: Demo, example: str) -> None:
    """The tabulator comes by everything that can be worked, and it is seen where one is."""
    screen.goto(demo.address + demo.at(example))
    wanted = set(screen.evaluate(_REACHABLE))
    assert wanted
    if len(wanted) > MOST_TABS:
        pytest.skip("a page of hundreds of links is like one of dozens")
    reached: set[str] = set()
    unseen: list[str] = []
    for _ in range(len(wanted) + 5):
        screen.keyboard.press("Tab")
        found = screen.evaluate(_FOCUSED)
        if found["reach"] is None:
            continue
        reached.add(found["reach"])
        unseen += [] if found["shown"] else [found["what"]]
        if reached >= wanted:
            break
    assert wanted - reached == set()
    assert unseen == []


def test_a_page_is_read_by_whoever_cannot_see_it(screen: Page, demo: Demo, example: str) -> None:
    """The checker axe finds nothing serious or critical: labels, names, contrast, order of headings, languages."""
    screen.goto(demo.address + demo.at(example), wait_until="networkidle")
    found: Any = screen.evaluate(f"{_axe()}; axe.run({{resultTypes: ['violations']}}).then(found => found.violations)")
    bad = [
        (each["id"], node["html"][:160], node["failureSummary"][:200])
        for each in found
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"]
    ]
    assert bad == []


def _axe() -> str:
    return (resources.files("axe_playwright_python") / "axe.min.js").read_text(encoding="utf-8")
