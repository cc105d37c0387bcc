"""Pictures of tables: from rows to a Vega-Lite specification, and from that to SVG, with nothing fetched from anywhere. Pure.

What a picture shows is what its table says: the specification takes its values from the table's rows and makes up none. All
is drawn in ink on white, told apart by shapes, dashes and shades that a black-and-white printer keeps, and by words. It is
made as wide as a phone, so that letters stay readable there; on a desk it is shown larger.
"""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date, datetime
from typing import Any

from msgspec import Struct

from ledger.printing.tables import Cell, Column, Row, Table

Spec = dict[str, Any]

SCHEMA = "https://vega.github.io/schema/vega-lite/v6.json"
VERSION = "6.4"
WIDTH = 380
INK, MIDDLE, PALE, FAINT = "#1a231e", "#68736b", "#b4beb3", "#e3e8df"
#: lines told apart without colour
DASHES = ([1, 0], [6, 3], [2, 2], [9, 3, 2, 3], [14, 4])
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross")
_LETTERS = 44  # to a line of a title
_CONFIG: Spec = {
    "background": "white",
    "font": "sans-serif",
    "padding": 6,
    "title": {
        "anchor": "start",
        "frame": "bounds",
        "fontSize": 15,
        "subtitleFontSize": 13,
        "color": INK,
        "subtitleColor": INK,
        "offset": 10,
    },
    "axis": {"labelFontSize": 13, "labelColor": INK, "gridColor": FAINT},
    "legend": {"labelFontSize": 13, "labelColor": INK, "orient": "bottom", "columns": 2, "symbolSize": 90},
    "header": {"labelFontSize": 13, "titleFontSize": 13, "labelColor": INK, "labelFontWeight": "bold"},
    "view": {"stroke": None},
    "text": {"fontSize": 13, "color": INK},
}  # fmt: skip


class Plot(Struct, frozen=True, kw_only=True):
    """A picture: the sentence that says what it shows, what is measured, what it is for whoever cannot see it, its numbers."""

    name: str
    title: str
    measures: str
    alt: str
    table: Table
    spec: Spec


def as_svg(plot: Plot) -> str:
    """The picture. The library is slow to load: whoever asks for none does not wait for it."""
    import vl_convert  # noqa: PLC0415

    svg: str = vl_convert.vegalite_to_svg(plot.spec, vl_version=VERSION, allowed_base_urls=[])
    return svg


def values(table: Table) -> list[dict[str, Any]]:
    """The rows of a table as a specification takes them: money in whole units of the currency, days as text."""
    return [
        {column.name: _value(cell, column) for column, cell in zip(table.columns, row, strict=True)} for row in _rows(table)
    ]


def _rows(table: Table) -> Iterable[Row]:
    return table.rows


def _value(cell: Cell, column: Column) -> Any:
    match cell:
        case date() | datetime():
            return cell.isoformat()
        case int() if column.kind == "money":
            return cell / 10**column.places
        case _:
            return cell


def _framed(title: str, measures: str, rows: Sequence[dict[str, Any]], height: int | None, body: Spec) -> Spec:
    heading = {"text": textwrap.wrap(title, _LETTERS), "subtitle": textwrap.wrap(measures, _LETTERS + 6)}
    sized: Spec = (
        {} if height is None else {"width": WIDTH, "height": height, "autosize": {"type": "fit", "contains": "padding"}}
    )
    return {"$schema": SCHEMA, "config": _CONFIG, "title": heading, "data": {"values": list(rows)}, **sized, **body}


def _x(field: str, kind: str, title: str | None, **more: Any) -> Spec:
    return {"field": field, "type": kind, "title": title, **more}


_PERCENT = {"format": ".0%", "tickCount": 5, "labelOverlap": True}
_KEY = {"title": None, "symbolStrokeColor": INK, "symbolStrokeWidth": 1.5}


# --- the kinds of pictures ---------------------------------------------------------------------------------------


