"""The acts: each changes what really stands and writes what a person would write of it.

Owns the way from truth to entries, so that nothing is ever written which the ledger would have to refuse: no act takes
more from a lot than its book holds; where the book lacks plants that really stand, they are counted first.
"""

from __future__ import annotations

import random
from datetime import date, timedelta
from uuid import UUID

from ledger.demo.nursery import (
    HEAD_GROWER,
    POTTERS,
    PROPAGATOR,
    SEASON_INDEX,
    between,
    crops_of,
    homes_of,
    stock_codes,
    winter_share,
)
from ledger.demo.standing import Batch, CropStand, Lot, Pots, Shelf, StockPlants, put_with
from ledger.demo.telling import Teller
from ledger.demo.world import Nature, World
from ledger.plants.entries import Cause, Counted, Graded, Lost, Merged, Method, Potted, PottedUp, SetBack, Stage, UnitsFrom

_LATE_EVENING_SHARE = 0.6
_BEYOND = 800  # days of demand known past the last day, for planning


class Site:
    """The whole simulated nursery: its crops, its people's pens, its luck, and the day it is."""

    def __init__(self, *, seed: int, crops: int, world: World, began: date, ends: date) -> None:
        self.chance = random.Random(seed)
        self.nature = Nature(world, self.chance, seed, began)
        self.world = world
        self.teller = Teller(seed, crops)
        self.tell = self.teller.tell
        self.today = began
        self.stands = [
            CropStand(
                crop=crop,
                index=index,
                homes=homes_of(index),
                stock=[StockPlants(code=code, units=2) for code in stock_codes(crop, index)],
                next_round=began + timedelta(days=index % 15),
            )
            for index, crop in enumerate(crops_of(crops, world.crop_spread))
        ]
        self._began = began
        self._demand = _running_demand(began, (ends - began).days + _BEYOND)
        #: what the story asks of the next striking, or of the rooting counts, of a crop
        self.strike_more: dict[str, int] = {}
        self.look_not_before: dict[str, date] = {}
        #: plugs of a crop that the potting list leaves alone, for the story
        self.keep_back: dict[str, int] = {}

    def begin(self, day: date) -> None:
        self.today = day
        self.teller.begin(day)

    def stand(self, code: str) -> CropStand | None:
        """The stand of a crop, if this nursery grows it."""
        return next((stand for stand in self.stands if stand.crop.code == code), None)

    def weeks_of_demand(self, from_week: float, to_week: float) -> float:
        """Weekly demands of an average week that the season will bring between two weeks from now."""
        start = (self.today - self._began).days
        return self._demand[start + round(7 * to_week)] - self._demand[start + round(7 * from_week)]

    def median_weeks(self, warm_winter: tuple[float, float], on: date | None = None) -> float:
        """How many weeks something takes that begins on a day (today, unless told), as an old hand knows."""
        return between(warm_winter, winter_share(on or self.today))

    def new_batch(self, stand: CropStand, shelf: Shelf | None, stock: frozenset[str]) -> Batch:
        return Batch(self.teller.next_batch(), stand, shelf, stock)

    def hands_off(self, lot: Lot) -> bool:
        """Whether this lot is stopped, or in the middle of something that the story does with it."""
        return lot.batch.stopped or lot.batch.hands_off_until >= self.today

    # --- losses and counts ---

    def lose(self, lot: Lot, units: int, cause: Cause, by: str = HEAD_GROWER, note: str | None = None) -> UUID:
        """Written off the book; the truth must know already. A few slips arrive late."""
        lot.book -= units
        said = {"batch": lot.batch.number, "stage": lot.stage, "place": lot.place, "units": units, "cause": cause, "note": note}
        if note is None and self.nature.likely(self.world.late_slips):
            days = 0 if self.nature.likely(_LATE_EVENING_SHARE) else self.chance.randint(1, 3)
            return self.teller.tell_late(days, Lost, by, **said)
        return self.tell(Lost, by, **said)

    def found_dead(self, lot: Lot, units: int, cause: Cause, by: str = HEAD_GROWER) -> None:
        """Plants that died in truth are found: most finds are written, some are binned with wet gloves."""
        written = min(units, lot.book)
        if written and not self.nature.likely(self.world.unwritten):
            self.lose(lot, written, cause, by)

    def count(self, lot: Lot, seen: int, method: Method = Method.COUNT, by: str = HEAD_GROWER) -> UUID:
        """A count sets the book."""
        lot.book = seen
        return self.tell(Counted, by, batch=lot.batch.number, stage=lot.stage, place=lot.place, units=seen, method=method)

    def count_first(self, lot: Lot, needed: int, by: str) -> None:
        """Where more is in hand than in the book, a count comes before the act."""
        if lot.book < needed:
            self.count(lot, lot.alive, by=by)

    def clear_out(self, lot: Lot, cause: Cause, note: str | None = None) -> UUID | None:
        """Everything that stands in a lot is thrown out, and the book says so to the last plant."""
        if lot.book != lot.alive:
            self.count(lot, lot.alive)
        units = lot.alive
        lot.take(units, self.chance)
        return self.lose(lot, units, cause, note=note) if units else None

    def cull(self, lot: Lot, units: int, cause: Cause, note: str | None = None) -> UUID:
        """So many living plants are thrown out."""
        self.count_first(lot, units, HEAD_GROWER)
        lot.take(units, self.chance)
        return self.lose(lot, units, cause, note=note)

    # --- potting and growing on ---

    def potter(self) -> str:
        return POTTERS[self.today.toordinal() // 7 % 2]

    def pot(self, lot: Lot, shelf: Shelf, pots: int, casualties: int, by: str | None = None) -> tuple[UUID, Pots]:
        """Plugs become pots of a new batch; `lot` holds them in truth."""
        by = by or self.potter()
        plugs = pots + casualties
        self.count_first(lot, plugs, by)
        lot.book -= plugs
        lot.take(plugs, self.chance)
        grown = self.set_out(shelf, lot.batch.stock, pots)
        return self.tell(Potted, by, **potted_fields(lot, shelf, grown, casualties)), grown

    def set_out(self, shelf: Shelf, stock: frozenset[str], pots: int, *, head_start: float = 0.0) -> Pots:
        """A new batch of pots on its bench; `head_start` is the share of the growing time that lies behind it."""
        batch = self.new_batch(shelf.of, shelf, stock)
        grown = Pots(batch, shelf.of.homes.growing[shelf.size], pots, self.today)
        warm, winter = shelf.of.crop.grow_weeks[shelf.size]
        self.give_days(grown, ((1 - head_start) * warm, (1 - head_start) * winter))
        shelf.growing.append(grown)
        return grown

    def give_days(self, pots: Pots, weeks: tuple[float, float]) -> None:
        """Draws when each plant of a new lot will be ready, or die before."""
        crop, plants, today, draw = pots.batch.stand.crop, pots.alive, self.today, self.chance.random
        days = self.nature.days(crop, weeks, today, plants)
        dying = self.nature.some(plants, 1 - self.nature.survival_share(crop))
        pots.deaths = [today + timedelta(days=int(taken * draw()) + 1) for taken in days[:dying]]
        pots.readies = [today + timedelta(days=taken) for taken in days[dying:]]
        pots.deaths.sort(reverse=True)
        pots.readies.sort(reverse=True)

    def grade(self, pots: Pots, ready: int) -> None:
        """The ready ones of a lot are looked over, labelled and set out for sale; the others stay."""
        shelf = pots.batch.shelf
        assert shelf is not None
        self.count_first(pots, ready, HEAD_GROWER)
        rejected = self.nature.some(ready, shelf.of.crop.grade_out)
        culled = self.nature.some(rejected, 0.7)
        seconds = rejected - culled
        finished = ready - rejected
        del pots.readies[len(pots.readies) - ready :]
        pots.alive -= ready
        pots.book -= ready
        self.tell(
            Graded,
            HEAD_GROWER,
            batch=pots.batch.number,
            place=pots.place,
            finished=finished,
            seconds=seconds,
            culled=culled,
            held_back=min(pots.alive, pots.book),
            to=shelf.of.homes.finished[shelf.size],
            label_checked_by=PROPAGATOR,
        )
        place = shelf.of.homes.finished[shelf.size]
        put_with(shelf.finished, Lot(pots.batch, Stage.FINISHED, place, finished, self.today))
        put_with(shelf.of.seconds, Lot(pots.batch, Stage.SECONDS, place, seconds, self.today))
        if not pots.alive and pots.book and self.nature.likely(0.6):
            self.count(pots, 0)

    def pot_up(self, lot: Lot, shelf: Shelf, pots: int) -> tuple[UUID, Pots]:
        """Pots of a smaller size move on into a larger one, as a new batch."""
        by = self.potter()
        self.count_first(lot, pots, by)
        lot.take(pots, self.chance)
        lot.book -= pots
        grown = self.set_out(shelf, lot.batch.stock, pots, head_start=0.5)
        entry = self.tell(
            PottedUp, by, batch=lot.batch.number, place=lot.place, stage=lot.stage, size=shelf.size, pots=pots,
            to=grown.place, into=grown.batch.number,
        )  # fmt: skip
        return entry, grown

    def set_back(self, lot: Lot, units: int, days_added: int, reason: str) -> UUID:
        """Finished plants are cut back and go to grow on again."""
        shelf = lot.batch.shelf
        assert shelf is not None
        self.count_first(lot, units, HEAD_GROWER)
        lot.take(units, self.chance)
        lot.book -= units
        to = shelf.of.homes.growing[shelf.size]
        pots = next((pots for pots in shelf.growing if pots.batch is lot.batch and pots.place == to), None)
        if pots is None:
            pots = Pots(lot.batch, to, 0, self.today)
            shelf.growing.append(pots)
        pots.book += units
        pots.alive += units
        pots.readies += [self.today + timedelta(days=days_added + self.chance.randint(-7, 14)) for _ in range(units)]
        pots.readies.sort(reverse=True)
        return self.tell(
            SetBack, HEAD_GROWER, batch=lot.batch.number, place=lot.place, units=units, to=to, reason=reason,
            days_added=days_added,
        )  # fmt: skip

    def merge(self, parts: list[tuple[Lot, int]], place: str) -> tuple[UUID, Lot]:
        """Plugs of several lots become one lot of a new batch; every stock plant behind one is suspect for all."""
        first = parts[0][0].batch
        stock = frozenset[str]().union(*(lot.batch.stock for lot, _ in parts))
        batch = self.new_batch(first.stand, None, stock)
        for lot, units in parts:
            lot.take(units, self.chance)
            lot.book -= units
        merged = Lot(batch, Stage.ROOTED, place, sum(units for _, units in parts), min(lot.since for lot, _ in parts))
        batch.stand.rooted.append(merged)
        sources = [UnitsFrom(batch=lot.batch.number, place=lot.place, units=units) for lot, units in parts]
        entry = self.tell(Merged, PROPAGATOR, stage=Stage.ROOTED, sources=sources, place=place, into=batch.number)
        return entry, merged


def potted_fields(lot: Lot, shelf: Shelf, grown: Pots, casualties: int) -> dict[str, object]:
    """The fields of the entry that tells of a new lot of pots."""
    return {
        "batch": lot.batch.number,
        "place": lot.place,
        "stage": lot.stage,
        "size": shelf.size,
        "plugs": grown.book + casualties,
        "pots": grown.book,
        "casualties": casualties,
        "to": grown.place,
        "into": grown.batch.number,
    }


def _running_demand(began: date, days: int) -> list[float]:
    """Average weeks of demand from the first day up to each day: the season index added up."""
    running, total = [0.0], 0.0
    for nth in range(days):
        total += SEASON_INDEX[(began + timedelta(days=nth)).month - 1] / 7
        running.append(total)
    return running
