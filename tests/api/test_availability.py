"""What a shop is offered, over HTTP: true of the log at once, tagged by what it says, and told anew as it changes."""

from __future__ import annotations

import json
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import uuid4

import httpx
import psycopg
import pytest

from api.resources import availability
from ledger import keys, serving
from ledger.board import Board
from ledger.log import codec
from ledger.nursery import Nursery
from ledger.plants import forecasts, numbers
from ledger.plants.entries import THE_LEDGER, ForecastPublished
from ledger.plants.forecasts import PoolForecast, Published, SizeForecast
from tests.api.conftest import BATCH, HOYA, IXORA, Service
from tests.telling import Teller

GROWING, _ = numbers.next_number("26W38", 1)
ONE = f"/v1/availability/{IXORA}/P9"


def steps(*found: tuple[int, int]) -> forecasts.ByConfidence:
    """A curve, fewer at each higher confidence: the figures are those at 90 percent."""
    return tuple(tuple((week, units + more) for week, units in found) for more in (30, 20, 10, 0, -2, -4))


def forecast(conninfo: str, position: int) -> None:
    """60 more ixoras in three weeks, told by the ledger itself from another connection, and no plugs."""
    there = (0, 40)
    size = SizeForecast(
        finished=steps(there), growing_on=steps(there, (3, 100)), asked=steps(there, (3, 100)),
        ready=steps((0, 8)), come_through=((9000, 100),) * 6, relied={BATCH: 40, GROWING: 60}, batches=4,
    )  # fmt: skip
    none = ((),) * 6
    pool = PoolForecast(plugs=none, rooting=none, relied={}, batches=0)
    now = datetime.now(UTC)
    published = Published(
        crop=IXORA, day=now.date(), position=position, seed=1, sizes={"P9": size}, pool=pool, method="days", draws=100
    )  # fmt: skip
    with Nursery(conninfo) as nursery:
        nursery.post([ForecastPublished(id=uuid4(), occurred_at=now, by=THE_LEDGER, forecast=published)], client=THE_LEDGER)


@pytest.fixture
def shop(service: Service) -> Service:
    """40 finished ixoras and 60 growing on, without a count buffer."""
    service.tell("policy-set", buffer_z_per_mille=0)
    service.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40)
    growing = service.tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=60)["batch"]
    assert growing == GROWING
    return service


def until(found: Any, seconds: float = 5.0) -> Any:
    """What is found within some seconds."""
    end = time.monotonic() + seconds
    while not (value := found()):
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.02)
    return value


# --- answers ---------------------------------------------------------------------------------------------------


def test_an_entry_is_in_the_answer_as_soon_as_it_is_written(shop: Service) -> None:
    """Read your own write, with its position, every time."""
    for left in range(39, 29, -1):
        position = shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")["position"]
        found = shop.answer(ONE)
        assert (found["now"], found["as_of"]) == (left, position)