def intervals(title: str, measures: str, table: Table, *, label: str, share: str, asked: str | None = None) -> Spec:
    """A dot for each row's share, with a line from `low` to `high`; asked: a share to hold it against, drawn as a stroke."""
    rows = values(table)
    y = _x(label, "nominal", None, sort=None, axis={"labelLimit": 150})
    least = min((float(row[name]) for row in rows for name in ("low", asked or "low")), default=0.0)
    domain = {"domain": [0.5 if least >= 0.5 else 0, 1], "nice": False}  # noqa: PLR2004 - no need to show an empty half

    def x(field: str) -> Spec:
        return _x(field, "quantitative", None, scale=domain, axis=_PERCENT)

    layers: list[Spec] = [
        {"mark": {"type": "rule", "color": INK, "strokeWidth": 2}, "encoding": {"x": x("low"), "x2": {"field": "high"}}},
        {"mark": {"type": "point", "filled": True, "color": INK, "size": 80, "opacity": 1}, "encoding": {"x": x(share)}},
    ]
    if asked is not None:
        mark = {"type": "tick", "color": INK, "thickness": 3, "size": 24}
        layers.append({"mark": mark, "encoding": {"x": x(asked)}})
    return _framed(title, measures, rows, _tall(len(rows)), {"encoding": {"y": y}, "layer": layers})


def _tall(rows: int, each: int = 24) -> int:
    return 150 + each * max(rows, 1)


def bars(title: str, measures: str, table: Table, *, label: str, amount: str, written: str) -> Spec:
    """A bar for each row, in the rows' order, its amount written at its end as `written` formats it (d3-format)."""
    rows = values(table)
    y = _x(label, "nominal", None, sort=None, axis={"labelLimit": 150})
    widest = max((float(row[amount]) for row in rows), default=1.0)
    room = {"domain": [min(0.0, *(float(row[amount]) for row in rows), 0.0), widest * 1.25 or 1.0], "nice": False}
    x = _x(amount, "quantitative", None, axis={"tickCount": 4, "format": written}, scale=room)
    text = {"mark": {"type": "text", "align": "left", "dx": 4}, "encoding": {"text": {"field": amount, "format": written}}}
    bar = {"mark": {"type": "bar", "color": MIDDLE, "stroke": INK}}
    return _framed(title, measures, rows, _tall(len(rows), 30), {"encoding": {"y": y, "x": x}, "layer": [bar, text]})


def months_by_part(
    title: str, measures: str, table: Table, *, part: str, month: str, amount: str, parts: Sequence[str]
) -> Spec:
    """Bars by month, a strip for each part, all strips on one scale: told apart by their place, not by a colour."""
    rows = [row for row in values(table) if row[part] in parts]
    x = _x(month, "ordinal", None, axis={"labelAngle": -90, "labelOverlap": True})
    y = _x(amount, "quantitative", None, axis={"tickCount": 3})
    facet = {
        "field": part,
        "type": "nominal",
        "title": None,
        "sort": list(parts),
        "header": {"labelAnchor": "start", "labelOrient": "top", "labelPadding": 2},
    }
    strip = {
        "width": WIDTH - 60,
        "height": 50,
        "mark": {"type": "bar", "color": MIDDLE, "stroke": INK},
        "encoding": {"x": x, "y": y},
    }
    return _framed(title, measures, rows, None, {"facet": {"row": facet}, "spec": strip, "spacing": 8})


