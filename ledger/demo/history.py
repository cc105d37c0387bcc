"""The nursery's history, day by day: what is done on which weekday, from the opening of the book to yesterday evening.

Owns the calendar of work. More than a year is lived through unwritten before the opening day, so that the nursery opens
with plants of every age.
"""

from __future__ import annotations

import calendar
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from uuid import UUID

from ledger.demo import odd_jobs, potting, propagation
from ledger.demo.desk import Desk
from ledger.demo.nursery import ACCOUNTANT, HEAD_GROWER, OWNER, policy, reference
from ledger.demo.orders import SHIPPING_WEEKDAYS, Orders
from ledger.demo.promises import PromiseBook
from ledger.demo.site import Site
from ledger.demo.standing import Batch, CropStand, Lot, Shelf
from ledger.demo.story import Story, Thread
from ledger.demo.telling import Day
from ledger.demo.world import PLAIN, World
from ledger.plants.entries import Opened, PolicySet, PottingAnswered, PottingLine, Stage, StockSet, StockSource

_UNWRITTEN = timedelta(weeks=66)
_MONDAY, _TUESDAY, _SATURDAY, _SUNDAY = 0, 1, 5, 6
_JANUARY, _DECEMBER = 1, 12
_CLOSED_ON = 6
#: a slip of the old year that turns up after it was closed
_LAST_DAYS_FROM, _DAYS_IN_A_POCKET = 29, 12
_FULL_COUNT_FROM = 14


def history(
    *, seed: int, crops: int, months: int, today: date, world: World = PLAIN, desk: Desk | None = None
) -> Iterator[Day]:
    """Every entry of the nursery from `months` before `today` to yesterday evening, day by day, as it was told."""
    return Brindlewick(seed=seed, crops=crops, months=months, today=today, world=world, desk=desk).days()


def opening_day(today: date, months: int) -> date:
    """The same day so many calendar months earlier, or the last of that month."""
    month = today.year * 12 + today.month - 1 - months
    year, month = month // 12, month % 12 + 1
    return date(year, month, min(today.day, calendar.monthrange(year, month)[1]))


