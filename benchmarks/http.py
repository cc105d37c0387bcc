"""Entries posted over HTTP a second: the service beside a bare route that only decodes the same body.

    python -m benchmarks.http [--seconds 2]

Both are served the same way, as the product serves itself (`ledger.serving`: granian, one worker), each by a process of its
own on 127.0.0.1. The clients keep their connections, send one entry a call and wait for its answer. They run in this process
on one event loop and hold what they send ready, so that they are not what is measured.
"""

from __future__ import annotations

import argparse
import asyncio
import multiprocessing
import re
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from functools import partial

import msgspec

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger import keys, serving
from ledger.nursery import Nursery
from ledger.plants.entries import Lost

CLIENTS = (1, 8, 32)
MOST_A_SECOND = 6_000
_UP_SECONDS = 180


def _serve(application: str, conninfo: str, port: int) -> None:
    serving.APPLICATION = application
    serving.serve(conninfo, "127.0.0.1", port)


@contextmanager
def served(application: str, conninfo: str) -> Iterator[int]:
    """An application in a process of its own; its port."""
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    process = multiprocessing.get_context("spawn").Process(target=_serve, args=(application, conninfo, port))
    process.start()
    try:
        _wait_for(port)
        yield port
    finally:
        process.terminate()
        process.join()


def _wait_for(port: int) -> None:
    until = time.monotonic() + _UP_SECONDS
    while True:
        try:
            socket.create_connection(("127.0.0.1", port)).close()
        except OSError:
            if time.monotonic() > until:
                raise
            time.sleep(0.05)
        else:
            return


class Client(asyncio.Protocol):
    """One client on one connection: sends a request, waits for its whole answer, sends the next, until it is told to end."""

    def __init__(self, requests: Iterator[bytes], until: float) -> None:
        self._requests = requests
        self._until = until
        self._received = b""
        self._transport: asyncio.Transport | None = None
        self._sent = 0.0
        self.took: list[float] = []
        self.ended: asyncio.Future[None] = asyncio.get_running_loop().create_future()

    def connection_made(self, transport: asyncio.BaseTransport) -> None:
        assert isinstance(transport, asyncio.Transport)
        self._transport = transport
        self._next()

    def data_received(self, data: bytes) -> None:
        self._received += data
        head, found, body = self._received.partition(b"\r\n\r\n")
        length = _LENGTH.search(head)
        if not found or length is None or len(body) < int(length[1]):
            return
        if not head.startswith((b"HTTP/1.1 200 ", b"HTTP/1.1 201 ")):
            self._end(RuntimeError(f"a request was answered with {self._received!r:.500}"))
            return
        self.took.append(time.perf_counter() - self._sent)
        self._received = b""
        self._next()

    def connection_lost(self, exc: Exception | None) -> None:
        self._end(exc or ConnectionError("the server closed the connection"))

    def _next(self) -> None:
        assert self._transport is not None
        request = next(self._requests, None) if time.perf_counter() < self._until else None
        if request is None:
            self._end(None)
        else:
            self._sent = time.perf_counter()
            self._transport.write(request)

    def _end(self, error: Exception | None) -> None:
        if self.ended.done():
            return
        if error is None:
            self.ended.set_result(None)
        else:
            self.ended.set_exception(error)
        if self._transport is not None:
            self._transport.close()


_LENGTH = re.compile(rb"\r\ncontent-length: *(\d+)", re.IGNORECASE)


def _request(port: int, key: str, entry: Lost) -> bytes:
    body = msgspec.json.encode(entry)
    head = (
        f"POST /v1/entries HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Bearer {key}\r\n"
        f"Content-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n"
    )
    return head.encode() + body


def _rate(port: int, key: str, clients: int, batches: list[str], seconds: float) -> float:
    """Entries a second that so many clients get taken; each tells of batches of its own."""
    requests = [_request(port, key, entry) for entry in ground.losses(batches, int(seconds * MOST_A_SECOND))]
    return asyncio.run(_all_post(port, [iter(requests[number::clients]) for number in range(clients)], seconds))


async def _all_post(port: int, shares: Sequence[Iterator[bytes]], seconds: float) -> float:
    begun = time.perf_counter()
    took = await ask(port, shares, seconds)
    return len(took) / (time.perf_counter() - begun)


async def ask(port: int, shares: Sequence[Iterator[bytes]], seconds: float) -> list[float]:
    """Send the requests of each client until they or the seconds run out; how long each answer took."""
    loop = asyncio.get_running_loop()
    until = time.perf_counter() + seconds
    made = [loop.create_connection(partial(Client, share, until), "127.0.0.1", port) for share in shares]
    clients = [client for _, client in await asyncio.gather(*made)]
    await asyncio.gather(*(client.ended for client in clients))
    return [seconds for client in clients for seconds in client.took]


def main() -> None:
    """Serve both, and post to them in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=2.0)
    seconds = min(10.0, parser.parse_args().seconds)
    with ground.open_ground() as opened:
        conninfo = opened.ledger("http")
        with Nursery(conninfo) as nursery:
            batches = ground.stock(nursery)
        key = keys.make(conninfo, "benchmark", ("write",))
        with served("api.app", conninfo) as service, served("benchmarks.bare", conninfo) as bare:
            contenders: dict[str, Callable[[], float]] = {}
            for clients in CLIENTS:
                contenders[f"service, {clients} clients"] = partial(_rate, service, key, clients, batches, seconds)
                contenders[f"bare route, {clients} clients"] = partial(_rate, bare, key, clients, batches, seconds)
            aims = [Aim(f"service, {clients} clients", f"bare route, {clients} clients", 1 / 3) for clients in CLIENTS]
            figures.show_machine(opened.version(), opened.flush_ms())
            figures.show("Posting over HTTP", "entries", figures.measure(contenders, aims), aims)


if __name__ == "__main__":
    main()
