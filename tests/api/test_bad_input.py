"""Whatever is sent, the answer is a refusal that says what to do, and nothing is written."""

from __future__ import annotations

import copy
import gzip
import json
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from ledger.projections import runner
from tests.api.conftest import BATCH, HOYA, IXORA, Service, dumped, filled, recipe, rule
from tests.telling import Teller

AT = "2026-09-14T08:00:00+00:00"
#: every path that takes a body, with a body that would be taken
PLACES: dict[str, tuple[str, dict[str, Any]]] = {
    "/v1/entries": ("POST", Teller(seed=7).fact("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")),
    "/v1/crops/aster": ("PUT", {"by": "potter", "name": "Aster", "species": "Aster amellus", "group": "Soft"}),
    "/v1/sizes/P7": ("PUT", {"by": "potter", "name": "7 cm pot", "rank": 1}),
    "/v1/places/G7": ("PUT", {"by": "potter", "name": "Bench 7", "house": "G", "kind": "bench"}),
    "/v1/people/waterer": ("PUT", {"by": "potter", "name": "Waterer"}),
    f"/v1/recipes/{HOYA}": ("PUT", {"by": "potter", **recipe(HOYA)}),
    "/v1/costs/hook.all.C2": (
        "PUT",
        {"by": "potter", "step": "hook", "size": "C2", "amount": "0.10", "effective_on": "2026-01-01"},
    ),
    "/v1/policies/nursery": ("PUT", {"by": "potter", "currency": "EUR"}),
    "/v1/destinations/South": ("PUT", {"by": "potter", "name": "The south", "rules": [rule("refused", crop=HOYA)]}),
    "/v1/temperatures/nursery": ("PUT", {"by": "potter", "normals_tenths_c": [180] * 12}),
}
DEEP = 100_000
#: bodies that are no JSON object or list at all, or none that can be meant
NO_JSON = {
    "nothing": b"",
    "blanks": b" \n\t ",
    "half": b'{"type": "lost", "units": ',
    "two": b"{} {}",
    "no UTF-8": b'{"note": "\xff\xfe"}',
    "UTF-16": '{"type": "lost"}'.encode("utf-16"),
    "byte order mark": b"\xef\xbb\xbf{}",
    "compressed": gzip.compress(b"{}"),
    "NUL": b'{"note": "a\x00b"}',
    "NaN": b'{"units": NaN}',
    "infinity": b'{"units": -Infinity}',
    "single quotes": b"{'type': 'lost'}",
    "a comment": b"{} // lost",
    "lists without end": b"[" * DEEP,
    "deep lists": b"[" * DEEP + b"]" * DEEP,
    "deep objects": b'{"a":' * DEEP + b"1" + b"}" * DEEP,
    "thirteen deep": b'{"a":' * 13 + b"1" + b"}" * 13,
    "a key twice": b'{"units": 1, "units": 2}',
    "a key twice, inside": b'{"sizes": {"P9": {"price": "1", "price": "2"}}}',
    "half a character": b'{"note": "\\ud83d"}',
    "half a character as a key": b'{"\\udc00": 1}',
    "halves in the wrong order": b'{"note": "\\udc00\\ud83d"}',
    "ten million bytes": b'{"note": "' + b"x" * 10_000_000 + b'"}',
}
#: JSON that is no object
NO_OBJECT = [b"null", b"true", b"0", b"1e400", b"-1e400", b"9" * 5000, b'"lost"', b"[null]", b"[[]]", b"[1, 2]", b'["lost"]']


@pytest.mark.parametrize("path", PLACES)
@pytest.mark.parametrize("name", NO_JSON)
def test_a_body_that_cannot_be_meant_is_refused(unchanged: Service, name: str, path: str) -> None:
    """What is not JSON, not UTF-8, ambiguous, too deep or too large is refused as a whole, before any entry is looked at."""
    found = unchanged.refusal(unchanged.send(PLACES[path][0], path, NO_JSON[name]))
    assert (found["status"], found["code"]) == ((413, "http") if name == "ten million bytes" else (400, "unreadable"))