class Brindlewick:
    """One run of the demo nursery. `told_threads` fills while `days` is consumed.

    With a desk to ask at, the shop sells through promises from the first sixth of the run on, and forecasts are published
    each week from the middle of it on. Then some entries are written at the desk, and the days hold the others: write them
    at the same desk as they come.
    """

    def __init__(
        self, *, seed: int, crops: int, months: int, today: date, world: World = PLAIN, desk: Desk | None = None
    ) -> None:
        if crops < 1 or months < 1:
            raise ValueError("a nursery needs at least one crop and one month")
        self._opens = opening_day(today, months)
        self._today = today
        began = self._opens - _UNWRITTEN
        self._site = Site(seed=seed, crops=crops, world=world, began=began, ends=today)
        self._orders = Orders(self._site)
        self._buying = odd_jobs.Buying(self._site)
        self._desk = desk
        self._promises = PromiseBook(self._site, desk) if desk is not None else None
        self._story = Story(self._site, self._orders, self._promises)
        self._sells_from = self._opens + (today - self._opens) / 6
        self._forecasts_from = self._opens + (today - self._opens) / 2
        self._crops = [stand.crop.code for stand in self._site.stands]
        self._asked_to_pot: tuple[UUID, list[PottingLine]] | None = None
        #: potting lists worked through: the first of every three comes in a week without time
        self._lists = 0
        self._by_weekday = [[stand for stand in self._site.stands if stand.index % 5 == weekday] for weekday in range(5)]

    @property
    def told_threads(self) -> Mapping[int, Thread]:
        """The threads of the story told so far, by their number."""
        return self._story.told

    def days(self) -> Iterator[Day]:
        """Lives through the run, once; memory holds what stands, not what was."""
        day = self._opens - _UNWRITTEN
        while day < self._opens:
            self._site.begin(day)
            self._work()
            self._site.teller.end()
            day += timedelta(days=1)
        yield self._open()
        day += timedelta(days=1)
        while day < self._today:
            self._site.begin(day)
            self._story.prepare()
            self._work()
            if day == self._today - timedelta(days=1):
                self._site.teller.hand_in_everything()
                if self._promises is not None:
                    self._site.tell(PolicySet, OWNER, **policy(**self._story.policy))
            told = self._site.teller.end()
            if told.entries:
                yield told
            day += timedelta(days=1)

    # --- one day ---

    def _work(self) -> None:
        weekday = self._site.today.weekday()
        if weekday == _SUNDAY:
            return
        if weekday == _SATURDAY:
            self._site.teller.at(10)
            potting.sell_seconds(self._site)
            return
        self._morning(weekday)
        self._promised_work(weekday)
        shipping = weekday in SHIPPING_WEEKDAYS
        if shipping:
            self._site.teller.at(9.5)
            self._orders.answer_claims()
            self._orders.take_and_pick()
        self._site.teller.at(11)
        self._story.go_on()
        if weekday == _TUESDAY:
            self._site.teller.at(13)
            self._pot_what_promises_ask()
            self._story.note_potting(potting.work_through_list(self._site))
        if shipping:
            self._site.teller.at(15)
            self._orders.ship()
        if weekday == _MONDAY:
            odd_jobs.treat(self._site)

    def _promised_work(self, weekday: int) -> None:
        """On Mondays new forecasts, on Tuesdays the list of what promises ask to be potted."""
        today, promises = self._site.today, self._promises
        if promises is None or today < self._sells_from or not self._site.teller.writing:
            return
        self._orders.promises = promises
        self._site.teller.at(9)
        if weekday == _MONDAY and today >= self._forecasts_from:
            promises.begin_week(self._crops)
        if weekday == _TUESDAY:
            self._asked_to_pot = promises.issue_potting()

    def _pot_what_promises_ask(self) -> None:
        if self._asked_to_pot is None:
            return
        issued, lines = self._asked_to_pot
        self._asked_to_pot, self._lists = None, self._lists + 1
        answered = [
            self._site.tell(
                PottingAnswered, self._site.potter(), day=self._site.today, crop=line.crop, size=line.size, potted=potted,
                because=because,
            )
            for line, potted, because in potting.work_through_asked(self._site, lines, hurried=self._lists % 3 == 1)
        ]  # fmt: skip
        self._story.note_asked_potting(issued, answered)

    def _morning(self, weekday: int) -> None:
        site = self._site
        site.teller.at(7)
        for stand in self._by_weekday[weekday]:
            self._story.note_rooting(propagation.look_at_struck(site, stand))
            propagation.look_at_held(site, stand)
            potting.look_over_benches(site, stand)
            odd_jobs.carry_about(site, stand)
            stand.sweep()
        nth = _working_day_of_month(site.today)
        for stand in site.stands:
            if stand.index % 15 + 3 == nth:
                potting.count_some_blind(site, stand)
                odd_jobs.give_out(site, stand)
                odd_jobs.care_for_stock(site, stand)
        if site.today.month == _DECEMBER and _first_working_day_from(site.today, _FULL_COUNT_FROM):
            self._story.note_full_count(potting.count_everything(site))
        if site.today.month == _DECEMBER and _first_working_day_from(site.today, _LAST_DAYS_FROM):
            odd_jobs.pocket_a_slip(site, days=_DAYS_IN_A_POCKET)
        if site.today.month == _JANUARY and _first_working_day_from(site.today, _CLOSED_ON):
            self._close_december()
        site.teller.at(8.5)
        self._story.note_striking(propagation.strike_where_due(site))
        self._buying.look()

    def _close_december(self) -> None:
        """What is told later of the old year counts in the new one."""
        december = date(self._site.today.year - 1, _DECEMBER, 1)
        if self._desk is not None and self._opens <= december:
            self._desk.close(f"{december:%Y-%m}", ACCOUNTANT, self._site.teller.now())

    # --- the first day ---

    def _open(self) -> Day:
        """Reference values, then everything that stands, as the owner and the head grower find it."""
        site = self._site
        site.begin(self._opens)
        site.teller.writing = True
        self._orders.forget_all()
        for kind, fields in reference([stand.crop for stand in site.stands], self._opens):
            site.tell(kind, OWNER, **fields)
        opened = []
        for stand in site.stands:
            for plants in stand.stock:
                site.tell(
                    StockSet, OWNER, stock_plant=plants.code, crop=stand.crop.code, place=stand.homes.stock, units=plants.units,
                    source=StockSource.OPENING,
                )  # fmt: skip
            opened += [self._open_lot(stand, lot) for lot in _standing_at_opening(stand)]
        self._story.note_opening(opened)
        return site.teller.end()

    def _open_lot(self, stand: CropStand, lot: Lot) -> tuple[UUID, Lot]:
        site, shelf = self._site, lot.batch.shelf
        lot.batch = Batch(site.teller.next_batch(), stand, shelf, frozenset(), opened=True)
        lot.book = lot.alive
        entry = site.tell(
            Opened, HEAD_GROWER, crop=stand.crop.code, stage=lot.stage, place=lot.place, units=lot.book,
            size=shelf.size if shelf else None, age_days=(site.today - lot.since).days, batch=lot.batch.number,
        )  # fmt: skip
        return entry, lot


def _standing_at_opening(stand: CropStand) -> list[Lot]:
    """The living lots of a crop; the finished plants of each size are taken together."""
    stand.seconds.clear()
    for shelf in stand.shelves.values():
        _take_finished_together(shelf)
    for lot in stand.lots():
        if not lot.alive:
            lot.book = 0
    stand.sweep()
    return stand.lots()


def _take_finished_together(shelf: Shelf) -> None:
    living = sum(lot.alive for lot in shelf.finished)
    if living:
        oldest = shelf.finished[0]
        shelf.finished = [Lot(oldest.batch, Stage.FINISHED, oldest.place, living, oldest.since)]
    else:
        shelf.finished.clear()


def _working_day_of_month(day: date) -> int:
    """1 for the first Monday-to-Friday of the month, and so on."""
    return sum(date(day.year, day.month, n).weekday() < _SATURDAY for n in range(1, day.day + 1))


def _first_working_day_from(day: date, day_of_month: int) -> bool:
    """Whether this is the first working day of its month on or after a day of the month."""
    return day.day >= day_of_month and all(
        date(day.year, day.month, n).weekday() >= _SATURDAY for n in range(day_of_month, day.day)
    )
