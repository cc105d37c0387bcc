"""What stands in the simulated nursery, in truth and in the book, side by side.

A `Lot` is one account of the ledger (batch, stage, place): `book` is what has been written of it, `alive` what really stands.
The two drift apart where plants die and nobody writes, and meet again at a count. Nothing here writes entries.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from datetime import date
from uuid import UUID

from ledger.demo.nursery import SIZES, Crop, Homes
from ledger.plants.entries import Stage


class Batch:
    """Plants that entered together. `stock` are the stock plants behind it, as far as they are known."""

    __slots__ = ("hands_off_until", "number", "opened", "shelf", "stand", "stock", "stopped")

    def __init__(
        self, number: str, stand: CropStand, shelf: Shelf | None, stock: frozenset[str], *, opened: bool = False
    ) -> None:
        self.number = number
        self.stand = stand
        self.shelf = shelf
        self.stock = stock
        self.opened = opened
        self.stopped = False
        self.hands_off_until = date.min


class Lot:
    """Units of one batch at one stage and place, since a day."""

    __slots__ = ("alive", "batch", "book", "place", "since", "stage")

    def __init__(self, batch: Batch, stage: Stage, place: str, units: int, since: date) -> None:
        self.batch = batch
        self.stage = stage
        self.place = place
        self.book = units
        self.alive = units
        self.since = since

    def take(self, units: int, chance: random.Random) -> None:
        """So many plants leave this lot, or die in it, whichever they are."""
        del chance
        assert units <= self.alive
        self.alive -= units

    @property
    def gone(self) -> bool:
        return not self.book and not self.alive


class Trays(Lot):
    """Cells in propagation, with the days on which some will have rooted and others rot, latest first.

    `alive` is the number of cells that the book should have, for an empty cell stands as well as a full one.
    """

    __slots__ = ("cells", "looked_at", "readies", "rots")

    def __init__(self, batch: Batch, place: str, cells: int, since: date) -> None:
        super().__init__(batch, Stage.STRUCK, place, cells, since)
        self.cells = cells
        self.readies: list[date] = []
        self.rots: list[date] = []
        self.looked_at: date | None = None

    def take(self, units: int, chance: random.Random) -> None:
        super().take(units, chance)
        # whoever lifts plugs out of the sand lifts rooted ones
        del self.readies[max(0, len(self.readies) - units) :]

    def lose_any(self, units: int, chance: random.Random) -> None:
        """So many cells die, whichever they are: some that would have rooted, some that would not."""
        rooting = sum(cell < len(self.readies) for cell in chance.sample(range(self.alive), units))
        for _ in range(rooting):
            del self.readies[chance.randrange(len(self.readies))]
        self.alive -= units

    def rooted_by(self, day: date) -> int:
        return _by(self.readies, day)


class Pots(Lot):
    """Plants growing on: the day on which each will be ready or dead, latest first."""

    __slots__ = ("deaths", "readies")

    def __init__(self, batch: Batch, place: str, units: int, since: date) -> None:
        super().__init__(batch, Stage.POTTED, place, units, since)
        self.deaths: list[date] = []
        self.readies: list[date] = []

    def ready_by(self, day: date) -> int:
        return _by(self.readies, day)

    def die_by(self, day: date) -> int:
        """Lets those whose day has come die; how many."""
        deaths, dead = self.deaths, 0
        while deaths and deaths[-1] <= day:
            deaths.pop()
            dead += 1
        self.alive -= dead
        return dead

    def take(self, units: int, chance: random.Random) -> None:
        super().take(units, chance)
        for _ in range(units):
            at = chance.randrange(len(self.deaths) + len(self.readies))
            if at < len(self.deaths):
                del self.deaths[at]
            else:
                del self.readies[at - len(self.deaths)]


def put_with(lots: list[Lot], lot: Lot) -> None:
    """Puts a lot with others, into the one that is the same account where there is one."""
    for other in lots:
        if other.batch is lot.batch and other.place == lot.place:
            other.book += lot.book
            other.alive += lot.alive
            return
    if not lot.gone:
        lots.append(lot)


def _by(latest_first: list[date], day: date) -> int:
    """How many days of a list have come."""
    come = 0
    for at in reversed(latest_first):
        if at > day:
            break
        come += 1
    return come


class Shelf:
    """One crop in one size: what grows, what is finished, and what the shop wants of it."""

    __slots__ = ("finished", "growing", "of", "size", "weekly_demand")

    def __init__(self, of: CropStand, size: str) -> None:
        self.of = of
        self.size = size
        self.weekly_demand = of.crop.weekly_demand[size]
        self.growing: list[Pots] = []
        self.finished: list[Lot] = []

    def on_offer(self) -> int:
        """What the book says can be sold now."""
        return sum(lot.book for lot in self.finished if not lot.batch.stopped)


@dataclass(slots=True)
class StockPlants:
    """Stock plants that share a code."""

    code: str
    units: int
    stopped: bool = False


@dataclass(slots=True)
class CropStand:
    """All that stands of one crop."""

    crop: Crop
    index: int
    homes: Homes
    stock: list[StockPlants]
    next_round: date
    struck: list[Trays] = field(default_factory=list)
    rooted: list[Lot] = field(default_factory=list)
    seconds: list[Lot] = field(default_factory=list)
    shelves: dict[str, Shelf] = field(init=False)
    turns: int = 0

    def __post_init__(self) -> None:
        self.shelves = {size: Shelf(self, size) for size in SIZES}

    def lots(self) -> list[Lot]:
        """Every lot of this crop."""
        found: list[Lot] = [*self.struck, *self.rooted, *self.seconds]
        for shelf in self.shelves.values():
            found += shelf.growing
            found += shelf.finished
        return found

    def sweep(self) -> None:
        """Forgets the lots that hold nothing, in truth and in the book."""
        self.struck = [lot for lot in self.struck if not lot.gone]
        self.rooted = [lot for lot in self.rooted if not lot.gone]
        self.seconds = [lot for lot in self.seconds if not lot.gone]
        for shelf in self.shelves.values():
            shelf.growing = [lot for lot in shelf.growing if not lot.gone]
            shelf.finished = [lot for lot in shelf.finished if not lot.gone]


@dataclass(slots=True, eq=False)
class Order:
    """An order being put together: what was picked for it, and where it goes."""

    reference: str
    region: str
    lines: list[tuple[Lot, int]] = field(default_factory=list)
    hold: UUID | None = None
