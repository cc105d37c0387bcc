"""The OpenAPI document is true: it is valid, complete, and says exactly what the service takes and answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from typing import Any

import msgspec
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from jsonschema import Draft202012Validator, ValidationError, validators
from litestar.routes import HTTPRoute
from msgspec import inspect
from openapi_spec_validator import OpenAPIV31SpecValidator
from schemathesis import Case, openapi
from schemathesis.checks import not_a_server_error
from schemathesis.core.result import Ok
from schemathesis.generation import GenerationMode
from schemathesis.schemas import APIOperation
from schemathesis.specs.openapi.checks import (
    content_type_conformance,
    response_headers_conformance,
    response_schema_conformance,
    status_code_conformance,
)

from ledger.plants.entries import TYPES
from ledger.plants.rules import NOTICED
from tests.api.conftest import BATCH, NEEDED, PROMISE, Service, filled, live, rule
from tests.telling import Teller

ENVELOPE = {"id", "occurred_at", "by", "note", "schema"}
#: what may be posted; what the ledger notices by itself comes from the program alone
TELLABLE = [name for name, kind in TYPES.items() if kind not in NOTICED]
CHECKS = [
    not_a_server_error, status_code_conformance, content_type_conformance, response_headers_conformance,
    response_schema_conformance,
]  # fmt: skip


# --- an oracle of its own: JSON Schema 2020-12 with the document's parts ------------------------------------------


def _pattern(_: Any, pattern: str, instance: Any, __: Any) -> Iterator[ValidationError]:
    """As ECMA-262 reads patterns: `$` is the very end, which it is not in Python."""
    if isinstance(instance, str) and not re.search(pattern.replace("$", r"\Z"), instance):
        yield ValidationError(f"{instance!r} is not like {pattern}")


Oracle = validators.extend(Draft202012Validator, {"pattern": _pattern})
FORMATS = Draft202012Validator.FORMAT_CHECKER


def oracle(document: dict[str, Any], schema: dict[str, Any]) -> Any:
    """Says what the document forbids; formats are held to as well."""
    assert {"date", "date-time", "uuid"} <= FORMATS.checkers.keys()
    return Oracle({**schema, "components": document["components"]}, format_checker=FORMATS)


def _operations(service: Service) -> Iterator[tuple[str, str, dict[str, Any]]]:
    for path, methods in service.openapi["paths"].items():
        for method, operation in methods.items():
            yield path, method, operation


# --- valid and complete ----------------------------------------------------------------------------------------


def test_the_document_is_valid_openapi_3_1(quiet: Service) -> None:
    """By the specification's own schema, every reference included."""
    assert quiet.openapi["openapi"].startswith("3.1")
    assert not [error.message for error in OpenAPIV31SpecValidator(quiet.openapi).iter_errors()]


def test_every_route_is_in_the_document_with_its_scope(quiet: Service) -> None:
    """What is left out is pages for people, the document and its page, and what is closed; all else stands with its scope."""
    left_out = set()
    found = set()
    for route in quiet.client.app.routes:
        assert isinstance(route, HTTPRoute)
        for handler in route.route_handlers:
            for method in handler.http_methods - {"OPTIONS", "HEAD"}:
                operation = quiet.openapi["paths"].get(route.path_format, {}).get(str(method).lower())
                if "page" in handler.opt:  # which a device signs in to, unless it is open to all
                    assert operation is None
                    assert handler.opt["page"] == (handler.opt["scope"] != "open")
                    continue
                if operation is None:
                    left_out.add((route.path_format.split("/")[1], handler.opt.get("scope", "closed")))
                    continue
                found.add((route.path_format, str(method).lower()))
                assert operation.get("x-scope", "open") == handler.opt["scope"]
                assert operation.get("security", []) == ([] if handler.opt["scope"] == "open" else [{"key": []}])
                assert operation["description"] or operation["summary"]
    assert left_out - {("t", "open"), ("sw.js", "open")} == {
        ("openapi.json", "open"),
        ("docs", "open"),
        ("static", "open"),
        ("framework-openapi", "closed"),
    }
    assert found == {(path, method) for path, method, _ in _operations(quiet)}


