"""Rounds of measurements and the tables that they end in.

Contenders are measured in turn, round after round, so that whatever else the machine does meanwhile meets all of them. What
counts is the ratio between two of them within a round; the median over the rounds is held against the aim.
"""

from __future__ import annotations

import os
import platform
import statistics
import time
from collections.abc import Callable, Mapping, Sequence

from msgspec import Struct
from rich.console import Console
from rich.progress import track
from rich.table import Table

LEAST_ROUNDS = 3
MOST_ROUNDS = 7
WIDE = 1.5  # a ratio whose rounds lie further apart than this is measured again
MOST_SECONDS = 600

console = Console(width=None if os.isatty(1) else 140)

#: contenders by their names; each measures itself once and gives its rate, in things a second
Contenders = Mapping[str, Callable[[], float]]
Rates = dict[str, list[float]]


class Aim(Struct, frozen=True):
    """`ours` should be at least so many times `theirs`; None: no aim, only told."""

    ours: str
    theirs: str
    at_least: float | None = None


def measure(contenders: Contenders, aims: Sequence[Aim]) -> Rates:
    """At least three rounds, and more while the ratios lie far apart."""
    rates: Rates = {name: [] for name in contenders}
    begun = time.monotonic()
    for number in range(1, MOST_ROUNDS + 1):
        for name in track(contenders, f"round {number}", console=console, transient=True):
            rates[name].append(contenders[name]())
        steady = all(max(found) / min(found) <= WIDE for found in (ratios(rates, aim) for aim in aims))
        if number >= LEAST_ROUNDS and (steady or time.monotonic() - begun > MOST_SECONDS):
            break
    return rates


def ratios(rates: Rates, aim: Aim) -> list[float]:
    return [ours / theirs for ours, theirs in zip(rates[aim.ours], rates[aim.theirs], strict=True)]


def show(title: str, thing: str, rates: Rates, aims: Sequence[Aim]) -> None:
    """Print the rates, and the ratios beside the aims."""
    rounds = len(next(iter(rates.values())))
    table = Table(title=f"{title}: {thing} a second, median of {rounds} rounds")
    for heading in ("", "a second", "least", "most"):
        table.add_column(heading, justify="right" if heading else "left")
    for name, found in rates.items():
        table.add_row(name, *(f"{figure:,.0f}" for figure in (statistics.median(found), min(found), max(found))))
    console.print(table)

    if not aims:
        return
    compared = Table(
        title="Ratios, each within a round: they count, the figures above depend on what the machine did meanwhile"
    )
    for heading in ("", "beside", "ratio", "least", "most", "aim", "met"):
        compared.add_column(heading, justify="right" if heading in {"ratio", "least", "most", "aim"} else "left")
    for aim in aims:
        found = ratios(rates, aim)
        ratio = statistics.median(found)
        goal = ("", "") if aim.at_least is None else (f"{aim.at_least:.2f}", "yes" if ratio >= aim.at_least else "NO")
        compared.add_row(aim.ours, aim.theirs, *(f"{figure:.2f}" for figure in (ratio, min(found), max(found))), *goal)
    console.print(compared)


def show_machine(postgres: str, flush_ms: float) -> None:
    """Say on what it was measured."""
    load = ", ".join(f"{figure:.1f}" for figure in os.getloadavg())
    console.print(
        f"{os.cpu_count()} cores, load {load}; Python {platform.python_version()}, PostgreSQL {postgres} with fsync on; "
        f"one flush to the disk takes {flush_ms:.2f} ms"
    )