def band(title: str, measures: str, table: Table, *, day: str, low: str, middle: str, high: str, against: str) -> Spec:
    """What is expected as a band with its middle, and as steps what it is held against. `against` must be a column's name."""
    names = {column.name: column.heading for column in table.columns}
    rows = values(table)
    x = _x(day, "temporal", None, axis={"format": "%-d %b", "tickCount": 6, "labelOverlap": True})
    strokes = [names[middle], names[against]]

    def line(field: str, name: str) -> Spec:
        key = {"datum": name, "type": "nominal"}
        scale = {"domain": strokes, "range": [DASHES[1], DASHES[0]]}
        widths = {"domain": strokes, "range": [1.5, 3]}
        legend = {"title": None}
        return {
            "mark": {"type": "line", "color": INK, "interpolate": "step-after"},
            "encoding": {
                "y": _x(field, "quantitative", None),
                "strokeDash": {**key, "scale": scale, "legend": legend},
                "strokeWidth": {**key, "scale": widths, "legend": legend},
            },
        }

    shade = {
        "mark": {"type": "area", "color": PALE, "interpolate": "step-after", "opacity": 0.7},
        "encoding": {"y": _x(low, "quantitative", None, axis={"tickCount": 5}), "y2": {"field": high}},
    }
    layers = [shade, line(middle, names[middle]), line(against, names[against])]
    return _framed(title, measures, rows, 330, {"encoding": {"x": x}, "layer": layers})