# --- the same bounds in the document and in the code -------------------------------------------------------------

Shape = tuple[Any, ...]


def _of_code(kind: Any) -> Shape:
    """The bounds of a type of field, as msgspec holds them."""
    match kind:
        case inspect.Metadata():
            return _of_code(kind.type)
        case inspect.UnionType():
            (other,) = [part for part in kind.types if not isinstance(part, inspect.NoneType)]
            return ("or null", _of_code(other))
        case inspect.IntType():
            return ("integer", kind.ge, kind.le)
        case inspect.StrType():
            return ("string", kind.min_length or 0, kind.max_length, kind.pattern)
        case inspect.ListType():
            return ("array", kind.min_length or 0, kind.max_length, _of_code(kind.item_type))
        case inspect.DictType():
            return ("object", kind.min_length or 0, kind.max_length, _of_code(kind.key_type), _of_code(kind.value_type))
        case inspect.EnumType():
            return ("enum", frozenset(member.value for member in kind.cls))
        case inspect.StructType():
            fields = [(field.encode_name, field.required, _of_code(field.type)) for field in kind.fields]
            if kind.tag is not None:
                fields += [("type", True, ("enum", frozenset([kind.tag])))]
                fields += [("schema", False, ("integer", 1, TYPES[str(kind.tag)].SCHEMA))]
            assert kind.forbid_unknown_fields
            return ("fields", tuple(sorted(fields)))
        case inspect.BoolType():
            return ("boolean",)
        case inspect.DateTimeType():
            return ("date-time", kind.tz)
        case inspect.DateType():
            return ("date",)
        case inspect.UUIDType():
            return ("uuid",)
        case _:
            raise AssertionError(f"no field is to be {kind}: JSON Schema could not say what is taken")


def _of_document(schema: dict[str, Any], parts: dict[str, Any]) -> Shape:
    """The bounds of a field, as the document says them."""
    match schema:
        case {"$ref": ref}:
            return _of_document(parts[ref.rsplit("/", 1)[-1]], parts)
        case {"anyOf": [inner, {"type": "null"}]}:
            return ("or null", _of_document(inner, parts))
        case {"enum": values}:
            return ("enum", frozenset(values))
        case {"type": "integer"}:
            return ("integer", schema["minimum"], schema["maximum"])
        case {"type": "array", "items": items}:
            return ("array", schema.get("minItems", 0), schema.get("maxItems"), _of_document(items, parts))
        case {"type": "object", "propertyNames": names, "additionalProperties": dict(value)}:
            bounds = (schema.get("minProperties", 0), schema.get("maxProperties"))
            return ("object", *bounds, _of_document({"type": "string", **names}, parts), _of_document(value, parts))
        case {"type": "object", "properties": fields, "additionalProperties": False}:
            needed = schema.get("required", [])
            return ("fields", tuple(sorted((name, name in needed, _of_document(part, parts)) for name, part in fields.items())))
        case {"type": "boolean"}:
            return ("boolean",)
        case {"type": "string", "format": "date-time"}:
            return ("date-time", True)
        case {"type": "string", "format": ("date" | "uuid") as name}:
            return (name,)
        case {"type": "string"}:
            return ("string", schema.get("minLength", 0), schema.get("maxLength"), schema.get("pattern"))
        case _:
            raise AssertionError(f"this says too little: {schema}")


@pytest.mark.parametrize("name", TELLABLE)
def test_every_bound_of_the_code_is_in_the_document_and_no_other(quiet: Service, name: str) -> None:
    """Fields, which are needed, types, least and most, lengths, patterns, words: the same on both sides."""
    parts = quiet.openapi["components"]["schemas"]
    kind = TYPES[name]
    assert _of_document(parts[kind.__name__], parts) == _of_code(inspect.type_info(kind))


