"""A nursery with a past of some weeks, whose heads and signing key lie in a folder of the test's own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import psycopg
import pytest

from ledger import proving
from ledger.check_proof import Head
from ledger.log import codec, store
from ledger.nursery import Nursery, Posted
from ledger.plants.recorded import Recorded
from ledger.projections import runner
from ledger.seal import Seal
from tests.telling import Teller


class Books:
    """A nursery, its seal, and a teller; time goes from the first of the month before last."""

    def __init__(self, conninfo: str, folder: Path) -> None:
        self.conninfo = conninfo
        self.nursery = Nursery(conninfo)
        self.seal = Seal(folder / "signing-key.pem", folder / "heads" / "books.jsonl")
        first = datetime.now(UTC).replace(day=1, hour=8, minute=0, second=0, microsecond=0)
        #: the month before last, and the last one
        self.last = (first - timedelta(days=1)).replace(day=1)
        self.before = (self.last - timedelta(days=1)).replace(day=1)
        self.this = first
        self.teller = Teller(self.before)

    def tell(self, kind: str, /, **fields: Any) -> Recorded:
        """Tell one entry that must be taken."""
        return self.post(self.teller.fact(kind, **fields)).entries[0]

    def post(self, facts: Any) -> Posted:
        """Tell entries."""
        return self.nursery.post(codec.read_told(facts))

    def lose(self, batch: str, units: int = 1, **fields: Any) -> Recorded:
        """Some finished plants died."""
        return self.tell("lost", batch=batch, stage="finished", place="G1", units=units, cause="rot", **fields)

    def opened(self) -> str:
        """A batch that stands there from the first day on."""
        told: Any = self.tell("opened", crop="ixora-copper-thimble", stage="finished", size="P9", place="G1", units=5_000).told
        return str(told.batch)

    def sign(self) -> Head:
        """A head over all that is told so far."""
        head = proving.sign_head(self.conninfo, self.nursery, self.seal)
        assert head is not None
        return head

    def close(self, period: datetime) -> Posted:
        """Close a month."""
        return proving.close_period(self.conninfo, self.nursery, self.seal, f"{period:%Y-%m}", "head-grower")

    def audit(self) -> proving.Audited:
        """Hold the log against the heads outside."""
        return proving.audit(self.conninfo, self.seal)

    def follow(self) -> None:
        """Bring the projections up to date."""
        with psycopg.connect(store.app_conninfo(self.conninfo), autocommit=True) as connection:
            runner.follow(connection)

    @contextmanager
    def look(self) -> Iterator[psycopg.Cursor[Any]]:
        """A cursor that sees one moment."""
        with psycopg.connect(store.app_conninfo(self.conninfo)) as connection, runner.look(connection) as cursor:
            yield cursor

    def disconnect(self) -> None:
        """End every connection to the database."""
        self.query(
            "select pg_terminate_backend(pid) from pg_stat_activity"
            " where datname = current_database() and pid <> pg_backend_pid()"
        )

    def query(self, question: str, *values: Any) -> list[tuple[Any, ...]]:
        """Rows, past the program."""
        with psycopg.connect(self.conninfo) as connection:
            return connection.execute(question.encode(), values).fetchall()


@pytest.fixture
def books(database: str, tmp_path: Path) -> Iterator[Books]:
    """People, places and crops, told on the first of the month before last."""
    books = Books(database, tmp_path)
    with books.nursery:
        books.post(books.teller.beginnings())
        yield books
