"""Was it there? Forecasts held against what came, without kindness. Pure; owns the scores and the tables made of them.

The sample size is seasons, not crop-weeks: what one season does to all crops is one event, so every interval comes from
drawing whole seasons again.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from ledger.forecast.timing import Floats, Ints, summed
from ledger.plants.forecasts import CONFIDENCES

_RESAMPLED = 1_000
_PAST = ((0, 0, "0"), (1, 1, "1"), (2, 4, "2-4"), (5, 1_000_000, "5+"))


def crps(draws: Floats, actual: float) -> float:
    """The continuous ranked probability score of draws: mean |x - y| - half the mean |x - x'|, in units; less is better.

    Gneiting and Raftery 2007, J. Am. Stat. Assoc. 102:359-378, eq. 21; the sorted form of the second term.
    """
    ranked = np.sort(draws)
    count = len(ranked)
    apart = float((ranked * (2 * np.arange(1, count + 1) - count - 1)).sum()) / count**2
    return float(np.abs(ranked - actual).mean()) - apart


def pit(draws: Floats, actual: float, chance: float) -> float:
    """The randomised probability integral transform: P(N < y) + chance x P(N = y). Even over 0 to 1 if all is well.

    Czado, Gneiting and Held 2009, Biometrics 65:1254-1261. chance: a uniform draw.
    """
    return float((draws < actual).mean() + chance * (draws == actual).mean())


class Cases(Struct, frozen=True, kw_only=True):
    """Forecasts with what came, one row each: a crop as seen on one day, by so many weeks later.

    promised: by row and confidence (CONFIDENCES); actual in units; past: the crop's finished batches at the time.
    """

    season: Ints
    group: NDArray[np.str_]
    past: Ints
    horizon: Ints
    weight: Floats
    actual: Ints
    promised: Ints
    crps: Floats
    pit: Floats

    def where(self, rows: NDArray[np.bool_]) -> Cases:
        return Cases(**{field: getattr(self, field)[rows] for field in self.__struct_fields__})

    def at(self, percent: int) -> Ints:
        column: Ints = self.promised[:, CONFIDENCES.index(percent)]
        return column

    def granted(self, percent: int) -> Cases:
        """Only rows in which anything was promised: a promise of nothing is always kept and counts for nothing."""
        return self.where(self.at(percent) > 0)


def together(parts: Sequence[Cases]) -> Cases:
    """The cases of several runs as one."""
    return Cases(**{field: np.concatenate([getattr(part, field) for part in parts]) for field in Cases.__struct_fields__})


class Row(Struct, frozen=True, kw_only=True):
    """One line of a report at one confidence. Shares from 0 to 1.

    covered: promises that were there in full; low, high: 95 % interval by drawing seasons again; worst: of any season;
    weighted: covered by sales; kept: units there of units promised; promised: units promised of units that came.
    """

    name: str
    cases: int
    seasons: int
    covered: float
    low: float
    high: float
    worst: float
    weighted: float
    kept: float
    promised: float
    crps: float


def report(name: str, cases: Cases, percent: int) -> Row:
    """Coverage among what was promised; promised / actual and CRPS over all cases, those with nothing promised too."""
    granted = cases.granted(percent)
    promised, covered = granted.at(percent), granted.at(percent) <= granted.actual
    met, counted = _by_season(granted.season, covered), _by_season(granted.season, np.ones(len(covered)))
    low, high = _interval(met, counted)
    return Row(
        name=name,
        cases=len(covered),
        seasons=len(counted),
        covered=_ratio(covered.sum(), len(covered)),
        low=low,
        high=high,
        worst=float((met / counted).min(initial=1.0)),
        weighted=_ratio((covered * granted.weight).sum(), granted.weight.sum()),
        kept=_ratio(np.minimum(promised, granted.actual).sum(), promised.sum()),
        promised=_ratio(cases.at(percent).sum(), cases.actual.sum()),
        crps=float(cases.crps.mean()) if len(cases.crps) else 0.0,
    )


def by(cases: Cases, what: str, percent: int) -> list[Row]:
    """The same report for parts: by `horizon`, `group`, `season` or `past` (the number of past batches: 0, 1, 2-4, 5+)."""
    if what == "past":
        parts = {name: (cases.past >= least) & (cases.past <= most) for least, most, name in _PAST}
    else:
        column = getattr(cases, what)
        parts = {str(value): column == value for value in np.unique(column)}
    return [report(name, cases.where(rows), percent) for name, rows in parts.items() if rows.any()]


def pit_counts(cases: Cases, bins: int = 10) -> list[int]:
    """A histogram of the randomised PIT; even if the whole distribution is right, a hollow if it is too wide."""
    counts, _ = np.histogram(cases.pit, bins=bins, range=(0.0, 1.0))
    return [int(count) for count in counts]


def short_beyond_chance(row: Row, confidence: float) -> bool:
    """Coverage falls short by more than its seasons can explain: time for a higher working confidence."""
    return row.cases > 0 and row.high < confidence


def working_confidence(cases: Mapping[int, Row], wanted: int) -> int:
    """The least published confidence that kept at least what is wanted, by its rows; the highest if none did."""
    enough = [percent for percent, row in sorted(cases.items()) if percent >= wanted and row.covered >= wanted / 100]
    return enough[0] if enough else max(cases)


def _by_season(season: Ints, value: Sequence[float] | Floats | NDArray[np.bool_]) -> Floats:
    _, index = np.unique(season, return_inverse=True)
    return summed(index, value, int(index.max(initial=-1)) + 1)


def _interval(met: Floats, counted: Floats) -> tuple[float, float]:
    """The middle 95 % of coverages over seasons drawn again with replacement (a block bootstrap), by a fixed seed."""
    if not len(counted):
        return 0.0, 1.0
    drawn = np.random.default_rng(0).integers(0, len(counted), (_RESAMPLED, len(counted)))
    low, high = np.quantile(met[drawn].sum(axis=1) / counted[drawn].sum(axis=1), [0.025, 0.975])
    return float(low), float(high)


def _ratio(part: float, whole: float) -> float:
    return float(part / whole) if whole else 1.0
