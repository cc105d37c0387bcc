"""Availability read over HTTP beside a bare route, and baskets promised a second on one hot crop and size and on 1,000.

    python -m benchmarks.availability [--seconds 2] [--entries 1000000]

Served as the product serves itself, each application by a process of its own on 127.0.0.1, as in `benchmarks.http`. With
`--entries` so many losses are told first; that ledger is then asked the same as one with 10,000, in place of the bare route:
it should make no difference.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import json
import statistics
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from functools import partial
from uuid import uuid4

import psycopg
from rich.table import Table

from benchmarks import figures, ground
from benchmarks.figures import Aim
from benchmarks.http import CLIENTS, ask, served
from ledger import keys
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants.entries import Stage
from ledger.projections import runner
from tests.telling import Teller

CROPS, SIZES = 500, ("P9", "C2")
_UNITS = 1_000_000
_A_TURN = 1_000
FEW = 10_000

Pair = tuple[str, str]


def _stock(nursery: Nursery) -> tuple[list[Pair], list[str]]:
    """Crops in two sizes each, with plenty of finished plants, the first is the hot one; and their batches."""
    opening = datetime.now(UTC) - timedelta(days=30)
    teller = Teller(start=opening, seed=3)
    sizes = {size: {"price": "9.00"} for size in SIZES}
    codes = [f"crop-{number}" for number in range(CROPS)]
    facts = [teller.fact("crop-set", code=code, name=code, species=code, group="Soft", sizes=sizes) for code in codes]
    policy = {"always_held_units": 10_000, "most_held_units": 10_000, "buffer_z_per_mille": 0}
    nursery.post(codec.read_told([*teller.beginnings(), teller.fact("policy-set", **policy), *facts]))
    at = {"stage": "finished", "place": "G1", "units": _UNITS, "occurred_at": opening}
    pairs = list(itertools.product(codes, SIZES))
    opened = nursery.post([teller.tell("opened", crop=crop, size=size, **at) for crop, size in pairs])
    return pairs, [str(getattr(entry.told, "batch")) for entry in opened.entries]  # noqa: B009 - one of several types


def _grown(conninfo: str, entries: int) -> list[Pair]:
    """Stock a ledger, tell so many losses of its batches, and let what follows the log come up to it; its crops and sizes."""
    with Nursery(conninfo) as nursery:
        pairs, batches = _stock(nursery)
        for begun in range(0, entries, _A_TURN):
            nursery.post(ground.losses(batches, min(_A_TURN, entries - begun), Stage.FINISHED))
    with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
        runner.follow(connection)
    with psycopg.connect(conninfo, autocommit=True) as connection:
        connection.execute("vacuum analyze")
    return pairs


def _read(port: int, key: str, pair: Pair) -> bytes:
    head = f"GET /v1/availability/{pair[0]}/{pair[1]} HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Bearer {key}\r\n\r\n"
    return head.encode()


def _basket(port: int, key: str, pair: Pair) -> bytes:
    line = {"crop": pair[0], "size": pair[1], "units": 1}
    body = json.dumps({"by": "packer", "order": "A-1", "lines": [line]}).encode()
    head = (
        f"POST /v1/promises HTTP/1.1\r\nHost: 127.0.0.1:{port}\r\nAuthorization: Bearer {key}\r\n"
        f'Idempotency-Key: "{uuid4()}"\r\nContent-Type: application/json\r\nContent-Length: {len(body)}\r\n\r\n'
    )
    return head.encode() + body


def _requests(make: Callable[[Pair], bytes], pairs: Sequence[Pair], start: int) -> Iterator[bytes]:
    return (make(pairs[number % len(pairs)]) for number in itertools.count(start))


def _asked(port: int, make: Callable[[Pair], bytes], pairs: Sequence[Pair], clients: int, seconds: float) -> list[float]:
    shares = [_requests(make, pairs, 37 * number) for number in range(clients)]
    return asyncio.run(ask(port, shares, seconds))


def _read_rate(
    port: int, key: str, pairs: Sequence[Pair], clients: int, seconds: float, took: dict[str, list[float]], name: str
) -> float:
    prepared = {pair: _read(port, key, pair) for pair in pairs}
    begun = time.perf_counter()
    found = _asked(port, prepared.__getitem__, pairs, clients, seconds)
    took.setdefault(name, []).extend(found)
    return len(found) / (time.perf_counter() - begun)


def _basket_rate(
    port: int, conninfo: str, pairs: Sequence[Pair], clients: int, seconds: float, took: dict[str, list[float]], name: str
) -> float:
    """With a key of its own each time: what one key holds unconfirmed is bounded."""
    key = keys.make(conninfo, f"shop {uuid4()}", ("promise",))
    begun = time.perf_counter()
    found = _asked(port, partial(_basket, port, key), pairs, clients, seconds)
    took.setdefault(name, []).extend(found)
    return len(found) / (time.perf_counter() - begun)


def _show_times(took: dict[str, list[float]]) -> None:
    table = Table(title="How long an answer takes, milliseconds, all rounds together")
    for heading in ("", "p50", "p99"):
        table.add_column(heading, justify="right" if heading else "left")
    for name, seconds in took.items():
        cut = statistics.quantiles(seconds, n=100)
        table.add_row(name, f"{cut[49] * 1000:.2f}", f"{cut[98] * 1000:.2f}")
    figures.console.print(table)


def main() -> None:
    """Stock a nursery, serve it and the bare route, and ask both in turn."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=2.0)
    parser.add_argument("--entries", type=int, default=0)
    arguments = parser.parse_args()
    seconds = min(10.0, arguments.seconds)
    with ground.open_ground() as opened:
        figures.show_machine(opened.version(), opened.flush_ms())
        if arguments.entries:
            _beside_few(opened, arguments.entries, seconds)
        else:
            _beside_bare(opened, seconds)


