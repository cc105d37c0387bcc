"""Numbers, weeks and bytes against the standards that they follow.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

import json
from datetime import date, timedelta
from random import Random

import pytest
import rfc8785
from hypothesis import given
from hypothesis import strategies as st

from ledger.log import codec
from ledger.plants import numbers
from tests.simulation.histories import Teller

# --- ISO 8601 weeks (MEM; re-derived below from the rule that week 1 holds the year's first Thursday) ----------------

WEEKS = {
    date(2026, 12, 31): "26W53",  # 2026 has a week 53 ...
    date(2027, 1, 1): "26W53",  # ... to which 2027-01-01 belongs, as its fifth day
    date(2027, 1, 3): "26W53",
    date(2027, 1, 4): "27W01",
    date(2008, 12, 28): "08W52",
    date(2008, 12, 29): "09W01",
    date(2026, 9, 14): "26W38",
}


@pytest.mark.parametrize("day", WEEKS)
def test_the_week_of_a_batch_number_is_the_iso_week(day: date) -> None:
    """Also at the turn of the year, where the week's year is not the day's."""
    assert numbers.week_of(day) == WEEKS[day]


def test_the_week_of_every_day_of_forty_years_holds_its_thursday() -> None:
    """A week belongs to the year of its Thursday, and its number counts the Thursdays of that year so far."""
    for ordinal in range(date(2010, 1, 1).toordinal(), date(2050, 1, 1).toordinal()):
        day = date.fromordinal(ordinal)
        thursday = day + timedelta(days=3 - day.weekday())
        week = (thursday - date(thursday.year, 1, 1)).days // 7 + 1
        assert numbers.week_of(day) == f"{thursday.year % 100:02d}W{week:02d}"


# --- ISO 7064 MOD 37,36 ----------------------------------------------------------------------------------------------

ALPHABET = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ"
#: (SEEN: the example in the documentation of python-stdnum, a release identifier of the recording industry)
KNOWN = {"A12425GABC1234002": "M"}


def by_the_standard(text: str) -> str:
    """The recursion of the standard (MEM): P = 36 at first; for each character a, P = 2 x ((P + a) mod 36, or 36) mod 37."""
    product = 36
    for character in text:
        product = (product + ALPHABET.index(character)) % 36 or 36
        product = product * 2 % 37
    return ALPHABET[(37 - product) % 36]


@pytest.mark.parametrize("text", KNOWN)
def test_the_known_check_characters(text: str) -> None:
    """The published example, by the product and by the recursion written out here."""
    assert numbers.check_character(text) == KNOWN[text] == by_the_standard(text)


def test_every_batch_number_carries_the_standards_check_character() -> None:
    """Serials count up; those whose check character is easily misread are passed over, and no others."""
    for week in ("26W01", "26W38", "26W53"):
        checks = {serial: by_the_standard(f"{week}{serial:02d}") for serial in range(1, 400)}
        expected = [f"{week}-{serial:02d}{check}" for serial, check in checks.items() if check not in "BIOQSZ"]
        serial = 0
        for number in expected:
            assert numbers.next_number(week, serial)[0] == number
            assert numbers.is_valid(number)
            serial = numbers.serial_of(number)[1]


def test_one_slip_of_the_pen_is_caught() -> None:
    """ISO 7064: every substitution of one character changes the check; so does swapping most neighbours."""
    for number in ("26W38-07K", "26W53-112", "26W01-015"):
        head = number[:-1]
        sound = head + numbers.check_character(head)
        assert numbers.is_valid(sound)
        for place, character in enumerate(sound):
            for other in ALPHABET:
                if character not in {"-", other}:
                    assert not numbers.is_valid(sound[:place] + other + sound[place + 1 :])


# --- RFC 8785, canonical JSON ----------------------------------------------------------------------------------------

#: what entries are made of: whole numbers within 2^53, text without control characters, keys in plain ASCII
TEXT = st.text(st.characters(exclude_categories=["Cs"], min_codepoint=0x20), max_size=40).map(
    lambda text: text.replace("\x7f", "")
)
KEYS = st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=12)
WHOLE = st.integers(-(2**53) + 1, 2**53 - 1)
JSON = st.recursive(
    st.none() | st.booleans() | WHOLE | TEXT,
    lambda inner: st.lists(inner, max_size=5) | st.dictionaries(KEYS, inner, max_size=6),
    max_leaves=30,
)


@given(value=JSON)
def test_canonical_bytes_are_those_of_the_rfc(value: object) -> None:
    """The log's encoder and the library `rfc8785` agree on everything that an entry can hold."""
    assert codec.canonical(value) == rfc8785.dumps(value)  # type: ignore[arg-type]


@given(random=st.randoms(use_true_random=False), note=TEXT)
def test_an_entry_is_kept_as_the_rfc_writes_it(random: Random, note: str) -> None:
    """Entries as they are told, with money, times and notes in any script, are already canonical."""
    for fact in random.sample(Teller(random).opening(), 3):
        (entry,) = codec.read_told({**fact, "note": note})
        kept = codec.canonical(entry)
        assert kept == rfc8785.dumps(json.loads(kept))
