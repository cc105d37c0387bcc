"""The simulated shop's promises: baskets asked for, what was granted kept in mind, lines picked when due or given a new day.

Keeps beside the ledger what a shop would know of its own orders. What is granted is the service's answer, never guessed.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from uuid import UUID

from ledger.demo.desk import AtRisk, Desk
from ledger.demo.nursery import OFFICE
from ledger.demo.site import Site
from ledger.demo.standing import Shelf
from ledger.plants.entries import (
    BasketLine,
    PottingIssued,
    PottingLine,
    PromiseConfirmed,
    Promised,
    PromiseMoved,
    PromiseReleased,
)

_LATER = timedelta(weeks=2)
_MOST_MOVES = 2


@dataclass(slots=True, eq=False)
class Line:
    """A granted line, as the shop remembers it."""

    promise: UUID
    index: int
    order: str
    region: str
    shelf: Shelf
    due: date
    open: int
    replaces: UUID | None
    picked: int = 0
    moves: int = 0


@dataclass(slots=True)
class Wish:
    """What a buyer would like of one crop and size, by a day or now."""

    shelf: Shelf
    units: int
    due: date | None = None
    part: bool = False
    later: bool = False


@dataclass(slots=True)
class Basket:
    """What one order asks for."""

    order: str
    region: str
    wishes: list[Wish]
    replaces: UUID | None = None


@dataclass(slots=True)
class PromiseBook:
    """Every line granted, by order; and the days for which potting was asked."""

    site: Site
    desk: Desk
    _lines: dict[str, list[Line]] = field(default_factory=dict)
    _by_promise: dict[tuple[UUID, int], Line] = field(default_factory=dict)
    _open: list[Line] = field(default_factory=list)
    _potting_days: set[date] = field(default_factory=set)

    # --- asking ---

    def ask(self, baskets: Sequence[Basket]) -> list[Line]:
        """Ask for baskets; what is granted is bought at once. The lines granted, in the order asked for."""
        baskets = [basket for basket in baskets if basket.wishes]
        if not baskets:
            return []
        asked = [self._worded(basket) for basket in baskets]
        self.hand_over()
        granted, lines = self.desk.promise(asked), list[Line]()
        for basket, (promised, _) in zip(baskets, asked, strict=True):
            for grant in granted.get(promised.id, ()):
                shelf = basket.wishes[grant.index].shelf
                lines.append(
                    Line(promised.id, grant.index, basket.order, basket.region, shelf, grant.due, grant.units, basket.replaces)
                )
                if grant.potting_on is not None:
                    self._potting_days.add(grant.potting_on)
        for line in lines:
            self._lines.setdefault(line.order, []).append(line)
            self._by_promise[line.promise, line.index] = line
        self._open += lines
        return lines

    def _worded(self, basket: Basket) -> tuple[Promised, PromiseConfirmed]:
        word = self.site.teller.word
        lines = [
            BasketLine(
                crop=wish.shelf.of.crop.code, size=wish.shelf.size, units=wish.units, due=wish.due, allow_part=wish.part,
                allow_later=wish.later,
            )
            for wish in basket.wishes
        ]  # fmt: skip
        promised = word(
            Promised, OFFICE, order=basket.order, region=basket.region, lines=lines, all_or_none=False, replaces=basket.replaces
        )
        return promised, word(PromiseConfirmed, OFFICE, promise=promised.id)

    def hand_over(self) -> None:
        """Whatever was told so far today is written before what is asked now."""
        self.desk.write(self.site.teller.hand_over())

    # --- picking ---

    def due_before(self, day: date) -> list[Line]:
        """Open lines due before a day, the earliest first."""
        self._open = [line for line in self._open if line.open]
        return sorted((line for line in self._open if line.due < day), key=lambda line: line.due)

    def open_units(self, shelf: Shelf) -> int:
        """Units of a crop and size that are promised and not picked."""
        return sum(line.open for line in self._open if line.shelf is shelf)

    def pulled(self, order: str, shelf: Shelf, units: int) -> None:
        """Picked plants close an order's lines, the earliest due first; those that come back open them, the last first."""
        lines = sorted((line for line in self._lines.get(order, ()) if line.shelf is shelf), key=lambda line: line.due)
        for line in lines if units > 0 else reversed(lines):
            closed = min(units, line.open) if units > 0 else max(units, -line.picked)
            line.open -= closed
            line.picked += closed
            units -= closed
            if closed < 0 and line not in self._open:
                self._open.append(line)

    # --- each week ---

    def begin_week(self, crops: Sequence[str]) -> None:
        """New forecasts; then whoever may not get plants on the day is offered another, and so is who did not."""
        self.look_again(crops)
        for line in self.due_before(self.site.today):
            if not self.desk.still_open(line.promise, line.index):
                line.open = 0
            elif line.moves < _MOST_MOVES:
                self.move(line, self.site.today + _LATER)
            else:
                reason = "not there in time, the buyer has the money back"
                self.site.tell(PromiseReleased, OFFICE, promise=line.promise, line=line.index, reason=reason)
                line.open = 0

    def look_again(self, crops: Sequence[str]) -> list[tuple[Line, AtRisk, UUID | None]]:
        """Publish the forecasts of crops; lines at risk for which a later day is offered are moved to it."""
        self.hand_over()
        self.desk.publish(crops, self.site.teller.now())
        found = list[tuple[Line, AtRisk, UUID | None]]()
        for risk in self.desk.at_risk():
            line = self._by_promise[risk.promise, risk.index]
            better = risk.offered is not None and risk.offered > line.due and line.open
            found.append((line, risk, self.move(line, risk.offered) if better and risk.offered else None))
        return found

    def move(self, line: Line, due: date) -> UUID:
        """A line to a later day."""
        line.due = due
        line.moves += 1
        return self.site.tell(PromiseMoved, OFFICE, promise=line.promise, line=line.index, due=due)

    # --- the potting that promises ask for ---

    def issue_potting(self) -> tuple[UUID, list[PottingLine]] | None:
        """The list for today, if promises ask for any potting today."""
        today = self.site.today
        if today not in self._potting_days:
            return None
        self._potting_days.discard(today)
        issued = self.site.tell(PottingIssued, OFFICE, day=today)
        self.hand_over()
        return issued, self.desk.listed(today)
