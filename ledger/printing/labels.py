"""Tags, labels and sign-in cards, in exact millimetres, with a code that a phone's camera opens as a link.

A long name is broken and made smaller until it fits its place; nothing runs over an edge. The modules of a code (its dark and
light squares) are never smaller than LEAST_MODULE, and its error correction is level M or better.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import datetime
from functools import lru_cache
from itertools import count, takewhile
from typing import NamedTuple

import segno
from msgspec import Struct

from ledger.printing.paper import MM_A_POINT, Letters, Paper, Style, in_lines, width_of

LEAST_MODULE, MOST_MODULE = 0.4, 0.8  # mm
QUIET = 4  # modules, on every side
LINE = 1.2  # of the height of a letter
LEAST_LETTERS = 2.5  # points: only a name as long as the ledger takes comes near
A4 = (210.0, 297.0)
_PAD = 1.5  # mm, between the edge and what is printed
_TEXT_SHARE = 0.45  # of the width, at least, that a code leaves to the words


class TooSmall(ValueError):
    """What was asked for does not fit its format."""


class Passport(Struct, frozen=True, kw_only=True):
    """Fields of a plant passport: botanical name, registration number, traceability code, origin (empty: to be written in)."""

    botanical: str
    registration: str
    traceability: str
    origin: str


class Tag(Struct, frozen=True, kw_only=True):
    """What stands on a tag. came: when and how the plants came, with the ISO week; nth: tray 2 of 5, or the size of the pot."""

    cultivar: str
    botanical: str
    came: str
    number: str
    link: str
    nth: str = ""
    passport: Passport | None = None


class Stake(Struct, frozen=True, kw_only=True):
    """Stakes of a waterproof stock, one a page, printed lengthwise. foot: the end that goes into the soil and stays blank."""

    width: float = 130.0
    height: float = 25.0
    foot: float = 35.0


class Sheet(Struct, frozen=True, kw_only=True):
    """Labels two beside each other on A4, as many rows as the sheet has room for."""

    width: float = 99.0
    height: float = 57.0
    margin: float = 5.0


Format = Stake | Sheet


def form_of(name: str, width: float | None, height: float | None) -> Format:
    """A format by its name, in another size where one is given."""
    plain = Stake() if name == "stake" else Sheet()
    width, height = width or plain.width, height or plain.height
    if name == "sheet":
        return Sheet(width=width, height=height)
    return Stake(width=width, height=height, foot=min(Stake().foot, width / 3))


class Card(Struct, frozen=True, kw_only=True):
    """A key on paper: whoever holds it can sign in."""

    role: str
    device: str
    may: str
    prefix: str
    link: str
    ends: str


class _Box(NamedTuple):
    x: float
    y: float
    width: float
    height: float


class _Line(NamedTuple):
    """A text, its style, its share of the height, and how big its letters are at most, in points."""

    text: str
    style: Style
    share: float
    most: float


# --- the code ------------------------------------------------------------------------------------------------------


class _Code(NamedTuple):
    """A code as rectangles of dark modules (column, row, columns, rows), and how many modules it is wide, quiet ones too."""

    dark: tuple[tuple[int, int, int, int], ...]
    modules: int


@lru_cache(maxsize=1024)
def _code(link: str) -> _Code:
    made = segno.make(link, error="m", micro=False)  # a better level where the code does not grow by it
    rows = [[bool(module) for module in row] for row in made.matrix]
    dark = []
    for top, row in enumerate(rows):
        for left in range(len(row)):
            if row[left]:
                wide = sum(1 for _ in takewhile(lambda at: at < len(row) and row[at], count(left)))  # noqa: B023 - used at once
                whole = range(left, left + wide)
                tall = sum(1 for _ in takewhile(lambda at: at < len(rows) and all(rows[at][x] for x in whole), count(top)))  # noqa: B023
                for at in range(top, top + tall):
                    rows[at][left : left + wide] = [False] * wide
                dark.append((left, top, wide, tall))
    return _Code(tuple(dark), len(rows) + 2 * QUIET)


def _module(code: _Code, room: float) -> float:
    """How big a module is where the code has so much room. Raises TooSmall."""
    size = min(MOST_MODULE, int(room / code.modules * 100) / 100)
    if size < LEAST_MODULE:
        needed = code.modules * LEAST_MODULE
        raise TooSmall(
            f"the code of this link takes {needed:.1f} mm at least, here are {max(0.0, room):.1f}: take a bigger format"
        )
    return size


def _draw_code(paper: Paper, code: _Code, x: float, y: float, module: float) -> None:
    paper.set_fill_color(0)
    for left, top, wide, tall in code.dark:
        at = (x + (QUIET + left) * module, y + (QUIET + top) * module)
        paper.rect(*at, wide * module, tall * module, style="F")


# --- words in their place --------------------------------------------------------------------------------------------


def _fitted(text: str, room: _Box, style: Style, most: float) -> tuple[float, list[str]]:
    """The biggest letters in which a text fits into its place, and its lines. Words stay whole unless there is no other way."""
    size = most
    while size > LEAST_LETTERS:
        lines = in_lines(text, room.width, size, style)
        whole = all(width_of(word, size, style) <= room.width for word in text.split(" "))
        if len(lines) * size * MM_A_POINT * LINE <= room.height + 0.01 and (whole or size < most / 2):
            return size, lines
        size -= 0.25
    lines = in_lines(text, room.width, LEAST_LETTERS, style)
    return LEAST_LETTERS, lines[: max(1, int(room.height / (LEAST_LETTERS * MM_A_POINT * LINE)))]


def _draw_words(paper: Paper, letters: Letters, room: _Box, words: Sequence[_Line]) -> None:
    """Lines below each other, each in its share of the height."""
    words = [line for line in words if line.text]
    whole, y = sum(line.share for line in words), room.y
    for line in words:
        height = room.height * line.share / whole
        size, parts = _fitted(letters(line.text), _Box(room.x, y, room.width, height), line.style, line.most)
        for nth, part in enumerate(parts):
            paper.write_at(room.x, y + nth * size * MM_A_POINT * LINE, part, size, line.style)
        y += height


# --- tags ------------------------------------------------------------------------------------------------------------


def as_tags(tags: Sequence[Tag], form: Format, made_at: datetime) -> bytes:
    """Tags in a format. Raises TooSmall."""
    letters = Letters()
    title = f"Tags of {tags[0].number}" if tags else "Tags"
    paper = Paper(title, made_at, (form.width, form.height) if isinstance(form, Stake) else A4)
    for tag, room in zip(tags, _places(paper, form), strict=False):
        _draw_tag(paper, letters, room, tag)
    return bytes(paper.output())


def _places(paper: Paper, form: Format) -> Iterator[_Box]:
    """One place after another, on page after page."""
    if isinstance(form, Stake):
        while True:
            paper.add_page()
            yield _Box(form.foot, 0, form.width - form.foot, form.height)
    across, down = A4
    rows = int((down - 2 * form.margin) / form.height)
    if rows < 1 or 2 * form.width + 2 * form.margin > across + 0.01:
        raise TooSmall(f"two labels of {form.width:g} x {form.height:g} mm and margins of {form.margin:g} mm do not fit on A4")
    while True:
        paper.add_page()
        left, top = (across - 2 * form.width) / 2, form.margin
        _draw_cuts(paper, form, left, top, rows)
        for row in range(rows):
            for column in range(2):
                yield _Box(left + column * form.width, top + row * form.height, form.width, form.height)


def _draw_cuts(paper: Paper, form: Sheet, left: float, top: float, rows: int) -> None:
    """Where to cut: short lines in the margin, none on a label."""
    paper.set_line_width(0.1)
    end = form.margin * 0.7
    for row in range(rows + 1):
        y = top + row * form.height
        paper.line(0, y, min(end, left), y)
        paper.line(A4[0] - min(end, left), y, A4[0], y)
    for column in range(3):
        x = left + column * form.width
        paper.line(x, 0, x, end)
        paper.line(x, A4[1] - end, x, A4[1])


def _draw_tag(paper: Paper, letters: Letters, room: _Box, tag: Tag) -> None:
    code = _code(tag.link)
    module = _module(code, min(room.height - 2 * _PAD, room.width * (1 - _TEXT_SHARE) - _PAD))
    side = module * code.modules
    _draw_code(paper, code, room.x + _PAD, room.y + (room.height - side) / 2, module)
    left = room.x + _PAD + side
    place = _Box(left, room.y + _PAD, room.x + room.width - _PAD - left, room.height - 2 * _PAD)
    words = [
        _Line(tag.cultivar, "B", 34, 26),
        _Line(tag.botanical, "I", 17, 14),
        _Line(tag.number, "B", 22, 20),
        _Line("   ".join(filter(None, (tag.came, tag.nth))), "", 15, 12),
    ]
    if tag.passport is not None:
        words.append(_Line(_passport(tag.passport), "", 18, 8))
    _draw_words(paper, letters, place, words)


def _passport(fields: Passport) -> str:
    """The four fields by the letters that the law gives them. The emblem and the heading are for whoever is authorised."""
    origin = fields.origin or "........"
    named = {"A": fields.botanical, "B": fields.registration, "C": fields.traceability, "D": origin}
    return "  ".join(f"{letter}\u00a0{text}" for letter, text in named.items())


# --- cards -----------------------------------------------------------------------------------------------------------

CARD = (85.6, 54.0)  # mm, as bank cards are (ISO/IEC 7810 ID-1)


def as_card(card: Card, made_at: datetime) -> bytes:
    """A sign-in card, for a wallet or a wall."""
    letters = Letters()
    paper = Paper(f"Sign-in card, {card.role}", made_at, CARD)
    paper.add_page()
    code = _code(card.link)
    module = _module(code, min(CARD[1] - 2 * _PAD, CARD[0] * (1 - _TEXT_SHARE)))
    side = module * code.modules
    _draw_code(paper, code, _PAD, (CARD[1] - side) / 2, module)
    left = _PAD + side
    words = [
        _Line(card.role, "B", 20, 18),
        _Line(card.device, "", 16, 12),
        _Line(f"May: {card.may}", "", 14, 8),
        _Line("Point the camera here to sign a device in. Whoever holds this card can do so: keep it like a key.", "", 22, 8),
        _Line(f"Lost? tallybench key revoke {card.prefix}", "", 14, 8),
        _Line(card.ends, "", 8, 8),
    ]
    _draw_words(paper, letters, _Box(left, 2 * _PAD, CARD[0] - 2 * _PAD - left, CARD[1] - 4 * _PAD), words)
    return bytes(paper.output())
