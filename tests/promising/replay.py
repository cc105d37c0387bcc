"""The checker of the storms: replays a log in ledger order in plain Python and decides every basket again, by itself.

Knows the log as JSON and nothing of the product: no card, no fold, no rule of it. What stands is folded from scratch out
of the told facts in the order in which they occurred; the buffer is computed in fractions; a promise is what was granted
less what was picked. A fault is a sentence; a sound log has none.
"""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Iterable
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from fractions import Fraction
from typing import Any, NamedTuple

Fact = dict[str, Any]
Shelf = tuple[str, str]

#: the policy's values where no entry says otherwise
DEFAULTS = {"buffer_z_per_mille": 1280, "buffer_share_per_mille": 20, "buffer_drift_per_mille": 15, "most_held_units": 500}


class Attempt(NamedTuple):
    """A basket that was refused: decided when so many entries were written."""

    position: int
    client: str
    told: Fact
    code: str
    lines: list[Fact]


@dataclass
class Line:
    """A granted line of a promise."""

    shelf: Shelf
    due: str
    position: int
    index: int
    open: int
    picked: int = 0


@dataclass
class Promise:
    order: str
    client: str
    expires_at: datetime
    state: str
    lines: dict[int, Line]


@dataclass
class Batch:
    """Finished plants of one batch: (occurred, position, sets the balance, units), and what keeps them from sale."""

    shelf: Shelf
    facts: list[tuple[datetime, int, bool, int]] = field(default_factory=list)
    holds: dict[str, int] = field(default_factory=dict)
    stops: set[str] = field(default_factory=set)
    _folded: tuple[int, int] = (0, 0)

    def stands(self) -> int:
        """A count sets what stands from its moment on; everything else adds or takes."""
        if self._folded[0] != len(self.facts):
            units = 0
            for _, _, sets, number in sorted(self.facts):
                units = number if sets else units + number
            self._folded = (len(self.facts), units)
        return self._folded[1]

    def counted_at(self) -> datetime:
        """When it was counted last, or since when it stands."""
        counts = [(at, position) for at, position, sets, _ in self.facts if sets]
        return max(counts)[0] if counts else min(self.facts)[0]


