"""A ledger of one screen, for the demo's tests only: folds told entries and notices the moment a balance would go negative.

It imports nothing from `ledger`: entries come in as decoded JSON. After every entry that is told, each account it touches
is played through again in the order of occurring, so a late slip is held against everything that is known by then.
"""

from __future__ import annotations

from bisect import insort
from collections import defaultdict
from collections.abc import Iterator
from typing import Any, NamedTuple

Fact = dict[str, Any]


class Line(NamedTuple):
    """One event of one account: a movement adds, a count sets."""

    at: str
    position: int
    entry: str
    sets: bool
    units: int


class Fold:
    """All accounts of all batches, as told so far."""

    def __init__(self) -> None:
        self.lines: dict[str, list[Line]] = defaultdict(list)
        self.violations: list[tuple[str, Fact]] = []
        self._position = 0
        self._touched: dict[str, list[str]] = {}
        self._balances: dict[str, int] = defaultdict(int)
        self._played: dict[str, int] = defaultdict(int)

    def tell(self, fact: Fact, at: str) -> None:
        """One more entry; `at` is its moment in a form that sorts (UTC)."""
        self._position += 1
        if fact["type"] == "reversed":
            touched = self._touched[fact["entry"]]
            for account in touched:
                self.lines[account] = [line for line in self.lines[account] if line.entry != fact["entry"]]
        else:
            touched = []
            for account, sets, units in _steps(fact):
                if sets or units:
                    insort(self.lines[account], Line(at, self._position, fact["id"], sets, units))
                    touched.append(account)
        self._touched[fact["id"]] = touched
        for account in touched:
            if not self._holds(account):
                self.violations.append((account, fact))

    def balance(self, account: str) -> int:
        """Units at an account after everything told so far."""
        return self._balances[account]

    def differences(self) -> Iterator[tuple[str, int, int]]:
        """For every count: its account, the balance just before, and the units seen."""
        for account, lines in self.lines.items():
            balance = 0
            for line in lines:
                if line.sets:
                    yield account, balance, line.units
                balance = line.units if line.sets else balance + line.units

    def _holds(self, account: str) -> bool:
        """Plays an account through, or only its last line where nothing before that has changed."""
        lines = self.lines[account]
        if lines and lines[-1].position == self._position and len(lines) == self._played[account] + 1:
            balance, lines = self._balances[account], lines[-1:]
        else:
            balance = 0
        never_negative = True
        for line in lines:
            balance = line.units if line.sets else balance + line.units
            never_negative = never_negative and balance >= 0
        self._balances[account], self._played[account] = balance, len(self.lines[account])
        return never_negative


def _steps(fact: Fact) -> list[tuple[str, bool, int]]:
    """(account, does it set, units) of one entry; nothing for those that move no plants."""
    match fact["type"]:
        case "opened" | "bought-in":
            return [_plus(fact, fact["stage"], fact["place"], fact["units"])]
        case "gathered":
            return [_plus(fact, "gathered", fact["place"], sum(part["cuttings"] for part in fact["stock_plants"]))]
        case "struck":
            used = [_minus(fact, "gathered", fact["gathered_at"], fact["cuttings"])] if "gathered_at" in fact else []
            return [*used, _plus(fact, "struck", fact["place"], fact["cells"])]
        case "rooted":
            out = fact["usable"] + fact["failed"]
            return [_minus(fact, "struck", fact["place"], out), _plus(fact, "rooted", fact["to"], fact["usable"])]
        case "moved":
            stage = fact["stage"]
            return [_minus(fact, stage, fact["place"], fact["units"]), _plus(fact, stage, fact["to"], fact["units"])]
        case "merged":
            total = sum(part["units"] for part in fact["sources"])
            parts = [_minus(part, fact["stage"], part["place"], part["units"]) for part in fact["sources"]]
            return [*parts, (f"{fact['into']}/{fact['stage']}/{fact['place']}", False, total)]
        case "potted" | "potted-up":
            plugs = fact.get("per_pot", 1) * fact["pots"] + fact.get("casualties", 0)
            stage = fact.get("stage", "rooted" if fact["type"] == "potted" else "finished")
            return [_minus(fact, stage, fact["place"], plugs), (f"{fact['into']}/potted/{fact['to']}", False, fact["pots"])]
        case "graded":
            out = fact["finished"] + fact.get("seconds", 0) + fact.get("culled", 0)
            assert out + fact.get("held_back", 0) > 0
            return [
                _minus(fact, "potted", fact["place"], out),
                _plus(fact, "finished", fact["to"], fact["finished"]),
                _plus(fact, "seconds", fact["to"], fact.get("seconds", 0)),
            ]
        case "set-back":
            return [_minus(fact, "finished", fact["place"], fact["units"]), _plus(fact, "potted", fact["to"], fact["units"])]
        case "lost" | "sold-here" | "given-out" | "planted-as-stock":
            return [_minus(fact, fact.get("stage", "finished"), fact["place"], fact["units"])]
        case "counted":
            sets = fact["method"] in ("count", "blind-count")
            return [(f"{fact['batch']}/{fact['stage']}/{fact['place']}", True, fact["units"])] if sets else []
        case "picked":
            return [_minus(fact, "finished", fact["place"], fact["units"]), _plus(fact, "picked", fact["to"], fact["units"])]
        case "put-back":
            return [_minus(fact, "picked", fact["place"], fact["units"]), _plus(fact, "finished", fact["to"], fact["units"])]
        case "shipped":
            return [_minus(line, "picked", line["place"], line["units"]) for line in fact["lines"]]
        case "renamed":
            into = (f"{fact['into']}/{fact['stage']}/{fact['place']}", False, fact["units"])
            return [_minus(fact, fact["stage"], fact["place"], fact["units"]), into]
        case "stock-set":
            return [(f"{fact['stock_plant']}/stock", True, fact["units"])]
        case "stock-removed":
            return [(f"{fact['stock_plant']}/stock", False, -fact["units"])]
        case _:
            return []


def _plus(fact: Fact, stage: str, place: str, units: int) -> tuple[str, bool, int]:
    return (f"{fact['batch']}/{stage}/{place}", False, units)


def _minus(fact: Fact, stage: str, place: str, units: int) -> tuple[str, bool, int]:
    return (f"{fact['batch']}/{stage}/{place}", False, -units)
