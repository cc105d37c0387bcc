"""Paper to print on: sheets of any size in millimetres, texts in letters that every reader has, and how wide they are.

The fonts are those that every reader has, and they know western European letters only. Any other letter is written as the plain
one under its accent, or as its number in Unicode, [U+4E2D].
"""

from __future__ import annotations

import unicodedata
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from functools import cache, lru_cache
from itertools import accumulate
from typing import Literal

from fpdf import FPDF
from fpdf.fonts import CoreFont

from ledger.printing.text import writable

MM_A_POINT = 25.4 / 72
MOST_NAMED = 20
FONT = "helvetica"

Style = Literal["", "B", "I"]

_ENCODING = "cp1252"
_PLAIN = str.maketrans("łŁđĐħĦŧŦı\u2010\u2011\u2012\u2212", "lLdDhHtTi----")  # no accents to Unicode


class Letters:
    """Texts in the letters that the fonts have, and what had to be replaced."""

    def __init__(self) -> None:
        self.replaced: dict[str, str] = {}

    def __call__(self, text: str) -> str:
        text = writable(text).replace("\r\n", "\n").replace("\r", "\n").replace("\t", " ")
        return text if _is_known(text) else "".join(map(self._known, unicodedata.normalize("NFC", text)))

    def _known(self, letter: str) -> str:
        if _is_known(letter):
            return letter
        parts = unicodedata.normalize("NFKD", letter.translate(_PLAIN))
        plain = "".join(part for part in parts if not unicodedata.combining(part))
        instead = plain if plain and _is_known(plain) else f"[U+{ord(letter):04X}]"
        self.replaced[letter] = instead
        return instead

    def notes(self) -> Iterator[str]:
        """What stands for what, in the letters that there are."""
        plain = {letter: instead for letter, instead in self.replaced.items() if not instead.startswith("[U+")}
        if plain:
            named = [f"{_name(letter)} as {instead}" for letter, instead in sorted(plain.items())[:MOST_NAMED]]
            more = f", and {len(plain) - MOST_NAMED} more" if len(plain) > MOST_NAMED else ""
            yield f"Letters that the fonts of this document lack are written plainly: {', '.join(named)}{more}."
        if len(plain) < len(self.replaced):
            yield "[U+...] is a letter that the fonts of this document lack, by its number in Unicode."


def _is_known(text: str) -> bool:
    try:
        text.encode(_ENCODING)
    except UnicodeEncodeError:
        return False
    return True


def _name(letter: str) -> str:
    return unicodedata.name(letter, f"U+{ord(letter):04X}").lower()


@cache
def _measure(style: Style) -> Callable[[str], float]:
    """How wide a text is, in mm, in letters of one point."""
    blank = FPDF()
    blank.set_font(FONT, style)
    font = blank.current_font
    assert isinstance(font, CoreFont)
    widths = [font.cw.get(chr(byte), 0) / 1000 * MM_A_POINT for byte in range(256)]

    @lru_cache(maxsize=8192)
    def measure(text: str) -> float:
        return sum(widths[byte] for byte in text.encode(_ENCODING))

    return measure


def width_of(text: str, size: float, style: Style = "") -> float:
    """How wide a line is, in mm, in letters of so many points."""
    return _measure(style)(text) * size


def in_lines(text: str, room: float, size: float, style: Style = "") -> list[str]:
    """The text in lines that are no wider, broken between words, within a word where it is longer than a line."""
    lines = []
    for paragraph in text.split("\n"):
        left = paragraph
        while width_of(left, size, style) > room + 0.01 and len(left) > 1:
            fits = _letters_that_fit(left, room, size, style)
            space = left.rfind(" ", 1, fits + 1)
            end = space if space > 0 else fits
            lines.append(left[:end])
            left = left[end:].removeprefix(" ")
        lines.append(left)
    return lines


def _letters_that_fit(text: str, room: float, size: float, style: Style) -> int:
    """How many letters of the text fit into a line, one at least."""
    sums = accumulate(width_of(letter, size, style) for letter in text)
    return max(1, next((at for at, so_far in enumerate(sums) if so_far > room + 0.01), len(text)))


class Paper(FPDF):
    """Sheets without margins, on which everything is placed in millimetres from the top left."""

    def __init__(self, title: str, made_at: datetime, size: tuple[float, float] | Literal["A4"] = "A4") -> None:
        super().__init__(unit="mm", format=size)
        self.core_fonts_encoding = _ENCODING
        self.set_auto_page_break(auto=False)
        self.set_margin(0)
        self.set_title(writable(title))
        self.set_creator("Tallybench")
        self.set_lang("en")
        self.set_creation_date(made_at.astimezone(UTC))

    def write_at(self, x: float, y: float, text: str, size: float, style: Style = "") -> None:
        """Text of known letters whose line begins at this height."""
        if text:
            self.set_font(FONT, style, size)
            self.text(x, y + size * MM_A_POINT, text)
