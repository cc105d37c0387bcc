"""The promise book for an order system: baskets held, confirmed, moved, released, and what of it is at risk.

Every call that writes needs an Idempotency-Key (the IETF's draft: a quoted string): the same key with the same body gets
the same answer again, with another body 422; while the first call is still being answered, 409.
"""

from __future__ import annotations

import asyncio
import hashlib
import re
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from typing import Annotated, Any, Literal
from uuid import NAMESPACE_URL, UUID, uuid5

from litestar import Request, Response
from litestar.params import PathParameter, QueryParameter
from msgspec import Struct

from api import parameters as asked
from api.problems import KEY_IN_PROGRESS, KEY_REUSED, NEEDS_KEY, answer, document
from api.reader import Reader
from api.resources.entries import require_json
from api.routes import PROMISE_FILLED_IN, promising, reading
from api.services import NamedBoard, NamedReader, NamedTurns
from ledger import answers
from ledger.board import Board
from ledger.log import codec
from ledger.nursery import Posted, Turns
from ledger.plants.entries import (
    Entry,
    PromiseConfirmed,
    Promised,
    PromiseMoved,
    PromiseReleased,
    PromiseSubstituted,
    type_of,
)
from ledger.plants.forecasts import Basis
from ledger.plants.recorded import Grant
from ledger.plants.refusals import IdReused, Malformed, Problem, Refused

_SPACE = uuid5(NAMESPACE_URL, "tallybench:promise")
_KEY = re.compile(r'^"([\x20-\x21\x23-\x5b\x5d-\x7e]{1,255})"$')
#: so many calls are watched for one that comes a second time meanwhile; beyond that their ids alone keep them apart
_MOST_IN_PROGRESS = 10_000
PromisePath = Annotated[UUID, PathParameter(description="The promise's id.")]


class BasketAnswer(Struct, frozen=True, kw_only=True):
    """A line of the basket: what was granted for `due`, which is a later day than the one asked for if `later`.

    basis: what that rests on, at `confidence` where it is not counted stock. papers: what has to travel with the plants.
    refused: why the nursery's own list does not send them there; official rules come first. rest_ready_by: when the rest can
    be promised, if ever.
    """

    line: int
    crop: str
    size: str
    asked: int
    granted: int
    status: Literal["granted", "part", "declined"]
    due: date
    later: bool
    basis: Basis | None
    confidence: float | None
    potting_on: date | None
    papers: tuple[str, ...]
    refused: str | None
    rest_ready_by: date | None


class Granted(Struct, frozen=True, kw_only=True):
    """The promise: held until `expires_at` unless it is confirmed."""

    as_of: int
    promise: UUID
    order: str
    expires_at: datetime
    lines: list[BasketAnswer]


@promising("/v1/promises", takes=Promised, answers=Granted)
async def post_promise(request: Request[Any, Any, Any], board: NamedBoard, turns: NamedTurns) -> Response[Any]:
    """Promise a basket to an order: all lines, or with `all_or_none` false as many as can be granted.

    Each line is granted from counted stock, from what the forecast says will be there, or by asking for potting; with
    `allow_part` fewer, with `allow_later` all of them on a later day. The promise is a hold that expires unless it is
    confirmed. Sent again under its key it gives the same grants; only the days for the rest may be newer.
    """
    posted = await _tell(request, turns, Promised)
    if isinstance(posted, Response):
        return posted
    recorded = posted.entries[0]
    told = recorded.told
    assert isinstance(told, Promised)
    grants = {grant.line: grant for grant in recorded.grants}
    fresh = await board.fresh()
    lines = [_line(fresh, told, index, grants.get(index)) for index in range(len(told.lines))]
    assert told.hold_minutes is not None, "decide fills it in"
    expires_at = told.occurred_at + timedelta(minutes=told.hold_minutes)
    return Response(
        Granted(as_of=posted.as_of, promise=told.id, order=told.order, expires_at=expires_at, lines=lines), status_code=201
    )


def _line(board: Board, told: Promised, index: int, grant: Grant | None) -> BasketAnswer:
    line = told.lines[index]
    assert line.due is not None, "decide fills it in"
    granted = grant.units if grant is not None else 0
    due = grant.due if grant is not None else line.due
    there = board.destination(line.crop, told.region, due)
    refused = there.refused if there is not None and grant is None else None
    rest = None
    if granted < line.units and refused is None:
        rest = board.ready_by(line.crop, line.size, line.units - granted).ready_by
    return BasketAnswer(
        line=index,
        crop=line.crop,
        size=line.size,
        asked=line.units,
        granted=granted,
        status="granted" if granted == line.units else "part" if granted else "declined",
        due=due,
        later=due > line.due,
        basis=grant.basis if grant is not None else None,
        confidence=grant.confidence / 100 if grant is not None and grant.confidence is not None else None,
        potting_on=grant.potting.on if grant is not None and grant.potting is not None else None,
        papers=grant.papers if grant is not None else (),
        refused=refused,
        rest_ready_by=rest,
    )


@promising("/v1/promises/{promise:uuid}/confirm", takes=PromiseConfirmed, answers=answers.PromiseAnswer)
async def confirm_promise(
    request: Request[Any, Any, Any], reader: NamedReader, turns: NamedTurns, promise: PromisePath
) -> Response[Any]:
    """The buyer has bought: the promise no longer expires.

    Confirming a hold that has run out is a new attempt in the same call: it is answered with what is granted now, as the basket
    was asked for; or refused with what is there and the first day on which all of it would be.
    """
    return await _change(request, reader, turns, PromiseConfirmed, promise)


