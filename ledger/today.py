"""What needs a decision today: promises at risk, what is overdue or going over, what waits, what was lost, and what is wrong.

Reads only. Every list begins with what is worst; of a long one the beginning and how long it is.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from uuid import UUID

import msgspec
from msgspec import Struct

from ledger import answers, devices, rounds, worker
from ledger.answers import Answer, Cursor
from ledger.log import store
from ledger.plants import cards
from ledger.plants.cards import BatchCard, CropCard, Hold, OrderCard, StockPlantCard
from ledger.plants.desk import day_of
from ledger.plants.entries import HoldReason, StopReason
from ledger.projections import runner
from ledger.rounds import SQL, OpenLine, PlaceToCount
from ledger.worker import ForecastState

#: so many of each list
MOST = 8
#: from this share of their holding limit on plugs are shown
NEAR_LIMIT = 0.8


class Cause(Struct, frozen=True, kw_only=True):
    """An entry that took away plants on which a promise had rested."""

    entry: UUID
    type: str
    at: datetime
    batch: str | None
    units: int | None
    cause: str | None


class AtRisk(Struct, frozen=True, kw_only=True):
    """A line that may not be there on its day; the chance, what is short and the day to offer are on `open.line.risk`."""

    open: OpenLine
    name: str
    causes: list[Cause]


class OffMist(Struct, frozen=True, kw_only=True):
    """Cells that should have rooted by a day, by the grower's recipe."""

    batch: str
    crop: str
    name: str
    cells: int
    place: str
    struck_on: date
    due: date


class GoingOver(Struct, frozen=True, kw_only=True):
    """Plugs in holding, and how much of their holding limit they have used up (1 is all of it)."""

    batch: str
    crop: str
    name: str
    plugs: int
    since: datetime
    limit_days: int
    share: float
    stopped: bool


class ToReview(Struct, frozen=True, kw_only=True):
    """A hold whose day to look again has come, of an order or of units of a batch."""

    order: str | None
    batch: str | None
    hold: UUID
    reason: HoldReason
    review_on: date
    units: int


class LostUnits(Struct, frozen=True, kw_only=True):
    """Plants lost yesterday."""

    entry: UUID
    batch: str
    crop: str
    name: str
    stage: str
    place: str
    units: int
    cause: str
    by: str


class StoppedThing(Struct, frozen=True, kw_only=True):
    """A crop, stock plant or batch that may not be sold or propagated. units: what stands of it, 0 for a crop."""

    kind: str
    code: str
    name: str
    reason: StopReason
    since: datetime
    units: int


class ReEntry(Struct, frozen=True, kw_only=True):
    """A place closed after a treatment until the time that was typed in from the label."""

    place: str
    name: str
    until: datetime


class Trouble(Struct, frozen=True, kw_only=True):
    """What is wrong with the program or its data, and what to do."""

    what: str
    detail: str


class Listed(Struct, frozen=True, kw_only=True):
    """How many there are of each list that shows only its beginning."""

    at_risk: int
    overdue: int
    this_week: int
    going_over: int
    stopped: int
    lost: int
    to_count: int


class Today(Answer, frozen=True, kw_only=True):
    """What needs a decision. at_risk: promise book and forecast; questions: the log; all else: plant book."""

    on: date
    at_risk: list[AtRisk]
    overdue: list[OffMist]
    this_week: list[OffMist]
    going_over: list[GoingOver]
    questions: answers.Questions
    to_count: list[PlaceToCount]
    to_review: list[ToReview]
    lost: list[LostUnits]
    lost_units: int
    stopped: list[StoppedThing]
    re_entry: list[ReEntry]
    troubles: list[Trouble]
    forecasts: ForecastState
    in_all: Listed