def test_an_answer_kept_ready_is_the_one_that_was_made(shop: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """Byte for byte and header for header, at the position of the moment; needs a key with the scope; gone with any change."""
    found: list[bool] = []
    kept = Board.kept

    def watched(board: Board, crop: str, size: str) -> Any:
        made = kept(board, crop, size)
        found.append(made is not None)
        return made

    def read() -> None:
        """Bring the board up to date without asking for that answer."""
        shop.answer(f"{ONE}/ready-by", quantity=1)

    monkeypatch.setattr(Board, "kept", watched)
    read()
    made, ready = shop.get(ONE), shop.get(ONE)
    assert found == [False, True]
    assert (ready.status_code, ready.content, ready.headers) == (made.status_code, made.content, made.headers)
    assert ready.json() == shop.answer(ONE, confidence=0.9)
    assert len(found) == 2, "a question with parameters is read"
    again = shop.get(ONE, headers={"If-None-Match": ready.headers["ETag"]})
    assert (again.status_code, again.content) == (304, b"")
    assert shop.get(ONE, headers={"Authorization": ""}).status_code == 401
    reader = keys.make(shop.conninfo, "reader", ["read"])
    assert shop.get(ONE, headers={"Authorization": f"Bearer {reader}"}).status_code == 403
    assert found == [False, True, True]
    position = shop.tell("person-set", code="new", name="New")["position"]
    read()
    assert (shop.answer(ONE)["as_of"], found.pop()) == (position, True)
    shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")
    read()
    assert (shop.answer(ONE)["now"], found.pop()) == (39, False)
    assert shop.get(f"/v1/availability/{IXORA}/P99").status_code == 404


def test_a_forecast_of_another_process_shows_by_itself(shop: Service) -> None:
    """Its later days, what they rest on and at which confidence; and the loss that it does not know of is taken off."""
    assert shop.answer(ONE)["stale"] == "no-forecast"
    forecast(shop.conninfo, shop.position())
    found = until(lambda: (answer := shop.answer(ONE))["stale"] is None and answer)
    ready = (datetime.now(UTC).date() + timedelta(weeks=3)).isoformat()
    assert [(step["on"], step["quantity"], step["basis"]) for step in found["curve"]][1:] == [(ready, 100, "growing-on")]
    assert (found["now"], found["confidence"], found["forecast"]["few_data"]) == (40, 0.9, False)
    assert shop.answer(ONE, confidence=0.8)["curve"][-1]["quantity"] == 110
    assert shop.answer(ONE, confidence=0.91)["curve"][-1]["quantity"] == 98
    by = shop.answer(f"{ONE}/ready-by", quantity=41)
    assert (by["ready_by"], by["basis"], by["availability"]) == (ready, "growing-on", "https://schema.org/BackOrder")
    assert shop.answer(f"{ONE}/ready-by", quantity=101)["ready_by"] is None
    assert shop.answer(f"{ONE}/ready-by", quantity=101, confidence=0.8)["ready_by"] == ready
    outlook = shop.answer(f"{ONE}/outlook")
    assert [(day["low"], day["middle"], day["high"]) for day in outlook["days"]] == [(40, 60, 70), (100, 120, 130)]
    shop.tell("lost", batch=GROWING, stage="potted", place="G1", units=7, cause="rot", occurred_at=datetime.now(UTC))
    assert shop.answer(ONE)["curve"][-1]["quantity"] == 93
    assert shop.answer(f"{ONE}/outlook")["missing"] == 7


def test_a_promise_beyond_now_says_what_it_rests_on(shop: Service) -> None:
    """Later where that is allowed, at the policy's confidence; and what cannot be promised is answered with its day."""
    forecast(shop.conninfo, shop.position())
    ready = (datetime.now(UTC).date() + timedelta(weeks=3)).isoformat()
    lines = [
        {"crop": IXORA, "size": "P9", "units": 15},
        {"crop": IXORA, "size": "P9", "units": 20, "due": ready},
        {"crop": IXORA, "size": "P9", "units": 30, "allow_later": True},
        {"crop": IXORA, "size": "P9", "units": 30, "allow_part": True},
    ]
    body = {"by": "packer", "order": "A-1", "lines": lines, "all_or_none": False}
    shop.tell("policy-set", buffer_z_per_mille=0, always_held_units=500)
    answer = shop.client.post("/v1/promises", json=body, headers={"Idempotency-Key": '"a"'})
    assert answer.status_code == 201, answer.text
    told = [
        (line["status"], line["granted"], line["due"] == ready, line["later"], line["basis"], line["confidence"])
        for line in answer.json()["lines"]
    ]
    assert told == [
        ("granted", 15, False, False, "finished", None), ("granted", 20, True, False, "growing-on", 0.9),
        ("granted", 30, True, True, "growing-on", 0.9), ("part", 25, False, False, "finished", None),
    ]  # fmt: skip
    assert answer.json()["lines"][3]["rest_ready_by"] == ready


def test_a_tag_is_the_same_while_only_the_position_differs(shop: Service) -> None:
    """Entries about other plants change `as_of` and no tag; one about these changes it, here and in the list."""
    paths = (ONE, "/v1/availability", f"/v1/availability?crop={IXORA}", f"{ONE}/ready-by?quantity=9", f"{ONE}/outlook")
    before = {path: shop.get(path) for path in paths}
    shop.tell("person-set", code="new", name="New")
    for path, old in before.items():
        new = shop.get(path)
        assert (new.headers["ETag"], new.json()["as_of"]) == (old.headers["ETag"], old.json()["as_of"] + 1)
        assert shop.get(path, headers={"If-None-Match": old.headers["ETag"]}).status_code == 304
    shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=35, cause="rot")
    for path in paths[:4]:
        assert shop.get(path, headers={"If-None-Match": before[path].headers["ETag"]}).status_code == 200


