"""Shrink: what was lost, of what, and how sure that is. Pure.

Every rate carries its numerator, its denominator and its basis, since published definitions disagree. Rates are pooled
(sum over sum), never means of batch rates: Crowder's mean proportions (1978) are pooled too. Batches differ more than coins
do, and the intervals know it. What counts found missing is apart: it measures the records, not the growing.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from functools import lru_cache
from typing import Literal, NamedTuple

import numpy as np
from msgspec import Struct
from scipy.stats import t as student

from ledger.forecast.survival import fit_beta_binomials
from ledger.plants.entries import Cause

Basis = Literal["cohort", "calendar"]
Grouping = Literal["crop", "size", "stage", "month", "cause", "place", "person"]
Method = Literal["wilson", "beta-binomial"]
#: what the units at risk are kept apart by; the rest only tells the losses apart
AT_RISK_BY: tuple[Grouping, ...] = ("crop", "size", "stage", "month")
LOST_BY: tuple[Grouping, ...] = ("cause", "place", "person")

#: losses that better work would have spared
AVOIDABLE = (Cause.DRIED_OUT, Cause.COLD, Cause.HEAT, Cause.OVERHELD, Cause.HANDLING, Cause.WRONG_NAME)
#: the stages that every plant goes through, in the order of life; seconds are a branch
IN_TURN = ("gathered", "struck", "rooted", "potted", "finished", "picked")
UNIT_OF = {"gathered": "cutting", "struck": "cell", "rooted": "cell"}

FEW_BATCHES = 3
Z_95 = 1.959963984540054
#: where nothing or everything was lost, batches do not show how they differ: assumed is what the forecast assumes
USUAL_RHO = 1 / 26

#: how many batches had the same units at risk, or the same units lost of the same at risk
AtRisk = Mapping[int, int]
LostOf = Mapping[tuple[int, int], int]


# --- rates and intervals ---------------------------------------------------------------------------------------


def wilson(lost: float, entered: float, z: float = Z_95) -> tuple[float, float]:
    """Wilson's score interval for `lost` of `entered` (Newcombe 1998, method 3), as shares from 0 to 1.

    z: the two-sided normal quantile, 1.96 for 95 %. Raises ValueError unless 0 <= lost <= entered and entered > 0.
    """
    if not 0 <= lost <= entered or entered == 0:
        raise ValueError(f"no interval for {lost} of {entered}")
    share, square = lost / entered, z * z
    middle = share + square / (2 * entered)
    half = z * math.sqrt(share * (1 - share) / entered + square / (4 * entered * entered))
    width = 1 + square / entered
    return (max(0.0, (middle - half) / width), min(1.0, (middle + half) / width))


class Limits(NamedTuple):
    """A 95 % interval of a pooled rate, how it was come by, and the correlation of two plants of one batch."""

    low: float
    high: float
    method: Method
    rho: float | None


def limits(groups: Sequence[LostOf]) -> list[Limits | None]:
    """The 95 % interval of each pooled rate; None where nothing was at risk. One batch: Wilson's. Several: see `_over_batches`.

    More lost than was at risk (the records were wrong) counts as all of it.
    """
    parts = [[(lost, max(lost, of), times) for (lost, of), times in group.items() if of > 0 or lost > 0] for group in groups]
    fits = _rhos([number for number, part in enumerate(parts) if _tells(part)], parts)
    return [_limits(part, fits.get(number)) for number, part in enumerate(parts)]


def _tells(part: Sequence[tuple[int, int, int]]) -> bool:
    """Whether batches show how much they differ: at least two, and some plants lost and some not."""
    lost, of = sum(y * times for y, _, times in part), sum(n * times for _, n, times in part)
    return sum(times for _, _, times in part) > 1 and 0 < lost < of


def _rhos(telling: Sequence[int], parts: Sequence[Sequence[tuple[int, int, int]]]) -> dict[int, float]:
    if not telling:
        return {}
    rows = np.array([(place, *part) for place, number in enumerate(telling) for part in parts[number]], dtype=np.int64)
    fits = fit_beta_binomials(*rows.T)
    return {number: fit.rho for number, fit in zip(telling, fits, strict=True)}


def _limits(part: Sequence[tuple[int, int, int]], rho: float | None) -> Limits | None:
    batches = sum(times for _, _, times in part)
    if batches > 1:
        return _over_batches(part, batches, USUAL_RHO if rho is None else rho, rho)
    for lost, of, _ in part:
        return Limits(*wilson(lost, of), "wilson", None)
    return None


def _over_batches(part: Sequence[tuple[int, int, int]], batches: int, rho: float, fitted: float | None) -> Limits:
    """Wilson's interval at the effective number of plants, N^2 / sum of n (1 + (n - 1) rho), with Student's t.

    rho is the maximum likelihood of the beta-binomial over the m batches, t has m - 1 degrees of freedom. Wilson's form, with
    the effective number from a model of the batches, is what Franco, Little, Louis and Slud recommend (2019, J. Surv. Stat.
    Methodol. 7:334-364; simpler estimates of it cover too little); t for few batches is Korn and Graubard's (1998, Surv.
    Methodol. 24:193-201). How often it covers the truth is measured in tests/checks/test_coverage.py.
    """
    lost, of = sum(y * times for y, _, times in part), sum(n * times for _, n, times in part)
    effective = of * of / sum(n * (1 + (n - 1) * rho) * times for _, n, times in part)
    low, high = wilson(lost / of * effective, effective, _quantile(batches - 1))
    return Limits(low, high, "beta-binomial", fitted)


@lru_cache(maxsize=4096)
def _quantile(freedom: int) -> float:
    return float(student.ppf(0.975, freedom))


def pooled(parts: Iterable[tuple[int, int]]) -> float:
    """The rate over several batches, each (lost, entered): sum over sum. 0.0 where nothing entered."""
    lost, entered = 0, 0
    for part_lost, part_entered in parts:
        lost, entered = lost + part_lost, entered + part_entered
    return lost / entered if entered else 0.0


def cumulative(rates: Iterable[float]) -> float:
    """The share lost over stages that follow each other: 1 - product of (1 - s)."""
    return 1 - math.prod(1 - rate for rate in rates)


# --- what is reported ------------------------------------------------------------------------------------------


class Group(Struct, frozen=True, kw_only=True):
    """What units at risk are kept apart by; null is all of it."""

    crop: str | None = None
    size: str | None = None
    stage: str
    month: str | None = None


class Exposed(Struct, frozen=True, kw_only=True):
    """Units at risk in a group: how many batches had so many."""

    group: Group
    batches: AtRisk


class Money(Struct, frozen=True, kw_only=True):
    """What lost units were worth, in minor units of the currency, beside how many they were.

    cost: at the average cost in force. normal: units whose loss is normal, so that the rest carries their cost; expensed: the
    cost of the others. retail: at the list price of the day; unpriced: units without one (plants without a size have none).
    """

    cost: int = 0
    expensed: int = 0
    normal: int = 0
    retail: int = 0
    unpriced: int = 0


class Lost(Struct, frozen=True, kw_only=True):
    """Units lost in a group, by whatever tells losses apart: how many batches lost so many of so many at risk."""

    group: Group
    cause: str | None = None
    place: str | None = None
    person: str | None = None
    batches: LostOf
    avoidable: int = 0
    worth: Money = Money()

    @property
    def units(self) -> int:
        """All that were lost."""
        return sum(lost * times for (lost, _), times in self.batches.items())


class Rate(Struct, frozen=True, kw_only=True):
    """A line of the report: so many units lost, `of` so many on this basis, with the 95 % interval of the pooled rate.

    unit: what is counted. interval: how low and high were come by, wilson for one batch, beta-binomial over several; rho: the
    correlation of two plants of one batch, where batches show it. few_data: fewer than 3 batches. avoidable: of the lost.
    Money in minor units: see `normal`, `cost`, `expensed`, `retail` and `unpriced` in the notes.
    """

    crop: str | None
    size: str | None
    stage: str
    month: str | None
    cause: str | None
    place: str | None
    person: str | None
    unit: str
    basis: Basis
    lost: int
    of: int
    rate: float | None
    low: float | None
    high: float | None
    interval: Method | None
    rho: float | None
    batches: int
    few_data: bool
    avoidable: int
    normal: int
    cost: int
    expensed: int
    retail: int | None
    unpriced: int


def rates(exposed: Sequence[Exposed], lost: Sequence[Lost], basis: Basis, *, split: bool) -> list[Rate]:
    """Pooled rates of each group; with `split`, a line for everything that the losses are told apart by instead."""
    by_group = {part.group: part.batches for part in exposed}
    told = list(lost)
    if not split:
        losing = {part.group for part in lost}
        told += [Lost(group=group, batches={}) for group in by_group if group not in losing]
    told.sort(key=_order)
    at_risk = [with_all(part.batches, by_group.get(part.group, {})) for part in told]
    return [_rate(part, group, found, basis) for part, group, found in zip(told, at_risk, limits(at_risk), strict=True)]


def _order(part: Lost) -> tuple[str, ...]:
    """In the order of life, seconds last."""
    group = part.group
    turn = f"{IN_TURN.index(group.stage)}" if group.stage in IN_TURN else group.stage
    key = (group.crop, group.size, turn, group.month, part.cause, part.place, part.person)
    return tuple(value or "" for value in key)


def with_all(lost: LostOf, at_risk: AtRisk) -> LostOf:
    """The batches of a group that lost something, and those that lost nothing."""
    losing: Counter[int] = Counter()
    for (_, of), times in lost.items():
        losing[of] += times
    nothing = {(0, of): times - losing[of] for of, times in at_risk.items() if of > 0 and times > losing[of]}
    return {**lost, **nothing}


def _rate(part: Lost, batches: LostOf, found: Limits | None, basis: Basis) -> Rate:
    of = sum(units * times for (_, units), times in batches.items())
    group, units, number = part.group, part.units, sum(batches.values())
    return Rate(
        crop=group.crop,
        size=group.size,
        stage=group.stage,
        month=group.month,
        cause=part.cause,
        place=part.place,
        person=part.person,
        unit=UNIT_OF.get(group.stage, "pot"),
        basis=basis,
        lost=units,
        of=of,
        rate=round(units / of, 6) if of > 0 else None,
        low=round(found.low, 6) if found else None,
        high=round(found.high, 6) if found else None,
        interval=found.method if found else None,
        rho=round(found.rho, 6) if found and found.rho is not None else None,
        batches=number,
        few_data=number < FEW_BATCHES,
        avoidable=part.avoidable,
        normal=part.worth.normal,
        cost=part.worth.cost,
        expensed=part.worth.expensed,
        retail=part.worth.retail if part.worth.unpriced < units or not units else None,
        unpriced=part.worth.unpriced,
    )


# --- over the stages -------------------------------------------------------------------------------------------


class Cumulative(Struct, frozen=True, kw_only=True):
    """The share lost up to the end of a stage: 1 - product of (1 - rate) over the stages so far, in the order of life."""

    crop: str | None
    size: str | None
    month: str | None
    stage: str
    lost: int
    of: int
    rate: float
    cumulative: float


def cumulatives(exposed: Sequence[Exposed], lost: Sequence[Lost]) -> list[Cumulative]:
    """Stage by stage, for each crop, size and month. Plugs have no size yet: they come before every size of their crop."""
    sums: defaultdict[Group, list[int]] = defaultdict(lambda: [0, 0])
    for part in exposed:
        sums[part.group][1] += sum(units * times for units, times in part.batches.items())
    for gone in lost:
        sums[gone.group][0] += gone.units
    lines: dict[tuple[str | None, str | None, str | None], dict[str, list[int]]] = defaultdict(dict)
    sizes: set[tuple[str | None, str | None, str | None]]
    sizes = {(group.crop, group.size, group.month) for group in sums if group.size is not None}
    for group, numbers in sums.items():
        own = (group.crop, group.size, group.month)
        for key in _ahead_of(group, sizes) or [own]:
            if group.stage in IN_TURN and numbers[1] > 0:
                lines[key][group.stage] = numbers
    found = []
    for (crop, size, month), stages in sorted(lines.items(), key=lambda item: tuple(part or "" for part in item[0])):
        so_far: list[float] = []
        for stage in sorted(stages, key=IN_TURN.index):
            gone_units, of = stages[stage]
            so_far.append(min(1.0, gone_units / of))
            found.append(
                Cumulative(
                    crop=crop, size=size, month=month, stage=stage, lost=gone_units, of=of,
                    rate=round(so_far[-1], 6), cumulative=round(cumulative(so_far), 6),
                )
            )  # fmt: skip
    return found


def _ahead_of(
    group: Group, sizes: Iterable[tuple[str | None, str | None, str | None]]
) -> list[tuple[str | None, str | None, str | None]]:
    """The sizes that plants without one may come to."""
    return [key for key in sizes if group.size is None and (key[0], key[2]) == (group.crop, group.month)]


# --- what better work would have spared ------------------------------------------------------------------------


class Avoidable(Struct, frozen=True, kw_only=True):
    """How much of what was lost fell to causes that better work spares: units, of all the lost units of a group."""

    crop: str | None
    size: str | None
    stage: str
    month: str | None
    unit: str
    avoidable: int
    lost: int
    share: float


def avoidable(lost: Sequence[Lost]) -> list[Avoidable]:
    """By group, where anything was lost."""
    sums: defaultdict[Group, list[int]] = defaultdict(lambda: [0, 0])
    for part in lost:
        sums[part.group][0] += part.avoidable
        sums[part.group][1] += part.units
    return [
        Avoidable(
            crop=group.crop, size=group.size, stage=group.stage, month=group.month, unit=UNIT_OF.get(group.stage, "pot"),
            avoidable=spared, lost=units, share=round(spared / units, 6),
        )
        for group, (spared, units) in sorted(sums.items(), key=lambda item: _order(Lost(group=item[0], batches={})))
        if units > 0
    ]  # fmt: skip


# --- yield -----------------------------------------------------------------------------------------------------


class Family(NamedTuple):
    """What became of one batch. parents: units that other batches gave it. Cells are plugs, before and after they root.

    cells, cuttings: struck in it; outside: units that were bought or stood there at the opening; pots: made
    out of its parents' units; joined: units put to it. saleable: its finished plants, less those potted up again. growing:
    units of it that are neither finished nor lost.
    """

    batch: str
    crop: str
    parents: Mapping[str, int]
    cells: int
    cuttings: int
    outside: int
    pots: int
    joined: int
    saleable: int
    seconds: int
    growing: int


class Yield(Struct, frozen=True, kw_only=True):
    """Saleable plants of what was struck. With two cuttings to a cell, or three plugs to a pot, the rates differ.

    per_cutting, per_cell: saleable plants for each cutting, and for each cell, that was struck. come_through: cells that are
    in saleable plants, of cells struck. under_way: cells that may become saleable still, so the rates may rise by them.
    """

    crop: str | None
    month: str | None
    cuttings: int
    cells: int
    saleable: int
    seconds: int
    cells_in_saleable: int
    under_way: int
    per_cutting: float
    per_cell: float
    come_through: float


Cohort = tuple[str | None, str | None]


def yields(families: Iterable[Family], cohort_of: Mapping[str, Cohort]) -> list[Yield]:
    """By cohort of what was struck. Where batches were put together, each has the share of what came of it that it gave."""
    all_of = {family.batch: family for family in families}
    origins = _Origins(all_of, cohort_of)
    sums: dict[Cohort, list[float]] = defaultdict(lambda: [0.0] * 6)
    for batch, began in cohort_of.items():
        sums[began][0] += all_of[batch].cuttings
        sums[began][1] += all_of[batch].cells
    for family in all_of.values():
        if family.saleable or family.seconds or family.growing:
            shares, cells_each = origins.of(family.batch)
            for cohort, share in shares.items():
                if cohort is not None:
                    parts = (family.saleable, family.seconds, family.saleable * cells_each, family.growing * cells_each)
                    for place, part in enumerate(parts, start=2):
                        sums[cohort][place] += part * share
    ordered = sorted(sums.items(), key=lambda item: tuple(part or "" for part in item[0]))
    return [_yield(cohort, numbers) for cohort, numbers in ordered if numbers[1]]


def _yield(cohort: Cohort, numbers: Sequence[float]) -> Yield:
    cuttings, cells, saleable, seconds, inside, growing = numbers
    return Yield(
        crop=cohort[0],
        month=cohort[1],
        cuttings=round(cuttings),
        cells=round(cells),
        saleable=round(saleable),
        seconds=round(seconds),
        cells_in_saleable=round(inside),
        under_way=round(growing),
        per_cutting=round(saleable / cuttings, 6),
        per_cell=round(saleable / cells, 6),
        come_through=round(inside / cells, 6),
    )


#: what a batch that is not told of counts as: plugs of no cohort; one that never had any counts as nothing
_FROM_BEFORE: tuple[dict[Cohort | None, float], float] = ({None: 1.0}, 1.0)


class _Origins:
    """Of every batch: the shares of its plants that go back to each cohort (None: to none), and the cells in a unit."""

    def __init__(self, all_of: Mapping[str, Family], cohort_of: Mapping[str, Cohort]) -> None:
        self._all = all_of
        self._cohort_of = cohort_of
        self._found: dict[str, tuple[dict[Cohort | None, float], float]] = {}

    def of(self, batch: str) -> tuple[dict[Cohort | None, float], float]:
        """Parents first, without recursion: a family may be as long as the nursery is old."""
        pending, begun = [batch], set[str]()
        while pending:
            name = pending[-1]
            waiting: list[str] = []
            if name not in self._found and name not in begun:
                begun.add(name)  # batches may each have been put to the other: who waits is not waited for
                parents = self._all[name].parents
                waiting = [each for each in parents if each in self._all and each not in self._found and each not in begun]
            if waiting:
                pending += waiting
            else:
                if name not in self._found:
                    self._found[name] = self._work_out(self._all[name])
                pending.pop()
        return self._found[batch]

    def _work_out(self, family: Family) -> tuple[dict[Cohort | None, float], float]:
        cells: dict[Cohort | None, float] = defaultdict(float)
        cells[self._cohort_of.get(family.batch)] += family.cells
        cells[None] += family.outside
        for parent, units in family.parents.items():
            shares, each = self._found.get(parent, _FROM_BEFORE)
            for cohort, share in shares.items():
                cells[cohort] += units * each * share
        total = sum(cells.values())
        units_in = family.cells + family.outside + family.pots + family.joined
        if not total or not units_in:
            return {}, 1.0
        return {cohort: part / total for cohort, part in cells.items()}, total / units_in
