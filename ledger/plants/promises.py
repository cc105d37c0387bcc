"""The decisions of the promise book: whether a told promise, or what becomes of it, may stand, and what it is granted.

Owns baskets, confirming, moving, releasing, substituting, what the ledger notices of promises (run out, at risk, safe, due),
the potting that they ask for, forecasts as entries, and where a crop may be sent. `rules.decide` is the one way in. What may
be promised of a crop and size is reckoned in `offer`; what a written entry then changes is in `evolve`. No plant is moved here.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import date, datetime, timedelta
from uuid import UUID

from msgspec import Struct
from msgspec.structs import replace

from ledger.plants import refusals, shelf
from ledger.plants.book import Book
from ledger.plants.cards import DestinationCard, PoolLine, PottingAsk, PromiseCard, PromiseLine, RecipeCard
from ledger.plants.desk import Desk, day_of, policy_card
from ledger.plants.entries import (
    BasketLine,
    ConfidenceCorrected,
    CropSet,
    DestinationRule,
    DueChecked,
    DueLine,
    ForecastPublished,
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
    Take,
    Verdict,
)
from ledger.plants.offer import Offer, distrusted
from ledger.plants.recorded import Asked, Grant

#: a promise has lines 0 to this
MOST_LINE = 49
#: a potting list is issued for a day that is not further off
MOST_AHEAD = timedelta(days=14)
#: what a refused line of a basket is told
_LACKING = ("line", "crop", "size", "asked", "promisable")


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


class PromiseDesk(Desk):
    """Decides the entries of the promise book."""

    # --- baskets, and what becomes of them ----------------------------------------------------------------------

    def promised(self, told: Promised) -> Promised:
        today = self.day_here()
        lines = [self.basket_line(line, today) for line in told.lines]
        if told.replaces is not None:
            self.damage_claim(told.replaces)
        self.grant(self.bids(self.book.fork(), enumerate(lines), told.region), told.all_or_none)
        self.hoarding(self.book.client(self.turn.client).held)
        return replace(told, lines=lines, hold_minutes=told.hold_minutes or self.policy.hold_minutes)

    def grant(self, bids: Sequence[_Bid], all_or_none: bool, field: str = "lines") -> None:
        """Grant what there is enough of, or refuse the whole basket."""
        lacking = [bid for bid in bids if not bid.enough]
        if lacking and (all_or_none or len(lacking) == len(bids)):
            raise self.not_promisable(lacking, field)
        self.grants = [bid.grant for bid in bids if bid.grant.units]

    def basket_line(self, line: BasketLine, today: date, field: str = "lines") -> BasketLine:
        """The line with its day filled in; it asks for something that is sold, for a day to come."""
        crop = self.crop(line.crop, field, entering=False)
        if line.size not in crop.value.sizes:
            raise refusals.UnknownCode(
                f"{line.crop} is not sold in {line.size}: it is sold in {', '.join(sorted(crop.value.sizes)) or 'no size'}",
                field=field,
                kind="size",
                given=line.size,
            )
        if line.due is not None and line.due < today:
            raise refusals.NotPromisable(f"{line.due} is past: ask for {today} or later", field=field)
        return replace(line, due=line.due or today)

    def bids(self, page: Book, lines: Iterable[tuple[int, BasketLine]], region: str | None) -> list[_Bid]:
        """What each numbered line can be given, beside what is promised on a page and what the lines before it were given."""
        found: list[_Bid] = []
        for index, line in lines:
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

    def not_promisable(self, lacking: Sequence[_Bid], field: str = "lines") -> refusals.Refusal:
        first = lacking[0].grant
        if lacking[0].refused is not None:
            return refusals.NotSentThere(
                f"{first.crop} is not sent there: {lacking[0].refused} (the nursery's own list; official rules come first)",
                field=field,
                lines=[
                    {"line": bid.grant.line, "crop": bid.line.crop, "because": bid.refused} for bid in lacking if bid.refused
                ],
            )
        told = [{name: getattr(bid.grant, name) for name in _LACKING} | {"ready_by": bid.earliest} for bid in lacking]
        later = told[0]["ready_by"]
        return refusals.NotPromisable(
            f"{first.promisable} {first.crop} {first.size} are promisable for {first.due}, {first.asked} are asked for: "
            f"ask for fewer, allow a part, or {f'ask for {later}' if later else 'ask when more are ready'}",
            field=field,
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

    def promise_confirmed(self, told: PromiseConfirmed) -> PromiseConfirmed:
        """A hold that has run out is a new attempt: decided anew by what is there now, its own units given back before."""
        card = self.open_promise(told.promise, "held", "expired")
        if card.state == "held" and not self.ran_out(card):
            return told
        wanted = [(index, self.wanted_still(line)) for index, line in card.numbered if line.wanted]
        if not wanted:
            return self.nothing_left(told, card)
        if card.replaces is not None:
            self.damage_claim(card.replaces)
        page = self.book.fork()
        for index, line in card.numbered:
            self.give_back(page, f"{told.promise}/{index}", line)
        self.grant(self.bids(page, wanted, card.region), card.all_or_none, "promise")
        return told

    def ran_out(self, card: PromiseCard) -> bool:
        return card.expires_at is not None and card.expires_at <= self.turn.now

    def wanted_still(self, line: PromiseLine) -> BasketLine:
        """What a line held, asked for again; for today where its day is past and later is welcome."""
        today = self.day_here()
        wanted = BasketLine(
            crop=line.crop,
            size=line.size,
            units=line.wanted,
            due=max(line.due, today) if line.allow_later else line.due,
            allow_part=line.allow_part,
            allow_later=line.allow_later,
        )
        return self.basket_line(wanted, today, "promise")

    def nothing_left(self, told: PromiseConfirmed, card: PromiseCard) -> PromiseConfirmed:
        """All of a hold was picked or given back before it ran out: there is nothing to decide anew."""
        if card.state == "expired":
            raise refusals.NotOpen("nothing of that promise was open when its hold ran out", field="promise", state=card.state)
        return told

    def give_back(self, page: Book, name: str, line: PromiseLine) -> None:
        """Put a page as it is when a line has given back all that is open of it."""
        if line.open:
            _stand(page, name, line, replace(line, open=0, pooled=0), self.turn.position)

    def promise_moved(self, told: PromiseMoved) -> PromiseMoved:
        """To a later day it takes what it has along; for an earlier one it is granted anew, its own units given back before."""
        card = self.open_promise(told.promise, "held", "confirmed")
        line = self.open_line(card, told.line)
        today = self.day_here()
        if told.due < today:
            raise refusals.NotPromisable(f"{told.due} is past: move it to {today} or later", field="due")
        page, wanted = self.book.fork(), BasketLine(crop=line.crop, size=line.size, units=line.open, due=told.due)
        if told.due < line.due:
            self.give_back(page, f"{told.promise}/{told.line}", line)
            bid = self.bid(page, told.line, wanted, card.region)
        else:
            bid = self.kept_bid(page, told.line, line, wanted, card.region)
        if not bid.enough and bid.refused is None:
            free = bid.grant.promisable
            raise refusals.NotPromisable(
                f"{free} {line.crop} {line.size} are promisable for {told.due}, {line.open} are open on this line",
                field="due",
                promisable=free,
                asked=line.open,
            )
        self.grant([bid], all_or_none=True, field="due")
        return told

    def kept_bid(self, page: Book, index: int, line: PromiseLine, wanted: BasketLine, region: str | None) -> _Bid:
        """All that is open of a line for a later day, which frees what it took until then: only where it goes is looked at."""
        assert wanted.due is not None, "a line moves to a day"
        refused, papers = self.destination(region, line.crop, wanted.due)
        grant = Grant(
            line=index,
            crop=line.crop,
            size=line.size,
            asked=line.open,
            units=0 if refused else line.open,
            due=wanted.due,
            basis=line.basis,
            promisable=line.open,
            confidence=line.confidence,
            papers=papers,
        )
        return _Bid(line=wanted, offered=self.offer(page, line.crop, line.size), grant=grant, refused=refused)

    def promise_substituted(self, told: PromiseSubstituted) -> PromiseSubstituted:
        card = self.open_promise(told.promise, "held", "confirmed")
        line = self.open_line(card, told.line)
        wanted = self.basket_line(told.wanted, self.day_here())
        index = 1 + max(int(name) for name in card.lines)
        if index > MOST_LINE:
            raise refusals.NotOpen(f"a promise has {MOST_LINE + 1} lines at most: ask for a new one", field="line")
        page = self.book.fork()
        self.give_back(page, f"{told.promise}/{told.line}", line)
        bid = self.bid(page, index, wanted, card.region)
        self.grant([bid], all_or_none=True)
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
        if not self.ran_out(self.open_promise(told.promise, "held")):
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

    # --- the forecast, and the potting that promises ask for -----------------------------------------------------

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
        """An answer says of a line what was told as potted for it: asked = potted + short."""
        listed = self.listed(told.day, told.crop, told.size, ("day", "size"))
        if listed.potted is not None:
            raise refusals.NotOpen(f"that line was answered: {listed.potted} potted", field="size")
        if told.potted < listed.line.pots and told.because is None:
            raise refusals.Contradiction(
                f"{listed.line.pots} were asked for and {told.potted} potted: say why, in because", field="because"
            )
        ask = self.book.shelf(told.crop, told.size).asked.get(told.day.isoformat())
        if ask is not None:  # else all of it was given back, and nobody rests on the answer
            self.as_potted(told, ask, max(0, ask.potted - listed.before))
        return told

    def as_potted(self, told: PottingAnswered, ask: PottingAsk, potted: int) -> None:
        """An answer must not contradict what was told as potted; what was potted beyond the ask, nobody rests on."""
        line = f"{told.crop} {told.size} of the list of {told.day}"
        if told.potted > potted and ask.open:
            raise refusals.Contradiction(
                f"{told.potted} are said to be potted and {potted} are told as potted for {line}: "
                f"tell the others first, in a potted entry with listed {told.day}, or in one call with this answer",
                field="potted",
                potted=potted,
            )
        if told.potted < potted:
            raise refusals.Contradiction(
                f"{told.potted} are said to be potted and {potted} are told as potted for {line}: answer {potted}, or "
                "reverse the potted entry that is wrong, and tell it with the list that it was for",
                field="potted",
                potted=potted,
            )
