"""Entries written a second: through the service, beside raw single-row inserts and the library `eventsourcing`.

    python -m benchmarks.appends [--seconds 2]

Everyone writes the same small entries, durably, on the same server. The service decides each (is there enough standing?), keeps
cards and balances in the same transaction, and is given one entry a call. The raw insert decides nothing: one row of the same
columns under the same indexes, committed by itself, one connection a writer. `eventsourcing` appears twice. Its application
does what the service does: load, decide, append; one aggregate a batch, one event an entry, its cache holds every aggregate, reads
nothing anew, and each writer has batches of its own, so that no save conflicts. Its recorder alone appends what it is given.
"""

from __future__ import annotations

import argparse
import asyncio
import itertools
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import partial
from typing import Any
from uuid import UUID, uuid4

import psycopg
from eventsourcing.application import Application
from eventsourcing.domain import Aggregate, event
from eventsourcing.persistence import StoredEvent

from benchmarks import figures, ground
from benchmarks.figures import Aim
from ledger.log import codec
from ledger.nursery import Nursery, Turns
from ledger.plants.entries import Lost, type_of
from ledger.plants.recorded import Move, Recorded, loss, pot, standing

WRITERS = (1, 8, 32)
LIST = 1_000
LISTS = 4
MOST_A_SECOND = 10_000  # so many entries are prepared for each second of a measurement

COLUMNS = "position, id, type, schema, occurred_at, recorded_at, booked_on, person, client, reverses, digest, content"

#: one writer's whole work: it writes until its entries are used up or the moment has come; how many it wrote
Work = Callable[[Sequence[Lost], float], int]


def threads(work: Sequence[Work], batches: list[str], seconds: float) -> float:
    """Entries a second of several writers, a thread each; each has batches of its own."""
    told = ground.losses(batches, int(seconds * MOST_A_SECOND))
    with ThreadPoolExecutor(len(work)) as pool:
        begun = time.perf_counter()
        until = begun + seconds
        running = [pool.submit(write, told[number :: len(work)], until) for number, write in enumerate(work)]
        written = sum(done.result() for done in running)
        return written / (time.perf_counter() - begun)


# --- the service -------------------------------------------------------------------------------------------------


class Service:
    """The product in this process: a ledger with batches on it."""

    def __init__(self, conninfo: str) -> None:
        self.nursery = Nursery(conninfo)
        self.batches = ground.stock(self.nursery)

    def rate(self, writers: int, seconds: float) -> float:
        told = ground.losses(self.batches, int(seconds * MOST_A_SECOND))
        return asyncio.run(self._rate([told[number::writers] for number in range(writers)], seconds))

    async def _rate(self, shares: Sequence[Sequence[Lost]], seconds: float) -> float:
        turns = Turns(self.nursery)
        begun = time.perf_counter()
        written = sum(await asyncio.gather(*(self._write(turns, share, begun + seconds) for share in shares)))
        return written / (time.perf_counter() - begun)

    async def _write(self, turns: Turns, told: Sequence[Lost], until: float) -> int:
        for number, entry in enumerate(told):
            if time.perf_counter() >= until:
                return number
            await turns.post([entry], "benchmark")
        return len(told)

    def bulk_rate(self) -> float:
        told = ground.losses(self.batches, LIST * LISTS)
        begun = time.perf_counter()
        for first in range(0, len(told), LIST):
            self.nursery.post(told[first : first + LIST], "benchmark")
        return len(told) / (time.perf_counter() - begun)


# --- raw ---------------------------------------------------------------------------------------------------------


class Raw:
    """A table with the log's columns and indexes, and nothing around it."""

    def __init__(self, conninfo: str) -> None:
        with psycopg.connect(conninfo) as connection:
            connection.execute("create table rows (like entries including all)")
        places = ", ".join(["%s"] * len(COLUMNS.split(", ")))
        self._insert = f"insert into rows ({COLUMNS}) values ({places})"  # noqa: S608 - of the names above
        self._positions = itertools.count(1)
        self._connections = [psycopg.connect(conninfo, autocommit=True) for _ in range(max(WRITERS))]
        self.batches = [f"26W38-{serial:03d}K" for serial in range(ground.BATCHES)]

    def close(self) -> None:
        for connection in self._connections:
            connection.close()

    def rate(self, writers: int, seconds: float) -> float:
        return threads([partial(self._write, connection) for connection in self._connections[:writers]], self.batches, seconds)

    def _write(self, connection: psycopg.Connection[Any], told: Sequence[Lost], until: float) -> int:
        for number, row in enumerate(self._rows(told)):
            if time.perf_counter() >= until:
                return number
            connection.execute(self._insert, row)  # type: ignore[call-overload] # its text is put together above
        return len(told)

    def copy_rate(self) -> float:
        """COPY of lists of the same length, each committed, as the service does."""
        rows = list(self._rows(ground.losses(self.batches, LIST * LISTS)))
        connection = self._connections[0]
        begun = time.perf_counter()
        for first in range(0, len(rows), LIST):
            with connection.cursor() as cursor, cursor.copy(f"copy rows ({COLUMNS}) from stdin") as copy:  # type: ignore[arg-type]
                for row in rows[first : first + LIST]:
                    copy.write_row(row)
        return len(rows) / (time.perf_counter() - begun)

    def _rows(self, told: Sequence[Lost]) -> Iterator[tuple[Any, ...]]:
        for entry in told:
            unit, here = pot("P9"), standing(entry.batch, entry.stage, entry.place)
            recorded = Recorded(
                position=next(self._positions),
                recorded_at=entry.occurred_at,
                booked_on=entry.occurred_at.date(),
                client="benchmark",
                schema=entry.SCHEMA,
                told=entry,
                moves=(Move(units=entry.units, unit=unit, source=here, target=loss(entry.cause)),),
            )
            yield (
                recorded.position, entry.id, type_of(entry), entry.SCHEMA, entry.occurred_at, recorded.recorded_at,
                recorded.booked_on, entry.by, recorded.client, None, codec.digest(entry), codec.encode(recorded).decode(),
            )  # fmt: skip


