"""Follows the log: keeps the projections that are not written with the pen up to date, beside the requests.

Correctness never rests on it: a report brings its projections up to date first, the worker only keeps that short.
"""

from __future__ import annotations

import contextlib
import threading
from datetime import UTC, datetime
from types import TracebackType
from typing import Self
from uuid import UUID, uuid5

import psycopg
import structlog

from ledger import answers
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.entries import THE_LEDGER, PromiseExpired
from ledger.plants.refusals import Refused
from ledger.projections import runner

_log = structlog.get_logger(__name__)
_MOST_SWEPT = 500


class Sweeper:
    """A thread that tells which holds have run out. Correctness never rests on it: until it is told, a hold holds."""

    def __init__(self, conninfo: str, nursery: Nursery, pause_s: float = 1.0) -> None:
        self._conninfo = store.app_conninfo(conninfo)
        self._nursery = nursery
        self._pause_s = pause_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="sweeper", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._stopping.set()
        self._thread.join(timeout=10)

    def sweep(self) -> int:
        """Tell of every hold that has run out, each by itself; how many."""
        with psycopg.connect(self._conninfo) as connection:
            promises = [UUID(row[0]) for row in connection.execute(answers.SQL["run_out"], {"limit": _MOST_SWEPT})]
        swept = 0
        for promise in promises:
            now = datetime.now(UTC)
            expired = PromiseExpired(id=uuid5(promise, "expired"), occurred_at=now, by=THE_LEDGER, promise=promise)
            with contextlib.suppress(Refused):  # confirmed or released a moment ago
                self._nursery.post([expired], client=THE_LEDGER)
                swept += 1
        return swept

    def _run(self) -> None:
        while not self._stopping.wait(self._pause_s):
            try:
                self.sweep()
            except Exception:  # noqa: BLE001 - whatever it is, it is logged and tried again
                _log.exception("sweeping holds failed; it will be tried again")
                self._stopping.wait(2.0)


class Follower:
    """A thread that follows the log every `pause_s` seconds; `catch_up` does it at once, in the caller's thread."""

    def __init__(self, conninfo: str, pause_s: float = 0.5) -> None:
        self._conninfo = store.app_conninfo(conninfo)
        self._pause_s = pause_s
        self._connection: store.Connection | None = None
        self._busy = threading.Lock()
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name="follower", daemon=True)
        #: why following last failed, None while it works: the health answer shows it
        self.trouble: str | None = None

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._stopping.set()
        self._thread.join(timeout=10)
        with self._busy:
            if self._connection is not None:
                self._connection.close()

    def catch_up(self) -> None:
        """Follow the log to its head. Raises what following raises (runner.Stuck, psycopg.OperationalError)."""
        with self._busy:
            try:
                if self._connection is None or self._connection.closed:
                    self._connection = psycopg.connect(self._conninfo)
                runner.follow(self._connection)
                self.trouble = None
            except Exception as error:
                self.trouble = str(error)
                if self._connection is not None:
                    self._connection.close()
                self._connection = None
                raise

    def _run(self) -> None:
        while not self._stopping.wait(self._pause_s):
            try:
                self.catch_up()
            except Exception:  # noqa: BLE001 - whatever it is, it is logged, shown by the health answer, and tried again
                _log.exception("following the log failed; it will be tried again")
                self._stopping.wait(2.0)
