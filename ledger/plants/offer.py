"""What may be promised of one crop and size: counted stock now, the forecast later, and the pool of plugs behind it. Pure.

    A(d) = min over t >= d of (Q(t) - C(t)), less the count buffer, never below 0

Q: the cumulative supply by t at a confidence. C: the cumulative open commitments due by t. The minimum over later dates
stops today's buyer from taking a plant that is promised for later. It needs to be looked at on d and on the later days on
which something is due: in between nothing is taken away.

- Today's supply is counted, never forecast. What a forecast counts on and what is not there any more (lost, stopped, picked
  since) is taken off at once, plant for plant, until the next forecast.
- Plugs belong to no size until they are potted. What a size lacks may be asked to be potted on a potting day to come, if the
  pool still has the plugs: their readiness is then promised, and the plugs are reserved.
- With a stale forecast nothing is granted beyond what is sellable now.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta
from functools import cached_property
from itertools import accumulate

from msgspec import Struct

from ledger.plants import forecasts, shelf
from ledger.plants.cards import CropCard, ForecastCard, PoolCard, PottingAsk, ShelfCard
from ledger.plants.entries import PolicySet
from ledger.plants.forecasts import Basis, Published, SizeForecast
from ledger.plants.recorded import Asked

#: how far ahead potting may be asked for
POTTING_WEEKS = 26
#: below this chance, in percent, a line is at risk; from the other one on it is safe again
AT_RISK, SAFE = 80, 90


class Balance:
    """Cumulative supply and what is due of it, by day."""

    def __init__(self, supply: Iterable[tuple[date, int]], due: Mapping[date, int]) -> None:
        """supply: (from this day on, so many in all), days rising; due: units by day, those of the past with the first."""
        self._days, self._totals = [], []
        for day, total in supply:
            self._days.append(day)
            self._totals.append(total)
        self._due_days = sorted(due)
        self._taken = list(accumulate(due[day] for day in self._due_days))
        nets = [self.supplied(day) - taken for day, taken in zip(self._due_days, self._taken, strict=True)]
        self._least = list(accumulate(reversed(nets), min))[::-1]

    @property
    def days(self) -> set[date]:
        """The days on which supply or what is due changes."""
        return {*self._days, *self._due_days}

    def supplied(self, day: date) -> int:
        """Q(day); 0 before the first step."""
        at = bisect_right(self._days, day)
        return self._totals[at - 1] if at else 0

    def taken(self, day: date) -> int:
        """C(day)."""
        at = bisect_right(self._due_days, day)
        return self._taken[at - 1] if at else 0

    def free(self, day: date) -> int:
        """A(day)."""
        here = self.supplied(day) - self.taken(day)
        later = bisect_right(self._due_days, day)
        return max(0, min(here, self._least[later]) if later < len(self._least) else here)


def distrusted(policy: PolicySet, behind: timedelta) -> str | None:
    """Why the database's clock is not believed; behind: how far it is behind the last entry."""
    return "clock-set-back" if behind > timedelta(seconds=policy.clock_allowance_seconds) else None


def aged(policy: PolicySet, at: datetime, made_at: datetime | None, waiting_since: datetime | None) -> str | None:
    """Why a forecast made then is no longer good; waiting_since: when the first change came that it does not know of."""
    if made_at is not None and at - made_at > timedelta(hours=policy.forecast_hours):
        return "old-forecast"
    if waiting_since is not None and at - waiting_since > timedelta(minutes=policy.forecast_lag_minutes):
        return "changes-not-forecast"
    return None


class Step(Struct, frozen=True, kw_only=True):
    """From `on`, `quantity` may be promised in all. `shared`: some are plugs not potted yet, which other sizes may take."""

    on: date
    quantity: int
    basis: Basis
    shared: bool = False


class Sellable(Struct, frozen=True, kw_only=True):
    """How `now` came about, in pots of one crop and size: finished - stopped - held - buffer, less what is promised of it.

    promised: open units in all, also those that later supply is to meet. counted_at: when the part that was counted longest
    ago was counted, None if there is no plant.
    """

    now: int
    finished: int
    stopped: int
    held: int
    promised: int
    buffer: int
    counted_at: datetime | None


