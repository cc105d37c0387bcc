"""The promise book of a real service as the tests tell it: baskets, what follows them, and what the ledger then says.

The database's clock is pinned to the teller's, so that days and holds are the test's own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from datetime import date, datetime, timedelta
from typing import Any, TypeVar
from uuid import UUID

import psycopg
import pytest

from ledger import answers
from ledger.forecaster import Forecaster
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants import promises
from ledger.plants.book import Book
from ledger.plants.cards import PromiseCard
from ledger.plants.offer import Offer
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Problem, Refused
from ledger.projections import cards, runner
from tests.plants.memory import HOYA, IXORA
from tests.telling import Teller

Fact = dict[str, Any]

#: a policy with which figures are plain: no count buffer, and no cap by crop and size on what a key holds
PLAIN: Fact = {"buffer_z_per_mille": 0, "always_held_units": 100_000}


def pinned(patch: pytest.MonkeyPatch, clock: Callable[[], datetime]) -> None:
    """Make the pen see this clock instead of the database's."""
    known = store.known

    def at_that_time(cursor: Any, ids: Sequence[UUID]) -> Any:
        return clock(), known(cursor, ids)[1]

    patch.setattr(store, "known", at_that_time)


def line(units: int, crop: str = IXORA, size: str = "P9", **more: Any) -> Fact:
    """A line of a basket; days as dates."""
    return {"crop": crop, "size": size, "units": units} | {
        name: value.isoformat() if isinstance(value, date) else value for name, value in more.items()
    }


class Shop:
    """A service with 40 and 10 ixoras in two sizes and 20 hoyas to promise, without a count buffer."""

    def __init__(self, conninfo: str, nursery: Nursery) -> None:
        self.conninfo = conninfo
        self.nursery = nursery
        self.teller = Teller()

    def open(self) -> None:
        """Stock the shelves."""
        self.nursery.post(codec.read_told([*self.teller.beginnings(), self.teller.fact("policy-set", **PLAIN)]))
        stands = [(IXORA, "P9", 40), (IXORA, "C2", 10), (HOYA, "P9", 20)]
        self.batches: dict[tuple[str, str], str] = {}
        for crop, size, units in stands:
            told: Any = self.tell("opened", crop=crop, stage="finished", place="G1", units=units, size=size).told
            self.batches[crop, size] = told.batch

    # --- telling ------------------------------------------------------------------------------------------------

    def tell(self, kind: str, /, client: str = "shop", **fields: Any) -> Recorded:
        """One entry, which must be accepted."""
        return self.nursery.post([self.teller.tell(kind, **fields)], client=client).entries[0]

    def refusal(self, kind: str, /, client: str = "shop", **fields: Any) -> Problem:
        """One entry, which must be refused."""
        with pytest.raises(Refused) as refused:
            self.tell(kind, client, **fields)
        (problem,) = refused.value.problems
        return problem

    def promise(self, *lines: Fact, order: str = "A-1", client: str = "shop", **fields: Any) -> str:
        """A basket that is granted; its promise."""
        return str(self.tell("promised", client, order=order, lines=list(lines), **fields).told.id)

    def pick(self, units: int, order: str = "A-1", crop: str = IXORA, size: str = "P9") -> str:
        """Plants pulled for an order and brought to K1; the entry's id."""
        batch = self.batches[crop, size]
        return str(self.tell("picked", order=order, batch=batch, place="G1", units=units, to="K1").told.id)

    def put_back(self, units: int, order: str = "A-1") -> str:
        batch = self.batches[IXORA, "P9"]
        return str(self.tell("put-back", order=order, batch=batch, place="K1", units=units, to="G1").told.id)

    def lose(self, units: int, **where: Any) -> str:
        """Finished ixoras found dead, or others."""
        told = {"batch": self.batches[IXORA, "P9"], "stage": "finished", "place": "G1", "cause": "rot", **where}
        return str(self.tell("lost", units=units, **told).told.id)

    def take_back(self, entry: str) -> None:
        self.tell("reversed", entry=entry, reason="told by mistake")

    def day(self, days: int) -> date:
        """A day so long from now."""
        return self.teller.now.date() + timedelta(days=days)

    # --- looking ------------------------------------------------------------------------------------------------

    def at_risk(self) -> list[tuple[str, int, int]]:
        """(promise, line, shortfall) of the lines at risk after the forecaster has looked, as they are served."""
        with Nursery(self.conninfo) as nursery, Forecaster(self.conninfo, nursery) as forecaster:
            forecaster.publish(None, self.teller.now)
        with psycopg.connect(store.app_conninfo(self.conninfo)) as connection, connection.cursor() as cursor:
            found = answers.promises(cursor, state=None, order=None, only_at_risk=True).promises
        lines = [
            (line.due, card.position, str(card.promise), int(index), line.risk.short)
            for card in found
            for index, line in card.lines.items()
            if line.risk is not None
        ]
        return [line[2:] for line in sorted(lines)]

    def card(self, promise: str) -> PromiseCard:
        """The promise's card as it is kept."""
        found = self._book(("promise", promise)).promise(UUID(promise))
        assert found is not None
        return found

    def lines(self, promise: str) -> list[tuple[int, int]]:
        """(open, picked) of each line of a promise."""
        return [(line.open, line.picked) for line in self.card(promise).lines.values()]

    def free(self, crop: str = IXORA, size: str = "P9") -> int:
        """Sellable now, as the card of the shelf has it."""
        return self.offer(crop, size).now

    def offer(self, crop: str = IXORA, size: str = "P9") -> Offer:
        """What may be promised of a crop and size now, by the cards as they are kept."""
        kinds = ("crop", "pool", "forecast", "recipe")
        book = self._book(("shelf", f"{crop}/{size}"), ("policy", ""), ("nursery", ""), *((kind, crop) for kind in kinds))
        return promises.offer_of(book, crop, size, self.teller.now, timedelta(0))

    def committed(self, crop: str = IXORA, size: str = "P9") -> int:
        """Open commitments on a shelf."""
        there = self._book(("shelf", f"{crop}/{size}")).shelf(crop, size)
        return sum(there.due.values())

    def _book(self, *keys: tuple[str, str]) -> Book:
        book = Book()
        with psycopg.connect(store.app_conninfo(self.conninfo)) as connection, connection.cursor() as cursor:
            cards.load(cursor, book, keys)
        return book


ShopKind = TypeVar("ShopKind", bound=Shop)


@contextmanager
def trading(kind: type[ShopKind], database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[ShopKind]:
    """A shop in a real service, on its teller's clock. At the end every projection follows from the log."""
    with Nursery(database) as nursery:
        shop = kind(database, nursery)
        with monkeypatch.context() as patch:
            pinned(patch, lambda: shop.teller.now)
            shop.open()
            yield shop
    assert runner.verify(database) == []
