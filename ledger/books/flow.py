"""What plants cost, from cutting to customer: the moving average of each crop, size and stage, entry by entry. Pure.

A pool is the plants of one crop and size in one stage; its units and its value make the average at which plants leave it.
The flow runs in the order of the log: a late slip is valued at the average in force when it is told, and booked on its day.
So what was printed before stays what it was, and the lines of a closed period never change.

Inside, money is a whole number of millionths of a minor unit (`MICRO` to the penny). Every line that takes value out of a
pool takes exactly what the pool loses: nothing is rounded away. Normal losses leave no value: the survivors carry it.
Abnormal losses are an expense when they happen (IAS 2.16); the user's `books-set` says where the border is.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime, timedelta
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise
from typing import Any, assert_never
from uuid import UUID

import msgspec
from msgspec import Struct

from ledger.plants import entries as told_as
from ledger.plants import recorded as accounts
from ledger.plants.entries import BooksSet, CostStep, NormalBasis, PlaceKind, RecipeSet, Stage
from ledger.plants.recorded import LIFE, STOCK, Move, Recorded, split_standing

MICRO = 1_000_000
#: square centimetres in a square metre, days in a week: rates are per square metre and week
_CM2, _WEEK = 10_000, 7
_A_MONTH = timedelta(days=31)
#: ready for sale, or sold: no space of theirs belongs to their cost
UNSOLD = (Stage.FINISHED, Stage.SECONDS, Stage.PICKED)
_IN_CELLS = (Stage.STRUCK, Stage.ROOTED)
_RANK = {stage.value: rank for rank, stage in enumerate(LIFE)} | {Stage.SECONDS.value: LIFE.index(Stage.FINISHED)}
_COMING_IN = {accounts.FROM_STOCK_PLANT: "gathered", accounts.BOUGHT_IN: "bought-in", accounts.OPENING: "opened"}
_GOING_OUT = (accounts.SHIPPED, accounts.GIVEN_OUT, accounts.PLANTED_AS_STOCK)
#: what a reversal does not turn round: time went by all the same, and counts are taken back by their own movements
_NOT_TURNED = ("space", "storage", "adjusted", "counted")


#: currencies without decimal places, and with three (ISO 4217)
_WHOLE = (
    "BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "UYI", "VND", "VUV", "XAF", "XOF", "XPF",
)  # fmt: skip
_THOUSANDTHS = ("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND")


def minor_places(currency: str) -> int:
    """Decimal places of a currency (ISO 4217): 2 for most."""
    if currency in _WHOLE:
        return 0
    return 3 if currency in _THOUSANDTHS else 2


def micro(amount: str, currency: str = "GBP") -> int:
    """An amount as told (a decimal string in the currency) in millionths of its minor unit."""
    return int(Decimal(amount).scaleb(minor_places(currency)) * MICRO)


def minor(value: int) -> int:
    """Millionths in whole minor units, half to even."""
    return _share(value, 1, MICRO)


def _share(value: int, part: int, whole: int) -> int:
    """Value x part / whole as a whole number, half to even; whole > 0."""
    quotient, rest = divmod(value * part, whole)
    twice = 2 * rest
    return quotient + (1 if twice > whole or (twice == whole and quotient % 2) else 0)


class Line(Struct, frozen=True, kw_only=True):
    """One effect of an entry on one pool. Signs are those of the pool: what comes in is positive.

    value: what the pool's value changes by. cost: the units at their average, also where a normal loss leaves no value.
    normal: how many units of a loss were normal. cause: of a loss its cause, of work the step of the standard cost.
    span_from: of a charge for space the first day it covers; `day` is the last.
    """

    position: int
    line: int
    crop: str
    size: str | None
    stage: str
    place: str
    batch: str
    day: date
    recorded_at: datetime
    type: str
    person: str
    flow: str
    cause: str = ""
    order_ref: str | None = None
    span_from: date | None = None
    units: int = 0
    value: int = 0
    cost: int = 0
    normal: int = 0


# --- what has to be known of the past -----------------------------------------------------------------------------


class Dated(Struct, kw_only=True):
    """A value with the days from which it changed, in order."""

    days: list[date] = []
    values: list[Any] = []

    def set(self, day: date, value: Any) -> None:
        """From this day on; told again for one day, the last counts."""
        at = bisect_right(self.days, day)
        if at and self.days[at - 1] == day:
            self.values[at - 1] = value
        else:
            self.days.insert(at, day)
            self.values.insert(at, value)

    def on(self, day: date) -> Any:
        """The value in force on a day; None before the first."""
        at = bisect_right(self.days, day)
        return self.values[at - 1] if at else None


class Reference(Struct, kw_only=True):
    """Standard costs, areas, recipes and what the accountant decided."""

    books: BooksSet | None = None
    currency: str = "GBP"
    rates: dict[str, Dated] = {}
    places: dict[str, Dated] = {}
    sizes: dict[str, Dated] = {}
    #: the days on which any of these changed
    changed_on: list[date] = []

    def rate(self, step: CostStep, crop: str, size: str | None, day: date) -> int:
        """The standard cost in micro, 0 where none was told: the most specific that is in force on the day."""
        for of in ((crop, size), (crop, None), (None, size), (None, None)):
            dated = self.rates.get(_rate_key(step, *of))
            found = dated.on(day) if dated is not None else None
            if found is not None:
                return int(found)
        return 0

    def changes(self, since: date, until: date) -> list[date]:
        """Days in between on which a charge for space may change: first days of months, and of new rates and areas."""
        days = set(self.changed_on[bisect_right(self.changed_on, since) : bisect_left(self.changed_on, until)])
        month = (since.replace(day=1) + _A_MONTH).replace(day=1)
        while month < until:
            days.add(month)
            month = (month + _A_MONTH).replace(day=1)
        return sorted(days)

    def change(self, dated: dict[str, Dated], key: str, day: date, value: Any) -> None:
        """From this day on, what space costs or takes up is another."""
        dated.setdefault(key, Dated()).set(day, value)
        at = bisect_left(self.changed_on, day)
        if self.changed_on[at : at + 1] != [day]:
            self.changed_on.insert(at, day)


def _rate_key(step: CostStep, crop: str | None, size: str | None) -> str:
    return f"{step}/{crop or ''}/{size or ''}"


class BatchOf(Struct, frozen=True, kw_only=True, array_like=True):
    """Which crop and size a batch is, and how many cells its trays have."""

    crop: str
    size: str | None = None
    tray_cells: int | None = None


class Pool(Struct, kw_only=True):
    """Plants of one crop and size in one stage. `seen_*` keep the last average for when it is empty.

    standing: units by `place/cells of a tray` (0 where that was not told). day: up to which, not included, space has been
    charged.
    """

    units: int = 0
    value: int = 0
    seen_units: int = 0
    seen_value: int = 0
    day: date | None = None
    standing: dict[str, int] = {}


class Allowance(Struct, kw_only=True):
    """How much of a batch's loss in a stage is normal: `percent` of what entered, was looked at, or passed on as good."""

    percent: int
    entered: int = 0
    inspected: int = 0
    passed: int = 0
    used: int = 0


