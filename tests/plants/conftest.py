"""A nursery in memory, ready to be told of."""

from __future__ import annotations

import pytest

from tests.plants.memory import Ledger


@pytest.fixture
def ledger() -> Ledger:
    """The people, sizes, places, crops and stock plants of a corner of the invented nursery, and nothing else yet."""
    ledger = Ledger()
    ledger.post(ledger.teller.beginnings())
    return ledger
