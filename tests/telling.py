"""Entries as a person would tell them, for the tests: a small nursery to begin with, and one line an entry."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from ledger.log import codec
from ledger.plants.entries import Entry

START = datetime(2026, 9, 14, 8, 0, tzinfo=UTC)  # the Monday of ISO week 38


class Teller:
    """Makes entries with ids of its own, each a minute after the one before unless told otherwise."""

    def __init__(self, start: datetime = START, seed: int = 1, by: str = "head-grower") -> None:
        self.now = start
        self.by = by
        self._random = random.Random(seed)

    def fact(self, kind: str, /, **fields: Any) -> dict[str, Any]:
        """An entry as JSON, as a client would post it."""
        if "occurred_at" not in fields:
            self.now += timedelta(minutes=1)
            fields["occurred_at"] = self.now
        at = fields["occurred_at"]
        told = {"by": self.by, "id": str(UUID(int=self._random.getrandbits(128), version=4)), **fields}
        return {**told, "type": kind, "occurred_at": at if isinstance(at, str) else at.isoformat()}

    def tell(self, kind: str, /, **fields: Any) -> Entry:
        """The same, read as the service reads it."""
        return codec.read_told(self.fact(kind, **fields))[0]

    def beginnings(self) -> list[dict[str, Any]]:
        """People, sizes, places and crops of a corner of the invented nursery."""
        people = ["head-grower", "propagator", "potter", "packer"]
        places = {
            "P1": "mist",
            "H1": "holding",
            "H2": "holding",
            "G1": "bench",
            "G2": "bench",
            "S1": "stock-bed",
            "K1": "packing",
        }
        crops = {"ixora-copper-thimble": "Ixora coccinea", "hoya-pewter-spoon": "Hoya carnosa"}
        facts = [self.fact("person-set", code=code, name=code) for code in people]
        facts += [
            self.fact("size-set", code="P9", name="9 cm pot", rank=1, area_cm2=81),
            self.fact("size-set", code="C2", name="2 litre pot", rank=2, area_cm2=289, hooks=1),
        ]
        facts += [self.fact("place-set", code=code, name=code, house=code[0], kind=kind) for code, kind in places.items()]
        sizes = {"P9": {"price": "15.00"}, "C2": {"price": "23.00"}}
        facts += [
            self.fact("crop-set", code=code, name=code, species=species, group="Woody", sizes=sizes)
            for code, species in crops.items()
        ]
        facts += [
            self.fact("stock-set", stock_plant=f"S-{code[:3].upper()}", crop=code, place="S1", units=20, source="opening")
            for code in crops
        ]
        return facts
