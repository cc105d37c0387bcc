"""What the address of a page asks: a field that was left empty is one that was not given, and what is no answer is said so.

Pages are asked by forms, whose fields are all sent, also empty ones; so the API's own parameters do not fit them.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import date
from typing import NoReturn
from urllib.parse import urlencode

from litestar.exceptions import ValidationException

from api.pages.showing import Asker

_CODE = re.compile(r"[A-Za-z0-9][A-Za-z0-9-]{0,63}")


def text(request: Asker, name: str) -> str | None:
    """What was typed, None where nothing was."""
    return (request.query_params.get(name) or "").strip() or None


def code(request: Asker, name: str) -> str | None:
    """A code of a crop or a size."""
    given = text(request, name)
    if given is not None and _CODE.fullmatch(given) is None:
        _refuse(f"{name}: {given[:60]} is no code: letters, digits and hyphens")
    return given


def day(request: Asker, name: str) -> date | None:
    """A day."""
    given = text(request, name)
    try:
        return None if given is None else date.fromisoformat(given)
    except ValueError:
        _refuse(f"{name}: {given[:60] if given else ''} is no day: give it as 2027-03-02")


def one_of(request: Asker, name: str, choices: Sequence[str]) -> str:
    """One of some words; the first where none was chosen."""
    given = text(request, name) or choices[0]
    if given not in choices:
        _refuse(f"{name}: {given[:60]} is none of {', '.join(choices)}")
    return given


def repeated(**given: object) -> str:
    """The query of an address that asks the same again; empty where nothing is asked."""
    asked = {name.rstrip("_"): value for name, value in given.items() if value is not None}
    return "?" + urlencode(asked) if asked else ""


def _refuse(message: str) -> NoReturn:
    raise ValidationException(detail=message)
