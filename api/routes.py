"""How a route is declared: its path, its scope, and the shapes it takes and answers, which the OpenAPI document repeats."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from litestar import get, post, put
from litestar.handlers import HTTPRouteHandler
from litestar.types import Middleware

#: what the server fills in of an entry: the time, the id, and what the path says
SETTING_FILLED_IN = ("id", "occurred_at")
PROMISE_FILLED_IN = ("id", "occurred_at", "promise")

Handler = Callable[[Callable[..., Any]], HTTPRouteHandler]


def reading(path: str, *, scope: str, answers: Any, tag: str) -> Handler:
    """A GET that is answered in a thread from the database."""
    return get(path, sync_to_thread=True, opt={"scope": scope, "answers": answers}, tags=[tag])


def remembering(
    path: str, *, scope: str, answers: Any, tag: str, streams: bool = False, middleware: Sequence[Middleware] = ()
) -> Handler:
    """A GET that is answered from memory, on the event loop. streams: the same as server-sent events, to who accepts them."""
    return get(path, opt={"scope": scope, "answers": answers, "streams": streams}, tags=[tag], middleware=middleware)


def posting(path: str, *, scope: str, takes: Any, answers: Any, tag: str) -> Handler:
    """A POST that writes entries."""
    return post(path, opt={"scope": scope, "answers": answers, "takes": takes}, tags=[tag])


def promising(path: str, *, takes: Any, answers: Any) -> Handler:
    """A POST of the promise book: needs an Idempotency-Key, and fills in what its body leaves out of the entry."""
    opt = {"scope": "promise", "answers": answers, "takes": takes, "fills_in": PROMISE_FILLED_IN, "keyed": True}
    return post(path, opt=opt, tags=["Promises"])


def replacing(path: str, *, scope: str, takes: Any, answers: Any, tag: str) -> Handler:
    """A PUT of a reference value: If-Match with its version, or If-None-Match: * for a new one."""
    return put(
        path,
        opt={"scope": scope, "answers": answers, "takes": takes, "versioned": True, "fills_in": SETTING_FILLED_IN},
        tags=[tag],
    )
