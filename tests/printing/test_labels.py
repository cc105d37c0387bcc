"""Tags, labels and cards: their millimetres, their words inside their edges, and their codes read back from the PDF itself."""

from __future__ import annotations

import io
from datetime import UTC, datetime
from itertools import pairwise
from typing import Any, NamedTuple

import msgspec
import numpy as np
import pytest
import zxingcpp
from pypdf import PageObject, PdfReader

from ledger.printing import labels
from ledger.printing.labels import Card, Passport, Sheet, Stake, Tag
from ledger.printing.paper import width_of

NOW = datetime(2026, 9, 14, 8, 0, tzinfo=UTC)
MM = 72 / 25.4
LINK = "https://bench.brindlewick.example/t/26W38-07K"
TAG = Tag(
    cultivar="Ixora \u2018Copper Thimble\u2019",
    botanical="Ixora coccinea",
    came="struck 2026-W36",
    number="26W38-07K",
    link=LINK,
    nth="tray 2 of 5",
    passport=Passport(botanical="Ixora coccinea", registration="GB-12345", traceability="26W38-07K", origin="GB"),
)
LONGEST = [
    msgspec.structs.replace(TAG, cultivar=letters, botanical=letters[::-1])
    for letters in ("W" * 120, "Wm " * 40, "Émilie’s Œuvre d’été à la Reine ÆØÅ ß ñ ç ü " * 2)
]


class Drawn(NamedTuple):
    """A filled rectangle, in mm from the top left."""

    x: float
    y: float
    width: float
    height: float


def opened(content: bytes) -> PdfReader:
    """The document, read strictly."""
    return PdfReader(io.BytesIO(content), strict=True)


def size(page: PageObject) -> tuple[float, float]:
    """Of a page, in mm."""
    return (round(float(page.mediabox.width) / MM, 2), round(float(page.mediabox.height) / MM, 2))


def filled(page: PageObject) -> list[Drawn]:
    """The filled rectangles of a page, from what is drawn on it."""
    assert page.get_contents() is not None
    found, pending = [], None
    high = float(page.mediabox.height)
    for operands, operator in page.get_contents().operations:  # type: ignore[union-attr]
        if operator == b"re":
            pending = [float(value) for value in operands]
        elif operator in (b"f", b"F", b"f*") and pending is not None:
            x, y, wide, tall = pending
            x, wide = min(x, x + wide), abs(wide)
            top = high - max(y, y + tall)
            found.append(Drawn(x / MM, top / MM, wide / MM, abs(tall) / MM))
    return found


def raster(page: PageObject, per_mm: int = 20) -> Any:
    """The filled rectangles as a picture."""
    wide, tall = size(page)
    picture = np.full((round(tall * per_mm), round(wide * per_mm)), 255, dtype=np.uint8)
    for drawn in filled(page):
        top, left = round(drawn.y * per_mm), round(drawn.x * per_mm)
        picture[top : round((drawn.y + drawn.height) * per_mm), left : round((drawn.x + drawn.width) * per_mm)] = 0
    return picture


def links(page: PageObject) -> list[str]:
    """What a camera reads off a page."""
    return [code.text for code in zxingcpp.read_barcodes(raster(page))]


def texts(page: PageObject) -> list[tuple[str, float, float, float]]:
    """Each piece of text with its left and right ends and its base line, in mm."""
    found = []
    high = float(page.mediabox.height)

    def seen(text: str, _: Any, at: Any, font: Any, points: float) -> None:
        if text.strip():
            style = {"/Helvetica-Bold": "B", "/Helvetica-Oblique": "I"}.get(font["/BaseFont"] if font else "", "")
            x = at[4] / MM
            found.append((text.strip("\n"), x, x + width_of(text.strip("\n"), points, style), (high - at[5]) / MM))  # type: ignore[arg-type]

    page.extract_text(visitor_text=seen)
    return found


def test_a_stake_has_its_exact_size_and_a_page_for_each_tag() -> None:
    """Millimetres of the stock, whichever is asked for."""
    for form in (Stake(), Stake(width=150, height=30)):
        pages = opened(labels.as_tags([TAG] * 3, form, NOW)).pages
        assert [size(page) for page in pages] == [(form.width, form.height)] * 3


def test_a_sheet_is_a4_with_two_labels_beside_each_other() -> None:
    """Ten to a page in the usual size; the codes are a label's width apart."""
    pages = opened(labels.as_tags([TAG] * 11, Sheet(), NOW)).pages
    assert [size(page) for page in pages] == [(210, 297)] * 2
    assert [len(links(page)) for page in pages] == [10, 1]
    corners = sorted({round(drawn.x, 1) for drawn in filled(pages[0]) if drawn.y < 57})
    assert any(round(b - a, 1) == 99 for a in corners for b in corners)


