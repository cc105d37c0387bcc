"""The referee: works out the whole plant book from what people told, then holds the recorded movements against it.

Owns its own reading of what every entry means, in plain Python. It must import nothing from `ledger` or `api`: two
programs that share no code seldom make the same mistake.

The meaning of a log, and all of it: drop what was reversed, sort by (occurred_at, position), play it through; a movement
moves, a count sets. The pen works the other way round, entry by entry as they arrive, and must end in the same place.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, datetime
from itertools import pairwise
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

Fact = dict[str, Any]

HERE = "{batch}/{stage}/{place}"
POTTING = [
    (HERE, "converted", "used"),
    ("converted", "{into}/potted/{to}", "pots"),
    (HERE, "loss/handling", "casualties"),
]
#: what each type of entry moves: from where, to where, and the field that says how many
STEPS: dict[str, list[tuple[str, str, str]]] = {
    "opened": [("opening", HERE, "units")],
    "bought-in": [("bought-in", HERE, "units")],
    "gathered": [("stock-plant", "{batch}/gathered/{place}", "cuttings")],
    "struck": [("{batch}/gathered/{gathered_at}", "converted", "cuttings"), ("converted", "{batch}/struck/{place}", "cells")],
    "rooted": [
        ("{batch}/struck/{place}", "{batch}/rooted/{to}", "usable"),
        ("{batch}/struck/{place}", "loss/did-not-root", "failed"),
    ],
    "potted": POTTING,
    "potted-up": POTTING,
    "graded": [
        ("{batch}/potted/{place}", "{batch}/finished/{to}", "finished"),
        ("{batch}/potted/{place}", "{batch}/seconds/{to}", "seconds"),
        ("{batch}/potted/{place}", "loss/graded-out", "culled"),
    ],
    "set-back": [("{batch}/finished/{place}", "{batch}/potted/{to}", "units")],
    "moved": [(HERE, "{batch}/{stage}/{to}", "units")],
    "merged": [(HERE, "{into}/{stage}/{to}", "units")],
    "renamed": [(HERE, "{into}/{stage}/{place}", "units")],
    "lost": [(HERE, "loss/{cause}", "units")],
    "picked": [("{batch}/finished/{place}", "{batch}/picked/{to}", "units")],
    "put-back": [("{batch}/picked/{place}", "{batch}/finished/{to}", "units")],
    "shipped": [("{batch}/picked/{place}", "shipped", "units")],
    "sold-here": [(HERE, "shipped", "units")],
    "given-out": [(HERE, "given-out", "units")],
    "planted-as-stock": [(HERE, "planted-as-stock", "units")],
}
UNIT_OF_STAGE = {"stock": "stock-plant", "gathered": "cutting", "struck": "cell", "rooted": "cell"}
DEFAULT_STAGE = {"potted": "rooted", "potted-up": "finished", "sold-here": "finished"}


class Line(NamedTuple):
    """One movement of plants at one moment; `order` for picked plants only."""

    at: datetime
    source: str
    target: str
    unit: str
    units: int
    order: str | None


@dataclass(frozen=True, kw_only=True)
class Audit:
    """The book at the end of a log, from told facts alone."""

    #: (account, unit): standing and outside ones
    balance: Counter[tuple[str, str]] = field(default_factory=Counter)
    #: (account of picked plants, order)
    picked: Counter[tuple[str, str | None]] = field(default_factory=Counter)
    #: id of a count: units seen less the units in the book just before
    differences: Counter[str] = field(default_factory=Counter)
    #: (crop, size, stage, cause)
    losses: Counter[tuple[str, str | None, str, str]] = field(default_factory=Counter)
    #: by order; None for sales at the nursery
    shipped: Counter[str | None] = field(default_factory=Counter)
    #: batch, its parents (batches or stock plants), and the units that each gave
    parents: defaultdict[str, Counter[str]] = field(default_factory=lambda: defaultdict(Counter))
    #: the moments at which an account was below zero, in words
    overdrawn: list[str] = field(default_factory=list)
    lines: list[Line] = field(default_factory=list)

    def standing(self) -> dict[tuple[str, str], int]:
        """What stands where: units by (account, unit), without outside accounts and zeros."""
        return {(account, unit): units for (account, unit), units in self.balance.items() if is_standing(account) and units}


def is_standing(account: str) -> bool:
    """`batch/stage/place` has three parts; `shipped` and `loss/rot` have fewer."""
    return account.count("/") == 2


def moment(text: str) -> datetime:
    """A time as it stands in a log."""
    return datetime.fromisoformat(text)


def flat(row: Fact) -> Fact:
    """An exported row with what was told beside its position and movements."""
    return {**{name: value for name, value in row.items() if name != "told"}, **row.get("told", {})}


def told(log: list[Fact]) -> Audit:
    """The book that follows from the told facts alone; the recorded movements are not looked at."""
    names = Names(log)
    book = Audit()
    undone = {fact["entry"] for fact in log if fact["type"] == "reversed"}
    kept = [fact for fact in log if fact["type"] != "reversed" and fact["id"] not in undone]
    for fact in sorted(kept, key=lambda fact: (moment(fact["occurred_at"]), fact["position"])):
        for child, parent, units in _parentage(fact):
            book.parents[child][parent] += units
        lines = [line for line in _lines(fact, names, book) if line.units]
        for line in lines:
            _move(book, line, names)
        for line in lines:
            if is_standing(line.source) and (left := book.balance[line.source, line.unit]) < 0:
                book.overdrawn.append(f"{line.source} stands at {left} {line.unit} after entry {fact['position']} at {line.at}")
    for (account, order), units in book.picked.items():
        if "/picked/" in account and units < 0:  # an order is no account: it is held to this at the end, not at every moment
            book.overdrawn.append(f"{account} stands at {units} for order {order} at the end")
    return book


class Names:
    """Which crop and size each batch or stock plant is: a matter of naming, read off in the order of telling."""

    def __init__(self, log: list[Fact]) -> None:
        self.crop: dict[str, str] = {}
        self.size: dict[str, str | None] = {}
        for fact in log:
            if "crop" in fact and fact["type"] in ("opened", "bought-in", "gathered", "struck"):
                self._learn(fact["batch"], fact["crop"], fact.get("size"))
            elif fact["type"] == "stock-set":
                self._learn(fact["stock_plant"], fact["crop"], None)
            elif "into" in fact:
                parent = fact["sources"][0]["batch"] if fact["type"] == "merged" else fact["batch"]
                self._learn(fact["into"], fact.get("crop", self.crop[parent]), fact.get("size", self.size[parent]))

    def _learn(self, holder: str, crop: str, size: str | None) -> None:
        self.crop.setdefault(holder, crop)
        self.size.setdefault(holder, size)

    def unit(self, account: str) -> str:
        holder, stage, _ = account.split("/")
        return UNIT_OF_STAGE.get(stage) or f"pot:{self.size[holder]}"


def _move(book: Audit, line: Line, names: Names) -> None:
    book.lines.append(line)
    book.balance[line.source, line.unit] -= line.units
    book.balance[line.target, line.unit] += line.units
    book.picked[line.source, line.order] -= line.units
    book.picked[line.target, line.order] += line.units
    if line.target == "shipped":
        book.shipped[line.order] += line.units
    if line.target.startswith("loss/"):
        holder, stage, _ = line.source.split("/")
        book.losses[names.crop[holder], names.size[holder], stage, line.target.removeprefix("loss/")] += line.units


def _lines(fact: Fact, names: Names, book: Audit) -> Iterator[Line]:
    """What one fact moves, where the book stands as it does just before. A line of no units says nothing."""
    at, order = moment(fact["occurred_at"]), fact.get("order")
    if fact["type"] == "counted" and fact["method"] in ("count", "blind-count"):
        here = HERE.format_map(fact)
        unit = names.unit(here)
        difference = book.differences[fact["id"]] = fact["units"] - book.balance[here, unit]
        yield Line(at, "count-difference", here, unit, max(difference, 0), None)
        yield Line(at, here, "count-difference", unit, max(-difference, 0), None)
    elif fact["type"] == "stock-set":
        here = "{stock_plant}/stock/{place}".format_map(fact)
        places = _stock_places(book, fact["stock_plant"])
        yield from (Line(at, place, here, "stock-plant", units, None) for place, units in places.items() if place != here)
        yield Line(at, fact["source"], here, "stock-plant", fact["units"] - sum(places.values()), None)
    elif fact["type"] == "stock-removed":
        (here,) = _stock_places(book, fact["stock_plant"]) or ["nowhere/stock/known"]
        yield Line(at, here, "loss/" + fact["cause"], "stock-plant", fact["units"], None)
    elif fact["type"] == "struck" and fact.get("stock_plants"):
        yield Line(at, "stock-plant", "converted", "cutting", fact["cuttings"], None)
        yield Line(at, "converted", f"{fact['batch']}/struck/{fact['place']}", "cell", fact["cells"], None)
    else:
        for part in _parts(fact):
            for leaving, coming, how_many in STEPS.get(fact["type"], []):
                source, target = leaving.format_map(part), coming.format_map(part)
                unit = names.unit(source if is_standing(source) else target)
                yield Line(at, source, target, unit, part.get(how_many, 0), order)


def _stock_places(book: Audit, code: str) -> dict[str, int]:
    """Where the stock plants under one code stand."""
    return {place: units for (place, _), units in book.balance.items() if units and place.startswith(f"{code}/stock/")}


def _parts(fact: Fact) -> list[Fact]:
    """One fact for each batch that an entry takes from, with what it leaves unsaid filled in."""
    whole = {"stage": DEFAULT_STAGE.get(fact["type"]), **fact}
    match fact["type"]:
        case "merged":
            return [{**whole, "to": fact["place"], **part} for part in fact["sources"]]
        case "shipped":
            return [{**whole, **line} for line in fact["lines"]]
        case "gathered":
            return [{**whole, "cuttings": sum(part["cuttings"] for part in fact["stock_plants"])}]
        case "potted" | "potted-up":
            return [{**whole, "used": fact.get("per_pot", 1) * fact["pots"]}]
        case _:
            return [whole]


def _parentage(fact: Fact) -> Iterator[tuple[str, str, int]]:
    """(batch, parent, units given) of a fact that makes a batch out of stock plants or other batches."""
    if fact["type"] in ("gathered", "struck"):
        yield from ((fact["batch"], part["stock_plant"], part["cuttings"]) for part in fact.get("stock_plants", []))
    elif "into" in fact:
        yield from ((fact["into"], part["batch"], part["used"] if "used" in part else part["units"]) for part in _parts(fact))


def audit(log: list[Fact]) -> tuple[Audit, list[str]]:
    """The book from the told facts, and everything in which the recorded log does not tie to it (empty: all ties)."""
    log = [flat(row) for row in log]
    book = told(log)
    findings = [*book.overdrawn, *_order_of_the_log(log), *_reversals(log)]
    malformed = [finding for fact in log for move in fact.get("moves", []) for finding in _malformed(fact, move)]
    if malformed:
        return book, findings + malformed
    net = _net(recorded_lines(log))
    total: Counter[str] = Counter()
    for (_, _, unit, _), units in net.items():
        total[unit] += units
    findings += [f"all accounts of {unit} together are {units}, not 0" for unit, units in total.items() if units]
    expected = _net(book.lines)
    for key in sorted((key for key in expected.keys() | net.keys() if expected[key] != net[key]), key=str):
        findings.append(f"{key[1]} at {key[0]} order {key[3]}: told {expected[key]:+d} {key[2]}, recorded {net[key]:+d}")
    return book, [*findings, *_differences(book, log)]


def recorded_lines(log: list[Fact]) -> Iterator[Line]:
    """The movements that the pen wrote."""
    for fact in log:
        for move in fact.get("moves", []):
            at = moment(move.get("at", fact["occurred_at"]))
            yield Line(at, move["from"], move["to"], move["unit"], move["units"], move.get("order"))


def _net(lines: Iterable[Line]) -> Counter[tuple[datetime, str, str, str | None]]:
    """The change of every account at every moment: where these are equal, all balances of all times are."""
    net: Counter[tuple[datetime, str, str, str | None]] = Counter()
    for line in lines:
        net[line.at, line.source, line.unit, line.order] -= line.units
        net[line.at, line.target, line.unit, line.order] += line.units
    return net


def _order_of_the_log(log: list[Fact]) -> Iterator[str]:
    for expected, fact in enumerate(log, start=1):
        if fact["position"] != expected:
            yield f"position {fact['position']} stands where {expected} should: positions are dense from 1"
    for before, after in pairwise(log):
        if moment(after["recorded_at"]) < moment(before["recorded_at"]):
            yield f"entry {after['position']} was recorded before entry {before['position']}"
    yield from (f"{entry} was recorded {n} times" for entry, n in Counter(fact["id"] for fact in log).items() if n > 1)


def _reversals(log: list[Fact]) -> Iterator[str]:
    types: dict[str, str] = {}
    undone: set[str] = set()
    for fact in log:
        if fact["type"] == "reversed":
            if types.get(fact["entry"], "reversed") == "reversed" or fact["entry"] in undone:
                yield f"entry {fact['position']} reverses what was never told, is a reversal, or was reversed before"
            undone.add(fact["entry"])
        types[fact["id"]] = fact["type"]


def _malformed(fact: Fact, move: Fact) -> Iterator[str]:
    if type(move["units"]) is not int or move["units"] <= 0:
        yield f"entry {fact['position']} moves {move['units']!r}: a movement is a positive whole number"
    if not move["from"] or not move["to"] or move["from"] == move["to"]:
        yield f"entry {fact['position']} has a movement without two sides"


def _differences(book: Audit, log: list[Fact]) -> Iterator[str]:
    """The net difference of every count, from the movements that name it, against the one that the told facts give."""
    recorded: Counter[str] = Counter()
    for fact in log:
        own = fact["entry"] if fact["type"] == "reversed" else fact["id"]
        for move in fact.get("moves", []):
            if move["from"] == "count-difference":
                recorded[move.get("count", own)] += move["units"]
            elif move["to"] == "count-difference":
                recorded[move.get("count", own)] -= move["units"]
    for count in sorted(recorded.keys() | book.differences.keys()):
        if recorded[count] != book.differences[count]:
            yield f"count {count}: told a difference of {book.differences[count]:+d}, recorded {recorded[count]:+d}"


def bookings(log: list[Fact], zone: str) -> Iterator[str]:
    """Wherever the books count an entry or a movement on another day than its own, or the first open one if that is closed.

    log: flat rows in the order of positions. zone: the nursery's time zone, if it never had another.
    """
    first_open = date.min
    before: dict[str, tuple[date, date]] = {}  # by id: where the books count an entry, and when it happened
    for fact in log:
        happened = _day(fact["occurred_at"], zone)
        counted = max(happened, first_open)
        before[fact["id"]] = (counted, happened)
        yield from _booked(fact, fact, counted, happened)
        for move in fact.get("moves", []):
            if "at" not in move:
                continue
            day, true = before[fact["entry"]] if fact["type"] == "reversed" else (_day(move["at"], zone),) * 2
            yield from _booked(fact, move, max(day, first_open), true)
        if fact["type"] == "period-closed":
            year, month = map(int, fact["period"].split("-"))
            first_open = date(year + month // 12, month % 12 + 1, 1)


def _day(at: str, zone: str) -> date:
    return moment(at).astimezone(ZoneInfo(zone)).date()


def _booked(fact: Fact, row: Fact, counted: date, happened: date) -> Iterator[str]:
    said = (row["booked_on"], row.get("happened_on", row["booked_on"]))
    if said != (counted.isoformat(), happened.isoformat()):
        yield f"entry {fact['position']} is counted on {said[0]} for {said[1]}: told {counted} for {happened}"
