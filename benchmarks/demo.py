"""The demo's wall time and memory: the invented history alone, and posted through the real service.

    python -m benchmarks.demo [--crops 12] [--months 18]

Runs `tallybench demo --no-serve` in a process of its own on a data folder of its own, and reads the most memory that it held
(PostgreSQL's processes are its own and not counted).
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime
from pathlib import Path

from rich.table import Table

from benchmarks import figures
from ledger.demo.history import history

AIM_SECONDS = 60
_PORT = 18787


def main() -> None:
    """Invent, then post."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--crops", type=int, default=12)
    parser.add_argument("--months", type=int, default=18)
    asked = parser.parse_args()
    begun = time.perf_counter()
    days = history(seed=1, crops=asked.crops, months=asked.months, today=datetime.now(UTC).date())
    entries = sum(len(day.entries) for day in days)
    invented = time.perf_counter() - begun
    command = ["-m", "ledger.cli", "demo", "--no-serve", "--port", str(_PORT)]
    command += ["--crops", str(asked.crops), "--months", str(asked.months)]
    with tempfile.TemporaryDirectory(prefix="tallybench-") as folder:
        Path(folder).chmod(0o755)  # as root PostgreSQL runs as another user, who must be able to enter
        begun = time.perf_counter()
        environment = {**os.environ, "TALLYBENCH_HOME": folder}
        subprocess.run([sys.executable, *command], env=environment, check=True, stdout=subprocess.DEVNULL)
        posted = time.perf_counter() - begun
    megabytes = resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024
    table = Table(title=f"The demo: {asked.crops} crops, {asked.months} months, {entries:,} entries")
    for heading in ("", "seconds", "entries a second", "most memory, MB"):
        table.add_column(heading, justify="right" if heading else "left")
    table.add_row("invented only", f"{invented:.1f}", f"{entries / invented:,.0f}", "")
    table.add_row("server, posting, tour, verify", f"{posted:.1f}", f"{entries / posted:,.0f}", f"{megabytes:,.0f}")
    figures.console.print(table)
    figures.console.print(f"aim: the eighteen months in under {AIM_SECONDS} s")


if __name__ == "__main__":
    main()
