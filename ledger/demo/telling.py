"""How the simulated nursery's entries get their id, their moment and their turn.

Owns the working day's clock, batch numbers, and the slips that are handed in later than what they tell of. It knows what an
entry is, and nothing of plants.
"""

from __future__ import annotations

import random
from datetime import UTC, date, datetime, time, timedelta, timezone
from typing import Any, TypeVar
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import Struct

from ledger.demo.nursery import TIME_ZONE
from ledger.plants import numbers
from ledger.plants.entries import Told

_HOUR_MS = 3_600_000
_SECOND_MS = 1000
_FEW_CROPS = 60
_NOBODY = UUID(int=0)

ToldT = TypeVar("ToldT", bound=Told)


class Day(Struct, frozen=True, kw_only=True):
    """The entries of one day, in the order in which they were told. A late slip occurred earlier than its neighbours."""

    on: date
    entries: list[Told]


class Teller:
    """Writes entries down in the order in which they are told.

    Time only moves forward within a day, so that the order of telling is the order of occurring, late slips apart.
    `writing` is off while the simulator works up to the opening day.
    """

    def __init__(self, seed: int, crops: int) -> None:
        self.writing = False
        self._chance = random.Random(f"ids and clock of {seed}")
        self._zone = ZoneInfo(TIME_ZONE)
        # a few crops take whole, unhurried seconds between acts; thousands of crops must still fit into a day
        self._step_ms = 40_000 if crops <= _FEW_CROPS else max(40, 1_500_000 // crops)
        self._whole_ms = _SECOND_MS if crops <= _FEW_CROPS else 1
        self._told: list[Told] = []
        self._evening: list[Told] = []
        self._late: dict[date, list[Told]] = {}
        self._week = ""
        self._serial = 0
        self.today = date.min
        self._midnight = datetime.min.replace(tzinfo=UTC)
        self._midnight_ms = 0
        self._clock_ms = 0

    def begin(self, day: date) -> None:
        """A new day; slips that were left for it are handed in first."""
        self.today = day
        offset = datetime.combine(day, time(12), self._zone).utcoffset()
        assert offset is not None
        self._midnight = datetime.combine(day, time(), timezone(offset))
        self._midnight_ms = round(self._midnight.timestamp() * 1000)
        self._clock_ms = 6 * _HOUR_MS
        week = numbers.week_of(day)
        if week != self._week:
            self._week, self._serial = week, 0
        self._told += self._late.pop(day, [])

    def end(self) -> Day:
        """The day's entries; slips of the day that were left for the evening come last."""
        day = Day(on=self.today, entries=self._told + self._evening)
        self._told, self._evening = [], []
        return day

    def hand_in_everything(self) -> None:
        """The last day: every slip still in a pocket comes out."""
        for day in sorted(self._late):
            self._evening += self._late[day]
        self._late.clear()

    def at(self, hour: float) -> None:
        """Lets the clock run to an hour of the day, if it is not later already."""
        self._clock_ms = max(self._clock_ms, round(hour * _HOUR_MS))

    def next_batch(self) -> str:
        """The week's next batch number."""
        if not self.writing:
            return ""
        number, self._serial = numbers.next_number(self._week, self._serial)
        return number

    def now(self) -> datetime:
        """The moment of the entry that was told last."""
        return self._midnight + timedelta(milliseconds=self._clock_ms)

    def tell(self, kind: type[Told], by: str, /, **fields: Any) -> UUID:
        """An entry of something that occurs now; its id."""
        if not self.writing:
            return _NOBODY
        entry = self.word(kind, by, **fields)
        self._told.append(entry)
        return entry.id

    def word(self, kind: type[ToldT], by: str, /, **fields: Any) -> ToldT:
        """An entry of something that occurs now, for whoever puts it to the service himself."""
        step = int(self._step_ms * (0.5 + self._chance.random()))
        self._clock_ms += max(1, step // self._whole_ms) * self._whole_ms
        return kind(id=self._new_id(), occurred_at=self._midnight + timedelta(milliseconds=self._clock_ms), by=by, **fields)

    def hand_over(self) -> list[Told]:
        """What was told so far today: it will not be among the day's entries any more."""
        told, self._told = self._told, []
        return told

    def tell_late(self, days: int, kind: type[Told], by: str, /, **fields: Any) -> UUID:
        """An entry of something that occurs now, handed in this evening (0) or so many days later."""
        if not self.writing:
            return _NOBODY
        entry = self.word(kind, by, **fields)
        pile = self._late.setdefault(self.today + timedelta(days=days), []) if days else self._evening
        pile.append(entry)
        # nothing else may occur at the same moment: it would be told first, and so stand before the slip
        self._clock_ms += _SECOND_MS
        return entry.id

    def tell_of(self, moment: datetime, kind: type[Told], by: str, /, **fields: Any) -> UUID:
        """An entry told now of something that occurred at an earlier moment."""
        if not self.writing:
            return _NOBODY
        entry = kind(id=self._new_id(), occurred_at=moment, by=by, **fields)
        self._told.append(entry)
        return entry.id

    def _new_id(self) -> UUID:
        """A UUID of version 7 layout: milliseconds, version, 12 random bits, variant, 62 random bits (RFC 9562, 5.7)."""
        chance = self._chance.getrandbits(74)
        stamp = self._midnight_ms + self._clock_ms
        return UUID(int=stamp << 80 | 7 << 76 | (chance >> 62) << 64 | 2 << 62 | chance & (1 << 62) - 1)
