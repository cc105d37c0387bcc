"""The decisions: whether a told entry may stand, and which movements of plants follow from it.

Pure: `decide(book, told, turn) -> Recorded` or a refusal. No I/O, no clock: the time, the position and the client come in
with the turn. What a written entry then changes is in `evolve`.

Two rules carry the rest. *Never negative*: no account falls below 0 at any moment of the occurred order (time, then
position). *A count stands*: whatever happened before a count and is told after it posts itself and an equal opposite
line against that count's difference, so that the order of arrival never changes a balance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache
from itertools import groupby
from typing import Any, assert_never
from uuid import UUID, uuid5
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from msgspec import Struct
from msgspec.structs import replace

from ledger.plants import numbers, refusals, shelf
from ledger.plants import recorded as accounts
from ledger.plants.book import Book, holder_key
from ledger.plants.cards import (
    BatchCard,
    CropCard,
    DestinationCard,
    Hold,
    PolicyCard,
    PoolLine,
    PottingAsk,
    PromiseCard,
    PromiseLine,
    QuestionCard,
    RecipeCard,
    StockPlantCard,
    Stop,
)
from ledger.plants.entries import (
    THE_LEDGER,
    Answered,
    BasketLine,
    BooksSet,
    BoughtIn,
    Cleared,
    ConfidenceCorrected,
    CostSet,
    Counted,
    CropSet,
    CuttingsFrom,
    DamageClaimed,
    DestinationRule,
    DestinationSet,
    DueChecked,
    DueLine,
    Entry,
    ForecastPublished,
    Gathered,
    GivenOut,
    Graded,
    Held,
    HoldEnded,
    Lost,
    Merged,
    Method,
    Moved,
    Opened,
    PersonSet,
    Picked,
    PlaceSet,
    PlantedAsStock,
    PolicySet,
    Potted,
    PottedUp,
    PottingAnswered,
    PottingIssued,
    PottingLine,
    PromiseAtRisk,
    PromiseConfirmed,
    Promised,
    PromiseExpired,
    PromiseMoved,
    PromiseReleased,
    PromiseSafe,
    PromiseSubstituted,
    PutBack,
    RecipeSet,
    Renamed,
    Reversed,
    Rooted,
    SetBack,
    Shipped,
    SizeSet,
    SoldHere,
    Stage,
    StockRemoved,
    StockSet,
    Stopped,
    Struck,
    Take,
    TemperatureMeasured,
    TemperaturesSet,
    Tended,
    Told,
    Treated,
    Verdict,
    type_of,
)
from ledger.plants.evolve import act_of, target_of, unit_at
from ledger.plants.offer import Offer, distrusted
from ledger.plants.recorded import (
    CELL,
    CUTTING,
    STOCK,
    Asked,
    Grant,
    Move,
    Question,
    Recorded,
    loss,
    pot,
    split_standing,
    standing,
)

DEFAULT_POLICY = PolicySet(id=UUID(int=0), occurred_at=datetime.fromisoformat("2000-01-01T00:00:00+00:00"), by="tallybench")
#: what the ledger notices by itself and tells in its own name
NOTICED = (PromiseExpired, PromiseAtRisk, PromiseSafe, DueChecked, ForecastPublished, ConfidenceCorrected)
#: a promise has lines 0 to this
MOST_LINE = 49
#: a potting list is issued for a day that is not further off
MOST_AHEAD = timedelta(days=14)
#: what a refused line of a basket is told
_LACKING = ("line", "crop", "size", "asked", "promisable")


#: entries that carry units of one batch from one place to one account
Carried = Lost | Moved | SetBack | Picked | PutBack | SoldHere | GivenOut | PlantedAsStock | Renamed


class Turn(Struct, frozen=True, kw_only=True):
    """What comes from outside with a decision: the position the entry would take, the database's clock, the key.

    The clock never goes back before the last entry; how far it had to be held, `behind` tells.
    """

    position: int
    now: datetime
    client: str
    #: by how much the database's clock is behind the last entry
    behind: timedelta = timedelta(0)


def policy_card(book: Book) -> PolicyCard:
    """The policy in force, or the default, and the correction of its confidence."""
    return book.policy() or PolicyCard(value=DEFAULT_POLICY)


def policy_of(book: Book) -> PolicySet:
    """The policy in force, or the default."""
    return policy_card(book).value


class _Bid(Struct, frozen=True, kw_only=True):
    """A line of a basket and what it can be given of what is offered; `refused`: why its crop may not be sent there."""

    line: BasketLine
    offered: Offer
    grant: Grant
    refused: str | None = None

    @property
    def enough(self) -> bool:
        units = self.grant.units
        return units == self.line.units or (self.line.allow_part and units > 0)

    @property
    def earliest(self) -> str | None:
        """The first day on which the whole line could be promised, beside the lines before it."""
        step = self.offered.ready_by(self.line.units, self.line.due)
        return step.on.isoformat() if step is not None else None


def offer_of(book: Book, crop: str, size: str, at: datetime, behind: timedelta, confidence: int | None = None) -> Offer:
    """What may be promised of a crop and size at a moment, by the cards of a book; at the policy's confidence, or another.

    behind: how far the database's clock is behind the last entry. Raises Missing.
    """
    card, recipe = policy_card(book), book.recipe(crop)
    policy = card.value
    return Offer(
        book.shelf(crop, size),
        book.pool(crop),
        book.crop(crop),
        book.forecast(crop),
        policy,
        confidence=confidence or card.confidence,
        at=at,
        today=day_of(at, policy),
        plugs_per_pot=recipe.value.plugs_per_pot.get(size, 1) if recipe is not None else 1,
        issued=book.nursery().potting_issued,
        distrust=distrusted(policy, behind),
    )


def _stand(
    page: Book, name: str, before: PromiseLine | None, after: PromiseLine, position: int, asked: Asked | None = None
) -> None:
    """Put the shelf and the pool as they are after a line of a promise has changed."""
    crop, size = after.crop, after.size
    ground = shelf.ground_of(page, crop, size)
    changed = shelf.committed(ground, name, before, after, position, asked)
    page.put(changed.there)
    page.put(changed.pool)


def destination_of(card: DestinationCard | None, crop: CropSet, on: date) -> tuple[str | None, tuple[str, ...]]:
    """Why a crop may not go to a region at that time of the year, None if it may; and the papers that it needs."""
    rules = [rule for rule in card.value.rules if concerns(rule, crop, on)] if card is not None else []
    refused = next((rule.because for rule in rules if rule.verdict is Verdict.REFUSED), None)
    return refused, tuple(rule.papers for rule in rules if rule.papers is not None)


def concerns(rule: DestinationRule, crop: CropSet, on: date) -> bool:
    """Whether a rule of a region is about a crop, at that time of the year."""
    if rule.months is not None and on.month not in rule.months:
        return False
    if rule.crop is not None:
        return rule.crop == crop.code
    return rule.species is None or rule.species == crop.species


@lru_cache(maxsize=64)
def _zone(name: str) -> ZoneInfo:
    return ZoneInfo(name)


def day_of(at: datetime, policy: PolicySet) -> date:
    """The day in the nursery's own calendar."""
    return at.astimezone(_zone(policy.time_zone)).date()


