"""Entries read back a second: the service's replay beside a raw server-side cursor; and the rebuilding of every table.

    python -m benchmarks.replay [--entries 60000]

The replay decodes every entry into today's records; the raw cursor fetches the same rows and columns and looks at none of
them. Rebuilding folds the log into tables beside the living ones and swaps them in; verifying does the same and compares.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from functools import partial

import psycopg

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger.log import store
from ledger.nursery import Nursery
from ledger.projections import runner

LIST = 1_000


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


def main() -> None:
    """Write a log, read it back in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--entries", type=int, default=60_000, choices=range(1_000, 1_000_001), metavar="1000..1000000")
    entries = parser.parse_args().entries
    with ground.open_ground() as opened:
        conninfo = opened.ledger("replay")
        with Nursery(conninfo) as nursery:
            batches = ground.stock(nursery)
            for _ in range(entries // LIST):
                nursery.post(ground.losses(batches, LIST))
            with psycopg.connect(store.app_conninfo(conninfo)) as connection:
                runner.follow(connection)
        read: figures.Contenders = {
            "replay through the service": _rate(entries, partial(_replay, conninfo)),
            "raw server-side cursor": _rate(entries, partial(_raw, conninfo)),
        }
        aims = [Aim("replay through the service", "raw server-side cursor", 0.5)]
        figures.show_machine(opened.version(), opened.flush_ms())
        figures.show("Reading the log back", "entries", figures.measure(read, aims), aims)
        built: figures.Contenders = {
            **{f"rebuild {name}": _rate(entries, partial(runner.rebuild, conninfo, name)) for name in runner.ALL},
            "verify everything": _rate(entries, partial(runner.verify, conninfo)),
        }
        figures.show("Building tables from the log", "entries", figures.measure(built, []), [])


if __name__ == "__main__":
    main()
