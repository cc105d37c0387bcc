"""The API's own description: the OpenAPI document, and a page to read it that loads nothing from other hosts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
from jinja2 import Environment, PackageLoader, select_autoescape
from litestar import MediaType, Request, Response, get
from litestar.static_files import create_static_files_router
from markupsafe import Markup, escape

from api import problems
from api.keys import OPEN
from ledger.plants.entries import TYPES

_pages = Environment(loader=PackageLoader("api", "pages"), autoescape=select_autoescape(), trim_blocks=True)


def _with_code(text: str) -> Markup:
    """Words in backticks as code."""
    return Markup(re.sub(r"`([^`]+)`", r"<code>\1</code>", str(escape(text))))  # noqa: S704 - escaped before


_pages.filters["with_code"] = _with_code
_POLICY = "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
_HEADERS = {
    "Content-Security-Policy": _POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}
#: what the patterns say besides what a reader wants to know
_NO_LAST_NEWLINE = r"(?!\n)"
_NO_CONTROLS = r"^[^\x00-\x1f\x7f]*$"
_MANY = 4


@get("/openapi.json", sync_to_thread=False, opt={"scope": OPEN}, include_in_schema=False)
def get_openapi(request: Request[Any, Any, Any]) -> Response[bytes]:
    """The OpenAPI 3.1 document."""
    return Response(msgspec.json.encode(request.app.state.openapi), media_type=MediaType.JSON)


@get("/docs", sync_to_thread=False, opt={"scope": OPEN}, include_in_schema=False)
def get_docs(request: Request[Any, Any, Any]) -> Response[str]:
    """The same, to read."""
    made = request.app.state.openapi
    page = _pages.get_template("docs.html").render(
        info=made["info"], openapi=made["openapi"], tags=_tags(made), entries=_entries(made), problems=_codes()
    )
    return Response(page, media_type=MediaType.HTML, headers=_HEADERS)


STATIC = create_static_files_router(
    path="/static", directories=[Path(__file__).parents[1] / "static"], opt={"scope": OPEN}, include_in_schema=False
)


def _tags(made: dict[str, Any]) -> list[dict[str, Any]]:
    tags: dict[str, list[dict[str, Any]]] = {}
    parts = made["components"]["schemas"]
    for path, methods in made["paths"].items():
        for method, operation in methods.items():
            tags.setdefault(operation["tags"][0], []).append(_operation(path, method, operation, parts))
    return [
        {"name": name, "anchor": name.lower().replace(" ", "-"), "operations": found} for name, found in sorted(tags.items())
    ]


def _operation(path: str, method: str, operation: dict[str, Any], parts: dict[str, Any]) -> dict[str, Any]:
    lines = operation.get("description", "").strip().split("\n", 1)
    return {
        "path": path,
        "method": method.upper(),
        "scope": operation.get("x-scope", "open"),
        "summary": lines[0],
        "description": lines[1].strip() if len(lines) > 1 else "",
        "parameters": [
            {
                "name": parameter["name"],
                "place": parameter["in"],
                "required": parameter.get("required"),
                "value": _words(parameter["schema"], parts),
                "description": parameter.get("description", ""),
            }
            for parameter in operation["parameters"]
        ],
        "body": _words(operation["requestBody"]["content"]["application/json"]["schema"], parts)
        if "requestBody" in operation
        else "",
        "answers": [
            {"status": status, "description": answer["description"]} for status, answer in operation["responses"].items()
        ],
    }


def _entries(made: dict[str, Any]) -> list[dict[str, Any]]:
    schemas = made["components"]["schemas"]
    found = []
    for name, kind in TYPES.items():
        schema = schemas[kind.__name__]
        lines = schema.get("description", "").strip().split("\n", 1)
        fields = [
            {"name": field, "required": field in schema["required"], "value": _words(value, schemas)}
            for field, value in schema["properties"].items()
            if field not in ("type", "schema", "id", "occurred_at", "by", "note")
        ]
        rest = lines[1].strip() if len(lines) > 1 else ""
        found.append({"type": name, "summary": lines[0], "description": rest, "fields": fields})
    return found


def _codes() -> list[dict[str, Any]]:
    return [
        {"code": code, "status": status, "meaning": meaning} for code, (status, meaning) in sorted(problems.meanings().items())
    ]


def _words(schema: dict[str, Any], parts: dict[str, Any]) -> str:
    """A schema in a few words: its type, its bounds, its values; a part by its fields."""
    if "$ref" in schema:
        part = parts[schema["$ref"].rsplit("/", 1)[-1]]
        return _words(part, parts) if part.get("type") != "object" else "{" + ", ".join(part["properties"]) + "}"
    if "enum" in schema:
        return "one of " + ", ".join(str(value) for value in schema["enum"])
    for choice in ("anyOf", "oneOf"):
        if choice in schema:
            choices = [part for part in schema[choice] if part.get("type") != "null"]
            return " or ".join(_words(part, parts) for part in choices) if len(choices) < _MANY else "an entry (below)"
    if schema.get("type") == "array":
        return f"a list of {_words(schema['items'], parts)}"
    kind = schema.get("type", "anything")
    bounds = [*_numbers(schema), *_characters(schema)]
    return f"{kind} ({', '.join(bounds)})" if bounds else str(kind)


def _numbers(schema: dict[str, Any]) -> Iterator[str]:
    if "format" in schema:
        yield f"as {schema['format']}"
    if "minimum" in schema:
        yield f"from {schema['minimum']:,}"
    if "maximum" in schema:
        yield f"to {schema['maximum']:,}"


def _characters(schema: dict[str, Any]) -> Iterator[str]:
    if "maxLength" in schema:
        yield f"{schema.get('minLength', 0)} to {schema['maxLength']} characters"
    if "pattern" in schema:
        pattern = str(schema["pattern"]).removesuffix(_NO_LAST_NEWLINE)
        yield "no control characters" if pattern == _NO_CONTROLS else f"like {pattern}"
