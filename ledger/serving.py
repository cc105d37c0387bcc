"""Serving the API: the database opened and watched, the application started by its name, the forecaster beside it.

Imports nothing from api/. Requests are answered by this process; the forecaster is a child that ends when this process does,
however it ends, and is started again when it dies by itself.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from types import TracebackType
from typing import Self

from granian.constants import Interfaces
from granian.log import LogLevels
from granian.server.embed import Server

APPLICATION = "api.app"


def serve(conninfo: str, host: str, port: int, when_ready: Callable[[], None] = lambda: None) -> None:
    """Serve until a signal says to stop. Raises ledger.schema.WrongSchema on a database that is not this program's."""
    app = importlib.import_module(APPLICATION).create_app(conninfo)
    with Beside(conninfo):
        asyncio.run(_serve(_server(app, host, port), host, port, when_ready))


class Beside:
    """A worker in a process of its own while the block runs; one that dies is followed by another, but not at once."""

    def __init__(self, conninfo: str, pause_s: float = 5.0) -> None:
        self._conninfo = conninfo
        self._pause_s = pause_s
        self._closing = threading.Event()
        self._child: subprocess.Popen[str] | None = None
        self._thread = threading.Thread(target=self._run, name="beside", daemon=True)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._closing.set()
        self._thread.join()

    @property
    def pid(self) -> int | None:
        """The worker's process, None while there is none."""
        return self._child.pid if self._child is not None and self._child.poll() is None else None

    def _run(self) -> None:
        while not self._closing.is_set():
            begun = time.monotonic()
            self._child = subprocess.Popen([sys.executable, "-m", "ledger.worker"], stdin=subprocess.PIPE, text=True)
            assert self._child.stdin is not None, "it was asked for"
            with contextlib.suppress(OSError), self._child.stdin as address:
                address.write(f"{self._conninfo}\n")
                address.flush()
                while self._child.poll() is None and not self._closing.wait(0.2):
                    pass
            self._child.wait()
            self._closing.wait(self._pause_s - (time.monotonic() - begun))


class _Server(Server):
    """Has the application end its streams before it stops: it waits for whatever is still being answered."""

    end_streams: Callable[[], None] | None = None

    def stop(self) -> None:
        """Stop serving."""
        if self.end_streams is not None:
            self.end_streams()
        super().stop()  # type: ignore[no-untyped-call] # the library's own


def _server(app: object, host: str, port: int) -> Server:
    server = _Server(app, address=host, port=port, interface=Interfaces.ASGI, websockets=False, log_level=LogLevels.error)
    server.end_streams = getattr(getattr(app, "state", None), "end_streams", None)
    return server


async def _serve(server: Server, host: str, port: int, when_ready: Callable[[], None]) -> None:
    loop = asyncio.get_running_loop()
    for stop in (signal.SIGINT, signal.SIGTERM):
        with contextlib.suppress(NotImplementedError, ValueError, RuntimeError):  # not the main thread, or not this system
            loop.add_signal_handler(stop, server.stop)
    serving = asyncio.create_task(server.serve())
    await _until_it_answers(host, port, serving)
    when_ready()
    await serving


async def _until_it_answers(host: str, port: int, serving: asyncio.Task[None]) -> None:
    while not serving.done():
        with contextlib.suppress(OSError):
            _, writer = await asyncio.open_connection(_reachable(host), port)
            writer.close()
            return
        await asyncio.sleep(0.05)


def _reachable(host: str) -> str:
    return "127.0.0.1" if host in ("0.0.0.0", "::") else host  # noqa: S104 - compared with, not bound to


def is_free(host: str, port: int) -> bool:
    """Whether nothing listens there yet."""
    with socket.socket() as probe:
        probe.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        try:
            probe.bind((host, port))
        except OSError:
            return False
    return True


@contextlib.contextmanager
def in_background(conninfo: str, host: str, port: int) -> Iterator[str]:
    """Serve in a thread while the block runs; yields the address."""
    app = importlib.import_module(APPLICATION).create_app(conninfo)
    ready = threading.Event()
    server = _server(app, host, port)
    loop = asyncio.new_event_loop()

    def run() -> None:
        with contextlib.closing(loop):
            asyncio.set_event_loop(loop)
            loop.run_until_complete(_serve(server, host, port, ready.set))

    thread = threading.Thread(target=run, name="server", daemon=True)
    thread.start()
    ready.wait(30)
    try:
        yield f"http://{_reachable(host)}:{port}"
    finally:
        loop.call_soon_threadsafe(server.stop)
        thread.join(15)