class CropBooks(Struct, kw_only=True):
    """One crop: its recipe, its pools by `size/stage`, allowances by `batch/stage`, the units of each batch that has any."""

    recipe: RecipeSet | None = None
    pools: dict[str, Pool] = {}
    allowances: dict[str, Allowance] = {}
    alive: dict[str, int] = {}


class Shelf(Struct, kw_only=True):
    """Everything the flow remembers. Whoever keeps it has at hand what `batches_of` and `crops_of` name, and the reference."""

    reference: Reference = msgspec.field(default_factory=Reference)
    batches: dict[str, BatchOf] = {}
    crops: dict[str, CropBooks] = {}
    #: lines of an entry that is taken back, by its id
    lines_of: Callable[[UUID], Sequence[Line]] = lambda _: ()
    #: a rooting count or a grading that is taken back, by its id: how many it looked at is in no line
    look_of: Callable[[UUID], Recorded | None] = lambda _: None


def batches_of(entry: Recorded) -> set[str]:
    """The batches that an entry's movements name, or that it looked at without moving any."""
    sides = (split_standing(account) for move in entry.moves for account in (move.source, move.target))
    looked_at = {entry.told.batch} if isinstance(entry.told, told_as.Rooted | told_as.Graded) else set()
    return {side[0] for side in sides if side is not None and side[1] != STOCK} | looked_at


