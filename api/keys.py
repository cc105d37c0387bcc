"""Who may call what: looks up the key that came with a request, and holds it against the scope of the route."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, date, datetime
from typing import Any, NamedTuple

from litestar.exceptions import NotAuthorizedException, PermissionDeniedException
from litestar.types import ASGIApp, Receive, Scope, Send
from psycopg_pool import ConnectionPool

from ledger.keys import SQL, digest_of

#: the scope of a route that needs no key
OPEN = "open"

_FRESH_S = 5.0
_MOST_REMEMBERED = 10_000


class Caller(NamedTuple):
    """Who holds the key: `client` is what the ledger notes beside an entry."""

    client: str
    scopes: frozenset[str]
    expires_at: datetime | None


_NEVER: tuple[float, Caller | None] = (0.0, None)


class Keys:
    """Looks keys up; remembers an answer for five seconds, so a revoked key ends within five seconds."""

    def __init__(self, pool: ConnectionPool[Any]) -> None:
        self._pool = pool
        self._remembered: dict[bytes, tuple[float, Caller | None]] = {}
        self._used: dict[str, date] = {}

    async def caller(self, key: str) -> Caller | None:
        """The caller, None for a key that is unknown, revoked or expired. Asks the database in a thread."""
        digest = digest_of(key)
        until, caller = self._remembered.get(digest, _NEVER)
        if until < time.monotonic():
            caller = await asyncio.to_thread(self._find, digest)
            if len(self._remembered) > _MOST_REMEMBERED:
                self._remembered.clear()
            self._remembered[digest] = (time.monotonic() + _FRESH_S, caller)
        if caller is not None and caller.expires_at is not None and caller.expires_at <= datetime.now(UTC):
            return None
        return caller

    def _find(self, digest: bytes) -> Caller | None:
        with self._pool.connection() as connection:
            row = connection.execute(SQL["find"], {"hash": digest}).fetchone()
            if row is None:
                return None
            today = datetime.now(UTC).date()
            if self._used.get(row[0]) != today:
                connection.execute(SQL["used"], {"prefix": row[0], "day": today})
                self._used[row[0]] = today
        return Caller(client=row[1], scopes=frozenset(row[2]), expires_at=row[3])


def admitted(app: ASGIApp) -> ASGIApp:
    """Middleware: every route names its scope, and who has no key with it comes no further; `open` ones need no key."""

    async def checked(scope: Scope, receive: Receive, send: Send) -> None:
        await _admit(scope)
        await app(scope, receive, send)

    return checked


async def _admit(scope: Scope) -> None:
    needed = scope["route_handler"].opt.get("scope")
    if needed == OPEN:
        return
    if needed is None:
        raise PermissionDeniedException("this route has no scope yet and is closed")
    given = next((value for name, value in scope["headers"] if name == b"authorization"), b"")
    scheme, _, key = given.decode("latin-1").partition(" ")
    if scheme.lower() != "bearer" or not key:
        raise NotAuthorizedException("send a key: Authorization: Bearer <key> (`tallybench key make` makes one)")
    keys: Keys = scope["litestar_app"].state["keys"]
    caller = await keys.caller(key.strip())
    if caller is None:
        raise NotAuthorizedException("this key is unknown, revoked or expired: ask for another")
    if needed not in caller.scopes:
        raise PermissionDeniedException(f"this key does not have the scope {needed}: it has {', '.join(sorted(caller.scopes))}")
    scope["state"] |= {"client": caller.client, "scopes": caller.scopes}