def today(cursor: Cursor, now: datetime, follower_trouble: str | None = None) -> Today:
    """All of it at one moment. follower_trouble: why the projections do not follow, if they do not."""
    on = day_of(now, answers.policy_of(cursor))
    risky = rounds.open_lines(cursor, at_risk=True, limit=MOST)
    overdue, coming = _off_mist(cursor, on)
    over = _going_over(cursor, now)
    counts = rounds.to_count(cursor, now).places
    lost = _lost(cursor, on - timedelta(days=1))
    stopped = _stopped(cursor)
    forecasts = worker.forecast_state(cursor)
    named = rounds.crop_names(
        cursor,
        [
            *(line.line.crop for line in risky.lines),
            *(line.crop for line in (*overdue[:MOST], *coming[:MOST])),
            *(line.crop for line in over[:MOST]),
            *(line.crop for line in lost[:MOST]),
            *(line.name for line in stopped[:MOST]),
        ],
    )
    return Today(
        as_of=store.head(cursor),
        on=on,
        at_risk=_at_risk(cursor, risky.lines, named),
        overdue=_called(overdue, named),
        this_week=_called(coming, named),
        going_over=_called(over, named),
        questions=answers.questions(cursor, limit=MOST),
        to_count=counts[:5],
        to_review=_to_review(cursor, on),
        lost=_called(lost, named),
        lost_units=sum(line.units for line in lost),
        stopped=[msgspec.structs.replace(line, name=named.get(line.name, line.name)) for line in stopped[:MOST]],
        re_entry=_re_entry(cursor, now),
        troubles=list(_troubles(cursor, now, forecasts, follower_trouble)),
        forecasts=forecasts,
        in_all=Listed(
            at_risk=risky.at_risk_in_all,
            overdue=len(overdue),
            this_week=len(coming),
            going_over=len(over),
            stopped=len(stopped),
            lost=len(lost),
            to_count=len(counts),
        ),
    )


def _called(lines: Sequence[Any], named: dict[str, str]) -> list[Any]:
    """The beginning of a list, with what its crops are called."""
    return [msgspec.structs.replace(line, name=named.get(line.crop, line.crop)) for line in lines[:MOST]]


# --- promises at risk ------------------------------------------------------------------------------------------


def _at_risk(cursor: Cursor, lines: Sequence[OpenLine], named: dict[str, str]) -> list[AtRisk]:
    ids = {entry for line in lines if line.line.risk is not None for entry in line.line.risk.because}
    causes = {row[0]: _cause(row[1]) for row in cursor.execute(SQL["entries_named"], {"ids": list(ids)})}
    return [
        AtRisk(
            open=line,
            name=named[line.line.crop],
            causes=[causes[entry] for entry in line.line.risk.because if entry in causes] if line.line.risk else [],
        )
        for line in lines
    ]


def _cause(content: str) -> Cause:
    told = msgspec.json.decode(content)["told"]
    return Cause(
        entry=UUID(told["id"]),
        type=told["type"],
        at=datetime.fromisoformat(told["occurred_at"]),
        batch=told.get("batch"),
        units=told.get("units", told.get("failed", told.get("culled"))),
        cause=told.get("cause"),
    )


# --- plants that cannot wait -----------------------------------------------------------------------------------


def _off_mist(cursor: Cursor, on: date) -> tuple[list[OffMist], list[OffMist]]:
    """What should have rooted by now, and what should within a week, the longest overdue first."""
    found = []
    for batch, crop, struck_on, days, cells, place in cursor.execute(SQL["rooting_now"]).fetchall():
        due = struck_on + timedelta(days=max(-3650, min(3650, days)))
        found.append(OffMist(batch=batch, crop=crop, name=crop, cells=cells, place=place, struck_on=struck_on, due=due))
    found.sort(key=lambda line: (line.due, line.batch))
    return (
        [line for line in found if line.due < on],
        [line for line in found if on <= line.due < on + timedelta(days=7)],
    )


def _going_over(cursor: Cursor, now: datetime) -> list[GoingOver]:
    """Plugs near or over their holding limit, those that have used up most of it first."""
    found = [
        GoingOver(
            batch=batch,
            crop=crop,
            name=crop,
            plugs=plugs,
            since=since,
            limit_days=limit,
            share=round((now - since).total_seconds() / 86_400 / limit, 2),
            stopped=stopped,
        )
        for batch, crop, plugs, since, limit, stopped in cursor.execute(SQL["plugs_held"], {"now": now, "share": NEAR_LIMIT})
    ]
    return sorted(found, key=lambda line: (-line.share, line.batch))


# --- what waits, was lost, is stopped or closed -----------------------------------------------------------------


