"""The OpenAPI 3.1 document: paths and parameters as the framework knows them, shapes as the decoder enforces them.

Bodies and answers are described by msgspec from the very structs that decode and encode them, so every bound that the
code enforces is in the document. Where the code knows more than the types do, it is put in here, and a test compares.
"""

from __future__ import annotations

from collections.abc import Sequence
from copy import deepcopy
from typing import Any

import msgspec
from litestar import Litestar
from litestar.handlers import HTTPRouteHandler

from api import problems
from api.keys import OPEN
from api.problems import MEDIA_TYPE, ProblemDocument
from api.resources.health import Ready
from ledger import printed
from ledger.log.codec import MOST_ENTRIES
from ledger.plants.entries import TYPES, CostSet, Entry, Setting, Told
from ledger.plants.recorded import Recorded
from ledger.plants.rules import NOTICED

_REF = "#/components/schemas/{name}"
_PROBLEM_STATUSES = {
    "400": "The question or the body cannot be read.",
    "401": "No key, or one that is not in force.",
    "403": "The key does not have the scope.",
    "404": "There is nothing of that name.",
    "409": "The state of the book does not allow it.",
    "412": "The value was replaced since it was read.",
    "413": "The body is too large.",
    "415": "The body is not JSON.",
    "422": "The entry is not right in itself.",
    "428": "Replacing needs If-Match.",
    "503": "The database cannot be reached just now.",
}
_HEADERS = {
    "ETag": "The version of the answer, for If-None-Match, or of the value, for If-Match.",
    "Link": 'The next page, as rel="next"; left out on the last.',
    "Retry-After": "Seconds, where the first call under this Idempotency-Key is still being answered.",
}
#: reports as files: the media type says what they are (OpenAPI 3.1 has no schema for bytes)
_FILES: dict[printed.Format, dict[str, Any]] = {
    "csv": {"schema": {"type": "string"}},
    "xlsx": {"schema": {}},
    "pdf": {"schema": {}},
}
#: answers hold entries as they were kept, byte for byte; their types only say that this is JSON
_KEPT = (("Entries", "entries"), ("BatchAnswer", "life"), ("OpenQuestion", "first"), ("OpenQuestion", "second"))


def document(app: Litestar) -> dict[str, Any]:
    """The whole document, as JSON values."""
    made = app.openapi_schema.to_schema()
    words = made.get("components", {}).get("schemas", {})
    handlers = {key: handler for key, handler in _handlers(app).items() if "answers" in handler.opt}
    shapes: list[Any] = [ProblemDocument, Recorded, Entry]
    for handler in handlers.values():
        shapes += [handler.opt[name] for name in ("answers", "takes") if name in handler.opt]
    described, components = msgspec.json.schema_components(shapes, ref_template=_REF)
    described_by = dict(zip(map(str, shapes), described, strict=True))
    components["Entry"] = described_by[str(Entry)]
    components["Tellable"] = _tellable(components["Entry"])
    described_by[str(Entry | list[Entry])] = _one_or_many()
    _amend(components)
    for (path, method), handler in handlers.items():
        operation = made["paths"][path][method.lower()]
        operation["parameters"] = [_parameter(found, words) for found in operation.get("parameters", [])]
        _complete(operation, handler, described_by, components)
    made["components"] = {
        "schemas": components,
        "securitySchemes": {"key": {"type": "http", "scheme": "bearer", "description": "A key made by `tallybench key make`."}},
    }
    return made


def _handlers(app: Litestar) -> dict[tuple[str, str], HTTPRouteHandler]:
    found = {}
    for route in app.routes:
        for handler in getattr(route, "route_handlers", []):
            if isinstance(handler, HTTPRouteHandler) and handler.include_in_schema:
                for method in handler.http_methods - {"OPTIONS", "HEAD"}:
                    found[route.path_format, str(method)] = handler
    return found


def _ref(name: str) -> dict[str, str]:
    return {"$ref": _REF.format(name=name)}


def _one_or_many() -> dict[str, Any]:
    many = {"type": "array", "items": _ref("Tellable"), "minItems": 1, "maxItems": MOST_ENTRIES}
    return {"anyOf": [_ref("Tellable"), many]}


def _tellable(entry: dict[str, Any]) -> dict[str, Any]:
    """What may be posted: every entry but those that the ledger tells of by itself."""
    left_out = {_REF.format(name=kind.__name__) for kind in NOTICED}
    mapping = {name: ref for name, ref in entry["discriminator"]["mapping"].items() if ref not in left_out}
    choices = [choice for choice in entry["anyOf"] if choice["$ref"] not in left_out]
    return {**entry, "anyOf": choices, "discriminator": {**entry["discriminator"], "mapping": mapping}}


def _amend(components: dict[str, Any]) -> None:
    """What the code knows beyond the types of fields."""
    for kind in TYPES.values():
        schema = {"type": "integer", "minimum": 1, "maximum": kind.SCHEMA, "description": "Leave it out for the newest."}
        components[kind.__name__]["properties"]["schema"] = schema
    for name, field in _KEPT:
        properties = components[name]["properties"]
        properties[field] = {"type": "array", "items": _ref("Recorded")} if "items" in properties[field] else _ref("Recorded")
    codes = problems.meanings()
    components["ProblemDocument"]["properties"]["code"]["enum"] = sorted(codes)
    components["Problem"]["properties"]["code"]["enum"] = sorted(codes.keys() - problems.OTHER_CODES.keys())
    components["Problem"]["properties"]["offer"]["items"] = _ref("Entry")
    del components["Told"]  # what an offer's entries have in common: it is nothing that can be told


