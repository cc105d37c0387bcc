"""The log: posting entries, all or nothing, and reading them in order."""

from __future__ import annotations

import enum
from collections.abc import Sequence
from datetime import date, datetime
from typing import Annotated, Any
from uuid import UUID

from litestar import Request, Response
from litestar.exceptions import ClientException, PermissionDeniedException, ValidationException
from litestar.params import QueryParameter
from msgspec import Struct

from api import parameters as asked
from api.routes import posting, reading
from api.services import NamedReader, NamedTurns
from ledger import answers
from ledger.log import codec
from ledger.nursery import Balance, Posted
from ledger.plants.entries import (
    TYPES,
    Entry,
    PromiseConfirmed,
    Promised,
    PromiseMoved,
    PromiseReleased,
    PromiseSubstituted,
    type_of,
)
from ledger.plants.recorded import Move, Question, Recorded
from ledger.plants.refusals import Malformed, Problem, Refused
from ledger.plants.rules import NOTICED

#: entries of the promise book, which a key for writing alone may not tell
PROMISING = (Promised, PromiseConfirmed, PromiseMoved, PromiseReleased, PromiseSubstituted)
#: the closed set of types, as the query parameter's values
TypeName = enum.StrEnum("TypeName", {name: name for name in TYPES})  # type: ignore[misc] # made from the set itself


class PostedEntry(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One entry as it was written. `batch`: the batch that it made or is about, `questions`: what someone has to look at."""

    position: int
    id: UUID
    type: str
    recorded_at: datetime
    booked_on: date
    batch: str | None = None
    moves: tuple[Move, ...] = ()
    questions: tuple[Question, ...] = ()


class PostAnswer(Struct, frozen=True, kw_only=True):
    """Where the entries stand in the log, the plants they moved, and the balances right after them."""

    as_of: int
    entries: list[PostedEntry]
    balances: tuple[Balance, ...]


def answer_of(posted: Posted) -> PostAnswer:
    """What a call is told about its entries."""
    return PostAnswer(as_of=posted.as_of, entries=[_entry(entry) for entry in posted.entries], balances=posted.balances)


def _entry(recorded: Recorded) -> PostedEntry:
    told = recorded.told
    return PostedEntry(
        position=recorded.position,
        id=told.id,
        type=type_of(told),
        recorded_at=recorded.recorded_at,
        booked_on=recorded.booked_on,
        batch=getattr(told, "into", None) or getattr(told, "batch", None),
        moves=recorded.moves,
        questions=recorded.questions,
    )


def require_json(request: Request[Any, Any, Any]) -> None:
    """Bodies are JSON and say so. Raises 415."""
    kind = request.content_type[0]
    if kind != "application/json":
        raise ClientException(status_code=415, detail=f"send application/json, not {kind or 'a body without a type'}")


@posting("/v1/entries", scope="write", takes=Entry | list[Entry], answers=PostAnswer, tag="Log")
async def post_entries(request: Request[Any, Any, Any], turns: NamedTurns) -> Response[PostAnswer]:
    """Post one entry or a list, all or nothing.

    The same id with the same content gets the same answer again and writes nothing; the same id with other content is
    refused (409). Every problem of every entry is listed; where plants are in the hand that the book lacks, a problem
    carries an `offer`: entries to post instead, a count first. What the ledger tells of by itself is not taken from outside;
    entries of the promise book need the scope `promise` besides.
    """
    require_json(request)
    told = codec.read_told(codec.read_json(await request.body()))
    _may_tell(told, request.state.scopes)
    posted = await turns.post(told, request.state.client)
    return Response(answer_of(posted), status_code=201)


def _may_tell(told: Sequence[Entry], scopes: frozenset[str]) -> None:
    problems = [
        Problem(index=index, code=Malformed.CODE, detail=f"{type_of(entry)} is told by the ledger itself", field="type")
        for index, entry in enumerate(told)
        if isinstance(entry, NOTICED)
    ]
    if problems:
        raise Refused(problems)
    if "promise" not in scopes and (kind := next((type_of(entry) for entry in told if isinstance(entry, PROMISING)), None)):
        raise PermissionDeniedException(f"a {kind} entry needs the scope promise, which this key does not have")


@reading("/v1/entries", scope="read", answers=answers.Entries, tag="Log")
def get_entries(
    reader: NamedReader,
    after: Annotated[int, QueryParameter(ge=0, le=2**62, description="The position to go on after.")] = 0,
    limit: asked.Limit = 200,
    batch: Annotated[str | None, QueryParameter(pattern=asked.BATCH, max_length=12)] = None,
    crop: asked.Crop = None,
    type: Annotated[TypeName | None, QueryParameter(description="Only this type.")] = None,  # noqa: A002 - the API's word
    by: Annotated[
        str | None, QueryParameter(pattern=asked.PERSON, max_length=40, description="Only what this person told.")
    ] = None,
) -> Response[answers.Entries]:
    """The log, in order of positions. Narrow it by one of batch, crop, type or by. `Link: rel="next"` leads on."""
    narrowed = {"batch": batch, "crop": crop, "type": type, "by": by}
    chosen = [name for name, value in narrowed.items() if value is not None]
    if len(chosen) > 1:
        message = f"narrow the log by one thing at a time, not by {' and '.join(chosen)}"
        raise ValidationException(detail=message, extra=[{"key": chosen[-1], "message": message}])
    with reader.look() as cursor:
        found = answers.entries(cursor, after=after, limit=limit, by=by, batch=batch, crop=crop, type=type)
    kept = asked.kept(limit=limit, **narrowed)
    headers = {} if found.next is None else {"Link": f'</v1/entries?after={found.next}{kept}>; rel="next"'}
    return Response(found, headers=headers)
