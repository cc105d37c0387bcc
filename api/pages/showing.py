"""How a page is declared, made and answered: templates, the policy of what a page may load, forms that cannot be forged.

Owns no page. A page is `@page("/path", scope=...)` over a function that gives a `Page`; what changes something is
`@act("/path", scope=...)` over one that is given the form's fields, once they are known to come from our own page.
"""

from __future__ import annotations

import hmac
import inspect
from collections.abc import Awaitable, Callable
from datetime import date, datetime
from typing import Any, get_type_hints
from urllib.parse import quote

import structlog
from jinja2 import Environment, PackageLoader, StrictUndefined, select_autoescape
from litestar import MediaType, Request, Response, get, post
from litestar.exceptions import HTTPException, NotAuthorizedException, PermissionDeniedException
from litestar.handlers import HTTPRouteHandler
from litestar.response import Redirect
from msgspec import Struct

from api.sessions import Session
from ledger.answers import Unknown
from ledger.plants.refusals import Refused

_log = structlog.get_logger(__name__)

#: a page loads its own style, scripts, pictures and data, and nothing else from anywhere
POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; connect-src 'self'; manifest-src 'self'; "
    "worker-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cache-Control": "no-store",
    "Permissions-Policy": "camera=(self), microphone=(), geolocation=()",
}

templates = Environment(
    loader=PackageLoader("api", "pages"),
    autoescape=select_autoescape(),
    trim_blocks=True,
    lstrip_blocks=True,
    undefined=StrictUndefined,
)

Asker = Request[Any, Any, Any]


class Page(Struct, frozen=True, kw_only=True):
    """What a page shows: the template and what it is filled with."""

    template: str
    title: str
    shows: dict[str, Any] = {}
    status: int = 200


def _day(value: date | datetime | None) -> str:
    """Mon 2 Mar 2027."""
    return "" if value is None else f"{value:%a} {value.day} {value:%b %Y}"


def _moment(value: datetime | None) -> str:
    """Mon 2 Mar 2027, 09:05."""
    return "" if value is None else f"{_day(value)}, {value:%H:%M}"


def _number(value: int | None) -> str:
    """1,234."""
    return "" if value is None else f"{value:,}"


templates.filters |= {"day": _day, "moment": _moment, "number": _number, "quoted": lambda text: quote(str(text), safe="")}


def answer(request: Asker, page: Page) -> Response[str]:
    """The page as an answer."""
    session: Session | None = request.scope["state"].get("session")
    shows = {"session": session, "path": request.url.path, "title": page.title, **page.shows}
    text = templates.get_template(page.template).render(shows)
    return Response(text, status_code=page.status, media_type=MediaType.HTML, headers=HEADERS)


def page(path: str, *, scope: str, asks: tuple[str, ...] = ()) -> Callable[[Callable[..., Any]], HTTPRouteHandler]:
    """A page to read, made in a thread; on the event loop where the function is async. asks: the parameters that it knows."""

    def declared(function: Callable[..., Any]) -> HTTPRouteHandler:
        def shown(request: Asker, **given: Any) -> Response[Any]:
            made = function(request=request, **given)
            return answer(request, made) if isinstance(made, Page) else made

        async def shown_on_the_loop(request: Asker, **given: Any) -> Response[Any]:
            made = await function(request=request, **given)
            return answer(request, made) if isinstance(made, Page) else made

        opt = {"scope": scope, "page": scope != "open", "questions": set(asks)}
        if inspect.iscoroutinefunction(function):
            _takes_as(shown_on_the_loop, function)
            return get(path, opt=opt, include_in_schema=False)(shown_on_the_loop)
        _takes_as(shown, function)
        return get(path, sync_to_thread=True, opt=opt, include_in_schema=False)(shown)

    return declared


