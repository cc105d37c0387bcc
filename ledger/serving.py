"""Serving the API from one process: the database opened and watched, the application started by its name.

Imports nothing from api/. One process, so that what is killed is the whole of it.
"""

from __future__ import annotations

import asyncio
import contextlib
import importlib
import signal
import socket
import threading
from collections.abc import Callable, Iterator

from granian.constants import Interfaces
from granian.log import LogLevels
from granian.server.embed import Server

APPLICATION = "api.app"


def serve(conninfo: str, host: str, port: int, when_ready: Callable[[], None] = lambda: None) -> None:
    """Serve until a signal says to stop. Raises ledger.schema.WrongSchema on a database that is not this program's."""
    app = importlib.import_module(APPLICATION).create_app(conninfo)
    asyncio.run(_serve(_server(app, host, port), host, port, when_ready))


def _server(app: object, host: str, port: int) -> Server:
    return Server(app, address=host, port=port, interface=Interfaces.ASGI, websockets=False, log_level=LogLevels.error)


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