def looks(entry: Recorded) -> bool:
    """Whether it is a rooting count or a grading."""
    return isinstance(entry.told, told_as.Rooted | told_as.Graded)


def crops_of(entry: Recorded) -> set[str]:
    """The crops that an entry names by their code; those of its batches come on top."""
    crop = getattr(entry.told, "crop", None)
    return {crop} if crop is not None and (entry.moves or isinstance(entry.told, RecipeSet)) else set()


# --- the flow ---------------------------------------------------------------------------------------------------------


def apply(shelf: Shelf, entry: Recorded) -> list[Line]:
    """The lines of one entry; the shelf moves on. Entries that move no plant change the reference, or looked at plants."""
    if not entry.moves:
        _refer(shelf, entry)
        _Posting(shelf, entry).count_inspected()
        return []
    _name(shelf, entry)
    posting = _Posting(shelf, entry)
    if isinstance(entry.told, told_as.Reversed):
        posting.turn_round(shelf.lines_of(entry.told.entry))
    else:
        posting.move()
    posting.clear()
    return posting.lines


def _refer(shelf: Shelf, entry: Recorded) -> None:
    reference, told, day = shelf.reference, entry.told, entry.booked_on
    match told:
        case told_as.CostSet():
            key = _rate_key(told.step, told.crop, told.size)
            amount = micro(told.amount, reference.currency)
            reference.change(reference.rates, key, max(told.effective_on, day), amount)
        case told_as.PlaceSet():
            kept = [told.kind.value, told.area_cm2, told.tray_places]
            reference.change(reference.places, told.code, day, kept)
        case told_as.SizeSet():
            reference.change(reference.sizes, told.code, day, [told.area_cm2, told.hooks])
        case RecipeSet():
            shelf.crops.setdefault(told.crop, CropBooks()).recipe = told
        case told_as.PolicySet():
            reference.currency = told.currency
        case BooksSet():
            reference.books = told
        case _:
            pass


def _name(shelf: Shelf, entry: Recorded) -> None:
    """Batches that this entry names for the first time."""
    told = entry.told
    match told:
        case told_as.Opened() | told_as.BoughtIn():
            _new(shelf, told.batch, BatchOf(crop=told.crop, size=told.size))
        case told_as.Gathered():
            _new(shelf, told.batch, BatchOf(crop=told.crop))
        case told_as.Struck():
            of = shelf.batches.get(told.batch or "") or BatchOf(crop=told.crop or "")
            if of.tray_cells is None:
                shelf.batches[told.batch or ""] = BatchOf(crop=of.crop, tray_cells=told.tray_cells or 0)
        case told_as.Potted() | told_as.PottedUp():
            _new(shelf, told.into, BatchOf(crop=shelf.batches[told.batch].crop, size=told.size))
        case told_as.Merged():
            _new(shelf, told.into, shelf.batches[told.sources[0].batch])
        case told_as.Renamed():
            of = shelf.batches[told.batch]
            _new(shelf, told.into, BatchOf(crop=told.crop, size=of.size, tray_cells=of.tray_cells))
        case _:
            pass


def _new(shelf: Shelf, batch: str | None, of: BatchOf) -> None:
    shelf.batches.setdefault(batch or "", of)


class _Side:
    """One side of a movement inside the books: a batch in a stage at a place, its pool and its crop's books."""

    def __init__(self, shelf: Shelf, account: str) -> None:
        where = split_standing(account)
        assert where is not None
        self.batch, self.stage, self.place = where
        self.of = shelf.batches[self.batch]
        self.books = shelf.crops.setdefault(self.of.crop, CropBooks())
        self.key = f"{self.of.size or ''}/{self.stage}"
        self.pool = self.books.pools.setdefault(self.key, Pool())

    def same_pool(self, other: _Side) -> bool:
        return self.pool is other.pool