# --- eventsourcing -----------------------------------------------------------------------------------------------


class NotEnough(Exception):
    """More are lost than stand there."""


class Batch(Aggregate):
    """A batch as that library would have it: an aggregate whose events are its entries."""

    def __init__(self, number: str, units: int) -> None:
        self.number = number
        self.units = units

    def lose(self, told: Lost) -> None:
        if told.units > self.units:
            raise NotEnough(self.number)
        self.lost(told.id, told.occurred_at.isoformat(), told.by, told.stage.value, told.place, told.units, told.cause.value)

    @event("Lost")
    def lost(self, entry: UUID, occurred_at: str, by: str, stage: str, place: str, units: int, cause: str) -> None:  # noqa: PLR0913
        self.units -= units


class Library:
    """`eventsourcing` with its PostgreSQL recorder, a pool as large as there are writers."""

    def __init__(self, host: str, database: str) -> None:
        self._application = Application[UUID](
            {
                "PERSISTENCE_MODULE": "eventsourcing.postgres",
                "POSTGRES_DBNAME": database,
                "POSTGRES_HOST": host,
                "POSTGRES_PORT": "5432",
                "POSTGRES_USER": "postgres",
                "POSTGRES_PASSWORD": "none",
                "POSTGRES_POOL_SIZE": str(max(WRITERS)),
                "POSTGRES_CONNECT_TIMEOUT": "60",
                "AGGREGATE_CACHE_MAXSIZE": str(10 * ground.BATCHES),
                "AGGREGATE_CACHE_FASTFORWARD": "n",
            }
        )
        made = [Batch(f"26W38-{serial:03d}K", 1_000_000) for serial in range(ground.BATCHES)]
        self._application.save(*made)
        self._ids = {batch.number: batch.id for batch in made}
        self.batches = list(self._ids)
        self._versions = {number: itertools.count(1) for number in self.batches}
        self._streams = {number: uuid4() for number in self.batches}

    def close(self) -> None:
        self._application.close()

    def rate(self, writers: int, seconds: float) -> float:
        return threads([self._write] * writers, self.batches, seconds)

    def _write(self, told: Sequence[Lost], until: float) -> int:
        for number, entry in enumerate(told):
            if time.perf_counter() >= until:
                return number
            batch: Batch = self._application.repository.get(self._ids[entry.batch])
            batch.lose(entry)
            self._application.save(batch)
        return len(told)

    def recorder_rate(self, writers: int, seconds: float) -> float:
        return threads([self._record] * writers, self.batches, seconds)

    def _record(self, told: Sequence[Lost], until: float) -> int:
        recorder = self._application.recorder
        for number, entry in enumerate(told):
            if time.perf_counter() >= until:
                return number
            version = next(self._versions[entry.batch])
            recorder.insert_events([StoredEvent(self._streams[entry.batch], version, "lost", codec.canonical(entry))])
        return len(told)


# --- all of them -------------------------------------------------------------------------------------------------

_AIMS = {1: (1.0, 1 / 3), 8: (None, None), 32: (5.0, 2.0)}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--seconds", type=float, default=2.0, help="how long each of the measurements takes")
    seconds = parser.parse_args().seconds
    with ground.open_ground() as here:
        figures.show_machine(here.version(), here.flush_ms())
        service, raw = Service(here.ledger("service")), Raw(here.ledger("raw"))
        here.database("library")
        library = Library(here.host(), "library")
        contenders: dict[str, Callable[[], float]] = {}
        aims: list[Aim] = []
        for writers in WRITERS:
            ours, single = f"service, {writers} writers", f"raw inserts, {writers} connections"
            application, recorder = (
                f"eventsourcing application, {writers} threads",
                f"eventsourcing recorder, {writers} threads",
            )
            contenders[ours] = partial(service.rate, writers, seconds)
            contenders[single] = partial(raw.rate, writers, seconds)
            contenders[application] = partial(library.rate, writers, seconds)
            contenders[recorder] = partial(library.recorder_rate, writers, seconds)
            library_aim, raw_aim = _AIMS[writers]
            aims += [Aim(ours, application, library_aim), Aim(ours, recorder, library_aim), Aim(ours, single, raw_aim)]
        bulk, copied = f"service, lists of {LIST:,}", f"COPY, lists of {LIST:,}"
        contenders |= {bulk: service.bulk_rate, copied: raw.copy_rate}
        aims.append(Aim(bulk, copied, 1 / 5))
        try:
            rates = figures.measure(contenders, aims)
        finally:
            library.close()
            raw.close()
            service.nursery.close()
    figures.show("Appending", "entries", rates, aims)


if __name__ == "__main__":
    main()
