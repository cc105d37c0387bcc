"""The fold: what each written entry changes on the cards. Total: it never refuses, it only follows.

Everything that can be read off the movements is read off them (balances, orders, outside accounts), so that a reversal,
whose movements are mirrored, undoes it without a rule of its own. What is not a movement has its undoing in `_take_back`.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from typing import Any
from uuid import UUID

from ledger.plants import closing, numbers, shelf
from ledger.plants.book import Book
from ledger.plants.cards import (
    Act,
    BatchCard,
    BooksCard,
    CostCard,
    Count,
    CrewAnswer,
    CropCard,
    DestinationCard,
    ForecastCard,
    HeadCard,
    Hold,
    Key,
    ListedPotting,
    MeasuredCard,
    NormalsCard,
    Parent,
    PersonCard,
    PlaceCard,
    PolicyCard,
    PottingCard,
    PrintsCard,
    PromiseCard,
    PromiseLine,
    QuestionCard,
    RecipeCard,
    Risk,
    SizeCard,
    Standing,
    StockPlantCard,
    Stop,
    Treatment,
    changed,
    cost_code,
)
from ledger.plants.entries import (
    Answered,
    BasketLine,
    BooksSet,
    BoughtIn,
    Cleared,
    ConfidenceCorrected,
    CostSet,
    Counted,
    CropSet,
    DamageClaimed,
    DestinationSet,
    DueChecked,
    ForecastPublished,
    Gathered,
    HeadSigned,
    Held,
    HoldEnded,
    Merged,
    Method,
    Opened,
    PeriodClosed,
    PersonSet,
    PlaceSet,
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
    RecipeSet,
    Renamed,
    Reversed,
    SetBack,
    Shipped,
    SizeSet,
    Stage,
    StockSet,
    Stopped,
    StopReason,
    Struck,
    TemperatureMeasured,
    TemperaturesSet,
    Tended,
    Told,
    Treated,
    type_of,
)
from ledger.plants.recorded import (
    COUNT_DIFFERENCE,
    SHIPPED,
    STOCK,
    STOCK_PLANT,
    Asked,
    Grant,
    Line,
    Move,
    Recorded,
    split_standing,
)

_RECENT_ACTS = 8
_RECENT_TREATMENTS = 10


def evolve(book: Book, recorded: Recorded) -> list[tuple[Key, int]]:
    """Change the cards as the entry says; the keys of the cards it touched with their new versions. Raises Missing."""
    page = book.fork()  # so that a Missing half way leaves nothing behind
    fold = _Fold(page, recorded)
    fold.begins()
    fold.settings()
    fold.births()
    for move in recorded.moves:
        fold.move(move)
    fold.conditions()
    fold.questions()
    if isinstance(recorded.told, Reversed):
        fold.take_back(recorded.told)
    fold.shelves()
    page.write(recorded)
    page.merge()
    return fold.touched()


class _Fold:
    """One entry's changes. Cards are put with the version they had; `touched` counts each of them up once."""

    def __init__(self, book: Book, recorded: Recorded) -> None:
        self.book = book
        self.recorded = recorded
        self.told: Told = recorded.told

    def touched(self) -> list[tuple[Key, int]]:
        """Every card that the entry changed, with its new version."""
        return [(key, card.version) for key, card in self.book.cards.items() if card is not None]

    def put(self, card: Any) -> None:
        """Put a changed card; its version goes up once an entry, however often it is put."""
        first = card.key not in self.book.cards
        self.book.put(changed(card, version=card.version + 1) if first else card)

    def begins(self) -> None:
        """The first day of which anything is told."""
        nursery = self.book.nursery()
        if nursery.first_on is None or self.recorded.day < nursery.first_on:
            self.put(changed(nursery, first_on=self.recorded.day))

    # --- reference values -------------------------------------------------------------------------------------

    def settings(self) -> None:
        book, told = self.book, self.told
        match told:
            case CropSet():
                crop = book.crop(told.code)
                self.put(changed(crop, value=told) if crop else CropCard(value=told))
            case PlaceSet():
                place = book.place(told.code)
                self.put(changed(place, value=told) if place else PlaceCard(value=told))
            case SizeSet():
                self.replace(SizeCard(value=told))
            case PersonSet():
                self.replace(PersonCard(value=told))
            case RecipeSet():
                self.replace(RecipeCard(value=told))
            case PolicySet():
                policy = book.policy()
                self.put(changed(policy, value=told) if policy else PolicyCard(value=told))
            case DestinationSet():
                self.replace(DestinationCard(value=told))
            case PrintsSet():
                self.replace(PrintsCard(value=told))
            case BooksSet():
                self.replace(BooksCard(value=told))
            case TemperaturesSet():
                self.replace(NormalsCard(value=told))
            case TemperatureMeasured():
                month, day = f"{told.day:%Y-%m}", told.day.isoformat()
                measured = book.card("measured", month) or MeasuredCard(month=month)
                assert isinstance(measured, MeasuredCard)
                self.put(changed(measured, days={**measured.days, day: told.mean_tenths_c}))
            case HeadSigned():
                self.replace(HeadCard(value=told, position=self.recorded.position))
            case PeriodClosed():
                self.put(changed(book.nursery(), closed_to=closing.last_day(told.period)))
            case CostSet():
                cost = book.card("cost", cost_code(told))
                assert cost is None or isinstance(cost, CostCard)
                kept = [value for value in cost.values if value.effective_on != told.effective_on] if cost else []
                values = (*kept, told)
                self.put(changed(cost, values=values) if cost else CostCard(values=values))
            case StockSet():
                plant = book.stock_plant(told.stock_plant)
                if told.from_batch is not None:
                    self.child_of(told.from_batch, told.stock_plant)
                self.put(
                    StockPlantCard(
                        code=told.stock_plant,
                        crop=told.crop,
                        place=told.place,
                        source=told.source,
                        licence=told.licence,
                        from_batch=told.from_batch,
                        standing=plant.standing if plant else {},
                        children=plant.children if plant else (),
                        stops=plant.stops if plant else (),
                        version=plant.version if plant else 0,
                    )
                )
            case _:
                pass

    def replace(self, card: Any) -> None:
        before = self.book.card(*card.key)
        self.put(changed(card, version=before.version if before else 0))

    # --- new batches and families ------------------------------------------------------------------------------

    def births(self) -> None:
        told = self.told
        match told:
            case Gathered():
                self.birth(told.batch, told.crop, None, [(part.stock_plant, part.cuttings) for part in told.stock_plants])
            case Struck(crop=str(crop)):
                self.birth(told.batch, crop, None, [(part.stock_plant, part.cuttings) for part in told.stock_plants])
            case Opened():
                self.birth(told.batch, told.crop, told.size, [], age_days=told.age_days or 0)
                nursery = self.book.nursery()
                self.put(changed(nursery, opening_day=self.recorded.day, opened=nursery.opened + 1))
            case BoughtIn():
                self.birth(told.batch, told.crop, told.size, [])
                policy = self.book.policy()
                if policy is None or policy.value.isolate_bought_in:
                    self.stop(("batch", told.batch or ""), StopReason.ISOLATION, None)
            case Merged():
                first = self.batch(told.sources[0].batch)
                self.birth(told.into, first.crop, first.size, [(part.batch, part.units) for part in told.sources])
            case Potted():
                crop = self.batch(told.batch).crop
                self.birth(told.into, crop, told.size, [(told.batch, told.per_pot * told.pots)])
            case PottedUp():
                self.birth(told.into, self.batch(told.batch).crop, told.size, [(told.batch, told.pots)])
            case Renamed():
                self.birth(told.into, told.crop, self.batch(told.batch).size, [(told.batch, told.units)])
            case _:
                pass

    def birth(self, number: str | None, crop: str, size: str | None, parents: list[tuple[str, int]], age_days: int = 0) -> None:
        assert number is not None, "decide fills in the number"
        made = tuple(Parent(holder=holder, units=units, entry=self.told.id) for holder, units in parents)
        batch = self.book.batch(number)
        if batch is None:
            born_on = self.recorded.day.toordinal() - age_days
            batch = BatchCard(
                number=number,
                crop=crop,
                size=size,
                came=type_of(self.told),
                entered_at=self.told.occurred_at,
                born_on=date.fromordinal(born_on),
            )
            nursery = self.book.nursery()
            week, serial = numbers.serial_of(number)
            if serial > nursery.serials.get(week, 0):
                self.put(changed(nursery, serials={**nursery.serials, week: serial}))
        self.put(changed(batch, parents=batch.parents + made, stops=batch.stops + self.carried(parents)))
        for holder, _ in parents:
            self.child_of(holder, number)

    def child_of(self, holder: str, code: str) -> None:
        parent: Any = self.book.holder(holder)
        if code not in parent.children:
            self.put(changed(parent, children=(*parent.children, code)))

    def carried(self, parents: list[tuple[str, int]]) -> tuple[Stop, ...]:
        """The stops on the parents, which the plants carry with them: nothing is cleared by being potted or merged."""
        stops: dict[UUID, Stop] = {}
        for holder, _ in parents:
            parent: Any = self.book.holder(holder)
            stops |= {stop.entry: changed(stop, through=self.told.id) for stop in parent.stops}
        if isinstance(self.told, Renamed):  # which is how a doubtful name is settled
            return tuple(stop for stop in stops.values() if stop.reason is not StopReason.NAME_IN_DOUBT)
        return tuple(stops.values())

    def batch(self, number: str) -> BatchCard:
        batch = self.book.batch(number)
        assert batch is not None, f"an entry moved plants of {number}, which no entry made"
        return batch

    # --- movements ---------------------------------------------------------------------------------------------

    def move(self, move: Move) -> None:
        self.side(move, move.source, -move.units)
        self.side(move, move.target, +move.units)

    def side(self, move: Move, account: str, units: int) -> None:
        where = split_standing(account)
        if where is None:
            outside = self.book.outside(move.unit)
            self.put(changed(outside, units={**outside.units, account: outside.units.get(account, 0) + units}))
            self.book.moved.add((outside.key, account))
            if move.order is not None and account == SHIPPED:
                other = split_standing(move.source if units > 0 else move.target)
                assert other is not None
                self.order_counts(move.order, "shipped", other[0], units)
            return
        holder, stage, place = where
        card: Any = self.book.holder(holder)
        assert card is not None, f"an entry moved plants of {holder}, which no entry made"
        key, at = f"{stage}/{place}", self.recorded.at(move)
        before: Standing = card.standing.get(key) or Standing(unit=move.unit, units=0, since=at, last_at=at)
        after = changed(before, units=before.units + units, since=min(before.since, at), last_at=max(before.last_at, at))
        self.put(changed(card, standing={**card.standing, key: after}))
        self.book.moved.add((card.key, key))
        line = Line(at, self.rank(move, before), self.recorded.position, units)
        self.book.added.setdefault(account, []).append(line)
        if move.order is not None and stage == "picked":
            self.order_counts(move.order, "picked", f"{holder}/{place}", units)
            if not other_side_leads_out(move):
                self.pulled(move.order, card.crop, card.size, units)

    def rank(self, move: Move, there: Standing) -> int:
        """Where a movement stands among those of the same moment."""
        if move.count is not None and move.count != self.told.id:
            return next(count.position for count in there.counts if count.entry == move.count)
        if move.count is None and isinstance(self.told, Reversed):
            taken_back = self.book.entry(self.told.entry)
            assert taken_back is not None, "decide has looked"
            return taken_back.position
        return self.recorded.position

    def order_counts(self, ref: str, which: str, key: str, units: int) -> None:
        order = self.book.order(ref)
        counts: dict[str, int] = getattr(order, which)
        left = {**counts, key: counts.get(key, 0) + units}
        self.put(changed(order, **{which: {name: number for name, number in left.items() if number}}))

    # --- what is not a movement --------------------------------------------------------------------------------

    def conditions(self) -> None:
        told, recorded = self.told, self.recorded
        match told:
            case Counted() if told.method.moves_balance:
                batch = self.batch(told.batch)
                self.count(batch, told.stage, told.place, unit_at(batch, told.stage), told.method, told.units)
            case StockSet():  # told whole, which is a count whose difference comes from its source
                plant = self.book.holder(told.stock_plant)
                self.count(plant, STOCK, told.place, STOCK_PLANT, Method.COUNT, told.units, told.source.value)
            case Promised():
                self.promise(told)
            case PromiseConfirmed():
                self.promise_confirmed(told)
            case PromiseMoved():
                self.promise_moved(told)
            case PromiseReleased():
                self.close_lines(told.promise, told.line)
                if told.line is None:
                    self.promise_ends(told.promise, "released")
            case PromiseExpired():
                self.close_lines(told.promise, lapsing=True)
                self.promise_ends(told.promise, "expired")
            case PromiseSubstituted():
                self.close_lines(told.promise, told.line)
                for grant in recorded.grants:
                    self.granted(told.promise, grant, told.wanted)
            case PromiseAtRisk():
                self.at_risk(told)
            case PromiseSafe():
                self.change_line(told.promise, told.line, risk=None)
            case DueChecked():
                self.due_checked(told)
            case ForecastPublished():
                self.forecast(told)
            case ConfidenceCorrected():
                policy = self.book.policy()
                assert policy is not None, "decide has looked"
                self.put(changed(policy, corrected=told))
            case Potted():
                self.potted(told, told.pots)
            case PottingIssued():
                self.potting_issued(told)
            case PottingAnswered():
                self.potting_answered(told)
            case SetBack() | Tended():
                self.add_days(told.batch, told.days_added)
            case Held():
                self.hold(Hold(entry=told.id, reason=told.reason, review_on=told.review_on, units=told.units or 0))
            case HoldEnded():
                self.end_hold(told.batch, told.order, told.hold)
            case Stopped():
                self.stop(target_of(told), told.reason, told.authority)
            case Cleared():
                self.clear(target_of(told), told.stop)
            case Treated():
                self.treat(told)
            case Shipped():
                order = self.book.order(told.order)
                self.put(changed(order, region=told.region, carrier=told.carrier))
            case DamageClaimed():
                self.order_counts(told.order, "claimed", told.batch, told.units)
            case Answered():
                question = self.book.card("question", str(told.entry))
                assert isinstance(question, QuestionCard)
                self.put(changed(question, answer=told.answer))
            case _:
                pass
        self.remember_act()
        for where in self.touched_batches():
            if self.book.cards.get(("batch", where)) is None:  # named but not changed: it still belongs to its life line
                self.put(self.batch(where))

    def count(
        self, card: Any, stage: str, place: str, unit: str, method: Method, units: int, against: str = COUNT_DIFFERENCE
    ) -> None:
        """Note on an account that it was counted at this moment."""
        key, at = f"{stage}/{place}", self.told.occurred_at
        standing = card.standing.get(key) or Standing(unit=unit, units=0, since=at, last_at=at)
        position, entry, by = self.recorded.position, self.told.id, self.told.by
        count = Count(entry=entry, position=position, at=at, method=method, units=units, by=by, against=against)
        after = changed(standing, counts=(*standing.counts, count), last_at=max(standing.last_at, at))
        self.put(changed(card, standing={**card.standing, key: after}))
        self.book.moved.add((card.key, key))

    def touched_batches(self) -> list[str]:
        named = getattr(self.told, "batch", None)
        return [named] if isinstance(named, str) else []

    # --- the promise book --------------------------------------------------------------------------------------

    def promise(self, told: Promised) -> None:
        """A new promise: its card, its lines on their shelves, and the hold of its client."""
        recorded = self.recorded
        assert told.hold_minutes is not None, "decide fills in the policy's"
        self.put(
            PromiseCard(
                promise=told.id,
                order=told.order,
                client=recorded.client,
                state="held",
                lines={},
                position=recorded.position,
                region=told.region,
                expires_at=told.occurred_at + timedelta(minutes=told.hold_minutes),
                replaces=told.replaces,
                all_or_none=told.all_or_none,
            )
        )
        for grant in recorded.grants:
            self.granted(told.id, grant, told.lines[grant.line])
        order = self.book.order(told.order)
        self.put(changed(order, promises=(*order.promises, told.id)))

    def granted(self, promise: UUID, grant: Grant, wanted: BasketLine) -> None:
        """A new line of a promise, as it was granted."""
        line = shelf.promise_line_of(grant, part=wanted.allow_part, later=wanted.allow_later)
        self.put_granted(promise, grant, line)

    def put_granted(self, promise: UUID, grant: Grant, line: PromiseLine) -> None:
        """A line on the shelf and the pool that its grant rests on."""
        self.put_line(promise, grant.line, line, grant.potting)
        if grant.potting is not None:
            self.ask(grant.potting.on, f"{grant.crop}/{grant.size}")

    def promise_confirmed(self, told: PromiseConfirmed) -> None:
        """What was granted anew of a hold that had run out stands in place of what it had held, and ranks from now on."""
        if self.recorded.grants:
            self.close_lines(told.promise)
            self.put(changed(self.promise_card(told.promise), position=self.recorded.position))
        for grant in self.recorded.grants:
            line = self.promise_card(told.promise).lines[str(grant.line)]
            anew = shelf.promise_line_of(grant, part=line.allow_part, later=line.allow_later)
            self.put_granted(
                told.promise, grant, changed(anew, granted=line.picked + grant.units, picked=line.picked, kept=line.kept)
            )
        for index, line in self.promise_card(told.promise).numbered:
            if line.lapsed:  # and was not granted again
                self.change_line(told.promise, index, lapsed=0)
        self.promise_ends(told.promise, "confirmed")

    def ask(self, on: date, where: str) -> None:
        """Note for whom the potting list of a day will have a line."""
        nursery, day = self.book.nursery(), on.isoformat()
        there = nursery.potting.get(day, ())
        if where not in there:
            self.put(changed(nursery, potting={**nursery.potting, day: (*there, where)}))

    def promise_card(self, promise: UUID) -> PromiseCard:
        card = self.book.promise(promise)
        assert card is not None, "decide has looked"
        return card

    def put_line(self, promise: UUID, index: int | str, line: PromiseLine, asked: Asked | None = None) -> None:
        """A changed line on its promise, and what follows from it for its shelf, its pool and its client's hold."""
        card, index = self.promise_card(promise), str(index)
        before = card.lines.get(index)
        line = changed(line, pooled=min(line.pooled, line.open), risk=line.risk if line.open else None)
        card = changed(card, lines={**card.lines, index: line}, open=card.open + line.open - (before.open if before else 0))
        self.put(card)
        ground = shelf.ground_of(self.book, line.crop, line.size)
        after = shelf.committed(ground, f"{promise}/{index}", before, line, self.recorded.position, asked)
        self.put_ground(ground, after)
        self.put_hold(card)

    def put_ground(self, before: shelf.Ground, after: shelf.Ground) -> None:
        for card, was in ((after.there, before.there), (after.pool, before.pool)):
            if card != was:
                self.put(card)

    def put_hold(self, card: PromiseCard) -> None:
        """What a client holds unconfirmed, by crop and size."""
        client, own = self.book.client(card.client), f"{card.promise}/"
        held = {name: units for name, units in client.held.items() if not name.startswith(own)}
        for line in card.lines.values() if card.state == "held" else ():
            name = f"{own}{line.crop}/{line.size}"
            if line.open + line.picked:
                held[name] = held.get(name, 0) + line.open + line.picked
        if held != client.held:
            self.put(changed(client, held=held))

    def close_lines(self, promise: UUID, only: int | None = None, *, lapsing: bool = False) -> None:
        """What is open of a promise, or of one line, is given back. lapsing: because its hold ran out, which is remembered."""
        for index, line in self.promise_card(promise).numbered:
            if line.open and only in (None, index):
                lapsed = line.open if lapsing else 0
                self.change_line(promise, index, open=0, lapsed=lapsed, **self.missed(promise, index))

    def promise_moved(self, told: PromiseMoved) -> None:
        """To a later day with all it rests on; for an earlier one it was granted anew."""
        line = self.promise_card(told.promise).lines[str(told.line)]
        moved = changed(line, due=told.due, risk=None, **self.missed(told.promise, told.line))
        earlier, grants = told.due < line.due, self.recorded.grants
        if earlier:
            self.change_line(told.promise, told.line, open=0)
            moved = changed(moved, pooled=0)
        if not grants:  # as it was told before a move was granted anything
            self.put_line(told.promise, told.line, moved)
        for grant in grants:
            anew = shelf.promise_line_of(grant)
            names = ("papers", "basis", "confidence", "potting_on", "pooled") if earlier else ("papers",)
            self.put_granted(told.promise, grant, changed(moved, **{name: getattr(anew, name) for name in names}))

    def missed(self, promise: UUID, index: int) -> dict[str, Any]:
        """A line that was at risk when it was moved or given back was not kept, as far as it was short."""
        line = self.promise_card(promise).lines[str(index)]
        if line.risk is None or line.checked:
            return {}
        return {"missed": min(line.open, line.risk.short), "checked": True}

    def promise_ends(self, promise: UUID, state: str) -> None:
        """A hold ends: bought, released, or run out."""
        card = changed(self.promise_card(promise), state=state, expires_at=None)
        self.put(card)
        self.put_hold(card)

    def change_line(self, promise: UUID, index: int, **fields: Any) -> None:
        self.put_line(promise, index, changed(self.promise_card(promise).lines[str(index)], **fields))

    def pulled(self, ref: str, crop: str, size: str, units: int) -> None:
        """Plants pulled for an order close its lines, the earliest due first; those that come back undo it, the last first.

        What was pulled beyond all lines is the first to come back: it opens nothing.
        """
        key, order = f"{crop}/{size}", self.book.order(ref)
        beyond = order.beyond.get(key, 0)
        left = units if units > 0 else min(0, beyond + units)
        cards = [card for promise in order.promises if (card := self.promise_card(promise)).state in ("held", "confirmed")]
        lines = [
            (line.due, card.position, int(index), card.promise)
            for card in cards
            for index, line in card.lines.items()
            if (line.crop, line.size) == (crop, size)
        ]
        for _, _, index, promise in sorted(lines, reverse=units < 0):
            line = self.promise_card(promise).lines[str(index)]
            closed = min(left, line.open) if units > 0 else max(left, -line.picked)
            if closed:
                in_time = self.recorded.day <= line.due and not line.checked
                kept = max(0, line.kept + closed) if in_time else line.kept
                self.put_line(promise, index, changed(line, open=line.open - closed, picked=line.picked + closed, kept=kept))
                left -= closed
        kept = max(0, beyond + units) if units < 0 else beyond + left
        if kept != beyond:
            others = {name: number for name, number in order.beyond.items() if name != key}
            self.put(changed(self.book.order(ref), beyond=others | ({key: kept} if kept else {})))

    def at_risk(self, told: PromiseAtRisk) -> None:
        risk = Risk(
            entry=told.id, at=told.occurred_at, chance=told.chance, short=told.short, because=tuple(told.because),
            offered=told.offered,
        )  # fmt: skip
        self.change_line(told.promise, told.line, risk=risk)

    def due_checked(self, told: DueChecked) -> None:
        for due in told.lines:
            line = self.promise_card(due.promise).lines[str(due.line)]
            missed = due.open - due.there
            self.change_line(due.promise, due.line, kept=line.kept + due.there, missed=line.missed + missed, checked=True)

    # --- the forecast, and potting -----------------------------------------------------------------------------

    def forecast(self, told: ForecastPublished) -> None:
        """A new forecast: what was only remembered until it came is forgotten."""
        published = told.forecast
        self.replace(ForecastCard(entry=told.id, at=told.occurred_at, value=published))
        for size, of_size in published.sizes.items():
            there = self.book.shelf(published.crop, size)
            after = shelf.forecast_known(there, published.position, of_size.relied)
            if after is not there:
                self.put(after)
        pool = self.book.pool(published.crop)
        waiting = self.recorded.recorded_at if pool.changed > published.position else None
        if pool.waiting_since != waiting:
            self.put(changed(pool, waiting_since=waiting))

    def potted(self, told: Potted, pots: int) -> None:
        """Pots close what the list that they are for asked, or the earliest day first; taken back they open it, the last first.

        Of an answered ask nobody rests on pots that were taken back.
        """
        ground = shelf.ground_of(self.book, self.batch(told.batch).crop, told.size)
        for day in sorted(ground.there.asked, reverse=pots < 0):
            ask = ground.there.asked[day]
            closed = min(pots, max(0, ask.pots - ask.potted)) if pots > 0 else max(pots, -ask.potted)
            if closed and (told.listed is None or day == told.listed.isoformat()):
                left = ask.potted + closed
                ask = changed(ask, potted=left, pots=min(ask.pots, left) if ask.answered and pots < 0 else ask.pots)
                after = shelf.with_ask(ground, day, ask)
                self.put_ground(ground, after)
                ground, pots = after, pots - closed

    def potting_issued(self, told: PottingIssued) -> None:
        nursery, lines = self.book.nursery(), dict[str, ListedPotting]()
        for line in told.lines:
            ask = self.book.shelf(line.crop, line.size).asked[told.day.isoformat()]
            lines[f"{line.crop}/{line.size}"] = ListedPotting(line=line, before=ask.potted)
        left = {day: where for day, where in nursery.potting.items() if day > told.day.isoformat()}
        self.put(changed(nursery, potting_issued=told.day, potting=left))
        self.put(PottingCard(day=told.day, lines=lines))

    def potting_answered(self, told: PottingAnswered) -> None:
        """The answer on the list, on the ask, and on every line of a promise that had asked."""
        card, where, day = self.book.potting(told.day), f"{told.crop}/{told.size}", told.day.isoformat()
        assert card is not None, "decide has looked"
        listed = changed(card.lines[where], potted=told.potted, because=told.because)
        self.put(changed(card, lines={**card.lines, where: listed}))
        ground = shelf.ground_of(self.book, told.crop, told.size)
        ask = ground.there.asked.get(day)
        if ask is None:
            return
        pots = min(ask.pots, max(ask.potted, listed.before + told.potted))
        answer = CrewAnswer(entry=told.id, asked=ask.pots - listed.before, potted=told.potted, because=told.because)
        after = changed(ask, pots=pots, plugs=0, answered=self.recorded.position)
        self.put_ground(ground, shelf.with_ask(ground, day, after))
        short = ask.pots - pots
        for promise, index in self.last_served(ask.lines):  # they rest on what was potted, and on nothing beyond it
            line = self.promise_card(promise).lines[index]
            less = min(short, line.pooled)
            self.change_line(promise, int(index), answer=answer, pooled=line.pooled - less)
            short -= less

    def last_served(self, names: Iterable[str]) -> list[tuple[UUID, str]]:
        """Lines as (promise, index), those due last first, of them those granted last."""
        found = [(UUID(promise), index) for promise, index in (name.split("/") for name in names)]

        def place(name: tuple[UUID, str]) -> tuple[date, int, int]:
            card = self.promise_card(name[0])
            return (card.lines[name[1]].due, card.position, int(name[1]))

        return sorted(found, key=place, reverse=True)

    def add_days(self, number: str, days: int) -> None:
        batch = self.batch(number)
        self.put(changed(batch, days_added=batch.days_added + days))

    def hold(self, hold: Hold) -> None:
        told = self.told
        assert isinstance(told, Held)
        card: Any = self.batch(told.batch) if told.batch else self.book.order(told.order or "")
        self.put(changed(card, holds=(*card.holds, hold)))

    def end_hold(self, number: str | None, ref: str | None, hold: UUID) -> None:
        card: Any = self.batch(number) if number else self.book.order(ref or "")
        self.put(changed(card, holds=tuple(kept for kept in card.holds if kept.entry != hold)))

    def stop(self, target: Key, reason: StopReason, authority: str | None) -> None:
        card: Any = self.book.card(*target)
        stop = Stop(entry=self.told.id, reason=reason, at=self.told.occurred_at, authority=authority)
        self.put(changed(card, stops=(*card.stops, stop)))

    def clear(self, target: Key, stop: UUID) -> None:
        card: Any = self.book.card(*target)
        self.put(changed(card, stops=tuple(kept for kept in card.stops if kept.entry != stop)))

    def lift(self, target: Key, stop: UUID) -> None:
        """Clear a stop that should never have been, also where plants carried it on."""
        self.clear(target, stop)
        card: Any = self.book.card(*target)
        for child in getattr(card, "children", ()):
            carrier: Any = self.book.holder(child)
            if any(kept.entry == stop for kept in carrier.stops):
                self.lift(carrier.key, stop)

    def treat(self, told: Treated) -> None:
        treatment = Treatment(entry=told.id, product=told.product, at=told.occurred_at, re_entry_ends=told.re_entry_ends)
        for code in told.places:
            place = self.book.place(code)
            assert place is not None
            self.put(changed(place, treatments=self.worth_keeping((*place.treatments, treatment))))
        for number in told.batches:
            batch = self.batch(number)
            self.put(changed(batch, treatments=(*batch.treatments, treatment)))

    def worth_keeping(self, treatments: tuple[Treatment, ...]) -> tuple[Treatment, ...]:
        """The latest few, and every one that keeps people out still: of several, the longest rules."""
        older, latest = treatments[:-_RECENT_TREATMENTS], treatments[-_RECENT_TREATMENTS:]
        now = self.recorded.recorded_at
        return (*(kept for kept in older if kept.re_entry_ends is not None and kept.re_entry_ends > now), *latest)

    def remember_act(self) -> None:
        what = act_of(self.told)
        if what is None:
            return
        batch = self.batch(what[0])
        act = Act(entry=self.told.id, what=what[1], by=self.told.by, at=self.told.occurred_at)
        self.put(changed(batch, acts=(*batch.acts, act)[-_RECENT_ACTS:]))

    def questions(self) -> None:
        for question in self.recorded.questions:
            self.put(QuestionCard(entry=self.told.id, of=question.of))

    # --- reversal ----------------------------------------------------------------------------------------------

    def take_back(self, reversal: Reversed) -> None:
        """Undo what the reversed entry changed besides its movements."""
        recorded = self.book.entry(reversal.entry)
        assert recorded is not None
        self.book.reversals.add(reversal.entry)
        told = recorded.told
        match told:
            case Counted() if told.method.moves_balance:
                batch = self.batch(told.batch)
                key = f"{told.stage}/{told.place}"
                standing = batch.standing[key]
                counts = tuple(count for count in standing.counts if count.entry != told.id)
                self.put(changed(batch, standing={**batch.standing, key: changed(standing, counts=counts)}))
                self.book.moved.add((batch.key, key))
            case SetBack() | Tended():
                self.add_days(told.batch, -told.days_added)
            case Held():
                self.end_hold(told.batch, told.order, told.id)
            case Stopped():
                self.lift(target_of(told), told.id)
            case Opened():
                nursery = self.book.nursery()
                left = nursery.opened - 1  # with the last of them goes the day, which was told wrong
                self.put(changed(nursery, opened=left, opening_day=nursery.opening_day if left else None))
            case BoughtIn():
                self.lift(("batch", told.batch or ""), told.id)
            case Treated():
                self.untreat(told)
            case DamageClaimed():
                self.order_counts(told.order, "claimed", told.batch, -told.units)
            case Gathered() | Struck():
                self.orphan(told.batch, [part.stock_plant for part in told.stock_plants], told.id)
            case Merged():
                self.orphan(told.into, [part.batch for part in told.sources], told.id)
            case Potted() | PottedUp() | Renamed():
                self.orphan(told.into, [told.batch], told.id)
                if isinstance(told, Potted):
                    self.potted(told, -told.pots)
            case _:
                pass
        if (what := act_of(told)) is not None:
            batch = self.batch(what[0])
            self.put(changed(batch, acts=tuple(act for act in batch.acts if act.entry != told.id)))
        elif (named := getattr(told, "batch", None)) and self.book.cards.get(("batch", named)) is None:
            self.put(self.batch(named))

    def untreat(self, told: Treated) -> None:
        cards: list[Any] = [self.book.place(code) for code in told.places]
        cards += [self.batch(number) for number in told.batches]
        for card in cards:
            self.put(changed(card, treatments=tuple(kept for kept in card.treatments if kept.entry != told.id)))

    def orphan(self, number: str | None, holders: list[str], entry: UUID) -> None:
        """Remove the family ties that one entry made, and no others."""
        assert number is not None
        child = self.batch(number)
        parents = tuple(parent for parent in child.parents if parent.entry != entry)
        stops = tuple(stop for stop in child.stops if stop.through != entry)
        self.put(changed(child, parents=parents, stops=stops))
        still = {parent.holder for parent in parents}
        for holder in holders:
            card: Any = self.book.holder(holder)
            if holder not in still:
                self.put(changed(card, children=tuple(name for name in card.children if name != number)))

    # --- what follows from the cards ---------------------------------------------------------------------------

    def shelves(self) -> None:
        """Every changed batch on its shelf or in its crop's pool; from then on the crop waits for a new forecast."""
        for card in list(self.book.cards.values()):
            if not isinstance(card, BatchCard):
                continue
            there: Any = self.book.pool(card.crop) if card.size is None else self.book.shelf(card.crop, card.size)
            line = shelf.pool_line_of(card) if card.size is None else shelf.line_of(card)
            if there.lines.get(card.number) == line:
                continue
            lines = {number: kept for number, kept in there.lines.items() if number != card.number}
            if line is not None:
                lines[card.number] = line
            self.put(changed(there, lines=lines))
            pool = self.book.pool(card.crop)
            since = pool.waiting_since or self.recorded.recorded_at
            self.put(changed(pool, waiting_since=since, changed=self.recorded.position))


