"""The queue of a device, as the server sees it: entries that waited there, how many still do, and the page that shows them.

The entries themselves live on the device and are none of the server's until they are sent; what becomes of one is what would
have become of its form. Answers here are for the device's script: problem documents, never a redirect to the sign-in.
"""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any
from uuid import UUID

import msgspec
from litestar import Response, get, post
from litestar.exceptions import HTTPException, NotAuthorizedException, NotFoundException
from msgspec import Meta, Struct

from api import problems, slips
from api.keys import OPEN, Keys
from api.pages import acts
from api.pages.acts import Taken
from api.pages.showing import Asker, Page, is_ours, page
from api.resources.entries import require_json
from api.services import NamedBoard, NamedReader, NamedTurns
from api.sessions import Session
from ledger.answers import Unknown
from ledger.log.codec import Unreadable
from ledger.plants.refusals import Refused

_STATIC = Path(__file__).parents[1] / "static"
_OF_THE_DEVICE = {"scope": "write", "page": True}
#: what goes wrong is told to a script here
_TROUBLES: dict[Any, Any] = {
    NotAuthorizedException: problems.http,
    Refused: problems.refused,
    Unknown: problems.unknown,
    HTTPException: problems.http,
    Exception: problems.fault,
}
_NO_STORE = {"Cache-Control": "no-store"}

Short = Annotated[str, Meta(max_length=64)]
Text = Annotated[str, Meta(max_length=2_000)]


class Waiting(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """An entry as it was put into the queue: a form's kind and fields, when it was filled in, and by whom."""

    id: UUID
    kind: Short
    occurred_at: Annotated[datetime, Meta(tz=True)]
    person: Short
    fields: Annotated[dict[Short, Text], Meta(max_length=100)]


class Heard(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """How many entries the book does not have yet, those that it refused among them."""

    waiting: Annotated[int, Meta(ge=0, le=1_000_000)]


class Hands(Struct, frozen=True, kw_only=True):
    """The token that goes with what the script sends, and whose hands the device is in. Other sites cannot read it."""

    token: str
    person: str | None


@page("/queue", scope="write")
def get_queue(request: Asker) -> Page:  # noqa: ARG001 - every page is given its request
    """What this device has not sent yet, and what was refused: filled in by its own script."""
    return Page(template="queue.html", title="Not sent yet")


@get("/queue/hands", opt={**_OF_THE_DEVICE, "questions": set()}, include_in_schema=False, exception_handlers=_TROUBLES)
async def get_hands(request: Asker) -> Response[Hands]:
    """The token of the session as it is now: a page that was kept on the device holds that of an earlier one."""
    session: Session = request.scope["state"]["session"]
    return Response(Hands(token=session.token, person=session.person), headers=_NO_STORE)


@post("/queue", opt=_OF_THE_DEVICE, include_in_schema=False, exception_handlers=_TROUBLES)
async def post_queue(request: Asker, reader: NamedReader, turns: NamedTurns) -> Response[Taken]:
    """An entry of a device's queue, written once at its own time."""
    sent = await _sent(request, Waiting)
    if sent.kind not in slips.KINDS:
        raise NotFoundException(f"there is no act {sent.kind[:20]}")
    taken = await acts.take(
        reader,
        turns,
        request.state.client,
        sent.kind,
        {name: text.strip() for name, text in sent.fields.items()},
        id=sent.id,
        occurred_at=sent.occurred_at,
        by=sent.person,
    )
    return Response(taken, status_code=201, headers=_NO_STORE)


@post("/queue/heard", opt=_OF_THE_DEVICE, include_in_schema=False, status_code=204, exception_handlers=_TROUBLES)
async def post_heard(request: Asker, board: NamedBoard) -> None:
    """The device is there, and so many entries wait on it: what is answered from now on says so."""
    heard = await _sent(request, Heard)
    keys: Keys = request.app.state["keys"]
    await keys.heard(request.scope["state"]["session"], heard.waiting)
    await board.look()


async def _sent(request: Asker, shape: Any) -> Any:
    """What the script sent, once it is known to be ours. Raises PermissionDeniedException and Unreadable."""
    is_ours(request, request.scope["state"]["session"], "")
    require_json(request)
    try:
        return msgspec.json.decode(await request.body(), type=shape)
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise Unreadable(str(error)) from None


@get("/sw.js", sync_to_thread=True, opt={"scope": OPEN, "questions": set()}, include_in_schema=False)
def get_service_worker() -> Response[bytes]:
    """What keeps pages on the device; at the root, for it is for all of them."""
    headers = {"Cache-Control": "no-cache", "X-Content-Type-Options": "nosniff"}
    return Response((_STATIC / "sw.js").read_bytes(), media_type="text/javascript; charset=utf-8", headers=headers)


HANDLERS = [get_queue, get_hands, post_queue, post_heard, get_service_worker]
