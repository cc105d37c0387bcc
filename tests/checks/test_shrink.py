"""Rates and intervals against published tables.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from fractions import Fraction
from statistics import mean

import pytest

from ledger.books import shrink
from ledger.forecast.survival import fit_beta_binomial

# Crowder 1978, "Beta-binomial anova for proportions", Applied Statistics 27:34-37 (SEEN, R package aod, data orob2):
# seeds that germinated, of seeds, by batch
OROB2 = {
    "O75 bean": [(10, 39), (23, 62), (23, 81), (26, 51), (17, 39)],
    "O75 cucumber": [(5, 6), (53, 74), (55, 72), (32, 51), (46, 79), (10, 13)],
    "O73 bean": [(8, 16), (10, 30), (8, 28), (23, 45), (0, 4)],
    "O73 cucumber": [(3, 12), (22, 41), (15, 30), (32, 51), (3, 7)],
}
OROB2_POOLED = {"O75 bean": (99, 272), "O75 cucumber": (201, 295), "O73 bean": (49, 123), "O73 cucumber": (75, 141)}

# The same paper, 16 batches at three dilutions (SEEN, aod, data orob1); the published mean proportions
OROB1 = {
    "1/1": [(2, 43), (9, 51), (5, 44), (16, 71), (2, 24), (0, 7)],
    "1/25": [(17, 19), (43, 56), (79, 87), (50, 55), (9, 10)],
    "1/625": [(11, 13), (47, 62), (90, 104), (46, 51), (9, 11)],
}
OROB1_PUBLISHED = {"1/1": 0.142, "1/25": 0.872, "1/625": 0.842}
OROB1_TRAP = {"1/1": 0.108, "1/25": 0.876, "1/625": 0.838}

# Ridout, Hinde and Demetrio 1998, Proc. 19th Int. Biometric Conf. 179-192 (SEEN, kwstat/agridat): apple shoots that
# rooted, of shoots, by BAP, at two photoperiods
ROOTED = {8: [(30, 30), (30, 30), (40, 40), (38, 40)], 16: [(15, 30), (14, 30), (18, 30), (21, 40)]}


@pytest.mark.parametrize("treatment", OROB2)
def test_a_rate_over_batches_is_pooled_as_crowder_pools(treatment: str) -> None:
    """Sum over sum, to the seed."""
    y, n = OROB2_POOLED[treatment]
    assert shrink.pooled(OROB2[treatment]) == pytest.approx(Fraction(y, n))


def test_all_batches_together_are_pooled_too() -> None:
    """Crowder's 21 batches together: 424 of 831."""
    everything = [part for parts in OROB2.values() for part in parts]
    assert shrink.pooled(everything) == pytest.approx(Fraction(424, 831))


@pytest.mark.parametrize("dilution", OROB1)
def test_the_published_mean_proportions_are_pooled_and_no_means_of_rates(dilution: str) -> None:
    """The trap: the mean of the batches' rates is another number, which nobody published."""
    trap = mean(y / n for y, n in OROB1[dilution])
    assert round(trap, 3) == OROB1_TRAP[dilution]
    assert round(shrink.pooled(OROB1[dilution]), 3) == OROB1_PUBLISHED[dilution] != round(trap, 3)


def test_the_published_overall_proportion_is_pooled() -> None:
    """Crowder's 16 batches together: .614."""
    assert round(shrink.pooled([part for parts in OROB1.values() for part in parts]), 3) == 0.614


def report_of(groups: dict[str, list[tuple[int, int]]], cause: str | None = None) -> list[shrink.Rate]:
    """What the report prints of batches (lost, of), each group as a stage of its own."""
    exposed, lost = [], []
    for name, batches in groups.items():
        group = shrink.Group(crop="orobanche", stage=name)
        exposed.append(shrink.Exposed(group=group, batches=Counter(n for _, n in batches)))
        lost.append(shrink.Lost(group=group, cause=cause, batches=Counter((y, n) for y, n in batches if y)))
    return shrink.rates(exposed, lost, "cohort", split=cause is not None)


@pytest.mark.parametrize("cause", [None, "rot"])
def test_a_report_line_over_several_batches_is_pooled(cause: str | None) -> None:
    """What the report prints for a group is pooled over its batches, those without a loss among them."""
    lines = {line.stage: line for line in report_of(OROB2, cause)}
    for treatment, (y, n) in OROB2_POOLED.items():
        line = lines[treatment]
        assert (line.lost, line.of, line.batches) == (y, n, len(OROB2[treatment]))
        assert line.rate == round(y / n, 6)
        assert (line.basis, line.interval, line.cause) == ("cohort", "beta-binomial", cause)


