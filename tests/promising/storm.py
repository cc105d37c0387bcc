"""A crowd at the counter: clients who want five times what stands, while growers lose, count, hold and stop plants.

Meanwhile forecasts are published by hand, from what stands at that moment, and the crew pots what is asked for and more.

In process through the queue before the pen, or over HTTP: a `Counter` posts, everything else is the same. Each refused
basket is noted where the pen refused it (`watched`), so that it can be decided again.
"""

from __future__ import annotations

import asyncio
import time
from collections.abc import Awaitable, Callable
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from random import Random
from typing import Any
from uuid import UUID

import msgspec
import psycopg
import pytest

import ledger.nursery
from ledger.log import codec, store
from ledger.nursery import Job, Turns
from ledger.plants.book import Book
from ledger.plants.cards import PoolCard, ShelfCard
from ledger.plants.entries import PromiseConfirmed, Promised
from ledger.plants.refusals import Refused
from ledger.projections import cards, runner
from tests.promising import foretold
from tests.promising.replay import Attempt, Fact

CLIENTS = 32
LONG_AGO = timedelta(days=10)

#: posts one entry for a client: the entry as it was written, or None where it was refused
Counter = Callable[[Fact, str], Any]


class QuickClock:
    """The pen's clock, running many times as fast, so that holds of a minute run out in the storm."""

    def __init__(self, speed: float) -> None:
        self._start, self._speed, self._began = datetime.now(UTC), speed, time.monotonic()

    def __call__(self) -> datetime:
        return self._start + timedelta(seconds=self._speed * (time.monotonic() - self._began))


def watched(patch: pytest.MonkeyPatch) -> list[Attempt]:
    """Note every refused basket, new or confirmed late, with the position at which the pen decided it."""
    noted: list[Attempt] = []
    turn: Any = vars(ledger.nursery)["_Turn"]
    take = turn.take

    def noting(self: Any, job: Job) -> Any:
        position = self.position + len(self.written)
        outcome = take(self, job)
        problem = outcome.problems[0] if isinstance(outcome, Refused) else None
        late = isinstance(job.told[0], PromiseConfirmed) and problem is not None and problem.code == "not-promisable"
        if problem is not None and (late or isinstance(job.told[0], Promised)):
            told = msgspec.to_builtins(job.told[0])
            noted.append(Attempt(position, job.client, told, problem.code, msgspec.to_builtins(problem.data.get("lines", []))))
        return outcome

    patch.setattr(turn, "take", noting)
    return noted


def in_process(turns: Turns) -> Counter:
    """The counter that posts through the queue before the pen."""

    async def post(fact: Fact, client: str) -> Any:
        try:
            posted = await turns.post(codec.read_told(fact), client)
        except Refused:
            return None
        return msgspec.to_builtins(posted.entries[0])

    return post


@dataclass
class Own:
    """A promise as its client knows it."""

    promise: str
    order: str
    lines: dict[int, tuple[str, str]]
    picked: dict[str, int] = field(default_factory=dict)


@dataclass
class Stock:
    """The hot crop-sizes with their batches of finished plants, `each` of them; plugs by crop; what grows on."""

    shelves: dict[tuple[str, str], str]
    plugs: dict[str, str]
    growing: list[str]
    each: int


