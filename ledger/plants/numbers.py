"""Batch numbers: short, readable from a wet tag, and with a check character so that one slip of the pen is caught.

`26W38-07K` is the seventh batch that entered in ISO week 38 of 2026; `K` is the check character of ISO 7064
MOD 37,36 over `26W3807`. Serials whose check character could be misread (B I O Q S Z) are passed over.
"""

from __future__ import annotations

import re
from datetime import date

from stdnum.iso7064 import mod_37_36

PATTERN = r"^[0-9]{2}W(0[1-9]|[1-4][0-9]|5[0-3])-[0-9]{2,5}[0-9A-Z]$(?!\n)"
#: higher serials are the ledger's to give: a number chosen by hand must not use up the series of its week
MOST_CHOSEN_SERIAL = 9_999
_CONFUSED = frozenset("BIOQSZ")


def check_character(head: str) -> str:
    """The check character of `26W38-07` (ISO 7064 MOD 37,36; the dash does not count)."""
    return mod_37_36.calc_check_digit(head.replace("-", ""))


def is_valid(number: str) -> bool:
    """True for a well-formed number whose check character agrees."""
    return re.match(PATTERN, number) is not None and check_character(number[:-1]) == number[-1]


def is_given(number: str) -> bool:
    """True for a valid number of the series, whose check character cannot be misread."""
    return is_valid(number) and number[-1] not in _CONFUSED


def week_of(day: date) -> str:
    """The week part of a number, `26W38`, for a day of the nursery's own calendar (ISO 8601 week)."""
    year, week, _ = day.isocalendar()
    return f"{year % 100:02d}W{week:02d}"


def next_number(week: str, last_serial: int) -> tuple[str, int]:
    """The next number of a week and its serial, after `last_serial` (0 before the first)."""
    serial = last_serial + 1
    while True:
        head = f"{week}-{serial:02d}"
        check = check_character(head)
        if check not in _CONFUSED:
            return head + check, serial
        serial += 1


def serial_of(number: str) -> tuple[str, int]:
    """The week and serial inside a valid number."""
    week, tail = number.split("-")
    return week, int(tail[:-1])