@pytest.mark.parametrize("path", PLACES)
def test_json_that_is_no_entry_is_refused(unchanged: Service, path: str) -> None:
    """An entry is an object, and so is a reference value."""
    for body in NO_OBJECT:
        assert unchanged.refusal(unchanged.send(PLACES[path][0], path, body))["code"] == "malformed"


@pytest.mark.parametrize("path", PLACES)
def test_a_body_says_that_it_is_json(unchanged: Service, path: str) -> None:
    """A right body under a wrong media type, or none, is refused: nothing is guessed."""
    method, body = PLACES[path]
    for kind in (
        "",
        "text/plain",
        "text/json",
        "application/x-www-form-urlencoded",
        "multipart/form-data",
        "json",
        "\x7f",
        "a" * 9000,
    ):
        assert unchanged.refusal(unchanged.send(method, path, dumped(body), {"Content-Type": kind}))["status"] == 415


def test_a_key_that_stands_twice_is_found_at_once_among_very_many(unchanged: Service) -> None:
    """The time to look for duplicate keys grows with the body, not with its square: 3 MB must not stop the service."""
    body = b"{" + b",".join(b'"%d":1' % number for number in range(300_000)) + b',"7":1}'
    began = datetime.now(UTC)
    assert unchanged.refusal(unchanged.send("POST", "/v1/entries", body))["code"] == "unreadable"
    assert datetime.now(UTC) - began < timedelta(seconds=10)


# --- one field wrong -------------------------------------------------------------------------------------------

BAD: list[Any] = [
    None, True, False, 0, -1, 1.5, 2**31, 2**53, 2**63, -(2**63) - 1, 10**30, 1e400, "", " ", "\x00", "a\x00b", "\n", "\x1b[2J",
    "potter\n", "H1\n", "26W38-01W\n", "26W38-01A", "99W60-99A", "1", "NaN", "0000-01-01T00:00:00Z", "2026-09-14T08:00:00",
    "0001-01-01T00:00:00+23:59", "9999-12-31T23:59:59-23:59", "2026-02-30", "x" * 100_000, "\u202e", "'; drop table pen; --",
    [], {}, [[]], [{}], [None], {"": None}, [1] * 1000,
]  # fmt: skip


def _facts() -> list[dict[str, Any]]:
    """An entry of many types, each right in its shape."""
    teller = Teller(seed=3)
    parts = [{"batch": BATCH, "place": "G1", "units": 1}]
    return [
        PLACES["/v1/entries"][1],
        teller.fact("crop-set", code="aster", name="Aster", species="A", group="Soft", sizes={"P9": {"price": "1.50"}}),
        teller.fact("recipe-set", **recipe(IXORA)),
        teller.fact("cost-set", step="space", amount="1.5", effective_on="2026-01-01", crop=IXORA),
        teller.fact("policy-set", time_zone="Europe/London", currency="GBP"),
        teller.fact("gathered", crop=IXORA, stock_plants=[{"stock_plant": "S-IXO", "cuttings": 3}], place="P1"),
        teller.fact("merged", stage="finished", sources=parts, place="G2"),
        teller.fact("graded", batch=BATCH, place="G1", finished=1, to="G2", label_checked_by="potter"),
        teller.fact("held", reason="buyer", review_on="2026-10-01", batch=BATCH, units=2),
        teller.fact("shipped", order="A-1", carrier="Van", region="North", lines=parts),
        teller.fact("treated", product="Soap", places=["G1"], re_entry_ends="2026-09-14T12:00:00Z"),
        teller.fact("reversed", entry="0193c7a0-1111-7222-8333-444455556666", reason="slip"),
    ]


def _spoiled(fact: dict[str, Any], value: Any) -> Iterator[dict[str, Any]]:
    """The entry with each field in turn, also inside, made this value."""
    for name, part in fact.items():
        yield {**fact, name: value}
        if isinstance(part, list) and isinstance(part[0], dict):
            yield from ({**fact, name: [inner]} for inner in _spoiled(part[0], value))
        if isinstance(part, dict):
            yield from ({**fact, name: inner} for inner in _spoiled(part, value))


