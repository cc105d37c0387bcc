"""The one board of this process, brought up to date whenever the log has gone on: by this process or by another one.

What is asked of it is answered from memory. It is read in a thread and changed on the event loop, between two answers.
"""

from __future__ import annotations

import asyncio
import contextlib
import time
from collections.abc import AsyncIterator, Iterator

import psycopg
import structlog
from psycopg_pool import PoolTimeout

from api.reader import Reader
from ledger.board import Board, News
from ledger.log import store
from ledger.nursery import Nursery

#: so often the log is looked at, should nobody say that it has gone on
_PAUSE_S = 0.2
#: for so long the board is believed without a look at the log
_BELIEVED_S = 10.0

_log = structlog.get_logger(__name__)


class FreshBoard:
    """Keeps the board; `following` while the application runs."""

    def __init__(self, conninfo: str, reader: Reader, nursery: Nursery) -> None:
        self._conninfo = store.app_conninfo(conninfo)
        self._reader = reader
        self._nursery = nursery
        self._board = Board()
        self._seen = 0.0
        self._busy = asyncio.Lock()
        self._news = asyncio.Event()
        self.stopping = False
        self.streams = 0

    async def fresh(self) -> Board:
        """The board, with all that this process has written. Raises psycopg.OperationalError and PoolTimeout."""
        if not self._is_fresh():
            async with self._busy:
                if not self._is_fresh():  # nobody has read meanwhile
                    await self._catch_up()
        return self._board

    async def look(self) -> None:
        """Read now what has changed, devices too, of which the log knows nothing."""
        async with self._busy:
            await self._catch_up()

    def at_hand(self) -> Board | None:
        """The board, if it need not be read first."""
        return self._board if self._is_fresh() else None

    def _is_fresh(self) -> bool:
        return self._board.position >= self._nursery.position and time.monotonic() - self._seen < _BELIEVED_S

    async def beyond(self, position: int, seconds: float) -> bool:
        """Wait until the board is beyond a position, for so long at most; False if it is not."""
        with contextlib.suppress(TimeoutError):
            async with asyncio.timeout(seconds):
                while self._board.position <= position and not self.stopping:
                    await self._news.wait()
        return self._board.position > position

    @contextlib.contextmanager
    def streaming(self) -> Iterator[None]:
        """Count a stream while it is open."""
        self.streams += 1
        try:
            yield
        finally:
            self.streams -= 1

    @contextlib.asynccontextmanager
    async def following(self) -> AsyncIterator[None]:
        """Follow the log until the block ends; the board is filled when it begins."""
        await self.look()
        task = asyncio.create_task(self._follow())
        try:
            yield
        finally:
            self.stop()
            task.cancel()
            with contextlib.suppress(asyncio.CancelledError):
                await task

    def stop(self) -> None:
        """Nobody is kept waiting any longer."""
        self.stopping = True
        self._news.set()

    async def _catch_up(self) -> None:
        before = self._board.position
        self._board.take(await asyncio.to_thread(self._read))
        self._seen = time.monotonic()
        if self._board.position != before and not self.stopping:
            self._news.set()
            self._news = asyncio.Event()

    def _read(self) -> News:
        with self._reader.look() as cursor:
            return self._board.read(cursor)

    async def _follow(self) -> None:
        while True:
            try:
                async with await psycopg.AsyncConnection.connect(self._conninfo, autocommit=True) as connection:
                    await connection.execute("listen tallybench")
                    while True:
                        await self.look()
                        async for _ in connection.notifies(timeout=_PAUSE_S, stop_after=1):
                            pass
            except (psycopg.OperationalError, PoolTimeout) as error:
                _log.warning("the board cannot follow the log; it will be tried again", error=str(error))
                await asyncio.sleep(1.0)
            except Exception:  # noqa: BLE001 - whatever it is, it is logged and tried again
                _log.exception("the board cannot follow the log; it will be tried again")
                await asyncio.sleep(1.0)
