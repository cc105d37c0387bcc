"""Posting the demo through the service: a small HTTP client that keeps its connection, and a progress bar.

The demo goes the way of every other client: JSON over HTTP with a key. Nothing here knows the database.
"""

from __future__ import annotations

import http.client
import json
import ssl
from collections.abc import Callable, Iterable, Sequence
from datetime import date, datetime
from typing import Any, Self
from urllib.parse import urlsplit
from uuid import UUID

import msgspec
from msgspec import Struct
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from ledger.demo.desk import AtRisk, Granted
from ledger.demo.telling import Day
from ledger.plants.entries import PottingLine, PromiseConfirmed, Promised, Told

ENTRIES_A_POST = 500
_TIMEOUT_SECONDS = 120
_TRIES = 3
_GOOD = range(200, 300)
#: how a basket may be answered that gets nothing
_GETS_NOTHING = {"not-promisable", "not-sent-there", "holds-too-much"}


class Answer(Struct, frozen=True, kw_only=True):
    """What the service answered: the status, and the body read as JSON."""

    status: int
    body: Any

    @property
    def good(self) -> bool:
        return self.status in _GOOD


class Declined(Exception):
    """The service did not do what was asked. The message holds its problem document."""

    def __init__(self, asked: str, answer: Answer) -> None:
        super().__init__(f"{asked} was answered with {answer.status}:\n{json.dumps(answer.body, indent=2, ensure_ascii=False)}")
        self.answer = answer


class Client:
    """One connection to the service, opened again where it was dropped. A context manager."""

    def __init__(self, address: str, key: str) -> None:
        """`address` is where the service listens, such as http://127.0.0.1:8000; `key` is a key of it."""
        parts = urlsplit(address)
        if parts.scheme not in ("http", "https") or parts.hostname is None:
            raise ValueError(f"{address!r} is not an address of a service: it should begin with http:// or https://")
        self.address = address.rstrip("/")
        self._root = parts.path.rstrip("/")
        self._headers = {"Authorization": f"Bearer {key}", "Accept": "application/json"}
        if parts.scheme == "https":
            context = ssl.create_default_context()
            self._connection: http.client.HTTPConnection = http.client.HTTPSConnection(
                parts.hostname, parts.port, timeout=_TIMEOUT_SECONDS, context=context
            )
        else:
            self._connection = http.client.HTTPConnection(parts.hostname, parts.port, timeout=_TIMEOUT_SECONDS)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._connection.close()

    def ask(self, method: str, path: str, body: Any = None, key: str | None = None) -> Answer:
        """One request; a body is sent as JSON, with an Idempotency-Key where the call needs one.

        Raises OSError where the service cannot be reached. A request is sent again where the connection breaks: reading twice
        does no harm, and an entry told twice under the same id is written once.
        """
        content = None if body is None else msgspec.json.encode(body)
        headers = self._headers | ({"Content-Type": "application/json"} if content else {})
        headers |= {"Idempotency-Key": f'"{key}"'} if key else {}
        for tries in range(1, _TRIES + 1):
            try:
                self._connection.request(method, self._root + path, body=content, headers=headers)
                response = self._connection.getresponse()
                return Answer(status=response.status, body=_read(response.read()))
            except (http.client.HTTPException, ConnectionError):
                self._connection.close()
                if tries == _TRIES:
                    raise
        raise AssertionError("unreachable")

    def post(self, entries: list[Told]) -> Any:
        """Posts a list, all or nothing; the service's answer. Raises Declined with the problem document."""
        answer = self.ask("POST", "/v1/entries", entries)
        if not answer.good:
            raise Declined(f"POST /v1/entries with {len(entries)} entries", answer)
        return answer.body


def _read(content: bytes) -> Any:
    """JSON, or whatever text something between here and the service has answered with."""
    try:
        return msgspec.json.decode(content)
    except msgspec.DecodeError:
        return content.decode(errors="replace")