@pytest.mark.parametrize("treatment", OROB2)
def test_the_interval_of_a_pooled_rate_is_wider_than_wilsons_where_batches_differ(treatment: str) -> None:
    """It holds the pooled rate, and takes more than coins do: rho is that of the fit."""
    (line,) = report_of({treatment: OROB2[treatment]})
    low, high = shrink.wilson(line.lost, line.of)
    assert line.low is not None
    assert line.high is not None
    assert line.low < low < line.lost / line.of < high < line.high
    assert line.rho == pytest.approx(fit_beta_binomial(*zip(*OROB2[treatment], strict=True)).rho, abs=1e-5)


def test_all_21_batches_have_the_interval_of_their_rho() -> None:
    """Re-derived: rho .0816 (document of the checks), N^2 / sum n (1 + (n - 1) rho), Wilson with Student's t of 20 degrees."""
    everything = [part for parts in OROB2.values() for part in parts]
    (line,) = report_of({"all": everything})
    assert line.rho == pytest.approx(0.0816, abs=5e-5)
    effective = 831**2 / sum(n * (1 + (n - 1) * 0.081572) for _, n in everything)
    z = 2.085963  # Student's t, 97.5 %, 20 degrees (MEM, any table)
    for limit in (line.low, line.high):
        assert limit is not None
        assert (424 / 831 - limit) ** 2 == pytest.approx(z * z * limit * (1 - limit) / effective, rel=1e-3)


@pytest.mark.parametrize("hours", ROOTED)
def test_batches_at_the_edge_have_an_interval_inside_0_and_1(hours: int) -> None:
    """Ridout's shoots that rooted, and those that did not: 30 of 30 three times over is still no certainty."""
    for batches in (ROOTED[hours], [(n - y, n) for y, n in ROOTED[hours]]):
        (line,) = report_of({"rooting": batches})
        assert line.low is not None
        assert line.high is not None
        assert line.rate is not None
        assert 0 <= line.low < line.rate < line.high <= 1


@pytest.mark.parametrize("batches", [[(0, 30)], [(0, 30), (0, 40)], [(0, 30), (0, 30), (0, 40), (0, 40)]])
def test_nothing_lost_of_many_is_not_never_and_all_lost_not_always(batches: list[tuple[int, int]]) -> None:
    """0 of n and n of n: the interval starts at the edge, keeps a width, and mirrors that of the other edge."""
    (none,) = shrink.limits([Counter(batches)])
    (whole,) = shrink.limits([Counter((n, n) for _, n in batches)])
    assert none is not None
    assert whole is not None
    assert none.low == pytest.approx(0, abs=1e-12)
    assert 0.02 < none.high < 1
    assert (whole.low, whole.high) == pytest.approx((1 - none.high, 1 - none.low))
    assert none.rho is None
    assert none.method == ("wilson" if len(batches) == 1 else "beta-binomial")


def test_one_batch_has_wilsons_interval_and_few_are_marked() -> None:
    """Newcombe's 15 of 148 as the report has it; fewer than three batches are few."""
    (line,) = report_of({"struck": [(15, 148)]})
    assert (round(line.low or 0, 4), round(line.high or 0, 4)) == NEWCOMBE[15, 148]
    assert (line.interval, line.rho) == ("wilson", None)
    marks = [report_of({"struck": [(3, 50)] * batches})[0].few_data for batches in (1, 2, 3, 4)]
    assert marks == [True, True, False, False]


def test_more_lost_than_was_at_risk_is_told_and_has_an_interval_that_makes_sense() -> None:
    """Wrong records: the numbers are printed as they are."""
    (line,) = report_of({"struck": [(5, 4)]})
    assert (line.lost, line.of, line.rate) == (5, 4, 1.25)
    assert line.high == 1
    assert shrink.limits([{}]) == [None]


def test_rooting_by_photoperiod_is_pooled() -> None:
    """Ridout's shoots: 138 of 140 rooted at 8 hours, 68 of 130 at 16."""
    assert shrink.pooled(ROOTED[8]) == pytest.approx(Fraction(138, 140))
    assert shrink.pooled(ROOTED[16]) == pytest.approx(Fraction(68, 130))


# Newcombe 1998, Statistics in Medicine 17:857-872, table I, method 3 at 95 % (MEM)
NEWCOMBE = {(81, 263): (0.2553, 0.3662), (15, 148): (0.0624, 0.1605), (0, 20): (0.0, 0.1611), (1, 29): (0.0061, 0.1718)}


