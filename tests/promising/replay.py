"""The checker of the storms: replays a log in ledger order in plain Python and decides every basket again, by itself.

Knows the log as JSON and nothing of the product: no card, no fold, no rule of it. What stands is folded from scratch out
of the told facts in the order in which they occurred; the buffer is computed in fractions; pots come from the
beta-binomial, summed; a promise is what was granted less what was picked. A fault is a sentence; a sound log has none.
"""

from __future__ import annotations

import math
from bisect import bisect_right, insort
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from datetime import date, datetime, timedelta
from fractions import Fraction
from functools import cached_property, lru_cache
from itertools import accumulate
from typing import Any, NamedTuple, TypeVar

import numpy as np
from scipy.special import betaln, gammaln

Fact = dict[str, Any]
Figure = TypeVar("Figure")
Shelf = tuple[str, str]
Name = tuple[str, int]  # (promise, line)

#: the policy's values where no entry says otherwise
DEFAULTS = {
    "buffer_z_per_mille": 1280,
    "buffer_share_per_mille": 20,
    "buffer_drift_per_mille": 15,
    "most_held_units": 500,
    "potting_weekday": 2,
    "forecast_hours": 36,
    "forecast_lag_minutes": 15,
}
#: published curves are of 10, 50, 80, 90, 95 and 99 %; promises are made at 90
AT = 3
POTTING_WEEKS = 26
ONE_DAY = timedelta(days=1)


class Attempt(NamedTuple):
    """A basket, or a late confirmation of one, that was refused: decided when so many entries were written."""

    position: int
    client: str
    told: Fact
    code: str
    lines: list[Fact]


class Potting(NamedTuple):
    """Pots that a grant asks for."""

    on: date
    units: int
    pots: int
    plugs: int


class Given(NamedTuple):
    """What a line ought to get."""

    line: int
    units: int
    promisable: int
    due: date
    potting: Potting | None


@dataclass
class Line:
    """A granted line of a promise. `pooled`: so many of it rest on potting on the day `potting_on`."""

    shelf: Shelf
    due: date
    position: int
    name: Name
    open: int = 0
    picked: int = 0
    pooled: int = 0
    potting_on: date | None = None
    #: units that were open when the hold ran out, and what else its buyer would take
    lapsed: int = 0
    part: bool = False
    later: bool = False


@dataclass
class Promise:
    order: str
    client: str
    expires_at: datetime
    state: str
    lines: dict[int, Line]
    all_or_none: bool = True


@dataclass
class Batch:
    """Plants of one batch by stage: (occurred, position, sets the balance, units), and what keeps them from sale."""

    crop: str
    size: str
    facts: dict[str, list[tuple[datetime, int, bool, int]]] = field(default_factory=lambda: defaultdict(list))
    holds: dict[str, int] = field(default_factory=dict)
    stops: set[str] = field(default_factory=set)
    standing: dict[str, int] = field(default_factory=lambda: defaultdict(int))

    def tell(self, stage: str, fact: tuple[datetime, int, bool, int]) -> None:
        """A count sets what stands from its moment on; everything else adds or takes. A late fact is read at its place."""
        facts = self.facts[stage]
        late = bool(facts) and fact < facts[-1]
        insort(facts, fact)
        units = 0 if late else self.standing[stage]
        for _, _, sets, number in facts if late else [fact]:
            units = number if sets else units + number
        self.standing[stage] = units

    def stands(self, stage: str) -> int:
        return self.standing[stage]

    def counted_at(self) -> datetime:
        """When the finished ones were counted last, or since when they stand."""
        facts = self.facts["finished"]
        return next((at for at, _, sets, _ in reversed(facts) if sets), facts[0][0])

    def counted_on(self) -> int:
        """Units that a forecast may count on."""
        if self.stops:
            return 0
        if not self.size:
            return self.stands("rooted")
        return max(0, self.stands("finished") + self.stands("potted") - sum(self.holds.values()))

    def seen(self) -> tuple[Any, ...]:
        """What a forecast looks at: if it is another, the crop waits for a new one."""
        units = [self.stands(stage) for stage in ("rooted", "potted", "finished")]
        if not any(units):
            return ()
        return (*units, sum(self.holds.values()), bool(self.stops), self.counted_at() if units[2] else None)


@dataclass
class Ask:
    """What is asked to be potted in a size on a day; `lines`: for so many units of each."""

    pots: int = 0
    plugs: int = 0
    potted: int = 0
    answered: int = 0
    #: potted already when the list was issued
    before: int = 0
    lines: dict[Name, int] = field(default_factory=dict)

    @property
    def open(self) -> int:
        return 0 if self.answered else max(0, self.pots - self.potted)

    @property
    def reserved(self) -> int:
        return math.ceil(Fraction(self.plugs * self.open, self.pots)) if self.open else 0


