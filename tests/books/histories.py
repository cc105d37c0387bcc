"""Histories for the books: random ones in memory, without a database, and how a log looks when it is exported."""

from __future__ import annotations

import json
from collections.abc import Iterable
from random import Random

from ledger.log import codec
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Refused
from tests.auditor import Fact, flat
from tests.plants.memory import Ledger
from tests.simulation.histories import Teller


def exported(log: Iterable[Recorded]) -> list[Fact]:
    """A log as it is exported: rows of JSON."""
    return [flat(json.loads(codec.encode(recorded))) for recorded in log]


def told_at_random(random: Random, rounds: int) -> list[Recorded]:
    """What the rules made of so many postings; what they refuse is left out."""
    teller, ledger = Teller(random), Ledger()
    teller.heard(exported(ledger.post(teller.opening())))
    for _ in range(rounds):
        try:
            teller.heard(exported(ledger.post(teller.next())))
        except Refused:
            continue
    return ledger.log
