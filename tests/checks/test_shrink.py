"""Rates and intervals against published tables.

SEEN: the source was read. MEM: from memory, re-derived here where arithmetic allows. CP: common practice, no source.
"""

from __future__ import annotations

from fractions import Fraction
from statistics import mean

import pytest

from ledger.books import shrink

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


def test_a_report_line_over_several_batches_is_pooled() -> None:
    """What the report prints for a group is pooled over its parts, with the numerator and denominator of the paper."""
    flows = [
        shrink.Flow(crop="orobanche", size=f"B{number}", stage=treatment, exposed=n, lost={"rot": y}, batches=1)
        for treatment, parts in OROB2.items()
        for number, (y, n) in enumerate(parts)
    ]
    lines = {line.stage: line for line in shrink.rates(flows, ["crop"])}
    for treatment, (y, n) in OROB2_POOLED.items():
        assert (lines[treatment].lost, lines[treatment].of) == (y, n)
        assert lines[treatment].rate == round(y / n, 6)


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
    """The survey's three stages as one crop: the report's cumulative line says .352."""
    flows = [
        shrink.Flow(crop="survey", size=None, stage=stage, exposed=100, lost={"rot": round(100 * rate)}, batches=5)
        for stage, rate in zip(("struck", "rooted", "gathered"), SURVEY, strict=True)
    ]
    (line,) = shrink.cumulatives(flows, ["crop"])
    assert round(line.rate, 3) == 0.352
