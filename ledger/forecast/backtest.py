"""The past again, day by day as it was known then: what each model would have promised, and what came. Pure.

Owns the rolling origin and the models of the ladder, from a fixed lead time to the forecast; the scores are `calibration`'s.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import date, timedelta
from typing import NamedTuple

import numpy as np
from msgspec.structs import replace
from numpy.random import Generator
from scipy.special import ndtr, ndtri

from ledger.forecast import learning
from ledger.forecast.calibration import Cases, crps, pit
from ledger.forecast.draws import DRAWS, LineDraws, seed_of
from ledger.forecast.learning import Fitted, StageBelief
from ledger.forecast.lines import recipe_of
from ledger.forecast.season import season_of
from ledger.forecast.stays import CropFacts, Line, Look, Lot, Stay
from ledger.forecast.timing import Climate, Floats
from ledger.plants.entries import Stage
from ledger.plants.forecasts import CONFIDENCES

HORIZONS = (1, 2, 4, 8, 12)


class Past(NamedTuple):
    """What is gone through again: stays as they ended, facts of the crops, and what came of each batch in truth.

    truth: by batch, looks at the plants that were really there; where nothing better is known, the stays' own looks.
    """

    stays: Sequence[Stay]
    facts: Sequence[CropFacts]
    climate: Climate
    truth: Mapping[str, Sequence[Look]]
    weight: Mapping[str, float]


class Origin:
    """A day of the past: what was known then. Fits are made when a model asks, and shared between models."""

    def __init__(self, past: Past, known: Sequence[Stay], on: date) -> None:
        self.past, self.known, self.on = past, known, on
        self._fits: dict[bool, Fitted] = {}

    def fit(self, *, seasons: bool) -> Fitted:
        if seasons not in self._fits:
            self._fits[seasons] = learning.fit(self.known, self.past.facts, self.past.climate, self.on, seasons=seasons)
        return self._fits[seasons]


#: for a line and its running stays: units ready, beyond those ready now, by horizon (rows) and draw
Predict = Callable[[Line, Sequence[Stay]], Floats]
Model = Callable[[Origin], Predict]


def run(past: Past, origins: Iterable[date], models: Mapping[str, Model], stage: Stage = Stage.POTTED) -> dict[str, Cases]:
    """Every model on every origin: the crops with anything growing then, by HORIZONS."""
    rows: dict[str, list[tuple[object, ...]]] = {name: [] for name in models}
    of_stage = [stay for stay in past.stays if stay.stage is stage]
    groups = {crop.code: crop.group for crop in past.facts}
    for on in origins:
        known = [stay.known_on(on) for stay in of_stage if stay.started_on <= on]
        running: dict[Line, list[Stay]] = defaultdict(list)
        done: dict[Line, int] = defaultdict(int)
        for stay in known:
            if stay.standing:
                running[stay.line].append(stay)
            done[stay.line] += stay.finished > 0 and not stay.running
        came = {line: _came(past, stays, on) for line, stays in running.items()}
        origin = Origin(past, known, on)
        for name, model in models.items():
            predict = model(origin)
            for line, stays in running.items():
                facts = (season_of(on), groups[line[0]], done[line], past.weight.get(line[0], 1.0))
                rows[name] += _scored(
                    facts, predict(line, stays), came[line], np.random.default_rng([on.toordinal(), *line[0].encode()])
                )
    return {name: _cases(found) for name, found in rows.items()}


def _came(past: Past, stays: Sequence[Stay], on: date) -> list[int]:
    """Units that got ready after a day, by horizon."""
    looks = [look for stay in stays for look in past.truth.get(stay.batch, ()) if look.on > on]
    return [sum(look.finished for look in looks if look.on <= on + timedelta(weeks=weeks)) for weeks in HORIZONS]


def _scored(
    facts: tuple[int, str, int, float], draws: Floats, came: Sequence[int], rng: Generator
) -> Iterable[tuple[object, ...]]:
    count = draws.shape[1]
    places = [count - -(-percent * count // 100) for percent in CONFIDENCES]
    ranked = np.sort(draws, axis=1)
    for at, (horizon, actual) in enumerate(zip(HORIZONS, came, strict=True)):
        score, share = crps(ranked[at], actual), pit(ranked[at], actual, rng.random())
        yield (*facts, horizon, actual, np.floor(ranked[at, places]).astype(np.int64), score, share)


def _cases(rows: Sequence[tuple[object, ...]]) -> Cases:
    season, group, past, weight, horizon, actual, promised, score, share = zip(*rows, strict=True)
    return Cases(
        season=np.array(season), group=np.array(group), past=np.array(past), weight=np.array(weight),
        horizon=np.array(horizon), actual=np.array(actual), promised=np.stack(promised), crps=np.array(score),
        pit=np.array(share),
    )  # fmt: skip


# --- the ladder ------------------------------------------------------------------------------------------------


def fixed(origin: Origin) -> Predict:
    """The plain baseline: the recipe's days and share; what is overdue comes next week."""
    facts, on = {crop.code: crop for crop in origin.past.facts}, origin.on

    def predict(line: Line, stays: Sequence[Stay]) -> Floats:
        timing, ready = recipe_of(facts[line[0]], stays[0].stage, line[1]), np.zeros((len(HORIZONS), 1))
        for stay in stays:
            month = stay.started_on.month - 1
            due = max(stay.started_on + timedelta(days=timing.days[month]), on + timedelta(weeks=1))
            comes = [due <= on + timedelta(weeks=weeks) for weeks in HORIZONS]
            ready[:, 0] += np.array(comes) * (stay.standing * timing.come_through[month] // 100)
        return ready

    return predict


def own_fit(origin: Origin) -> Predict:
    """One fit per crop, batches independent: a normal log time of whole batches, a beta share, both from its own past.

    Under two finished batches the recipe stands in, with a spread of .2; a batch not ready yet is drawn beyond its age.
    """
    facts, on = {crop.code: crop for crop in origin.past.facts}, origin.on
    done: dict[Line, list[Stay]] = defaultdict(list)
    for stay in origin.known:
        if stay.finished and not stay.running:
            done[stay.line].append(stay)

    def predict(line: Line, stays: Sequence[Stay]) -> Floats:
        timing = recipe_of(facts[line[0]], stays[0].stage, line[1])
        rng = np.random.default_rng(seed_of(line[0]))
        offset, spread = _own_times(done[line], timing.days)
        mean, strength = _own_share(done[line], timing.come_through)
        ready = np.zeros((len(HORIZONS), DRAWS))
        for stay in stays:
            centre = np.log(timing.days[stay.started_on.month - 1]) + offset
            age = max(1, (on - stay.started_on).days)
            beyond = ndtr((centre - np.log(age)) / spread) * rng.random(DRAWS)
            days = np.exp(centre - spread * ndtri(beyond)) - age
            units = rng.binomial(stay.standing, rng.beta(mean * strength, (1 - mean) * strength, DRAWS))
            ready += [units * (days <= 7 * weeks) for weeks in HORIZONS]
        return ready

    return predict


def _own_times(done: Sequence[Stay], recipe: Sequence[int]) -> tuple[float, float]:
    logs = [np.log(_mean_days(stay) / recipe[stay.started_on.month - 1]) for stay in done]
    if len(logs) < 2:  # noqa: PLR2004 - one batch has no spread
        return (float(logs[0]) if logs else 0.0), 0.2
    return float(np.mean(logs)), max(0.02, float(np.std(logs, ddof=1)))


def _mean_days(stay: Stay) -> float:
    return sum(look.finished * (look.on - stay.started_on).days for look in stay.looks) / stay.finished


def _own_share(done: Sequence[Stay], recipe: Sequence[int]) -> tuple[float, float]:
    """Mean and strength by moments: the pooled rate, and what the rates of batches vary beyond a binomial."""
    if len(done) < 2:  # noqa: PLR2004 - as above
        return min(0.99, sum(recipe) / 1200), 20.0
    good = np.array([stay.finished for stay in done], dtype=np.float64)
    units = good + [stay.poor + stay.lost for stay in done]
    mean = float(np.clip(good.sum() / units.sum(), 0.01, 0.99))
    binomial = mean * (1 - mean)
    beyond = float(((good / units - mean) ** 2).sum()) / (len(done) - 1) - binomial * float((1 / units).mean())
    return mean, float(np.clip(binomial / max(beyond, 1e-9) - 1, 1.0, 1_000.0))


def forecasting(*, seasons: bool = True, running_season: bool = True, within: bool = True) -> Model:
    """The forecast, or a step of the ladder below it: no shared season, not learned while it runs, batches ready at once."""

    def model(origin: Origin) -> Predict:
        fitted, on = origin.fit(seasons=seasons), origin.on

        def predict(line: Line, stays: Sequence[Stay]) -> Floats:
            belief = fitted.beliefs[stays[0].stage][line]
            belief = belief if running_season else replace(belief, seasons={})
            lots = [Lot(stay=stay, units=stay.standing) for stay in stays]
            if not within:
                belief, lots = replace(belief, within=0.01), [_at_once(lot) for lot in lots]
            return _drawn(belief, line, lots, on)

        return predict

    return model


def _at_once(lot: Lot) -> Lot:
    """As if a batch were one plant: what of it got ready before says nothing of the rest."""
    return Lot(stay=replace(lot.stay, looks=(), units=1), units=lot.units)


def _drawn(belief: StageBelief, line: Line, lots: Sequence[Lot], on: date) -> Floats:
    lines = LineDraws(belief, on, seed_of(line[0]), line[1] or "", DRAWS, 1.0)
    lines.add(lots)
    ready: Floats = lines.there[list(HORIZONS)].astype(np.float64)
    return ready


#: every step of the ladder, plainest first
FIXED, OWN_FIT, FORECAST = "fixed lead time and yield", "one fit per crop", "with the running season"
LADDER: dict[str, Model] = {
    FIXED: fixed,
    OWN_FIT: own_fit,
    "pooled": forecasting(seasons=False, within=False),
    "with a season": forecasting(running_season=False, within=False),
    "with spread inside the batch": forecasting(running_season=False),
    FORECAST: forecasting(),
}
