"""The one mapping from refusals to HTTP: problem documents (RFC 9457) with a stable `code`, all problems listed.

Where several problems meet, the status is that of the gravest: a body that cannot be read, then what is wrong in itself
(422), then what the state of the book forbids (409).
"""

from __future__ import annotations

import traceback
from enum import Enum
from typing import Any, Literal, get_args, get_origin

import msgspec
import structlog
from litestar import Request, Response
from litestar.exceptions import HTTPException, ValidationException
from msgspec import Struct

from ledger.answers import Unknown
from ledger.books.statement import DoesNotTie
from ledger.log.codec import Unreadable
from ledger.plants import refusals
from ledger.plants.refusals import Problem, Refused
from ledger.projections.runner import Stuck
from ledger.seal import NoSeal
from ledger.statements import StillToCome

MEDIA_TYPE = "application/problem+json"
_log = structlog.get_logger(__name__)

UNREADABLE = "unreadable"
UNAVAILABLE = "unavailable"
NOT_FOUND = "not-found"
NO_KEY = "no-key"
NOT_ALLOWED = "not-allowed"
BAD_QUESTION = "bad-question"
NEEDS_VERSION = "needs-version"
NEEDS_KEY = "needs-idempotency-key"
KEY_REUSED = "idempotency-key-reused"
KEY_IN_PROGRESS = "idempotency-key-in-progress"
BAD_VERSION = "not-a-version"
BAD_IF_MATCH = "malformed-if-match"
STUCK = "stuck"
DOES_NOT_TIE = "does-not-tie"
NO_SEAL = "no-seal"
TOO_MANY_STREAMS = "too-many-streams"
HTTP = "http"
FAULT = "fault"

#: codes that are no refusal of an entry: the status and the meaning of each
OTHER_CODES: dict[str, tuple[int | str, str]] = {
    UNREADABLE: (400, "The body is not JSON that can be meant: broken, not UTF-8, a key twice, too deep."),
    BAD_QUESTION: (400, "A query parameter is unknown or out of bounds."),
    NO_KEY: (401, "There is no key, or it is unknown, revoked or expired."),
    NOT_ALLOWED: (403, "The key does not have the scope that the route needs."),
    NOT_FOUND: (404, "There is nothing of that name, or nothing at that path."),
    HTTP: ("4xx", "Anything else about the request itself: its method, its size, its media type."),
    NEEDS_VERSION: (428, "The value exists: replacing it needs If-Match with its version."),
    NEEDS_KEY: (400, "Promises need an Idempotency-Key, a quoted string, so that a call sent twice is done once."),
    KEY_REUSED: (422, "This Idempotency-Key was sent with another body before."),
    KEY_IN_PROGRESS: (409, "A call under this Idempotency-Key is still being answered: send it again after Retry-After."),
    BAD_IF_MATCH: (400, "If-Match is no entity tag: send the version as ETag gave it, in quotes."),
    BAD_VERSION: (412, "If-Match names something else than one version as ETag gave it: `*`, several, or another tag."),
    STUCK: (503, "An entry cannot be applied to what this answer is made from; the detail says which. Others still answer."),
    DOES_NOT_TIE: (503, "The books do not agree with themselves, so no statement is given: run `tallybench verify`."),
    NO_SEAL: (503, "The signing key, or the file of heads outside of the database, cannot be used; nothing was signed."),
    TOO_MANY_STREAMS: (503, "As many streams of changes are open as may be: ask for the changes page by page."),
    UNAVAILABLE: (503, "The database is out of reach: send the same again, with the same ids."),
    FAULT: (500, "A fault of this program; nothing was written."),
}

_STATUS: dict[str, int] = {
    refusals.Malformed.CODE: 422,
    refusals.Contradiction.CODE: 422,
    refusals.InTheFuture.CODE: 422,
    refusals.UnknownCode.CODE: 422,
    refusals.BadCheckCharacter.CODE: 422,
    refusals.UnknownTimeZone.CODE: 422,
    refusals.NotReversible.CODE: 422,
    refusals.VersionConflict.CODE: 412,
}
_TITLES = {
    401: "Not signed in",
    403: "Not allowed",
    404: "Not found",
    405: "No such method here",
    409: "The book does not allow it",
    412: "Replaced since",
    413: "Too large",
    415: "Not JSON",
    422: "The entry is not right",
    428: "Say which version",
    503: "Out of reach",
}
#: where the status alone would say something else
_TITLES_OF_CODES = {
    KEY_IN_PROGRESS: "Still being answered",
    BAD_IF_MATCH: "If-Match cannot be read",
    BAD_VERSION: "Not one version",
}
_WHAT_TO_DO = {
    404: "there is nothing at this path: /docs lists the paths",
    405: "this path does not take that method: the header Allow names those that it takes",
    413: "the body is larger than is read at a time: post the entries in several lists",
}


#: RFC 9110: from here on the fault is the server's
SERVER_FAULT = 500


