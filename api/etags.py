"""ETag and If-None-Match on every read (RFC 9110): the tag is a hash of the answer, unless the route gave its own.

Also what either conditional header may look like.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable
from typing import Any, cast

from litestar.enums import ScopeType
from litestar.types import ASGIApp, Message, Receive, Scope, Send

_OK = 200
_TAG = r'(?:W/)?"[\x21\x23-\x7e\x80-\xff]*"'
_TAGS = re.compile(rf"\*|{_TAG}(?:[ \t]*,[ \t]*{_TAG})*")


def well_formed(given: str) -> bool:
    """Whether a conditional header's value is what RFC 9110 lets stand there: a star or entity tags."""
    return _TAGS.fullmatch(given.strip(" \t")) is not None


def conditional(app: ASGIApp) -> ASGIApp:
    """Middleware: tag answers of GET, and answer 304 where the caller has that answer already."""

    async def tagged(scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != ScopeType.HTTP or scope["method"] not in ("GET", "HEAD"):
            await app(scope, receive, send)
            return
        wanted = _header(scope["headers"], b"if-none-match")
        start: dict[str, Any] = {}

        async def watch(message: Message) -> None:
            if message["type"] == "http.response.start":
                start.update(message)
                if message["status"] != _OK:
                    await send(message)
                return
            if message["type"] == "http.response.body" and start.get("status") == _OK:
                if message.get("more_body"):
                    await _send_start(start, [], send)
                    start["status"] = None  # a stream: passed on as it comes, without a tag
                else:
                    await _answer(start, message, wanted, send)
                    return
            await send(message)

        await app(scope, receive, watch)

    return cast("ASGIApp", tagged)


def _header(headers: Iterable[tuple[bytes, bytes]], wanted: bytes) -> str:
    return next((value for name, value in headers if name == wanted), b"").decode("latin-1")


async def _send_start(start: dict[str, Any], headers: list[tuple[bytes, bytes]], send: Send) -> None:
    await send(cast("Message", {**start, "headers": [*start["headers"], *headers]}))


async def _answer(start: dict[str, Any], body: Any, wanted: str, send: Send) -> None:
    own = _header(start["headers"], b"etag")
    tag = own or f'"{hashlib.sha256(body["body"]).hexdigest()[:24]}"'
    if wanted and (wanted.strip() == "*" or tag in [part.strip().removeprefix("W/") for part in wanted.split(",")]):
        message = {"type": "http.response.start", "status": 304, "headers": [(b"etag", tag.encode())]}
        await send(cast("Message", message))
        await send({"type": "http.response.body", "body": b"", "more_body": False})
        return
    if own:
        await send(cast("Message", start))
    else:
        await _send_start(start, [(b"etag", tag.encode())], send)
    await send(body)