def _beside_bare(opened: ground.Ground, seconds: float) -> None:
    conninfo, took = opened.ledger("availability"), dict[str, list[float]]()
    pairs = _grown(conninfo, 0)
    key = keys.make(conninfo, "benchmark", ("offer", "promise"))
    with served("api.app", conninfo) as service, served("benchmarks.bare", conninfo) as bare:
        reads: dict[str, Callable[[], float]] = {}
        baskets: dict[str, Callable[[], float]] = {}
        for clients in CLIENTS:
            for name, port in ((f"availability, {clients} clients", service), (f"bare route, {clients} clients", bare)):
                reads[name] = partial(_read_rate, port, key, pairs, clients, seconds, took, name)
            for name, among in ((f"one hot, {clients} clients", pairs[:1]), (f"1,000, {clients} clients", pairs)):
                baskets[name] = partial(_basket_rate, service, conninfo, among, clients, seconds, took, name)
        aims = [Aim(f"availability, {clients} clients", f"bare route, {clients} clients", 0.8) for clients in CLIENTS]
        figures.show("Availability over HTTP", "reads", figures.measure(reads, aims), aims)
        figures.show("Promising over HTTP", "baskets", figures.measure(baskets, []), [])
    _show_times(took)


def _beside_few(opened: ground.Ground, entries: int, seconds: float) -> None:
    """The same of two ledgers, of which one has many more entries."""
    took: dict[str, list[float]] = {}
    contenders: dict[str, Callable[[], float]] = {}
    aims: list[Aim] = []
    with ExitStack() as stack:
        for told in (FEW, entries):
            conninfo = opened.ledger(f"after_{told}")
            begun = time.perf_counter()
            pairs = _grown(conninfo, told)
            figures.console.print(f"{told:,} entries told and followed in {time.perf_counter() - begun:.0f} s")
            key = keys.make(conninfo, "benchmark", ("offer", "promise"))
            port = stack.enter_context(served("api.app", conninfo))
            for clients in CLIENTS:
                name = f"reads, {clients} clients"
                contenders[_after(name, told)] = partial(
                    _read_rate, port, key, pairs, clients, seconds, took, _after(name, told)
                )
                for name, among in ((f"one hot, {clients} clients", pairs[:1]), (f"1,000, {clients} clients", pairs)):
                    measured = partial(_basket_rate, port, conninfo, among, clients, seconds, took, _after(name, told))
                    contenders[_after(name, told)] = measured
        names = [name.removesuffix(_after("", FEW)) for name in contenders if name.endswith(_after("", FEW))]
        aims = [Aim(_after(name, entries), _after(name, FEW), 1 / 1.3) for name in names]
        figures.show("After many entries", "reads or baskets", figures.measure(contenders, aims), aims)
    _show_times(took)


def _after(name: str, entries: int) -> str:
    return f"{name}, after {entries:,}"


if __name__ == "__main__":
    main()