class Replay:
    """The book as a plain reading of the log has it, up to some position."""

    def __init__(self) -> None:
        self.policy = dict(DEFAULTS)
        self.batches: dict[str, Batch] = {}
        self.crop_stops: dict[str, set[str]] = defaultdict(set)
        self.promises: dict[str, Promise] = {}
        self.lines: dict[Shelf, list[Line]] = defaultdict(list)
        self.orders: dict[str, list[Promise]] = defaultdict(list)
        self.beyond: dict[tuple[str, Shelf], int] = defaultdict(int)
        self.held: dict[str, dict[str, int]] = defaultdict(dict)
        self.faults: list[str] = []
        self.granted = 0
        self.decided_again = 0

    # --- what is free ---------------------------------------------------------------------------------------------

    def supply(self, shelf: Shelf, now: datetime) -> int:
        """Finished, neither stopped nor held, less the buffer: the smallest whole number not below z sigma."""
        batches = [batch for batch in self.batches.values() if batch.shelf == shelf and batch.stands()]
        if not batches or self.crop_stops[shelf[0]]:
            return 0
        free = sum(batch.stands() - min(batch.stands(), sum(batch.holds.values())) for batch in batches if not batch.stops)
        age = now - min(batch.counted_at() for batch in batches)
        weeks = max(Fraction(0), Fraction(age // timedelta(microseconds=1), 7 * 86_400 * 10**6))
        z, share, drift = (Fraction(self.policy[f"buffer_{name}_per_mille"], 1000) for name in ("z", "share", "drift"))
        squared = z**2 * ((share * free) ** 2 + (drift * free) ** 2 * weeks + 1)
        buffer = math.isqrt(math.ceil(squared) - 1) + 1 if squared else 0
        return max(0, free - buffer)

    def promisable(self, shelf: Shelf, now: datetime) -> int:
        """What stands does not grow by waiting, so that the scarcest later day is the last: all that is open counts."""
        owed = sum(line.open for line in self.lines[shelf])
        return max(0, self.supply(shelf, now) - owed)

    def decide(self, told: Fact, client: str) -> tuple[str, list[tuple[int, int, int]], list[Fact]]:
        """What a basket ought to get: ("granted" or a code, (line, units, promisable), the lines that lack)."""
        now = _time(told["occurred_at"])
        given: dict[Shelf, int] = defaultdict(int)
        grants, lacking = [], []
        for index, line in enumerate(told["lines"]):
            shelf, asked, part = (line["crop"], line["size"]), line["units"], line.get("allow_part", False)
            free = max(0, self.promisable(shelf, now) - given[shelf])
            units = asked if asked <= free else free if part else 0
            given[shelf] += units
            if units:
                grants.append((index, units, free))
            if units < asked and not (part and units):
                lacking.append({"line": index, "crop": shelf[0], "size": shelf[1], "asked": asked, "promisable": free})
        if lacking and (told.get("all_or_none", True) or not grants):
            return "not-promisable", [], lacking
        if sum(self.held[client].values()) + sum(units for _, units, _ in grants) > self.policy["most_held_units"]:
            return "holds-too-much", [], []
        return "granted", grants, []

    # --- reading on -----------------------------------------------------------------------------------------------

    def read(self, row: Fact) -> None:
        """One entry of the log."""
        told, position = row["told"], row["position"]
        at, now = _time(told["occurred_at"]), _time(row["recorded_at"])
        batch = self.batches.get(told.get("batch", ""))
        match told["type"]:
            case "policy-set":
                self.policy = {name: told.get(name, value) for name, value in DEFAULTS.items()}
            case "opened":
                self.batches[told["batch"]] = Batch((told["crop"], told["size"]), [(at, position, False, told["units"])])
            case "lost" | "sold-here" if batch and told.get("stage", "finished") == "finished":
                batch.facts.append((at, position, False, -told["units"]))
            case "lost" if batch:
                self.pull(told["order"], batch.shelf, -told["units"])
            case "counted" if batch:
                batch.facts.append((at, position, True, told["units"]))
            case "picked" if batch:
                batch.facts.append((at, position, False, -told["units"]))
                self.pull(told["order"], batch.shelf, told["units"])
            case "put-back" if batch:
                batch.facts.append((at, position, False, told["units"]))
                self.pull(told["order"], batch.shelf, -told["units"])
            case "held" if batch:
                batch.holds[told["id"]] = told["units"]
            case "hold-ended" if batch:
                del batch.holds[told["hold"]]
            case "stopped":
                (batch.stops if batch else self.crop_stops[told["crop"]]).add(told["id"])
            case "cleared":
                (batch.stops if batch else self.crop_stops[told["crop"]]).remove(told["stop"])
            case "promised":
                self.promised(row)
            case "promise-confirmed" | "promise-released" | "promise-expired" | "promise-moved" as kind:
                self.follows(kind, told, now)
            case kind if not kind.endswith("-set"):
                raise AssertionError(f"the checker has not learned to read {kind}")
            case _:
                pass  # reference values and stock plants

    def promised(self, row: Fact) -> None:
        told, position, client = row["told"], row["position"], row["client"]
        written = [(grant["line"], grant["units"], grant["promisable"]) for grant in row.get("grants", [])]
        for grant in row.get("grants", []):
            free = self.promisable((grant["crop"], grant["size"]), _time(told["occurred_at"]))
            if grant["units"] > free:
                self.faults.append(f"{position}: granted {grant['units']} {grant['crop']} where {free} were promisable")
        outcome, grants, _ = self.decide(told, client)
        if (outcome, grants) != ("granted", written):
            self.faults.append(f"{position}: granted {written}, but it ought to be {outcome} {grants}")
        lines = {
            grant["line"]: Line((grant["crop"], grant["size"]), grant["due"], position, grant["line"], grant["units"])
            for grant in row.get("grants", [])
        }
        expires_at = _time(told["occurred_at"]) + timedelta(minutes=told["hold_minutes"])
        promise = Promise(told["order"], client, expires_at, "held", lines)
        self.promises[told["id"]] = promise
        self.orders[promise.order].append(promise)
        for line in lines.values():
            self.lines[line.shelf].append(line)
        self.held[client][told["id"]] = sum(line.open for line in lines.values())
        self.granted += sum(line.open for line in lines.values())

    def follows(self, kind: str, told: Fact, now: datetime) -> None:
        promise = self.promises[told["promise"]]
        if promise.state not in ("held", "confirmed"):
            self.faults.append(f"{kind} of a promise that is {promise.state}")
        match kind:
            case "promise-moved":
                promise.lines[told["line"]].due = told["due"]
                return
            case "promise-released" if "line" in told:
                promise.lines[told["line"]].open = 0
                if promise.state == "held":
                    left = sum(line.open + line.picked for line in promise.lines.values())
                    self.held[promise.client][told["promise"]] = left
                return
            case "promise-expired" if promise.expires_at > now:
                self.faults.append(f"a hold was told expired at {now}, but it lasts until {promise.expires_at}")
        promise.state = kind.removeprefix("promise-")
        self.held[promise.client].pop(told["promise"], None)
        if promise.state != "confirmed":
            for line in promise.lines.values():
                line.open = 0

    def pull(self, order: str, shelf: Shelf, units: int) -> None:
        """Plant by plant: onto the order's earliest open line, or beyond them; off it in the opposite order."""
        lines = sorted(
            (line for promise in self.orders[order] if promise.state in ("held", "confirmed")
             for line in promise.lines.values() if line.shelf == shelf),
            key=lambda line: (line.due, line.position, line.index),
        )  # fmt: skip
        for _ in range(units):
            first = next((line for line in lines if line.open), None)
            if first is None:
                self.beyond[order, shelf] += 1
            else:
                first.open, first.picked = first.open - 1, first.picked + 1
        for _ in range(-units):
            last = next((line for line in reversed(lines) if line.picked), None)
            if self.beyond[order, shelf]:
                self.beyond[order, shelf] -= 1
            elif last is not None:
                last.open, last.picked = last.open + 1, last.picked - 1

    def refused(self, attempt: Attempt) -> None:
        """A basket that was refused here: it ought to be, with the same figures."""
        self.decided_again += 1
        outcome, grants, lacking = self.decide(attempt.told, attempt.client)
        if (outcome, lacking) != (attempt.code, attempt.lines):
            self.faults.append(
                f"after {attempt.position}: refused as {attempt.code} {attempt.lines}, not {outcome} {grants or lacking}"
            )


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