@dataclass
class Owed:
    """What is promised of a shelf by day, what of it a forecast does not know to be potted, and the potting asked for."""

    due: dict[date, int] = field(default_factory=lambda: defaultdict(int))
    #: (due, units, position)
    pooled: dict[Name, tuple[date, int, int]] = field(default_factory=dict)
    asks: dict[date, Ask] = field(default_factory=dict)

    def copy(self) -> Owed:
        """To try something on."""
        asks = {day: replace(ask, lines=dict(ask.lines)) for day, ask in self.asks.items()}
        return Owed(defaultdict(int, self.due), dict(self.pooled), asks)


@dataclass
class Forecast:
    """The last one of a crop, and since when something has changed that it does not know."""

    at: datetime
    value: Fact
    day: date

    def week(self, day: date) -> int:
        return (day - self.day).days // 7

    def curve(self, steps: list[list[int]], day: date) -> int:
        """What a step curve says of a day."""
        return next((int(units) for week, units in reversed(steps) if week <= self.week(day)), 0)


def good(units: int, pots: int, a: float, b: float) -> float:
    """The chance that so many of some pots are good, at least: the beta-binomial, summed."""
    k = np.arange(units, pots + 1)
    ways = gammaln(pots + 1) - gammaln(k + 1) - gammaln(pots - k + 1)
    return float(np.exp(ways + betaln(k + a, pots - k + b) - betaln(a, b)).sum())


@lru_cache(maxsize=100_000)
def pots_for(mean: int, strength: int, units: int) -> int:
    """The fewest pots of which so many are good with 90 %; past any number where there are none such."""
    a = mean / 10_000 * strength
    low, high = units, 4 * units + 20
    if good(units, high, a, strength - a) < 0.9 - 1e-9:
        return 10**9
    while low < high:
        pots = (low + high) // 2
        low, high = (low, pots) if good(units, pots, a, strength - a) >= 0.9 - 1e-9 else (pots + 1, high)
    return low


def _as_long_as_nothing_moves(figure: Callable[[Replay, Shelf], Figure]) -> Callable[[Replay, Shelf], Figure]:
    """Look at the batches of a shelf again only after an entry that is not about promises: those move no plants."""

    def kept(book: Replay, shelf: Shelf) -> Figure:
        name = (figure.__name__, shelf)
        if name not in book.kept:
            book.kept[name] = figure(book, shelf)
        found: Figure = book.kept[name]
        return found

    return kept


