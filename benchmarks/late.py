"""Late slips a second, on batches with 100, 10,000 and 100,000 entries: what happened before a slip costs nothing.

    python -m benchmarks.late [--seconds 1]

Each call tells of one loss, on the pen by itself. On time: later than all that is known of the batch. Late: ten entries and
a count came after it, so it is held against those and posts a line against the count. Later than none: the slip belongs
before all that is known of the batch, and every line of it is looked at.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import Any

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger.log import codec
from ledger.nursery import Nursery
from tests.telling import Teller

ENTRIES = (100, 10_000, 100_000)
AFTER = 10
_UNITS = 1_000_000
_PLACE = "G1"
_A_TURN = 1_000
_STEP = timedelta(milliseconds=1)
_MOST_A_SECOND = 3_000


class Bench:
    """One batch with so many losses told in their order; the last `AFTER` of them come after a gap, and a count after those."""

    def __init__(self, nursery: Nursery, teller: Teller, entries: int) -> None:
        self._nursery, self._teller, self._entries = nursery, teller, entries
        self._opened = datetime.now(UTC) - timedelta(days=2)
        came = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": _PLACE, "units": _UNITS}
        opened: Any = self._post("opened", occurred_at=self._opened, **came)
        self._batch = opened[0].told.batch
        self._gap = self._opened + timedelta(hours=2)
        moments = [self._opened + timedelta(hours=1) + _STEP * number for number in range(entries)]
        moments += [self._gap + timedelta(hours=2) + _STEP * number for number in range(AFTER)]
        told = [self._loss(at) for at in moments]
        for first in range(0, len(told), _A_TURN):
            nursery.post(codec.read_told(told[first : first + _A_TURN]))
        left = _UNITS - entries - AFTER
        counted = {"stage": "finished", "place": _PLACE, "units": left, "method": "count"}
        self._post("counted", batch=self._batch, occurred_at=self._gap + timedelta(hours=3), **counted)
        self._late = (self._gap + timedelta(microseconds=number) for number in itertools.count())
        self._on_time = (self._gap + timedelta(hours=4, microseconds=number) for number in itertools.count())
        self._first = (self._opened + timedelta(microseconds=number) for number in itertools.count(1))

    def on_time(self, seconds: float) -> float:
        return self._rate(self._on_time, seconds)

    def late(self, seconds: float) -> float:
        return self._rate(self._late, seconds)

    def later_than_none(self, seconds: float) -> float:
        return self._rate(self._first, seconds)

    def _post(self, kind: str, **fields: Any) -> tuple[Any, ...]:
        return self._nursery.post([self._teller.tell(kind, **fields)]).entries

    def _loss(self, at: datetime) -> dict[str, Any]:
        here = {"batch": self._batch, "stage": "finished", "place": _PLACE, "units": 1, "cause": "rot"}
        return self._teller.fact("lost", occurred_at=at, **here)

    def _rate(self, moments: Iterator[datetime], seconds: float) -> float:
        told = [codec.read_told(self._loss(at)) for at in itertools.islice(moments, int(seconds * _MOST_A_SECOND))]
        begun, written = time.perf_counter(), 0
        for entry in told:
            if time.perf_counter() - begun >= seconds:
                break
            self._nursery.post(entry, "benchmark")
            written += 1
        return written / (time.perf_counter() - begun)


def main() -> None:
    """Make the batches and tell slips of each in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=1.0)
    seconds = min(10.0, parser.parse_args().seconds)
    with ground.open_ground() as here, Nursery(here.ledger("late")) as nursery:
        teller = Teller(start=datetime.now(UTC) - timedelta(days=2))
        nursery.post(codec.read_told(teller.beginnings()))
        contenders: dict[str, Callable[[], float]] = {}
        for entries in ENTRIES:
            bench = Bench(nursery, teller, entries)
            contenders[f"late, {entries:,} entries"] = partial(bench.late, seconds)
            contenders[f"on time, {entries:,} entries"] = partial(bench.on_time, seconds)
            contenders[f"later than none, {entries:,} entries"] = partial(bench.later_than_none, seconds)
        few = f"late, {ENTRIES[0]:,} entries"
        aims = [Aim(f"late, {entries:,} entries", few, 1 / 1.3) for entries in ENTRIES[1:]]
        aims += [Aim(f"late, {entries:,} entries", f"on time, {entries:,} entries") for entries in ENTRIES]
        figures.show_machine(here.version(), here.flush_ms())
        figures.show("Late slips", "entries", figures.measure(contenders, aims), aims)


if __name__ == "__main__":
    main()
