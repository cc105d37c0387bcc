"""How forecasts and promises came true: the nursery's past gone through again, and the promise book's own record.

Reads only, and takes time: it runs in the worker or from the command line, never in a request. What it finds may raise the
confidence at which promises are made (`correction`), as an entry that everybody can see.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from datetime import date, datetime, timedelta
from uuid import NAMESPACE_URL, uuid5

import numpy as np
from msgspec import Struct

from ledger.forecast import calibration
from ledger.forecast.backtest import FIXED, FORECAST, LADDER, OWN_FIT, Past, run
from ledger.forecast.calibration import Cases, Row
from ledger.forecast.stays import Stay
from ledger.past import Told
from ledger.plants.cards import PolicyCard
from ledger.plants.entries import THE_LEDGER, ConfidenceCorrected, Stage
from ledger.plants.forecasts import CONFIDENCES

#: what a backtest compares: the forecast and the two plainer ways, the plainest first
COMPARED = (FIXED, OWN_FIT, FORECAST)
#: by what the forecast's own coverage is split up
SPLITS = ("horizon", "past", "group", "season")
_SPACE = uuid5(NAMESPACE_URL, "tallybench:confidence")
_APART = timedelta(weeks=4)
_FIRST = timedelta(weeks=26)
_LAST = timedelta(weeks=12)
_MOST_ORIGINS = 60
#: a correction needs so many seasons, for they are the sample
_FEWEST_SEASONS = 4


class Backtest(Struct, frozen=True, kw_only=True):
    """The past again, from origins four weeks apart: what each model would have promised, and what came.

    compared: rows by model and stated confidence (percent). splits: the forecast's own rows, by what and confidence.
    """

    stage: Stage
    origins: list[date]
    seasons: int
    compared: list[tuple[int, Row]]
    splits: dict[str, list[tuple[int, Row]]]
    pit: list[int]
    cases: Cases


def backtest(
    told: Told,
    today: date,
    *,
    stage: Stage = Stage.POTTED,
    models: Sequence[str] = COMPARED,
    progress: Callable[[int], None] = lambda _: None,
) -> Backtest | None:
    """Go through the nursery's own past again; None where there is too little of it yet (38 weeks of a stage)."""
    begun = [stay.started_on for stay in told.stays if stay.stage is stage]
    origins = _origins(min(begun, default=today), today)
    if not origins:
        return None
    truth = {stay.batch: stay.looks for stay in told.stays if stay.stage is stage}
    past = Past(told.stays, told.facts, told.climate, truth, _sold(told.stays))
    found: dict[str, list[Cases]] = defaultdict(list)
    for origin in origins:
        for name, cases in run(past, [origin], {name: LADDER[name] for name in models}, stage).items():
            found[name].append(cases)
        progress(1)
    whole = {name: calibration.together(parts) for name, parts in found.items()}
    own = whole[FORECAST]
    percents = CONFIDENCES[1:]
    return Backtest(
        stage=stage,
        origins=origins,
        seasons=len(np.unique(own.season)),
        compared=[(percent, calibration.report(name, cases, percent)) for name, cases in whole.items() for percent in percents],
        splits={
            what: [(percent, row) for percent in percents for row in calibration.by(own, what, percent)] for what in SPLITS
        },
        pit=calibration.pit_counts(own),
        cases=own,
    )


def _origins(first: date, today: date) -> list[date]:
    days: list[date] = []
    day = today - _LAST
    while day >= first + _FIRST and len(days) < _MOST_ORIGINS:
        days.append(day)
        day -= _APART
    return days[::-1]


def _sold(stays: Sequence[Stay]) -> Mapping[str, float]:
    """Units of each crop that left finished: what a report weighs by."""
    sold: dict[str, float] = defaultdict(float)
    for stay in stays:
        if stay.stage is Stage.FINISHED:
            sold[stay.crop] += stay.finished
    return sold


def correction(found: Backtest, policy: PolicyCard, at: datetime) -> ConfidenceCorrected | None:
    """The entry that raises the working confidence, or lets it fall back; None where it is right as it is.

    Raised where what was stated came true too seldom, by more than its seasons can explain (a 95 % interval of a bootstrap over
    whole seasons lies below it): to the least published confidence that kept at least what is stated. Back to what is
    stated where that would have been kept.
    """
    stated = policy.value.confidence
    percents = [percent for percent in CONFIDENCES if percent >= stated]
    rows = {percent: calibration.report(FORECAST, found.cases, percent) for percent in percents}
    row = rows[percents[0]]
    if found.seasons < _FEWEST_SEASONS or not row.cases:
        return None
    working = policy.confidence
    if calibration.short_beyond_chance(row, stated / 100):
        wanted = max(working, calibration.working_confidence(rows, stated))
    else:
        wanted = stated if row.covered >= stated / 100 else working
    if wanted == working:
        return None
    return ConfidenceCorrected(
        id=uuid5(_SPACE, f"{at.isoformat()} {stated} {wanted}"),
        occurred_at=at,
        by=THE_LEDGER,
        stated=stated,
        working=wanted,
        covered=round(1000 * row.covered),
        low=round(1000 * row.low),
        high=round(1000 * row.high),
        cases=row.cases,
        seasons=found.seasons,
    )
