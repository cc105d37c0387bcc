"""A small nursery with a past to forecast from, on a clock that the test sets."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta
from typing import Any

import psycopg
import pytest

from ledger.forecaster import Forecaster
from ledger.log import codec, store
from ledger.nursery import Nursery
from tests.plants.memory import IXORA
from tests.promising.shop import Shop, trading

MONTHS = 12


class Grown(Shop):
    """Ixoras: two batches potted and finished in the past, one growing, plugs in holding and cells rooting; no count buffer."""

    def open(self) -> None:
        """The past, told day by day."""
        timing = {"days": [60] * MONTHS, "come_through": [90] * MONTHS}
        self.nursery.post(
            codec.read_told(
                [*self.teller.beginnings(), self.teller.fact("policy-set", buffer_z_per_mille=0, most_held_percent=100)]
            )
        )
        self.tell(
            "recipe-set",
            crop=IXORA,
            rooting={"days": [28] * MONTHS, "come_through": [80] * MONTHS},
            growing={"P9": timing, "C2": timing},
            holding_limit_days=[60] * MONTHS,
        )
        self.batches: dict[tuple[str, str], str] = {}
        self.cells = self.strike(200)
        self.later(28)
        self.tell("rooted", batch=self.cells, place="P1", usable=160, weak=10, failed=30, to="H1")
        self.later(7)
        self.batches[IXORA, "P9"] = self.pot(60)
        self.later(3)
        self.growing = self.pot(40)
        self.later(57)
        self.grade(self.batches[IXORA, "P9"], 54, 4)
        self.rooting = self.strike(50)

    def later(self, days: int) -> None:
        self.teller.now += timedelta(days=days)

    @property
    def now(self) -> datetime:
        """A moment after all that was told."""
        self.teller.now += timedelta(seconds=1)
        return self.teller.now

    def strike(self, cells: int) -> str:
        taken = [{"stock_plant": "S-IXO", "cuttings": cells}]
        fields: dict[str, Any] = {"cuttings": cells, "per_cell": 1, "cells": cells, "place": "P1", "crop": IXORA}
        told: Any = self.tell("struck", stock_plants=taken, **fields).told
        return str(told.batch)

    def pot(self, pots: int, size: str = "P9") -> str:
        told: Any = self.tell("potted", batch=self.cells, place="H1", size=size, plugs=pots, pots=pots, to="G2").told
        return str(told.into)

    def grade(self, batch: str, finished: int, culled: int) -> None:
        self.tell("graded", batch=batch, place="G2", finished=finished, culled=culled, held_back=0, seconds=0, to="G1")

    def kinds(self, after: int = 0) -> list[str]:
        """The types of the entries after a position."""
        with psycopg.connect(store.app_conninfo(self.conninfo)) as connection, connection.cursor() as cursor:
            return [str(entry.told.__struct_config__.tag) for entry in store.read(cursor, after, 10_000)]


@pytest.fixture
def grown(database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Grown]:
    """That nursery. At the end every projection follows from the log."""
    with trading(Grown, database, monkeypatch) as grown:
        yield grown


@pytest.fixture
def forecaster(grown: Grown) -> Iterator[Forecaster]:
    """A forecaster of that nursery, which posts through a nursery object of its own."""
    with Nursery(grown.conninfo) as own, Forecaster(grown.conninfo, own) as made:
        yield made
