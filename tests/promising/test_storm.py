"""Zero oversell, hard: 32 clients on 1, 10 and 200 hot crop-sizes who ask for five times what stands.

Claimed, and checked by a replay that shares nothing with the product: every grant was promisable at its position; every
basket, granted or refused, got exactly what a sequential decision at that place of the log gives it (no false refusal).
The controls break the pen's order on purpose; the same checker must notice. In CI in its short form; the whole storm is
`pytest tests/promising/test_storm.py --storm 50000`.
"""

from __future__ import annotations

import contextlib
import json
import socket
import uuid
from collections import Counter as Tally
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from random import Random
from typing import Any

import pytest

from ledger import keys, serving
from ledger.log import codec
from ledger.nursery import Nursery, Turns
from ledger.plants.cards import PottingAsk
from ledger.plants.offer import Offer
from ledger.plants.refusals import Refused
from ledger.projections import runner
from tests.promising.replay import Attempt, Fact, Replay, replay
from tests.promising.shop import pinned
from tests.promising.storm import CLIENTS, LONG_AGO, Counter, Foreteller, QuickClock, Stock, Storm, in_process, watched
from tests.promising.wire import Wire
from tests.simulation.playing import query
from tests.telling import Teller

IN_ALL = 2_000  # plants that stand, whatever the number of shelves
MOST_IN_ALL = 10_000
OVER_HTTP = 6  # so many times fewer baskets over HTTP in the short form
SPEED = 240.0  # a minute of the pen's clock in a quarter of a second


