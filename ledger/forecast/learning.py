"""From past stays to what is believed of every crop: empirical Bayes, crop -> group -> the grower's recipe. Pure.

Each stage is learned by itself: its times by `times`, its shares by `survival`. Owns the beliefs that come of it.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date, timedelta

import numpy as np
from msgspec import Struct

from ledger.forecast import season, survival
from ledger.forecast.lines import NO_RECIPE, Lines, lines_of
from ledger.forecast.looks import came_through
from ledger.forecast.season import Prior, season_of
from ledger.forecast.stays import CropFacts, Line, Stay
from ledger.forecast.survival import Batches, Share, Shares, Waiting
from ledger.forecast.times import Times, fit_times, running_seasons, seen_of
from ledger.forecast.timing import Climate, Clock, Floats, summed
from ledger.plants.entries import Stage

FEW_BATCHES = 3

_REMEMBERED_DAYS = 6 * 365  # what ended earlier tells little of today, and every loop has its limit
#: the part of the grower's loss (of its logarithm) that comes before the plants are looked over, the rest comes then
_BEFORE_THE_LOOK = {Stage.STRUCK: 0.3, Stage.POTTED: 0.5}


class StageBelief(Struct, frozen=True, kw_only=True):
    """What is believed of one line in one stage, as the draws need it. Times are logs of the clock's units.

    by_month: expected log time by month of entry, season apart; sd: how well that is known, by month; batch, within: the
    spreads between batches and between plants of a batch; stood, passed: shares that live to be looked over, and that are
    then good. batches: how many finished ones tell of the line itself; assumed: not even the group has any.
    """

    clock: Clock
    by_month: tuple[float, ...]
    sd: tuple[float, ...]
    batch: float
    within: float
    stood: Share
    passed: Share
    batches: int
    assumed: bool
    seasons: Mapping[int, season.Belief]
    next_season: season.Belief

    def season(self, day: date) -> season.Belief:
        """What is known of the season of a day: learned where plants stand or stood, otherwise foretold."""
        known = self.seasons.get(season_of(day))
        return known if known is not None else self.next_season

    @property
    def few_data(self) -> bool:
        return self.batches < FEW_BATCHES


class Fitted(Struct, frozen=True, kw_only=True):
    """Everything believed on a day: of times and shares by stage and line, of plants that wait by stage and line."""

    on: date
    beliefs: Mapping[Stage, Mapping[Line, StageBelief]]
    waits: Mapping[Stage, Mapping[Line, Waiting]]

    def waiting(self, stage: Stage, line: Line) -> Waiting:
        return self.waits[stage].get(line) or survival.waiting(0.0, 0.0, 0.0)


def fit(stays: Iterable[Stay], crops: Sequence[CropFacts], climate: Climate, on: date, *, seasons: bool = True) -> Fitted:
    """Learn from all stays as they are known at the end of a day.

    crops: every crop that may be asked about, with or without history. seasons: False leaves the shared factor out (a
    baseline). Raises KeyError where a stay names a crop that is not among them.
    """
    by_stage: dict[Stage, list[Stay]] = defaultdict(list)
    for stay in stays:
        if stay.running or (on - stay.started_on).days <= _REMEMBERED_DAYS:
            by_stage[stay.stage].append(stay)
    facts = {crop.code: crop for crop in crops}
    clocks = _clocks(by_stage, crops, climate, on)
    return Fitted(
        on=on,
        beliefs={stage: _stage(stage, by_stage[stage], facts, clocks, on, seasons) for stage in NO_RECIPE},
        waits={stage: _waits(by_stage[stage], facts, on) for stage in (Stage.ROOTED, Stage.FINISHED)},
    )


def _clocks(by_stage: Mapping[Stage, list[Stay]], crops: Sequence[CropFacts], climate: Climate, on: date) -> dict[str, Clock]:
    """The clock of every crop, crops of one base temperature sharing theirs; good for two years and a stage ahead."""
    first = min((stay.started_on for timed in NO_RECIPE for stay in by_stage[timed]), default=on)
    first, last = min(first, on.replace(day=1, month=1)), on + timedelta(days=4 * 366)
    bases = {crop.base_temperature_c for crop in crops}
    of_base = {base: climate.clock(base, first, last) for base in bases}
    return {crop.code: of_base[crop.base_temperature_c] for crop in crops}


# --- a stage, put together -------------------------------------------------------------------------------------


def _stage(
    stage: Stage, stays: Sequence[Stay], facts: Mapping[str, CropFacts], clocks: Mapping[str, Clock], on: date, seasons: bool
) -> dict[Line, StageBelief]:
    lines = lines_of(stage, stays, facts, clocks, on)
    seen = seen_of(stays, lines, on)
    times = fit_times(seen, lines, seasons)
    stood, passed = _shares(stage, stays, lines, times, on)
    known = running_seasons(times, seen, lines.group) if seasons else {}
    finished = summed(seen.line, [stay.finished > 0 for stay in seen.stays], len(lines.names))
    in_group = summed(lines.group, finished, len(lines.names))
    following = (times.levels.next if seasons else Prior(scale=1e-6)).belief
    return {
        name: StageBelief(
            clock=lines.clocks[at],
            by_month=tuple(lines.recipe[at] + times.line[at] + times.month[lines.group[at]]),
            sd=tuple(np.sqrt(times.line_variance[at] + times.month_variance[lines.group[at]])),
            batch=times.batch,
            within=times.within,
            stood=stood.share(at),
            passed=passed.share(at),
            batches=int(finished[at]),
            assumed=not in_group[lines.group[at]],
            seasons=known,
            next_season=following,
        )
        for at, name in enumerate(lines.names)
    }


def _shares(stage: Stage, stays: Sequence[Stay], lines: Lines, times: Times, on: date) -> tuple[Shares, Shares]:
    """The shares that stand until they are looked over, and that are then found good."""
    index = {name: at for at, name in enumerate(lines.names)}
    line = np.array([index[stay.line] for stay in stays], dtype=np.int64)
    typical = [
        float(np.exp(lines.recipe[at, stay.started_on.month - 1] + times.line[at]))
        for at, stay in zip(line, stays, strict=True)
    ]
    told = [came_through(stay, lines.clocks[at], usual, on) for at, stay, usual in zip(line, stays, typical, strict=True)]
    counts = np.array(told, dtype=np.float64).reshape(len(told), 4).T
    before = _BEFORE_THE_LOOK[stage]
    hoped = np.clip(lines.comes_through, 0.01, 0.99)
    return (
        survival.fit_shares(Batches(line, counts[0], counts[1]), lines.group, hoped**before),
        survival.fit_shares(Batches(line, counts[2], counts[3]), lines.group, hoped ** (1 - before)),
    )


# --- plants that wait ------------------------------------------------------------------------------------------


def _waits(stays: Sequence[Stay], facts: Mapping[str, CropFacts], on: date) -> dict[Line, Waiting]:
    """Plugs in holding and finished plants: each line shrunk to its group, the group to all."""
    by_line: dict[Line, Floats] = defaultdict(lambda: np.zeros(3))
    for stay in stays:
        by_line[stay.line] += (_unit_weeks(stay, on), stay.lost + stay.poor, stay.finished)
    by_group: dict[str, Floats] = defaultdict(lambda: np.zeros(3))
    for (crop, _), told in by_line.items():
        by_group[facts[crop].group] += told
    everywhere = _waiting(sum(by_group.values(), np.zeros(3)), None)
    of_group = {group: _waiting(told, everywhere) for group, told in by_group.items()}
    return {line: _waiting(told, of_group[facts[line[0]].group]) for line, told in by_line.items()}


def _waiting(told: Floats, among: Waiting | None) -> Waiting:
    unit_weeks, lost, left = told.tolist()
    return survival.waiting(unit_weeks, lost, left, among)


def _unit_weeks(stay: Stay, on: date) -> float:
    """How many weeks its plants have waited, one by one, added up."""
    left = sum(look.gone * (look.on - stay.started_on).days for look in stay.looks)
    return (left + stay.standing * (on - stay.started_on).days) / 7