class Foreteller:
    """Makes a forecast of a crop as it stands at one moment of the log; on some days a gloomy one."""

    def __init__(self, conninfo: str, chance: Random) -> None:
        self._conninfo, self._chance = store.app_conninfo(conninfo), chance

    def look(self, crop: str, sizes: list[str], day: date) -> Fact:
        """The forecast of a crop as of now."""
        book = Book()
        with psycopg.connect(self._conninfo) as connection, runner.look(connection) as cursor:
            position = store.head(cursor)
            cards.load(cursor, book, [("pool", crop), *(("shelf", f"{crop}/{size}") for size in sizes)])
        made = {size: self._size(book.shelf(crop, size)) for size in sizes}
        return foretold.forecast(crop, day, position, made, self._pool(book.pool(crop)))

    def _size(self, there: ShelfCard) -> Fact:
        share = self._chance.choice([0.6, 0.9, 0.95, 1.0])
        relied = {name: line.counted_on for name, line in there.lines.items()}
        asked = {f"asked/{day}": ask.pots for day, ask in there.asked.items()}
        finished = sum(line.units for line in there.lines.values() if not line.stopped)
        growing, pots = sum(relied.values()) - finished, sum(ask.open for ask in there.asked.values())
        steps = [(0, finished), (3, finished + growing // 2), (6, finished + growing), (9, finished + growing + pots)]
        curve = [(week, max(0, int(share * units))) for week, units in steps]
        return foretold.size(curve, relied | asked, ready=[(0, 6), (10, 9)], strength=60)

    def _pool(self, there: PoolCard) -> Fact:
        relied = {name: line.counted_on for name, line in there.lines.items()}
        return foretold.pool(int(0.9 * sum(relied.values())), relied)


@dataclass
class Storm:
    """`attempts`: baskets asked for in all. `publish`: the counter at which forecasts are told, and who makes them."""

    stock: Stock
    attempts: int
    seed: int
    now: Callable[[], datetime]
    counters: list[Counter]
    foreteller: Foreteller
    publish: Counter
    hold_minutes: int = 2
    after: Callable[[], Awaitable[object]] = lambda: asyncio.sleep(0)
    tried: int = 0

    def run(self) -> None:
        """Let the crowd in, and two growers with it."""
        asyncio.run(self._run())

    async def _run(self) -> None:
        crowd = [self._client(number) for number in range(CLIENTS)]
        growers = [self._grower(number) for number in range(2)]
        try:
            await asyncio.gather(*crowd, *growers, self._crew(), self._forecasts())
        finally:
            await self.after()

    def _fact(self, chance: Random, kind: str, /, **fields: Any) -> Fact:
        identity = str(UUID(int=chance.getrandbits(128), version=4))
        return {"id": identity, "by": "head-grower", "occurred_at": self.now().isoformat(), **fields, "type": kind}

    async def _client(self, number: int) -> None:
        chance, client = Random(f"{self.seed} client {number}"), f"client-{number}"
        post, own = self.counters[number], list[Own]()
        while self.tried < self.attempts:
            if not own or chance.random() < 0.55:
                self.tried += 1
                basket = self._basket(chance, f"{client}.{self.tried}")
                written = await post(basket, client)
                if written is not None:
                    lines = {grant["line"]: (grant["crop"], grant["size"]) for grant in written["grants"]}
                    own.append(Own(str(written["told"]["id"]), basket["order"], lines))
            else:
                await self._go_on(chance, post, client, chance.choice(own[-8:]))

    def _basket(self, chance: Random, order: str) -> Fact:
        today = self.now().date()
        lines = [self._line(chance, today) for _ in range(chance.choice([1, 1, 2, 3]))]
        hold = self.hold_minutes * chance.choice([1, 1, 30])
        return self._fact(chance, "promised", order=order, lines=lines, all_or_none=chance.random() < 0.6, hold_minutes=hold)

    def _line(self, chance: Random, today: date) -> Fact:
        crop, size = chance.choice(list(self.stock.shelves))
        asked: Fact = {"crop": crop, "size": size, "units": chance.randint(1, 6)}
        if chance.random() < 0.7:
            asked["due"] = (today + timedelta(days=chance.randint(1, 100))).isoformat()
        if chance.random() < 0.4:
            asked["allow_part"] = True
        if chance.random() < 0.2:
            asked["allow_later"] = True
        return asked

    async def _go_on(self, chance: Random, post: Counter, client: str, own: Own) -> None:
        """What becomes of a promise of one's own; much of it is refused, as its state will have it."""
        index = chance.choice(list(own.lines))
        due = (self.now().date() + timedelta(days=chance.randint(0, 60))).isoformat()
        about: Fact = {"promise": own.promise}
        calls = ["confirm", "confirm", "release", "line", "move", "substitute", "expire", "expire", "pick", "pick", "back"]
        match chance.choice(calls):
            case "confirm":
                told = self._fact(chance, "promise-confirmed", **about)
            case "release":
                told = self._fact(chance, "promise-released", reason="not wanted", **about)
            case "line":
                told = self._fact(chance, "promise-released", reason="not wanted", line=index, **about)
            case "move":
                told = self._fact(chance, "promise-moved", line=index, due=due, **about)
            case "substitute":
                wanted = self._line(chance, self.now().date())
                told = self._fact(chance, "promise-substituted", line=index, wanted=wanted, **about)
            case "expire":
                told = self._fact(chance, "promise-expired", **about, by="tallybench")
            case "back" if own.picked:
                batch = chance.choice(list(own.picked))
                what = {"order": own.order, "batch": batch, "place": "K1", "units": 1}
                if chance.random() < 0.5:
                    told = self._fact(chance, "put-back", **what, to="G1")
                else:
                    told = self._fact(chance, "lost", **what, stage="picked", cause="handling")
            case _:
                batch, units = self.stock.shelves[own.lines[index]], chance.randint(1, 3)
                told = self._fact(chance, "picked", order=own.order, batch=batch, place="G1", units=units, to="K1")
                if await post(told, client) is not None:
                    own.picked[batch] = units
                return
        await post(told, client)

    async def _grower(self, number: int) -> None:
        chance, client, post = Random(f"{self.seed} grower {number}"), f"grower-{number}", self.counters[CLIENTS + number]
        while self.tried < self.attempts:
            (crop, _), batch = chance.choice(list(self.stock.shelves.items()))
            here = {"batch": batch, "stage": "finished", "place": "G1"}
            late = (self.now() - timedelta(minutes=chance.randint(0, 30))).isoformat()
            match chance.choice(["lose", "lose", "count", "sell", "hold", "stop", "stop the crop"]):
                case "lose":
                    units = chance.randint(1, 3)
                    await post(self._fact(chance, "lost", **here, units=units, cause="rot", occurred_at=late), client)
                case "count":
                    units = chance.randint(self.stock.each * 5 // 10, self.stock.each)
                    await post(self._fact(chance, "counted", **here, units=units, method="count", occurred_at=late), client)
                case "sell":
                    await post(self._fact(chance, "sold-here", batch=batch, place="G1", units=1, price="9.00"), client)
                case "hold":
                    held = self._fact(chance, "held", batch=batch, units=2, reason="weather", review_on="2030-01-01")
                    if await post(held, client) is not None:
                        await asyncio.sleep(0.01)
                        await post(self._fact(chance, "hold-ended", batch=batch, hold=held["id"]), client)
                case how:
                    what = {"crop": crop} if how == "stop the crop" else {"batch": batch}
                    stop = self._fact(chance, "stopped", reason="quality", **what)
                    await post(stop, client)
                    await post(self._fact(chance, "cleared", stop=stop["id"], because="looked at", **what), client)
            await asyncio.sleep(0.02)

    async def _crew(self) -> None:
        """Pot, lose plugs, grade; now and then the list of a potting day is issued, and answered line by line."""
        chance, post = Random(f"{self.seed} crew"), self.counters[CLIENTS]
        growing, lists = list(self.stock.growing), 0
        while self.tried < self.attempts:
            crop, size = chance.choice(list(self.stock.shelves))
            plugs = {"batch": self.stock.plugs[crop], "place": "H1"}
            if self.tried > (lists + 1) * self.attempts / 3:
                lists += 1
                await self._list(chance, post)
            match chance.choice(["pot", "pot", "lose", *["grade"] * bool(growing)]):
                case "pot":
                    pots = chance.randint(1, 3)
                    potted = {"size": size, "plugs": pots, "pots": pots, "per_pot": 1, "casualties": 0, "to": "G2"}
                    written = await post(self._fact(chance, "potted", **plugs, **potted), "crew")
                    growing += self._made(written)
                case "lose":
                    await post(self._fact(chance, "lost", **plugs, stage="rooted", units=1, cause="rot"), "crew")
                case _:
                    graded = {
                        "batch": chance.choice(growing),
                        "place": "G2",
                        "to": "G1",
                        "finished": 1,
                        "seconds": 0,
                        "culled": 1,
                    }
                    await post(self._fact(chance, "graded", **graded), "crew")
            await asyncio.sleep(0.02)

    def _made(self, written: Any) -> list[str]:
        """The batch that a potting made, in whatever words the counter answers."""
        if written is None:
            return []
        return [written["told"]["into"] if "told" in written else written["entries"][0]["batch"]]

    async def _list(self, chance: Random, post: Counter) -> None:
        """The next potting day's list, and the crew's answer to every line that might be on it; often short."""
        days = [self.now().date() + timedelta(days=ahead) for ahead in range(1, 15)]
        for day in (day for day in days if day.isoweekday() == 2):
            if await post(self._fact(chance, "potting-issued", day=day.isoformat()), "crew") is None:
                continue
            for crop, size in self.stock.shelves:
                pots = chance.randint(0, 4)
                what = {"batch": self.stock.plugs[crop], "place": "H1", "to": "G2", "size": size, "per_pot": 1, "casualties": 0}
                potted = self._fact(chance, "potted", **what, plugs=pots, pots=pots, listed=day.isoformat())
                if not pots or await post(potted, "crew") is None:
                    pots = 0
                answer = {"day": day.isoformat(), "crop": crop, "size": size, "potted": pots}
                await post(self._fact(chance, "potting-answered", **answer, because="no-time"), "crew")
            return

    async def _forecasts(self) -> None:
        """One crop after the other, as fast as it goes; each is a little old when it is told."""
        chance = Random(f"{self.seed} forecasts")
        sizes: dict[str, list[str]] = {}
        for crop, size in self.stock.shelves:
            sizes.setdefault(crop, []).append(size)
        while self.tried < self.attempts:
            crop = chance.choice(list(sizes))
            made = await asyncio.to_thread(self.foreteller.look, crop, sizes[crop], self.now().date())
            await self.publish(self._fact(chance, "forecast-published", forecast=made, by="tallybench"), "tallybench")
            await asyncio.sleep(0.01)
