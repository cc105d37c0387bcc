"""The forecast measured: how fast a whole nursery is forecast, and how well promises are kept in worlds it does not know.

    python -m benchmarks.forecast                      speed, then every world at its full size (an hour or more on one core)
    python -m benchmarks.forecast --only speed
    python -m benchmarks.forecast --only worlds --seasons 20 --crops 48 --world plain --world drifting

Processor time of one thread is measured, so that what else the machine does counts less; the peak of memory is the process's.
"""

from __future__ import annotations

import resource
import statistics
import time
from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import click
import numpy as np
from rich.progress import track
from rich.table import Table

from benchmarks.figures import console
from ledger.forecast import backtest, calibration, learning, supply, worlds
from ledger.forecast.backtest import FORECAST, LADDER, OWN_FIT, Past
from ledger.forecast.calibration import Cases, Row
from ledger.forecast.draws import DRAWS
from ledger.forecast.learning import Fitted
from ledger.forecast.stays import CropFacts, Look, Lot, Stay
from ledger.forecast.supply import Ask, Standing
from ledger.forecast.timing import Climate
from ledger.forecast.worlds import WORLDS, Run
from ledger.log.codec import canonical
from ledger.plants.entries import Stage, Timing
from ledger.plants.forecasts import CONFIDENCES, WEEKS

DAY = date(2027, 3, 22)
CROPS, MOST_SECONDS, MOST_MB, MOST_MS_A_CROP = 2_000, 10.0, 400, 50
GROWING = {"P9": (84, 3), "C2": (120, 2)}  # usual days, lots growing on
DAYS_INTO_SEASON = (25, 70)
FIRST_SEASON = 4  # of a world, from which on forecasts are scored
BARS = (90, 95)


@click.command()
@click.option("--only", type=click.Choice(["speed", "worlds"]))
@click.option("--seasons", default=60)
@click.option("--crops", default=144)
@click.option("--world", "names", multiple=True, type=click.Choice(list(WORLDS)), help="Default: all of them.")
@click.option("--ladder/--no-ladder", default=True, help="Every model in the plain world, not only the two that bars compare.")
def main(only: str | None, seasons: int, crops: int, names: Sequence[str], ladder: bool) -> None:
    """Measure and print; nothing is kept."""
    if only != "worlds":
        show_speed()
    if only != "speed":
        for name in names or WORLDS:
            show_world(name, Run(seasons=seasons, crops=crops), LADDER if ladder and name == "plain" else None)


# --- speed -----------------------------------------------------------------------------------------------------


def a_nursery(crops: int) -> tuple[list[CropFacts], list[Stay], list[Standing]]:
    """Crops with a short past, and on each: finished plants, five lots growing on, pots asked for, plugs, cells rooting."""
    rng = np.random.default_rng(0)
    rooting = Timing(days=[35] * 12, come_through=[80] * 12)
    growing = {size: Timing(days=[days] * 12, come_through=[90] * 12) for size, (days, _) in GROWING.items()}
    facts = [CropFacts(code=f"crop-{at}", group=f"group-{at % 40}", rooting=rooting, growing=growing) for at in range(crops)]
    stays, standing = [], []
    for crop in facts:
        for size, (days, _) in GROWING.items():
            stays += [_ended(crop.code, size, days, rng, number) for number in range(4)]
        lots = {
            size: [_lot(crop.code, size, days, rng, at) for at in range(number)] for size, (days, number) in GROWING.items()
        }
        cells = [_lot(crop.code, None, 35, rng, 9)]
        stays += [lot.stay for some in (*lots.values(), cells) for lot in some]
        standing.append(
            Standing(
                crop=crop.code, sizes=tuple(GROWING), finished={size: {"stood": 15} for size in GROWING}, growing=lots,
                plugs={"plugs": 60}, asked={"P9": [Ask(on=DAY + timedelta(days=1), pots=24, of=24)]}, rooting=cells,
            )
        )  # fmt: skip
    return facts, stays, standing


def _ended(crop: str, size: str, days: int, rng: np.random.Generator, number: int) -> Stay:
    begun = DAY - timedelta(days=int(rng.integers(200, 700)))
    took = int(days * np.exp(0.12 * rng.standard_normal()))
    looks = tuple(Look(on=begun + timedelta(days=took + 7 * week), finished=9, poor=1) for week in range(-1, 3))
    return Stay(
        batch=f"{crop}-{size}-{number}", crop=crop, size=size, stage=Stage.POTTED, started_on=begun, units=40, looks=looks
    )


def _lot(crop: str, size: str | None, days: int, rng: np.random.Generator, number: int) -> Lot:
    begun, units = DAY - timedelta(days=int(rng.uniform(0, days))), int(rng.integers(20, 60)) if size else 90
    stage = Stage.POTTED if size else Stage.STRUCK
    stay = Stay(
        batch=f"{crop}-{size}-now-{number}", crop=crop, size=size, stage=stage, started_on=begun, units=units, running=True
    )
    return Lot(stay=stay, units=units)


