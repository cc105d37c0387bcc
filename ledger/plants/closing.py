"""Closing a period of the books, which is a calendar month: what may be closed, and where the books count what comes late.

A close freezes its month and all before it. What is told later of a day in there is counted on the first open day; the day on
which it happened stays beside it.
"""

from __future__ import annotations

from datetime import date, timedelta

from ledger.plants import refusals


def period_of(day: date) -> str:
    """The month of a day, such as `2026-11`."""
    return f"{day:%Y-%m}"


def last_day(period: str) -> date:
    """The last day of a month."""
    year, month = int(period[:4]), int(period[5:])
    return (date(year + 1, 1, 1) if month == 12 else date(year, month + 1, 1)) - timedelta(days=1)  # noqa: PLR2004 - December


def following(day: date) -> str:
    """The month after the one that ends on a day."""
    return period_of(day + timedelta(days=1))


def booked(day: date, closed_to: date | None, happened_on: date | None = None) -> tuple[date, date | None]:
    """The day on which the books count what belongs to a day, and the day on which it happened if that is another.

    closed_to: the last closed day. happened_on: given where `day` is where the books counted it before.
    """
    on = day if closed_to is None else max(day, closed_to + timedelta(days=1))
    happened_on = happened_on or day
    return on, happened_on if happened_on != on else None


def may_close(period: str, *, today: date, first_on: date | None, closed_to: date | None) -> None:
    """Raises NotClosable unless that month comes next and is over. first_on: the first day of which anything is told."""
    if closed_to is not None and last_day(period) <= closed_to:
        raise refusals.NotClosable(f"{period} is closed already: all is, up to {closed_to}", field="period")
    if closed_to is not None and period != (wanted := following(closed_to)):
        raise refusals.NotClosable(f"periods are closed one after the other: {wanted} comes next", field="period", next=wanted)
    if first_on is None or last_day(period) < first_on:
        raise refusals.NotClosable(f"nothing is told of {period} or of a time before it", field="period")
    if last_day(period) >= today:
        raise refusals.NotClosable(f"{period} is not over yet: it is {today} in the nursery", field="period")
