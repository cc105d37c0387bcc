"""The ground that measurements stand on: a durable PostgreSQL server of their own, and a few hundred batches on it.

Owns the server's life and where its data lies. Every contender of a script works on the one server that is given here, with
the settings that the product has by default: fsync, full_page_writes and synchronous_commit on.
"""

from __future__ import annotations

import itertools
import os
import shutil
import signal
import statistics
import sys
import tempfile
import time
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from uuid import uuid4

import psycopg
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from ledger import schema
from ledger.log import codec
from ledger.nursery import Nursery
from ledger.plants.entries import Cause, Lost, Stage
from ledger.postgres import Server
from tests.telling import Teller

BATCHES = 320
_UNITS = 1_000_000
_PLACE = "G1"
_FLUSHES = 50
_LIFETIME = timedelta(days=30)


class Ground:
    """A running server, and the databases that are made on it."""

    def __init__(self, server: Server) -> None:
        self._server = server
        self._cluster = server.conninfo("postgres")

    def database(self, name: str) -> str:
        """The conninfo, as owner, of a new empty database."""
        with psycopg.connect(self._cluster, autocommit=True) as connection:
            connection.execute(sql.SQL("create database {}").format(sql.Identifier(name)))
        return make_conninfo(self._cluster, dbname=name)

    def ledger(self, name: str) -> str:
        """The conninfo, as owner, of a new ledger without entries."""
        conninfo = self.database(name)
        schema.migrate(conninfo)
        return conninfo

    def host(self) -> str:
        """The folder of the server's socket, for those who want its address in parts."""
        return str(conninfo_to_dict(self._cluster)["host"])

    def version(self) -> str:
        """What PostgreSQL says it is."""
        with psycopg.connect(self._cluster) as connection:
            (version,) = connection.execute("show server_version").fetchall()[0]
            return str(version)

    def flush_ms(self) -> float:
        """What one flush to the disk under the server takes, the median of some: next to nothing means no disk."""
        taken = []
        with tempfile.TemporaryFile(dir=self._server.folder) as file:
            for _ in range(_FLUSHES):
                file.write(bytes(8192))
                file.flush()
                begun = time.perf_counter()
                os.fdatasync(file.fileno())
                taken.append(time.perf_counter() - begun)
        return statistics.median(taken) * 1000


@contextmanager
def open_ground() -> Iterator[Ground]:
    """A server of this run's own, in a temporary folder (see TMPDIR) that is gone at the end, also when it is told to end."""
    signal.signal(signal.SIGTERM, lambda number, _: sys.exit(128 + number))
    folder = Path(tempfile.mkdtemp(prefix="tallybench-"))
    folder.chmod(0o755)  # as root the server runs as another user, who must be able to enter
    try:
        with Server(folder / "postgres").use() as server:
            yield Ground(server)
    finally:
        shutil.rmtree(folder)


def stock(nursery: Nursery) -> list[str]:
    """Tell the nursery its reference values and some hundred batches of potted plants; their numbers."""
    teller = Teller(start=datetime.now(UTC) - _LIFETIME)
    nursery.post(codec.read_told(teller.beginnings()))
    fields = {"crop": "ixora-copper-thimble", "stage": "potted", "size": "P9", "place": _PLACE, "units": _UNITS}
    opened = nursery.post([teller.tell("opened", **fields) for _ in range(BATCHES)])
    return [str(getattr(entry.told, "batch")) for entry in opened.entries]  # noqa: B009 - one of several types that have it


_milliseconds = itertools.count()


def losses(batches: list[str], count: int, stage: Stage = Stage.POTTED) -> list[Lost]:
    """Small entries, one plant lost in each, a millisecond after one another, the batches in turn."""
    began = datetime.now(UTC).replace(hour=0, minute=0, second=0, microsecond=0) - _LIFETIME / 2
    return [
        Lost(
            id=uuid4(),
            occurred_at=began + timedelta(milliseconds=next(_milliseconds)),
            by="head-grower",
            batch=batch,
            stage=stage,
            place=_PLACE,
            units=1,
            cause=Cause.ROT,
        )
        for batch in itertools.islice(itertools.cycle(batches), count)
    ]