def show_speed() -> None:
    """The whole nursery, and one crop again and again, as an event makes it."""
    facts, stays, standing = a_nursery(CROPS)
    begun = time.process_time()
    fitted = learning.fit(stays, facts, Climate(), DAY)
    learned = time.process_time() - begun
    whole, size = _whole(standing, fitted)
    one = [_seconds(standing[at % CROPS], fitted) * 1000 for at in range(300)]
    memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    lots = sum(len(some) for crop in standing for some in (*crop.growing.values(), *crop.asked.values(), crop.rooting))
    table = Table(title=f"{CROPS:,} crops x {len(GROWING)} sizes x {WEEKS} weeks, {DRAWS} draws, {lots:,} lots")
    for heading in ("", "measured", "aim"):
        table.add_column(heading, justify="right" if heading else "left")
    table.add_row("whole nursery forecast, s", f"{whole:.1f}", f"{MOST_SECONDS:.0f}")
    table.add_row("a crop and size, ms", f"{whole / CROPS / len(GROWING) * 1000:.2f}", "1 to 2.5")
    table.add_row(
        "one crop, ms: median, p99",
        f"{statistics.median(one):.1f}, {statistics.quantiles(one, n=100)[98]:.1f}",
        f"{MOST_MS_A_CROP}",
    )
    table.add_row(f"learning from {len(stays):,} stays, s", f"{learned:.1f}", "")
    table.add_row("memory at the most, MB", f"{memory:.0f}", f"{MOST_MB}")
    table.add_row("a published forecast, bytes", f"{size:,.0f}", "")
    console.print(table)


def _whole(standing: Sequence[Standing], fitted: Fitted) -> tuple[float, float]:
    begun, length = time.process_time(), 0
    for crop in standing:
        length += len(canonical(supply.forecast(crop, fitted, day=DAY, position=1)))
    return time.process_time() - begun, length / len(standing)


def _seconds(crop: Standing, fitted: Fitted) -> float:
    begun = time.process_time()
    supply.forecast(crop, fitted, day=DAY, position=1)
    return time.process_time() - begun


# --- worlds ----------------------------------------------------------------------------------------------------


def show_world(name: str, run: Run, ladder: Mapping[str, backtest.Model] | None) -> None:
    """Go through a world and print every row, also the unflattering ones."""
    told = worlds.play(WORLDS[name], run)
    past = Past(told.stays, told.facts, Climate(), told.truth, told.demand)
    starts = worlds.season_starts(run)[FIRST_SEASON:-1]
    models = ladder or {model: LADDER[model] for model in (OWN_FIT, FORECAST)}
    found: dict[str, list[Cases]] = {model: [] for model in models}
    for start in track(starts, f"{name}, {len(starts)} seasons", console=console, transient=True):
        scored = backtest.run(past, [start + timedelta(days=days) for days in DAYS_INTO_SEASON], models)
        for model, some in scored.items():
            found[model].append(some)
    whole = {model: calibration.together(some) for model, some in found.items()}
    title = f"World {name}: {run.seasons} seasons x {run.crops} crops x {run.batches} batches"
    _table(
        title,
        [(percent, calibration.report(model, cases, percent)) for model, cases in whole.items() for percent in CONFIDENCES[1:]],
    )
    for what in ("horizon", "past", "group"):
        rows = [(percent, row) for percent in BARS for row in calibration.by(whole[FORECAST], what, percent)]
        _table(f"World {name}: the forecast by {what}", rows)
    for model, all_cases in whole.items():
        counts = calibration.pit_counts(all_cases)
        console.print(f"PIT in tenths, {model}: " + " ".join(f"{count / sum(counts):.3f}" for count in counts))


def _table(title: str, rows: Sequence[tuple[int, Row]]) -> None:
    table = Table(title=title)
    headings = (
        "",
        "stated",
        "cases",
        "covered",
        "95 % over seasons",
        "worst season",
        "by sales",
        "units kept",
        "promised / came",
        "CRPS",
    )
    for heading in headings:
        table.add_column(heading, justify="right" if heading else "left")
    for percent, row in rows:
        shares = (row.worst, row.weighted, row.kept, row.promised)
        interval = f"{row.low:.3f} to {row.high:.3f}"
        table.add_row(
            row.name,
            f".{percent}",
            f"{row.cases:,}",
            f"{row.covered:.3f}",
            interval,
            *(f"{share:.3f}" for share in shares),
            f"{row.crps:.2f}",
        )
    console.print(table)


if __name__ == "__main__":
    main()
