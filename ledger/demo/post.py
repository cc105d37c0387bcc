"""Posting the demo through the service: a small HTTP client that keeps its connection, and a progress bar.

The demo goes the way of every other client: JSON over HTTP with a key. Nothing here knows the database.
"""

from __future__ import annotations

import http.client
import json
import ssl
from collections.abc import Iterable
from datetime import date
from typing import Any, Self
from urllib.parse import urlsplit

import msgspec
from msgspec import Struct
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeElapsedColumn

from ledger.demo.telling import Day
from ledger.plants.entries import Told

ENTRIES_A_POST = 500
_TIMEOUT_SECONDS = 120
_TRIES = 3
_GOOD = range(200, 300)


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


def post_days(client: Client, days: Iterable[Day], *, until: date, console: Console | None = None) -> int:
    """Posts a history with a progress bar that runs to `until`; the number of entries. Raises Declined."""
    posted = 0
    with _progress(console) as progress:
        task, first = None, None
        for entries, on in _lists(days):
            if task is None or first is None:
                first = on
                task = progress.add_task("posting", total=(until - first).days, told=0, on=on)
            client.post(entries)
            posted += len(entries)
            progress.update(task, completed=(on - first).days, told=posted, on=on)
        if task is not None:
            progress.update(task, completed=progress.tasks[0].total)
    return posted


def _progress(console: Console | None) -> Progress:
    return Progress(
        TextColumn("{task.fields[on]}"),
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("days, {task.fields[told]:,} entries"),
        TimeElapsedColumn(),
        console=console,
    )


def _lists(days: Iterable[Day]) -> Iterable[tuple[list[Told], date]]:
    """The entries in lists of a good size to post, each with the day it reaches."""
    waiting: list[Told] = []
    on = None
    for day in days:
        waiting += day.entries
        on = day.on
        while len(waiting) >= ENTRIES_A_POST:
            yield waiting[:ENTRIES_A_POST], on
            del waiting[:ENTRIES_A_POST]
    if waiting and on is not None:
        yield waiting, on