def test_what_the_ledger_tells_by_itself_is_not_in_what_may_be_posted(quiet: Service) -> None:
    """The body's types are all others, and posting one of these is refused as malformed whatever it says."""
    mapping = quiet.openapi["components"]["schemas"]["Tellable"]["discriminator"]["mapping"]
    assert set(mapping) == set(TELLABLE)
    assert set(TYPES) - set(TELLABLE) == {
        "promise-expired", "promise-at-risk", "promise-safe", "due-checked", "forecast-published", "confidence-corrected",
        "head-signed", "period-closed",
    }  # fmt: skip
    for fact in (
        Teller().fact("promise-expired", promise=PROMISE, by="tallybench"),
        Teller().fact("promise-safe", promise=PROMISE, line=0, chance=99),
    ):
        (problem,) = quiet.refusal(quiet.post(fact))["problems"]
        assert (problem["code"], problem["field"]) == ("malformed", "type")


# --- at the bounds, over HTTP --------------------------------------------------------------------------------------

EXAMPLES = ("a", "A", "AAA", "UTC", "26W38-01W", "1.50", "A1", "AA", "https://tags.example:8787/book")


def _right(shape: Shape) -> Any:
    """A right value, with every field that may be given."""
    match shape:
        case ("or null", inner):
            return _right(inner)
        case ("integer", low, _):
            return low
        case ("string", low, _, pattern):
            return next(text for text in EXAMPLES if len(text) >= low and re.search(pattern or "", text))
        case ("array", low, _, item):
            return [_right(item)] * max(low, 1)
        case ("object", low, _, _, value):
            return {f"A{number}": _right(value) for number in range(max(low, 1))}
        case ("enum", values):
            return min(values)
        case ("fields", fields):
            return {name: _right(inner) for name, _, inner in fields}
        case ("boolean",):
            return False
        case ("date-time", _):
            return "2026-09-14T08:00:00Z"
        case ("date",):
            return "2026-09-14"
        case ("uuid",):
            return "0193c7a0-1111-7222-8333-444455556666"
        case _:
            raise AssertionError(shape)


def _around(shape: Shape) -> Iterator[Any]:
    """Values at and just over every bound, and of other types; inside a whole, one part at a time."""
    right = _right(shape)
    yield from (right, None, {}, [])
    match shape:
        case ("or null", inner):
            yield from _around(inner)
        case ("integer", low, high):
            yield from (low - 1, low, high, high + 1, float(low), low + 0.5, str(low), True, 2**63, 1e300)
        case ("string", low, high, _):
            for length in {low - 1, low, high or low, (high or low) + 1} - {-1}:
                yield from (character * length for character in "aA1")
            yield from (
                right + "\n",
                "\n" + right,
                right + "\x00",
                " " + right,
                right + "é",
                right.swapcase(),
                f"{right}-",
                "",
                1,
                1.5,
            )
            yield from (
                "1e3",
                "-1",
                "+1",
                "1_0",
                ".5",
                "5.",
                "٣",
                "NaN",
                "1000000",
                "999999.9999",
                "1.00001",
                "aaa/a",
                "26W38-00001W",
            )
        case ("array", low, high, item):
            yield from ([_right(item)] * length for length in {low - 1, low, high, high + 1} - {-1})
            yield from ([value, *right[1:]] for value in _around(item))
            yield from ("", {"0": right[0]})
        case ("object", low, high, key, value):
            for length in {low - 1, low, high, high + 1} - {-1}:
                yield {f"A{number}": _right(value) for number in range(length)}
            yield from ({name: _right(value)} for name in _around(key) if isinstance(name, str))
            yield from ({"A": inner} for inner in _around(value))
            yield ""
        case ("enum", values):
            yield from (*values, "no-such-word", f"{right} ", right.upper(), "", 0)
        case ("fields", fields):
            for name, _, inner in fields:
                yield {other: value for other, value in right.items() if other != name}
                yield from ({**right, name: value} for value in _around(inner))
            yield from ({**right, "no-such": 1}, {**right, "": None}, "")
        case ("boolean",):
            yield from (True, 0, 1, "true")
        case ("date-time", _):
            yield from (
                "2026-09-14T08:00:00",
                "2026-09-14T08:00:00+14:00",
                "2026-09-14",
                "08:00Z",
                "2026-13-14T08:00:00Z",
                "",
                0,
            )
        case ("date",):
            yield from ("2026-02-30", "2026-9-14", "20260914", "2026-09-14T08:00:00Z", "", 0)
        case ("uuid",):
            yield from (right.upper(), right[:-1], f"{right}0", f"{{{right}}}", f"{right}\n", "", 0)
        case _:
            raise AssertionError(shape)