def lines(title: str, measures: str, table: Table, *, day: str, share: str, series: str, parts: Sequence[str]) -> Spec:
    """A line for each part of a series, told apart by dashes and by the shape of a few points on it."""
    rows = values(table)
    every = max(1, len({row[day] for row in rows}) // 6)
    days = sorted({row[day] for row in rows})[::-1][::every]
    x = _x(day, "temporal", None, axis={"format": "%-d %b", "tickCount": 6, "labelOverlap": True})
    y = _x(share, "quantitative", None, axis=_PERCENT, scale={"zero": True})
    of_series = {"field": series, "type": "nominal"}
    dashes = {"domain": list(parts), "range": list(DASHES[: len(parts)])}
    shapes = {"domain": list(parts), "range": list(SHAPES[: len(parts)])}
    layers = [
        {
            "mark": {"type": "line", "color": INK, "strokeWidth": 2},
            "encoding": {"strokeDash": {**of_series, "scale": dashes, "legend": _KEY}},
        },
        {
            "data": {"values": [row for row in rows if row[day] in days]},
            "mark": {"type": "point", "stroke": INK, "fill": "white", "size": 70, "opacity": 1},
            "encoding": {
                "shape": {**of_series, "scale": shapes, "legend": _KEY},
                "stroke": {**of_series, "scale": {"domain": list(parts), "range": [INK] * len(parts)}, "legend": _KEY},
            },
        },
    ]
    return _framed(title, measures, rows, 330, {"encoding": {"x": x, "y": y}, "layer": layers})


def against_limit(
    title: str, measures: str, table: Table, *, label: str, share: str, units: str, over: str, parts: tuple[str, str]
) -> Spec:
    """A mark for each row at its share of a limit, as large as its units; past the limit of another shape, and filled."""
    rows = [row for row in values(table) if row[share] is not None]
    y = _x(label, "nominal", None, sort=None, axis={"labelLimit": 150})
    x = _x(share, "quantitative", None, axis=_PERCENT, scale={"zero": True})
    size = {"field": units, "type": "quantitative", "legend": None, "scale": {"range": [30, 400]}}
    domain = {"domain": list(parts)}
    key = {"field": over, "type": "nominal", "legend": _KEY}
    marks = {
        "mark": {"type": "point", "stroke": INK, "opacity": 1, "strokeWidth": 1.5},
        "encoding": {
            "x": x,
            "y": y,
            "size": size,
            "shape": {**key, "scale": {**domain, "range": ["circle", "triangle-up"]}},
            "fill": {**key, "scale": {**domain, "range": ["white", MIDDLE]}},
            "stroke": {**key, "scale": {**domain, "range": [INK, INK]}},
        },
    }
    limit = {"mark": {"type": "rule", "color": INK, "strokeDash": DASHES[1], "strokeWidth": 2}, "encoding": {"x": {"datum": 1}}}
    height = _tall(len({row[label] for row in rows}))
    return _framed(title, measures, rows, height, {"layer": [limit, marks]})


# --- the flow ----------------------------------------------------------------------------------------------------

_BEND = (0.0, 0.1, 0.25, 0.4, 0.5, 0.6, 0.75, 0.9, 1.0)


class Through(Struct, frozen=True, kw_only=True):
    """A stage of a flow: had when it began, came in, went on to the next stage, lost, stands at the end."""

    stage: str
    had: int
    came: int
    went_on: int
    lost: int
    stands: int


def flow(title: str, measures: str, table: Table, stages: Sequence[Through]) -> Spec:
    """Bands from stage to stage, as thick as they are many; what is lost peels off downwards, what still stands stays above.

    The rows of the table are those of `stages`; the last stage is only come to.
    """
    tallest = max((max(of.had + of.came, of.went_on + of.lost + of.stands) for of in stages), default=1) or 1
    gap, bands, notes, nodes = tallest * 0.12, list[Spec](), list[Spec](), list[Spec]()
    for at, (stage, following) in enumerate(zip(stages, [*stages[1:], None], strict=True)):
        bottom, top = 0.0, float(max(stage.had + stage.came, stage.went_on + stage.lost + stage.stands))
        nodes.append({"x": at, "y": bottom, "y2": top})
        notes += [
            {"x": at, "y": top + gap * 0.55, "text": stage.stage},
            {"x": at, "y": top + gap * 0.1, "text": f"{stage.came:,}"},
        ]
        if stage.lost:
            bands += _bend(f"lost {at}", "lost", at, (bottom, bottom + stage.lost), at + 0.62, -gap)
            notes.append({"x": at + 0.12, "y": -gap * 1.6, "text": f"{stage.lost:,} lost"})
        if following is not None and stage.went_on:
            low = bottom + stage.lost
            bands += _bend(f"on {at}", "on", at, (low, low + stage.went_on), at + 1.0, 0.0, until=float(following.came))
        if stage.stands:
            low = bottom + stage.lost + stage.went_on
            bands += _bend(f"stands {at}", "stands", at, (low, low + stage.stands), at + 0.3, low)
    kinds = {"domain": ["on", "lost", "stands"], "range": [PALE, INK, "white"]}
    x = _x("x", "quantitative", None, axis=None, scale={"domain": [-0.08, max(len(stages) - 1, 1) + 0.3], "nice": False})
    y = _x("y", "quantitative", None, axis=None, scale={"domain": [-gap * 1.7, tallest + gap * 1.3], "nice": False})
    areas = {
        "data": {"values": bands},
        "mark": {"type": "area", "stroke": INK, "strokeWidth": 0.6, "interpolate": "monotone"},
        "encoding": {
            "x": x,
            "y": y,
            "y2": {"field": "y2"},
            "detail": {"field": "band"},
            "fill": {"field": "kind", "type": "nominal", "scale": kinds, "legend": None},
        },
    }  # fmt: skip
    words = {
        "data": {"values": notes},
        "mark": {"type": "text", "align": "left", "baseline": "bottom", "fontSize": 13},
        "encoding": {"x": x, "y": y, "text": {"field": "text"}},
    }
    posts = {
        "data": {"values": nodes},
        "mark": {"type": "rule", "color": INK, "strokeWidth": 4},
        "encoding": {"x": x, "y": y, "y2": {"field": "y2"}},
    }
    return _framed(title, measures, values(table), 360, {"layer": [areas, posts, words]})


def _bend(
    name: str, kind: str, at: float, span: tuple[float, float], to: float, low: float, until: float | None = None
) -> list[Spec]:
    """A band from one height to another, bending in between; until: its thickness at the end, where that differs."""
    bottom, top = span
    thick_from, thick_to = top - bottom, top - bottom if until is None else until
    found = []
    for part in _BEND:
        eased = part * part * (3 - 2 * part)
        y = bottom + (low - bottom) * eased
        thick = thick_from + (thick_to - thick_from) * eased
        found.append({"band": name, "kind": kind, "x": at + (to - at) * part, "y": y, "y2": y + thick})
    return found
