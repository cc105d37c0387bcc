"""A shop window to promise from: in memory for the rules, and as a real service on a clock that the test sets."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.plants.memory import HOYA, Ledger
from tests.promising.shop import PLAIN, Shop, trading


@pytest.fixture
def window() -> Ledger:
    """In memory: 40 and 10 ixoras in two sizes and 20 hoyas, finished; neither count buffer nor cap: figures are plain."""
    ledger = Ledger()
    ledger.post(ledger.teller.beginnings())
    ledger.tell("policy-set", **PLAIN)
    ledger.opened("finished", 40, "G1", "P9")
    ledger.opened("finished", 10, "G1", "C2")
    ledger.opened("finished", 20, "G2", "P9", HOYA)
    return ledger


@pytest.fixture
def shop(database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Shop]:
    """The same stock in a real service. At the end every projection follows from the log."""
    with trading(Shop, database, monkeypatch) as shop:
        yield shop
