"""Writing what a page or a device tells, once: two taps, or a form sent again, find what the first one wrote."""

from __future__ import annotations

import asyncio
from collections.abc import Sequence

from msgspec.structs import replace

from api.reader import Reader
from ledger import handling
from ledger.nursery import Posted, Turns
from ledger.plants.entries import Entry
from ledger.plants.refusals import IdReused, NotEnoughStanding, Refused


async def write(turns: Turns, reader: Reader, told: Sequence[Entry], client: str, *, count_first: bool = False) -> Posted:
    """Write entries, all or none. Raises Refused; with `count_first` what the book lacks is counted first.

    A form that is sent twice has its id, but another time: it tells what was told at the time of the first, and gets the
    same answer.
    """
    if count_first and (first := await asyncio.to_thread(_known, reader, told)):
        return await turns.post(first, client)
    try:
        return await turns.post(told, client)
    except Refused as refused:
        if any(problem.code == IdReused.CODE for problem in refused.problems):
            return await turns.post(await asyncio.to_thread(_known, reader, told), client)
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


def _known(reader: Reader, told: Sequence[Entry]) -> list[Entry]:
    """The same entries at the time at which they were told first, after the count told with them; none if they are new."""
    found: list[Entry] = []
    with reader.look() as cursor:
        for entry in told:
            kept = handling.entry(cursor, entry.id)
            if kept is None:
                continue
            counted = handling.counted_first(cursor, kept.recorded)
            found += [counted.told] if counted is not None else []
            found.append(replace(entry, occurred_at=kept.recorded.told.occurred_at))
    return found
