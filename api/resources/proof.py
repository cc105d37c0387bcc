"""The proof of the books, the close of a period, and what came late. An answer that is saved is what check_proof reads."""

from __future__ import annotations

import asyncio
from datetime import UTC, date, datetime
from typing import Annotated, Any

import msgspec
from litestar import Request, Response
from litestar.exceptions import ValidationException
from litestar.params import PathParameter, QueryParameter
from msgspec import Struct

from api import parameters as asked
from api.reader import Reader
from api.resources.entries import require_json
from api.routes import posting, reading
from api.services import NamedFollower, NamedReader, NamedSeal, NamedTurns
from ledger import answers, proving
from ledger.log import codec
from ledger.plants.desk import day_of
from ledger.plants.entries import END, Entry, PersonCode
from ledger.plants.refusals import Malformed, Problem, Refused
from ledger.seal import Seal
from ledger.worker import Follower

_MOST = 2**53
_LONG_AGO = date(2000, 1, 1)
PeriodPath = Annotated[str, PathParameter(pattern=r"^[0-9]{4}-(0[1-9]|1[0-2])" + END, max_length=7)]
PositionPath = Annotated[str, PathParameter(pattern=r"^[1-9][0-9]{0,14}" + END, max_length=15)]
Size = Annotated[
    int | None,
    QueryParameter(ge=1, le=_MOST, description="For the log of this size; the first signed head over it if left out."),
]


class Close(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Who closes the period."""

    by: PersonCode


class Closed(Struct, frozen=True, kw_only=True):
    """The period is closed on this head, which is written outside of the database as well."""

    as_of: int
    period: str
    head: proving.SignedHead


@posting("/v1/periods/{period:str}/close", scope="books", takes=Close, answers=Closed, tag="Proof")
async def close_period(
    request: Request[Any, Any, Any],
    period: PeriodPath,
    turns: NamedTurns,
    follower: NamedFollower,
    reader: NamedReader,
    seal: NamedSeal,
) -> Response[Closed]:
    """Close a month, and all before it: the one after the last closed month, once it is over.

    What is told of it later counts on the first open day; its true day stays beside it (`/v1/reports/late`). The head of the
    proof is signed with it. A close is not taken back.
    """
    require_json(request)
    try:
        told = msgspec.convert(codec.read_json(await request.body()), Close)
    except msgspec.ValidationError as error:
        raise Refused([Problem(index=0, code=Malformed.CODE, detail=str(error), field="by")]) from error
    entries = await asyncio.to_thread(_prepared, follower, reader, seal, period, told.by)
    posted = await turns.post(entries, request.state.client)
    signed = posted.entries[0].told
    head = next(head for head in seal.kept()[0] if head.signature == getattr(signed, "signature", None))
    return Response(Closed(as_of=posted.as_of, period=period, head=proving.SignedHead(**head._asdict())), status_code=201)


def _prepared(follower: Follower, reader: Reader, seal: Seal, period: str, by: str) -> list[Entry]:
    follower.catch_up()
    with reader.look() as cursor:
        return proving.closing_entries(cursor, seal, period, by)


@reading("/v1/proof/head", scope="books", answers=proving.HeadAnswer, tag="Proof")
def get_head(follower: NamedFollower, reader: NamedReader) -> proving.HeadAnswer:
    """The Merkle tree over the stored bytes of all entries (RFC 9162, SHA-256): its size, its root, the last signed head."""
    follower.catch_up()
    with reader.look() as cursor:
        return proving.head_answer(cursor)


@reading("/v1/proof/entries/{position:str}", scope="books", answers=proving.Inclusion, tag="Proof")
def get_inclusion(follower: NamedFollower, reader: NamedReader, position: PositionPath, size: Size = None) -> proving.Inclusion:
    """The proof that an entry, with its stored bytes, is in the log."""
    follower.catch_up()
    with reader.look() as cursor:
        return proving.inclusion(cursor, int(position), size)


@reading("/v1/proof/consistency", scope="books", answers=proving.Consistency, tag="Proof")
def get_consistency(
    follower: NamedFollower,
    reader: NamedReader,
    first: Annotated[int, QueryParameter(name="from", ge=1, le=_MOST, description="The smaller size.")],
    second: Annotated[int, QueryParameter(name="to", ge=1, le=_MOST, description="The larger size.")],
) -> proving.Consistency:
    """The proof that the log of one size begins with the log of another: nothing before was altered, removed or put in."""
    follower.catch_up()
    with reader.look() as cursor:
        return proving.consistency(cursor, first, second)


@reading("/v1/reports/late", scope="books", answers=proving.LateReport, tag="Books")
def get_late(reader: NamedReader, since: asked.Since = None, until: asked.Until = None) -> proving.LateReport:
    """What the books count in these days that had happened in a period closed by then, each with its true day."""
    with reader.look() as cursor:
        first = since or _LONG_AGO
        last = until or day_of(datetime.now(UTC), answers.policy_of(cursor))
        if first > last:
            message = f"the period ends ({last}) before it begins ({first})"
            raise ValidationException(detail=message, extra=[{"key": "to", "message": message}])
        return proving.late_report(cursor, first, last)
