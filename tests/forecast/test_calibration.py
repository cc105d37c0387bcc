"""The scores themselves, against other programs and against what they must say of a forecast that is right."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import scoringrules
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import kstest, nbinom

from ledger.forecast import calibration
from ledger.forecast.calibration import Cases, Row
from ledger.plants.forecasts import CONFIDENCES


@given(st.lists(st.integers(0, 60), min_size=1, max_size=60), st.integers(0, 80))
def test_the_ranked_probability_score_is_that_of_scoringrules(draws: list[int], actual: int) -> None:
    """The same draws, the same score."""
    theirs = scoringrules.crps_ensemble(float(actual), np.array(draws, dtype=np.float64), estimator="nrg")
    assert calibration.crps(np.array(draws, dtype=np.float64), actual) == pytest.approx(float(theirs), abs=1e-9)


def test_a_single_number_is_scored_by_how_far_it_is_off() -> None:
    """The fixed lead time has no spread: its score is the plain error."""
    assert calibration.crps(np.array([7.0]), 4) == 3.0


def test_the_randomised_transform_of_a_right_forecast_is_even() -> None:
    """Counts have no even transform without the random part."""
    rng = np.random.default_rng(1)
    draws = np.asarray(nbinom.rvs(4, 0.3, size=(3_000, 400), random_state=rng))
    shares = [calibration.pit(row[1:].astype(float), float(row[0]), rng.random()) for row in draws]
    assert kstest(shares, "uniform").pvalue > 0.01


def cases(covered: Any, season: Any, **other: Any) -> Cases:
    """10 promised at every confidence; 12 came where it was covered, else 7."""
    covered, season = np.asarray(covered, dtype=bool), np.asarray(season)
    rows = len(covered)
    told: dict[str, Any] = {
        "season": season, "group": np.full(rows, "g"), "past": np.full(rows, 5), "horizon": np.full(rows, 4),
        "weight": np.ones(rows), "actual": np.where(covered, 12, 7), "promised": np.full((rows, len(CONFIDENCES)), 10),
        "crps": np.ones(rows), "pit": np.full(rows, 0.5),
    }  # fmt: skip
    return Cases(**told | other)


def test_a_row_says_what_was_kept() -> None:
    """Nine of ten in full; of the tenth seven of ten units."""
    row = calibration.report("x", cases([True] * 9 + [False], [1] * 5 + [2] * 5), 90)
    assert (row.cases, row.seasons, row.covered, row.worst) == (10, 2, 0.9, 0.8)
    assert row.kept == pytest.approx(0.97)
    assert row.promised == pytest.approx(100 / (9 * 12 + 7))


def test_who_promises_nothing_is_not_called_reliable() -> None:
    """Promises of nothing do not count as kept ones, and promised / actual shows them for what they are."""
    mute = cases([True, False], [1, 2], promised=np.zeros((2, len(CONFIDENCES)), dtype=np.int64))
    row = calibration.report("mute", mute, 90)
    assert (row.cases, row.promised) == (0, 0.0)


def test_sales_weigh() -> None:
    """The crop that sells is the one that fails."""
    row = calibration.report("x", cases([True, False], [1, 1], weight=np.array([1.0, 9.0])), 90)
    assert (row.covered, row.weighted) == (0.5, 0.1)


def test_the_interval_knows_that_a_season_is_one_event() -> None:
    """Ten thousand cases, all short in two seasons of ten: the interval is as wide as ten seasons make it."""
    season = np.repeat(np.arange(10), 1_000)
    row = calibration.report("x", cases(season > 1, season), 90)
    assert row.covered == 0.8
    assert row.low <= 0.6
    assert row.high == 1.0
    assert not calibration.short_beyond_chance(row, 0.9)


def test_coverage_that_seasons_cannot_explain_raises_the_working_confidence() -> None:
    """Every season short: the valve opens, to the least confidence that kept what is wanted."""
    season = np.repeat(np.arange(10), 100)
    short = cases(np.tile(np.arange(100) < 85, 10), season)
    row = calibration.report("x", short, 90)
    assert calibration.short_beyond_chance(row, 0.9)
    kept = {90: 0.85, 95: 0.92, 99: 0.97}
    rows = {percent: _row(covered) for percent, covered in kept.items()}
    assert calibration.working_confidence(rows, 90) == 95
    assert calibration.working_confidence({90: _row(0.8), 99: _row(0.85)}, 90) == 99


def _row(covered: float) -> Row:
    return Row(name="", cases=100, seasons=10, covered=covered, low=0, high=1, worst=0, weighted=0, kept=0, promised=0, crps=0)


def test_reports_are_cut_by_past_batches_as_the_design_cuts_them() -> None:
    """None, one, two to four, five or more."""
    told = cases([True] * 6, [1] * 6, past=np.array([0, 1, 2, 4, 5, 300]))
    assert [(row.name, row.cases) for row in calibration.by(told, "past", 90)] == [("0", 1), ("1", 1), ("2-4", 2), ("5+", 2)]
    assert [row.name for row in calibration.by(told, "horizon", 90)] == ["4"]


def test_the_histogram_of_transforms_counts_every_case() -> None:
    """Ten bins from 0 to 1."""
    told = cases([True] * 3, [1] * 3, pit=np.array([0.0, 0.55, 1.0]))
    assert calibration.pit_counts(told) == [1, 0, 0, 0, 0, 1, 0, 0, 0, 1]
