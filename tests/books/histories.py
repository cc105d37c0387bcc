"""Histories for the books: random ones in memory, without a database, and how a log looks when it is exported."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable
from datetime import timedelta
from random import Random
from typing import Any

from ledger.log import codec
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Refused
from tests.auditor import Fact, flat
from tests.plants.memory import Ledger
from tests.simulation.histories import START, Teller
from tests.test_worked_batch import Bench


def exported(log: Iterable[Recorded]) -> list[Fact]:
    """A log as it is exported: rows of JSON."""
    return [flat(json.loads(codec.encode(recorded))) for recorded in log]


def told_at_random(random: Random, rounds: int) -> list[Recorded]:
    """A log of so many postings, without those that were refused."""
    teller, ledger = Teller(random), Ledger()
    ledger.clock = START + timedelta(days=600)  # everything is told later: what would happen later still is refused
    teller.heard(exported(ledger.post(teller.opening())))
    for _ in range(rounds):
        try:
            teller.heard(exported(ledger.post(teller.next())))
        except Refused:
            continue
    return ledger.log


class Remembered(Bench):
    """The bench of the worked batch, in memory: the same entries without a service."""

    def __init__(self, *settings: tuple[str, Fact]) -> None:
        self.ledger = Ledger()
        self.teller = self.ledger.teller
        self.ledger.post(self.teller.beginnings())
        for kind, fact in settings:
            self.tell(kind, **fact)

    def post(self, facts: Any) -> Any:
        """The rows that the rules made of it."""
        rows = exported(self.ledger.post(facts if isinstance(facts, list) else [facts]))
        return {"entries": [{"batch": row.get("into", row.get("batch"))} for row in rows]}

    def standing(self) -> dict[tuple[str | None, str], int]:
        """Units by size and stage."""
        stood: Counter[tuple[str | None, str]] = Counter()
        for account, (unit, units) in self.ledger.accounts().items():
            if account.count("/") == 2 and "/stock/" not in account:
                stood[unit.removeprefix("pot:") if "pot:" in unit else None, account.split("/")[1]] += units
        return {key: units for key, units in stood.items() if units}

    def log(self) -> list[Fact]:
        """The log, exported."""
        return exported(self.ledger.log)
