"""What runs beside the requests: following the log, sweeping holds, and in a process of its own the forecasting and signing.

Correctness never rests on any of it: a report brings its projections up to date first, a hold holds until it is told as
expired, and without a fresh forecast nothing is promised beyond what is counted.
"""

from __future__ import annotations

import contextlib
import gc
import os
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from types import TracebackType
from typing import Self
from uuid import UUID, uuid5

import psycopg
import structlog
from msgspec import Struct

from ledger import answers, logs, proving
from ledger.forecaster import Forecaster
from ledger.log import store
from ledger.nursery import Nursery
from ledger.plants.entries import THE_LEDGER, PromiseExpired
from ledger.plants.offer import aged, distrusted
from ledger.plants.refusals import Refused
from ledger.projections import runner
from ledger.seal import NoSeal, Seal

_log = structlog.get_logger(__name__)
_MOST_SWEPT = 500
#: what comes within so short a time is forecast together, and so is what comes while others are forecast
_DEBOUNCE_S = 0.005
#: so often the log is looked at, should nobody say that it has gone on; and after trouble
_PAUSE_S, _TROUBLE_S = 2.0, 2.0
#: so often it is asked whether a day has begun for which no head is signed
_SIGN_PAUSE = timedelta(minutes=1)


class _Again:
    """A thread that does a thing again and again while the block runs, on one connection of its own.

    What goes wrong is logged, and tried again on a new connection.
    """

    def __init__(self, name: str, conninfo: str, pause_s: float) -> None:
        self._conninfo = store.app_conninfo(conninfo)
        self._connection: store.Connection | None = None
        self._busy = threading.Lock()
        self._pause_s = pause_s
        self._stopping = threading.Event()
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._stopping.set()
        self._thread.join(timeout=10)
        with self._busy:
            self._drop()

    @contextlib.contextmanager
    def _connected(self) -> Iterator[store.Connection]:
        """The connection, which is opened where there is none and dropped after trouble. One thread at a time."""
        with self._busy:
            try:
                if self._connection is None or self._connection.closed:
                    self._connection = psycopg.connect(self._conninfo, autocommit=True)
                yield self._connection
            except Exception:
                self._drop()
                raise

    def _drop(self) -> None:
        if self._connection is not None:
            self._connection.close()
        self._connection = None

    def do(self) -> object:
        """The thing."""
        raise NotImplementedError

    def _run(self) -> None:
        while not self._stopping.wait(self._pause_s):
            try:
                self.do()
            except Exception:  # noqa: BLE001 - whatever it is
                _log.exception("it will be tried again", what=self._thread.name)
                self._stopping.wait(_TROUBLE_S)


class Sweeper(_Again):
    """Tells which holds have run out. Correctness never rests on it: until it is told, a hold holds."""

    def __init__(self, conninfo: str, nursery: Nursery, pause_s: float = 1.0) -> None:
        super().__init__("sweeper", conninfo, pause_s)
        self._nursery = nursery

    def do(self) -> int:
        return self.sweep()

    def sweep(self) -> int:
        """Tell of every hold that has run out, each by itself; how many."""
        with self._connected() as connection:
            promises = [UUID(row[0]) for row in connection.execute(answers.SQL["run_out"], {"limit": _MOST_SWEPT})]
        swept = 0
        for promise in promises:
            now = datetime.now(UTC)
            expired = PromiseExpired(id=uuid5(promise, "expired"), occurred_at=now, by=THE_LEDGER, promise=promise)
            with contextlib.suppress(Refused):  # confirmed or released a moment ago
                self._nursery.post([expired], client=THE_LEDGER)
                swept += 1
        return swept


class Follower(_Again):
    """Follows the log every `pause_s` seconds; `catch_up` does it at once, in the caller's thread."""

    def __init__(self, conninfo: str, pause_s: float = 0.5) -> None:
        super().__init__("follower", conninfo, pause_s)
        #: why following last failed, None while it works: the health answer shows it
        self.trouble: str | None = None

    def do(self) -> None:
        self.catch_up()

    def catch_up(self) -> None:
        """Follow the log to its head. Raises what following raises (runner.Stuck, psycopg.OperationalError)."""
        try:
            with self._connected() as connection:
                runner.follow(connection)
            self.trouble = None
        except Exception as error:
            self.trouble = str(error)
            raise


def now() -> datetime:
    """The wall clock, which the worker goes by."""
    return datetime.now(UTC)