@pytest.mark.parametrize(("lost", "of"), NEWCOMBE)
def test_wilson_intervals_are_newcombes(lost: int, of: int) -> None:
    """To the four places that were printed."""
    low, high = shrink.wilson(lost, of)
    assert (round(low, 4), round(high, 4)) == NEWCOMBE[lost, of]


@pytest.mark.parametrize(("lost", "of"), [*NEWCOMBE, (30, 30), (38, 40), (14, 30), (0, 1)])
@pytest.mark.parametrize("z", [1.0, 1.2816, 1.96, 2.5758])
def test_wilson_limits_solve_wilsons_equation(lost: int, of: int, z: float) -> None:
    """Re-derived: at a limit p the observed share lies z standard errors off, (y/n - p)^2 = z^2 p (1 - p) / n."""
    for limit in shrink.wilson(lost, of, z):
        assert (lost / of - limit) ** 2 == pytest.approx(z * z * limit * (1 - limit) / of, abs=1e-12)


@pytest.mark.parametrize(("rooted", "shoots"), [part for parts in ROOTED.values() for part in parts])
def test_an_interval_at_the_edge_stays_inside_and_keeps_a_width(rooted: int, shoots: int) -> None:
    """30 of 30 is no certainty: the interval lies within 0 and 1, holds the share, and mirrors that of the failures."""
    low, high = shrink.wilson(rooted, shoots)
    assert 0 <= low < high <= 1
    assert low <= rooted / shoots <= high + 1e-12
    assert shrink.wilson(shoots - rooted, shoots) == pytest.approx((1 - high, 1 - low))


@pytest.mark.parametrize(("lost", "of"), [(0, 0), (5, 4), (-1, 4)])
def test_no_interval_is_made_up_where_there_is_none(lost: int, of: int) -> None:
    """Nothing entered, or more lost than entered: no interval."""
    with pytest.raises(ValueError, match="no interval"):
        shrink.wilson(lost, of)


# A survey of greenhouse shrink by stage, Mattson and others 2009: 20, 11 and 9 % (SEEN); cumulative 1 - .8 x .89 x .91
SURVEY = [0.20, 0.11, 0.09]


def test_shrink_over_stages_multiplies() -> None:
    """.352 of what was begun, not the .40 that adding up would give."""
    assert round(shrink.cumulative(SURVEY), 3) == 0.352


def test_the_report_multiplies_over_stages_too() -> None:
    """The survey's three stages as one crop: the report's cumulative lines say .20, .288, .352, in the order of life."""
    stages = dict(zip(("gathered", "struck", "rooted"), SURVEY, strict=True))
    groups = {stage: shrink.Group(crop="survey", stage=stage) for stage in reversed(stages)}
    exposed = [shrink.Exposed(group=group, batches={100: 1}) for group in groups.values()]
    lost = [shrink.Lost(group=group, batches={(round(100 * stages[stage]), 100): 1}) for stage, group in groups.items()]
    lines = shrink.cumulatives(exposed, lost)
    assert [line.stage for line in lines] == ["gathered", "struck", "rooted"]
    assert [round(line.cumulative, 3) for line in lines] == [0.2, 0.288, 0.352]
    assert [(line.lost, line.of) for line in lines] == [(20, 100), (11, 100), (9, 100)]


def test_plugs_come_before_every_size_of_their_crop() -> None:
    """Two sizes out of the same plugs: each has the plugs' losses before its own, and no other crop's."""
    numbers = {
        ("a", None, "struck"): (20, 100),
        ("a", "P9", "potted"): (10, 40),
        ("a", "C2", "potted"): (5, 50),
        ("b", None, "struck"): (1, 10),
    }
    exposed, lost = [], []
    for (crop, size, stage), (y, n) in numbers.items():
        group = shrink.Group(crop=crop, size=size, stage=stage)
        exposed.append(shrink.Exposed(group=group, batches={n: 1}))
        lost.append(shrink.Lost(group=group, batches={(y, n): 1}))
    found = {(line.crop, line.size, line.stage): line.cumulative for line in shrink.cumulatives(exposed, lost)}
    assert found == {
        ("a", "C2", "struck"): 0.2, ("a", "C2", "potted"): 0.28, ("a", "P9", "struck"): 0.2, ("a", "P9", "potted"): 0.4,
        ("b", None, "struck"): 0.1,
    }  # fmt: skip
