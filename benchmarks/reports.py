"""The accountant's reports over a big ledger, beside a plain sum over the same lines in the same run.

    python -m benchmarks.reports [--crops 60]

The demo nursery is written with so many crops (about 1,450 entries each in eighteen months: 700 make a million) and the
reports are asked from its projections. The aim is under two seconds each over a million entries.
"""

from __future__ import annotations

import argparse
import itertools
import time
from collections.abc import Callable
from datetime import date, timedelta
from functools import partial
from typing import Any, cast

import psycopg

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger import answers, losses, statements
from ledger.demo.history import history
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.entries import Entry
from ledger.projections import runner

_A_TURN = 1_000
_PLAIN = "a plain sum over the lines"


def _written(conninfo: str, crops: int, today: date) -> int:
    """Live through eighteen months and let what follows the log come up to it; how many entries."""
    count = 0
    entries = itertools.chain.from_iterable(day.entries for day in history(seed=1, crops=crops, months=18, today=today))
    with Nursery(conninfo) as nursery:
        while turn := list(itertools.islice(entries, _A_TURN)):
            nursery.post(cast("list[Entry]", turn))
            count += len(turn)
    begun = time.perf_counter()
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection)
    figures.console.print(f"{count:,} entries; what follows the log took {time.perf_counter() - begun:.0f} s to come up to it")
    with psycopg.connect(conninfo, autocommit=True) as connection:
        connection.execute("vacuum analyze")
    return count


def _reports(today: date) -> dict[str, Callable[[answers.Cursor], Any]]:
    since, year = today - timedelta(days=365), today - timedelta(days=31)
    return {
        _PLAIN: lambda cursor: cursor.execute("select sum(value), sum(units) from book_lines").fetchall(),
        "the statement by stage": lambda cursor: statements.movement(cursor, since=year, until=today),
        "the statement by crop, size and stage": lambda cursor: statements.movement(
            cursor, since=since, until=today, by=("crop", "size", "stage")
        ),
        "the value with its lower of two": lambda cursor: statements.value(cursor, on=today, realisable=True),
        "the journal": lambda cursor: statements.journal(cursor, since=year, until=today),
        "shrink of the cohort by crop and size": lambda cursor: losses.shrink_report(
            cursor, basis="cohort", since=since, until=today, by=("crop", "size")
        ),
        "shrink of the calendar by stage and cause": lambda cursor: losses.shrink_report(
            cursor, basis="calendar", since=since, until=today, by=("stage", "cause")
        ),
    }


def main() -> None:
    """Write the ledger, then ask every report in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=60)
    crops = max(1, min(2_000, parser.parse_args().crops))
    today = date(2026, 11, 2)
    with ground.open_ground() as opened:
        figures.show_machine(opened.version(), opened.flush_ms())
        conninfo = opened.ledger("reports")
        _written(conninfo, crops, today)

        def asked(report: Callable[[answers.Cursor], Any]) -> float:
            with psycopg.connect(store.app_conninfo(conninfo)) as connection, runner.look(connection) as cursor:
                begun = time.perf_counter()
                report(cursor)
                return 1 / (time.perf_counter() - begun)

        reports = _reports(today)
        aims = [Aim(name, _PLAIN) for name in reports if name != _PLAIN]
        rates = figures.measure({name: partial(asked, report) for name, report in reports.items()}, aims)
        figures.show("Reports", "reports", rates, aims)


if __name__ == "__main__":
    main()
