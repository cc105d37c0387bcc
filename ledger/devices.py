"""Devices that write: which of them hold entries that the book does not have yet, or were silent for too long to tell.

What stands on such a device has happened and is not counted: whoever rests on the book's figures has to know of it.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

import psycopg
from msgspec import Struct

from ledger.keys import SQL
from ledger.plants.entries import PolicySet

Cursor = psycopg.Cursor[Any]


class Device(Struct, frozen=True, kw_only=True):
    """A device by the name of its key: when it was last heard of, and how many entries waited on it then."""

    name: str
    heard_at: datetime
    waiting: int


def read(cursor: Cursor) -> tuple[Device, ...]:
    """Every device that was ever heard of and may still write, the one longest silent first."""
    return tuple(Device(name=name, heard_at=at, waiting=waiting) for name, at, waiting in cursor.execute(SQL["devices"]))


def unheard(devices: Iterable[Device], policy: PolicySet, now: datetime) -> tuple[Device, ...]:
    """Those of which not everything is known: entries wait on them, or they were silent for longer than the policy allows."""
    since = now - timedelta(hours=policy.silent_hours)
    return tuple(device for device in devices if device.waiting or device.heard_at < since)
