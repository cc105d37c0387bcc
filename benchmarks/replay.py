"""Entries read back a second: the service's replay beside a raw server-side cursor; and the rebuilding of every table.

    python -m benchmarks.replay [--crops 12]

The log is eighteen months of the invented nursery, so that entries of every type are in it. The replay decodes each of them
into today's records; the raw cursor fetches the same rows and columns and looks at none of them. Rebuilding folds the log
into tables beside the living ones and swaps them in; verifying does the same with all of them and compares.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import partial
from typing import cast

import psycopg

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger.demo.history import history
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.entries import Entry
from ledger.projections import runner

LIST = 500
MONTHS = 18


def _rate(entries: int, work: Callable[[], object]) -> Callable[[], float]:
    def measure() -> float:
        begun = time.perf_counter()
        work()
        return entries / (time.perf_counter() - begun)

    return measure


def _replay(conninfo: str) -> None:
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        for _ in store.replay(connection):
            pass


def _raw(conninfo: str) -> None:
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection, connection.cursor(name="raw") as cursor:
        cursor.itersize = 5_000
        cursor.execute("select type, schema, content from entries order by position")
        for _ in cursor:
            pass


def _written(conninfo: str, crops: int) -> int:
    """Post the invented nursery's history and let every projection follow; how many entries there are."""
    days = history(seed=1, crops=crops, months=MONTHS, today=datetime.now(UTC).date())
    told = [cast("Entry", entry) for day in days for entry in day.entries]
    with Nursery(conninfo) as nursery:
        for first in range(0, len(told), LIST):
            nursery.post(told[first : first + LIST])
    with psycopg.connect(store.app_conninfo(conninfo)) as connection:
        runner.follow(connection)
    return len(told)


def _nothing_differs(conninfo: str) -> None:
    differences = runner.verify(conninfo)
    if differences:
        raise RuntimeError(differences[0])


def main() -> None:
    """Write a log, read it back in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=12, choices=range(1, 501), metavar="1..500")
    crops = parser.parse_args().crops
    with ground.open_ground() as opened:
        conninfo = opened.ledger("replay")
        entries = _written(conninfo, crops)
        read: figures.Contenders = {
            "replay": _rate(entries, partial(_replay, conninfo)),
            "raw server-side cursor": _rate(entries, partial(_raw, conninfo)),
        }
        aims = [Aim("replay", "raw server-side cursor", 1 / 2)]
        figures.show_machine(opened.version(), opened.flush_ms())
        figures.show(f"Reading {entries:,} entries back", "entries", figures.measure(read, aims), aims)
        built: figures.Contenders = {
            **{f"rebuild {name}": _rate(entries, partial(runner.rebuild, conninfo, name)) for name in runner.ALL},
            "verify all of them": _rate(entries, partial(_nothing_differs, conninfo)),
        }
        figures.show("Building tables from the log", "entries", figures.measure(built, []), [])


if __name__ == "__main__":
    main()
