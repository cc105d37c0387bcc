"""Making, listing and revoking the keys by which systems and devices reach the API.

A key is random (256 bits), so one SHA-256 is enough to keep it; slow hashes are for words that people choose. It is shown
once. Keys are not entries: secrets do not belong in a log that is kept for ever.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Sequence
from datetime import date, datetime
from typing import Literal, get_args

import psycopg
from msgspec import Struct

from ledger.log import queries, store

SQL = queries.load("ledger.log", "keys.sql")

Scope = Literal["read", "write", "offer", "promise", "books", "manage"]
SCOPES: tuple[Scope, ...] = get_args(Scope)

#: roles are sets of scopes
ROLES: dict[str, tuple[Scope, ...]] = {
    "storefront": ("offer", "promise"),
    "grower": ("read", "write"),
    "accountant": ("read", "books"),
    "owner": SCOPES,
}


class Key(Struct, frozen=True, kw_only=True):
    """What is kept of a key; `prefix` tells keys apart without giving them away."""

    prefix: str
    name: str
    scopes: list[str]
    made_at: datetime
    expires_at: datetime | None
    revoked_at: datetime | None
    last_used_on: date | None


def digest_of(key: str) -> bytes:
    """The hash under which a key is kept."""
    return hashlib.sha256(key.encode()).digest()


def make(conninfo: str, name: str, scopes: Sequence[Scope], expires_at: datetime | None = None) -> str:
    """Make a key and give it back, for the only time."""
    prefix = secrets.token_hex(4)
    key = f"tally-{prefix}-{secrets.token_urlsafe(32)}"
    values = {"prefix": prefix, "hash": digest_of(key), "name": name, "scopes": list(scopes), "expires_at": expires_at}
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        connection.execute(SQL["make"], values)
    return key


def listed(conninfo: str) -> list[Key]:
    """All keys, the newest first."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        rows = connection.execute(SQL["list"]).fetchall()
    return [Key(**dict(zip(Key.__struct_fields__, row, strict=True))) for row in rows]


def revoke(conninfo: str, prefix: str) -> str | None:
    """End a key; its name, or None if there is no such key in force."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        row = connection.execute(SQL["revoke"], {"prefix": prefix}).fetchone()
    return row[0] if row is not None else None
