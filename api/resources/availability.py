"""What a shop may offer, from memory: sellable now, the curve of later days, and a feed of what has changed."""

from __future__ import annotations

from collections.abc import AsyncIterator
from itertools import islice
from typing import Annotated, Any

import msgspec
from litestar import MediaType, Request, Response
from litestar.params import QueryParameter
from litestar.response import Stream
from litestar.types import ASGIApp, Receive, Scope, Send
from msgspec import Struct

from api import parameters as asked
from api.fresh import FreshBoard
from api.problems import TOO_MANY_STREAMS, answer, document
from api.routes import remembering
from api.services import NamedBoard
from ledger.answers import Answer
from ledger.board import Availability, Changes, Outlook, ReadyBy, tag_of

EVENTS = "text/event-stream"
MOST_STREAMS = 64
#: with nothing to tell, a comment shows that the line still stands
KEEP_ALIVE_S = 15.0

_encode = msgspec.json.Encoder().encode


class AvailabilityList(Answer, frozen=True, kw_only=True):
    """A page of crops with all their sizes; `next` is the crop to go on after."""

    offers: list[Availability]
    next: str | None


def _answer(body: bytes, tag: str, headers: dict[str, str] | None = None) -> Response[bytes]:
    return Response(body, media_type=MediaType.JSON, headers={"ETag": tag, **(headers or {})})


def _told(found: Struct) -> Response[bytes]:
    """An answer whose ETag leaves its position out."""
    body = _encode(found)
    return _answer(body, tag_of(body.partition(b",")[2]))


@remembering("/v1/availability", scope="offer", answers=AvailabilityList, tag="Availability")
async def get_availabilities(
    board: NamedBoard,
    crop: asked.Crop = None,
    confidence: asked.Confidence = None,
    destination: asked.Destination = None,
    after: Annotated[str, QueryParameter(pattern=asked.ANY_CODE, max_length=64, description="The crop to go on after.")] = "",
    limit: asked.Limit = 200,
) -> Response[bytes]:
    """Every crop and size on offer, by crop; `limit` counts crops. `Link: rel="next"` leads on.

    The ETag stays the same while only `as_of` differs, here and at each crop and size.
    """
    fresh = await board.fresh()
    crops = [crop] if crop is not None else list(islice(fresh.crops(after), limit + 1))
    following = crops[limit - 1] if len(crops) > limit else None
    made = fresh.availabilities(crops[:limit], asked.percent(confidence), destination)
    offers = b",".join([each.body for each in made])
    body = b'{"as_of":%d,"offers":[%b],"next":%b}' % (fresh.position, offers, _encode(following))
    tag = tag_of(b"".join([each.tag.encode() for each in made]) + _encode(following))
    if following is None:
        return _answer(body, tag)
    kept = asked.kept(limit=limit, confidence=confidence, destination=destination)
    return _answer(body, tag, {"Link": f'</v1/availability?after={following}{kept}>; rel="next"'})


def ready(app: ASGIApp) -> ASGIApp:
    """Middleware: a question without parameters whose answer was made before and is still true gets its bytes from here.

    A shop asks this more often than anything else, and reading what is asked takes longer than answering it.
    """

    async def answered(scope: Scope, receive: Receive, send: Send) -> None:
        board: FreshBoard = scope["litestar_app"].state["board"]
        at_hand = None if scope.get("query_string") else board.at_hand()
        made = at_hand.kept(**scope["path_params"]) if at_hand is not None else None
        if made is None:
            await app(scope, receive, send)
            return
        length = str(len(made.body)).encode()
        headers = [(b"content-type", b"application/json"), (b"etag", made.tag.encode()), (b"content-length", length)]
        await send({"type": "http.response.start", "status": 200, "headers": headers})
        await send({"type": "http.response.body", "body": made.body, "more_body": False})

    return answered


@remembering(
    "/v1/availability/{crop:str}/{size:str}", scope="offer", answers=Availability, tag="Availability", middleware=[ready]
)
async def get_availability(
    board: NamedBoard,
    crop: asked.CropPath,
    size: asked.SizePath,
    confidence: asked.Confidence = None,
    destination: asked.Destination = None,
) -> Response[bytes]:
    """One crop and size: sellable now and how that came about, then from each later day on what may be promised in all."""
    made = (await board.fresh()).availability(crop, size, asked.percent(confidence), destination)
    return _answer(made.body, made.tag)


@remembering("/v1/availability/{crop:str}/{size:str}/ready-by", scope="offer", answers=ReadyBy, tag="Availability")
async def get_ready_by(
    board: NamedBoard,
    crop: asked.CropPath,
    size: asked.SizePath,
    quantity: Annotated[int, QueryParameter(ge=1, le=100_000, description="How many are wanted.")],
    confidence: asked.Confidence = None,
) -> Response[bytes]:
    """The earliest day on which so many may be promised, and what that rests on; or none."""
    return _told((await board.fresh()).ready_by(crop, size, quantity, asked.percent(confidence)))


@remembering("/v1/availability/{crop:str}/{size:str}/outlook", scope="read", answers=Outlook, tag="Availability")
async def get_outlook(board: NamedBoard, crop: asked.CropPath, size: asked.SizePath) -> Response[bytes]:
    """For the grower: low, middle and high of what will be there, by week; the shop never sees a range."""
    return _told((await board.fresh()).outlook(crop, size))


# --- what has changed ------------------------------------------------------------------------------------------


@remembering("/v1/availability/changes", scope="offer", answers=Changes, tag="Availability", streams=True)
async def get_changes(
    request: Request[Any, Any, Any],
    board: NamedBoard,
    after: Annotated[int, QueryParameter(ge=0, le=2**62, description="The position to go on after.")] = 0,
    limit: asked.Limit = 200,
) -> Response[Any] | Stream:
    """Crops and sizes whose answer may have changed after a position. `Link: rel="next"` leads on.

    With `Accept: text/event-stream` the same as server-sent events until either side ends it: the data of each is such an
    answer, its id the position to go on after, also from `Last-Event-ID`. At most 64 streams at a time, then 503. What
    changes by time alone (a new day, a forecast grown old) is no entry and not in here: read all anew once a day.
    """
    if EVENTS in request.headers.get("accept", ""):
        return _stream(request, board, after)
    found = (await board.fresh()).changes(after, limit)
    link = f'</v1/availability/changes?after={found.next}&limit={limit}>; rel="next"'
    return Response(found, headers={} if found.next is None else {"Link": link})


def _stream(request: Request[Any, Any, Any], board: FreshBoard, after: int) -> Response[Any] | Stream:
    if board.streams >= MOST_STREAMS:
        full = document(503, TOO_MANY_STREAMS, f"{MOST_STREAMS} streams are open: ask for the changes page by page")
        return answer(full, {"Retry-After": "60"})
    last = request.headers.get("last-event-id", "")
    if last.isascii() and last.isdigit():
        after = min(int(last), 2**62)
    return Stream(_events(board, after), media_type=EVENTS, headers={"Cache-Control": "no-store"})


async def _events(board: FreshBoard, after: int) -> AsyncIterator[bytes]:
    with board.streaming():
        yield b": changes follow\n\n"
        while not board.stopping:
            fresh = await board.fresh()
            found = fresh.changes(after)
            if found.changes:
                yield b"id: %d\nevent: changes\ndata: %b\n\n" % (found.as_of, _encode(found))
            after = max(after, fresh.position)
            if not await board.beyond(after, KEEP_ALIVE_S) and not board.stopping:
                yield b": nothing new\n\n"