def stocked(nursery: Nursery, shelves: int, in_all: int = IN_ALL, most_held: int = 120) -> Stock:
    """A nursery with so many crop-sizes and the same number of plants each, half as many plugs, and some growing on."""
    teller = Teller(datetime.now(UTC).replace(hour=0, minute=0) - LONG_AGO)  # what is opened is opened on one day
    crops = [f"crop-{number}" for number in range((shelves + 1) // 2)]
    facts = teller.beginnings()
    # the caps by crop and size have tests of their own
    caps = {"most_held_units": most_held, "always_held_units": 100_000, "most_held_percent": 100}
    facts.append(teller.fact("policy-set", forecast_lag_minutes=4, **caps))  # so that forecasts are stale now and then
    sizes = {"P9": {"price": "15.00"}, "C2": {"price": "23.00"}}
    facts += [teller.fact("crop-set", code=crop, name=crop, species="Hoya sp.", group="Vine", sizes=sizes) for crop in crops]
    nursery.post(codec.read_told(facts))
    hot = [(crop, size) for crop in crops for size in sizes][:shelves]
    each = in_all // shelves

    def opened(wanted: Iterable[Fact]) -> list[str]:
        facts = [teller.fact("opened", **one) for one in wanted]
        written: list[Any] = [entry.told for entry in nursery.post(codec.read_told(facts)).entries]
        return [told.batch for told in written]

    finished = opened({"crop": crop, "stage": "finished", "place": "G1", "units": each, "size": size} for crop, size in hot)
    plugs = opened({"crop": crop, "stage": "rooted", "place": "H1", "units": max(2, each // 2)} for crop in crops)
    growing = opened(
        {"crop": crop, "stage": "potted", "place": "G2", "units": max(2, each // 4), "size": size} for crop, size in hot
    )
    return Stock(dict(zip(hot, finished, strict=True)), dict(zip(crops, plugs, strict=True)), growing, each)


def log_of(conninfo: str) -> list[Fact]:
    """The log as JSON."""
    return [json.loads(content) for (content,) in query(conninfo, "select content from entries order by position")]


def checked(conninfo: str, refused: list[Attempt]) -> tuple[Replay, Tally[str]]:
    """The replay of a ledger's log, and how many entries of each type it has."""
    log = log_of(conninfo)
    return replay(log, refused), Tally(row["told"]["type"] for row in log)


def it_was_a_storm(found: Replay, types: Tally[str], refused: list[Attempt], attempts: int) -> None:
    """Enough of everything happened; nothing was refused that was not decided again."""
    assert types["promised"] + len(refused) >= attempts
    assert found.decided_again == len(refused) > attempts / 10
    assert types["promised"] > 50
    happened = {
        "promise-confirmed", "promise-released", "promise-moved", "promise-expired", "picked", "put-back", "lost", "counted",
        "held", "hold-ended", "stopped", "cleared", "forecast-published", "potted", "graded", "potting-issued",
        "promise-substituted",
    }  # fmt: skip
    assert happened <= types.keys(), happened - types.keys()
    assert found.beyond_counted > 50
    assert found.from_pool > 5
    assert found.late > 0


def inside(database: str, nursery: Nursery, stock: Stock, attempts: int, clock: QuickClock, seed: int = 3) -> Storm:
    """A storm in process, through the queue that shares turns of the pen."""
    counter = in_process(Turns(nursery))
    foreteller = Foreteller(database, Random(seed))
    return Storm(stock, attempts, seed, clock, [counter] * (CLIENTS + 2), foreteller, counter)


@pytest.mark.parametrize("hot", [1, 10, 200])
def test_nothing_is_oversold_and_nothing_refused_that_was_there(
    database: str, monkeypatch: pytest.MonkeyPatch, hot: int, request: pytest.FixtureRequest
) -> None:
    """In process, through the queue that shares turns of the pen."""
    attempts, clock = request.config.getoption("--storm"), QuickClock(SPEED)
    with Nursery(database) as nursery:
        stock = stocked(nursery, hot, min(MOST_IN_ALL, max(IN_ALL, attempts)))
        pinned(monkeypatch, clock)
        refused = watched(monkeypatch)
        inside(database, nursery, stock, attempts, clock).run()
    found, types = checked(database, refused)
    assert found.faults == []
    it_was_a_storm(found, types, refused, attempts)
    assert runner.verify(database) == []


# --- over HTTP -----------------------------------------------------------------------------------------------------


def over_http(wire: Wire) -> Counter:
    """The counter that calls the routes of the promise book, each call twice now and then, and posts the rest as entries."""
    calls = {
        "promise-confirmed": "confirm",
        "promise-released": "release",
        "promise-moved": "move",
        "promise-substituted": "substitute",
    }

    async def post(fact: Fact, _: str) -> Any:
        kind = fact["type"]
        if kind != "promised" and kind not in calls:
            answer = await wire.post("/v1/entries", fact)
            return answer.body if answer.status == 201 else None
        body = {name: value for name, value in fact.items() if name not in ("id", "type", "occurred_at", "promise")}
        path = "/v1/promises" if kind == "promised" else f"/v1/promises/{fact['promise']}/{calls[kind]}"
        answer = await wire.post(path, body, fact["id"])
        assert answer.status in (201, 409, 422), answer
        if answer.status != 201:
            return None
        found = answer.body
        if kind != "promised":
            return found
        if fact["id"][0] < "4":  # sent again, as after a broken connection
            again = await wire.post(path, body, fact["id"])
            assert same(again.body) == same(found)
        granted = [line for line in found["lines"] if line["granted"]]
        return {"told": {"id": found["promise"]}, "grants": granted}

    return post


def same(found: Fact) -> Fact:
    """The answer without the day for the rest, which is the baseline's and may be newer."""
    return {**found, "lines": [{**line, "rest_ready_by": None} for line in found["lines"]]}


@contextmanager
def served(database: str) -> Iterator[tuple[str, int]]:
    """The real service; its host and port."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        host, port = probe.getsockname()
    with serving.in_background(database, host, port):
        yield host, port


def storm_over_http(database: str, patch: pytest.MonkeyPatch, hot: int, attempts: int, in_all: int) -> list[Attempt]:
    """A storm at the real service, each client with a key and a connection of its own; the refused baskets."""
    with Nursery(database) as nursery:
        stock = stocked(nursery, hot, in_all)
    names = [*(f"client-{number}" for number in range(CLIENTS)), "grower-0", "grower-1"]
    made = [keys.make(database, name, keys.SCOPES) for name in names]
    pinned(patch, QuickClock(SPEED))
    refused = watched(patch)

    def real() -> datetime:
        return datetime.now(UTC)

    with served(database) as where, Nursery(database) as beside:
        wires = [Wire(*where, key) for key in made]

        async def hang_up() -> None:
            for wire in wires:
                wire.close()

        foreteller, publish = Foreteller(database, Random(7)), in_process(Turns(beside))
        Storm(stock, attempts, 7, real, [over_http(wire) for wire in wires], foreteller, publish, after=hang_up).run()
    return refused


MOST_SHELVES = 200


@pytest.mark.parametrize("hot", [1, 10, MOST_SHELVES])
def test_nothing_is_oversold_over_http(
    database: str, monkeypatch: pytest.MonkeyPatch, hot: int, request: pytest.FixtureRequest
) -> None:
    """The same crowd at the real service; now and then a call is sent twice."""
    wanted = request.config.getoption("--storm")
    attempts = wanted // OVER_HTTP if wanted <= IN_ALL else wanted
    refused = storm_over_http(database, monkeypatch, hot, attempts, min(MOST_IN_ALL, attempts * 3 // 2))
    found, types = checked(database, refused)
    assert found.faults == []
    assert types["promised"] + len(refused) >= attempts
    assert found.decided_again > 20
    assert types["promised"] > (20 if hot < MOST_SHELVES else 0)  # a short storm leaves so many shelves almost nothing each
    assert runner.verify(database) == []


# --- the controls --------------------------------------------------------------------------------------------------


def test_the_checker_notices_a_decision_that_forgets_what_is_promised(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Whoever looks only at what stands sells the same plant twice."""
    clock = QuickClock(SPEED)
    monkeypatch.setattr(Offer, "due", lambda _: {})
    with Nursery(database) as nursery:
        stock = stocked(nursery, 10)
        pinned(monkeypatch, clock)
        inside(database, nursery, stock, 600, clock).run()
    found, _ = checked(database, [])
    assert oversold(found) > 10


@pytest.mark.parametrize(
    ("of", "what", "instead", "speed"),
    [(PottingAsk, "reserved", 0, SPEED), (Offer, "missing", 0, SPEED), (Offer, "stale", None, 20 * SPEED)],
    ids=["plugs reserved for other potting", "what is gone since the forecast", "that the forecast is stale"],
)
def test_the_checker_notices_what_is_forgotten_of_a_forecast(
    database: str, monkeypatch: pytest.MonkeyPatch, of: type, what: str, instead: int | None, speed: float
) -> None:
    """Plugs promised twice, plants that are lost, a forecast that nobody should believe any more (time runs faster there)."""
    clock = QuickClock(speed)
    monkeypatch.setattr(of, what, property(lambda _: instead))
    with Nursery(database) as nursery:
        stock = stocked(nursery, 4, 400)
        pinned(monkeypatch, clock)
        inside(database, nursery, stock, 600, clock).run()
    found, _ = checked(database, [])
    assert oversold(found) > 0


class _Any(int):
    """A position that is never another than the one it is held against."""

    def __eq__(self, other: object) -> bool:
        return True

    def __ne__(self, other: object) -> bool:
        return False

    def __lt__(self, other: int) -> bool:
        return False

    def __gt__(self, other: int) -> bool:
        return False

    __hash__ = int.__hash__


class Unguarded(Nursery):
    """A nursery that never notices that somebody else wrote: it decides from the book that it remembers."""

    @property
    def _known(self) -> int:
        return _Any()

    @_known.setter
    def _known(self, _: int) -> None:
        """Whatever it is told."""


def test_the_checker_notices_two_pens_that_do_not_look_at_each_other(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Two services share a database, and the guard that makes them read again is off: both sell the same plants."""
    with Nursery(database) as nursery:
        stock = stocked(nursery, 1, 100)
    (crop, size), _ = next(iter(stock.shelves.items()))
    teller = Teller(datetime.now(UTC) - LONG_AGO / 2, seed=8)
    basket = {"lines": [{"crop": crop, "size": size, "units": 5}], "hold_minutes": 1440}
    for guarded, kind in ((True, Nursery), (False, Unguarded)):
        with kind(database) as one, kind(database) as other:
            refused = watched_crowd(monkeypatch, [one, other], teller, basket, rounds=2 if guarded else 20)
        found, _ = checked(database, refused)
        assert (oversold(found) == 0) is guarded, found.faults
        assert (found.faults == []) is guarded


def watched_crowd(
    monkeypatch: pytest.MonkeyPatch, nurseries: list[Nursery], teller: Teller, basket: Fact, rounds: int
) -> list[Attempt]:
    """Both in turns ask for the same plants; what was refused."""
    with monkeypatch.context() as patch:
        refused = watched(patch)
        for number in range(rounds):
            for nursery in nurseries:
                told = teller.tell("promised", order=f"{uuid.uuid4()}", **basket)
                with contextlib.suppress(Refused):
                    nursery.post([told], client=f"client-{number % 3}")
    return refused


def oversold(found: Replay) -> int:
    """How many grants were above what was promisable."""
    return sum(" were promisable" in fault for fault in found.faults)


def test_the_checker_notices_a_basket_refused_that_could_be_granted(database: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """The other half of the claim: a pen that keeps one plant back too many is found out."""
    clock = QuickClock(SPEED)
    free = Offer.free
    monkeypatch.setattr(Offer, "free", lambda self, day: max(0, free(self, day) - 1))
    with Nursery(database) as nursery:
        stock = stocked(nursery, 10, 300)
        pinned(monkeypatch, clock)
        refused = watched(monkeypatch)
        inside(database, nursery, stock, 300, clock).run()
    found, _ = checked(database, refused)
    assert oversold(found) == 0
    assert any("refused as not-promisable" in fault for fault in found.faults)
