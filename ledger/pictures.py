"""The pictures of the office: what each shows, read, put into a table, and said in a sentence. Reads only.

Each function gives a `Plot`: its table has the numbers, its specification draws that table. How they are drawn is in
`ledger.printing.plots`.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from itertools import accumulate
from typing import Any

import msgspec
from msgspec import Struct

from ledger import answers, ground, statements
from ledger.answers import Cursor, Unknown
from ledger.books import flow
from ledger.books.kept import COUNTED
from ledger.books.shrink import wilson
from ledger.log import queries
from ledger.plants import cards, desk, forecasts
from ledger.plants.cards import ForecastCard, ShelfCard
from ledger.plants.entries import PlaceKind, Stage
from ledger.printing import plots
from ledger.printing.plots import Plot, Through
from ledger.printing.tables import Column, Row, Table

SQL = queries.load("ledger.projections", "pictures.sql")
#: so many rows are drawn at most; the table has all
MOST_DRAWN = 24
_MOST_STRIPS = 6
_WEEKS_BACK, _WEEKS_AHEAD = 26, 16
_WEEK = timedelta(days=7)
_COUNTED_AS = 100

STAGES = {
    "gathered": "Gathered", "struck": "Rooting", "rooted": "Plugs", "potted": "Growing on", "finished": "Finished",
    "seconds": "Seconds", "picked": "Picked",
}  # fmt: skip


class Asked(Struct, frozen=True, kw_only=True):
    """Of what a picture is wanted: a period, and one crop and size where it can be narrowed to them."""

    since: date
    until: date
    today: date
    crop: str | None = None
    size: str | None = None


def _text(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading)


def _units(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading, kind="units")


def _share(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading, kind="share")


def _day(name: str, heading: str) -> Column:
    return Column(name=name, heading=heading, kind="date")


def _plot(name: str, title: str, measures: str, alt: str, table: Table, spec: dict[str, Any]) -> Plot:
    return Plot(name=name, title=title, measures=measures, alt=f"{title} {measures} {alt}", table=table, spec=spec)


def _drawn(table: Table, rows: Sequence[Row]) -> Table:
    """The part of a table that is drawn."""
    return msgspec.structs.replace(table, rows=rows)


def _percent(part: float) -> str:
    return f"{part:.0%}".replace("%", " %")


def _said(day: date) -> str:
    return f"{day.day} {day:%b %Y}"


def _period(asked: Asked) -> str:
    return f"{_said(asked.since)} to {_said(asked.until)}"


# --- plants ------------------------------------------------------------------------------------------------------

_THROUGH = ("struck", "rooted", "potted", "finished")


def through(cursor: Cursor, asked: Asked) -> Plot:
    """The flow of plants from struck to shipped, with losses peeling off to scale."""
    values = {"from": asked.since, "to": asked.until, "crop": asked.crop}
    found: dict[tuple[str, str], int] = defaultdict(int)
    shipped = 0
    for stage, kind, via, units in cursor.execute(SQL["through"], values):
        found[stage, kind] += units
        if via == "shipped":
            shipped += units
        elif kind == "left" and (stage, via) not in _ONWARD:
            found[stage, "aside"] += units
    stages, rows = [], list[Row]()
    for name in _THROUGH:
        had, came, lost = found[name, "opening"], found[name, "entered"] + found[name, "joined"], found[name, "lost"]
        aside, counted = found[name, "aside"], found[name, "counted"]
        on = found[name, "left"] - aside
        stands = had + came + counted - lost - aside - on
        rows.append((STAGES[name], had, came, lost, on, aside, counted, stands))
        stages.append(Through(stage=STAGES[name], had=had, came=came, went_on=on, lost=lost, stands=max(0, stands)))
    picked = found["picked", "opening"], found["picked", "entered"], found["picked", "lost"]
    rows.append(("Shipped", 0, shipped, 0, 0, 0, 0, 0))
    stages.append(Through(stage="Shipped", had=0, came=shipped, went_on=0, lost=0, stands=0))
    struck, lost = stages[0].came, sum(of.lost for of in stages) + picked[2]
    worst = max(stages, key=lambda of: of.lost)
    most = f", most while {_WHILE[worst.stage]} ({worst.lost:,})" if worst.lost else ""
    title = f"{struck:,} cells were struck and {shipped:,} pots shipped; {lost:,} plants were lost{most}."
    measures = (
        f"Plant book, units, {_period(asked)}. Cells up to plugs, pots from then on. Black: lost; white: stands there now."
    )
    columns = (
        _text("stage", "Stage"), _units("had", "Stood before"), _units("came", "Came in"), _units("lost", "Lost"),
        _units("went_on", "Went on"), _units("aside", "Went elsewhere"), _units("counted", "Count differences"),
        _units("stands", "Stand now"),
    )  # fmt: skip
    notes = (
        "Stood before + came in + count differences = lost + went on + went elsewhere + stand now. Two plugs may make one pot.",
    )
    table = Table(title="Flow of plants", columns=columns, rows=rows, notes=notes)
    alt = "Bands from stage to stage, as thick as plants were many; losses peel off downwards."
    return _plot("flow", title, measures, alt, table, plots.flow(title, measures, table, stages))


_ONWARD = {("struck", "rooted"), ("rooted", "converted"), ("potted", "finished"), ("finished", "picked")}
_WHILE = {
    "Rooting": "rooting",
    "Plugs": "standing as plugs",
    "Growing on": "growing on",
    "Finished": "finished",
    "Shipped": "shipped",
}


def rooting(cursor: Cursor, asked: Asked) -> Plot:
    """The rooting rate of each crop, as dot and interval."""
    values = {"from": asked.since, "to": asked.until, "crop": asked.crop}
    found = [row for row in cursor.execute(SQL["rooting"], values).fetchall() if row[1] + row[2] > 0 and row[1] >= 0 <= row[2]]
    called = ground.names(cursor, (row[0] for row in found))
    rows = list[Row]()
    for crop, rooted, lost, batches in found:
        low, high = wilson(rooted, rooted + lost)
        rows.append((called.get(crop, crop), rooted, rooted + lost, rooted / (rooted + lost), low, high, batches))
    rows.sort(key=lambda row: (row[3], row[0]), reverse=True)
    columns = (
        _text("crop", "Crop"), _units("rooted", "Rooted"), _units("cells", "Of cells"), _share("rate", "Rate"),
        _share("low", "Low"), _share("high", "High"), _units("batches", "Batches"),
    )  # fmt: skip
    notes = ("Low and high: Wilson, 95 %, as if every cell stood for itself; batches differ more, so the truth may lie wider.",)
    table = Table(title="Rooting rate by crop", columns=columns, rows=rows, notes=notes)
    kept = sorted(rows, key=lambda row: -_number(row[2]))[:MOST_DRAWN]
    drawn = _drawn(table, [row for row in rows if row in kept])
    if rows:
        all_of = sum(_number(row[1]) for row in rows) / sum(_number(row[2]) for row in rows)
        best, worst = (
            f"{row[0]} {word} ({_percent(_float(row[3]))})" for row, word in ((rows[0], "best"), (rows[-1], "worst"))
        )
        title = f"{_percent(all_of)} of cells rooted: {best}, {worst}."
    else:
        title = "No cells were looked over in this period."
    some = f" The {MOST_DRAWN} crops with most cells." if len(rows) > MOST_DRAWN else ""
    measures = f"Plant book, share of cells that rooted, with the 95 % interval, {_period(asked)}.{some}"
    spec = plots.intervals(title, measures, drawn, label="crop", share="rate")
    return _plot("rooting", title, measures, "A dot for each crop with a line from low to high.", table, spec)


def ages(cursor: Cursor, asked: Asked) -> Plot:
    """How long plugs have stood, against the days that they may."""
    found = cursor.execute(SQL["plugs"], {"crop": asked.crop}).fetchall()
    called = ground.names(cursor, (row[1] for row in found))
    rows = list[Row]()
    for batch, crop, units, since, limit in found:
        days = (asked.today - since).days if since is not None else None
        share = days / limit if days is not None and limit else None
        rows.append(
            (
                called.get(crop, crop),
                batch,
                units,
                days,
                limit,
                share,
                None if share is None else (_OVER if share > 1 else _WITHIN),
            )
        )
    rows.sort(key=lambda row: (-_float(row[5]), row[1]))
    columns = (
        _text("crop", "Crop"), _text("batch", "Batch"), _units("plugs", "Plugs"), _units("days", "Days stood"),
        _units("limit", "Days they may"), _share("share", "Of the limit"), _text("state", "State"),
    )  # fmt: skip
    notes = ("The limit is the recipe's for the month in which the batch began to stand as plugs.",)
    table = Table(title="Age of plugs", columns=columns, rows=rows, notes=notes)
    crops = list(dict.fromkeys(row[0] for row in rows))[:MOST_DRAWN]
    drawn = _drawn(table, [row for row in rows if row[0] in crops])
    all_of, over = sum(_number(row[2]) for row in rows), sum(_number(row[2]) for row in rows if row[6] == _OVER)
    if over:
        first = next(row for row in rows if row[6] == _OVER)
        longest = f"{first[0]} {first[1]} the longest ({_percent(_float(first[5]))} of its time)"
        title = f"{over:,} of {all_of:,} plugs stand longer than they should, {longest}."
    else:
        title = f"None of {all_of:,} plugs stand longer than they should."
    some = f" The {MOST_DRAWN} crops nearest to it." if len(crops) == MOST_DRAWN else ""
    measures = f"Plant book, share of the time that plugs may stand, a mark for each batch, larger for more plugs.{some}"
    spec = plots.against_limit(
        title, measures, drawn, label="crop", share="share", units="plugs", over="state", parts=(_WITHIN, _OVER)
    )
    return _plot("ages", title, measures, "Marks by crop; those past the stroke at 100 % are triangles.", table, spec)


_WITHIN, _OVER = "within the limit", "past the limit"


def _number(cell: object) -> int:
    return cell if isinstance(cell, int) else 0


def _float(cell: object) -> float:
    return float(cell) if isinstance(cell, int | float) else 0.0


# --- space -------------------------------------------------------------------------------------------------------

_ROOMS = {
    PlaceKind.MIST: "Mist and covers", PlaceKind.COVERED: "Mist and covers", PlaceKind.SAND: "Mist and covers",
    PlaceKind.HOLDING: "Holding", PlaceKind.BENCH: "Benches", PlaceKind.LINE: "Lines",
}  # fmt: skip


def space(cursor: Cursor, asked: Asked) -> Plot:
    """The share of each kind of room that was taken at the end of each week."""
    last = asked.today - timedelta(days=asked.today.weekday())
    weeks = [last - _WEEK * back for back in range(_WEEKS_BACK - 1, -1, -1)]
    pots, places = ground.sizes(cursor), ground.places(cursor)
    moved: dict[tuple[str, int], float] = defaultdict(float)
    unknown = 0
    for place, stage, size, cells, week, units in cursor.execute(SQL["moved_by_week"], {"from": weeks[0], "to": asked.today}):
        there = places[place]
        each = ground.taken(there, stage, pots.get(size or ""), cells)
        if there.kind not in _ROOMS:
            continue
        if each is None:
            unknown += units
            continue
        moved[_ROOMS[there.kind], (week - weeks[0]).days // 7] += float(units * each) * _room(there)
    rooms = dict.fromkeys(_ROOMS.values())
    room = {
        name: sum(_room(place) for place in places.values() if not place.retired and _ROOMS.get(place.kind) == name)
        for name in rooms
    }
    rows = list[Row]()
    parts = [name for name in rooms if room[name]]
    for name in parts:
        used = accumulate(moved[name, at] for at in range(len(weeks)))
        rows += [
            (min(week + _WEEK - timedelta(days=1), asked.today), name, max(0.0, amount) / room[name])
            for week, amount in zip(weeks, used, strict=True)
        ]
    columns = (_day("day", "At the end of"), _text("room", "Room"), _share("used", "Taken"))
    left_out = (f"{unknown:,} units stand where no fitting room was told and are in no share.",) if unknown > 0 else ()
    notes = ("Room: tray places where plants stand in cells, hooks on lines, else area.", *left_out)
    table = Table(title="Space used by week", columns=columns, rows=rows, notes=notes)
    now = {str(row[1]): _float(row[2]) for row in rows}
    fullest = max(now, key=lambda name: now[name], default=None)
    if fullest is None:
        title = "No place has been told how much room it has."
    else:
        title = (
            f"{fullest} are fullest now, {_percent(now[fullest])} taken; "
            + ", ".join(f"{name.lower()} {_percent(now[name])}" for name in parts if name != fullest)
            + "."
        )
        title = title.replace("; .", ".").replace("Holding are", "Holding is")
    measures = "Plant book, share of the room taken at the end of each week."
    spec = plots.lines(title, measures, table, day="day", share="used", series="room", parts=parts)
    return _plot("space", title, measures, "A line for each kind of room, by week.", table, spec)


def _room(place: Any) -> int:
    """How much room a place has, in the measure of its kind."""
    match place.kind:
        case PlaceKind.LINE:
            return int(place.hooks)
        case PlaceKind.BENCH:
            return int(place.area_cm2)
        case _:
            return int(place.tray_places)


# --- promises ----------------------------------------------------------------------------------------------------


def supply(cursor: Cursor, asked: Asked) -> Plot:
    """What will be there of one crop and size against what is promised of it, with the band of four times in five."""
    crop, size = asked.crop, asked.size
    if crop is None or size is None:
        row = cursor.execute(SQL["most_promised"]).fetchone()
        crop, size = row[:2] if row is not None else (crop, size)
    if crop is None or size is None:
        raise Unknown("nothing is promised yet: there is no supply to hold it against")
    shelf, forecast = _maybe(cursor, "shelf", f"{crop}/{size}", ShelfCard), _maybe(cursor, "forecast", crop, ForecastCard)
    due = {date.fromisoformat(day): units for day, units in (shelf.due if shelf is not None else {}).items()}
    name = f"{ground.names(cursor, [crop]).get(crop, crop)} {size}"
    rows = list[Row]()
    of_size = forecast.value.sizes.get(size) if forecast is not None else None
    if forecast is not None and of_size is not None:
        for week in range(_WEEKS_AHEAD + 1):
            day = forecasts.day_of(forecast.value, week)
            promised = sum(units for on, units in due.items() if on <= day)
            rows.append((day, *forecasts.expected(of_size, week), promised))
    columns = (
        _day("day", "By"),
        _units("low", "Low"),
        _units("middle", "Expected"),
        _units("high", "High"),
        _units("promised", "Promised"),
    )
    notes = (
        "Low: so many or more nine times in ten; high: one time in ten; between them, four times in five.",
        "All in all from the forecast's day on; plugs that belong to no size yet are in none of it. Forecasts are estimates.",
    )
    made = "" if forecast is None else f" Forecast of {_said(forecast.value.day)}."
    table = Table(title=f"Supply and promises: {name}", columns=columns, rows=rows, notes=notes)
    short = next((row for row in rows if _number(row[4]) > _number(row[1])), None)
    if not rows:
        title = f"There is no forecast of {name} yet."
    elif short is None:
        title = f"{name}: everything promised up to {_said(_date(rows[-1][0]))} is there nine times in ten."
    else:
        there = f"nine times in ten there are {short[1]}, expected {short[2]}"
        title = f"{name}: {short[4]} are promised by {_said(_date(short[0]))}; {there}."
    measures = f"Promise book against forecast, pots in all by that day; the band holds four times in five (80 %).{made}"
    spec = plots.band(title, measures, table, day="day", low="low", middle="middle", high="high", against="promised")
    return _plot(
        "supply", title, measures, "A band of what is expected with its middle, and a line of what is promised.", table, spec
    )


def _date(cell: object) -> date:
    assert isinstance(cell, date)
    return cell


def _maybe(cursor: Cursor, kind: str, key: str, shape: type[Any]) -> Any:
    row = cursor.execute(answers.SQL["card"], {"kind": kind, "key": key}).fetchone()
    card = cards.decode(row[1]) if row is not None else None
    return card if isinstance(card, shape) else None


def kept(cursor: Cursor, asked: Asked) -> Plot:
    """Stated confidence against the share that was kept."""
    report = answers.kept_report(cursor, since=asked.since, until=asked.until, by=["confidence"])
    rows = list[Row]()
    for line in report.lines:
        counted = line.stated == COUNTED
        stated = _COUNTED_AS if counted or line.stated is None else int(line.stated.split()[0])
        label = "counted stock" if counted else f"stated {stated} %"
        rows.append((label, stated / 100, line.share, line.low, line.high, line.lines, line.units, line.units_kept))
    rows.sort(key=lambda row: -_float(row[1]))
    columns = (
        _text("stated_as", "Promised on"), _share("stated", "Stated"), _share("share", "Kept"), _share("low", "Low"),
        _share("high", "High"), _units("lines", "Lines"), _units("units", "Units"), _units("units_kept", "Units kept"),
    )  # fmt: skip
    notes = (f"Low and high: {report.interval}.", f"Kept: {report.counted}.")
    table = Table(title="Stated against kept", columns=columns, rows=rows, notes=notes)
    lines, whole = sum(line.lines for line in report.lines), sum(line.lines_kept for line in report.lines)
    below = [row for row in rows if _float(row[4]) < _float(row[1]) and _float(row[1]) < 1]
    if not lines:
        title = "No promise has fallen due in this period."
    else:
        verdict = (
            f"less than was stated at {', '.join(_percent(_float(row[1])) for row in below)}"
            if below
            else "no less than was stated"
        )
        title = f"{_percent(whole / lines)} of {lines:,} promised lines were kept whole, {verdict}."
    drawn = "with its 95 % interval (dot and line), against what was stated (upright stroke)"
    measures = f"Promise book, share of whole lines kept {drawn}, {_period(asked)}."
    spec = plots.intervals(title, measures, table, label="stated_as", share="share", asked="stated")
    return _plot(
        "kept",
        title,
        measures,
        "A dot for each stated confidence with a line from low to high, and a stroke at what was stated.",
        table,
        spec,
    )


# --- money -------------------------------------------------------------------------------------------------------


def losses(cursor: Cursor, asked: Asked) -> Plot:
    """What losses cost by cause and month."""
    currency = answers.policy_of(cursor).currency
    places = flow.minor_places(currency)
    found = cursor.execute(SQL["lost_by_month"], {"from": asked.since, "to": asked.until, "crop": asked.crop}).fetchall()
    totals: dict[str, int] = defaultdict(int)
    rows = list[Row]()
    for cause, month, units, cost in found:
        totals[_cause(cause)] += flow.minor(cost)
        rows.append((_cause(cause), f"{month:%Y-%m}", units, flow.minor(cost)))
    ordered = sorted(totals, key=lambda cause: -totals[cause])
    columns = (
        _text("cause", "Cause"), _text("month", "Month"), _units("units", "Units"),
        Column(name="cost", heading="Cost", kind="money", unit=currency, places=places),
    )  # fmt: skip
    notes = (
        "Cost: at the moving average in force when each loss was told. Losses within the normal rate are carried by the rest.",
    )
    whole = sum(totals.values())
    table = Table(
        title="Loss in money by cause and month", columns=columns, rows=rows, totals=("Total", None, None, whole), notes=notes
    )
    if ordered and whole > 0:
        first = ordered[0]
        part = f"{_money(totals[first], places)} of it by {first} ({_percent(totals[first] / whole)})"
        title = f"Losses cost {_money(whole, places)} {currency}, {part}."
    else:
        title = "Nothing was lost in this period."
    some = f" The {_MOST_STRIPS} costliest causes." if len(ordered) > _MOST_STRIPS else ""
    measures = f"Plant book at cost, {currency} a month, {_period(asked)}.{some}"
    spec = plots.months_by_part(
        title, measures, table, part="cause", month="month", amount="cost", parts=ordered[:_MOST_STRIPS]
    )
    return _plot("losses", title, measures, "Bars by month, a strip for each cause, all on one scale.", table, spec)


def _cause(cause: str) -> str:
    return cause.replace("-", " ") or "no cause told"


def _money(minor: int, places: int) -> str:
    return f"{round(minor / 10**places):,}"


def value(cursor: Cursor, asked: Asked) -> Plot:
    """What stands, at cost, by stage."""
    found = statements.value(cursor, on=min(asked.until, asked.today), crop=asked.crop)
    worth: dict[str, list[int]] = defaultdict(lambda: [0, 0])
    for line in found.lines:
        worth[line.stage][0] += line.units
        worth[line.stage][1] += line.value
    rows: list[Row] = [(STAGES[stage.value], *worth[stage.value]) for stage in Stage if stage.value in worth]
    columns = (
        _text("stage", "Stage"), _units("units", "Units"),
        Column(name="value", heading="Value", kind="money", unit=found.currency, places=found.places),
    )  # fmt: skip
    notes = (f"{found.basis.capitalize()}. Stock plants are no inventory. Accounting treatment is the accountant's decision.",)
    table = Table(title="Value by stage", columns=columns, rows=rows, totals=("Total", None, found.total), notes=notes)
    if rows and found.total > 0:
        most = max(rows, key=lambda row: _number(row[2]))
        part = f"most of it {str(most[0]).lower()} ({_percent(_number(most[2]) / found.total)})"
        worth_in_all = f"{_money(found.total, found.places)} {found.currency}"
        title = f"Plants worth {worth_in_all} at cost stood on {_said(found.on)}, {part}."
    else:
        title = f"Nothing stood on {_said(found.on)}."
    measures = f"Plant book at moving average cost, {found.currency}."
    spec = plots.bars(title, measures, table, label="stage", amount="value", written=",.0f")
    return _plot("value", title, measures, "A bar for each stage, in the order in which plants come to them.", table, spec)


# --- all of them -------------------------------------------------------------------------------------------------


class Picture(Struct, frozen=True, kw_only=True):
    """A picture that can be asked for. scope: whose key may see it; narrowed_by: what it can be narrowed by."""

    name: str
    heading: str
    scope: str
    draw: Callable[[Cursor, Asked], Plot]
    narrowed_by: tuple[str, ...] = ()


_IN_TIME = ("from", "to", "crop")
PICTURES = {
    picture.name: picture
    for picture in (
        Picture(name="flow", heading="From struck to shipped", scope="read", draw=through, narrowed_by=_IN_TIME),
        Picture(name="supply", heading="Supply and promises", scope="read", draw=supply, narrowed_by=("crop", "size")),
        Picture(name="kept", heading="Stated and kept", scope="read", draw=kept, narrowed_by=("from", "to")),
        Picture(name="rooting", heading="Rooting", scope="read", draw=rooting, narrowed_by=_IN_TIME),
        Picture(name="losses", heading="What losses cost", scope="books", draw=losses, narrowed_by=_IN_TIME),
        Picture(name="ages", heading="Plugs and their time", scope="read", draw=ages, narrowed_by=("crop",)),
        Picture(name="space", heading="Room taken", scope="read", draw=space),
        Picture(name="value", heading="What stands, at cost", scope="books", draw=value, narrowed_by=("to", "crop")),
    )
}


def promised_at_all(cursor: Cursor, limit: int = 2_000) -> list[tuple[str, str]]:
    """Crops and sizes of which anything is promised."""
    return [(row[0], row[1]) for row in cursor.execute(SQL["promised_at_all"], {"limit": limit})]


def as_of(cursor: Cursor) -> int:
    """The position up to which everything that pictures are read from has followed the log."""
    row = cursor.execute(SQL["followed"]).fetchone()
    assert row is not None
    return int(row[0])


def asked_for(
    cursor: Cursor, now: datetime, since: date | None, until: date | None, crop: str | None, size: str | None
) -> Asked:
    """A year up to today, where no period is named."""
    today = desk.day_of(now, answers.policy_of(cursor))
    last = min(until or today, today)
    first = since or last - timedelta(days=364)
    return Asked(since=min(first, last), until=last, today=today, crop=crop, size=size)