class Worker:
    """Forecasts what entries have touched, within moments, and every crop when a day begins. One works, others wait.

    When a day begins it signs the head of the proof; when a month begins it also measures how forecasts came true, and
    corrects the confidence if that is called for.
    """

    def __init__(self, conninfo: str, clock: Callable[[], datetime] = now) -> None:
        self._conninfo = conninfo
        self._clock = clock
        self._seal = Seal.of(conninfo)
        self._looked: datetime | None = None
        self.stopping = threading.Event()

    def run(self) -> None:
        """Work until `stopping` is set; whatever goes wrong is logged and tried again."""
        while not self.stopping.is_set():
            try:
                self._work()
            except Exception:  # noqa: BLE001 - as it says
                _log.exception("forecasting failed; it will be tried again")
                self.stopping.wait(_TROUBLE_S)

    def _work(self) -> None:
        listening = psycopg.connect(store.app_conninfo(self._conninfo), autocommit=True)
        with listening, Nursery(self._conninfo) as nursery, Forecaster(self._conninfo, nursery) as forecaster:
            if not self._alone(listening):
                return
            listening.execute("listen tallybench")
            month = self._clock().month
            while not self.stopping.is_set():
                at = self._clock()
                forecaster.catch_up(at)
                self._sign(nursery, at)
                if at.month != month:
                    forecaster.correct(at)
                    month = at.month
                for _ in listening.notifies(timeout=_PAUSE_S, stop_after=1):
                    self.stopping.wait(_DEBOUNCE_S)

    def _sign(self, nursery: Nursery, at: datetime) -> None:
        """Sign the head if a day has begun. Without a key or a place for heads the forecasting goes on, and says so."""
        if self._looked is not None and at - self._looked < _SIGN_PAUSE:
            return
        self._looked = at
        try:
            head = proving.sign_head(self._conninfo, nursery, self._seal, "day", at)
        except (NoSeal, Refused) as error:
            _log.error("no head is signed", reason=str(error))
        else:
            if head is not None:
                _log.info("head signed", **head._asdict())

    def _alone(self, connection: store.Connection) -> bool:
        """Wait until no other worker is at work on this ledger; False if it is time to stop instead."""
        while not self.stopping.is_set():
            row = connection.execute(answers.SQL["work_alone"]).fetchone()
            if row is not None and row[0]:
                return True
            self.stopping.wait(_TROUBLE_S)
        return False


def work(conninfo: str) -> None:
    """Forecast until a signal says to stop."""
    worker = Worker(conninfo)
    for stop in (signal.SIGINT, signal.SIGTERM):
        signal.signal(stop, lambda *_: worker.stopping.set())
    worker.run()


def child() -> None:
    """Forecast on behalf of another process, which writes the database's address to our input and keeps that open.

    It closes when that process ends, however it ends: so do we then.
    """
    logs.quiet()
    conninfo = sys.stdin.readline().strip()

    def end_with_the_parent() -> None:
        sys.stdin.read()
        os._exit(0)

    threading.Thread(target=end_with_the_parent, name="parent", daemon=True).start()
    gc.freeze()  # the modules stay: looking for garbage among them again and again would hold a forecast up
    work(conninfo)


class ForecastState(Struct, frozen=True, kw_only=True):
    """How fresh the forecasts are. stale: why nothing is promised beyond what is counted, of one crop at least.

    oldest_at: when the oldest forecast was made; without: crops that have none; waiting_since: when the first change came that
    no forecast has seen yet.
    """

    oldest_at: datetime | None
    without: int
    waiting_since: datetime | None
    stale: str | None


def forecast_state(cursor: answers.Cursor) -> ForecastState:
    """How fresh the forecasts are, by the database's clock."""
    policy = answers.policy_of(cursor)
    pen = cursor.execute(answers.SQL["clock"]).fetchone()
    ages = cursor.execute(answers.SQL["forecast_age"]).fetchone()
    assert pen is not None, "the migration makes the pen"
    assert ages is not None, "an aggregate has one row"
    (clock, _, last), (oldest_at, without, waiting_since) = pen, ages
    stale = distrusted(policy, last - clock) or aged(policy, clock, oldest_at, waiting_since)
    if stale is None and without:
        stale = "no-forecast"
    return ForecastState(oldest_at=oldest_at, without=without, waiting_since=waiting_since, stale=stale)


if __name__ == "__main__":
    child()
