"""Reading connections: each read sees one moment of the ledger (REPEATABLE READ), and none of them can write."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import psycopg
from psycopg_pool import ConnectionPool

from ledger.log import store
from ledger.projections import runner

_MOST = 8


def make_pool(conninfo: str) -> ConnectionPool[store.Connection]:
    """A pool on the ledger, as the application's role; opened by the app when it starts."""
    return ConnectionPool(
        store.app_conninfo(conninfo), min_size=1, max_size=_MOST, timeout=5, open=False, check=ConnectionPool.check_connection
    )


class Reader:
    """Gives cursors: `with reader.look() as cursor`."""

    def __init__(self, pool: ConnectionPool[store.Connection]) -> None:
        self._pool = pool

    @contextmanager
    def look(self) -> Iterator[psycopg.Cursor[Any]]:
        """A cursor that sees one moment. Raises psycopg.OperationalError when the database is out of reach."""
        with self._pool.connection() as connection, runner.look(connection) as cursor:
            yield cursor
