"""Times to readiness against published figures: a curve with censoring, degree days, what a cool house costs.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from lifelines import KaplanMeierFitter
from statsmodels.duration.survfunc import SurvfuncRight

from ledger.forecast.timing import Climate, Method, degree_days, kaplan_meier

# Freireich and others 1963 (Blood 21:699-716), the arm on 6-MP, weeks; 0 marks a censored one (SEEN)
WEEKS = [6, 6, 6, 6, 7, 9, 10, 10, 11, 13, 16, 17, 19, 20, 22, 23, 25, 32, 32, 34, 35]
SEEN = [1, 1, 1, 0, 1, 0, 1, 0, 0, 1, 1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 0]
PUBLISHED = {6: 0.8571, 7: 0.8067, 10: 0.7529, 13: 0.6902, 16: 0.6275, 22: 0.5378, 23: 0.4482}


def test_the_curve_is_freireichs() -> None:
    """Kaplan and Meier's estimate of the published data, to the fourth place; its median is week 23."""
    curve = kaplan_meier(WEEKS, [bool(seen) for seen in SEEN])
    assert {week: round(share, 4) for week, share in curve} == PUBLISHED
    assert next(week for week, share in curve if share <= 0.5) == 23


def test_lifelines_and_statsmodels_draw_the_same_curve() -> None:
    """Three programs, one curve, one median."""
    ours = dict(kaplan_meier(WEEKS, [bool(seen) for seen in SEEN]))
    theirs = KaplanMeierFitter().fit(WEEKS, SEEN)
    others = SurvfuncRight(np.array(WEEKS), np.array(SEEN))
    assert [float(theirs.predict(week)) for week in ours] == pytest.approx(list(ours.values()))
    assert dict(zip(others.surv_times.tolist(), others.surv_prob.tolist(), strict=True)) == pytest.approx(ours)
    assert theirs.median_survival_time_ == others.quantile(0.5) == 23


@pytest.mark.parametrize(
    ("highest", "lowest", "base", "method", "expected"),
    [
        (70, 50, 50, "mean-first", 10),  # Iowa State lesson (SEEN), in Fahrenheit
        (60, 40, 50, "mean-first", 0),  # McMaster and Wilhelm 1997, Agric. For. Meteorol. 87:291-300 (SEEN): their method 1
        (60, 40, 50, "bounds-first", 5),  # ... and their method 2 of the same day
    ],
)
def test_a_day_has_the_published_degree_days(
    highest: float, lowest: float, base: float, method: Method, expected: float
) -> None:
    """The two methods differ on one and the same day, so a figure carries the name of its method."""
    assert degree_days(lowest, highest, base, method) == expected


@pytest.mark.parametrize(("base", "longer"), [(4, 1.29), (8, 1.40), (10, 1.50), (12, 1.67)])
def test_a_cool_house_stretches_a_stage_by_the_base_temperature(base: int, longer: float) -> None:
    """18 against 22 degrees: (22 - base) / (18 - base) by arithmetic, and by the clock itself, to a day."""
    assert round((22 - base) / (18 - base), 2) == longer
    first, last = date(2027, 1, 1), date(2030, 12, 31)
    took, clocks = [], [Climate(normals_c=(mean,) * 12).clock(base, first, last) for mean in (18.0, 22.0)]
    for clock in clocks:
        sums = clock.between(first.toordinal(), first.toordinal() + np.arange(1_400))
        took.append(int(np.searchsorted(sums, 7_200.0)))
    assert took[0] / took[1] == pytest.approx(longer, abs=0.006)
    assert clocks[0].method == "degree-days/mean-first"
