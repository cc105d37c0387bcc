"""How long the server takes over each page, and how big it is, beside a bare route in the same rounds.

    python -m benchmarks.pages [--crops 4] [--months 6] [--times 5]

The demo is posted into a database of its own and served in this process's background; the pages are those of `tests.visits`.
The bare route is /healthz, which asks nothing of the database: what it takes is the way there and back. With --crops 2000 and
--months 1 the boards are seen at the size that they are meant to stay usable at.
"""

from __future__ import annotations

import argparse
import statistics
import time

import httpx
from rich.table import Table

from benchmarks import figures
from ledger.postgres import Server
from tests import visits
from tests.conftest import embedded_folder, fresh

BARE = "/healthz"
AIM_MS, BOARDS_AIM_MS = 100, 300
MOST_BYTES = 150_000


def _took(client: httpx.Client, path: str) -> tuple[float, int]:
    begun = time.perf_counter()
    answer = client.get(path)
    return (time.perf_counter() - begun) * 1000, len(answer.content)


def main() -> None:
    """Each page as often as asked, in rounds, so that whatever else the machine does meets them all."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=visits.CROPS)
    parser.add_argument("--months", type=int, default=visits.MONTHS)
    parser.add_argument("--times", type=int, default=5)
    asked = parser.parse_args()
    with (
        embedded_folder() as folder,
        Server(folder / "postgres").use() as server,
        fresh(server.conninfo("postgres")) as name,
        visits.served_demo(server.conninfo(name), crops=asked.crops, months=asked.months) as demo,
        demo.device() as device,
    ):
        paths = {example: demo.at(example) for example in (BARE, *visits.addresses())}
        took: dict[str, list[float]] = {example: [] for example in paths}
        sizes: dict[str, int] = {}
        for number in range(asked.times + 1):  # the first round warms up
            for example, path in paths.items():
                ms, sizes[example] = _took(device, path)
                took[example] += [ms] if number else []
    table = Table(title=f"Pages of {asked.crops} crops and {asked.months} months: median of {asked.times} rounds")
    for heading in ("", "ms", "least", "most", "beside bare", "bytes", "met"):
        table.add_column(heading, justify="right" if heading else "left")
    bare = statistics.median(took[BARE])
    for example, found in took.items():
        middle = statistics.median(found)
        aim = BOARDS_AIM_MS if asked.crops > visits.CROPS * 10 else AIM_MS
        met = middle < aim and sizes[example] < MOST_BYTES
        times = (f"{each:.1f}" for each in (middle, min(found), max(found)))
        table.add_row(example, *times, f"{middle / bare:.1f}", f"{sizes[example]:,}", "yes" if met else "NO")
    figures.console.print(table)


if __name__ == "__main__":
    main()
