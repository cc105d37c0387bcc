"""The OpenAPI 3.1 document: paths and parameters as the framework knows them, shapes as the decoder enforces them.

Bodies and answers are described by msgspec from the very structs that decode and encode them, so every bound that the
code enforces is in the document.
"""

from __future__ import annotations

from copy import deepcopy
from typing import Any

import msgspec
from litestar import Litestar
from litestar.handlers import HTTPRouteHandler

from api.keys import OPEN
from api.problems import MEDIA_TYPE, ProblemDocument
from api.resources.reference import ENVELOPE
from ledger.plants.entries import Setting

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


def document(app: Litestar) -> dict[str, Any]:
    """The whole document, as JSON values."""
    made = app.openapi_schema.to_schema()
    handlers = {key: handler for key, handler in _handlers(app).items() if "answers" in handler.opt}
    shapes: list[Any] = [ProblemDocument]
    for handler in handlers.values():
        shapes += [handler.opt[name] for name in ("answers", "takes") if name in handler.opt]
    described, components = msgspec.json.schema_components(shapes, ref_template=_REF)
    described_by = dict(zip(map(_name, shapes), described, strict=True))
    components = {name: _true(schema) for name, schema in components.items()}
    listed = made.get("components", {}).get("schemas", {})
    components |= {name: schema for name, schema in listed.items() if "enum" in schema and name not in components}
    for (path, method), handler in handlers.items():
        _complete(made["paths"][path][method.lower()], handler, described_by, components)
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


def _name(shape: Any) -> str:
    return str(shape)


def _complete(
    operation: dict[str, Any], handler: HTTPRouteHandler, described: dict[str, Any], components: dict[str, Any]
) -> None:
    """Put bodies, answers, problems, scope and conditional headers on one operation."""
    scope, takes, answers = handler.opt["scope"], handler.opt.get("takes"), handler.opt["answers"]
    writes, versioned = takes is not None, bool(handler.opt.get("versioned"))
    if takes is not None:
        schema = described[_name(takes)]
        if versioned:
            schema = _without_envelope(takes, components)
        operation["requestBody"] = {"required": True, "content": {"application/json": {"schema": schema}}}
    operation["responses"] = _responses(handler, described[_name(answers)], writes, versioned)
    operation.setdefault("parameters", [])
    if scope != OPEN:
        operation["security"] = [{"key": []}]
        operation["x-scope"] = scope
    header = {"in": "header", "required": False, "schema": {"type": "string", "maxLength": 200}}
    if versioned:
        operation["parameters"].append({**header, "name": "If-Match", "description": "The version read, from ETag."})
    elif not writes:
        operation["parameters"].append({**header, "name": "If-None-Match", "description": "An ETag: 304 if nothing changed."})


def _responses(handler: HTTPRouteHandler, answer: dict[str, Any], writes: bool, versioned: bool) -> dict[str, Any]:
    open_to_all = handler.opt["scope"] == OPEN
    kinds = {"application/json": {"schema": answer}}
    if handler.opt["answers"] is str:
        kinds = {"text/plain": {"schema": {"type": "string"}}}
    elif "format" in handler.parsed_fn_signature.parameters:
        kinds["text/csv"] = {"schema": {"type": "string"}}
    good = {"description": (handler.fn.__doc__ or "").strip().split("\n")[0], "content": kinds}
    found: dict[str, Any] = {"201" if writes and not versioned else "200": good}
    if versioned:
        found["201"] = good
    statuses = {"503"} if open_to_all else {"401", "403", "503"}
    statuses |= {"400", "409", "413", "415", "422"} if writes else {"400", "404"}
    statuses |= {"404", "412", "428"} if versioned else set()
    if not writes:
        found["304"] = {"description": "Nothing changed since the ETag given."}
    problem = {MEDIA_TYPE: {"schema": {"$ref": _REF.format(name="ProblemDocument")}}}
    for status in sorted(statuses):
        found[status] = {"description": _PROBLEM_STATUSES[status], "content": problem}
    return found


def _without_envelope(entry: type[Setting], components: dict[str, Any]) -> dict[str, Any]:
    """The body of a PUT: the entry without what the server fills in. The code may be left to the path."""
    whole = deepcopy(components[entry.__name__])
    left_out = {"type", *ENVELOPE}
    whole["properties"] = {name: value for name, value in whole["properties"].items() if name not in left_out}
    in_path = {"code", "crop"} if entry.__name__ != "CostSet" else set()
    whole["required"] = [name for name in whole["required"] if name not in left_out | in_path]
    whole.pop("title", None)
    return dict(whole)


def _true(schema: Any) -> Any:
    """Where the code is stricter than the type alone, say so: times need an offset, money is a bounded decimal string."""
    if isinstance(schema, dict):
        made = {name: _true(value) for name, value in schema.items()}
        if made.get("format") == "decimal":
            made["pattern"] = r"^\d{1,6}(\.\d{1,4})?$"
        return made
    if isinstance(schema, list):
        return [_true(value) for value in schema]
    return schema
