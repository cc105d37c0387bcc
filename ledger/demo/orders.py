"""Orders: what the shop sells is picked, held where it must wait, shipped, and replaced where it arrives crushed.

An order is a reference and a region; nobody's name is known here.
"""

from __future__ import annotations

from collections import Counter, deque
from datetime import date, timedelta
from itertools import accumulate
from uuid import UUID

from msgspec import Struct

from ledger.demo.nursery import CARRIERS, OFFICE, PACKERS, REGIONS, SEASON_INDEX, SIZES
from ledger.demo.promises import Basket, PromiseBook, Wish
from ledger.demo.site import Site
from ledger.demo.standing import Lot, Order, Shelf, put_with
from ledger.plants.entries import (
    Cause,
    DamageCause,
    DamageClaimed,
    Held,
    HoldEnded,
    HoldReason,
    Lost,
    Picked,
    PutBack,
    Shipped,
    Stage,
    UnitsFrom,
)

PACKING = "K1"
SHIPPING_WEEKDAYS = (0, 1, 2, 3)
_LAST_SHIPPING_WEEKDAY = 3
_LINES = ((1, 2, 3, 4), (30, 65, 90, 100))
_UNITS = ((1, 2, 3), (75, 93, 100))
_PLANTS_AN_ORDER = 2.84
_WINTER_MONTHS = (11, 12, 1, 2, 3)
_REMEMBERED_DAYS = 10
_WANT_IT_NOW, _WOULD_WAIT = 0.7, 0.8


class Sent(Struct, frozen=True):
    """Plants of one lot that went out, kept in mind for claims."""

    on: date
    order: str
    region: str
    carrier: str
    lot: Lot
    units: int