@pytest.mark.parametrize("form", [Stake(), Sheet(), Stake(width=110, height=20, foot=25), Sheet(width=70, height=25)])
def test_a_code_is_read_back_as_its_link_and_its_modules_are_big_enough(form: labels.Format) -> None:
    """From the PDF's own drawing: no rectangle is thinner than 0.4 mm, and no code lacks its quiet zone."""
    page = opened(labels.as_tags([TAG], form, NOW)).pages[0]
    drawn = filled(page)
    assert links(page) == [LINK]
    assert min(min(each.width, each.height) for each in drawn) >= 0.4 - 0.001
    module = min(each.width for each in drawn)
    right = max(each.x + each.width for each in drawn)
    assert min(left for _, left, _, _ in texts(page)) >= right + 4 * module - 0.02


def test_the_level_of_a_code_is_m_or_better() -> None:
    """Read back, not asked of what made it."""
    page = opened(labels.as_tags([TAG], Stake(), NOW)).pages[0]
    assert next(code.ec_level for code in zxingcpp.read_barcodes(raster(page))) in ("M", "Q", "H")


def test_what_is_too_small_for_its_code_is_refused() -> None:
    """Never a code that no camera reads."""
    with pytest.raises(labels.TooSmall, match="at least"):
        labels.as_tags([TAG], Stake(height=12), NOW)
    with pytest.raises(labels.TooSmall, match="do not fit"):
        labels.as_tags([TAG], Sheet(width=110), NOW)


@pytest.mark.parametrize("tag", [TAG, *LONGEST])
@pytest.mark.parametrize("form", [Stake(), Stake(width=110, height=20, foot=25)])
def test_no_word_runs_over_an_edge_and_none_is_left_out(tag: Tag, form: Stake) -> None:
    """Also the longest names that the ledger takes, also wide letters without a space."""
    page = opened(labels.as_tags([tag], form, NOW)).pages[0]
    found = texts(page)
    for text, left, right, base in found:
        assert left >= form.foot, text
        assert right <= form.width - 1, text
        assert 0 < base < form.height, text
    printed = "".join("".join(text.split()) for text, *_ in found)
    for whole in (tag.cultivar, tag.botanical, tag.number, tag.came, tag.nth, "BGB-12345"):
        assert "".join(whole.split()) in printed
    lines = sorted({round(base, 2) for *_, base in found})
    assert all(below - above > 0.5 for above, below in pairwise(lines))


def test_letters_with_accents_are_printed_and_others_plainly() -> None:
    """Western European as they are; what the font lacks as the letter under the accent."""
    tag = msgspec.structs.replace(TAG, cultivar="Été Øre Łódź")
    text = opened(labels.as_tags([tag], Stake(), NOW)).pages[0].extract_text()
    assert "Été Øre Lódz" in " ".join(text.split())


def test_a_passport_is_printed_only_where_it_is_given() -> None:
    """A to D, with a blank to write in where the origin is not known."""
    without = opened(labels.as_tags([msgspec.structs.replace(TAG, passport=None)], Stake(), NOW)).pages[0].extract_text()
    assert "GB-12345" not in without
    assert TAG.passport is not None
    blank = msgspec.structs.replace(TAG, passport=msgspec.structs.replace(TAG.passport, origin=""))
    text = opened(labels.as_tags([blank], Stake(), NOW)).pages[0].extract_text().replace("\xa0", " ")
    assert "B GB-12345" in text
    assert "C 26W38-07K" in text
    assert "D ...." in text


def test_a_sign_in_card_is_as_big_as_a_bank_card_and_its_code_signs_in() -> None:
    """The key travels after the #, which no server is sent."""
    key = "tally-abcd1234-" + "x" * 43
    link = f"https://bench.brindlewick.example/sign-in#{key}"
    card = Card(role="grower", device="Phone", may="read, write", prefix="abcd1234", link=link, ends="")
    page = opened(labels.as_card(card, NOW)).pages[0]
    assert size(page) == (85.6, 54)
    assert links(page) == [link]
    assert min(min(each.width, each.height) for each in filled(page)) >= 0.4 - 0.001
    assert all(right <= 85.6 for _, _, right, _ in texts(page))
    assert "x" * 43 not in page.extract_text()
