"""A large report as XLSX, CSV and PDF: how long it takes and how much memory, each in a process of its own beside an empty one.

    python -m benchmarks.exports [--rows 100000]

Twelve columns of every kind. Rows are made while they are read, as from a cursor, or held in a list, as an answer of the API
is; the file is made in memory, as the API sends it. Time is the processor's, so that it means something on a busy machine;
memory is the process's own peak (VmHWM), beside that of the empty process.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from rich.table import Table as Shown

from benchmarks import figures
from ledger import printed
from ledger.printing.tables import Column, Report, Row, Table, fact

MOST_MB = 150
PDF_SHARE = 10  # nobody prints a hundred thousand lines
_BEGIN = date(2026, 1, 1)
_TOLD = datetime(2026, 1, 1, 8, tzinfo=UTC)

COLUMNS = (
    Column(name="crop", heading="Crop"),
    Column(name="size", heading="Size"),
    Column(name="stage", heading="Stage"),
    Column(name="place", heading="Place"),
    Column(name="batch", heading="Batch"),
    Column(name="day", heading="Day", kind="date"),
    Column(name="told", heading="Told", kind="moment"),
    Column(name="units", heading="Units", kind="units"),
    Column(name="value", heading="Value", kind="money", unit="GBP"),
    Column(name="cost", heading="Cost", kind="money", unit="GBP"),
    Column(name="share", heading="Share", kind="share"),
    Column(name="note", heading="Note"),
)


class Lines:
    """Rows that are made each time they are read; no two alike."""

    def __init__(self, count: int) -> None:
        self._count = count

    def __iter__(self) -> Iterator[Row]:
        for at in range(self._count):
            yield (
                f"crop-{at % 997}", "P9", "finished", f"G{at % 50}", f"26W{at % 52 + 1:02}-{at % 97:02}K",
                _BEGIN + timedelta(days=at % 700), _TOLD + timedelta(minutes=at), at * 7919 % 100_003 - 50_000,
                at * 104_729 % 10_000_019, -at, at % 1000 / 1000, f"=line {at}",
            )  # fmt: skip


def _report(rows: int, *, held: bool) -> Report:
    lines = list(Lines(rows)) if held else Lines(rows)
    about = (fact("from", "From", _BEGIN, "date"), fact("as_of", "As of position", rows, "units"))
    totals: Row = ("Total", *[None] * 6, rows, rows, rows, None, None)
    table = Table(title="Lines", columns=COLUMNS, rows=lines, facts=about, totals=totals)
    return Report(title="Lines", name="lines", made_at=_TOLD, tables=(table,))


def _xlsx(rows: int) -> int:
    return len(printed.as_bytes(_report(rows, held=False), "xlsx"))


def _xlsx_held(rows: int) -> int:
    return len(printed.as_bytes(_report(rows, held=True), "xlsx"))


def _csv(rows: int) -> int:
    return len(printed.as_bytes(_report(rows, held=False), "csv"))


def _pdf(rows: int) -> int:
    return len(printed.as_bytes(_report(rows // PDF_SHARE, held=False), "pdf"))


#: what a process does, by its name: the size of the file that it made
WORK: dict[str, Callable[[int], int]] = {
    "empty": lambda _: 0,
    "xlsx": _xlsx,
    "xlsx, rows held": _xlsx_held,
    "csv": _csv,
    f"pdf, 1 in {PDF_SHARE} rows": _pdf,
}


def _child(name: str, rows: int) -> None:
    """Do one of them and say how long it took, how large the file is, and the peak of memory in kB."""
    begun = time.process_time()
    size = WORK[name](rows)
    seconds = time.process_time() - begun
    (peak,) = [line.split()[1] for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM")]
    print(seconds, size, peak)


def _measured(name: str, rows: int) -> tuple[float, int, int]:
    command = [sys.executable, "-m", "benchmarks.exports", "--child", name, "--rows", str(rows)]
    seconds, size, peak = subprocess.run(command, check=True, capture_output=True, text=True).stdout.split()
    return float(seconds), int(size), int(peak)


def main() -> None:
    """Each in turn, in a process of its own."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=100_000, choices=range(10, 1_000_001), metavar="10..1000000")
    parser.add_argument("--child", choices=WORK, help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.child is not None:
        _child(asked.child, asked.rows)
        return
    found = {name: _measured(name, asked.rows) for name in WORK}
    _, _, empty = found["empty"]
    shown = Shown(title=f"{asked.rows:,} rows of {len(COLUMNS)} columns; the aim is {MOST_MB} MB for XLSX")
    for heading in ("", "processor seconds", "rows a second", "file, MB", "peak, MB", "beyond the empty process, MB", "met"):
        shown.add_column(heading, justify="right" if heading else "left")
    for name, (seconds, size, peak) in found.items():
        rows = asked.rows // (PDF_SHARE if name.startswith("pdf") else 1)
        speed = f"{rows / seconds:,.0f}" if size else ""
        met = ("yes" if peak / 1024 < MOST_MB else "NO") if name.startswith("xlsx") else ""
        memory = f"{(peak - empty) / 1024:.1f}"
        shown.add_row(name, f"{seconds:.1f}", speed, f"{size / 1e6:.1f}", f"{peak / 1024:.1f}", memory, met)
    figures.console.print(shown)


if __name__ == "__main__":
    main()
