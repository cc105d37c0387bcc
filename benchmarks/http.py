"""Entries posted over HTTP a second: the service beside a bare route that only decodes the same body.

    python -m benchmarks.http [--seconds 2]

Both are served the same way, each by a process of its own (`ledger.serving`), on 127.0.0.1. The clients keep their
connections, send one entry a call and wait for its answer; they run in this process as threads on plain sockets.
"""

from __future__ import annotations

import argparse
import http.client
import multiprocessing
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager

import msgspec

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger import keys, serving
from ledger.nursery import Nursery
from ledger.plants.entries import Lost

CLIENTS = (1, 8, 32)
MOST_A_SECOND = 3_000
_UP_SECONDS = 30


def _serve(application: str, conninfo: str, port: int) -> None:
    serving.APPLICATION = application
    serving.serve(conninfo, "127.0.0.1", port)


@contextmanager
def _served(application: str, conninfo: str) -> Iterator[int]:
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


def _post(port: int, key: str, told: Sequence[Lost], until: float) -> int:
    """One client: it posts until its entries are used up or the moment has come; how many were taken."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    connection = http.client.HTTPConnection("127.0.0.1", port)
    taken = 0
    for entry in told:
        if time.perf_counter() > until:
            break
        connection.request("POST", "/v1/entries", msgspec.json.encode(entry), headers)
        answer = connection.getresponse()
        answer.read()
        if answer.status != http.HTTPStatus.CREATED:
            raise RuntimeError(f"an entry was answered with {answer.status}")
        taken += 1
    connection.close()
    return taken


def _rate(port: int, key: str, clients: int, batches: list[str], seconds: float) -> Callable[[], float]:
    def measure() -> float:
        told = ground.losses(batches, int(seconds * MOST_A_SECOND))
        with ThreadPoolExecutor(clients) as pool:
            begun = time.perf_counter()
            until = begun + seconds
            running = [pool.submit(_post, port, key, told[number::clients], until) for number in range(clients)]
            taken = sum(done.result() for done in running)
            return taken / (time.perf_counter() - begun)

    return measure


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
        with _served("api.app", conninfo) as service, _served("benchmarks.bare", conninfo) as bare:
            contenders: dict[str, Callable[[], float]] = {}
            for clients in CLIENTS:
                contenders[f"service, {clients} clients"] = _rate(service, key, clients, batches, seconds)
                contenders[f"bare route, {clients} clients"] = _rate(bare, key, clients, batches, seconds)
            aims = [Aim(f"service, {clients} clients", f"bare route, {clients} clients", 1 / 3) for clients in CLIENTS]
            figures.show_machine(opened.version(), opened.flush_ms())
            figures.show("Posting over HTTP", "entries", figures.measure(contenders, aims), aims)


if __name__ == "__main__":
    main()