class Orders:
    """The order book of the simulated shop, from the basket to the van and back."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._shelves = [stand.shelves[size] for stand in site.stands for size in SIZES]
        self._weights = list(accumulate(shelf.weekly_demand for shelf in self._shelves))
        self._number = 0
        #: through which the shop sells; until it has one, it picks whatever stands there
        self.promises: PromiseBook | None = None
        self._claims: dict[date, list[tuple[Sent, DamageCause]]] = {}
        self.packed: list[Order] = []
        self.held: list[tuple[date, Order]] = []
        self.recent: deque[Sent] = deque()
        #: parts of orders that went out with plants from a stock plant, by its code
        self.sent: Counter[str] = Counter()
        #: how many more orders the weather will hold; the story sets it
        self.weather_holds = 0
        self.weather_held: list[UUID] = []
        self.weather_ends = date.min

    def forget_all(self) -> None:
        """The book is opened: whatever was on its way before is nobody's business."""
        self._claims.clear()
        self.packed.clear()
        self.held.clear()
        self.recent.clear()
        self.sent.clear()

    # --- a shipping day ---

    def answer_claims(self) -> None:
        """Claims that came in are written down, and replacements picked where there are any."""
        for sent, cause in self._claims.pop(self._site.today, []):
            self.claim(sent, sent.units, cause)

    def claim(self, sent: Sent, units: int, cause: DamageCause) -> UUID:
        """One claim, and a replacement picked for as much of it as there is."""
        site = self._site
        claim = site.tell(
            DamageClaimed, OFFICE, order=sent.order, batch=sent.lot.batch.number, units=units, carrier=sent.carrier,
            cause=cause, days_in_transit=2,
        )  # fmt: skip
        shelf = sent.lot.batch.shelf
        assert shelf is not None
        if self.promises is not None:
            wish = Wish(shelf, units, later=True)
            self.promises.ask([Basket(sent.order, sent.region, [wish], replaces=claim)])
        else:
            self._pick_into(sent.order, sent.region, shelf, units, claim)
        return claim

    def _pick_into(self, reference: str, region: str, shelf: Shelf, units: int, replaces: UUID | None) -> int:
        """Picked for an order that may be waiting already; how many."""
        waiting = [*self.packed, *(order for _, order in self.held)]
        order = next((order for order in waiting if order.reference == reference), None)
        if order is None:
            order = Order(reference, region)
        picked = self._pick(order, shelf, units, replaces)
        if order.lines and order not in waiting:
            self.packed.append(order)
        return picked

    def take_and_pick(self) -> None:
        """The day's orders come in and are picked."""
        site = self._site
        plants = self._weights[-1] * SEASON_INDEX[site.today.month - 1] / len(SHIPPING_WEEKDAYS)
        orders = site.nature.happenings(plants / _PLANTS_AN_ORDER)
        if self.promises is not None:
            self.promises.ask([self._basket() for _ in range(orders)])
            self._pick_due(self.promises)
            return
        for _ in range(orders):
            self._take_order()

    def _basket(self) -> Basket:
        """Most buyers want their plants now, some by a day to come; some will wait, or take fewer."""
        site, chance = self._site, self._site.chance
        lines = chance.choices(_LINES[0], cum_weights=_LINES[1])[0]
        shelves = list(dict.fromkeys(chance.choices(self._shelves, cum_weights=self._weights, k=lines)))
        region, due, wishes = self._region(shelves), self._wanted_by(), []
        for shelf in shelves:
            units = chance.choices(_UNITS[0], cum_weights=_UNITS[1])[0]
            sold_out = shelf.on_offer() <= units
            if sold_out and due is None and not site.nature.likely(_WOULD_WAIT):
                continue
            wishes.append(Wish(shelf, units, due, part=site.nature.likely(0.2), later=sold_out or site.nature.likely(0.4)))
        return Basket(self.next_reference(), region, wishes)

    def next_reference(self) -> str:
        """The next order's."""
        self._number += 1
        return f"B{self._site.today.year % 100}-{self._number:05d}"

    def _wanted_by(self) -> date | None:
        site = self._site
        if site.nature.likely(_WANT_IT_NOW):
            return None
        day = site.today + timedelta(weeks=site.chance.randint(1, 9))
        while day.weekday() not in SHIPPING_WEEKDAYS:
            day += timedelta(days=1)
        return day

    def _pick_due(self, promises: PromiseBook) -> None:
        """What is due before the next van, as far as it is there."""
        next_van = self._site.today + timedelta(days=1)
        while next_van.weekday() not in SHIPPING_WEEKDAYS:
            next_van += timedelta(days=1)
        for line in promises.due_before(next_van):
            picked = self._pick_into(line.order, line.region, line.shelf, line.open, line.replaces)
            promises.pulled(line.order, line.shelf, picked)

    def _take_order(self) -> None:
        chance = self._site.chance
        lines = chance.choices(_LINES[0], cum_weights=_LINES[1])[0]
        shelves = chance.choices(self._shelves, cum_weights=self._weights, k=lines)
        region = self._region(shelves)
        order = Order(self.next_reference(), region)
        for shelf in shelves:
            units = chance.choices(_UNITS[0], cum_weights=_UNITS[1])[0]
            if shelf.finished and shelf.on_offer() > units:
                self._pick(order, shelf, units)
        if order.lines:
            self.packed.append(order)

    def _region(self, shelves: list[Shelf]) -> str:
        """Where an order goes: region 6 takes nothing in winter, region 3 no passion flowers."""
        barred = set()
        if self._site.today.month in _WINTER_MONTHS:
            barred.add("region-6")
        if any(shelf.of.crop.species == "Passiflora caerulea" for shelf in shelves):
            barred.add("region-3")
        return self._site.chance.choice([region for region in REGIONS if region not in barred])

    def _packer(self) -> str:
        return PACKERS[self._site.today.toordinal() % 2]

    def _pick(self, order: Order, shelf: Shelf, units: int, replaces: UUID | None = None) -> int:
        """Oldest finished first; how many. Where the book shows plants that are not there, the picker says so and goes on."""
        site, wanted = self._site, units
        for lot in shelf.finished:
            if not wanted:
                break
            if site.hands_off(lot):
                continue
            if not lot.alive:
                if lot.book:
                    site.count(lot, 0, by=self._packer())
                continue
            taken = min(wanted, lot.alive)
            site.count_first(lot, taken, self._packer())
            lot.alive -= taken
            lot.book -= taken
            wanted -= taken
            site.tell(
                Picked, self._packer(), order=order.reference, batch=lot.batch.number, place=lot.place, units=taken, to=PACKING,
                replaces=replaces,
            )  # fmt: skip
            order.lines.append((lot, taken))
        return units - wanted

    def ship(self) -> None:
        """The van takes held orders whose day has come, then today's: some wait for tomorrow, for papers or for the weather."""
        site, waiting = self._site, list[Order]()
        self._release()
        for order in self.packed:
            if self.weather_holds:
                self._hold(order, HoldReason.WEATHER, days=8)
                self.weather_holds -= 1
            elif order.region == "region-5" and any(lot.batch.stand.crop.species == "Ficus carica" for lot, _ in order.lines):
                self._hold(order, HoldReason.PAPERS, days=7)
            elif site.today.weekday() != _LAST_SHIPPING_WEEKDAY and site.nature.likely(0.12):
                waiting.append(order)
            else:
                self._send(order)
        self.packed = waiting

    def _hold(self, order: Order, reason: HoldReason, days: int) -> None:
        site = self._site
        review = site.today + timedelta(days=days)
        order.hold = site.tell(Held, self._packer(), order=order.reference, reason=reason, review_on=review)
        if reason is HoldReason.WEATHER:
            self.weather_held.append(order.hold)
        self.held.append((review, order))

    def _release(self) -> None:
        """Held orders whose day of review has come go out, if the weather lets them."""
        still = []
        for review, order in self.held:
            if review > self._site.today or (order.hold in self.weather_held and self._site.today < self.weather_ends):
                still.append((review, order))
            else:
                self._site.tell(HoldEnded, self._packer(), hold=order.hold, order=order.reference)
                self._send(order)
        self.held = still

    def _send(self, order: Order) -> None:
        site, chance = self._site, self._site.chance
        if site.nature.likely(0.01):
            self._find_wanting(order)
        lines: dict[Lot, int] = {}
        for lot, units in order.lines:
            lines[lot] = lines.get(lot, 0) + units
        if not lines:
            return
        carrier = chance.choice(_CARRIER_NAMES)
        parts = [UnitsFrom(batch=lot.batch.number, place=PACKING, units=units) for lot, units in lines.items()]
        site.tell(Shipped, self._packer(), order=order.reference, carrier=carrier, region=order.region, lines=parts)
        for lot, units in lines.items():
            for code in lot.batch.stock:
                self.sent[code] += 1
            self._remember(Sent(site.today, order.reference, order.region, carrier, lot, units))

    def _find_wanting(self, order: Order) -> None:
        """One plant is rejected at packing: put back where it came from, or binned."""
        site = self._site
        lot, units = order.lines.pop()
        if units > 1:
            order.lines.append((lot, units - 1))
        shelf = lot.batch.shelf
        assert shelf is not None
        if self.promises is not None:
            self.promises.pulled(order.reference, shelf, -1)
        if site.nature.likely(0.5) and not lot.batch.stopped:
            put_with(shelf.finished, Lot(lot.batch, Stage.FINISHED, lot.place, 1, lot.since))
            site.tell(
                PutBack, self._packer(), order=order.reference, batch=lot.batch.number, place=PACKING, units=1, to=lot.place
            )
        else:
            site.tell(
                Lost, self._packer(), order=order.reference, batch=lot.batch.number, stage=Stage.PICKED, place=PACKING, units=1,
                cause=Cause.HANDLING,
            )  # fmt: skip

    def _remember(self, sent: Sent) -> None:
        site = self._site
        damage = sent.lot.batch.stand.crop.transit_damage * CARRIERS[sent.carrier]
        damaged = site.nature.some(sent.units, damage)
        if damaged:
            heard = site.today + timedelta(days=site.chance.randint(3, 6))
            heard += timedelta(days=(7 - heard.weekday()) % 7 if heard.weekday() > _LAST_SHIPPING_WEEKDAY else 0)
            cause = site.chance.choice(_DAMAGES)
            self._claims.setdefault(heard, []).append((_part(sent, damaged), cause))
        elif sent.carrier == "carrier-b":
            self.recent.append(sent)
        while self.recent and (site.today - self.recent[0].on).days > _REMEMBERED_DAYS:
            self.recent.popleft()


_CARRIER_NAMES = tuple(CARRIERS)
_DAMAGES = (DamageCause.CRUSHED, DamageCause.CRUSHED, DamageCause.DRIED, DamageCause.CHILLED)


def _part(sent: Sent, units: int) -> Sent:
    return Sent(sent.on, sent.order, sent.region, sent.carrier, sent.lot, units)