class _Posting:
    """One entry on its way into the books."""

    def __init__(self, shelf: Shelf, entry: Recorded) -> None:
        self.shelf = shelf
        self.entry = entry
        self.reference = shelf.reference
        self.books = shelf.reference.books or AS_IT_COMES
        self.lines: list[Line] = []
        self.touched: dict[int, tuple[_Side, date]] = {}
        #: value and units under way through `converted`
        self.carried = 0

    def side(self, account: str, day: date) -> _Side | None:
        """The pool behind an account, charged for space up to the day; None for outside accounts and stock plants."""
        where = split_standing(account)
        if where is None or where[1] == STOCK:
            return None
        side = _Side(self.shelf, account)
        self.charge_pool(side, day)
        self.touched[id(side.pool)] = (side, day)
        return side

    def post(self, side: _Side, day: date, flow: str, *, units: int = 0, value: int = 0, **more: Any) -> None:
        """Write a line and change the pool by it."""
        pool = side.pool
        if pool.units > 0:
            pool.seen_units, pool.seen_value = pool.units, pool.value
        pool.units += units
        pool.value += value
        self.lines.append(
            Line(
                position=self.entry.position,
                line=len(self.lines),
                crop=side.of.crop,
                size=side.of.size,
                stage=side.stage,
                place=side.place,
                batch=side.batch,
                day=day,
                recorded_at=self.entry.recorded_at,
                type=told_as.type_of(self.entry.told),
                person=self.entry.told.by,
                flow=flow,
                units=units,
                value=value,
                **{"cost": value, **more},
            )
        )

    # --- an entry as it comes ----------------------------------------------------------------------------------

    def move(self) -> None:
        """Losses before the rest, so that what passes on carries what it must."""
        self.count_bases(1)
        own = [move for move in self.entry.moves if move.count is None]
        self.found()
        for move in sorted(own, key=lambda move: not _is_loss(move)):
            self.make(move)
        self.missed()

    def found(self) -> None:
        """What counts give to pools, before anything leaves them: so that none is below zero on the way."""
        for move in self.entry.moves:
            if move.count is not None and move.source == accounts.COUNT_DIFFERENCE:
                self.make(move)

    def missed(self) -> None:
        """What counts take from pools, last."""
        for move in self.entry.moves:
            if move.count is not None and move.target == accounts.COUNT_DIFFERENCE:
                self.make(move)

    def make(self, move: Move) -> None:
        """One movement, valued as it comes."""
        day = move.booked_on or self.entry.booked_on
        source, target = self.side(move.source, day), self.side(move.target, day)
        if source is not None and target is not None:
            self.pass_on(move, source, target, day)
        elif source is not None:
            self.leave(move, source, day)
        elif target is not None:
            self.come(move, target, day)
        self.stand(source, -move.units, day)
        self.stand(target, move.units, day)

    def come(self, move: Move, side: _Side, day: date) -> None:
        """From outside the books into a pool."""
        told, order = self.entry.told, move.order
        crop, size = side.of.crop, side.of.size
        if move.source == accounts.COUNT_DIFFERENCE:
            self.post(side, day, "counted", units=move.units, value=self.at_average(side, move.units))
        elif move.source == accounts.CONVERTED:
            self.post(side, day, "made", units=move.units, value=self.carried)
            self.carried = 0
            if isinstance(told, told_as.Struck) and told.stock_plants:
                self.work(side, day, CostStep.CUTTING, told.cuttings)
            self.work(side, day, CostStep.STRIKING if side.stage == Stage.STRUCK else CostStep.POTTING, move.units)
        elif move.source == accounts.BOUGHT_IN:
            told_cost = getattr(told, "unit_cost", None)
            each = (
                micro(told_cost, self.reference.currency)
                if told_cost
                else self.reference.rate(CostStep.BOUGHT_IN, crop, size, day)
            )
            self.post(side, day, "bought-in", units=move.units, value=each * move.units)
        elif move.source == accounts.OPENING:
            self.post(side, day, "opened", units=move.units, value=move.units * self.standard(side, day))
        else:
            self.post(side, day, _COMING_IN[move.source], units=move.units, order_ref=order)
            self.work(side, day, CostStep.CUTTING, move.units)

    def work(self, side: _Side, day: date, step: CostStep, units: int) -> None:
        """Material and labour of one step, at the standard cost of the day."""
        value = units * self.reference.rate(step, side.of.crop, side.of.size, day)
        if value:
            self.post(side, day, "work", value=value, cause=step.value)

    def standard(self, side: _Side, day: date) -> int:
        """The standard costs of one unit up to its stage, each step once."""
        crop, size = side.of.crop, side.of.size
        recipe = side.books.recipe

        def rate(step: CostStep, of: str | None = None) -> int:
            return self.reference.rate(step, crop, of, day)

        if side.stage == Stage.GATHERED:  # cuttings and cells have no size yet, whatever they became
            return rate(CostStep.CUTTING)
        cell = rate(CostStep.CUTTING) * (recipe.cuttings_per_cell if recipe else 1) + rate(CostStep.STRIKING)
        if side.stage in _IN_CELLS:
            return cell
        pot = cell * (recipe.plugs_per_pot.get(size or "", 1) if recipe else 1) + rate(CostStep.POTTING, size)
        return pot if side.stage == Stage.POTTED else pot + rate(CostStep.LABELLING, size)

    def pass_on(self, move: Move, source: _Side, target: _Side, day: date) -> None:
        """Between pools at the average; inside one pool only the place or the batch changes."""
        if source.same_pool(target):
            return
        value = self.at_average(source, move.units)
        self.post(source, day, "passed-on", units=-move.units, value=-value, order_ref=move.order)
        self.post(target, day, "passed-in", units=move.units, value=value, order_ref=move.order)
        if source.stage == Stage.POTTED and target.stage in (Stage.FINISHED, Stage.SECONDS):
            self.work(target, day, CostStep.LABELLING, move.units)

    def leave(self, move: Move, side: _Side, day: date) -> None:
        """Out of a pool, to outside the books."""
        value = self.at_average(side, move.units)
        if _is_loss(move):
            self.lose(side, move.units, move.target.removeprefix(accounts.LOSS), day)
            return
        if move.target == accounts.CONVERTED:
            self.carried += value
        flow = {accounts.CONVERTED: "used", accounts.COUNT_DIFFERENCE: "counted"}.get(move.target, move.target)
        assert flow in ("used", "counted") or flow in _GOING_OUT, f"{move.target} is no account that plants leave to"
        self.post(side, day, flow, units=-move.units, value=-value, order_ref=move.order)

    def lose(self, side: _Side, units: int, cause: str, day: date) -> None:
        """Abnormal units leave at the average, normal ones leave their cost behind, unless nobody is left to carry it."""
        normal = min(units, self.normal_left(side, cause))
        if units == side.pool.units:
            normal = 0
        cost = self.at_average(side, units)
        value = self.at_average(side, units - normal)
        self.post(side, day, "lost", units=-units, value=-value, cost=-cost, cause=cause, normal=normal)
        if normal:
            self.allowance(side).used += normal

    def at_average(self, side: _Side, units: int) -> int:
        """Units at the pool's average; all of it for the last ones; the last known average where it is empty."""
        pool = side.pool
        if pool.units > 0:
            return _share(pool.value, units, pool.units)
        return _share(pool.seen_value, units, pool.seen_units) if pool.seen_units > 0 else 0

    # --- normal loss -------------------------------------------------------------------------------------------

    def allowance(self, side: _Side) -> Allowance:
        key = f"{side.batch}/{side.stage}"
        if key not in side.books.allowances:
            side.books.allowances[key] = Allowance(percent=self.percent(side))
        return side.books.allowances[key]

    def percent(self, side: _Side) -> int:
        """The normal loss of a stage, by the recipe for the month of entry, else as the accountant set it."""
        recipe, timing = side.books.recipe, None
        if recipe is not None and side.stage == Stage.STRUCK:
            timing = recipe.rooting
        elif recipe is not None and side.stage == Stage.POTTED:
            timing = recipe.growing.get(side.of.size or "")
        if timing is not None:
            return 100 - timing.come_through[self.entry.booked_on.month - 1]
        percent: int = getattr(self.books.normal_percent, side.stage)
        return percent

    def normal_left(self, side: _Side, cause: str) -> int:
        """How many more units of this batch may be lost in this stage as a matter of course."""
        if not self.books.expense_abnormal:
            return side.pool.units
        if cause in self.books.always_abnormal:
            return 0
        of = self.allowance(side)
        match self.books.normal_basis:
            case NormalBasis.OF_INPUT:
                base = of.entered
            case NormalBasis.OF_INSPECTED:
                base = of.inspected
            case NormalBasis.OF_GOOD_OUTPUT:
                base = of.passed
            case _:
                assert_never(self.books.normal_basis)
        return max(0, base * of.percent // 100 - of.used)

    def count_bases(self, sign: int) -> None:
        """What the allowances are of: this entry's units that entered, were looked at, or passed on. -1: taken back."""
        for move in self.entry.moves:
            if move.count is not None:
                continue
            ends = (move.source, move.target) if sign > 0 else (move.target, move.source)
            source, target = (self.unposted(account) for account in ends)
            if source is not None and target is not None and source.batch == target.batch:
                forward = _RANK[target.stage] - _RANK[source.stage]
                if forward > 0:
                    self.allowance(source).passed += sign * move.units
                    self.allowance(target).entered += sign * move.units
                elif forward < 0:
                    self.allowance(source).entered -= sign * move.units
                    self.allowance(target).passed -= sign * move.units
            else:
                joined = source is not None and target is not None
                if source is not None and joined:
                    self.allowance(source).entered -= sign * move.units
                elif source is not None and not ends[1].startswith(accounts.LOSS):
                    self.allowance(source).passed += sign * move.units
                if target is not None:
                    self.allowance(target).entered += sign * move.units
        self.count_inspected()

    def count_inspected(self) -> None:
        """Units looked at, or no longer so where that is taken back."""
        told, sign = self.entry.told, 1
        if isinstance(told, told_as.Reversed) and (look := self.shelf.look_of(told.entry)) is not None:
            told, sign = look.told, -1
        if isinstance(told, told_as.Rooted):
            seen, stage = told.usable + told.weak + told.failed, Stage.STRUCK
        elif isinstance(told, told_as.Graded):
            seen, stage = told.finished + told.held_back + told.seconds + told.culled, Stage.POTTED
        else:
            return
        side = _Side(self.shelf, accounts.standing(told.batch, stage, told.place))
        self.allowance(side).inspected += sign * seen

    def unposted(self, account: str) -> _Side | None:
        where = split_standing(account)
        return _Side(self.shelf, account) if where is not None and where[1] != STOCK else None

    # --- an entry taken back -----------------------------------------------------------------------------------

    def turn_round(self, lines: Sequence[Line]) -> None:
        """The opposite of what the entry taken back did; what its reversal moves against counts is valued as it comes."""
        self.count_bases(-1)
        self.found()
        day, ends = self.entry.booked_on, list[tuple[_Side | None, int, date]]()
        for move in self.entry.moves:
            if move.count is None:
                day = move.booked_on or self.entry.booked_on
                ends += [(self.side(move.source, day), -move.units, day), (self.side(move.target, day), move.units, day)]
        for line in lines:
            if line.flow in _NOT_TURNED:
                continue
            side = _Side(self.shelf, accounts.standing(line.batch, line.stage, line.place))
            self.post(
                side, day, line.flow, units=-line.units, value=-line.value, cost=-line.cost, cause=line.cause,
                normal=-line.normal, order_ref=line.order_ref,
            )  # fmt: skip
            if line.normal:
                self.allowance(side).used -= line.normal
        for end in ends:
            self.stand(*end)
        self.missed()

    def clear(self) -> None:
        """No pool keeps value without plants, or less than nothing: what is left over is a line of its own.

        Batches of which nothing is left are forgotten.
        """
        for side, day in self.touched.values():
            pool = side.pool
            if pool.value < 0 or (pool.units == 0 and pool.value != 0):
                self.post(side, day, "adjusted", value=-pool.value)
        for batch in batches_of(self.entry):
            books = self.shelf.crops[self.shelf.batches[batch].crop]
            if not books.alive.get(batch):
                books.alive.pop(batch, None)
                for stage in Stage:
                    books.allowances.pop(f"{batch}/{stage}", None)

    # --- space ---------------------------------------------------------------------------------------------------

    def stand(self, side: _Side | None, units: int, day: date) -> None:
        """Change what stands at a place. Before the day up to which the pool was charged, the nights between are made good."""
        if side is None:
            return
        pool, key = side.pool, f"{side.place}/{side.of.tray_cells or 0}"
        if pool.day is not None and day < pool.day:
            self.post_charges(side, self.charges_for(side, {key: units}, day, pool.day))
        left = pool.standing.get(key, 0) + units
        pool.standing[key] = left
        if not left:
            del pool.standing[key]
        side.books.alive[side.batch] = side.books.alive.get(side.batch, 0) + units
        if side.of.tray_cells is None and side.stage in _IN_CELLS:  # trays told later are not those that it stands in
            self.shelf.batches[side.batch] = msgspec.structs.replace(side.of, tray_cells=0)

    def charge_pool(self, side: _Side, day: date) -> None:
        """Charge the pool for every night up to this day."""
        pool = side.pool
        if pool.day is None or not pool.standing:
            pool.day = max(day, pool.day or day)
        elif day > pool.day:
            self.post_charges(side, self.charges_for(side, pool.standing, pool.day, day))
            pool.day = day

    def charges_for(self, side: _Side, standing: dict[str, int], since: date, until: date) -> list[tuple[date, date, int]]:
        return charges(self.shelf, side.of.crop, side.of.size, side.stage, standing, since, until)

    def post_charges(self, side: _Side, found: Iterable[tuple[date, date, int]]) -> None:
        for first, last, amount in found:
            if not amount:
                continue
            if in_cost(side.stage, self.books):
                self.post(side, last, "space", value=amount, span_from=first)
            else:
                self.post(side, last, "storage", cost=-amount, span_from=first)


#: the accountant's decisions where none were told
AS_IT_COMES = BooksSet(id=UUID(int=0), occurred_at=datetime.fromisoformat("1970-01-01T00:00:00+00:00"), by="the-ledger")


def in_cost(stage: str, books: BooksSet | None) -> bool:
    """Does the space of a stage belong to the cost of its plants? Storing what is ready for sale does not (IAS 2.16 b)."""
    return stage not in UNSOLD or (books or AS_IT_COMES).storage_in_cost


def _is_loss(move: Move) -> bool:
    return move.target.startswith(accounts.LOSS)


def charges(
    shelf: Shelf, crop: str, size: str | None, stage: str, standing: dict[str, int], since: date, until: date
) -> list[tuple[date, date, int]]:
    """(first day, last day, micro) for plants that stood from `since` up to, not including, `until`; each within one month.

    standing: as a pool keeps it; negative units give a charge back.
    """
    found = []
    days = [since, *shelf.reference.changes(since, until), until]
    for first, after in pairwise(days):
        amount = 0
        for where, units in standing.items():
            place, cells = where.split("/")
            rate, area = _area(shelf, crop, size, stage, place, int(cells), first)
            amount += _share(units * rate, area.numerator * (after - first).days, area.denominator * _WEEK)
        found.append((first, after - timedelta(days=1), amount))
    return found


def _area(shelf: Shelf, crop: str, size: str | None, stage: str, place: str, cells: int, day: date) -> tuple[int, Fraction]:
    """(rate for a week in micro, how much of what the rate is for one unit takes up): square metres, or hooks on a line."""
    reference = shelf.reference
    kind, place_cm2, tray_places = _on(reference.places[place], day)
    if stage in _IN_CELLS:
        recipe = shelf.crops[crop].recipe
        cells = cells or (recipe.tray_cells if recipe else None) or 0
        each = Fraction(place_cm2, tray_places * cells * _CM2) if cells and tray_places else Fraction(0)
        return reference.rate(CostStep.SPACE, crop, size, day), each
    if size not in reference.sizes:
        return 0, Fraction(0)
    pot_cm2, hooks = _on(reference.sizes[size], day)
    if kind == PlaceKind.LINE and hooks:
        return reference.rate(CostStep.HOOK, crop, size, day), Fraction(hooks)
    return reference.rate(CostStep.SPACE, crop, size, day), Fraction(pot_cm2, _CM2)


def _on(dated: Dated, day: date) -> Any:
    """The value of a day; before the first one, the first."""
    return dated.on(day) or dated.values[0]
