"""What the looks at stays tell: of their times, and of the shares that come through. Pure reading; fits nothing."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from datetime import date

import numpy as np

from ledger.forecast.stays import Stay
from ledger.forecast.survival import worth
from ledger.forecast.timing import CHECK_DAYS, Clock, Floats, Sightings, summed

#: plants of one batch are alike in more than the model knows: however many, they tell of its time no more than so many
ALIKE = 10.0
_STILL = date.max.toordinal()


def sighted(stays: Sequence[Stay], clocks: Sequence[Clock], relative_to: Floats, on: date) -> Sightings:
    """What looks say of times: ready between two looks (never more than a week apart), or not ready at the last one."""
    rows = [(at, *row) for at, stay in enumerate(stays) for row in _rows(stay, on)]
    of = np.array([row[0] for row in rows], dtype=np.int64)
    begun = np.array([stay.started_on.toordinal() for stay in stays], dtype=np.int64)
    low, high = np.empty(len(rows)), np.empty(len(rows))
    days_low, days_high = (np.array([row[place] for row in rows], dtype=np.int64) for place in (1, 2))
    by_clock: dict[int, list[int]] = defaultdict(list)
    for row, at in enumerate(of):
        by_clock[id(clocks[at])].append(row)
    for chosen in by_clock.values():
        clock, starts = clocks[of[chosen[0]]], begun[of[chosen]]
        low[chosen] = clock.between(starts, days_low[chosen])
        high[chosen] = clock.between(starts, days_high[chosen])
    with np.errstate(divide="ignore"):
        logs_low, logs_high = np.log(low) - relative_to[of], np.log(np.maximum(high, low + 0.5)) - relative_to[of]
    units = np.array([row[3] for row in rows], dtype=np.float64)
    total = summed(of, units, len(stays))
    units = units * (worth(total, ALIKE) / np.maximum(total, 1.0))[of]
    return Sightings(of=of, low=logs_low, high=np.where(days_high == _STILL, np.inf, logs_high), units=units)


def last_check(stay: Stay, on: date) -> int:
    """The ordinal of the last weekly look at a stay up to a day, counted on from its last one that told anything."""
    known = (stay.looks[-1].on if stay.looks else stay.started_on).toordinal()
    return known + max(0, on.toordinal() - known) // CHECK_DAYS * CHECK_DAYS


def _rows(stay: Stay, on: date) -> Iterator[tuple[int, int, int]]:
    """Of one stay: (not ready on, ready on or _STILL, units).

    What died tells nothing of the time of the rest: plants die by the share of their time that has gone, fast ones and slow
    ones alike. Only what the last look found dead counts with the unready until the next, so that no loss raises a forecast.
    """
    before = stay.started_on.toordinal()
    told = False
    for look in stay.looks:
        day = look.on.toordinal()
        before = max(before, day - CHECK_DAYS)
        if look.finished:
            yield before, day, look.finished
            told = True
        before = day
    if stay.standing or not told:
        found_dead = stay.looks[-1].lost if stay.standing and stay.looks else 0
        yield last_check(stay, on), _STILL, stay.standing + found_dead


def came_through(stay: Stay, clock: Clock, typical: float, on: date) -> tuple[float, float, float, float]:
    """Of one stay: stood, of so many; found good, of so many looked over.

    Plants still standing count as far as their time has gone (of `typical`, in the clock's units).
    """
    gone = float(clock.between(stay.started_on.toordinal(), on.toordinal())) / typical if stay.standing else 0.0
    looked_over = stay.finished + stay.poor
    stood = looked_over + min(1.0, gone) * stay.standing
    return stood, stood + stay.lost, float(stay.finished), float(looked_over)