@pytest.mark.parametrize("value", BAD, ids=lambda value: ascii(value)[:24])
def test_a_bad_value_in_any_field_is_refused_or_harmless(unchanged: Service, value: Any) -> None:
    """Each field of many entries made a bad value, with an entry behind it that is never right: never a fault of the service.

    What is right in its shape all the same is posted again without the rest, so that it is held against the book too.
    """
    never = Teller(seed=5).fact("answered", entry="0193c7a0-1111-7222-8333-444455556666", answer="both")
    for fact in _facts():
        entries = [*_spoiled(fact, value), never]
        while len(entries) > 1:
            problems = unchanged.refusal(unchanged.send("POST", "/v1/entries", dumped(entries)))["problems"]
            wrong = {problem["index"] for problem in problems if problem["code"] in ("malformed", "contradiction")}
            if not wrong:
                break
            entries = [entry for index, entry in enumerate(entries) if index not in wrong]


@pytest.mark.parametrize("path", [path for path in PLACES if path != "/v1/entries"])
def test_a_bad_value_in_a_reference_value_is_refused(unchanged: Service, path: str) -> None:
    """Each field of each reference value, through its PUT; what happens to be right meets a version that is not there."""
    method, body = PLACES[path]
    for value in BAD:
        for entry in _spoiled(body, value):
            unchanged.refusal(unchanged.send(method, path, dumped(entry), {"If-Match": '"999"'}))
    for more in ({"type": "crop-set"}, {"id": "0193c7a0-1111-7222-8333-444455556666"}, {"occurred_at": AT}, {"no-such": 1}):
        assert unchanged.refusal(unchanged.send(method, path, dumped({**body, **more})))["code"] == "malformed"


def test_how_many_entries_a_list_may_hold_is_bounded(unchanged: Service) -> None:
    """None is too few and 2,001 are too many; a list in a list is no entry."""
    fact = PLACES["/v1/entries"][1]
    for body in ([], [fact] * 2001, [[fact]]):
        assert unchanged.refusal(unchanged.post(body))["code"] == "malformed"


def test_what_is_not_yet_and_what_is_not_known_is_refused(unchanged: Service) -> None:
    """The future, unknown codes and slips in a check character each have a code of their own, and name the field."""
    lost = PLACES["/v1/entries"][1]
    soon = (datetime.now(UTC) + timedelta(minutes=5)).isoformat()
    for change, code in (
        ({"occurred_at": soon}, "in-the-future"),
        ({"occurred_at": "9998-01-01T00:00:00Z"}, "in-the-future"),
        ({"batch": "26W38-99" + _check("26W38-99")}, "unknown-code"),
        ({"batch": "26W38-01A"}, "bad-check-character"),
        ({"place": "G99"}, "unknown-code"),
        ({"by": "nobody"}, "unknown-code"),
    ):
        (problem,) = unchanged.refusal(unchanged.post({**lost, **change}))["problems"]
        assert (problem["code"], problem["field"]) == (code, next(iter(change)))


def _check(head: str) -> str:
    """ISO 7064 MOD 37,36, worked out here for itself."""
    alphabet, sum_ = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ", 36
    for character in head.replace("-", ""):
        sum_ = (sum_ + alphabet.index(character)) % 36 or 36
        sum_ = sum_ * 2 % 37
    return alphabet[(1 - sum_) % 36]


