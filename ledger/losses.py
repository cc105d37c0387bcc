"""What is asked about losses: shrink, damage on the way, and what was taken back or found different. Reads only.

Owns the reports' shapes and their notes. What a rate is and how sure it is stands in `ledger.books.shrink`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from typing import Any, Literal, get_args
from uuid import UUID

import msgspec
from msgspec import Struct

from ledger.answers import Answer, Cursor, policy_of
from ledger.books import flow, shrink
from ledger.books.shrink import Grouping
from ledger.log import queries
from ledger.plants.cards import Parent

SQL = queries.load("ledger.projections", "losses.sql")
_OVER_A_MONTH = timedelta(days=31)
_parents = msgspec.json.Decoder(list[Parent])


# --- shrink ----------------------------------------------------------------------------------------------------


class RecordsLine(Struct, frozen=True, kw_only=True):
    """What counts found missing or over: the quality of the records, not of the growing."""

    crop: str | None
    size: str | None
    stage: str
    month: str | None
    place: str | None
    person: str | None
    count_short: int
    count_over: int
    counts: int


class BesideLine(Struct, frozen=True, kw_only=True):
    """What is gone without being shrink; cost and retail (at the list price of the day) in minor units, null where unknown.

    The cost of what was damaged on the way left with what was shipped.
    """

    crop: str | None
    size: str | None
    month: str | None
    what: str
    units: int
    cost: int | None
    retail: int | None


class ShrinkReport(Answer, frozen=True, kw_only=True):
    """Numerator (`lost`), denominator (`of`) and basis of every rate are printed, since published definitions differ."""

    basis: shrink.Basis
    denominator: str
    interval: str
    since: date
    until: date
    by: list[Grouping]
    currency: str
    places: int
    rates: list[shrink.Rate]
    cumulative: list[shrink.Cumulative]
    avoidable: list[shrink.Avoidable]
    yields: list[shrink.Yield]
    records: list[RecordsLine]
    beside: list[BesideLine]
    notes: list[str]


_DENOMINATOR = {
    "cohort": "units that entered the stage or were found in it, of batches that first came in in the period, whenever lost",
    "calendar": "units standing when the period (or its month) began, and units that came or were found in the stage since",
}
_SPLIT = "; told apart by cause, place or person, each line is of all that was at risk in its crop, size, stage and month"
_INTERVAL = (
    "95 %. One {0}: Wilson. Several: Wilson at the effective number of plants, by the beta-binomial correlation in {1} {0}"
    " (maximum likelihood), with Student's t"
)
_NOTES = [
    "cost: at the moving average in force; normal: units lost as usual, whose cost the others carry; expensed: the rest's",
    "retail: at the list price in force on the day; plants without a size have none and are counted under unpriced",
    "count differences, damage on the way, gifts and plants planted as stock are no shrink and stand beside it",
    "avoidable: lost to dried-out, cold, heat, overheld, handling or wrong-name",
    "yields: of cells struck in the period; saleable are finished plants, one potted up counts in its last size only",
]


def shrink_report(
    cursor: Cursor,
    *,
    basis: shrink.Basis,
    since: date,
    until: date,
    by: Sequence[Grouping],
    crop: str | None = None,
    size: str | None = None,
) -> ShrinkReport:
    """What was lost, by any of crop, size, stage, month, cause, place and person; the stage is always kept apart."""
    currency = policy_of(cursor).currency
    spans = _months(since, until) if "month" in by else [since]
    names = [f"{start:%Y-%m}" if "month" in by else None for start in spans]
    values: dict[str, Any] = {
        **{f"by_{name}": name in by for name in ("crop", "size", "month", "cause", "place", "person")},
        "from": since,
        "to": until,
        "crop": crop,
        "size": size,
        "starts": spans,
        "spans": len(spans),
        **_families(cursor.execute(SQL["joined"]).fetchall()),
        **_list_prices(cursor, currency),
        "avoidable": list(shrink.AVOIDABLE),
    }
    exposed, lost = _parts(cursor.execute(SQL[f"shrink_{basis}"], values).fetchall(), names)
    split = any(name in by for name in shrink.LOST_BY)
    records = cursor.execute(SQL["count_differences"], values).fetchall()
    return ShrinkReport(
        as_of=_followed(cursor),
        basis=basis,
        denominator=_DENOMINATOR[basis] + (_SPLIT if split else ""),
        interval=_INTERVAL.format("batch", "a") + "; batches put together count as one",
        since=since,
        until=until,
        by=list(by),
        currency=currency,
        places=flow.minor_places(currency),
        rates=shrink.rates(exposed, lost, basis, split=split),
        cumulative=shrink.cumulatives(exposed, lost),
        avoidable=shrink.avoidable(lost),
        yields=_yields(cursor, since, until, by, crop),
        records=[RecordsLine(**dict(zip(RecordsLine.__struct_fields__, row, strict=True))) for row in records],
        beside=[_beside(*row) for row in cursor.execute(SQL["beside"], values)],
        notes=_NOTES,
    )


def _months(since: date, until: date) -> list[date]:
    """The first day of the period and of every month that begins in it."""
    days = [since]
    while (following := (days[-1].replace(day=1) + _OVER_A_MONTH).replace(day=1)) <= until:
        days.append(following)
    return days


def _families(joined: Iterable[tuple[str, str, str]]) -> dict[str, list[str]]:
    """Batches that were put together in a stage, each with the one that stands for them all."""
    root: dict[tuple[str, str], str] = {}

    def stands_for(batch: str, stage: str) -> str:
        while (above := root.setdefault((batch, stage), batch)) != batch:
            root[batch, stage] = root[above, stage]
            batch = root[batch, stage]
        return batch

    for one, other, stage in joined:
        root[stands_for(one, stage), stage] = stands_for(other, stage)
    found = [(batch, stage, stands_for(batch, stage)) for batch, stage in list(root)]
    return {name: [row[place] for row in found] for place, name in enumerate(("member", "stage", "root"))}


def _list_prices(cursor: Cursor, currency: str) -> dict[str, list[Any]]:
    """List prices in micro by crop and size, each from a day on and up to another, not included: what was told last by then."""
    told: dict[str, list[tuple[date, dict[str, Any]]]] = defaultdict(list)
    last: dict[str, int] = {}
    for crop, sizes, day, position in cursor.execute(SQL["list_prices"]):
        if position > last.get(crop, 0):
            told[crop].append((day, sizes or {}))
            last[crop] = position
    rows = [
        (crop, size, flow.micro(offer["price"], currency), day, until)
        for crop, lists in told.items()
        for (day, sizes), (until, _) in zip(lists, [*lists[1:], (date.max, {})], strict=True)
        for size, offer in sizes.items()
        if day < until
    ]
    columns = ("priced_crop", "priced_size", "price", "priced_from", "priced_to")
    return {name: [row[place] for row in rows] for place, name in enumerate(columns)}


def _parts(rows: Iterable[tuple[Any, ...]], months: Sequence[str | None]) -> tuple[list[shrink.Exposed], list[shrink.Lost]]:
    """The rows of a shrink query: how many batches had so many at risk, and how many lost so many of them."""
    exposed: dict[shrink.Group, dict[int, int]] = defaultdict(dict)
    batches: dict[tuple[Any, ...], dict[tuple[int, int], int]] = defaultdict(dict)
    sums: dict[tuple[Any, ...], list[Any]] = defaultdict(lambda: [0] * 6)
    for crop, size, stage, span, cause, place, person, of, lost, times, *worth in rows:
        group = shrink.Group(crop=crop, size=size, stage=stage, month=months[span - 1])
        if lost is None:
            exposed[group][of] = times
        else:
            key = (group, cause, place, person)
            batches[key][lost, of] = times
            sums[key] = [had + more for had, more in zip(sums[key], worth, strict=True)]
    return (
        [shrink.Exposed(group=group, batches=found) for group, found in exposed.items()],
        [_lost(key, found, *sums[key]) for key, found in batches.items()],
    )


def _lost(
    key: tuple[Any, ...],
    batches: dict[tuple[int, int], int],
    avoidable: int,
    normal: int,
    cost: Decimal,
    expensed: Decimal,
    retail: Decimal,
    unpriced: int,
) -> shrink.Lost:
    cost_of, expensed_of, retail_of = (flow.minor(int(amount)) for amount in (cost, expensed, retail))
    worth = shrink.Money(cost=cost_of, expensed=expensed_of, normal=normal, retail=retail_of, unpriced=unpriced)
    group, cause, place, person = key
    return shrink.Lost(group=group, cause=cause, place=place, person=person, batches=batches, avoidable=avoidable, worth=worth)


def _yields(cursor: Cursor, since: date, until: date, by: Sequence[Grouping], crop: str | None) -> list[shrink.Yield]:
    families: list[shrink.Family] = []
    cohort_of: dict[str, shrink.Cohort] = {}
    for batch, of_crop, parents, begun, *numbers in cursor.execute(SQL["families"], {"from": since}).fetchall():
        given: dict[str, int] = {}
        for parent in _parents.decode(parents) if parents else ():
            if parent.holder[0].isdigit():  # a batch, no stock plant
                given[parent.holder] = given.get(parent.holder, 0) + parent.units
        families.append(shrink.Family(batch, of_crop, given, *numbers))
        if begun is not None and since <= begun <= until and crop in (None, of_crop):
            cohort_of[batch] = (of_crop if "crop" in by else None, f"{begun:%Y-%m}" if "month" in by else None)
    return shrink.yields(families, cohort_of)


def _beside(
    crop: str | None, size: str | None, month: str | None, what: str, units: int, cost: Decimal | None, retail: Decimal | None
) -> BesideLine:
    return BesideLine(crop=crop, size=size, month=month, what=what, units=units, cost=_minor(cost), retail=_minor(retail))


def _minor(amount: Decimal | None) -> int | None:
    return None if amount is None else flow.minor(int(amount))


def _followed(cursor: Cursor) -> int:
    """The position up to which everything that losses are read from has followed the log."""
    row = cursor.execute(SQL["followed"]).fetchone()
    assert row is not None
    return int(row[0])


# --- damage on the way -----------------------------------------------------------------------------------------

DamageBy = Literal["carrier", "service", "region", "month", "cause"]


class DamageLine(Struct, frozen=True, kw_only=True):
    """Units claimed as damaged, of units shipped, with the 95 % interval of the rate; orders differ as batches do.

    What is not grouped by is null. replaced: units picked to replace them, and what those cost, in minor units.
    """

    carrier: str | None
    service: str | None
    region: str | None
    month: str | None
    cause: str | None
    claimed: int
    shipped: int
    rate: float | None
    low: float | None
    high: float | None
    interval: shrink.Method | None
    orders: int
    few_data: bool
    replaced: int
    replaced_cost: int


class DamageReport(Answer, frozen=True, kw_only=True):
    """What arrived damaged of what was shipped in the period, whenever it was claimed. It is no shrink."""

    since: date
    until: date
    by: list[DamageBy]
    basis: str
    interval: str
    currency: str
    places: int
    lines: list[DamageLine]


_DAMAGE_BASIS = (
    "units claimed, of units shipped in the period, whenever they were claimed; by the month of shipping; told apart by cause,"
    " each line is still of all that was shipped in its carrier, service, region and month"
)


def damage_report(cursor: Cursor, *, since: date, until: date, by: Sequence[DamageBy]) -> DamageReport:
    """Claimed of shipped, by any of carrier, service, region, month and cause."""
    currency = policy_of(cursor).currency
    chosen = {f"by_{name}": name in by for name in get_args(DamageBy)}
    shipped: dict[tuple[Any, ...], dict[int, int]] = defaultdict(dict)
    claims: dict[tuple[Any, ...], dict[tuple[int, int], int]] = defaultdict(dict)
    replaced: dict[tuple[Any, ...], list[Any]] = defaultdict(lambda: [0, 0])
    for *group, cause, of, claimed, times, units, cost in cursor.execute(SQL["damage"], {"from": since, "to": until, **chosen}):
        if claimed is None:
            shipped[tuple(group)][of] = times
        else:
            key = (*group, cause)
            claims[key][claimed, of] = times
            replaced[key] = [replaced[key][0] + units, replaced[key][1] + cost]
    if "cause" not in by:
        for group_key in shipped:
            claims.setdefault((*group_key, None), {})
    keys = sorted(claims, key=lambda key: tuple(part or "" for part in key))
    parts = [shrink.with_all(claims[key], shipped[key[:-1]]) for key in keys]
    return DamageReport(
        as_of=_followed(cursor),
        since=since,
        until=until,
        by=list(by),
        basis=_DAMAGE_BASIS,
        interval=_INTERVAL.format("order", "an"),
        currency=currency,
        places=flow.minor_places(currency),
        lines=[
            _damage_line(key, part, found, *replaced[key])
            for key, part, found in zip(keys, parts, shrink.limits(parts), strict=True)
        ],
    )


def _damage_line(key: tuple[Any, ...], part: shrink.LostOf, found: shrink.Limits | None, units: int, cost: Any) -> DamageLine:
    claimed = sum(lost * times for (lost, _), times in part.items())
    shipped = sum(of * times for (_, of), times in part.items())
    orders = sum(part.values())
    return DamageLine(
        **dict(zip(("carrier", "service", "region", "month", "cause"), key, strict=True)),
        claimed=claimed,
        shipped=shipped,
        rate=round(claimed / shipped, 6) if shipped else None,
        low=round(found.low, 6) if found else None,
        high=round(found.high, 6) if found else None,
        interval=found.method if found else None,
        orders=orders,
        few_data=orders < shrink.FEW_BATCHES,
        replaced=units,
        replaced_cost=flow.minor(int(cost)),
    )


# --- taken back, and found different ---------------------------------------------------------------------------

ReversalsBy = Literal["kind", "person", "type", "crop", "month"]


class ReversalLine(Struct, frozen=True, kw_only=True):
    """An entry that was taken back, or a count that differs from the book.

    person: who took it back, or counted. entry, type, entry_person, happened_at: what was taken back, or the count. units:
    plants that the reversal moved; of a count what it found over (or short, below 0), net of slips that came late. value: what
    the inventory's value changed by, in minor units; null where it is not known.
    """

    kind: Literal["reversal", "count-difference"]
    position: int
    recorded_at: datetime
    day: date
    person: str
    type: str
    entry: UUID
    entry_person: str
    happened_at: datetime
    crop: str | None
    size: str | None
    batch: str | None
    stage: str | None
    place: str | None
    units: int
    reason: str | None
    value: int | None


class ReversalSum(Struct, frozen=True, kw_only=True):
    """So many of a group. found: units over, and short: units missing, by counts; moved: units that reversals moved."""

    kind: str | None
    person: str | None
    type: str | None
    crop: str | None
    month: str | None
    times: int
    moved: int
    found: int
    short: int
    value: int


class ReversalReport(Answer, frozen=True, kw_only=True):
    """Every entry taken back and every count that differed, in the period in which they were told."""

    since: date
    until: date
    by: list[ReversalsBy]
    currency: str
    places: int
    sums: list[ReversalSum]
    lines: list[ReversalLine]


def reversal_report(
    cursor: Cursor, *, since: date, until: date, by: Sequence[ReversalsBy], crop: str | None = None
) -> ReversalReport:
    """Who took back what, and why, and which counts differed; summed by any of kind, person, type, crop and month."""
    currency = policy_of(cursor).currency
    values = {"from": since, "to": until, "crop": crop}
    lines = [_reversal(*row) for row in cursor.execute(SQL["reversals"], values)]
    lines += [_difference(*row) for row in cursor.execute(SQL["differing_counts"], values)]
    lines.sort(key=lambda line: line.position)
    return ReversalReport(
        as_of=_followed(cursor),
        since=since,
        until=until,
        by=list(by),
        currency=currency,
        places=flow.minor_places(currency),
        sums=_reversal_sums(lines, by),
        lines=lines,
    )


def _reversal(
    position: int, recorded_at: datetime, day: date, person: str, kind: str, told_by: str, _: int, happened_at: datetime,
    entry: UUID, batch: str | None, reason: str, crop: str | None, size: str | None, units: int, value: Decimal,
) -> ReversalLine:  # fmt: skip
    return ReversalLine(
        kind="reversal", position=position, recorded_at=recorded_at, day=day, person=person, type=kind,
        entry=entry, entry_person=told_by, happened_at=happened_at, crop=crop, size=size, batch=batch, stage=None,
        place=None, units=units, reason=reason, value=_minor(value),
    )  # fmt: skip


def _difference(
    position: int, recorded_at: datetime, day: date, person: str, happened_at: datetime, entry: UUID, batch: str, stage: str,
    place: str, note: str | None, crop: str, size: str | None, units: int, first: Decimal | None, value: Decimal | None,
) -> ReversalLine:  # fmt: skip
    net = None if not first or value is None else flow.minor(int(value * units / first))
    return ReversalLine(
        kind="count-difference", position=position, recorded_at=recorded_at, day=day, person=person, type="counted",
        entry=entry, entry_person=person, happened_at=happened_at, crop=crop, size=size, batch=batch, stage=stage,
        place=place, units=units, reason=note, value=net,
    )  # fmt: skip


def _reversal_sums(lines: Iterable[ReversalLine], by: Sequence[ReversalsBy]) -> list[ReversalSum]:
    groups: dict[tuple[str | None, ...], list[int]] = defaultdict(lambda: [0] * 5)
    for line in lines:
        has = {"kind": line.kind, "person": line.person, "type": line.type, "crop": line.crop, "month": f"{line.day:%Y-%m}"}
        sums = groups[tuple(has[name] if name in by else None for name in get_args(ReversalsBy))]
        counted = line.kind == "count-difference"
        parts = (1, 0 if counted else line.units, max(line.units, 0) if counted else 0, max(-line.units, 0) if counted else 0)
        for place, part in enumerate((*parts, line.value or 0)):
            sums[place] += part
    fields = ReversalSum.__struct_fields__
    ordered = sorted(groups.items(), key=lambda item: tuple(part or "" for part in item[0]))
    rows: list[tuple[Any, ...]] = [(*group, *sums) for group, sums in ordered]
    return [ReversalSum(**dict(zip(fields, row, strict=True))) for row in rows]