def decide(book: Book, told: Entry, turn: Turn) -> Recorded:
    """The entry as it would be written, with its movements. Raises a `Refusal`, or `Missing` to be asked again."""
    policy = policy_of(book)
    allowance = timedelta(seconds=policy.clock_allowance_seconds)
    if told.occurred_at > turn.now + allowance:
        raise refusals.InTheFuture(
            f"occurred_at lies in the future ({refusals.moment(told.occurred_at)}, it is {refusals.moment(turn.now)} here): "
            "tell what has happened, or set the device's clock",
            field="occurred_at",
            now=turn.now.isoformat(),
        )
    desk = _Desk(book, told, turn, policy)
    if not (isinstance(told, NOTICED) and told.by == THE_LEDGER):
        desk.person(told.by, "by", introducing=isinstance(told, PersonSet) and told.code == told.by)
    filled = desk.entry(told)
    desk.settle()
    return Recorded(
        position=turn.position,
        recorded_at=turn.now,
        booked_on=day_of(told.occurred_at, policy),
        client=turn.client,
        schema=type(filled).SCHEMA,
        told=filled,
        moves=tuple(desk.moves),
        grants=tuple(desk.grants),
        questions=desk.questions(filled),
    )


class _Desk:
    """One decision: looks things up, refuses, and collects the movements."""

    def __init__(self, book: Book, told: Told, turn: Turn, policy: PolicySet) -> None:
        self.book = book
        self.told = told
        self.turn = turn
        self.policy = policy
        self.moves: list[Move] = []
        self.grants: list[Grant] = []
        # where the movements stand in the occurred order: a reversal's at the time and position of what it takes back
        self.at = told.occurred_at
        self.rank = turn.position

    # --- looking things up ------------------------------------------------------------------------------------

    def unknown(self, what: str, code: str, field: str) -> refusals.UnknownCode:
        return refusals.UnknownCode(f"there is no {what} {code}", field=field, kind=what, given=code)

    def person(self, code: str, field: str, *, introducing: bool = False) -> None:
        person = self.book.person(code)
        if person is None and not introducing:
            raise self.unknown("person", code, field)
        if person is not None and not person.value.active:
            raise refusals.Retired(f"{code} is no longer active", field=field)

    def crop(self, code: str, field: str = "crop", *, entering: bool = True) -> CropCard:
        crop = self.book.crop(code)
        if crop is None:
            raise self.unknown("crop", code, field)
        if entering and crop.value.retired:
            raise refusals.Retired(f"{code} is retired: no new plants of it can enter", field=field)
        return crop

    def propagated(self, code: str) -> None:
        crop = self.crop(code)
        self.licensed(crop)
        self.not_stopped(crop.stops, code, "crop")

    def licensed(self, crop: CropCard) -> None:
        if not crop.value.may_propagate:
            raise refusals.MayNotPropagate(
                f"{crop.value.code} may not be propagated here: a protected variety needs its owner's licence", field="crop"
            )

    def size(self, code: str, field: str = "size") -> None:
        size = self.book.size(code)
        if size is None:
            raise self.unknown("size", code, field)
        if size.value.retired:
            raise refusals.Retired(f"size {code} is retired", field=field)

    def place(self, code: str, field: str = "place", *, entering: bool = True) -> None:
        place = self.book.place(code)
        if place is None:
            raise self.unknown("place", code, field)
        if entering and place.value.retired:
            raise refusals.Retired(f"place {code} is retired: nothing can be set there", field=field)

    def batch(self, number: str, field: str = "batch") -> BatchCard:
        if not numbers.is_valid(number):
            raise refusals.BadCheckCharacter(
                f"{number} is no batch number: its check character does not agree, look at the tag again", field=field
            )
        batch = self.book.batch(number)
        if batch is None:
            raise self.unknown("batch", number, field)
        return batch

    def stock_plant(self, code: str, field: str = "stock_plant") -> StockPlantCard:
        plant = self.book.stock_plant(code)
        if plant is None:
            raise self.unknown("stock plant", code, field)
        return plant

    def not_stopped(self, stops: Sequence[Stop], what: str, field: str) -> None:
        if stops:
            stop = stops[0]
            raise refusals.IsStopped(
                f"{what} is stopped ({stop.reason}): a cleared entry with the reason lifts it",
                field=field,
                stop=str(stop.entry),
            )

    def saleable(self, batch: BatchCard) -> None:
        self.not_stopped(batch.stops, batch.number, "batch")
        self.not_stopped(self.crop(batch.crop, entering=False).stops, batch.crop, "batch")

    def new_number(self, given: str | None, field: str) -> str:
        """The number of a batch that this entry makes: the one given, or the next of its ISO week."""
        if given is None:
            week = numbers.week_of(day_of(self.told.occurred_at, self.policy))
            return numbers.next_number(week, self.book.nursery().serials.get(week, 0))[0]
        if not numbers.is_given(given):
            raise refusals.BadCheckCharacter(
                f"{given} is no batch number: its check character does not agree, or is one that is easily misread", field=field
            )
        if self.book.batch(given) is not None:
            raise refusals.NumberTaken(f"there is a batch {given} already: leave {field} out to be given a number", field=field)
        if numbers.serial_of(given)[1] > numbers.MOST_CHOSEN_SERIAL:
            raise refusals.NumberTaken(
                f"serials above {numbers.MOST_CHOSEN_SERIAL} are kept for the ledger: leave {field} out to be given a number",
                field=field,
            )
        return given

    # --- movements --------------------------------------------------------------------------------------------

    def move(self, units: int, unit: str, source: str, target: str, order: str | None = None) -> None:
        if units > 0:
            self.moves.append(Move(units=units, unit=unit, source=source, target=target, order=order))

    def carry(self, told: Carried, stage: Stage, target: str, order: str | None = None) -> None:
        """The units that an entry names, from where they stand to another account; picked ones belong to an order."""
        batch = self.batch(told.batch)
        self.place(told.place, entering=False)
        if stage is Stage.PICKED:
            self.picked_for(order or "", batch, told.place, told.units)
        self.needs(batch, stage, told.place, told.units, "units")
        self.move(told.units, unit_at(batch, stage), standing(batch.number, stage, told.place), target, order)

    def needs(self, batch: BatchCard, stage: str, place: str, units: int, field: str) -> None:
        """So many must stand there at that moment; where a person holds more in the hand, the offer is to count first."""
        there = self.standing_at(batch, stage, place)
        if units <= there:
            return
        offer: tuple[Told, ...] = ()
        if self.countable(batch, stage):
            seen = Counted(
                id=uuid5(self.told.id, f"count-first/{batch.number}/{stage}/{place}"),
                occurred_at=self.told.occurred_at,
                by=self.told.by,
                batch=batch.number,
                stage=Stage(stage),
                place=place,
                units=units,
                method=Method.COUNT,
            )
            offer = (seen, self.told)
        raise refusals.NotEnoughStanding(
            f"{there} {stage} of {batch.number} stand at {place}, {units} are wanted: if they are there, count first",
            field=field,
            offer=offer,
            wanted=units,
            standing=there,
        )

    def countable(self, batch: BatchCard, stage: str) -> bool:
        """Some of the batch could be found at that stage, and had come in by then."""
        sized = stage in {Stage.POTTED, Stage.FINISHED, Stage.SECONDS}
        return stage != Stage.PICKED and sized == (batch.size is not None) and self.at >= batch.entered_at

    def standing_at(self, batch: BatchCard | StockPlantCard, stage: str, place: str) -> int:
        """Units at an account at this entry's moment, before it."""
        there = batch.standing.get(f"{stage}/{place}")
        if there is None:
            return 0
        if self.at >= there.last_at:
            return there.units
        lines = _lines(self.book, batch, stage, place)
        return sum(units for order, units, _ in lines if order < (self.at, self.rank))

    def settle(self) -> None:
        """Hold the movements against both rules, and add the lines against later counts."""
        deltas: dict[str, int] = {}
        for move in self.moves:
            deltas[move.source] = deltas.get(move.source, 0) - move.units
            deltas[move.target] = deltas.get(move.target, 0) + move.units
        units_of = {account: move.unit for move in self.moves for account in (move.source, move.target)}
        for account, delta in deltas.items():
            where = split_standing(account)
            if where is not None and delta != 0:
                self.settle_account(account, where, delta, units_of[account])

    def settle_account(self, account: str, where: tuple[str, str, str], delta: int, unit: str) -> None:
        holder, stage, place = where
        card = self.book.holder(holder)
        there = card.standing.get(f"{stage}/{place}") if card is not None else None
        taking_back = isinstance(self.told, Reversed)
        if card is None or there is None or (self.at >= there.last_at and not taking_back):
            before = there.units if there is not None else 0
            if before + delta < 0:
                raise self.short(account, self.at, before, delta)
            return
        later = min((count for count in there.counts if count.order > (self.at, self.rank)), key=_order, default=None)
        lines = _lines(self.book, card, stage, place)
        # a reversal stands at the very place of what it takes back, whose own lines therefore come before it
        balance = sum(units for order, units, _ in lines if order <= (self.at, self.rank))
        if balance + delta < 0:
            raise self.short(account, self.at, balance, delta)
        for order, at_once in groupby(lines, key=lambda line: line[0]):
            if order <= (self.at, self.rank):
                continue
            if later is not None and order >= later.order:
                break
            balance += sum(units for _, units, _ in at_once)
            if balance + delta < 0:
                raise self.short(account, order[0], balance, delta)
        if later is not None:
            against = (account, later.against) if delta > 0 else (later.against, account)
            self.moves.append(
                Move(
                    units=abs(delta),
                    unit=unit,
                    source=against[0],
                    target=against[1],
                    at=later.at,
                    booked_on=day_of(later.at, self.policy),
                    count=later.entry,
                )
            )

    def short(self, account: str, at: datetime, balance: int, delta: int) -> refusals.Refusal:
        if isinstance(self.told, Reversed):
            return refusals.BreaksLaterFact(
                f"taking it back would leave {balance + delta} at {account} on {refusals.moment(at)}: "
                "a later entry moved those plants; reverse that one first, or count",
                field="entry",
                account=account,
                at=at.isoformat(),
            )
        return refusals.NotEnoughStanding(
            f"{account} held {balance} on {refusals.moment(at)}, {-delta} are wanted: if they were there, count first",
            wanted=-delta,
            standing=balance,
            account=account,
            at=at.isoformat(),
        )

    # --- questions --------------------------------------------------------------------------------------------

    def questions(self, told: Entry) -> tuple[Question, ...]:
        """The same job on the same batch by another person a little earlier: accepted, with a question attached."""
        what = act_of(told)
        batch = self.book.batch(what[0]) if what is not None else None
        if what is None or batch is None:
            return ()
        within = timedelta(minutes=self.policy.duplicate_minutes)
        alike = [
            act for act in batch.acts if act.what == what[1] and act.by != told.by and abs(act.at - told.occurred_at) <= within
        ]
        return (Question(kind="possible-duplicate", of=alike[-1].entry),) if alike else ()

    # --- the entries ------------------------------------------------------------------------------------------

    def entry(self, told: Entry) -> Entry:
        """Collect the movements of an entry; the entry as it is to be written, with the batch number filled in."""
        match told:
            case Lost():
                return self.lost(told)
            case Picked():
                return self.picked(told)
            case Potted():
                return self.potted(told)
            case Shipped():
                return self.shipped(told)
            case Graded():
                return self.graded(told)
            case Moved():
                return self.moved(told)
            case Counted():
                return self.counted(told)
            case Rooted():
                return self.rooted(told)
            case Gathered():
                return self.gathered(told)
            case Struck():
                return self.struck(told)
            case Merged():
                return self.merged(told)
            case PottedUp():
                return self.potted_up(told)
            case SetBack():
                return self.set_back(told)
            case PutBack():
                return self.put_back(told)
            case SoldHere():
                return self.sold_here(told)
            case GivenOut():
                return self.gone(told, accounts.GIVEN_OUT)
            case PlantedAsStock():
                return self.gone(told, accounts.PLANTED_AS_STOCK)
            case Opened():
                return self.opened(told)
            case BoughtIn():
                return self.bought_in(told)
            case Renamed():
                return self.renamed(told)
            case Tended():
                self.batch(told.batch)
                return told
            case Treated():
                return self.treated(told)
            case Held():
                return self.held(told)
            case HoldEnded():
                return self.hold_ended(told)
            case Stopped() | Cleared():
                return self.stopped(told)
            case DamageClaimed():
                return self.damage_claimed(told)
            case StockSet():
                return self.stock_set(told)
            case StockRemoved():
                return self.stock_removed(told)
            case Reversed():
                return self.reversed(told)
            case Answered():
                return self.answered(told)
            case Promised():
                return self.promised(told)
            case PromiseConfirmed():
                self.open_promise(told.promise, "held")
                return told
            case PromiseMoved():
                return self.promise_moved(told)
            case PromiseReleased():
                return self.promise_released(told)
            case PromiseExpired():
                return self.promise_expired(told)
            case PromiseSubstituted():
                return self.promise_substituted(told)
            case PromiseAtRisk():
                return self.promise_at_risk(told)
            case PromiseSafe():
                return self.promise_safe(told)
            case DueChecked():
                return self.due_checked(told)
            case ForecastPublished():
                return self.forecast_published(told)
            case ConfidenceCorrected():
                return self.confidence_corrected(told)
            case PottingIssued():
                return self.potting_issued(told)
            case PottingAnswered():
                return self.potting_answered(told)
            case DestinationSet():
                for rule in told.rules:
                    if rule.crop is not None:
                        self.crop(rule.crop, "rules", entering=False)
                return told
            case CropSet():
                for size in told.sizes:
                    self.size(size, "sizes")
                return told
            case RecipeSet():
                self.crop(told.crop, entering=False)
                for size in told.growing:
                    self.size(size, "growing")
                return told
            case CostSet():
                if told.crop is not None:
                    self.crop(told.crop, entering=False)
                if told.size is not None:
                    self.size(told.size)
                return told
            case PolicySet():
                return self.policy_set(told)
            case TemperatureMeasured():
                if told.day > self.day_here():
                    raise refusals.InTheFuture(f"{told.day} is still to come", field="day")
                return told
            case SizeSet() | PlaceSet() | PersonSet() | BooksSet() | TemperaturesSet():
                return told
            case _:
                assert_never(told)

    def policy_set(self, told: PolicySet) -> PolicySet:
        try:
            _zone(told.time_zone)
        except (ZoneInfoNotFoundError, ValueError, OSError):
            raise refusals.UnknownTimeZone(
                f"{told.time_zone} is no time zone of the IANA list, such as Europe/London", field="time_zone"
            ) from None
        return told

    # stock plants

    def stock_set(self, told: StockSet) -> StockSet:
        crop = self.crop(told.crop)
        self.place(told.place)
        if told.from_batch is not None:
            self.batch(told.from_batch, "from_batch")
        plant = self.book.stock_plant(told.stock_plant)
        if plant is not None:
            self.set_again(told, plant)
        stands = self.stands(plant) if plant is not None else {}
        before = sum(stands.values())
        if told.units < before:
            raise refusals.WouldLower(
                f"{before} stand under {told.stock_plant}: tell the {before - told.units} that went with stock-removed",
                field="units",
                standing=before,
            )
        if told.units > before:
            self.licensed(crop)
        here = standing(told.stock_plant, STOCK, told.place)
        for place, units in stands.items():
            if place != told.place:
                self.move(units, accounts.STOCK_PLANT, standing(told.stock_plant, STOCK, place), here)
        self.move(told.units - before, accounts.STOCK_PLANT, told.source.value, here)
        return told

    def set_again(self, told: StockSet, plant: StockPlantCard) -> None:
        """A code keeps its crop; and who tells it whole tells it for now, not for a time before what is known of it."""
        if plant.crop != told.crop:
            raise refusals.DifferentPlants(f"{plant.code} is {plant.crop}: a code keeps its crop", field="crop")
        latest = max((there.last_at for there in plant.standing.values()), default=told.occurred_at)
        if told.occurred_at < latest:
            raise refusals.BreaksLaterFact(
                f"what stands under {plant.code} on {refusals.moment(latest)} was told already: tell what stands there now",
                field="occurred_at",
                at=latest.isoformat(),
            )

    def stands(self, plant: StockPlantCard) -> dict[str, int]:
        """Where the plants under a code stand at this moment, and how many."""
        places = [where.removeprefix(f"{STOCK}/") for where in plant.standing]
        there = {place: self.standing_at(plant, STOCK, place) for place in places}
        return {place: units for place, units in there.items() if units}

    def stock_removed(self, told: StockRemoved) -> StockRemoved:
        plant = self.stock_plant(told.stock_plant)
        stands = self.stands(plant)
        there = sum(stands.values())
        if told.units > there:
            raise refusals.NotEnoughStanding(
                f"{there} stand under {told.stock_plant}, {told.units} are said to have gone: look again",
                field="units",
                wanted=told.units,
                standing=there,
            )
        left = told.units
        for place, units in stands.items():
            gone = min(left, units)
            self.move(gone, accounts.STOCK_PLANT, standing(told.stock_plant, STOCK, place), loss(told.cause))
            left -= gone
        return told

    def taken(self, parts: Sequence[CuttingsFrom], crop: str) -> None:
        """Cuttings may be taken off these stock plants."""
        for part in parts:
            plant = self.stock_plant(part.stock_plant, "stock_plants")
            if plant.crop != crop:
                raise refusals.DifferentPlants(f"{part.stock_plant} is {plant.crop}, not {crop}", field="stock_plants")
            self.not_stopped(plant.stops, part.stock_plant, "stock_plants")
            if not self.stands(plant):
                raise refusals.NotEnoughStanding(
                    f"no plant stands under {part.stock_plant}", field="stock_plants", wanted=1, standing=0
                )

    # propagation

    def gathered(self, told: Gathered) -> Gathered:
        self.propagated(told.crop)
        self.taken(told.stock_plants, told.crop)
        self.place(told.place)
        number = self.new_number(told.batch, "batch")
        cuttings = sum(part.cuttings for part in told.stock_plants)
        self.move(cuttings, CUTTING, accounts.FROM_STOCK_PLANT, standing(number, Stage.GATHERED, told.place))
        return replace(told, batch=number)

    def struck(self, told: Struck) -> Struck:
        self.place(told.place)
        if told.gathered_at is not None:
            batch = self.batch(told.batch or "")
            number = batch.number
            self.place(told.gathered_at, "gathered_at", entering=False)
            self.needs(batch, Stage.GATHERED, told.gathered_at, told.cuttings, "cuttings")
            source = standing(number, Stage.GATHERED, told.gathered_at)
        else:
            crop = told.crop or ""
            self.propagated(crop)
            self.taken(told.stock_plants, crop)
            number = self.new_number(told.batch, "batch")
            source = accounts.FROM_STOCK_PLANT
        self.move(told.cuttings, CUTTING, source, accounts.CONVERTED)
        self.move(told.cells, CELL, accounts.CONVERTED, standing(number, Stage.STRUCK, told.place))
        return replace(told, batch=number)

    def rooted(self, told: Rooted) -> Rooted:
        batch = self.batch(told.batch)
        self.place(told.place, entering=False)
        self.place(told.to, "to")
        counted = told.usable + told.weak + told.failed
        self.needs(batch, Stage.STRUCK, told.place, counted, "usable")
        there = self.standing_at(batch, Stage.STRUCK, told.place)
        if counted < there and not told.part:
            raise refusals.NotAllCounted(
                f"{there} cells stand at {told.place}, the count makes {counted}: count the rest, "
                "tell the difference as lost, or mark the count as a part",
                field="usable",
                standing=there,
                counted=counted,
            )
        here = standing(batch.number, Stage.STRUCK, told.place)
        self.move(told.usable, CELL, here, standing(batch.number, Stage.ROOTED, told.to))
        self.move(told.failed, CELL, here, loss("did-not-root"))
        return told

    def moved(self, told: Moved) -> Moved:
        self.place(told.to, "to")
        self.carry(told, told.stage, standing(told.batch, told.stage, told.to), told.order)
        return told

    def merged(self, told: Merged) -> Merged:
        self.place(told.place)
        sources = [self.batch(part.batch, "sources") for part in told.sources]
        first = sources[0]
        target = self.batch(told.into, "into") if told.into is not None and self.book.batch(told.into) else None
        for batch in [*sources, *([target] if target else [])]:
            if (batch.crop, batch.size) != (first.crop, first.size):
                raise refusals.DifferentPlants(
                    f"{batch.number} ({batch.crop}, {batch.size or 'no size'}) and {first.number} "
                    f"({first.crop}, {first.size or 'no size'}) cannot become one batch",
                    field="sources",
                )
        number = target.number if target else self.new_number(told.into, "into")
        unit = unit_at(first, told.stage)
        for part, batch in zip(told.sources, sources, strict=True):
            self.place(part.place, "sources", entering=False)
            self.needs(batch, told.stage, part.place, part.units, "sources")
            here = standing(batch.number, told.stage, part.place)
            self.move(part.units, unit, here, standing(number, told.stage, told.place))
        return replace(told, into=number)

    # potting and growing on

    def potted(self, told: Potted) -> Potted:
        batch = self.batch(told.batch)
        self.size(told.size)
        self.place(told.place, entering=False)
        self.place(told.to, "to")
        self.needs(batch, told.stage, told.place, told.plugs, "plugs")
        number = self.new_number(told.into, "into")
        here = standing(batch.number, told.stage, told.place)
        self.move(told.per_pot * told.pots, CELL, here, accounts.CONVERTED)
        self.move(told.casualties, CELL, here, loss("handling"))
        self.move(told.pots, pot(told.size), accounts.CONVERTED, standing(number, Stage.POTTED, told.to))
        return replace(told, into=number)

    def potted_up(self, told: PottedUp) -> PottedUp:
        batch = self.batch(told.batch)
        self.size(told.size)
        self.place(told.place, entering=False)
        self.place(told.to, "to")
        old = self.book.size(batch.size) if batch.size is not None else None
        new = self.book.size(told.size)
        if old is None or new is None or new.value.rank <= old.value.rank:
            raise refusals.NotLarger(f"{told.size} is not larger than {batch.size or 'a plug'}", field="size")
        self.needs(batch, told.stage, told.place, told.pots + told.casualties, "pots")
        number = self.new_number(told.into, "into")
        here = standing(batch.number, told.stage, told.place)
        unit = unit_at(batch, told.stage)
        self.move(told.pots, unit, here, accounts.CONVERTED)
        self.move(told.casualties, unit, here, loss("handling"))
        self.move(told.pots, pot(told.size), accounts.CONVERTED, standing(number, Stage.POTTED, told.to))
        return replace(told, into=number)

    def graded(self, told: Graded) -> Graded:
        batch = self.batch(told.batch)
        self.place(told.place, entering=False)
        self.place(told.to, "to")
        if told.label_checked_by is not None:
            self.person(told.label_checked_by, "label_checked_by")
        looked_at = told.finished + told.held_back + told.seconds + told.culled
        self.needs(batch, Stage.POTTED, told.place, looked_at, "finished")
        here = standing(batch.number, Stage.POTTED, told.place)
        unit = unit_at(batch, Stage.POTTED)
        self.move(told.finished, unit, here, standing(batch.number, Stage.FINISHED, told.to))
        self.move(told.seconds, unit, here, standing(batch.number, Stage.SECONDS, told.to))
        self.move(told.culled, unit, here, loss("graded-out"))
        return told

    def set_back(self, told: SetBack) -> SetBack:
        self.place(told.to, "to")
        self.carry(told, Stage.FINISHED, standing(told.batch, Stage.POTTED, told.to))
        return told

    # losses and counts

    def lost(self, told: Lost) -> Lost:
        self.carry(told, told.stage, loss(told.cause), told.order)
        return told

    def counted(self, told: Counted) -> Counted:
        batch = self.batch(told.batch)
        self.place(told.place, entering=False)
        sized = told.stage in (Stage.POTTED, Stage.FINISHED, Stage.SECONDS)
        if sized != (batch.size is not None):
            raise refusals.DifferentPlants(
                f"{batch.number} is a batch of {'pots' if batch.size else 'plugs'}: none of it can be {told.stage}",
                field="stage",
            )
        if told.occurred_at < batch.entered_at:
            raise refusals.NotEnoughStanding(
                f"{batch.number} entered on {refusals.moment(batch.entered_at)}, after this count", field="occurred_at"
            )
        if not told.method.moves_balance:
            return told
        difference = told.units - self.standing_at(batch, told.stage, told.place)
        here = standing(batch.number, told.stage, told.place)
        sides = (accounts.COUNT_DIFFERENCE, here) if difference > 0 else (here, accounts.COUNT_DIFFERENCE)
        if difference:
            self.moves.append(
                Move(
                    units=abs(difference),
                    unit=unit_at(batch, told.stage),
                    source=sides[0],
                    target=sides[1],
                    count=told.id,
                )
            )
        return told

    # coming in

    def opened(self, told: Opened) -> Opened:
        self.crop(told.crop, entering=False)
        if told.size is not None:
            self.size(told.size)
        self.place(told.place)
        opening_day = self.book.nursery().opening_day
        day = day_of(told.occurred_at, self.policy)
        if opening_day is not None and day != opening_day:
            raise refusals.NotOpeningDay(
                f"the book was opened on {opening_day}: what is found later is counted, what comes in is bought in",
                field="occurred_at",
                opening_day=opening_day.isoformat(),
            )
        number = self.new_number(told.batch, "batch")
        unit = self.unit_in(told.stage, told.size)
        self.move(told.units, unit, accounts.OPENING, standing(number, told.stage, told.place))
        return replace(told, batch=number)

    def bought_in(self, told: BoughtIn) -> BoughtIn:
        self.crop(told.crop)
        if told.size is not None:
            self.size(told.size)
        self.place(told.place)
        number = self.new_number(told.batch, "batch")
        unit = self.unit_in(told.stage, told.size)
        self.move(told.units, unit, accounts.BOUGHT_IN, standing(number, told.stage, told.place))
        return replace(told, batch=number)

    def unit_in(self, stage: Stage, size: str | None) -> str:
        if size is not None:
            return pot(size)
        return CUTTING if stage is Stage.GATHERED else CELL

    # orders and leaving

    def picked_for(self, ref: str, batch: BatchCard, place: str, units: int) -> None:
        picked = self.book.order(ref).picked.get(f"{batch.number}/{place}", 0)
        if units > picked:
            raise refusals.MoreThanPicked(
                f"{picked} of {batch.number} are picked for {ref} at {place}, {units} are wanted",
                field="units",
                picked=picked,
                wanted=units,
            )

    def picked(self, told: Picked) -> Picked:
        self.place(told.to, "to")
        self.saleable(self.batch(told.batch))
        if told.replaces is not None:
            self.damage_claim(told.replaces)
        self.carry(told, Stage.FINISHED, standing(told.batch, Stage.PICKED, told.to), told.order)
        return told

    def put_back(self, told: PutBack) -> PutBack:
        self.place(told.to, "to")
        self.carry(told, Stage.PICKED, standing(told.batch, Stage.FINISHED, told.to), told.order)
        return told

    def shipped(self, told: Shipped) -> Shipped:
        for line in told.lines:
            batch = self.batch(line.batch, "lines")
            self.place(line.place, "lines", entering=False)
            self.saleable(batch)
            self.picked_for(told.order, batch, line.place, line.units)
            self.needs(batch, Stage.PICKED, line.place, line.units, "lines")
            here = standing(batch.number, Stage.PICKED, line.place)
            self.move(line.units, unit_at(batch, Stage.PICKED), here, accounts.SHIPPED, told.order)
        return told

    def sold_here(self, told: SoldHere) -> SoldHere:
        batch = self.batch(told.batch)
        self.saleable(batch)
        self.carry(told, told.stage, accounts.SHIPPED)
        if told.stage is Stage.FINISHED:
            free = self.offer(self.book, batch.crop, batch.size or "").now
            if told.units > free:
                raise refusals.NotSellable(
                    f"{free} {batch.crop} {batch.size} are sellable now, {told.units} are wanted: "
                    "the rest is held, stopped or the count buffer; a count makes the buffer smaller",
                    field="units",
                    sellable=free,
                    wanted=told.units,
                )
        return told

    def gone(self, told: GivenOut | PlantedAsStock, account: str) -> GivenOut | PlantedAsStock:
        self.person(told.approved_by, "approved_by")
        self.carry(told, told.stage, account)
        return told

    def damage_claimed(self, told: DamageClaimed) -> DamageClaimed:
        self.batch(told.batch)
        order = self.book.order(told.order)
        left = order.shipped.get(told.batch, 0) - order.claimed.get(told.batch, 0)
        if told.units > left:
            raise refusals.MoreThanShipped(
                f"{left} of {told.batch} were shipped for {told.order} and not claimed yet, {told.units} are claimed",
                field="units",
                shipped=left,
                wanted=told.units,
            )
        return told

    # the promise book

    def promised(self, told: Promised) -> Promised:
        today = self.day_here()
        lines = [self.basket_line(line, today) for line in told.lines]
        if told.replaces is not None:
            self.damage_claim(told.replaces)
        bids = self.bids(lines, told.region)
        lacking = [bid for bid in bids if not bid.enough]
        if lacking and (told.all_or_none or len(lacking) == len(bids)):
            raise self.not_promisable(lacking)
        self.grants = [bid.grant for bid in bids if bid.grant.units]
        self.hoarding(self.book.client(self.turn.client).held)
        return replace(told, lines=lines, hold_minutes=told.hold_minutes or self.policy.hold_minutes)

    def day_here(self) -> date:
        return day_of(self.at, self.policy)

    def basket_line(self, line: BasketLine, today: date) -> BasketLine:
        """The line with its day filled in; it asks for something that is sold, for a day to come."""
        crop = self.crop(line.crop, "lines", entering=False)
        if line.size not in crop.value.sizes:
            raise refusals.UnknownCode(
                f"{line.crop} is not sold in {line.size}: it is sold in {', '.join(sorted(crop.value.sizes)) or 'no size'}",
                field="lines",
                kind="size",
                given=line.size,
            )
        if line.due is not None and line.due < today:
            raise refusals.NotPromisable(f"{line.due} is past: ask for {today} or later", field="lines")
        return replace(line, due=line.due or today)

    def bids(self, lines: Sequence[BasketLine], region: str | None) -> list[_Bid]:
        """What each line can be given, beside what is promised already and what the lines before it were given."""
        page, found = self.book.fork(), list[_Bid]()
        for index, line in enumerate(lines):
            bid = self.bid(page, index, line, region)
            found.append(bid)
            if bid.grant.units:  # taken, for the lines after it, on a page that is thrown away
                _stand(page, f"/{index}", None, shelf.promise_line_of(bid.grant), self.turn.position, bid.grant.potting)
        return found

    def bid(self, page: Book, index: int, line: BasketLine, region: str | None) -> _Bid:
        assert line.due is not None, "filled in before"
        offered = self.offer(page, line.crop, line.size)
        given = offered.give(line.units, line.due, part=line.allow_part, later=line.allow_later)
        refused, papers = self.destination(region, line.crop, given.due)
        counted = given.basis == "finished" and (given.due <= offered.today or offered.stale is not None)
        grant = Grant(
            line=index,
            crop=line.crop,
            size=line.size,
            asked=line.units,
            units=0 if refused else given.units,
            due=given.due,
            basis=given.basis,
            promisable=given.promisable,
            confidence=None if counted else offered.percent,
            forecast=offered.card.entry if offered.card is not None and not counted else None,
            potting=None if refused else given.potting,
            papers=papers,
        )
        return _Bid(line=line, offered=offered, grant=grant, refused=refused)

    def offer(self, page: Book, crop: str, size: str) -> Offer:
        return offer_of(page, crop, size, self.at, self.turn.behind)

    def destination(self, region: str | None, crop: str, on: date) -> tuple[str | None, tuple[str, ...]]:
        card = self.book.destination(region) if region is not None else None
        return destination_of(card, self.crop(crop, "lines", entering=False).value, on)

    def not_promisable(self, lacking: Sequence[_Bid]) -> refusals.Refusal:
        first = lacking[0].grant
        if lacking[0].refused is not None:
            return refusals.NotSentThere(
                f"{first.crop} is not sent there: {lacking[0].refused} (the nursery's own list; official rules come first)",
                field="lines",
                lines=[
                    {"line": bid.grant.line, "crop": bid.line.crop, "because": bid.refused} for bid in lacking if bid.refused
                ],
            )
        told = [{name: getattr(bid.grant, name) for name in _LACKING} | {"ready_by": bid.earliest} for bid in lacking]
        later = told[0]["ready_by"]
        return refusals.NotPromisable(
            f"{first.promisable} {first.crop} {first.size} are promisable for {first.due}, {first.asked} are asked for: "
            f"ask for fewer, allow a part, or {f'ask for {later}' if later else 'ask when more are ready'}",
            field="lines",
            lines=told,
        )

    def hoarding(self, held: Mapping[str, int]) -> None:
        """A key may not keep more from the other buyers than the policy allows, before it has bought anything."""
        total = sum(held.values()) + sum(grant.units for grant in self.grants)
        if total > self.policy.most_held_units:
            raise refusals.HoldsTooMuch(
                f"with this basket {total} plants would be held unconfirmed, {self.policy.most_held_units} at most: "
                "confirm or release some first",
                field="lines",
                held=total,
                most=self.policy.most_held_units,
            )
        for grant in self.grants:
            where = f"/{grant.crop}/{grant.size}"
            before = sum(units for name, units in held.items() if name.endswith(where))
            units = before + sum(other.units for other in self.grants if (other.crop, other.size) == (grant.crop, grant.size))
            most = max(self.policy.always_held_units, (grant.promisable + before) * self.policy.most_held_percent // 100)
            if units > most:
                raise refusals.HoldsTooMuch(
                    f"with this basket {units} {grant.crop} {grant.size} would be held unconfirmed, {most} at most: "
                    "confirm or release some first",
                    field="lines",
                    held=units,
                    most=most,
                )

    def open_promise(self, promise: UUID, *states: str) -> PromiseCard:
        """The promise, which must be in one of these states."""
        card = self.book.promise(promise)
        if card is None:
            raise self.unknown("promise", str(promise), "promise")
        if card.state not in states:
            raise refusals.NotOpen(f"that promise is {card.state}: ask for a new one", field="promise", state=card.state)
        return card

    def open_line(self, card: PromiseCard, index: int) -> PromiseLine:
        line = card.lines.get(str(index))
        if line is None or line.open == 0:
            raise refusals.NotOpen(f"line {index} of that promise has nothing open", field="line")
        return line

    def promise_moved(self, told: PromiseMoved) -> PromiseMoved:
        line = self.open_line(self.open_promise(told.promise, "held", "confirmed"), told.line)
        today = self.day_here()
        if told.due < today:
            raise refusals.NotPromisable(f"{told.due} is past: move it to {today} or later", field="due")
        if told.due >= line.due:  # it frees what it took until then
            return told
        page = self.book.fork()
        _stand(page, f"{told.promise}/{told.line}", line, replace(line, open=0, pooled=0), self.turn.position)
        free = self.offer(page, line.crop, line.size).free(told.due)
        if line.open > free:
            raise refusals.NotPromisable(
                f"{free} {line.crop} {line.size} are promisable for {told.due}, {line.open} are open on this line",
                field="due",
                promisable=free,
                asked=line.open,
            )
        return told

    def promise_substituted(self, told: PromiseSubstituted) -> PromiseSubstituted:
        card = self.open_promise(told.promise, "held", "confirmed")
        line = self.open_line(card, told.line)
        wanted = self.basket_line(told.wanted, self.day_here())
        index = 1 + max(int(name) for name in card.lines)
        if index > MOST_LINE:
            raise refusals.NotOpen(f"a promise has {MOST_LINE + 1} lines at most: ask for a new one", field="line")
        page = self.book.fork()
        _stand(page, f"{told.promise}/{told.line}", line, replace(line, open=0, pooled=0), self.turn.position)
        bid = self.bid(page, index, wanted, card.region)
        if not bid.enough:
            raise self.not_promisable([bid])
        self.grants = [bid.grant]
        if card.state == "held":
            held, own = self.book.client(card.client).held, f"{told.promise}/{line.crop}/{line.size}"
            self.hoarding({**held, own: held[own] - line.open})
        return replace(told, wanted=wanted)

    def promise_released(self, told: PromiseReleased) -> PromiseReleased:
        card = self.open_promise(told.promise, "held", "confirmed")
        if told.line is not None:
            self.open_line(card, told.line)
        elif not any(line.open for line in card.lines.values()):
            raise refusals.NotOpen("nothing of that promise is open: it was picked or released already", field="promise")
        return told

    def promise_expired(self, told: PromiseExpired) -> PromiseExpired:
        card = self.open_promise(told.promise, "held")
        if card.expires_at is None or card.expires_at > self.turn.now:
            raise refusals.NotOpen("that hold has not run out yet", field="promise")
        return told

    def promise_at_risk(self, told: PromiseAtRisk) -> PromiseAtRisk:
        line = self.open_line(self.open_promise(told.promise, "held", "confirmed"), told.line)
        if line.risk is not None and (line.risk.chance, line.risk.short) == (told.chance, told.short):
            raise refusals.NotOpen("that line is known to be at risk", field="line")
        return told

    def promise_safe(self, told: PromiseSafe) -> PromiseSafe:
        if self.open_line(self.open_promise(told.promise, "held", "confirmed"), told.line).risk is None:
            raise refusals.NotOpen("that line is not at risk", field="line")
        return told

    def due_checked(self, told: DueChecked) -> DueChecked:
        """What is there for lines on their day: the shelf's free plants, to those granted first, after all that is overdue."""
        if told.day > self.day_here():
            raise refusals.InTheFuture(f"{told.day} is still to come", field="day")
        self.crop(told.crop, "crop", entering=False)
        lines = [(due, self.due_line(told, due)) for due in told.lines]
        there = self.book.shelf(told.crop, told.size)
        overdue = sum(units for day, units in there.due.items() if day < told.day.isoformat())
        left = max(0, shelf.counted(there, self.book.crop(told.crop), self.policy, self.at).free - overdue)
        found = []
        for due, (_, line) in sorted(lines, key=lambda pair: pair[1][0]):
            units = min(left, line.open)
            found.append(replace(due, open=line.open, there=units))
            left -= units
        return replace(told, lines=found)

    def due_line(self, told: DueChecked, due: DueLine) -> tuple[int, PromiseLine]:
        card = self.open_promise(due.promise, "confirmed")
        line = card.lines.get(str(due.line))
        if line is None or line.checked or (line.crop, line.size, line.due) != (told.crop, told.size, told.day):
            raise refusals.NotOpen(f"line {due.line} of {due.promise} is not due that day, or was checked", field="lines")
        return card.position, line

    # the forecast, and the potting that promises ask for

    def forecast_published(self, told: ForecastPublished) -> ForecastPublished:
        published = told.forecast
        self.crop(published.crop, "forecast", entering=False)
        if published.position >= self.turn.position:
            raise refusals.InTheFuture(f"the log ends at {self.turn.position - 1}", field="forecast")
        before = self.book.forecast(published.crop)
        if before is not None and before.value.position > published.position:
            raise refusals.NotOpen("a newer forecast of that crop is published already", field="forecast")
        return told

    def confidence_corrected(self, told: ConfidenceCorrected) -> ConfidenceCorrected:
        policy = self.book.policy()
        if policy is None or policy.value.confidence != told.stated:
            raise refusals.NotOpen("the policy does not state that confidence: set the policy first", field="stated")
        return told

    def potting_issued(self, told: PottingIssued) -> PottingIssued:
        nursery, today = self.book.nursery(), self.day_here()
        if nursery.potting_issued is not None and told.day <= nursery.potting_issued:
            raise refusals.NotOpen(f"the list of {nursery.potting_issued} is issued: the next is for a later day", field="day")
        if told.day > today + MOST_AHEAD:
            raise refusals.InTheFuture(f"a potting list is issued at most {MOST_AHEAD.days} days ahead", field="day")
        before = [day for day in sorted(nursery.potting) if day < told.day.isoformat() and self.asks(day)]
        if before:
            raise refusals.NotOpen(f"promises ask for potting on {before[0]}: issue that list first", field="day")
        lines, taken = [], dict[str, int]()
        for crop, size, ask in self.asks(told.day.isoformat()):
            take = self.oldest_plugs(crop, ask.reserved, taken)
            lines.append(PottingLine(crop=crop, size=size, pots=ask.open, plugs=ask.reserved, take=take))
        return replace(told, lines=lines)

    def asks(self, day: str) -> list[tuple[str, str, PottingAsk]]:
        """What is still to be potted on a day, by crop and size: some of what was asked may be given back."""
        places = [where.split("/") for where in sorted(self.book.nursery().potting.get(day, ()))]
        asked = [(crop, size, self.book.shelf(crop, size).asked.get(day)) for crop, size in places]
        return [(crop, size, ask) for crop, size, ask in asked if ask is not None and ask.open]

    def oldest_plugs(self, crop: str, plugs: int, taken: dict[str, int]) -> list[Take]:
        """So many plugs of a crop, those first that have used up most of their holding limit; `taken` by lines before it."""
        recipe, found = self.book.recipe(crop), []
        lines = [(name, line) for name, line in self.book.pool(crop).lines.items() if line.plugs and not line.stopped]
        for name, line in sorted(lines, key=lambda pair: (-self.held_share(pair[1], recipe), pair[0])):
            units = min(plugs, line.plugs - taken.get(name, 0))
            if units > 0:
                found.append(Take(batch=name, plugs=units))
                taken[name] = taken.get(name, 0) + units
                plugs -= units
        return found

    def held_share(self, line: PoolLine, recipe: RecipeCard | None) -> float:
        """How much of its holding limit a batch of plugs has used up; in days where no limit is known."""
        assert line.since is not None, "plugs have come at some time"
        limit = recipe.value.holding_limit_days[line.since.month - 1] if recipe is not None else 1
        return (self.at - line.since).total_seconds() / 86_400 / max(1, limit)

    def potting_answered(self, told: PottingAnswered) -> PottingAnswered:
        card = self.book.potting(told.day)
        if card is None:
            raise self.unknown("potting list", str(told.day), "day")
        listed = card.lines.get(f"{told.crop}/{told.size}")
        if listed is None:
            raise self.unknown("line of that potting list", f"{told.crop} {told.size}", "size")
        if listed.potted is not None:
            raise refusals.NotOpen(f"that line was answered: {listed.potted} potted", field="size")
        if told.potted < listed.line.pots and told.because is None:
            raise refusals.Contradiction(
                f"{listed.line.pots} were asked for and {told.potted} potted: say why, in because", field="because"
            )
        return told

    def damage_claim(self, claimed: UUID) -> None:
        """A replacement answers a damage claim that stands."""
        claim = self.book.entry(claimed)
        if claim is None or not isinstance(claim.told, DamageClaimed):
            raise self.unknown("damage claim", str(claimed), "replaces")
        if self.book.is_reversed(claimed):
            raise refusals.AlreadyReversed("the damage claim that it replaces was taken back", field="replaces")

    # conditions

    def held(self, told: Held) -> Held:
        if told.batch is not None:
            batch = self.batch(told.batch)
            finished = batch.units_in(Stage.FINISHED)
            waiting = sum(hold.units for hold in batch.holds)
            if (told.units or 0) > finished - waiting:
                raise refusals.NotEnoughStanding(
                    f"{finished} finished of {told.batch} stand here, {waiting} of them held already",
                    field="units",
                    wanted=told.units,
                    standing=finished - waiting,
                )
        return told

    def hold_ended(self, told: HoldEnded) -> HoldEnded:
        holds: tuple[Hold, ...] = (
            self.batch(told.batch).holds if told.batch is not None else self.book.order(told.order or "").holds
        )
        if all(hold.entry != told.hold for hold in holds):
            raise refusals.AlreadyEnded(f"no hold {told.hold} is open there", field="hold")
        return told

    def stopped(self, told: Stopped | Cleared) -> Stopped | Cleared:
        kind, code = target_of(told)
        card: Any
        match kind:
            case "batch":
                card = self.batch(code)
            case "stock-plant":
                card = self.stock_plant(code)
            case _:
                card = self.crop(code, entering=False)
        if isinstance(told, Cleared) and all(stop.entry != told.stop for stop in card.stops):
            raise refusals.AlreadyEnded(f"no stop {told.stop} is in force on {code}", field="stop")
        return told

    def renamed(self, told: Renamed) -> Renamed:
        self.crop(told.crop, entering=False)
        if self.batch(told.batch).crop == told.crop:
            raise refusals.DifferentPlants(f"{told.batch} is {told.crop} already", field="crop")
        number = self.new_number(told.into, "into")
        self.carry(told, told.stage, standing(number, told.stage, told.place))
        return replace(told, into=number)

    def treated(self, told: Treated) -> Treated:
        for code in told.places:
            self.place(code, "places", entering=False)
        for number in told.batches:
            self.batch(number, "batches")
        return told

    # about entries

    def reversed(self, told: Reversed) -> Reversed:
        original = self.book.entry(told.entry)
        if original is None:
            raise self.unknown("entry", str(told.entry), "entry")
        if not original.told.REVERSIBLE:
            raise refusals.NotReversible(
                f"a {type_of(original.told)} entry is not taken back: tell what is true now instead", field="entry"
            )
        if self.book.is_reversed(told.entry):
            raise refusals.AlreadyReversed("that entry was taken back already", field="entry")
        self.at, self.rank = original.told.occurred_at, original.position
        day = original.booked_on
        if isinstance(original.told, Counted):
            self.take_back_count(original)
        else:
            own = [move for move in original.moves if move.count is None]
            self.order_allows(own)
            self.moves = [replace(move, source=move.target, target=move.source, at=self.at, booked_on=day) for move in own]
        return told

    def take_back_count(self, original: Recorded) -> None:
        """A count taken back takes its whole difference with it, and what later slips booked against it."""
        counted = original.told
        assert isinstance(counted, Counted)
        batch = self.batch(counted.batch)
        lines = _lines(self.book, batch, counted.stage, counted.place)
        net = sum(units for _, units, count in lines if count == counted.id)
        here = standing(batch.number, counted.stage, counted.place)
        sides = (here, accounts.COUNT_DIFFERENCE) if net > 0 else (accounts.COUNT_DIFFERENCE, here)
        if net:
            self.moves.append(
                Move(
                    units=abs(net),
                    unit=unit_at(batch, counted.stage),
                    source=sides[0],
                    target=sides[1],
                    at=self.at,
                    booked_on=original.booked_on,
                    count=counted.id,
                )
            )

    def order_allows(self, moves: Sequence[Move]) -> None:
        """Taking back must not leave an order with more shipped or claimed than it has."""
        shipped: dict[str, int] = {}
        for move in moves:
            if move.order is None:
                continue
            order = self.book.order(move.order)
            source, target = split_standing(move.source), split_standing(move.target)
            short = False
            if target is not None and target[1] == Stage.PICKED:
                short = order.picked.get(f"{target[0]}/{target[2]}", 0) < move.units
            elif move.target == accounts.SHIPPED and source is not None:
                batch = source[0]  # which may have left from several places
                shipped[batch] = shipped.get(batch, 0) + move.units
                short = order.shipped.get(batch, 0) - order.claimed.get(batch, 0) < shipped[batch]
            if short:
                raise refusals.BreaksLaterFact(
                    f"{move.order} has gone on since: reverse its later entries first", field="entry", order=move.order
                )

    def answered(self, told: Answered) -> Answered:
        question = self.book.card("question", str(told.entry))
        if not isinstance(question, QuestionCard):
            raise self.unknown("question on entry", str(told.entry), "entry")
        if question.answer is not None:
            raise refusals.AlreadyEnded("that question was answered already", field="entry")
        return told


def _order(count: Any) -> tuple[datetime, int]:
    order: tuple[datetime, int] = count.order
    return order


def _lines(
    book: Book, card: BatchCard | StockPlantCard, stage: str, place: str
) -> list[tuple[tuple[datetime, int], int, UUID | None]]:
    """Every movement at one account as ((time, rank), units with sign, count), in the occurred order.

    The rank is the position of the entry; of the entry taken back for a reversal; of the count for a line against one.
    """
    account = standing(card.key[1], stage, place)
    history = book.history(holder_key(card.key[1]))
    positions = {entry.told.id: entry.position for entry in history}
    lines = []
    for entry in history:
        told = entry.told
        own = positions.get(told.entry, entry.position) if isinstance(told, Reversed) else entry.position
        for move in entry.moves:
            if account not in (move.source, move.target):
                continue
            rank = positions[move.count] if move.count is not None else own
            units = move.units if move.target == account else -move.units
            lines.append(((entry.at(move), rank), units, move.count))
    lines.sort(key=lambda line: line[0])
    return lines