def test_nothing_that_is_taken_stops_the_service_from_answering(service: Service) -> None:
    """What is right entry by entry and absurd as a whole leaves every question answered and every projection following."""
    fact = service.teller.fact
    last = "26W38-99999" + _check("26W38-99999")  # after it there would be no number left in its week
    assert service.refusal(service.post(fact("opened", crop=HOYA, stage="rooted", place="H1", units=5, batch=last)))
    at = "2026-09-14T12:00:00Z"
    million = {"crop": IXORA, "stage": "potted", "size": "P9", "place": "G1", "units": 1_000_000, "occurred_at": at}
    made = [service.post([fact("opened", **million) for _ in range(1075)]) for _ in range(2)]
    batch, *others = [entry["batch"] for answer in made for entry in answer.json()["entries"]]
    for start in range(0, len(others), 50):  # more than fit into 31 bits, at one place
        sources = [{"batch": other, "place": "G1", "units": 1_000_000} for other in others[start : start + 50]]
        service.tell("merged", stage="potted", place="G1", into=batch, sources=sources, occurred_at=at)
    service.tell("counted", batch=batch, stage="potted", place="G1", units=5, method="count", occurred_at=at)
    service.tell("recipe-set", **recipe(IXORA))
    for _ in range(2):  # back beyond the year 1
        told = [fact("tended", batch=batch, act="fed", days_added=-365, occurred_at=at) for _ in range(1075)]
        assert service.post(told).status_code == 201
    for path in (f"/v1/batches/{batch}", "/v1/availability", f"/v1/batches/{batch}/trace", "/v1/reports/shrink", "/v1/entries"):
        assert service.get(path).status_code == 200, path
    assert service.answer("/v1/stock", at="2026-12-31T00:00:00Z")["total"] == {"pot:P9": 5}
    assert service.answer("/readyz")["behind"] == dict.fromkeys(runner.ALL, 0)


# --- questions -------------------------------------------------------------------------------------------------

ODD = [
    "", "%00", "a%00b", "%0A", "x%0A", "G1%0A", "%ff", "%ED%A0%80", "%20", "-1", "1.5", "1e400", "9223372036854775808", "NaN",
    "null", "2026-09-14T08:00:00", "0000-01-01T00:00:00Z", "2026-02-30", "2026-13-01", "..%2F..%2Fetc", "%27%3B--", "x" * 5000,
    "[]", "{}",
]  # fmt: skip


def test_an_odd_question_never_makes_a_fault(unchanged: Service) -> None:
    """Every parameter of every question with odd values: an answer, or a refusal that says which parameter."""
    for path, methods in unchanged.openapi["paths"].items():
        asked = methods.get("get", {}).get("parameters", [])
        needed = "".join(f"{found['name']}=1&" for found in asked if found["in"] == "query" and found["required"])
        for found in asked:
            for value in ODD:
                if found["in"] == "query":
                    others = "" if f"{found['name']}=1&" in needed else needed
                    response = unchanged.get(f"{filled(path)}?{others}{found['name']}={value}")
                elif found["in"] == "path" and value not in ("", "..%2F..%2Fetc"):
                    response = unchanged.get(f"{filled(path.replace('{' + found['name'] + '}', value))}?{needed}")
                else:
                    continue
                if response.status_code != 200:
                    assert unchanged.refusal(response)["status"] in (400, 404), (path, found["name"], value)


def test_a_parameter_that_is_not_known_or_given_twice_is_refused(unchanged: Service) -> None:
    """A misspelt parameter would give a wider answer than was asked for, and of two values one would be left out in silence."""
    for path, methods in unchanged.openapi["paths"].items():
        for method, operation in methods.items():
            names = [found["name"] for found in operation["parameters"] if found["in"] == "query"]
            for query in ("crpo=x", "=", "%00=1", *(f"{name}=1&{name}=1" for name in names)):
                found = unchanged.refusal(unchanged.send(method.upper(), f"{filled(path)}?{query}", b"{}"))
                assert found["code"] == "bad-question", (path, query)
                assert "once" in found["detail"] or "there is no such parameter" in found["detail"]


