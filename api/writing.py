"""Writing what a page or a device tells, once: two taps, or a form sent again, find what the first one wrote."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence
from uuid import UUID

from msgspec.structs import replace

from api.reader import Reader
from ledger import handling
from ledger.nursery import Posted, Turns
from ledger.plants.entries import Entry
from ledger.plants.refusals import IdReused, NotEnoughStanding, Refused


async def write(turns: Turns, reader: Reader, told: Sequence[Entry], client: str, *, count_first: bool = False) -> Posted:
    """Write entries, all or none. Raises Refused; with `count_first` what the book lacks is counted first.

    A form that is sent twice has its id, but another time: it tells what was told at the time of the first.
    """
    try:
        return await turns.post(told, client)
    except Refused as refused:
        if any(problem.code == IdReused.CODE for problem in refused.problems):
            first = await asyncio.to_thread(_first, reader, [entry.id for entry in told])
            again = [replace(entry, occurred_at=first[entry.id]) if entry.id in first else entry for entry in told]
            return await turns.post(again, client)
        if count_first and (offered := offer_of(refused)):
            return await turns.post(offered, client)
        raise


def offer_of(refused: Refused) -> list[Entry]:
    """The entries that the book would take instead: a count, and then what was told."""
    return [
        entry  # type: ignore[misc] # an offer is made of entries
        for problem in refused.problems
        if problem.code == NotEnoughStanding.CODE
        for entry in problem.offer
    ]


def _first(reader: Reader, ids: Sequence[UUID]) -> dict[UUID, object]:
    with reader.look() as cursor:
        found = [handling.entry(cursor, id) for id in ids]  # noqa: A001 - the entry's own word
    return {kept.recorded.told.id: kept.recorded.told.occurred_at for kept in found if kept is not None}
