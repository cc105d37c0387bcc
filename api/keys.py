"""Who may call what: looks up the key that came with a request, and holds it against the scope of the route."""

from __future__ import annotations

import asyncio
import time
from datetime import UTC, date, datetime
from typing import Any

from litestar.exceptions import NotAuthorizedException, PermissionDeniedException
from litestar.types import ASGIApp, Receive, Scope, Send
from psycopg_pool import ConnectionPool

from api import sessions
from api.sessions import Caller, Session
from ledger.keys import SQL, digest_of

#: the scope of a route that needs no key
OPEN = "open"

_FRESH_S = 5.0
_MOST_REMEMBERED = 10_000


_NEVER: tuple[float, Caller | None] = (0.0, None)
_NO_SESSION: tuple[float, Session | None] = (0.0, None)


class Keys:
    """Looks keys up; remembers an answer for five seconds, so a revoked key ends within five seconds."""

    def __init__(self, pool: ConnectionPool[Any]) -> None:
        self._pool = pool
        self._remembered: dict[bytes, tuple[float, Caller | None]] = {}
        self._sessions: dict[str, tuple[float, Session | None]] = {}
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

    async def signed_in(self, cookie: str) -> Session | None:
        """The session of a device, None where its cookie, its key or its time is no longer good."""
        prefix = cookie.split(".", 1)[0]
        until, found = self._sessions.get(cookie, _NO_SESSION)
        if until < time.monotonic():
            found = await asyncio.to_thread(self._find_device, prefix, cookie)
            if len(self._sessions) > _MOST_REMEMBERED:
                self._sessions.clear()
            self._sessions[cookie] = (time.monotonic() + _FRESH_S, found)
        return found if found is None or found.ends_at > datetime.now(UTC) else None

    async def sign_in(self, key: str) -> str:
        """A cookie for the device that has this key. Raises NotAuthorizedException."""
        if await self.caller(key) is None:
            raise NotAuthorizedException("this key is unknown, revoked or expired: ask for another")
        return sessions.made(_prefix_of(key), digest_of(key), None, datetime.now(UTC))

    async def hand_over(self, session: Session, person: str) -> str:
        """A cookie for the same device in other hands."""
        row = await asyncio.to_thread(self._device, session.prefix)
        if row is None:
            raise NotAuthorizedException("the key of this device was revoked")
        return sessions.made(session.prefix, bytes(row[4]), person or None, datetime.now(UTC))

    async def heard(self, session: Session, waiting: int) -> None:
        """Note that a device was heard of just now, and how many entries wait on it."""
        await asyncio.to_thread(self._note, session.prefix, waiting)

    def _note(self, prefix: str, waiting: int) -> None:
        with self._pool.connection() as connection:
            connection.execute(SQL["heard"], {"prefix": prefix, "waiting": waiting})

    def _device(self, prefix: str) -> tuple[Any, ...] | None:
        with self._pool.connection() as connection:
            found: tuple[Any, ...] | None = connection.execute(SQL["find_device"], {"prefix": prefix}).fetchone()
        return found

    def _find_device(self, prefix: str, cookie: str) -> Session | None:
        row = self._device(prefix)
        if row is None:
            return None
        return sessions.opened(cookie, Caller(client=row[1], scopes=frozenset(row[2]), expires_at=row[3]), bytes(row[4]))


def _prefix_of(key: str) -> str:
    """The part of a key that tells it apart without giving it away: tally-<prefix>-<secret>."""
    return key.split("-")[1] if key.count("-") > 1 else ""


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
    if scope["route_handler"].opt.get("page"):
        await _admit_to_page(scope, needed)
        return
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


async def _admit_to_page(scope: Scope, needed: str) -> None:
    """Pages are for devices that have signed in; the API takes no cookie, so that no other site can have it called."""
    keys: Keys = scope["litestar_app"].state["keys"]
    cookie = sessions.cookie_of(scope["headers"])
    session = await keys.signed_in(cookie) if cookie else None
    if session is None:
        raise NotAuthorizedException("sign this device in")
    if needed not in session.caller.scopes:
        raise PermissionDeniedException(f"the key of this device does not have the scope {needed}")
    scope["state"] |= {"client": session.caller.client, "scopes": session.caller.scopes, "session": session}