def _entries_around(name: str, parts: dict[str, Any]) -> Iterator[dict[str, Any]]:
    """The entry with each part at its bounds; what every entry has, only for the first type."""
    shape = _of_document(parts[TYPES[name].__name__], parts)
    right = _right(shape)
    own = tuple(field for field in shape[1] if field[0] != "type" and (field[0] not in ENVELOPE or name == next(iter(TYPES))))
    for value in _around(("fields", own)):
        if isinstance(value, dict):
            kept = {field: right[field] for field in ("type", *ENVELOPE) if (field, True) in {spot[:2] for spot in shape[1]}}
            yield {**({} if name == next(iter(TYPES)) else kept), **value, "type": name}


@pytest.mark.parametrize("name", TELLABLE)
def test_the_service_refuses_exactly_the_shapes_that_the_document_forbids(unchanged: Service, name: str) -> None:
    """Each field at, under and over its bounds: `malformed` for what JSON Schema forbids with the document, and nothing else.

    What is right in its shape may be refused for what it says. At the end of each list stands an entry that is never right.
    """
    parts = unchanged.openapi["components"]["schemas"]
    judge = oracle(unchanged.openapi, {"$ref": f"#/components/schemas/{TYPES[name].__name__}"})
    around = list(_entries_around(name, parts))
    for entries in (around[start : start + 60] for start in range(0, len(around), 60)):
        response = unchanged.post([*entries, {"type": "no-such"}])
        problems = unchanged.refusal(response)["problems"]
        assert len(problems) < 100, "the service stops listing at 100"
        refused = {problem["index"] for problem in problems if problem["code"] == "malformed"}
        for index, entry in enumerate(entries):
            why = next((error.message for error in judge.iter_errors(entry)), None)
            said = [problem for problem in problems if problem["index"] == index]
            assert (index in refused) == (why is not None), f"{entry}\nthe document: {why}\nthe service: {said}"


def test_a_list_may_be_as_long_as_the_document_says(unchanged: Service) -> None:
    """The fewest and the most entries of a list that is posted, in the document and in the service."""
    body = unchanged.openapi["paths"]["/v1/entries"]["post"]["requestBody"]["content"]["application/json"]["schema"]
    _, many = body["anyOf"]
    never = Teller().fact("answered", entry="0193c7a0-1111-7222-8333-444455556666", answer="both")
    for length in (many["minItems"] - 1, many["minItems"], many["maxItems"], many["maxItems"] + 1):
        refused = unchanged.refusal(unchanged.post([never] * length))["code"] == "malformed"
        assert refused == (not many["minItems"] <= length <= many["maxItems"])


@pytest.mark.parametrize(
    "path", ["crops", "sizes", "places", "people", "recipes", "costs", "policies", "destinations", "temperatures"]
)
def test_a_put_takes_exactly_the_shapes_that_the_document_gives_it(unchanged: Service, path: str) -> None:
    """Each field of a reference value left out or of another type; what is right meets a version that is not there (412)."""
    content = unchanged.openapi["paths"][f"/v1/{path}/{{code}}"]["put"]["requestBody"]["content"]
    schema = content["application/json"]["schema"]
    judge = oracle(unchanged.openapi, schema)
    shape = _of_document(schema, unchanged.openapi["components"]["schemas"])
    right = _right(shape) | ({"code": "A"} if path in ("sizes", "places") else {})
    if path == "destinations":
        right["rules"] = [rule("refused", crop="a")]
    only = {"policies": "nursery", "temperatures": "nursery", "destinations": right.get("region")}
    code = str(only.get(path, right.get("code", right.get("crop"))))
    tried: list[dict[str, Any]] = [{name: right[name] for name in right if name != left_out} for left_out in (*right, None)]
    none_of_these: list[Any] = [None, [], 0.5]
    tried += [{**right, name: value} for name in right for value in none_of_these]
    tried += [{**right, name: 1} for name in ("no-such", "type", "id", "occurred_at", "version")]
    for body in tried:
        if path == "costs":
            code = ".".join(str(body.get(part) or "all") for part in ("step", "crop", "size"))
        response = unchanged.client.put(f"/v1/{path}/{code}", json=body, headers={"If-Match": '"999"'})
        refused = unchanged.refusal(response)["code"] in ("malformed", "contradiction")
        assert refused == (not judge.is_valid(body)), f"{body}: {response.text}"


