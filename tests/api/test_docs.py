"""The page that explains the API: complete, and from this host alone."""

from __future__ import annotations

import re
from html.parser import HTMLParser

import pytest

from ledger.plants.entries import TYPES
from ledger.plants.refusals import Refusal
from tests.api.conftest import Service

CODES = sorted(kind.CODE for kind in Refusal.__subclasses__())


class Page(HTMLParser):
    """What a page names: its tags, whatever it loads or leads to, its anchors, and the rows of its tables."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: set[str] = set()
        self.attributes: set[str] = set()
        self.addresses: set[str] = set()
        self.anchors: dict[str, str] = {}
        self._anchor = ""
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        given = dict(attrs)
        self.attributes |= given.keys()
        self.addresses |= {value for name, value in attrs if name in ("href", "src", "action", "data", "srcset") and value}
        if anchor := given.get("id"):
            self._anchor = anchor
            self.anchors[anchor] = ""

    def handle_data(self, data: str) -> None:
        if self._anchor:
            self.anchors[self._anchor] += f" {data.strip()}"


@pytest.fixture(scope="module")
def page(quiet: Service) -> Page:
    """The page, read."""
    return Page(quiet.client.get("/docs").text)


def test_the_page_loads_nothing_from_other_hosts(quiet: Service, page: Page) -> None:
    """No script, no style but its own file, no address with a host; all that it names on this host is there."""
    assert not page.tags & {"script", "iframe", "object", "embed", "form", "style", "img", "base"}
    assert not {name for name in page.attributes if name.startswith("on") or name == "style"}
    for address in page.addresses:
        assert re.fullmatch(r"/[a-z0-9./-]*|#[a-z0-9-]+", address), address
        if address.startswith("#"):
            assert address[1:] in page.anchors
        else:
            found = quiet.client.get(address)
            assert found.status_code == 200
            assert address.endswith(".json") or not re.search(r"@import|url\(|https?:(?!//www\.w3\.org/2000/svg)", found.text)


def test_the_browser_is_told_to_hold_the_page_to_that(quiet: Service) -> None:
    """A content security policy that begins with nothing and opens only this host's styles and pictures."""
    headers = quiet.client.get("/docs").headers
    rules = dict(rule.strip().split(" ", 1) for rule in headers["Content-Security-Policy"].split(";"))
    assert rules["default-src"] == rules["base-uri"] == rules["form-action"] == rules["frame-ancestors"] == "'none'"
    assert set(rules.values()) == {"'none'", "'self'"}
    assert "script-src" not in rules
    assert headers["X-Content-Type-Options"] == "nosniff"
    assert headers["Referrer-Policy"] == "no-referrer"


@pytest.mark.parametrize("code", CODES)
def test_every_refusal_is_explained(quiet: Service, page: Page, code: str) -> None:
    """A problem's type leads to its code's row, which has a status and says in a sentence what it means."""
    assert code in quiet.codes
    assert re.fullmatch(rf"\W*{code}\W+4\d\d\s+[A-Z].{{20,}}\..*", page.anchors[code], re.DOTALL)


def test_every_code_type_and_path_is_on_the_page(quiet: Service, page: Page) -> None:
    """Nothing that the document has is left out."""
    assert quiet.codes <= page.anchors.keys()
    assert {f"entry-{name}" for name in TYPES} <= page.anchors.keys()
    words = " ".join(page.anchors.values())
    assert all(path in words for path in quiet.openapi["paths"])
