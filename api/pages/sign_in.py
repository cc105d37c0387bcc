"""Signing a device in with its key, and saying whose hands it is in."""

from __future__ import annotations

from typing import Any
from urllib.parse import quote

from litestar import Response
from litestar.exceptions import NotAuthorizedException
from litestar.response import Redirect

from api import sessions
from api.keys import OPEN, Keys
from api.pages.showing import Asker, Page, act, page
from api.services import NamedReader
from ledger import answers
from ledger.plants.cards import PersonCard

_MOST_PEOPLE = 200


@page("/sign-in", scope=OPEN, asks=("next",))
def get_sign_in(request: Asker) -> Page:
    """The key of the device."""
    return _sign_in(request.query_params.get("next"), None)


def _sign_in(wanted: str | None, wrong: str | None) -> Page:
    shows = {"next": _own_path(wanted), "wrong": wrong, "days": sessions.LASTS.days}
    return Page(template="sign_in.html", title="Sign in", shows=shows, status=401 if wrong else 200)


def _own_path(wanted: str | None) -> str:
    """A path of this server; anything else, which might lead elsewhere, is Today."""
    own = wanted is not None and wanted.startswith("/") and not wanted.startswith(("//", "/\\"))
    return wanted if own and wanted is not None else "/today"


@act("/sign-in", scope=OPEN)
async def post_sign_in(request: Asker, form: dict[str, str]) -> Page | Response[Any]:
    """Signed in, or told that the key is no good."""
    keys: Keys = request.app.state["keys"]
    try:
        cookie = await keys.sign_in(form.get("key", ""))
    except NotAuthorizedException as error:
        return _sign_in(form.get("next"), error.detail)
    answer = Redirect(f"/who?next={quote(_own_path(form.get('next')), safe='/')}", status_code=303)
    return _keeping(request, answer, cookie)


@page("/who", scope="read", asks=("next",))
def get_who(request: Asker, reader: NamedReader) -> Page:
    """Tap your name: a device may be in many hands."""
    with reader.look() as cursor:
        found = answers.references(cursor, "person", limit=_MOST_PEOPLE).values
    people = [each.card.value for each in found if isinstance(each.card, PersonCard) and each.card.value.active]
    shows = {"people": people, "next": _own_path(request.query_params.get("next"))}
    return Page(template="who.html", title="Who are you?", shows=shows)


@act("/who", scope="read")
async def post_who(request: Asker, form: dict[str, str]) -> Response[Any]:
    """The device is in this person's hands from now on."""
    keys: Keys = request.app.state["keys"]
    session: sessions.Session = request.scope["state"]["session"]
    cookie = await keys.hand_over(session, form.get("person", ""))
    return _keeping(request, Redirect(_own_path(form.get("next")), status_code=303), cookie)


@act("/sign-out", scope="read")
async def post_sign_out(request: Asker, form: dict[str, str]) -> Response[Any]:  # noqa: ARG001 - every act is given its form
    """This device forgets its key."""
    answer: Response[Any] = Redirect("/sign-in", status_code=303)
    answer.delete_cookie(sessions.NAME, path="/")
    return answer


def _keeping(request: Asker, answer: Response[Any], cookie: str) -> Response[Any]:
    answer.set_cookie(
        key=sessions.NAME,
        value=cookie,
        path="/",
        httponly=True,
        samesite="strict",
        secure=request.url.scheme == "https",
        max_age=int(sessions.LASTS.total_seconds()),
    )
    return answer


HANDLERS = [get_sign_in, post_sign_in, get_who, post_who, post_sign_out]
