"""The bars of the forecast, held in worlds that a generator of its own has made; the full size is in benchmarks/forecast.py."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

import numpy as np
import pytest
from scipy.stats import chisquare

from ledger.forecast import backtest, calibration, worlds
from ledger.forecast.backtest import FORECAST, LADDER, OWN_FIT, Past
from ledger.forecast.calibration import Cases, Row
from ledger.forecast.stays import CropFacts, Look, Stay
from ledger.forecast.timing import Climate
from ledger.forecast.worlds import WORLDS, Run
from ledger.plants.entries import Stage, Timing

RUN = Run(seasons=12, crops=24, seed=5)
FIRST_SEASON, DAYS_INTO_SEASON = 4, (25, 70)
MODELS = {name: LADDER[name] for name in (OWN_FIT, FORECAST)}


def tried(
    name: str, run: Run = RUN, models: Mapping[str, backtest.Model] = MODELS, into: Sequence[int] = DAYS_INTO_SEASON
) -> dict[str, Cases]:
    """A world gone through with a rolling origin, so many days into each season after the first four."""
    told = worlds.play(WORLDS[name], run)
    past = Past(told.stays, told.facts, Climate(), told.truth, told.demand)
    starts = worlds.season_starts(run)[FIRST_SEASON:-1]
    return backtest.run(past, [start + timedelta(days=days) for start in starts for days in into], models)


@pytest.fixture(scope="module")
def plain() -> dict[str, Cases]:
    """The world that the model does assume."""
    return tried("plain")


def row(cases: Mapping[str, Cases], model: str, percent: int) -> Row:
    """A model's line of the report."""
    return calibration.report(model, cases[model], percent)


@pytest.mark.parametrize("percent", [90, 95])
def test_promises_are_kept_as_often_as_stated(plain: dict[str, Cases], percent: int) -> None:
    """Overall within a point, in the worst season within ten; most units of the short ones are there all the same."""
    found = row(plain, FORECAST, percent)
    assert found.covered >= percent / 100 - 0.01
    assert found.worst >= percent / 100 - 0.10
    assert found.weighted >= percent / 100 - 0.02
    assert found.kept > found.covered


@pytest.mark.parametrize("percent", [90, 95])
def test_it_promises_at_least_as_much_as_one_fit_per_crop_and_keeps_more_in_a_bad_season(
    plain: dict[str, Cases], percent: int
) -> None:
    """Being right is not bought by promising nothing: more units, and the worst season is not as bad."""
    forecast, own = row(plain, FORECAST, percent), row(plain, OWN_FIT, percent)
    assert forecast.promised >= own.promised
    assert forecast.worst > own.worst


def test_its_whole_distribution_is_much_closer(plain: dict[str, Cases]) -> None:
    """CRPS at most .65 of that of one fit per crop."""
    assert row(plain, FORECAST, 90).crps <= 0.65 * row(plain, OWN_FIT, 90).crps


def test_what_comes_is_spread_evenly_over_what_was_expected(plain: dict[str, Cases]) -> None:
    """The randomised transform is near enough to even; that of one fit per crop is not nearly."""
    apart = {name: chisquare(calibration.pit_counts(cases)).statistic / len(cases.pit) for name, cases in plain.items()}
    assert apart[FORECAST] < 0.05 < apart[OWN_FIT]


@pytest.mark.parametrize("name", [name for name in WORLDS if name != "plain"])
def test_worlds_that_the_model_does_not_assume_cost_at_most_three_points(name: str) -> None:
    """Weibull times, a factor of each group, disasters, miscounts, a drift."""
    cases = tried(name, models={FORECAST: LADDER[FORECAST]}, into=(45,))
    for percent in (90, 95):
        assert row(cases, FORECAST, percent).covered >= percent / 100 - 0.03


def test_young_crops_keep_their_promises_too(plain: dict[str, Cases]) -> None:
    """With no batch of their own, with one, with a few: none falls far behind, and less is promised of them."""
    rows = {row.name: row for row in calibration.by(plain[FORECAST], "past", 90)}
    young = plain[FORECAST].where(plain[FORECAST].past < 5)
    assert calibration.report("young", young, 90).covered >= 0.85
    assert rows["0"].promised < rows["5+"].promised


def test_a_backtest_knows_nothing_of_later_days() -> None:
    """Whatever happens after the origin changes what came, never what was promised."""
    told = worlds.play(WORLDS["plain"], Run(seasons=5, crops=6, seed=2))
    on = worlds.season_starts(Run(seasons=5))[4] + timedelta(days=20)
    later = [
        Stay(batch=stay.batch, crop=stay.crop, size=stay.size, stage=stay.stage, started_on=stay.started_on, units=stay.units,
             looks=tuple(look for look in stay.looks if look.on <= on), running=any(look.on > on for look in stay.looks))
        for stay in told.stays
    ]  # fmt: skip
    found = [
        backtest.run(Past(stays, told.facts, Climate(), told.truth, told.demand), [on], MODELS)[FORECAST]
        for stays in (told.stays, later)
    ]
    assert np.array_equal(found[0].promised, found[1].promised)
    assert np.array_equal(found[0].crps, found[1].crps)


def _one_batch() -> Past:
    timing = Timing(days=[70] * 12, come_through=[80] * 12)
    looks = (Look(on=date(2026, 3, 12), finished=10), Look(on=date(2026, 3, 19), finished=6, poor=4))
    stay = Stay(batch="b", crop="c", size="P9", stage=Stage.POTTED, started_on=date(2026, 1, 1), units=20, looks=looks)
    return Past([stay], [CropFacts(code="c", group="g", growing={"P9": timing})], Climate(), {"b": looks}, {})


def test_the_plain_baseline_is_days_and_a_share() -> None:
    """20 pots, due after 70 days: 16 on the week of the 12th of March, none before."""
    cases = backtest.run(_one_batch(), [date(2026, 2, 12)], LADDER)["fixed lead time and yield"]
    assert dict(zip(cases.horizon.tolist(), cases.at(90).tolist(), strict=True)) == {1: 0, 2: 0, 4: 16, 8: 16, 12: 16}
    assert dict(zip(cases.horizon.tolist(), cases.actual.tolist(), strict=True)) == {1: 0, 2: 0, 4: 10, 8: 16, 12: 16}


def test_every_step_of_the_ladder_answers() -> None:
    """Six models, the same cases."""
    cases = tried("plain", Run(seasons=6, crops=4, seed=1), LADDER)
    assert list(cases) == list(LADDER)
    assert len({len(found.actual) for found in cases.values()}) == 1
    assert row(cases, FORECAST, 90).crps < row(cases, "fixed lead time and yield", 90).crps