def other_side_leads_out(move: Move) -> bool:
    """Whether picked plants were shipped, carried to another place, or are back from there: no promise is opened by that."""
    sides = (split_standing(move.source), split_standing(move.target))
    return SHIPPED in (move.source, move.target) or all(side is not None and side[1] == Stage.PICKED for side in sides)


def unit_at(batch: BatchCard, stage: str) -> str:
    """The unit in which plants of a batch are counted at a stage."""
    match stage:
        case "gathered":
            return "cutting"
        case "struck" | "rooted":
            return "cell"
        case _:
            return f"pot:{batch.size}"


def target_of(told: Stopped | Cleared) -> Key:
    """The card that a stop is about."""
    if told.batch is not None:
        return ("batch", told.batch)
    if told.stock_plant is not None:
        return ("stock-plant", told.stock_plant)
    assert told.crop is not None
    return ("crop", told.crop)


def act_of(told: Told) -> tuple[str, str] | None:
    """(batch, the job in words) for entries that two people could write down twice; None for the others."""
    fields = _ACTS.get(type_of(told))
    if fields is None:
        return None
    words = [str(getattr(told, name)) for name in fields]
    return str(getattr(told, "batch")), " ".join([type_of(told), *words])  # noqa: B009 - one of several types that have it


#: what makes two entries look like the same job: same batch, same type, and these fields alike
_ACTS: dict[str, tuple[str, ...]] = {
    "struck": ("gathered_at", "cuttings"),
    "rooted": ("place", "usable", "weak", "failed"),
    "moved": ("stage", "place", "to", "units"),
    "potted": ("size", "pots"),
    "potted-up": ("size", "pots"),
    "graded": ("place", "finished", "culled"),
    "lost": ("stage", "place", "units"),
    "set-back": ("place", "units"),
    "renamed": ("stage", "place", "units"),
    "picked": ("order", "units"),
    "put-back": ("order", "units"),
    "damage-claimed": ("order", "units"),
    "given-out": ("stage", "place", "units"),
    "planted-as-stock": ("stage", "place", "units"),
}