# --- questions -------------------------------------------------------------------------------------------------


def _texts(schema: dict[str, Any]) -> Iterator[str]:
    """Texts at and over the bounds of a parameter."""
    match schema:
        case {"type": "integer", "minimum": low, "maximum": high}:
            yield from map(str, (low - 1, low, high, high + 1))
            yield from ("x", "", "1.5", "true", "0x1", "1 2")
        case {"type": "number", "minimum": low, "maximum": high}:
            yield from map(str, (low - 0.01, low, high, high + 0.001, 0.905))
            yield from ("x", "", "nan", "inf", "0x1", "1 2")
        case {"enum": values}:
            yield from (*values, "no-such-word", "")
        case {"format": "uuid"}:
            yield PROMISE  # any other text is another path
        case {"type": "boolean"}:
            yield from ("true", "false", "x", "")
        case {"format": "date-time"}:
            yield from ("2026-09-14T08:00:00Z", "2026-09-14T08:00:00+01:00", "2026-09-14T08:00:00", "2026-09-14", "x", "")
        case {"format": "date"}:
            yield from ("2026-01-01", "2026-02-30", "x", "")
        case {"maxLength": most}:
            yield from (character * length for length in (most, most + 1) for character in "aA")
            yield from ("", "\x00", "a\n", "A\n", "26W38-01W", "26W38-01W\n", "a a", "é", "a-", "A-", "-a")
        case {"pattern": _}:
            yield from ("crop", "crop,size", "crop,", "crop\n", "size,stage,cause,crop", "", "x")
        case _:
            raise AssertionError(f"this says too little: {schema}")


def _meant(text: str, schema: dict[str, Any]) -> Any:
    """A text from an address as the value that its schema speaks of."""
    if schema["type"] == "integer" and re.fullmatch(r"-?[0-9]+", text):
        return int(text)
    if schema["type"] == "number" and re.fullmatch(r"[0-9.]+", text):
        return float(text)
    if schema["type"] == "boolean" and text in ("true", "false"):
        return text == "true"
    return text


def test_the_service_refuses_exactly_the_parameters_that_the_document_forbids(unchanged: Service) -> None:
    """Each parameter at, under and over its bounds: `bad-question` for what the document forbids, and nothing else."""
    for path, method, operation in _operations(unchanged):
        parameters = [found for found in operation["parameters"] if found["in"] != "header"]
        needed = {found["name"]: "1" for found in parameters if found["in"] == "query" and found["required"]}
        for found in parameters:
            judge = oracle(unchanged.openapi, found["schema"])
            for text in _texts(found["schema"]):
                if found["in"] == "path" and (text == "" or method != "get"):
                    continue  # another path
                instead = {found["name"]: text}
                asked = {**needed, **(instead if found["in"] == "query" else {})}
                response = unchanged.client.get(filled(path, **instead if found["in"] == "path" else {}), params=asked or None)
                refused = response.status_code == 400
                right = judge.is_valid(_meant(text, found["schema"]))
                assert refused == (not right), f"{path} {found['name']}={text!r}: {response.status_code} {response.text[:200]}"


# --- answers ---------------------------------------------------------------------------------------------------


#: what must be asked, or is asked so that there is an answer, by the end of the path