class Counter:
    """The desk (`ledger.demo.desk`) before the service: gathers what is told into lists of a good size, and asks at once."""

    def __init__(
        self,
        client: Client,
        publish: Callable[[Sequence[str], datetime], object] | None = None,
        close: Callable[[str, str, datetime], object] | None = None,
    ) -> None:
        """Without `publish` no forecasts are published, and without `close` no month is closed."""
        self._client, self._publish, self._close = client, publish, close
        self._waiting: list[Told] = []
        #: entries posted so far; those that the service tells by itself are not among them
        self.posted = 0

    def write(self, told: Sequence[Told]) -> None:
        self._waiting += told
        while len(self._waiting) >= ENTRIES_A_POST:
            self._post(self._waiting[:ENTRIES_A_POST])
            del self._waiting[:ENTRIES_A_POST]

    def hand_in(self) -> None:
        """Post what waits."""
        if self._waiting:
            self._post(self._waiting)
            self._waiting = []

    def _post(self, told: list[Told]) -> None:
        self._client.post(told)
        self.posted += len(told)

    def promise(self, baskets: Sequence[tuple[Promised, PromiseConfirmed]]) -> dict[UUID, list[Granted]]:
        self.hand_in()
        answer = self._client.ask("POST", "/v1/entries", [entry for basket in baskets for entry in basket])
        if not answer.good:
            baskets = _without_those_that_get_nothing(baskets, answer)
            if baskets:
                self._client.post([entry for basket in baskets for entry in basket])
        self.posted += 2 * len(baskets)
        return self._granted([promised.id for promised, _ in baskets]) if baskets else {}

    def _granted(self, promises: list[UUID]) -> dict[UUID, list[Granted]]:
        """The baskets' promises: ids rise with time, so they are the last ones."""
        cards = self._pages(f"/v1/promises?after={UUID(int=min(promises).int - 1)}")
        return {
            UUID(card["promise"]): [
                Granted(index=int(index), units=line["granted"], due=_day(line["due"]), potting_on=_day(line.get("potting_on")))
                for index, line in card["lines"].items()
            ]
            for card in cards
        }

    def _pages(self, path: str) -> Iterable[Any]:
        after = ""
        while True:
            body = self._read(path + after)
            yield from body["promises"]
            if body["next"] is None:
                return
            after = f"&after={body['next']}"

    def _read(self, path: str) -> Any:
        answer = self._client.ask("GET", path)
        if not answer.good:
            raise Declined(f"GET {path}", answer)
        return answer.body

    def publish(self, crops: Sequence[str], at: datetime) -> None:
        self.hand_in()
        if self._publish is not None:
            self._publish(crops, at)

    def close(self, period: str, by: str, at: datetime) -> None:
        self.hand_in()
        if self._close is not None:
            self._close(period, by, at)

    def at_risk(self) -> list[AtRisk]:
        return [
            AtRisk(
                promise=UUID(card["promise"]), index=int(index), entry=UUID(line["risk"]["entry"]),
                offered=_day(line["risk"].get("offered")),
            )
            for card in self._pages("/v1/promises?state=confirmed&at_risk=true")
            for index, line in card["lines"].items()
            if line.get("risk")
        ]  # fmt: skip

    def still_open(self, promise: UUID, index: int) -> int:
        self.hand_in()
        return int(self._read(f"/v1/promises/{promise}")["promise"]["lines"][str(index)]["open"])

    def listed(self, day: date) -> list[PottingLine]:
        self.hand_in()
        lines = self._read(f"/v1/potting-list?day={day}")["lines"]
        return [msgspec.convert(listed["line"], PottingLine, strict=False) for listed in lines]


def _without_those_that_get_nothing(
    baskets: Sequence[tuple[Promised, PromiseConfirmed]], answer: Answer
) -> list[tuple[Promised, PromiseConfirmed]]:
    """The other baskets, where that is all that is wrong: a refused one leaves no trace. Raises Declined."""
    problems = answer.body.get("problems", ()) if isinstance(answer.body, dict) else ()
    refused = {problem["index"] // 2 for problem in problems if problem["code"] in _GETS_NOTHING}
    if not refused or any(problem["index"] // 2 not in refused for problem in problems):
        raise Declined("POST /v1/entries with baskets", answer)
    return [basket for nth, basket in enumerate(baskets) if nth not in refused]


def _day(written: str | None) -> Any:
    return date.fromisoformat(written) if written is not None else None


def post_days(counter: Counter, days: Iterable[Day], *, until: date, console: Console | None = None) -> int:
    """Posts a history with a progress bar that runs to `until`; the number of entries. Raises Declined."""
    with _progress(console) as progress:
        task, first = None, None
        for day in days:
            if task is None or first is None:
                first = day.on
                task = progress.add_task("posting", total=(until - first).days, told=0, on=first)
            counter.write(day.entries)
            progress.update(task, completed=(day.on - first).days, told=counter.posted, on=day.on)
        counter.hand_in()
        if task is not None:
            progress.update(task, completed=progress.tasks[0].total, told=counter.posted)
    return counter.posted


def _progress(console: Console | None) -> Progress:
    return Progress(
        TextColumn("{task.fields[on]}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("days, {task.fields[told]:,} entries"),
        TimeElapsedColumn(),
        console=console,
    )
