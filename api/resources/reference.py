"""Reference values: crops, sizes, places, people, recipes, costs, destinations, policies. Each PUT is an entry."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from typing import Annotated, Any
from uuid import uuid4

from litestar import Request, Response
from litestar.handlers import HTTPRouteHandler
from litestar.params import PathParameter, QueryParameter
from msgspec import Struct

from api import etags
from api import parameters as asked
from api.problems import BAD_IF_MATCH, BAD_VERSION, NEEDS_VERSION, answer, document
from api.resources.entries import PostAnswer, answer_of, require_json
from api.routes import SETTING_FILLED_IN, reading, replacing
from api.services import NamedReader, NamedTurns
from ledger import answers
from ledger.log import codec
from ledger.plants.cards import cost_code
from ledger.plants.entries import (
    END,
    BooksSet,
    CostSet,
    CropSet,
    DestinationSet,
    PersonSet,
    PlaceSet,
    PolicySet,
    PrintsSet,
    RecipeSet,
    Setting,
    SizeSet,
    TemperaturesSet,
    type_of,
)
from ledger.plants.refusals import Malformed, Problem, Refused, VersionConflict


class Kind(Struct, frozen=True):
    """A kind of reference value: its word in paths, its entry, and the field that the path's code stands for."""

    path: str
    card: str
    entry: type[Setting]
    field: str | None


KINDS = (
    Kind("crops", "crop", CropSet, "code"),
    Kind("sizes", "size", SizeSet, "code"),
    Kind("places", "place", PlaceSet, "code"),
    Kind("people", "person", PersonSet, "code"),
    Kind("recipes", "recipe", RecipeSet, "crop"),
    Kind("costs", "cost", CostSet, None),
    Kind("destinations", "destination", DestinationSet, "region"),
    Kind("policies", "policy", PolicySet, None),
    Kind("temperatures", "normals", TemperaturesSet, None),
    Kind("prints", "prints", PrintsSet, None),
    Kind("accounting", "books", BooksSet, None),
)
#: the code in its path of what there is one of
THE_ONLY = "nursery"
#: no value is replaced a billion times
_VERSION = re.compile(r'(?:W/)?"([0-9]{1,9})"')

Code = Annotated[str, PathParameter(max_length=140, pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*" + END)]


def _routes(kind: Kind) -> list[HTTPRouteHandler]:
    @reading(f"/v1/{kind.path}", scope="read", answers=answers.References, tag="Reference values")
    def get_all(
        reader: NamedReader,
        after: Annotated[
            str, QueryParameter(pattern=asked.ANY_CODE, max_length=140, description="The code to go on after.")
        ] = "",
        limit: asked.Limit = 200,
    ) -> Response[answers.References]:
        """All of them in the order of their codes. `Link: rel="next"` leads on."""
        with reader.look() as cursor:
            found = answers.references(cursor, kind.card, after, limit)
        link = f'</v1/{kind.path}?after={asked.escaped(found.next)}&limit={limit}>; rel="next"'
        return Response(found, headers={} if found.next is None else {"Link": link})

    @reading(f"/v1/{kind.path}/{{code:str}}", scope="read", answers=answers.Reference, tag="Reference values")
    def get_one(reader: NamedReader, code: Code) -> Response[answers.Reference]:
        """One of them; its ETag is its version, for If-Match."""
        with reader.look() as cursor:
            found = answers.reference(cursor, kind.card, _key(kind, code))
        return Response(found, headers={"ETag": f'"{found.version}"'})

    @replacing(f"/v1/{kind.path}/{{code:str}}", scope="manage", takes=kind.entry, answers=PostAnswer, tag="Reference values")
    async def put_one(request: Request[Any, Any, Any], turns: NamedTurns, code: Code) -> Response[Any]:
        """Set it whole. Replacing needs If-Match with the version read (428 without, 412 if it was replaced since)."""
        require_json(request)
        told = _told(kind, code, codec.read_json(await request.body()))
        given = request.headers.get("if-match")
        if given is not None and not etags.well_formed(given):
            detail = 'If-Match takes the version as ETag gives it, in quotes, such as If-Match: "3"'
            return answer(document(400, BAD_IF_MATCH, f"{detail}; nothing was written"))
        version = 0 if given is None else _version(given)
        if version is None:
            detail = 'If-Match names no version of this value: send one, as ETag gives it, such as If-Match: "3"'
            return answer(document(412, BAD_VERSION, f"{detail}; nothing was written"))
        try:
            posted = await turns.post(codec.read_told(told), request.state.client, ((kind.card, _key(kind, code)), version))
        except Refused as refused:
            if given is None and refused.problems[0].code == VersionConflict.CODE:
                return answer(document(428, NEEDS_VERSION, f"{kind.path}/{code} exists: send If-Match with its version"))
            raise
        return Response(answer_of(posted), status_code=200 if version else 201, headers={"ETag": f'"{version + 1}"'})

    name = {"normals": "temperatures", "books": "accounting"}.get(kind.card, kind.card)
    for handler, verb in ((get_all, "list"), (get_one, "get"), (put_one, "put")):
        handler.operation_id = f"{verb}_{name}"
    # the PUT first: the framework registers a path's earlier handlers again with each later one, and a reading handler
    # that is registered twice is put into a thread twice (litestar 2.25)
    return [get_all, put_one, get_one]


def _key(kind: Kind, code: str) -> str:
    return code if kind.field is not None or kind.entry is CostSet else ""


def _version(given: str) -> int | None:
    """The version in an If-Match, None for whatever else it says. Made weak on its way it still says which version."""
    found = _VERSION.fullmatch(given.strip())
    return int(found[1]) if found is not None else None


def _told(kind: Kind, code: str, value: Any) -> dict[str, Any]:
    """The body as an entry: the path gives the code, the server the id and the time."""
    if not isinstance(value, dict):
        raise _faulty("send one JSON object", None)
    for name in ("type", *SETTING_FILLED_IN):
        if name in value:
            raise _faulty(f"leave {name} out: it is filled in here", name)
    now = datetime.now(UTC).isoformat()
    told = {**value, "type": str(kind.entry.__struct_config__.tag), "id": str(uuid4()), "occurred_at": now}
    if kind.field is not None:
        if value.get(kind.field, code) != code:
            raise _faulty(f"{kind.field} is {code} in the path and something else in the body", kind.field)
        told[kind.field] = code
    elif kind.entry is not CostSet:
        if code != THE_ONLY:
            raise _faulty(f"there is one: /v1/{kind.path}/{THE_ONLY}", None)
    else:
        (entry,) = codec.read_told(told)
        assert isinstance(entry, CostSet), type_of(entry)
        if cost_code(entry) != code:
            raise _faulty(f"this cost's code is {cost_code(entry)}, the path says {code}", "step")
    return told


def _faulty(detail: str, field: str | None) -> Refused:
    return Refused([Problem(index=0, code=Malformed.CODE, detail=detail, field=field)])


HANDLERS = [handler for kind in KINDS for handler in _routes(kind)]