def _conforms(service: Service, operation: dict[str, Any], response: Any) -> None:
    described = operation["responses"][str(response.status_code)]
    kind = response.headers["Content-Type"].split(";")[0]
    assert response.headers["Content-Type"].count("charset") <= 1
    schema = described["content"][kind]["schema"]
    if "json" in kind:
        oracle(service.openapi, schema).validate(response.json())
    for name in described.get("headers", {}):
        assert name in response.headers or name == "Link"


def test_every_answer_is_as_the_document_describes_it(service: Service) -> None:
    """Every question, asked of a nursery in which something of every kind is there; and what posting answers."""
    live(service)
    for path, method, operation in _operations(service):
        if method == "get":
            response = service.get(filled(path), asked=NEEDED.get(path.rpartition("/")[2]))
            assert response.status_code == 200, response.text
            _conforms(service, operation, response)
            if any(found["name"] == "format" for found in operation["parameters"]):
                for kind in ("csv", "xlsx", "pdf"):
                    _conforms(service, operation, service.get(path, asked={"format": kind}))
    posting = service.openapi["paths"]["/v1/entries"]["post"]
    fact = service.teller.fact("picked", order="A-2", batch=BATCH, place="G1", units=900, to="K1")
    for body in (fact, [fact, {"type": "lost", "units": 0}], service.teller.fact("person-set", code="new", name="New")):
        _conforms(service, posting, service.post(body))


@cache
def _strategies(mode: GenerationMode, text: str) -> list[Any]:
    """What schemathesis makes up for each operation of the document."""
    document = msgspec.json.decode(text)
    for methods in document["paths"].values():
        for described in methods.values():
            described.pop("security", None)  # the key is sent along: who may do what is another test
    del document["components"]["securitySchemes"]
    made = []
    seen: set[str] = set()  # reference values of every kind are asked for alike
    for found in openapi.from_dict(document).get_all_operations():
        assert isinstance(found, Ok)
        operation: APIOperation[Any, Any, Any, Any] = found.ok()
        described = document["paths"][operation.path][operation.method]
        asked = str([operation.method, described["parameters"], described.get("requestBody")])
        if asked in seen:
            continue
        seen.add(asked)
        may_be_wrong = operation.body or [*operation.query, *operation.path_parameters]
        if may_be_wrong or mode is GenerationMode.POSITIVE:
            made.append(operation.as_strategy(generation_mode=mode))
    return made


@pytest.mark.parametrize("mode", [GenerationMode.POSITIVE, GenerationMode.NEGATIVE], ids=["right", "wrong"])
def test_requests_made_up_from_the_document_find_no_fault(unchanged: Service, mode: GenerationMode) -> None:
    """Right and wrong requests, made by schemathesis: every answer is as the document says, and the wrong ones are refused."""
    for strategy in _strategies(mode, msgspec.json.encode(unchanged.openapi).decode()):

        @settings(
            max_examples=3,
            deadline=None,
            derandomize=True,
            database=None,
            phases=[Phase.generate],
            suppress_health_check=list(HealthCheck),
        )
        @given(case=strategy)
        def ask(case: Case[Any]) -> None:
            made = case.as_transport_kwargs(base_url=str(unchanged.client.base_url))
            made.pop("cookies", None)
            made["headers"] = {**made["headers"], "Authorization": unchanged.client.headers["Authorization"]}
            if case.method == "PUT":
                made["headers"]["If-Match"] = '"999"'  # nothing is to be written
            made["content"] = made.pop("data", None)
            if case.method == "POST" and "json" in made:
                told = made["json"] if isinstance(made["json"], list) else [made["json"]]
                made["json"] = [*told, Teller().fact("reversed", entry="0193c7a0-1111-7222-8333-444455556666", reason="never")]
            response = unchanged.client.request(**made)
            case.validate_response(response, checks=CHECKS)
            assert response.status_code < 400 or unchanged.refusal(response)
            assert mode is GenerationMode.POSITIVE or response.status_code >= 400, f"taken: {made}"

        ask()