def test_nothing_is_read_from_the_database_while_nothing_changes(shop: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """With the database's door locked the answers are the same: they come from memory."""
    whole, by = shop.answer("/v1/availability"), shop.answer(f"{ONE}/ready-by", quantity=3)

    def locked(*_: object, **__: object) -> None:
        raise psycopg.OperationalError("locked")

    monkeypatch.setattr("api.reader.Reader.look", locked)
    assert shop.answer("/v1/availability") == whole
    assert shop.answer(f"{ONE}/ready-by", quantity=3) == by
    assert shop.get("/v1/sums").status_code == 503


def test_what_is_not_sold_is_not_found_and_bounds_hold(quiet: Service) -> None:
    """Unknown crops and sizes; a confidence that nobody can keep, a region that is none."""
    for path in (f"/v1/availability/{IXORA}/P1", "/v1/availability/aster/P9", "/v1/availability?crop=aster"):
        assert quiet.refusal(quiet.get(path))["code"] == "not-found"
    for question in ("confidence=0.49", "confidence=0.991", "confidence=90", "destination=%20x", "quantity=0"):
        assert quiet.refusal(quiet.get(f"{ONE}?{question}"))["code"] == "bad-question"
    assert quiet.refusal(quiet.get(f"{ONE}/ready-by"))["code"] == "bad-question"


# --- what has changed ------------------------------------------------------------------------------------------


def test_changes_are_told_once_each_with_their_position(shop: Service) -> None:
    """Of two losses only the later; of the other crop nothing; a policy changes everything at once, in one page."""
    after = shop.position()
    assert shop.answer("/v1/availability/changes", after=after) == {"as_of": after, "changes": [], "next": None}
    shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")
    last = shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")["position"]
    found = shop.answer("/v1/availability/changes", after=after)["changes"]
    assert {"position": last, "crop": IXORA, "size": "P9", "sold": True} in found
    assert {change["crop"] for change in found} == {IXORA}
    assert shop.answer("/v1/availability/changes", after=last)["changes"] == []
    position = shop.tell("policy-set", buffer_z_per_mille=1_000)["position"]
    page = shop.answer("/v1/availability/changes", after=last, limit=1)
    assert {change["position"] for change in page["changes"]} == {position}
    assert sorted((change["crop"], change["size"]) for change in page["changes"]) == [
        (crop, size) for crop in (HOYA, IXORA) for size in ("C2", "P9")
    ]


def test_pages_of_changes_join_and_a_size_that_is_no_longer_sold_is_told(shop: Service) -> None:
    """Each page leads on by its link; what is not sold any more is among them."""
    after = shop.position()
    shop.tell("opened", crop=HOYA, stage="finished", size="C2", place="G1", units=5)
    shop.tell("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")
    crop = {"name": "Hoya", "species": "Hoya carnosa", "group": "Woody", "sizes": {"P9": {"price": "15.00"}}}
    shop.tell("crop-set", code=HOYA, **crop)
    whole = shop.answer("/v1/availability/changes", after=after)["changes"]
    assert {(change["crop"], change["size"]): change["sold"] for change in whole if change["crop"] == HOYA} == {
        (HOYA, "C2"): False, (HOYA, "P9"): True,
    }  # fmt: skip
    path: str | None = f"/v1/availability/changes?after={after}&limit=1"
    joined = []
    while path is not None:
        answer = shop.get(path)
        joined += answer.json()["changes"]
        path = answer.links["next"]["url"] if "next" in answer.links else None
    assert joined == whole


class Stream:
    """Server-sent events of a real server, read in a thread."""

    def __init__(self, address: str, key: str, path: str = "/v1/availability/changes", **headers: str) -> None:
        self.address, self.path = address, path
        self.headers = {"Authorization": f"Bearer {key}", "Accept": "text/event-stream", **headers}
        self.events: list[tuple[int, Any]] = []
        self.lines: list[str] = []
        self.status = 0
        self.ended = threading.Event()
        threading.Thread(target=self._read, daemon=True).start()

    def _read(self) -> None:
        try:
            with httpx.stream("GET", self.address + self.path, headers=self.headers, timeout=20) as response:
                self.status = response.status_code
                for line in response.iter_lines():
                    self.lines.append(line)
                    if line.startswith("data: "):
                        self.events.append((int(self.lines[-3].removeprefix("id: ")), json.loads(line[6:])))
        except httpx.HTTPError:
            pass
        finally:
            self.ended.set()


@pytest.fixture
def served(database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[tuple[str, str, Nursery]]:
    """A real server; its address, a key, and the nursery of another process."""
    monkeypatch.setattr(availability, "KEEP_ALIVE_S", 0.3)
    teller = Teller()
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        key = keys.make(database, "shop", ["offer"])
        with serving.in_background(database, "127.0.0.1", _free_port()) as address:
            yield address, key, nursery


def _free_port() -> int:
    return next(port for port in range(18_431, 18_900) if serving.is_free("127.0.0.1", port))


def opened(nursery: Nursery, seed: int) -> int:
    """Six ixoras told by another process; the entry's position."""
    fact = Teller(seed=seed).tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=6)
    return nursery.post([fact]).as_of


def test_events_come_as_things_change_and_go_on_where_they_broke_off(served: tuple[str, str, Nursery]) -> None:
    """The same answers as pages, each with the position to go on after; a comment in between; Last-Event-ID skips nothing."""
    address, key, nursery = served
    first = Stream(address, key)
    until(lambda: first.events)
    position = opened(nursery, 50)
    until(lambda: first.events[-1][0] >= position)
    assert {"position": position, "crop": IXORA, "size": "P9", "sold": True} in first.events[-1][1]["changes"]
    assert first.events[-1][0] == first.events[-1][1]["as_of"]
    until(lambda: ": nothing new" in first.lines)
    later = opened(nursery, 51)
    again = Stream(address, key, **{"Last-Event-ID": str(position)})
    until(lambda: again.events)
    assert again.events[0][0] == later
    assert {change["position"] for change in again.events[0][1]["changes"]} == {later}


def test_streams_are_bounded(served: tuple[str, str, Nursery], monkeypatch: pytest.MonkeyPatch) -> None:
    """One more than may be is refused with 503; pages still answer."""
    address, key, _ = served
    monkeypatch.setattr(availability, "MOST_STREAMS", 2)
    streams = [Stream(address, key) for _ in range(2)]
    until(lambda: all(stream.events for stream in streams))
    headers = {"Authorization": f"Bearer {key}"}
    full = httpx.get(f"{address}/v1/availability/changes", headers={**headers, "Accept": "text/event-stream"})
    assert (full.status_code, full.json()["code"]) == (503, "too-many-streams")
    assert full.headers["Retry-After"]
    assert httpx.get(f"{address}/v1/availability/changes", headers=headers).status_code == 200


def test_a_stream_ends_when_the_server_stops(database: str) -> None:
    """And keeps it from stopping no longer than a moment."""
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(Teller().beginnings()))
    key = keys.make(database, "shop", ["offer"])
    with serving.in_background(database, "127.0.0.1", _free_port()) as address:
        stream = Stream(address, key)
        until(lambda: stream.events)
        begun = time.monotonic()
    assert stream.ended.wait(5)
    assert time.monotonic() - begun < 10