class Replay:
    """The book as a plain reading of the log has it, up to some position."""

    def __init__(self) -> None:
        self.policy = dict(DEFAULTS)
        self.batches: dict[str, Batch] = {}
        self.on_shelf: dict[Shelf, list[str]] = defaultdict(list)
        self.crop_stops: dict[str, set[str]] = defaultdict(set)
        self.forecasts: dict[str, Forecast] = {}
        self.waiting: dict[str, datetime] = {}
        self.changed: dict[str, int] = {}
        self.sizes: dict[str, list[str]] = {}
        self.issued = date.min
        self.promises: dict[str, Promise] = {}
        self.owed: dict[Shelf, Owed] = defaultdict(Owed)
        self.orders: dict[str, list[Promise]] = defaultdict(list)
        self.beyond: dict[tuple[str, Shelf], int] = defaultdict(int)
        self.held: dict[str, dict[str, int]] = defaultdict(dict)
        #: what `_as_long_as_nothing_moves` keeps
        self.kept: dict[tuple[str, Shelf], Any] = {}
        self.faults: list[str] = []
        self.granted = 0
        self.beyond_counted = 0
        self.from_pool = 0
        self.decided_again = 0
        self.late = 0
        self.moved_to_pool = 0

    # --- what is free ---------------------------------------------------------------------------------------------

    def counted(self, shelf: Shelf, now: datetime) -> tuple[int, int]:
        """Finished, neither stopped nor held; and the buffer: the smallest whole number not below z sigma."""
        free, counted_at = self.stands(shelf)
        if counted_at is None or self.crop_stops[shelf[0]]:
            return 0, 0
        age = now - counted_at
        weeks = max(Fraction(0), Fraction(age // timedelta(microseconds=1), 7 * 86_400 * 10**6))
        z, share, drift = (Fraction(self.policy[f"buffer_{name}_per_mille"], 1000) for name in ("z", "share", "drift"))
        squared = z**2 * ((share * free) ** 2 + (drift * free) ** 2 * weeks + 1)
        buffer = math.isqrt(math.ceil(squared) - 1) + 1 if squared else 0
        return free, min(buffer, free)

    @_as_long_as_nothing_moves
    def stands(self, shelf: Shelf) -> tuple[int, datetime | None]:
        """Finished, neither stopped nor held; and when the part that was counted longest ago was counted."""
        batches = [self.batches[name] for name in self.on_shelf[shelf] if self.batches[name].stands("finished")]
        stands = [(batch.stands("finished"), sum(batch.holds.values())) for batch in batches if not batch.stops]
        free = sum(units - min(units, held) for units, held in stands)
        return free, min((batch.counted_at() for batch in batches), default=None)

    @_as_long_as_nothing_moves
    def gone(self, shelf: Shelf) -> int:
        """Plants that the forecast counts on and that are not there any more, less finished ones that it does not know of."""
        relied: dict[str, int] = self.forecasts[shelf[0]].value["sizes"][shelf[1]]["relied"]
        named = [(name, units) for name, units in relied.items() if not name.startswith("asked/")]
        new = [batch for name in self.on_shelf[shelf] if name not in relied and not (batch := self.batches[name]).stops]
        gone = sum(max(0, units - self.batches[name].counted_on()) for name, units in named)
        return gone - sum(max(0, batch.stands("finished") - sum(batch.holds.values())) for batch in new)

    def decide(self, told: Fact, client: str) -> tuple[str, list[Given], list[Fact]]:
        """What a basket ought to get: ("granted" or a code, what each line gets, the lines that lack)."""
        now = _time(told["occurred_at"])
        trial = {shelf: owed.copy() for shelf, owed in self._owed_of({line["crop"] for line in told["lines"]})}
        grants, lacking = [], []
        for index, line in enumerate(told["lines"]):
            shelf = (line["crop"], line["size"])
            look = Look(self, shelf, now, trial)
            found = look.give(index, line)
            if found.units:
                grants.append(found)
                grant(trial[shelf], ("", index), found, 0)
            if found.units < line["units"] and not (line.get("allow_part") and found.units):
                due = date.fromisoformat(line["due"]) if line.get("due") else now.date()
                ready = look.ready_by(line["units"], due)
                lacking.append(
                    {"line": index, "crop": shelf[0], "size": shelf[1], "asked": line["units"],
                     "promisable": found.promisable, "ready_by": ready and ready.isoformat()}
                )  # fmt: skip
        if lacking and (told.get("all_or_none", True) or not grants):
            return "not-promisable", [], lacking
        if sum(self.held[client].values()) + sum(given.units for given in grants) > self.policy["most_held_units"]:
            return "holds-too-much", [], []
        return "granted", grants, []

    def _owed_of(self, crops: set[str]) -> list[tuple[Shelf, Owed]]:
        return [((crop, size), self.owed[crop, size]) for crop in sorted(crops) for size in self.sizes[crop]]

    # --- reading on -----------------------------------------------------------------------------------------------

    def read(self, row: Fact) -> None:
        """One entry of the log."""
        told, position = row["told"], row["position"]
        names = [name for name in (told.get("batch"), told.get("into")) if name in self.batches]
        before = {name: self.batches[name].seen() for name in names}
        if not told["type"].startswith("promise"):
            self.kept.clear()
        self._read(row, told, position)
        for name in {*names, *(name for name in (told.get("batch"), told.get("into")) if name in self.batches)}:
            if self.batches[name].seen() != before.get(name, ()):
                crop = self.batches[name].crop
                self.waiting.setdefault(crop, _time(row["recorded_at"]))
                self.changed[crop] = position

    def _read(self, row: Fact, told: Fact, position: int) -> None:
        at, now = _time(told["occurred_at"]), _time(row["recorded_at"])
        batch = self.batches.get(told.get("batch", ""))

        def moves(stage: str, units: int, sets: bool = False) -> None:
            assert batch is not None
            batch.tell(stage, (at, position, sets, units))

        match told["type"]:
            case "policy-set":
                self.policy = {name: told.get(name, value) for name, value in DEFAULTS.items()}
            case "crop-set":
                self.sizes[told["code"]] = sorted(told["sizes"])
            case "opened":
                self.new_batch(told["batch"], told["crop"], told.get("size", ""), told["stage"], at, position, told["units"])
            case "potted" if batch:
                moves("rooted", -told["pots"] * told.get("per_pot", 1) - told.get("casualties", 0))
                self.new_batch(told["into"], batch.crop, told["size"], "potted", at, position, told["pots"])
                self.potted((batch.crop, told["size"]), told["pots"], told.get("listed"))
            case "graded" if batch:
                moves("potted", -told["finished"] - told["culled"])
                moves("finished", told["finished"])
            case "lost" | "sold-here" if batch and told.get("stage", "finished") != "picked":
                moves(told.get("stage", "finished"), -told["units"])
            case "lost" if batch:
                self.pull(told["order"], (batch.crop, batch.size), -told["units"])
            case "counted" if batch:
                moves(told["stage"], told["units"], sets=True)
            case "picked" if batch:
                moves("finished", -told["units"])
                self.pull(told["order"], (batch.crop, batch.size), told["units"])
            case "put-back" if batch:
                moves("finished", told["units"])
                self.pull(told["order"], (batch.crop, batch.size), -told["units"])
            case "held" if batch:
                batch.holds[told["id"]] = told["units"]
            case "hold-ended" if batch:
                del batch.holds[told["hold"]]
            case "stopped":
                (batch.stops if batch else self.crop_stops[told["crop"]]).add(told["id"])
            case "cleared":
                (batch.stops if batch else self.crop_stops[told["crop"]]).remove(told["stop"])
            case "forecast-published":
                self.published(told, at, now)
            case "potting-issued":
                self.potting_issued(told, position)
            case "potting-answered":
                self.potting_answered(told, position)
            case "promised":
                self.promised(row)
            case "promise-confirmed" if self.has_lapsed(told, now):
                self.confirmed_late(row)
            case "promise-confirmed" | "promise-released" | "promise-expired" as kind:
                self.follows(kind, told, now)
            case "promise-moved":
                self.moved(row)
            case "promise-substituted":
                self.substituted(row)
            case "promise-at-risk" | "promise-safe" | "due-checked":
                pass  # what was noticed, and changes nothing that is free
            case kind if not kind.endswith("-set"):
                raise AssertionError(f"the checker has not learned to read {kind}")
            case _:
                pass  # reference values and stock plants

    def new_batch(self, name: str, crop: str, size: str, stage: str, at: datetime, position: int, units: int) -> None:
        self.batches[name] = Batch(crop, size)
        self.batches[name].tell(stage, (at, position, False, units))
        self.on_shelf[crop, size].append(name)

    def promised(self, row: Fact) -> None:
        told, position, client = row["told"], row["position"], row["client"]
        self.granted_as_decided(row, *self.decide(told, client)[:2])
        expires_at = _time(told["occurred_at"]) + timedelta(minutes=told["hold_minutes"])
        promise = Promise(told["order"], client, expires_at, "held", {}, told.get("all_or_none", True))
        self.promises[told["id"]] = promise
        self.orders[promise.order].append(promise)
        for written in row.get("grants", []):
            self.new_line(promise, told["id"], written, position, told["lines"][written["line"]])
        self.hold(told["id"])

    def granted_as_decided(self, row: Fact, outcome: str, given: list[Given]) -> None:
        """The two claims: not more than was promisable, and exactly what the decision at this place gives."""
        written, now = [_given(found) for found in row.get("grants", [])], _time(row["told"]["occurred_at"])
        trial = {shelf: owed.copy() for shelf, owed in self._owed_of({found["crop"] for found in row.get("grants", [])})}
        for found, what in zip(row.get("grants", []), written, strict=True):
            shelf = (found["crop"], found["size"])
            free = Look(self, shelf, now, trial).promisable(what.due)
            if what.units > free:
                self.faults.append(f"{row['position']}: granted {what.units} for {what.due} where {free} were promisable")
            grant(trial[shelf], ("", what.line), what, 0)
        if (outcome, given) != ("granted", written):
            self.faults.append(f"{row['position']}: granted {written}, but it ought to be {outcome} {given}")

    def new_line(self, promise: Promise, name: str, written: Fact, position: int, asked: Fact) -> None:
        given, shelf = _given(written), (written["crop"], written["size"])
        line = Line(shelf, given.due, position, (name, given.line), given.units)
        line.part, line.later = asked.get("allow_part", False), asked.get("allow_later", False)
        if given.potting is not None:
            line.pooled, line.potting_on = given.potting.units, given.potting.on
            self.from_pool += line.pooled
        promise.lines[given.line] = line
        grant(self.owed[shelf], line.name, given, position)
        self.granted += given.units
        self.beyond_counted += given.units if "confidence" in written else 0

    def hold(self, name: str) -> None:
        """What a client holds unconfirmed."""
        promise = self.promises[name]
        self.held[promise.client].pop(name, None)
        if promise.state == "held":
            self.held[promise.client][name] = sum(line.open + line.picked for line in promise.lines.values())

    def follows(self, kind: str, told: Fact, now: datetime) -> None:
        promise = self.promises[told["promise"]]
        if promise.state not in ("held", "confirmed"):
            self.faults.append(f"{kind} of a promise that is {promise.state}")
        if kind == "promise-expired" and promise.expires_at > now:
            self.faults.append(f"a hold was told expired at {now}, but it lasts until {promise.expires_at}")
        if "line" in told:
            self.change(promise.lines[told["line"]], units=0)
        else:
            promise.state = kind.removeprefix("promise-")
            for line in promise.lines.values() if promise.state != "confirmed" else ():
                line.lapsed = line.open if promise.state == "expired" else 0
                self.change(line, units=0)
        self.hold(told["promise"])

    def has_lapsed(self, told: Fact, now: datetime) -> bool:
        """Whether a promise that is confirmed has anything to be decided anew: its hold ran out."""
        promise = self.promises[told["promise"]]
        over = promise.state == "expired" or (promise.state == "held" and promise.expires_at <= now)
        return over and any(line.open or line.lapsed for line in promise.lines.values())

    def anew(self, told: Fact) -> tuple[str, list[Given], list[Fact]]:
        """What is open of a hold that ran out is given back, and a basket of the same decided."""
        promise, today = self.promises[told["promise"]], _time(told["occurred_at"]).date()
        wanted = {index: line.open or line.lapsed for index, line in promise.lines.items()}
        numbers = [index for index in sorted(wanted) if wanted[index]]
        for index in sorted(promise.lines):
            self.change(promise.lines[index], units=0)
        lines = []
        for line in (promise.lines[index] for index in numbers):
            due = max(line.due, today) if line.later else line.due
            if due < today:
                return "not-promisable", [], []
            of = {"crop": line.shelf[0], "size": line.shelf[1], "units": wanted[line.name[1]], "due": due.isoformat()}
            lines.append({**of, "allow_part": line.part, "allow_later": line.later})
        basket = {"occurred_at": told["occurred_at"], "lines": lines, "all_or_none": promise.all_or_none}
        outcome, given, lacking = self.decide(basket, "")  # it is bought: no cap on what is held
        renumbered = [{**lack, "line": numbers[lack["line"]]} for lack in lacking]
        return outcome, [found._replace(line=numbers[found.line]) for found in given], renumbered

    def confirmed_late(self, row: Fact) -> None:
        """Bought after the hold ran out: what is granted is what a new basket would get, and the rest is nobody's."""
        told, promise = row["told"], self.promises[row["told"]["promise"]]
        self.late += 1
        self.granted_as_decided(row, *self.anew(told)[:2])
        for written in row.get("grants", []):
            old = promise.lines[written["line"]]
            self.new_line(
                promise, told["promise"], written, row["position"], {"allow_part": old.part, "allow_later": old.later}
            )
            promise.lines[written["line"]].picked = old.picked
        for line in promise.lines.values():
            line.lapsed, line.position = 0, row["position"]
        promise.state = "confirmed"
        self.hold(told["promise"])

    def moved(self, row: Fact) -> None:
        """To a later day freely; for an earlier one the line is given back, and decided as a basket of one."""
        told = row["told"]
        line, due = self.promises[told["promise"]].lines[told["line"]], date.fromisoformat(told["due"])
        if due >= line.due:
            self.change(line, due=due)
            return
        basket = {"crop": line.shelf[0], "size": line.shelf[1], "units": line.open, "due": told["due"]}
        self.change(line, units=0)
        outcome, given, _ = self.decide({"occurred_at": told["occurred_at"], "lines": [basket]}, "")
        self.granted_as_decided(row, outcome, [found._replace(line=told["line"]) for found in given])
        for found in map(_given, row.get("grants", [])):
            line.open, line.due = found.units, found.due
            line.pooled, line.potting_on = (found.potting.units, found.potting.on) if found.potting else (0, None)
            self.moved_to_pool += line.pooled
            grant(self.owed[line.shelf], line.name, found, row["position"])

    def substituted(self, row: Fact) -> None:
        """The old line is given back, and the new one decided as a basket of one."""
        told, name = row["told"], row["told"]["promise"]
        promise = self.promises[name]
        self.change(promise.lines[told["line"]], units=0)
        self.hold(name)
        basket = {"occurred_at": told["occurred_at"], "lines": [told["wanted"]]}
        outcome, given, _ = self.decide(basket, promise.client if promise.state == "held" else "")
        index = max(promise.lines) + 1
        self.granted_as_decided(row, outcome, [found._replace(line=index) for found in given])
        for written in row.get("grants", []):
            self.new_line(promise, name, written, row["position"], told["wanted"])
        self.hold(name)

    def change(self, line: Line, units: int | None = None, due: date | None = None) -> None:
        """A line's open units or its day: what is owed, what rests on potting, and what is asked for follow."""
        owed, before = self.owed[line.shelf], line.pooled
        owed.due[line.due] -= line.open
        line.open = line.open if units is None else units
        line.due = due or line.due
        line.pooled = min(line.pooled, line.open)
        owed.due[line.due] += line.open
        if line.name in owed.pooled:
            position = owed.pooled.pop(line.name)[2]
            if line.pooled:
                owed.pooled[line.name] = (line.due, line.pooled, position)
        if line.pooled < before and line.potting_on is not None:
            self.ask_less(line)

    def ask_less(self, line: Line) -> None:
        """So many pots as the rest of what was asked for that day needs, never fewer than are potted."""
        owed, on = self.owed[line.shelf], line.potting_on
        assert on is not None
        ask = owed.asks.get(on)
        if ask is None or ask.answered or line.name not in ask.lines:
            return
        units = sum(ask.lines.values())
        del ask.lines[line.name]
        if line.pooled:
            ask.lines[line.name] = line.pooled
        left, needed = sum(ask.lines.values()), ask.pots
        forecast = self.forecasts.get(line.shelf[0])
        if forecast is not None and (of := forecast.value["sizes"].get(line.shelf[1])) is not None:
            needed = pots_for(*of["come_through"][AT], left) if left else 0
        else:
            needed -= units - left
        pots = max(ask.potted, min(ask.pots, needed))
        ask.plugs = math.ceil(Fraction(ask.plugs * pots, ask.pots)) if ask.pots else 0
        ask.pots = pots
        if not ask.lines and not ask.potted:
            del owed.asks[on]

    def potted(self, shelf: Shelf, pots: int, listed: str | None) -> None:
        """Pots for a list close what it asked, the others the earliest first."""
        for day in sorted(self.owed[shelf].asks) if listed is None else [date.fromisoformat(listed)]:
            if day not in self.owed[shelf].asks:
                continue
            ask = self.owed[shelf].asks[day]
            closed = min(pots, max(0, ask.pots - ask.potted))
            ask.potted += closed
            pots -= closed

    def potting_issued(self, told: Fact, position: int) -> None:
        """The list has what is open of that day, and nothing else."""
        day = date.fromisoformat(told["day"])
        asks = {shelf: owed.asks[day] for shelf, owed in self.owed.items() if day in owed.asks}
        ought = sorted((*shelf, ask.open, ask.reserved) for shelf, ask in asks.items() if ask.open)
        listed = [(line["crop"], line["size"], line["pots"], line["plugs"]) for line in told.get("lines", [])]
        if listed != ought:
            self.faults.append(f"{position}: the list of {day} has {listed}, but it ought to have {ought}")
        self.issued = day
        for ask in asks.values():
            ask.before = ask.potted

    def potting_answered(self, told: Fact, position: int) -> None:
        """What was not potted, nobody's units rest on: first of all those that are due last, of them those granted last."""
        shelf, day = (told["crop"], told["size"]), date.fromisoformat(told["day"])
        ask = self.owed[shelf].asks.get(day)
        if ask is None:
            return
        potted = ask.potted - ask.before
        if told["potted"] < potted or (told["potted"] > potted and ask.open):
            self.faults.append(f"{position}: answered {told['potted']} where {potted} were told as potted")
        short = ask.open
        ask.pots, ask.plugs, ask.answered = ask.potted, 0, position
        lines = [self.promises[promise].lines[index] for promise, index in ask.lines]
        for line in sorted(lines, key=lambda line: (line.due, line.position, line.name[1]), reverse=True):
            less = min(short, line.pooled)
            short, line.pooled = short - less, line.pooled - less
            if line.name in self.owed[shelf].pooled:
                position_then = self.owed[shelf].pooled.pop(line.name)[2]
                if line.pooled:
                    self.owed[shelf].pooled[line.name] = (line.due, line.pooled, position_then)

    def published(self, told: Fact, at: datetime, now: datetime) -> None:
        """From now on it stands for itself: what was remembered until it came is forgotten, but what it does not know."""
        value = told["forecast"]
        crop, position = value["crop"], value["position"]
        self.forecasts[crop] = Forecast(at, value, date.fromisoformat(value["day"]))
        self.waiting.pop(crop, None)
        if self.changed.get(crop, 0) > position:
            self.waiting[crop] = now
        for size, of in value["sizes"].items():
            owed = self.owed[crop, size]
            owed.pooled = {name: kept for name, kept in owed.pooled.items() if kept[2] > position}
            owed.asks = {
                day: ask
                for day, ask in owed.asks.items()
                if f"asked/{day}" in of["relied"] or ask.answered > position or ask.open
            }

    def pull(self, order: str, shelf: Shelf, units: int) -> None:
        """Plant by plant: onto the order's earliest open line, or beyond them; off it in the opposite order."""
        lines = sorted(
            (line for promise in self.orders[order] if promise.state in ("held", "confirmed")
             for line in promise.lines.values() if line.shelf == shelf),
            key=lambda line: (line.due, line.position, line.name[1]),
        )  # fmt: skip
        for _ in range(units):
            first = next((line for line in lines if line.open), None)
            if first is None:
                self.beyond[order, shelf] += 1
            else:
                first.picked += 1
                self.change(first, units=first.open - 1)
        for _ in range(-units):
            last = next((line for line in reversed(lines) if line.picked), None)
            if self.beyond[order, shelf]:
                self.beyond[order, shelf] -= 1
            elif last is not None:
                last.picked -= 1
                self.change(last, units=last.open + 1)

    def refused(self, attempt: Attempt) -> None:
        """A basket that was refused here: it ought to be, with the same figures."""
        self.decided_again += 1
        if attempt.told["type"] == "promise-confirmed":
            outcome, grants, lacking = self.tried(attempt.told)
        else:
            outcome, grants, lacking = self.decide(attempt.told, attempt.client)
        if (outcome, lacking) != (attempt.code, attempt.lines):
            self.faults.append(
                f"after {attempt.position}: refused as {attempt.code} {attempt.lines}, not {outcome} {grants or lacking}"
            )

    def tried(self, told: Fact) -> tuple[str, list[Given], list[Fact]]:
        """What confirming late ought to get, and nothing changed by having looked."""
        promise = self.promises[told["promise"]]
        lines = {index: replace(line) for index, line in promise.lines.items()}
        owed = {line.shelf: self.owed[line.shelf].copy() for line in lines.values()}
        found = self.anew(told)
        promise.lines = lines
        self.owed.update(owed)
        return found


class Look:
    """What may be promised of a shelf at a moment, beside what is owed."""

    def __init__(self, book: Replay, shelf: Shelf, now: datetime, owed: dict[Shelf, Owed]) -> None:
        self.book, self.shelf, self.crop, self.today = book, shelf, shelf[0], now.date()
        self.owed = owed
        self.counted, self.buffer = book.counted(shelf, now)
        forecast = None if book.crop_stops[self.crop] else book.forecasts.get(self.crop)
        self.forecast = forecast
        self.of: Fact | None = forecast.value["sizes"].get(shelf[1]) if forecast else None
        waiting = book.waiting.get(self.crop)
        late = waiting is not None and now - waiting > timedelta(minutes=book.policy["forecast_lag_minutes"])
        old = forecast is None or now - forecast.at > timedelta(hours=book.policy["forecast_hours"])
        self.stale = old or late
        self.missing = self._missing() if self.of else 0
        self.due: dict[date, int] = defaultdict(int)
        for day, units in owed[shelf].due.items():
            self.due[max(day, self.today)] += units
        for day, units, _ in owed[shelf].pooled.values():
            self.due[max(day, self.today)] -= units
        self.pots_more: dict[date, int] = {}

    @cached_property
    def over(self) -> tuple[list[date], list[int]]:
        """The days on which something is due, and the least that is over on each or later, when all due by then is taken."""
        days = sorted(day for day, units in self.due.items() if units)
        left = [self.supply(day) - self.taken(day) for day in days]
        return days, list(accumulate(reversed(left), min))[::-1]

    @cached_property
    def by_day(self) -> tuple[list[date], list[int]]:
        """Days on which something is due, and all that is due by each."""
        days = sorted(self.due)
        return days, list(accumulate(self.due[day] for day in days))

    def taken(self, day: date) -> int:
        """Due by a day."""
        days, units = self.by_day
        at = bisect_right(days, day)
        return units[at - 1] if at else 0

    def _missing(self) -> int:
        assert self.of is not None
        asked: dict[str, int] = {name: units for name, units in self.of["relied"].items() if name.startswith("asked/")}
        asks = {f"asked/{day}": ask.pots for day, ask in self.owed[self.shelf].asks.items()}
        return self.book.gone(self.shelf) + sum(max(0, units - asks.get(name, 0)) for name, units in asked.items())

    def supply(self, day: date) -> int:
        if day <= self.today or self.of is None or self.forecast is None:
            return self.counted - self.buffer
        return self.forecast.curve(self.of["asked"][AT], day) - self.missing - self.buffer

    def own(self, day: date) -> int:
        """The least that is over on the day and on every later one on which something is due."""
        days, least = self.over
        over, later = self.supply(day) - self.taken(day), bisect_right(days, day)
        free = max(0, min(over, least[later]) if later < len(days) else over)
        return min(free, self.own(self.today)) if self.stale and day > self.today else free

    @cached_property
    def pottings(self) -> list[tuple[date, date]]:
        """The days of potting to come, and when such pots are ready."""
        if self.stale or self.of is None or self.forecast is None:
            return []
        day = max(self.today, self.book.issued) + ONE_DAY
        while day.isoweekday() != self.book.policy["potting_weekday"]:
            day += ONE_DAY
        days = [day + timedelta(weeks=week) for week in range(POTTING_WEEKS)]
        weeks = [self.forecast.curve(self.of["ready"][AT], on) for on in days]
        return [(on, on + timedelta(weeks=taken)) for on, taken in zip(days, weeks, strict=True) if taken]

    def plugs(self, day: date) -> int:
        """Plugs that nobody has reserved, also not for a later potting."""
        assert self.forecast is not None
        rooting = self.forecast.value["pool"]["rooting"][AT]
        left = [
            self.forecast.curve(rooting, on) - self.plugs_gone - sum(plugs for by, plugs in self.reserved.items() if by <= on)
            for on in [day, *(on for on in self.reserved if on > day)]
        ]
        return max(0, min(left))

    @cached_property
    def plugs_gone(self) -> int:
        """Plugs that the forecast counts on and that are not there any more."""
        assert self.forecast is not None
        relied: dict[str, int] = self.forecast.value["pool"]["relied"]
        return sum(max(0, units - self.book.batches[name].counted_on()) for name, units in relied.items())

    @cached_property
    def reserved(self) -> dict[date, int]:
        """Plugs that potting to come needs, in all sizes, by its day."""
        found: dict[date, int] = defaultdict(int)
        for size in self.book.sizes[self.crop]:
            for on, ask in self.owed[self.crop, size].asks.items():
                if ask.reserved:
                    found[max(on, self.today + ONE_DAY)] += ask.reserved
        return found

    def pot_more(self, day: date) -> int:
        """Units that pots of a day may be promised for, beside those asked for already; one plug a pot."""
        if day in self.pots_more:
            return self.pots_more[day]
        ask = self.owed[self.shelf].asks.get(day) or Ask()
        asked, most = sum(ask.lines.values()), ask.pots + self.plugs(day)
        low, high = 0, max(0, most - asked)
        while low < high:
            middle = (low + high + 1) // 2
            low, high = (middle, high) if self.pots(asked + middle) <= most else (low, middle - 1)
        self.pots_more[day] = low
        return low

    def pots(self, units: int) -> int:
        assert self.of is not None
        return pots_for(*self.of["come_through"][AT], units)

    def promisable(self, day: date) -> int:
        in_time = [on for on, ready in self.pottings if ready <= day]
        return self.own(day) + (self.pot_more(max(in_time)) if in_time else 0)

    def ready_by(self, units: int, after: date) -> date | None:
        """The first day after another on which so many may be promised: supply and what is owed change on no other days."""
        if self.stale:
            return None
        days = {ready for _, ready in self.pottings} | set(self.due) | {self.today + ONE_DAY}
        if self.of is not None and self.forecast is not None:
            days |= {self.forecast.day + timedelta(weeks=week) for week, _ in self.of["asked"][AT]}
        return next((day for day in sorted(days) if day > after and day > self.today and self.promisable(day) >= units), None)

    def give(self, index: int, line: Fact) -> Given:
        due = date.fromisoformat(line["due"]) if line.get("due") else self.today
        whole = self.promisable(due)
        if whole < line["units"] and line.get("allow_later"):
            later = self.ready_by(line["units"], due)
            if later is not None:
                due, whole = later, self.promisable(later)
        units = line["units"] if line["units"] <= whole else whole if line.get("allow_part") else 0
        own = min(units, self.own(due))
        return Given(index, units, whole, due, self.potting(units - own, due) if units > own else None)

    def potting(self, units: int, by: date) -> Potting | None:
        """The first day of potting that gives so many in time."""
        for on, ready in self.pottings:
            if ready <= by and self.pot_more(on) >= units:
                ask = self.owed[self.shelf].asks.get(on) or Ask()
                more = max(0, self.pots(sum(ask.lines.values()) + units) - ask.pots)
                return Potting(on, units, more, more)
        return None


def grant(owed: Owed, name: Name, given: Given, position: int) -> None:
    """Owe a granted line, and ask for the potting that it rests on."""
    owed.due[given.due] += given.units
    if given.potting is not None:
        ask = owed.asks.setdefault(given.potting.on, Ask())
        ask.pots, ask.plugs = ask.pots + given.potting.pots, ask.plugs + given.potting.plugs
        ask.lines[name] = given.potting.units
        owed.pooled[name] = (given.due, given.potting.units, position)


def _given(written: Fact) -> Given:
    asked = written.get("potting")
    potting = Potting(date.fromisoformat(asked["on"]), asked["units"], asked["pots"], asked["plugs"]) if asked else None
    return Given(written["line"], written["units"], written["promisable"], date.fromisoformat(written["due"]), potting)


def replay(log: Iterable[Fact], refused: Iterable[Attempt] = ()) -> Replay:
    """Read a whole log, and decide every refused basket again at the place where it was refused."""
    book = Replay()
    waiting = sorted(refused, key=lambda attempt: attempt.position, reverse=True)
    for row in log:
        while waiting and waiting[-1].position < row["position"]:
            book.refused(waiting.pop())
        book.read(row)
    for attempt in reversed(waiting):
        book.refused(attempt)
    return book


def _time(text: str) -> datetime:
    return datetime.fromisoformat(text)