def _parameter(found: dict[str, Any], words: dict[str, Any]) -> dict[str, Any]:
    """A parameter as it may stand in an address: what may be left out is never null there, and bounds are whole numbers."""
    schema = found["schema"]
    for choice in schema.pop("oneOf", []):
        schema |= choice if choice != {"type": "null"} else {}
    if "$ref" in schema:
        schema |= words[schema.pop("$ref").rsplit("/", 1)[-1]]
    if None in schema.get("enum", ()):
        schema["enum"] = [value for value in schema["enum"] if value is not None]
    if schema.get("type") == "integer":
        schema |= {name: int(schema[name]) for name in ("minimum", "maximum") if name in schema}
    schema.pop("description", None)
    kept = ("name", "in", "required", "description")
    return {**{name: found[name] for name in kept if name in found}, "schema": schema}


def _complete(
    operation: dict[str, Any], handler: HTTPRouteHandler, described: dict[str, Any], components: dict[str, Any]
) -> None:
    """Put bodies, answers, problems, scope and conditional headers on one operation."""
    scope, takes, answers = handler.opt["scope"], handler.opt.get("takes"), handler.opt["answers"]
    writes, versioned = takes is not None, bool(handler.opt.get("versioned"))
    if takes is not None:
        filled_in = handler.opt.get("fills_in")
        schema = _without(takes, filled_in, components) if filled_in else described[str(takes)]
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    operation["responses"] = _responses(handler, described[str(answers)], writes, versioned)
    if scope != OPEN:
        operation["security"] = [{"key": []}]
        operation["x-scope"] = scope
    header = {"in": "header", "required": False, "schema": {"type": "string"}}
    if handler.opt.get("keyed"):
        pattern = r'^"[^"\\]+"$'
        schema = {"type": "string", "pattern": pattern, "maxLength": 257}
        described_as = "A string of the caller's own for this call, in quotes: the same again for the same call."
        operation["parameters"].append(
            {"in": "header", "name": "Idempotency-Key", "required": True, "schema": schema, "description": described_as}
        )
    if handler.opt.get("streams"):
        described_as = "For a stream: the id of the last event that was seen."
        operation["parameters"].append({**header, "name": "Last-Event-ID", "description": described_as})
    if versioned:
        operation["parameters"].append({**header, "name": "If-Match", "description": "The version read, from ETag."})
    elif not writes:
        operation["parameters"].append({**header, "name": "If-None-Match", "description": "An ETag: 304 if nothing changed."})


def _responses(handler: HTTPRouteHandler, answer: dict[str, Any], writes: bool, versioned: bool) -> dict[str, Any]:
    answers, open_to_all = handler.opt["answers"], handler.opt["scope"] == OPEN
    kinds = {"application/json": {"schema": answer}}
    if answers is str:
        kinds = {"text/plain": {"schema": {"type": "string"}}}
    elif "format" in handler.parsed_fn_signature.parameters:
        kinds |= {kind: _FILES[name] for name, kind in printed.MEDIA_TYPES.items()}
    if handler.opt.get("streams"):
        kinds["text/event-stream"] = {"schema": {"type": "string"}}
    good = {"description": (handler.fn.__doc__ or "").strip().split("\n")[0], "content": kinds}
    named = {"ETag": not writes or versioned, "Link": "next" in getattr(answers, "__struct_fields__", ())}
    headers = {name: _header(name) for name, given in named.items() if given}
    good |= {"headers": headers} if headers else {}
    found: dict[str, Any] = {"201" if writes and not versioned else "200": good}
    if versioned:
        found["201"] = good
    statuses = {"503"} if open_to_all else {"401", "403", "503"}
    statuses |= {"400", "409", "413", "415", "422"} if writes else {"400", "404"}
    statuses |= {"404", "412", "428"} if versioned else set()
    statuses |= {"404"} if handler.opt.get("keyed") else set()
    if not writes:
        found["304"] = {"description": "Nothing changed since the ETag given.", "headers": {"ETag": _header("ETag")}}
    problem = {MEDIA_TYPE: {"schema": _ref("ProblemDocument")}}
    for status in sorted(statuses):
        found[status] = {"description": _PROBLEM_STATUSES[status], "content": problem}
    if handler.opt.get("keyed"):
        still = "The state of the book does not allow it, or the first call under this key is still being answered."
        found["409"] |= {"description": still, "headers": {"Retry-After": _header("Retry-After")}}
    if answers is Ready:  # not ready: the same answer, and why
        found["503"] = {"description": "Not ready to answer.", "content": {**problem, **kinds}}
    return found


def _header(name: str) -> dict[str, Any]:
    return {"description": _HEADERS[name], "schema": {"type": "string"}}


def _without(entry: type[Told], filled_in: Sequence[str], components: dict[str, Any]) -> dict[str, Any]:
    """The body as an entry without what the server fills in. The code of a reference value may be left to the path."""
    whole = deepcopy(components[entry.__name__])
    left_out = {"type", "schema", *filled_in}
    whole["properties"] = {name: value for name, value in whole["properties"].items() if name not in left_out}
    in_path = {"code", "crop", "region"} if issubclass(entry, Setting) and entry is not CostSet else set()
    whole["required"] = [name for name in whole["required"] if name not in left_out | in_path]
    whole.pop("title", None)
    return dict(whole)
