"""The threads of the story: one thing that goes wrong, or well, in each month, so that there is something to find in the book.

A thread is tried on every working day of its month, from the first time that month comes after the opening, until the
plants that it needs stand there; then it is told once. Threads whose month does not come, or whose plants are not there,
stay untold. The numbers are those of the story; threads on promises (5, 20) need a desk to ask for them at.
"""

# ruff: noqa: PLR2004 - the numbers in this file are the story

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from datetime import date, timedelta
from uuid import UUID

from msgspec import Struct

from ledger.demo import propagation
from ledger.demo.nursery import HEAD_GROWER, LARGE, OWNER, POTTERS, PROPAGATOR, SMALL, WHILE_TOLD, WIDER_BUFFER, policy
from ledger.demo.orders import Orders, Sent
from ledger.demo.promises import Basket, Line, PromiseBook, Wish
from ledger.demo.site import Site, potted_fields
from ledger.demo.standing import CropStand, Lot, Pots, Shelf, StockPlants, Trays
from ledger.plants.entries import (
    Cause,
    Cleared,
    DamageCause,
    Lost,
    Method,
    PolicySet,
    Potted,
    Renamed,
    Reversed,
    Stage,
    StockRemoved,
    Stopped,
    StopReason,
)

HIBISCUS, COLEUS, TEA = "hibiscus-lantern-parade", "coleus-rooks-supper", "camellia-low-harrow"
IXORA, HOYA, JASMINE, GARDENIA = "ixora-copper-thimble", "hoya-pewter-spoon", "jasminum-night-porter", "gardenia-milkmaids-hour"

OPENING, FEBRUARY, MARCH_COUNTS, POTTING, OVERSOLD, SWAPPED, TEA_FAILS, MERGED = 1, 2, 3, 4, 5, 6, 7, 8
OVERHELD, CRUSHED, LEFTOVER, HEATER, FULL_COUNT, WEATHER = 9, 10, 11, 12, 13, 14
MOSAIC, SET_BACK, TWO_PEOPLE, LATE_SLIP, NAME_IN_DOUBT, NOT_SENT = 15, 16, 17, 18, 19, 20

_FRIDAY = 4
_SETTLED = timedelta(days=10)


class Thread(Struct, frozen=True, kw_only=True):
    """One thread as it was told: where to find it in the log."""

    number: int
    title: str
    on: date
    entries: list[UUID]
    batches: list[str]


