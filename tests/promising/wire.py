"""A lean HTTP client for crowds: one connection each, kept open; it knows so much of HTTP/1.1 as the service answers.

It leaves the time to the server, which shares the process with it so that its clock can be set.
"""

from __future__ import annotations

import asyncio
import json
from typing import Any, NamedTuple


class Answer(NamedTuple):
    """What was answered; the body is JSON, whatever the status."""

    status: int
    body: Any


class Wire:
    """One client's connection, opened with its first call. Calls wait for each other."""

    def __init__(self, host: str, port: int, key: str) -> None:
        self._host, self._port = host, port
        self._head = f"Host: {host}:{port}\r\nAuthorization: Bearer {key}\r\nContent-Type: application/json\r\n"
        self._turn = asyncio.Lock()
        self._streams: tuple[asyncio.StreamReader, asyncio.StreamWriter] | None = None

    async def post(self, path: str, told: Any, idempotency_key: str | None = None) -> Answer:
        """Post JSON; the answer. Raises ConnectionError where the connection is lost."""
        body = json.dumps(told).encode()
        keyed = f'Idempotency-Key: "{idempotency_key}"\r\n' if idempotency_key is not None else ""
        head = f"POST {path} HTTP/1.1\r\n{self._head}{keyed}Content-Length: {len(body)}\r\n\r\n"
        async with self._turn:
            if self._streams is None:
                self._streams = await asyncio.open_connection(self._host, self._port)
            reader, writer = self._streams
            writer.write(head.encode() + body)
            status, length = _head_of(await reader.readuntil(b"\r\n\r\n"))
            return Answer(status, json.loads(await reader.readexactly(length)))

    def close(self) -> None:
        """Hang up."""
        if self._streams is not None:
            self._streams[1].close()


def _head_of(head: bytes) -> tuple[int, int]:
    """(status, length of the body)."""
    first, *fields = head.decode("latin-1").split("\r\n")
    named = {name.lower(): value for name, found, value in (field.partition(": ") for field in fields) if found}
    return int(first.split(" ")[1]), int(named["content-length"])
