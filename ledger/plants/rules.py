"""The decisions: whether a told entry may stand, and which movements of plants follow from it.

Pure: `decide(book, told, turn) -> Recorded` or a refusal. No I/O, no clock: the time, the position and the client come in
with the turn. What a written entry then changes is in `evolve`. Here is the one match over all entries, and the rules of
plants, stock plants and reference values; those of the promise book are in `promises`, what both look up is in `desk`.

Two rules carry the rest. *Never negative*: no account falls below 0 at any moment of the occurred order (time, then
position). *A count stands*: whatever happened before a count and is told after it posts itself and an equal opposite
line against that count's difference, so that the order of arrival never changes a balance.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from datetime import date, datetime, timedelta
from itertools import groupby
from typing import Any, assert_never
from uuid import UUID, uuid5
from zoneinfo import ZoneInfoNotFoundError

from msgspec.structs import replace

from ledger.plants import closing, refusals
from ledger.plants import recorded as accounts
from ledger.plants.book import Book
from ledger.plants.cards import BatchCard, Hold, QuestionCard, StockPlantCard
from ledger.plants.desk import Turn, day_of, policy_of, zone_of
from ledger.plants.entries import (
    THE_LEDGER,
    Answered,
    BooksSet,
    BoughtIn,
    Cleared,
    ConfidenceCorrected,
    CostSet,
    Counted,
    CropSet,
    CuttingsFrom,
    DamageClaimed,
    DestinationSet,
    DueChecked,
    Entry,
    ForecastPublished,
    Gathered,
    GivenOut,
    Graded,
    HeadSigned,
    Held,
    HoldEnded,
    Lost,
    Merged,
    Method,
    Moved,
    Opened,
    PeriodClosed,
    PersonSet,
    Picked,
    PlaceSet,
    PlantedAsStock,
    PolicySet,
    Potted,
    PottedUp,
    PottingAnswered,
    PottingIssued,
    PrintsSet,
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
    TemperatureMeasured,
    TemperaturesSet,
    Tended,
    Told,
    Treated,
    type_of,
)
from ledger.plants.evolve import act_of, target_of, unit_at
from ledger.plants.promises import PromiseDesk
from ledger.plants.recorded import CELL, CUTTING, STOCK, Move, Question, Recorded, loss, pot, split_standing, standing

#: what the ledger notices by itself and tells in its own name; a period it closes in the name of whoever asks for it
NOTICED = (
    PromiseExpired, PromiseAtRisk, PromiseSafe, DueChecked, ForecastPublished, ConfidenceCorrected, HeadSigned, PeriodClosed,
)  # fmt: skip
#: entries that carry units of one batch from one place to one account
Carried = Lost | Moved | SetBack | Picked | PutBack | SoldHere | GivenOut | PlantedAsStock | Renamed


def count_first_id(entry: UUID, batch: str, stage: str, place: str) -> UUID:
    """The id of the count that is offered before an entry which wants more plants than the book has there."""
    return uuid5(entry, f"count-first/{batch}/{stage}/{place}")


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
    booked_on, happened_on = closing.booked(day_of(told.occurred_at, policy), book.nursery().closed_to)
    return Recorded(
        position=turn.position,
        recorded_at=turn.now,
        booked_on=booked_on,
        happened_on=happened_on,
        client=turn.client,
        schema=type(filled).SCHEMA,
        told=filled,
        moves=tuple(desk.moves),
        grants=tuple(desk.grants),
        questions=desk.questions(filled),
    )


class _Desk(PromiseDesk):
    """Decides the entries of plants, stock plants and reference values."""

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
                id=count_first_id(self.told.id, batch.number, stage, place),
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
        later = self.book.lines(standing(batch.key[1], stage, place), self.at)
        return there.units - sum(line.units for line in later if line.order >= (self.at, self.rank))

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
        # a reversal stands at the very place of what it takes back, whose own lines therefore come before it
        lines = self.book.lines(account, self.at)
        lines = lines[bisect_left(lines, (self.at, self.rank + 1)) :]
        balance = there.units - sum(line.units for line in lines)
        if balance + delta < 0:
            raise self.short(account, self.at, balance, delta)
        for order, at_once in groupby(lines, key=lambda line: line.order):
            if later is not None and order >= later.order:
                break
            balance += sum(line.units for line in at_once)
            if balance + delta < 0:
                raise self.short(account, order[0], balance, delta)
        if later is not None:
            against = (account, later.against) if delta > 0 else (later.against, account)
            booked_on, happened_on = closing.booked(day_of(later.at, self.policy), self.book.nursery().closed_to)
            self.moves.append(
                Move(
                    units=abs(delta),
                    unit=unit,
                    source=against[0],
                    target=against[1],
                    at=later.at,
                    booked_on=booked_on,
                    happened_on=happened_on,
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
            case HeadSigned():
                return self.head_signed(told)
            case PeriodClosed():
                return self.period_closed(told)
            case Promised():
                return self.promised(told)
            case PromiseConfirmed():
                return self.promise_confirmed(told)
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
            case SizeSet() | PlaceSet() | PersonSet() | BooksSet() | PrintsSet() | TemperaturesSet():
                return told
            case _:
                assert_never(told)

    def policy_set(self, told: PolicySet) -> PolicySet:
        try:
            zone_of(told.time_zone)
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
        if told.listed is not None:
            self.listed(told.listed, batch.crop, told.size, ("listed", "listed"))
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
        booked_on, happened_on = closing.booked(original.booked_on, self.book.nursery().closed_to, original.day)
        if isinstance(original.told, Counted):
            self.take_back_count(original, booked_on, happened_on)
        else:
            own = [move for move in original.moves if move.count is None]
            self.order_allows(own)
            when: dict[str, Any] = {"at": self.at, "booked_on": booked_on, "happened_on": happened_on}
            self.moves = [replace(move, source=move.target, target=move.source, **when) for move in own]
        return told

    def take_back_count(self, original: Recorded, booked_on: date, happened_on: date | None) -> None:
        """A count taken back takes its whole difference with it, and what later slips booked against it."""
        counted = original.told
        assert isinstance(counted, Counted)
        batch = self.batch(counted.batch)
        here = standing(batch.number, counted.stage, counted.place)
        net = sum(line.units for line in self.book.lines(here, self.at) if line.order == (self.at, self.rank))
        sides = (here, accounts.COUNT_DIFFERENCE) if net > 0 else (accounts.COUNT_DIFFERENCE, here)
        if net:
            self.moves.append(
                Move(
                    units=abs(net),
                    unit=unit_at(batch, counted.stage),
                    source=sides[0],
                    target=sides[1],
                    at=self.at,
                    booked_on=booked_on,
                    happened_on=happened_on,
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

    # the proof and the periods

    def head_signed(self, told: HeadSigned) -> HeadSigned:
        if told.size >= self.turn.position or self.book.root(told.size) != told.root:
            raise refusals.WrongHead(f"that is not the root over the first {told.size} entries", field="root")
        return told

    def period_closed(self, told: PeriodClosed) -> PeriodClosed:
        nursery, head = self.book.nursery(), self.book.head()
        today = day_of(min(self.turn.now, self.at), self.policy)
        closing.may_close(told.period, today=today, first_on=nursery.first_on, closed_to=nursery.closed_to)
        if head is None or (head.value.size, head.value.root) != (told.size, told.root):
            raise refusals.WrongHead("a period is closed on the head that was signed for it just before", field="root")
        return told


def _order(count: Any) -> tuple[datetime, int]:
    order: tuple[datetime, int] = count.order
    return order