class Story:
    """What has been told, what still waits for its month, and what was begun and goes on another day."""

    def __init__(self, site: Site, orders: Orders, promises: PromiseBook | None = None) -> None:
        self.told: dict[int, Thread] = {}
        self._site = site
        self._orders = orders
        self._promises = promises
        #: what of the nursery's policy has changed by now
        self.policy: Mapping[str, object] = {}
        self._opened_on = date.max
        self._asked_potting = False
        self._later: dict[date, list[Callable[[], None]]] = {}
        self._waiting: dict[int, tuple[int | None, int, Callable[[], bool]]] = {
            SWAPPED: (5, 8, self._swap_sizes),
            TEA_FAILS: (6, 2, self._tea_roots_badly),
            MERGED: (7, 6, self._merge_part_trays),
            OVERHELD: (8, 4, self._cull_overheld),
            CRUSHED: (9, 7, self._crush),
            LEFTOVER: (10, 6, self._pot_up_leftovers),
            HEATER: (11, 9, self._heater_fails),
            WEATHER: (1, 5, self._hold_for_weather),
            MOSAIC: (2, 10, self._find_mosaic),
            SET_BACK: (3, 9, self._set_hoyas_back),
            TWO_PEOPLE: (4, 7, self._write_twice),
            LATE_SLIP: (None, 1, self._slip_after_count),
            NAME_IN_DOUBT: (5, 4, self._doubt_a_name),
        }
        if promises is not None:
            self._waiting |= {OVERSOLD: (4, 13, self._sell_too_many), NOT_SENT: (6, 8, self._refuse_a_region)}

    # --- each day ---

    def prepare(self) -> None:
        """What has to be arranged weeks before a thread can be told."""
        month, year = self._site.today.month, self._site.today.year
        site = self._site
        if TEA_FAILS in self._waiting and month in (2, 3, 4, 5):
            site.look_not_before[TEA] = date(year, 6, 2)
        site.strike_more, site.keep_back = {}, {}
        if OVERHELD in self._waiting:
            site.strike_more[COLEUS] = 60 if month in (6, 7) else 0
            site.keep_back[COLEUS] = 45 if month in (7, 8) else 0
        if SWAPPED in self._waiting:
            site.strike_more[HIBISCUS] = 40 if month in (2, 3) else 0
            site.keep_back[HIBISCUS] = 20 if month in (3, 4, 5) else 0

    def go_on(self) -> None:
        """Takes up what was put off until today, then tries every thread whose time it is."""
        today = self._site.today
        for day in sorted(day for day in self._later if day <= today):
            for act in self._later.pop(day):
                act()
        if today < self._opened_on or today - self._opened_on < _SETTLED:
            return
        for number, (month, from_day, attempt) in list(self._waiting.items()):
            if month in (None, today.month) and today.day >= from_day and attempt():
                del self._waiting[number]

    def _tell(self, number: int, title: str, entries: Sequence[UUID], lots: Sequence[Lot | Pots]) -> None:
        batches = list(dict.fromkeys(lot.batch.number for lot in lots))
        self.told[number] = Thread(number=number, title=title, on=self._site.today, entries=list(entries), batches=batches)

    def _add(self, number: int, entries: Sequence[UUID], lots: Sequence[Lot] = ()) -> None:
        thread = self.told[number]
        thread.entries.extend(entries)
        thread.batches.extend(lot.batch.number for lot in lots if lot.batch.number not in thread.batches)

    def _put_off(self, act: Callable[[], None], days: int = 1) -> None:
        """Goes on another day: the first working day from so many days on."""
        day = self._site.today + timedelta(days=days)
        while day.weekday() > _FRIDAY:
            day += timedelta(days=1)
        self._later.setdefault(day, []).append(act)

    # --- threads that are told by the usual work ---

    def note_opening(self, opened: list[tuple[UUID, Lot]]) -> None:
        """1: the book is opened with a count of everything."""
        self._opened_on = self._site.today
        self._tell(
            OPENING, "The book is opened with a count of everything", [entry for entry, _ in opened], [lot for _, lot in opened]
        )

    def note_striking(self, struck: list[tuple[UUID, Trays]]) -> None:
        """2: every crop is struck in February; grey mould takes 9 in 100 of one batch."""
        site = self._site
        if not struck or site.today.month != 2 or not site.teller.writing:
            return
        if FEBRUARY not in self.told:
            # of the slow ones, since the mould needs time before the rooting count
            largest = max((trays for _, trays in struck), key=lambda trays: (not trays.batch.stand.crop.soft, trays.cells))
            self._tell(FEBRUARY, "All crops are struck; grey mould takes 9 % of one", [], [])
            self._put_off(lambda: self._grey_mould(largest), days=9)
        if self.told[FEBRUARY].on.year == site.today.year:
            self._add(FEBRUARY, [entry for entry, _ in struck], [trays for _, trays in struck])

    def _grey_mould(self, trays: Trays) -> None:
        lost = min(round(0.09 * trays.cells), trays.book)
        trays.lose_any(lost, self._site.chance)
        self._add(FEBRUARY, [self._site.lose(trays, lost, Cause.ROT, PROPAGATOR, note="grey mould")])

    def note_rooting(self, counted: list[tuple[UUID, Trays]]) -> None:
        """3: the rooting counts of late March."""
        today = self._site.today
        if not counted or today.month != 3 or today.day < 15 or not self._site.teller.writing:
            return
        if MARCH_COUNTS not in self.told:
            self._tell(MARCH_COUNTS, "The February trays are counted", [], [])
        if self.told[MARCH_COUNTS].on.year == today.year:
            self._add(MARCH_COUNTS, [entry for entry, _ in counted], [trays for _, trays in counted])

    def note_potting(self, potted: list[tuple[UUID, Pots]]) -> None:
        """4: the weekly potting list, of which the first long one is kept in mind."""
        if potted and POTTING not in self.told and self._site.teller.writing:
            self._tell(POTTING, "A week's potting list", [entry for entry, _ in potted], [pots for _, pots in potted])

    def note_asked_potting(self, issued: UUID, answered: list[UUID]) -> None:
        """4: the lists that promises ask for, issued and answered line by line."""
        if not self._asked_potting:
            self._asked_potting = True
            self._tell(POTTING, "Weekly potting lists that promises ask for, shorts answered back", [], [])
        self._add(POTTING, [issued, *answered])

    def note_full_count(self, counted: list[UUID]) -> None:
        """13: everything is counted in December."""
        if FULL_COUNT not in self.told and self._site.teller.writing:
            self._tell(FULL_COUNT, "Everything is counted", counted, [])

    # --- May: sizes swapped ---

    def _swap_sizes(self) -> bool:
        """6: the label says large where the pots are small, and the other way round; next day both are taken back."""
        site, stand = self._site, self._site.stand(HIBISCUS)
        plugs = self._plugs(stand, 14)
        if stand is None or plugs is None:
            return False
        small, large, by = stand.shelves[SMALL], stand.shelves[LARGE], site.potter()
        lots = 9, 5
        site.count_first(plugs, sum(lots), by)
        plugs.take(sum(lots), site.chance)
        plugs.book -= sum(lots)
        plugs.batch.hands_off_until = site.today + timedelta(days=4)
        wrong, moments = [], []
        for shelf, pots in ((large, lots[0]), (small, lots[1])):
            never = Pots(site.new_batch(stand, shelf, plugs.batch.stock), stand.homes.growing[shelf.size], pots, site.today)
            wrong.append(site.tell(Potted, by, **potted_fields(plugs, shelf, never, 0)))
            moments.append(site.teller.now())
        self._tell(SWAPPED, "Sizes swapped on the hibiscus, taken back", wrong, [plugs])

        def put_right() -> None:
            reason = "the labels were swapped: the pots are the other size"
            self._add(SWAPPED, [site.tell(Reversed, by, entry=entry, reason=reason) for entry in wrong])
            for shelf, pots, moment in ((small, lots[0], moments[0]), (large, lots[1], moments[1])):
                right = site.set_out(shelf, plugs.batch.stock, pots)
                entry = site.teller.tell_of(moment, Potted, by, **potted_fields(plugs, shelf, right, 0))
                self._add(SWAPPED, [entry], [right])

        self._put_off(put_right)
        return True

    # --- June: the covered tea roots badly ---

    def _tea_roots_badly(self) -> bool:
        """7: 48 in 100 instead of 62."""
        stand = self._site.stand(TEA)
        ripe = [
            trays
            for trays in (stand.struck if stand else [])
            if trays.looked_at is None
            and not self._site.hands_off(trays)
            and not trays.batch.opened
            and (self._site.today - trays.since).days > 60
        ]
        if not ripe:
            return False
        trays = max(ripe, key=lambda trays: trays.cells)
        usable = min(trays.book, round(0.48 * trays.cells))
        entry = propagation.write_rooted(self._site, trays, usable, 0)
        self._site.look_not_before.pop(TEA, None)
        self._tell(TEA_FAILS, "The covered tea roots 48 % instead of 62", [entry], [trays])
        return True

    # --- July: part trays merged ---

    def _merge_part_trays(self) -> bool:
        """8: three part trays become one, 5 plugs are binned and not written; the recount is short 5."""
        site = self._site
        for stand in site.stands:
            fit = [lot for lot in stand.rooted if min(lot.alive, lot.book) >= 4 and not site.hands_off(lot)]
            if len(fit) < 3 or stand.crop.in_sand:
                continue
            parts = sorted(fit, key=lambda lot: lot.alive)[:3]
            for lot in parts:
                if lot.book != lot.alive:
                    site.count(lot, lot.alive, by=PROPAGATOR)
            entry, merged = site.merge([(lot, min(lot.alive, 24)) for lot in parts], stand.homes.holding)
            merged.alive -= 5
            merged.batch.hands_off_until = site.today + timedelta(days=7)
            self._tell(MERGED, "Three part trays merged, 5 binned unwritten", [entry], [merged, *parts])

            def recount(merged: Lot = merged) -> None:
                merged.batch.hands_off_until = date.min
                self._add(MERGED, [site.count(merged, merged.alive, Method.BLIND_COUNT)])

            self._put_off(recount, days=2)
            return True
        return False

    # --- August: coleus plugs overheld ---

    def _cull_overheld(self) -> bool:
        """9: 40 coleus plugs that waited too long are thrown out."""
        site, stand = self._site, self._site.stand(COLEUS)
        if stand is None:
            return False
        limit = timedelta(weeks=stand.crop.hold_weeks[0])
        old = [lot for lot in stand.rooted if site.today - lot.since >= limit and not site.hands_off(lot)]
        culled = self._cull_of(old, 40, Cause.OVERHELD, "held too long")
        if culled is not None:
            self._tell(OVERHELD, "40 coleus plugs held too long are thrown out", *culled)
        return culled is not None

    def _cull_of(self, lots: Sequence[Lot], units: int, cause: Cause, note: str) -> tuple[list[UUID], list[Lot]] | None:
        """So many plants of several lots are lost, largest lots first; None where there are not that many."""
        if sum(lot.alive for lot in lots) < units:
            return None
        entries, hit = [], []
        for lot in sorted(lots, key=lambda lot: -lot.alive):
            lost = min(units, lot.alive)
            if lost:
                entries.append(self._site.cull(lot, lost, cause, note=note))
                hit.append(lot)
                units -= lost
        return entries, hit

    # --- September: a carrier crushes ---

    def _crush(self) -> bool:
        """10: carrier B crushes 11; all are replaced."""
        wanted, chosen = 11, list[tuple[Sent, int]]()
        promised: dict[int, int] = {}
        for sent in self._orders.recent:
            shelf = sent.lot.batch.shelf
            assert shelf is not None
            in_truth = sum(min(lot.alive, lot.book) for lot in shelf.finished if not self._site.hands_off(lot))
            spare = in_truth - promised.get(id(shelf), 0)
            spare -= self._promises.open_units(shelf) + 3 if self._promises is not None else 0
            units = min(wanted, sent.units, spare)
            if units > 0:
                chosen.append((sent, units))
                promised[id(shelf)] = promised.get(id(shelf), 0) + units
                wanted -= units
        if wanted or self._site.today.weekday() >= _FRIDAY:
            return False
        entries = []
        for sent, units in chosen:
            self._orders.recent.remove(sent)
            entries.append(self._orders.claim(sent, units, DamageCause.CRUSHED))
        self._tell(CRUSHED, "Carrier B crushes 11; they are replaced", entries, [sent.lot for sent, _ in chosen])
        return True

    # --- October: leftovers potted up ---

    def _pot_up_leftovers(self) -> bool:
        """11: 24 unsold small pots of one crop move on into the large size."""
        site = self._site

        def leftover(stand: CropStand) -> list[Lot]:
            return [lot for lot in stand.shelves[SMALL].finished if lot.alive and not site.hands_off(lot)]

        stand = max(site.stands, key=lambda stand: sum(lot.alive for lot in leftover(stand)))
        if sum(lot.alive for lot in leftover(stand)) < 24:
            return False
        left, entries, lots = 24, [], list[Lot]()
        for lot in leftover(stand):
            pots = min(left, lot.alive)
            if pots:
                entry, grown = site.pot_up(lot, stand.shelves[LARGE], pots)
                entries.append(entry)
                lots += [lot, grown]
                left -= pots
        self._tell(LEFTOVER, "24 leftover small pots are potted up", entries, lots)
        return True

    # --- November: the heater ---

    def _heater_fails(self) -> bool:
        """12: 36 Ixora are lost to one cold night."""
        stand = self._site.stand(IXORA)
        if stand is None:
            return False
        pots = [lot for lot in stand.lots() if lot.stage in (Stage.POTTED, Stage.FINISHED) and not self._site.hands_off(lot)]
        lost = self._cull_of(pots, 36, Cause.COLD, "heater failed in the night")
        if lost is not None:
            self._tell(HEATER, "A heater fails: 36 Ixora lost to cold", *lost)
        return lost is not None

    # --- January: the weather ---

    def _hold_for_weather(self) -> bool:
        """14: frost; the next 27 orders are packed and wait."""
        orders, site = self._orders, self._site
        orders.weather_holds = 27
        orders.weather_ends = site.today + timedelta(days=11)
        self._put_off(self._weather_told, days=3)
        return True

    def _weather_told(self) -> None:
        held = self._orders.weather_held
        if self._orders.weather_holds and self._site.today.month == 1:
            self._orders.weather_ends = self._site.today + timedelta(days=4)
            self._put_off(self._weather_told)
        else:
            self._orders.weather_holds = 0
            self._tell(WEATHER, f"{len(held)} orders are held for weather", held, [])

    # --- February: mosaic ---

    def _find_mosaic(self) -> bool:
        """15: mosaic on one hibiscus stock plant: it and all that came from it is stopped, then destroyed."""
        site, stand = self._site, self._site.stand(HIBISCUS)
        # on a Friday nothing lies picked, so no plant of these batches is between bench and van
        if stand is None or site.today.weekday() != _FRIDAY or self._orders.packed:
            return False
        standing = [lot for lot in stand.lots() if lot.book and not site.hands_off(lot)]
        plant, lots = min(
            ((plants, [lot for lot in standing if plants.code in lot.batch.stock]) for plants in stand.stock),
            key=lambda found: self._unlike_the_story(*found),
        )
        held = {lot.batch for _, order in self._orders.held for lot, _ in order.lines}
        if self._unlike_the_story(plant, lots) == math.inf or any(lot.batch in held for lot in lots):
            return False
        ill, plant.stopped = plant.code, True
        said = {"reason": StopReason.QUARANTINE, "authority": "plant-health inspector", "note": "mosaic seen on the leaves"}
        entries = [site.tell(Stopped, HEAD_GROWER, stock_plant=ill, **said)]
        for batch in dict.fromkeys(lot.batch for lot in lots):
            batch.stopped = True
            entries.append(site.tell(Stopped, HEAD_GROWER, batch=batch.number, **said))
        self._tell(MOSAIC, f"Mosaic on stock plant {ill}: stopped, traced, destroyed", entries, lots)

        def destroy() -> None:
            note = "mosaic: destroyed with the inspector's leave"
            burnt = [entry for lot in lots if (entry := site.clear_out(lot, Cause.REGULATED, note=note))]
            burnt.append(
                site.tell(StockRemoved, HEAD_GROWER, stock_plant=ill, units=plant.units, cause=Cause.REGULATED, note=note)
            )
            plant.units = 0
            self._add(MOSAIC, burnt)
            # what was destroyed is struck anew from the plants that are clean
            stand.next_round = min(stand.next_round, site.today + timedelta(days=7))

        self._put_off(destroy, days=5)
        return True

    def _unlike_the_story(self, plants: StockPlants, lots: list[Lot]) -> float:
        """How far a stock plant is from the story's: 58 pots standing, and 21 orders that had some."""
        pots = sum(lot.alive for lot in lots if lot.stage in (Stage.POTTED, Stage.FINISHED))
        if plants.stopped or not plants.units or not pots:
            return math.inf
        return abs(pots - 58) / 58 + 2 * abs(self._orders.sent[plants.code] - 21) / 21

    # --- March: set back ---

    def _set_hoyas_back(self) -> bool:
        """16: 12 finished hoyas are cut back and grow on again."""
        site, stand = self._site, self._site.stand(HOYA)
        if stand is None:
            return False
        shelves = list(stand.shelves.values())
        if self._promises is not None:
            shelves = [max(shelves, key=Shelf.on_offer)]
        lots = [lot for shelf in shelves for lot in shelf.finished if lot.alive and not site.hands_off(lot)]
        if sum(lot.alive for lot in lots) < 12:
            return False
        promised = self._promise_three_too_many(lots) if self._promises is not None else []
        if promised is None:
            return False
        left, entries, hit = 12, [], []
        for lot in lots:
            units = min(left, lot.alive)
            if units:
                entries.append(site.set_back(lot, units, 42, "leggy after the dark weeks, cut back"))
                hit.append(lot)
                left -= units
        self._tell(SET_BACK, "12 hoyas are set back", entries, hit)
        if promised:
            self._give_another_day(SET_BACK, HOYA, promised)
        return True

    def _promise_three_too_many(self, lots: list[Lot]) -> list[Line] | None:
        """Promises after which 12 cannot be spared, and of them the last three; None where so many are not granted."""
        assert self._promises is not None
        shelf = lots[0].batch.shelf
        assert shelf is not None
        due = self._site.today + timedelta(days=3)
        before = max(0, shelf.on_offer() - 7 - self._promises.open_units(shelf))
        self._promises.ask([self._one(shelf, min(20, before - part), due, part=True) for part in range(0, before, 20)])
        lines = self._promises.ask([self._one(shelf, 1, due) for _ in range(3)])
        return lines if len(lines) == 3 else None

    def _one(self, shelf: Shelf, units: int, due: date | None, region: str = "region-1", *, part: bool = False) -> Basket:
        return Basket(self._orders.next_reference(), region, [Wish(shelf, units, due, part=part)])

    def _give_another_day(self, number: int, crop: str, lines: list[Line]) -> None:
        """The service says which of these lines are at risk, and they get the day that it offers, or one in three weeks."""
        assert self._promises is not None
        for line, risk, moved in self._promises.look_again([crop]):
            if line in lines:
                day = self._site.today + timedelta(weeks=3)
                self._add(number, [risk.entry, moved or self._promises.move(line, day)])

    # --- April: the jasmine is sold past its true count ---

    def _sell_too_many(self) -> bool:
        """5: one count saw 26 too many; next day a count finds them short, 4 lines get another day, the buffer is raised."""
        site, stand, promises = self._site, self._site.stand(JASMINE), self._promises
        if stand is None or promises is None or site.today.weekday() not in (0, 1):
            return False
        shelf = max(stand.shelves.values(), key=Shelf.on_offer)
        lots = [lot for lot in shelf.finished if lot.alive and not site.hands_off(lot)]
        if self._orders.promises is None or not lots:
            return False
        for lot in lots:
            if lot.book != lot.alive:
                site.count(lot, lot.alive)
        lot, due = max(lots, key=lambda lot: lot.alive), site.today + timedelta(days=2)
        promises.ask([self._one(shelf, 20, due, part=True) for _ in range(4)])
        wrong = site.count(lot, lot.alive + 26)
        promises.look_again([JASMINE])
        lines = promises.ask([self._one(shelf, 6, due) for _ in range(4)])
        if len(lines) < 4:
            site.count(lot, lot.alive)
            return False
        self._tell(OVERSOLD, "The jasmine is sold past its true count", [wrong, *(line.promise for line in lines)], [lot])

        def find_short() -> None:
            self._add(OVERSOLD, [site.count(lot, lot.alive, Method.BLIND_COUNT)])
            self._give_another_day(OVERSOLD, JASMINE, lines)
            self.policy = WIDER_BUFFER
            self._add(OVERSOLD, [site.tell(PolicySet, OWNER, **policy(**WHILE_TOLD, **self.policy))])

        self._put_off(find_short)
        return True

    # --- June: a region that refuses ---

    def _refuse_a_region(self) -> bool:
        """20: of an order for region 3 the passion flower is refused at the basket, the other plant is granted."""
        site, promises = self._site, self._promises
        refused = next((stand for stand in site.stands if stand.crop.species == "Passiflora caerulea"), None)
        others = [stand.shelves[SMALL] for stand in site.stands if stand is not refused]
        if refused is None or promises is None or self._orders.promises is None or not others:
            return False
        wishes = [Wish(refused.shelves[SMALL], 1), Wish(max(others, key=Shelf.on_offer), 1)]
        lines = promises.ask([Basket(self._orders.next_reference(), "region-3", wishes)])
        if not lines:
            return False
        self._tell(NOT_SENT, "An order for region 3 is refused its passion flower", [lines[0].promise], [])
        return True

    # --- April: one potting, two slips ---

    def _write_twice(self) -> bool:
        """17: both potters write the same potting; the ledger asks, and next day one is taken back."""
        site = self._site
        for stand in site.stands:
            plugs = self._plugs(stand, 30)
            if plugs is None or plugs.book < 30:
                continue
            shelf, pots = stand.shelves[SMALL], 12
            first, second = POTTERS
            entry, grown = site.pot(plugs, shelf, pots, 1, by=first)
            again = Pots(site.new_batch(stand, shelf, plugs.batch.stock), grown.place, pots, site.today)
            twice = site.tell(Potted, second, **potted_fields(plugs, shelf, again, 1))
            plugs.book -= pots + 1
            plugs.batch.hands_off_until = site.today + timedelta(days=4)
            self._tell(TWO_PEOPLE, "One potting written by two people", [entry, twice], [plugs, grown, again])

            def take_back(plugs: Lot = plugs, twice: UUID = twice, units: int = pots + 1) -> None:
                reason = "the same potting as the other slip"
                self._add(TWO_PEOPLE, [site.tell(Reversed, HEAD_GROWER, entry=twice, reason=reason)])
                plugs.book += units

            self._put_off(take_back)
            return True
        return False

    def _plugs(self, stand: CropStand | None, at_least: int) -> Lot | None:
        """A lot of plugs in holding with so many alive, if there is one."""
        if stand is None or stand.crop.in_sand:
            return None
        fit = [lot for lot in stand.rooted if lot.alive >= at_least and not self._site.hands_off(lot)]
        return max(fit, key=lambda lot: lot.alive, default=None)

    # --- any month: a slip after a count ---

    def _slip_after_count(self) -> bool:
        """18: three die at nine, a count an hour later misses them, the slip is handed in after that."""
        site = self._site
        for stand in site.stands:
            for shelf in stand.shelves.values():
                for pots in shelf.growing:
                    if min(pots.alive, pots.book) >= 15 and not site.hands_off(pots):
                        pots.take(3, site.chance)
                        pots.book -= 3
                        said = {
                            "batch": pots.batch.number,
                            "stage": pots.stage,
                            "place": pots.place,
                            "units": 3,
                            "cause": Cause.DRIED_OUT,
                        }
                        note = "slip found in a pocket"
                        slip = site.teller.tell_late(0, Lost, HEAD_GROWER, **said, note=note)
                        site.teller.at(12)
                        count = site.count(pots, pots.alive, by=PROPAGATOR)
                        self._tell(LATE_SLIP, "A slip handed in after the count that missed the plants", [count, slip], [pots])
                        return True
        return False

    # --- May: a name in doubt ---

    def _doubt_a_name(self) -> bool:
        """19: jasmine and gardenia labels were mixed; the batch is stopped until it is sorted out, and 4 change their name."""
        site, stand, other = self._site, self._site.stand(JASMINE), self._site.stand(GARDENIA)
        if stand is None or other is None:
            return False
        shelf = stand.shelves[SMALL]
        fit = [
            pots
            for pots in shelf.growing
            if min(pots.alive, pots.book) >= 6
            and not site.hands_off(pots)
            and pots.ready_by(site.today + timedelta(days=9)) == 0
            and not any(lot.batch is pots.batch for lot in shelf.finished)
        ]
        if not fit:
            return False
        pots = max(fit, key=lambda pots: pots.alive)
        batch = pots.batch
        batch.stopped = True
        stop = site.tell(
            Stopped, HEAD_GROWER, reason=StopReason.NAME_IN_DOUBT, batch=batch.number, note="leaves look like gardenia"
        )
        self._tell(NAME_IN_DOUBT, "A name in doubt: 4 jasmines are gardenias", [stop], [pots])

        def sort_out() -> None:
            pots.take(4, site.chance)
            pots.book -= 4
            renamed = site.set_out(other.shelves[SMALL], batch.stock, 4, head_start=0.5)
            renamed.place = pots.place
            evidence = "leaf edges and scent, checked against the stock plants"
            entries = [
                site.tell(
                    Renamed, HEAD_GROWER, batch=batch.number, stage=pots.stage, place=pots.place, units=4, crop=other.crop.code,
                    evidence=evidence, into=renamed.batch.number,
                ),
                site.tell(Cleared, HEAD_GROWER, stop=stop, batch=batch.number, because="sorted plant by plant"),
            ]  # fmt: skip
            batch.stopped = False
            self._add(NAME_IN_DOUBT, entries, [renamed])

        self._put_off(sort_out, days=7)
        return True