def test_a_path_or_method_that_is_not_there_is_a_problem_too(unchanged: Service) -> None:
    """Nothing is answered in the framework's own words."""
    for path in (
        "/v1",
        "/v1/",
        "/v2/entries",
        "/v1/entries/1",
        "/v1/crops/a/b",
        "/%00",
        "/v1/stock/%2e%2e",
        "/static/..%2fapp.py",
    ):
        assert unchanged.refusal(unchanged.get(path))["code"] == "not-found"
    for method, path in (("DELETE", "/v1/entries"), ("PATCH", "/v1/crops/x"), ("POST", "/v1/stock"), ("PUT", "/v1/entries")):
        found = unchanged.refusal(unchanged.send(method, path, b"{}"))
        assert (found["status"], found["code"]) == (405, "http")


def test_headers_may_be_huge_or_strange(unchanged: Service) -> None:
    """A header that is not understood is refused or passed over."""
    fact = dumped(PLACES["/v1/entries"][1])
    for value in (b"x" * 100_000, b'"' * 1000, b",".join([b'"a"'] * 10_000), b"\xff\xfe", b"W/", b"*"):
        assert unchanged.get("/v1/stock", headers={"If-None-Match": value}).status_code in (200, 304)
        assert unchanged.refusal(unchanged.send("PUT", "/v1/sizes/P9", b"{}", {"If-Match": value}))["status"] in (400, 412)
        refused = unchanged.send("POST", "/v1/entries", fact, {"Authorization": b"Bearer " + value})
        assert unchanged.refusal(refused)["status"] == 401


# --- rubbish ---------------------------------------------------------------------------------------------------

LEAVES = st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=20)
RUBBISH = st.recursive(
    LEAVES, lambda inner: st.lists(inner, max_size=4) | st.dictionaries(st.text(max_size=12), inner, max_size=5)
)
FEW = settings(
    max_examples=80,
    deadline=None,
    derandomize=True,
    database=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture],
)


@FEW
@given(value=RUBBISH, path=st.sampled_from(list(PLACES)))
def test_random_json_is_refused(unchanged: Service, value: Any, path: str) -> None:
    """Whatever JSON is made up, no body is taken that nobody meant."""
    unchanged.refusal(unchanged.send(PLACES[path][0], path, dumped(value)))


@FEW
@given(body=st.binary(max_size=200), path=st.sampled_from(list(PLACES)))
def test_random_bytes_are_refused(unchanged: Service, body: bytes, path: str) -> None:
    """Whatever bytes are sent."""
    unchanged.refusal(unchanged.send(PLACES[path][0], path, body))


@FEW
@given(data=st.data())
def test_a_right_entry_spoiled_at_random_is_refused(unchanged: Service, data: st.DataObject) -> None:
    """Right entries with a few places overwritten by rubbish or cut out; behind them an entry that is never right."""
    fact = copy.deepcopy(data.draw(st.sampled_from(_facts())))
    for _ in range(data.draw(st.integers(1, 3))):
        where: Any = fact
        while isinstance(where, dict | list) and where:
            key = data.draw(st.sampled_from(list(where) if isinstance(where, dict) else list(range(len(where)))))
            if not isinstance(where[key], dict | list) or data.draw(st.booleans()):
                if data.draw(st.booleans()):
                    where[key] = data.draw(RUBBISH | st.sampled_from(BAD))
                else:
                    del where[key]
                break
            where = where[key]
    never = Teller(seed=5).fact("answered", entry="0193c7a0-1111-7222-8333-444455556666", answer="both")
    unchanged.refusal(unchanged.send("POST", "/v1/entries", dumped([fact, never])))


@FEW
@given(
    code=st.text(min_size=1, max_size=30),
    kind=st.sampled_from(["crops", "sizes", "places", "people", "recipes", "costs", "batches"]),
)
def test_a_random_code_in_a_path_is_refused_or_not_there(unchanged: Service, code: str, kind: str) -> None:
    """A path made of any text leads to something that is there, or to a problem."""
    response = unchanged.get(filled(f"/v1/{kind}/{{code}}", code=code))
    if response.status_code != 200:
        assert json.loads(response.text)["code"] in ("not-found", "bad-question")
        unchanged.refusal(response)