def act(path: str, *, scope: str) -> Callable[[Callable[..., Awaitable[Any]]], HTTPRouteHandler]:
    """What a form of ours does. The function is given `form`, a mapping of text fields; None where nothing was sent."""

    def declared(function: Callable[..., Awaitable[Any]]) -> HTTPRouteHandler:
        async def done(request: Asker, **given: Any) -> Response[Any]:
            sent = await request.form()
            form = {name: str(value).strip() for name, value in sent.multi_items() if isinstance(value, str)}
            session: Session | None = request.scope["state"].get("session")
            if session is not None:
                is_ours(request, session, form.pop("token", ""))
            made = await function(request=request, form=form, **given)
            return answer(request, made) if isinstance(made, Page) else made

        _takes_as(done, function)
        opt = {"scope": scope, "page": scope != "open", "questions": set()}
        return post(path, opt=opt, include_in_schema=False, status_code=200)(done)

    return declared


def _takes_as(outer: Callable[..., Any], inner: Callable[..., Any]) -> None:
    """The framework reads from a function what to give it: the outer one takes what the inner one does, but for the form."""
    hints = get_type_hints(inner, include_extras=True)
    parameters = [
        parameter.replace(annotation=hints[name])
        for name, parameter in inspect.signature(inner).parameters.items()
        if name != "form"
    ]
    outer.__name__, outer.__qualname__, outer.__doc__ = inner.__name__, inner.__qualname__, inner.__doc__
    outer.__signature__ = inspect.Signature(parameters, return_annotation=Response[Any])  # type: ignore[attr-defined]
    outer.__annotations__ = {parameter.name: parameter.annotation for parameter in parameters} | {"return": Response[Any]}


def is_ours(request: Asker, session: Session, token: str) -> None:
    """A form or a script's call carries the token of its session: another site cannot know it."""
    given = token or request.headers.get("x-token", "")
    if not hmac.compare_digest(given.encode(), session.token.encode()):
        raise PermissionDeniedException("this form is not of this session: load the page again, and send it once more")


# --- whose hands ---------------------------------------------------------------------------------------------------


class Unnamed(Exception):
    """Nobody has tapped their name on this device yet. back: where to come back to, as it stands in an address."""

    def __init__(self, back: str) -> None:
        super().__init__("say who holds the device first")
        self.back = back


def person_of(request: Asker) -> str | None:
    """In whose hands the device is; None until somebody has tapped their name."""
    session: Session = request.scope["state"]["session"]
    return session.person


# --- what goes wrong -----------------------------------------------------------------------------------------------


def unnamed(_: Asker, error: Unnamed) -> Response[Any]:
    """To the names, and back."""
    return Redirect(f"/who?next={error.back}", status_code=303)


def not_signed_in(request: Asker, _: NotAuthorizedException) -> Response[Any]:
    """To the sign-in, and back to where one wanted to go."""
    asked = f"?{request.url.query}" if request.url.query else ""
    wanted = request.url.path + asked if request.method == "GET" else "/today"
    return Redirect(f"/sign-in?next={quote(wanted, safe='/')}", status_code=303)


def refused(request: Asker, error: Refused) -> Response[Any]:
    """Why an entry was not taken, and what to do; nothing was written."""
    return answer(request, Page(template="refused.html", title="Not written", shows={"problems": error.problems}, status=409))


def unknown(request: Asker, error: Unknown) -> Response[Any]:
    """There is no such thing in the book."""
    return answer(request, Page(template="wrong.html", title="Not found", shows={"what": str(error)}, status=404))


def http(request: Asker, error: HTTPException) -> Response[Any]:
    """What the framework refuses."""
    shows = {"what": error.detail}
    return answer(request, Page(template="wrong.html", title="That did not work", shows=shows, status=error.status_code))


def fault(request: Asker, error: Exception) -> Response[Any]:
    """A defect of this program."""
    _log.error("fault on a page", path=request.url.path, exc_info=error)
    what = "That is a fault of this program, not of yours. It was logged, and nothing was written."
    return answer(request, Page(template="wrong.html", title="A fault of ours", shows={"what": what}, status=500))


TROUBLES: dict[Any, Any] = {
    NotAuthorizedException: not_signed_in,
    Unnamed: unnamed,
    Refused: refused,
    Unknown: unknown,
    HTTPException: http,
    Exception: fault,
}
