"""Sessions of devices: a cookie that says which key signed a device in, until when, and who holds it just now.

The cookie is signed with the kept hash of the key itself, a secret that the server has already: nothing more is stored, and a
session ends with its key. The token against forged forms (CSRF) is made of the same, so that both outlive a restart.
"""

from __future__ import annotations

import base64
import hashlib
import hmac
import secrets
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta
from http.cookies import CookieError, SimpleCookie
from typing import NamedTuple

NAME = "tallybench"
LASTS = timedelta(days=90)
_PARTS = 5


class Caller(NamedTuple):
    """Who holds a key: `client` is what the ledger notes beside an entry."""

    client: str
    scopes: frozenset[str]
    expires_at: datetime | None


class Session(NamedTuple):
    """A device that has signed in. person: whose hands it is in; None until somebody has tapped their name."""

    prefix: str
    caller: Caller
    person: str | None
    ends_at: datetime
    token: str


def made(prefix: str, secret: bytes, person: str | None, now: datetime) -> str:
    """A cookie's value for a device whose key has this prefix and this kept hash."""
    ends = int((now + LASTS).timestamp())
    body = f"{prefix}.{ends}.{person or ''}.{secrets.token_hex(8)}"
    return f"{body}.{_signed(secret, body)}"


def opened(value: str, caller: Caller, secret: bytes) -> Session | None:
    """The session in a cookie, None unless this key signed it and it has not ended."""
    parts = value.split(".")
    if len(parts) != _PARTS or not parts[1].isdigit():
        return None
    body, signature = value.rsplit(".", 1)
    if not hmac.compare_digest(signature.encode(), _signed(secret, body).encode()):
        return None
    ends = datetime.fromtimestamp(int(parts[1]), UTC)
    if caller.expires_at is not None:
        ends = min(ends, caller.expires_at)
    if ends <= datetime.now(UTC):
        return None
    return Session(
        prefix=parts[0],
        caller=caller,
        person=parts[2] or None,
        ends_at=ends,
        token=_signed(secret, f"form.{parts[0]}.{parts[3]}"),
    )


def cookie_of(headers: Iterable[tuple[bytes, bytes]]) -> str | None:
    """The value of our cookie among a request's headers."""
    for name, value in headers:
        if name == b"cookie":
            try:
                found = SimpleCookie(value.decode("latin-1")).get(NAME)
            except CookieError:
                return None
            if found is not None:
                return found.value
    return None


def _signed(secret: bytes, body: str) -> str:
    digest = hmac.new(secret, body.encode(), hashlib.sha256).digest()
    return base64.urlsafe_b64encode(digest).decode().rstrip("=")