class Given(Struct, frozen=True, kw_only=True):
    """What can be given to one line: `units` on `due`, of which some may ask for potting. promisable: all there was for it."""

    units: int
    due: date
    basis: Basis
    promisable: int
    potting: Asked | None = None


class Offer:
    """The rule for one crop and size at one moment. Nothing is computed before it is asked for."""

    def __init__(
        self,
        there: ShelfCard,
        pool: PoolCard,
        crop: CropCard | None,
        forecast: ForecastCard | None,
        policy: PolicySet,
        *,
        confidence: int,
        at: datetime,
        today: date,
        plugs_per_pot: int = 1,
        issued: date | None = None,
        distrust: str | None = None,
    ) -> None:
        """confidence: in percent. issued: the last day whose potting list is closed. distrust: why no clock is believed."""
        self.there, self.pool, self.policy, self.at, self.today = there, pool, policy, at, today
        self.per_pot, self._issued, self._distrust = plugs_per_pot, issued, distrust
        self._stopped = crop is not None and bool(crop.stops)
        self.card = None if forecast is None or self._stopped else forecast
        self.percent = confidence
        self._place = forecasts.at_confidence(confidence)
        self._counted = shelf.counted(there, crop, policy, at)
        self._potted: dict[date, int] = {}

    @cached_property
    def stale(self) -> str | None:
        """Why nothing is granted beyond what is sellable now, None if the forecast is fresh."""
        if self._distrust is not None:
            return self._distrust
        if self.card is None:
            return "stopped" if self._stopped else "no-forecast"
        return aged(self.policy, self.at, self.card.at, self.pool.waiting_since)

    # --- the size's own supply --------------------------------------------------------------------------------

    @property
    def _forecast(self) -> tuple[Published, SizeForecast] | None:
        if self.card is None or (size := self.card.value.sizes.get(self.there.size)) is None:
            return None
        return self.card.value, size

    @cached_property
    def missing(self) -> int:
        """Units that the forecast counts on and that are not there any more, less finished ones that it does not know of."""
        if self._forecast is None:
            return 0
        relied, lines = self._forecast[1].relied, self.there.lines
        gone = sum(max(0, units - self._counted_on(name)) for name, units in relied.items())
        new = [line for name, line in lines.items() if name not in relied and not line.stopped]
        return gone - sum(max(0, line.units - line.held) for line in new)

    def _counted_on(self, name: str) -> int:
        if name.startswith(forecasts.ASKED):
            ask = self.there.asked.get(name.removeprefix(forecasts.ASKED))
            return ask.pots if ask is not None else 0
        line = self.there.lines.get(name)
        return line.counted_on if line is not None else 0

    def supply(self) -> list[tuple[date, int]]:
        """Q, from today on, the count buffer taken off: what is counted today, later the forecast."""
        steps = [(self.today, self._counted.free - self._counted.buffer)]
        if self._forecast is not None:
            published, size = self._forecast
            curve = size.asked[self._place]
            off = self.missing + self._counted.buffer
            steps += [(day, value - off) for day, value in self._later(published, [curve])]
        return steps

    def _later(self, published: Published, curves: Sequence[forecasts.Steps]) -> Iterator[tuple[date, int]]:
        """The steps of curves (which are added up) after today, by day."""
        now = max(0, forecasts.week_of(published, self.today))
        weeks = sorted({now, *(week for curve in curves for week, _ in curve if week > now)})
        for week in weeks:
            day = max(forecasts.day_of(published, week), self.today + timedelta(days=1))
            yield day, sum(forecasts.value_at(curve, week) for curve in curves)

    def due(self) -> dict[date, int]:
        """Open commitments by day, without those that rest on potting which the forecast does not know of yet."""
        found: dict[date, int] = {}
        for day, units in self.there.due.items():
            on = max(date.fromisoformat(day), self.today)
            found[on] = found.get(on, 0) + units
        for pooled in self.there.pooled.values():
            found[max(pooled.due, self.today)] -= pooled.units
        return {day: units for day, units in found.items() if units}

    @cached_property
    def own(self) -> Balance:
        """The size's own supply at the confidence asked for, and what is due of it."""
        return Balance(self.supply(), self.due())

    @property
    def now(self) -> int:
        """Sellable now."""
        return self.own.free(self.today)

    def sellable(self) -> Sellable:
        """Sellable now, and how it came about."""
        counted = self._counted
        return Sellable(
            now=self.now,
            finished=counted.finished,
            stopped=counted.stopped,
            held=counted.held,
            promised=sum(self.there.due.values()),
            buffer=counted.buffer,
            counted_at=counted.counted_at,
        )

    def free(self, day: date) -> int:
        """Promisable for a day from the size's own supply."""
        free = self.own.free(day)
        return min(free, self.now) if self.stale else free

    def basis(self, day: date) -> Basis:
        """What the size's own supply by a day rests on."""
        if self._forecast is None or day <= self.today or self.stale:
            return "finished"
        published, size = self._forecast
        return forecasts.basis(size, self.percent, forecasts.week_of(published, day))

    # --- the pool of plugs ------------------------------------------------------------------------------------

    @cached_property
    def plugs(self) -> Balance:
        """Plugs by day, at the confidence asked for, and those reserved by the day of their potting."""
        if self.card is None:
            return Balance([], {})
        published, there = self.card.value, self.pool.lines
        relied = published.pool.relied
        gone = sum(max(0, units - (there[name].counted_on if name in there else 0)) for name, units in relied.items())
        supply = [(day, value - gone) for day, value in self._later(published, [published.pool.rooting[self._place]])]
        reserved: dict[date, int] = {}
        for name, plugs in self.pool.reserved.items():
            day = max(date.fromisoformat(name.split("/")[0]), self.today + timedelta(days=1))
            reserved[day] = reserved.get(day, 0) + plugs
        return Balance(supply, reserved)

    @cached_property
    def potting(self) -> list[tuple[date, date]]:
        """The days to come on which potting may be asked for, and from when such pots may be promised."""
        if self.stale is not None or self._forecast is None:
            return []
        published, size = self._forecast
        ready = size.ready[self._place]
        after = max(self.today, self._issued or self.today)
        first = after + timedelta(days=(self.policy.potting_weekday - after.isoweekday() - 1) % 7 + 1)
        days = [first + timedelta(weeks=week) for week in range(POTTING_WEEKS)]
        weeks = [forecasts.value_at(ready, forecasts.week_of(published, day)) for day in days]
        return [(day, day + timedelta(weeks=taken)) for day, taken in zip(days, weeks, strict=True) if taken > 0]

    def potted(self, day: date) -> int:
        """Units that may be promised of pots potted on a day, beside those already asked for on it."""
        if day not in self._potted:
            assert self._forecast is not None
            size, ask = self._forecast[1], self.ask(day)
            most = ask.pots + self.plugs.free(day) // self.per_pot
            wanted = range(ask.units + 1, most + 1)
            self._potted[day] = bisect_left(wanted, True, key=lambda units: not self._fits(size, units, most))
        return self._potted[day]

    def _fits(self, size: SizeForecast, units: int, most: int) -> bool:
        pots = forecasts.pots_for(size, units, self.percent)
        return pots is not None and pots <= most

    def ask(self, day: date) -> PottingAsk:
        """What is asked to be potted on a day so far."""
        return self.there.asked.get(day.isoformat()) or PottingAsk(pots=0, plugs=0)

    def from_pool(self, day: date) -> int:
        """Promisable for a day beside the size's own supply, if potting is asked for."""
        at = bisect_right(self._by_ready, day, key=lambda pair: pair[0])
        return self.potted(self._by_ready[at - 1][1]) if at else 0

    @cached_property
    def _by_ready(self) -> list[tuple[date, date]]:
        """By the day on which pots are ready, rising: the last day of potting that is in time for it."""
        pairs = sorted((ready, day) for day, ready in self.potting)
        return list(zip((ready for ready, _ in pairs), accumulate((day for _, day in pairs), max), strict=True))

    def asking(self, units: int, by: date) -> Asked | None:
        """The first potting that gives so many by a day; None if none does."""
        for day, ready in self.potting:
            if ready <= by and self.potted(day) >= units:
                assert self._forecast is not None
                ask = self.ask(day)
                pots = forecasts.pots_for(self._forecast[1], ask.units + units, self.percent)
                assert pots is not None, "it fits"
                more = max(0, pots - ask.pots)
                return Asked(on=day, units=units, pots=more, plugs=more * self.per_pot)
        return None

    def _pool_basis(self, day: date) -> Basis:
        """Whether plugs in holding are enough for what is reserved by a day, or cells have to root first."""
        assert self.card is not None
        published = self.card.value
        held = forecasts.value_at(published.pool.plugs[self._place], forecasts.week_of(published, day))
        return "plugs" if self.plugs.taken(day) < held else "rooting"

    # --- answers ----------------------------------------------------------------------------------------------

    def promisable(self, day: date) -> int:
        """All that may be promised for a day."""
        return self.free(day) + self.from_pool(day)

    @cached_property
    def days(self) -> list[date]:
        """The days on which what is promisable may change, today first."""
        found = {self.today, *(ready for _, ready in self.potting)}
        if not self.stale:
            found |= {day for day in self.own.days if day > self.today}
        return sorted(found)

    def curve(self) -> list[Step]:
        """Today, and then every day from which more may be promised; once, at first, fewer: what is here today may not last."""
        steps: list[Step] = []
        for day in self.days:
            own, shared = self.free(day), self.from_pool(day)
            before = steps[-1].quantity if steps else -1
            if own + shared > before or (len(steps) == 1 and own + shared < before):
                basis = self._pool_basis(day) if shared else self.basis(day)
                steps.append(Step(on=day, quantity=own + shared, basis=basis, shared=shared > 0))
        return steps

    def ready_by(self, units: int, after: date | None = None) -> Step | None:
        """The first day on which so many may be promised; None within all that is known."""
        for day in self.days:
            if (after is None or day > after) and self.promisable(day) >= units:
                shared = self.free(day) < units
                return Step(on=day, quantity=units, basis=self._pool_basis(day) if shared else self.basis(day), shared=shared)
        return None

    def give(self, units: int, due: date, *, part: bool = False, later: bool = False) -> Given:
        """What a line that wants so many by a day can be given: all of it, else all of it later, else a part."""
        whole = self.promisable(due)
        if whole < units and later and (step := self.ready_by(units, due)) is not None:
            due, whole = step.on, self.promisable(step.on)
        given = units if whole >= units else whole if part else 0
        own = min(given, self.free(due))
        potting = self.asking(given - own, due) if given > own else None
        assert potting is not None or given == own, "what is promisable can be given"
        basis = self._pool_basis(potting.on) if potting is not None else self.basis(due)
        return Given(units=given, due=due, basis=basis, promisable=whole, potting=potting)

    def chance(self, due: date, cumulative: int) -> int:
        """The highest published confidence, in percent, at which so many are there by a day; 0 if below all, 100 if counted."""
        if due <= self.today or self._forecast is None:
            return 100 if self._counted.free >= cumulative else 0
        published, size = self._forecast
        units = cumulative + self.missing if cumulative > 0 else 0
        return forecasts.chance_at_least(size, forecasts.week_of(published, due), units)

    def covered(self, due: date, percent: int) -> int:
        """Units there by a day at a confidence, the buffer not taken off: it is kept back from sale, not from buyers."""
        if due <= self.today or self._forecast is None:
            return self._counted.free
        published, size = self._forecast
        return max(0, forecasts.quantity(size, percent, forecasts.week_of(published, due)) - self.missing)
