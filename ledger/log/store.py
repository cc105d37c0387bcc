"""Reading and appending: entries in and out of PostgreSQL, and the settings every connection must have.

The pen is taken and put down here; what is decided between the two is the nursery's.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from typing import Any
from uuid import UUID

import psycopg
from psycopg.conninfo import conninfo_to_dict, make_conninfo
from psycopg.rows import TupleRow

from ledger.log import codec, queries
from ledger.plants.entries import type_of
from ledger.plants.recorded import Recorded

SQL = queries.load("ledger.log", "log.sql")

Connection = psycopg.Connection[TupleRow]

SEARCH_PATH = "p_cards, p_lines, p_passages, p_books, p_proof, public"

_SETTINGS = {
    "search_path": SEARCH_PATH.replace(" ", ""),
    "TimeZone": "UTC",
    "lock_timeout": "10s",
    "idle_in_transaction_session_timeout": "30s",
}


def app_conninfo(conninfo: str, **settings: str) -> str:
    """The same database as the application's role, which may add to the log and never change it."""
    parts = conninfo_to_dict(conninfo)
    options = [str(parts.pop("options", "") or "")]
    options += [f"-c {name}={value}" for name, value in {"role": "tallybench_app", **_SETTINGS, **settings}.items()]
    return make_conninfo("", **{**parts, "options": " ".join(options).strip()})


def owner_conninfo(conninfo: str) -> str:
    """The same database as its owner, for building tables: no time limits, the same search path."""
    return app_conninfo(conninfo, role="none", lock_timeout="0", idle_in_transaction_session_timeout="0")


def append(cursor: psycopg.Cursor[Any], written: Sequence[Recorded], digests: Mapping[UUID, bytes]) -> None:
    """Write entries; the caller holds the pen and puts it down at the last of them.

    `digests`, by id, are those of the entries as they were told, before a batch number was filled in: so the same again is
    known for the same.
    """
    cursor.execute(
        SQL["append"],
        {
            "last": written[-1].position,
            "now": written[-1].recorded_at,
            "position": [entry.position for entry in written],
            "id": [entry.told.id for entry in written],
            "type": [type_of(entry.told) for entry in written],
            "schema": [type(entry.told).SCHEMA for entry in written],
            "occurred_at": [entry.told.occurred_at for entry in written],
            "recorded_at": [entry.recorded_at for entry in written],
            "booked_on": [entry.booked_on for entry in written],
            "person": [entry.told.by for entry in written],
            "client": [entry.client for entry in written],
            "reverses": [codec.reverses(entry.told) for entry in written],
            "digest": [digests[entry.told.id] for entry in written],
            "content": [codec.encode(entry).decode() for entry in written],
        },
    )
    cursor.execute(SQL["tell"])


def known(cursor: psycopg.Cursor[Any], ids: Sequence[UUID]) -> tuple[datetime, dict[UUID, tuple[bytes, Recorded]]]:
    """The database's clock, and (digest, entry) of those ids that the log knows."""
    rows = cursor.execute(SQL["known"], {"ids": list(ids)}).fetchall()
    found = {row[1]: (bytes(row[2]), codec.decode(row[5], row[3], row[4])) for row in rows if row[1] is not None}
    return rows[0][0], found


def reversed_of(cursor: psycopg.Cursor[Any], ids: Sequence[UUID]) -> set[UUID]:
    """Those of these ids that have been taken back."""
    return {row[0] for row in cursor.execute(SQL["reversed_of"], {"ids": list(ids)})}


def head(cursor: psycopg.Cursor[Any]) -> int:
    """The last position, 0 for an empty log."""
    row = cursor.execute(SQL["head"]).fetchone()
    assert row is not None
    return int(row[0])


def read(cursor: psycopg.Cursor[Any], after: int, limit: int) -> list[Recorded]:
    """Up to `limit` entries after a position, in order."""
    rows = cursor.execute(SQL["after"], {"after": after, "limit": limit})
    return [codec.decode(content, kind, schema) for kind, schema, content in rows]


def replay(connection: Connection, after: int = 0, upto: int = 2**62) -> Iterator[Recorded]:
    """The log in order, streamed by a server-side cursor: memory stays bounded."""
    with connection.cursor(name="replay") as cursor:
        cursor.itersize = 5_000
        cursor.execute(SQL["all_after"], {"after": after, "upto": upto})
        for kind, schema, content in cursor:
            yield codec.decode(content, kind, schema)