class ProblemDocument(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """RFC 9457: `type` is a link to the code's explanation, `problems` lists every fault of every entry posted."""

    type: str
    title: str
    status: int
    code: str
    detail: str
    problems: list[Problem] = []


def meanings() -> dict[str, tuple[int | str, str]]:
    """Every code that can be answered, with its status and its meaning."""
    refused = {
        kind.CODE: (status_of_code(kind.CODE), " ".join((kind.__doc__ or "").split()))
        for kind in refusals.Refusal.__subclasses__()
    }
    return {**refused, **OTHER_CODES}


def document(status: int, code: str, detail: str, problems: list[Problem] | None = None) -> ProblemDocument:
    """The document of one refusal."""
    return ProblemDocument(
        type=f"/docs#{code}",
        title=_TITLES_OF_CODES.get(code) or _TITLES.get(status, "Refused" if status < SERVER_FAULT else "A fault of ours"),
        status=status,
        code=code,
        detail=detail,
        problems=problems or [],
    )


def answer(found: ProblemDocument, headers: dict[str, str] | None = None) -> Response[bytes]:
    """The document as an answer."""
    return Response(content=msgspec.json.encode(found), status_code=found.status, media_type=MEDIA_TYPE, headers=headers or {})


def status_of_code(code: str) -> int:
    """The status with which a refusal's code is answered."""
    return _STATUS.get(code, 409)


def status_of(problems: list[Problem]) -> int:
    """The gravest problem's status."""
    statuses = [status_of_code(problem.code) for problem in problems]
    return max(statuses, key=lambda status: (status == 422, status))  # noqa: PLR2004 - what is wrong in itself comes first


# --- handlers --------------------------------------------------------------------------------------------------


def refused(_: Request[Any, Any, Any], error: Refused) -> Response[bytes]:
    """Entries that may not stand: all the problems, nothing written."""
    status = status_of(error.problems)
    first = next(problem for problem in error.problems if status_of_code(problem.code) == status)
    many = f" (and {len(error.problems) - 1} more problems)" if len(error.problems) > 1 else ""
    return answer(document(status, first.code, f"{first.detail}{many}; nothing was written", error.problems))


def unreadable(_: Request[Any, Any, Any], error: Unreadable) -> Response[bytes]:
    """A body that is no JSON, or none that can be meant."""
    return answer(document(400, UNREADABLE, f"{error}; nothing was written"))


def unavailable(_: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """The database is out of reach; ids make sending again safe."""
    _log.warning("database out of reach", error=str(error))
    detail = "the database cannot be reached just now: send the same again, with the same ids, in a moment"
    return answer(document(503, UNAVAILABLE, detail), {"Retry-After": "2"})


def stuck(_: Request[Any, Any, Any], error: Stuck) -> Response[bytes]:
    """What was asked for is made from a projection that cannot go on."""
    _log.error("projection stuck", error=str(error))
    return answer(document(503, STUCK, str(error)))


def does_not_tie(_: Request[Any, Any, Any], error: DoesNotTie) -> Response[bytes]:
    """A statement that would be wrong is none."""
    _log.error("the books do not tie", differences=error.differences)
    return answer(document(503, DOES_NOT_TIE, f"{error}: run `tallybench verify`"))


def no_seal(_: Request[Any, Any, Any], error: NoSeal) -> Response[bytes]:
    """Nothing can be signed just now."""
    _log.error("no seal", error=str(error))
    return answer(document(503, NO_SEAL, str(error)))


def still_to_come(_: Request[Any, Any, Any], error: StillToCome) -> Response[bytes]:
    """The books were asked about a day that is not over."""
    return answer(document(400, BAD_QUESTION, f"to: {error}"))


def unknown(_: Request[Any, Any, Any], error: Unknown) -> Response[bytes]:
    """Something was asked about that is not in the ledger."""
    return answer(document(404, NOT_FOUND, str(error)))


def http(request: Request[Any, Any, Any], error: HTTPException) -> Response[bytes]:
    """What the framework refuses: unknown paths, methods, ill-typed query parameters, bodies over the limit."""
    status, code = error.status_code, HTTP
    detail = _WHAT_TO_DO.get(status, error.detail)
    if isinstance(error, ValidationException):
        faults = [
            f"{fault.get('key', '?')}: {fault.get('message', '')}{_choices(request, fault)}"
            for fault in error.extra or []
            if isinstance(fault, dict)
        ]
        detail, code = "; ".join(faults) or detail, BAD_QUESTION
    elif status == 401:  # noqa: PLR2004
        code = NO_KEY
    elif status == 403:  # noqa: PLR2004
        code = NOT_ALLOWED
    elif status == 404:  # noqa: PLR2004
        code = NOT_FOUND
    headers = {"WWW-Authenticate": "Bearer"} if status == 401 else dict(error.headers or {})  # noqa: PLR2004
    return answer(document(status, code, detail), headers)


def _choices(request: Request[Any, Any, Any], fault: dict[str, Any]) -> str:
    """What a parameter may be, where it is one of a few words: the framework only says what it may not."""
    if not str(fault.get("message", "")).startswith("Invalid enum value"):
        return ""
    parameter = request.route_handler.parsed_fn_signature.parameters.get(str(fault.get("key")))
    words = _words(parameter.annotation) if parameter is not None else []
    return f"; it is one of {', '.join(words)}" if words else ""


def _words(annotation: Any) -> list[str]:
    if get_origin(annotation) is Literal:
        return [str(word) for word in get_args(annotation)]
    if isinstance(annotation, type) and issubclass(annotation, Enum):
        return [str(word.value) for word in annotation]
    return [word for part in get_args(annotation) for word in _words(part)]


def fault(request: Request[Any, Any, Any], error: Exception) -> Response[bytes]:
    """A defect of this program: logged without the values of variables, a key may be among them; told in one sentence."""
    _log.error("fault", path=request.url.path, trace="".join(traceback.format_exception(error)))
    return answer(document(500, FAULT, "that is a fault of this program, not of your request; it was logged"))