def _to_review(cursor: Cursor, on: date) -> list[ToReview]:
    found = []
    for (stored,) in cursor.execute(SQL["waiting_cards"]).fetchall():
        card = cards.decode(stored)
        assert isinstance(card, BatchCard | OrderCard)
        order = card.ref if isinstance(card, OrderCard) else None
        batch = card.number if isinstance(card, BatchCard) else None
        found += [_review(hold, order, batch) for hold in card.holds if hold.review_on <= on]
    return sorted(found, key=lambda line: (line.review_on, line.order or "", line.batch or ""))


def _review(hold: Hold, order: str | None, batch: str | None) -> ToReview:
    return ToReview(order=order, batch=batch, hold=hold.entry, reason=hold.reason, review_on=hold.review_on, units=hold.units)


def _lost(cursor: Cursor, day: date) -> list[LostUnits]:
    told = [
        msgspec.json.decode(row[0])["told"]
        for row in cursor.execute(SQL["told_on"], {"type": "lost", "day": day, "limit": answers.MOST})
    ]
    crops = {
        card.number: card.crop
        for card in answers.several(cursor, "cards", BatchCard, kind="batch", keys=[of["batch"] for of in told])
    }
    found = [
        LostUnits(
            entry=UUID(of["id"]), batch=of["batch"], crop=crops[of["batch"]], name="", stage=of["stage"], place=of["place"],
            units=of["units"], cause=of["cause"], by=of["by"],
        )
        for of in told
    ]  # fmt: skip
    return sorted(found, key=lambda line: (-line.units, line.batch))


def _stopped(cursor: Cursor) -> list[StoppedThing]:
    found = []
    for stored, units in cursor.execute(SQL["stopped_cards"]).fetchall():
        card = cards.decode(stored)
        assert isinstance(card, BatchCard | CropCard | StockPlantCard)
        crop = card.value.code if isinstance(card, CropCard) else card.crop
        last = max(card.stops, key=lambda stop: stop.at)
        found.append(StoppedThing(kind=card.kind, code=card.key[1], name=crop, reason=last.reason, since=last.at, units=units))
    return sorted(found, key=lambda line: (line.kind != "crop", -line.since.timestamp(), line.code))


def _re_entry(cursor: Cursor, now: datetime) -> list[ReEntry]:
    found = [
        ReEntry(place=card.value.code, name=card.value.name, until=until)
        for card in rounds.places(cursor)
        if (until := card.closed_until(now)) is not None
    ]
    return sorted(found, key=lambda line: (line.until, line.place))


# --- what is wrong ---------------------------------------------------------------------------------------------

_STALE = {
    "no-forecast": "some crops have no forecast: nothing is promised of them beyond what is counted",
    "old-forecast": "the forecast is old: nothing is promised beyond what is counted until the next one is made",
    "changes-not-forecast": "changes wait for the forecast longer than they should: nothing is promised of those crops beyond"
    " what is counted",
    "clock-set-back": "the clock of the database is behind the last entry: set it right",
}
#: this far behind is more than a moment's delay
_MANY_BEHIND = 500


def _troubles(cursor: Cursor, now: datetime, forecasts: ForecastState, follower_trouble: str | None) -> Iterable[Trouble]:
    if follower_trouble is not None:
        yield Trouble(what="A projection is stuck", detail=follower_trouble)
    for name, entries in runner.lag(cursor).items():
        if entries > _MANY_BEHIND:
            yield Trouble(what=f"{name} is behind", detail=f"{entries} entries are still to be followed: reports are older")
    if forecasts.stale is not None:
        yield Trouble(what="The forecast is stale", detail=_STALE.get(forecasts.stale, forecasts.stale))
    for device in devices.unheard(devices.read(cursor), answers.policy_of(cursor), now):
        heard = f"last heard of on {device.heard_at:%Y-%m-%d at %H:%M} UTC"
        if device.waiting:
            waiting = "1 entry waits" if device.waiting == 1 else f"{device.waiting} entries wait"
            yield Trouble(what=f"{waiting} on {device.name}", detail=f"{heard}: take it to where there is signal")
        else:
            yield Trouble(what=f"{device.name} is silent", detail=f"{heard}: what was written on it may not be in the book yet")