@promising("/v1/promises/{promise:uuid}/release", takes=PromiseReleased, answers=answers.PromiseAnswer)
async def release_promise(
    request: Request[Any, Any, Any], reader: NamedReader, turns: NamedTurns, promise: PromisePath
) -> Response[Any]:
    """Give back what is open of a promise, or of one of its lines."""
    return await _change(request, reader, turns, PromiseReleased, promise)


@promising("/v1/promises/{promise:uuid}/move", takes=PromiseMoved, answers=answers.PromiseAnswer)
async def move_promise(
    request: Request[Any, Any, Any], reader: NamedReader, turns: NamedTurns, promise: PromisePath
) -> Response[Any]:
    """Move a line to another day: to a later one freely, to an earlier one if it could be promised for it.

    The list of what may be sent where is looked at again: the line may need other papers then, or be refused.
    """
    return await _change(request, reader, turns, PromiseMoved, promise)


@promising("/v1/promises/{promise:uuid}/substitute", takes=PromiseSubstituted, answers=answers.PromiseAnswer)
async def substitute_promise(
    request: Request[Any, Any, Any], reader: NamedReader, turns: NamedTurns, promise: PromisePath
) -> Response[Any]:
    """Give back what is open of a line and grant something else in its place, as a new last line: both or neither."""
    return await _change(request, reader, turns, PromiseSubstituted, promise)


@reading("/v1/promises/{promise:uuid}", scope="promise", answers=answers.PromiseAnswer, tag="Promises")
def get_promise(reader: NamedReader, promise: PromisePath) -> answers.PromiseAnswer:
    """A promise: its lines, what is open and picked of them, and what is at risk."""
    return _promise(reader, promise)


@reading("/v1/promises", scope="read", answers=answers.Promises, tag="Promises")
def get_promises(
    reader: NamedReader,
    in_state: Annotated[
        Literal["held", "confirmed", "released", "expired"] | None,
        QueryParameter(name="state", description="Only in this state."),
    ] = None,
    order: Annotated[str | None, QueryParameter(pattern=asked.ORDER, max_length=64, description="Only of this order.")] = None,
    at_risk: Annotated[bool, QueryParameter(description="Only those with a line that may not be there on its day.")] = False,
    after: Annotated[
        str, QueryParameter(pattern=asked.ANY_CODE, max_length=36, description="The promise to go on after.")
    ] = "",
    limit: asked.Limit = 200,
) -> Response[answers.Promises]:
    """Promises in the order of their ids. `Link: rel="next"` leads on."""
    with reader.look() as cursor:
        found = answers.promises(cursor, state=in_state, order=order, only_at_risk=at_risk, after=after, limit=limit)
    kept = asked.kept(state=in_state, order=order, at_risk="true" if at_risk else None, limit=limit)
    headers = {} if found.next is None else {"Link": f'</v1/promises?after={found.next}{kept}>; rel="next"'}
    return Response(found, headers=headers)


# --- telling ---------------------------------------------------------------------------------------------------


class InProgress:
    """Calls that are being answered in this process, by the id of their entry: that is, by caller, path and Idempotency-Key.

    It tells a client that is too quick, no more: that nothing is done twice follows from the entry's id, in every process.
    """

    def __init__(self) -> None:
        self._ids: set[str] = set()

    @contextmanager
    def holding(self, call: str) -> Iterator[bool]:
        """Hold a call's id while it is answered; False if another one holds it."""
        if call in self._ids:
            yield False
        elif len(self._ids) >= _MOST_IN_PROGRESS:
            yield True
        else:
            self._ids.add(call)
            try:
                yield True
            finally:
                self._ids.discard(call)


async def _change(
    request: Request[Any, Any, Any], reader: Reader, turns: Turns, kind: type[Entry], promise: UUID
) -> Response[Any]:
    posted = await _tell(request, turns, kind, promise=str(promise))
    if isinstance(posted, Response):
        return posted
    return Response(await asyncio.to_thread(_promise, reader, promise), status_code=201)


def _promise(reader: Reader, promise: UUID) -> answers.PromiseAnswer:
    with reader.look() as cursor:
        return answers.promise(cursor, str(promise))


async def _tell(request: Request[Any, Any, Any], turns: Turns, kind: type[Entry], **filled: str) -> Posted | Response[bytes]:
    """Write the body as an entry whose id follows from the caller and its key; or what is wrong with the key."""
    require_json(request)
    given = _KEY.match(request.headers.get("idempotency-key", ""))
    if given is None:
        detail = 'send Idempotency-Key: "<a string of your own for this call>", quoted, the same when you send it again'
        return answer(document(400, NEEDS_KEY, detail))
    body = await request.body()
    value = codec.read_json(body)
    if not isinstance(value, dict):
        raise Refused([Problem(index=0, code=Malformed.CODE, detail="send one JSON object")])
    for name in ("type", *PROMISE_FILLED_IN):
        if name in value:
            raise Refused([Problem(index=0, code=Malformed.CODE, detail=f"leave {name} out: it is filled in here", field=name)])
    told = {**value, **filled, "type": type_of(kind), "occurred_at": datetime.now(UTC).isoformat()}
    told["id"] = str(uuid5(_SPACE, f"{request.state.client}/{request.url.path}/{given[1]}"))
    digest = hashlib.sha256(codec.canonical(value)).digest()
    in_progress: InProgress = request.app.state["in_progress"]
    try:
        with in_progress.holding(told["id"]) as first:
            if not first:
                detail = "the first call with this Idempotency-Key is still being answered: send the same again in a moment"
                return answer(document(409, KEY_IN_PROGRESS, detail), {"Retry-After": "1"})
            return await turns.post(codec.read_told(told), request.state.client, digests=[digest])
    except Refused as refused:
        if refused.problems[0].code == IdReused.CODE:
            return answer(document(422, KEY_REUSED, "this Idempotency-Key was sent with another body: use a new one"))
        raise
