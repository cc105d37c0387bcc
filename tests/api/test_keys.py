"""Who may call what: no route is open by default, and a key opens the routes of its scopes and no other."""

from __future__ import annotations

import hashlib
import re
import time
from datetime import UTC, datetime, timedelta
from typing import Any

import psycopg
import pytest
from litestar.routes import HTTPRoute

from ledger import answers, keys
from tests.api.conftest import BATCH, HOYA, IXORA, PROMISE, Service, filled

OPEN = ("/healthz", "/readyz", "/metrics", "/openapi.json", "/docs", "/static/docs.css")


def _ask(service: Service, method: str, path: str, authorization: str | None) -> Any:
    headers = {"Content-Type": "application/json", **({"Authorization": authorization} if authorization is not None else {})}
    bare = service.client.build_request(
        method.upper(), filled(path), content=b"" if method == "get" else b"{}", headers=headers
    )
    if authorization is None:
        del bare.headers["Authorization"]
    return service.client.send(bare)


def test_a_key_opens_the_routes_of_its_scope_and_no_other(unchanged: Service) -> None:
    """Every route with a key of every single scope: 403 unless it is the route's own."""
    reached = dict.fromkeys(keys.SCOPES, 0)
    for scope in keys.SCOPES:
        key = f"Bearer {keys.make(unchanged.conninfo, f'only {scope}', [scope])}"
        for path, methods in unchanged.openapi["paths"].items():
            for method, operation in methods.items():
                response = _ask(unchanged, method, path, key)
                if operation.get("x-scope", scope) == scope:
                    assert response.status_code not in (401, 403), (scope, path)
                    reached[scope] += 1
                else:
                    found = unchanged.refusal(response)
                    assert (found["status"], found["code"]) == (403, "not-allowed")
                    assert operation["x-scope"] in found["detail"]
    assert reached["read"] > reached["manage"] > reached["promise"] > reached["offer"] > reached["write"]


@pytest.mark.parametrize(
    "authorization", [None, "", "Bearer", "Bearer ", "Basic eDp5", "Bearer no-such-key", "tally-x", "Bearer a b"]
)
def test_without_a_key_in_force_nothing_but_the_open_routes_answers(unchanged: Service, authorization: str | None) -> None:
    """401 and how to sign in, at every route that is not open."""
    for path, methods in unchanged.openapi["paths"].items():
        for method in methods:
            if path not in OPEN:
                response = _ask(unchanged, method, path, authorization)
                assert unchanged.refusal(response)["code"] == "no-key"
                assert response.headers["WWW-Authenticate"] == "Bearer"
    for path in OPEN:
        assert _ask(unchanged, "get", path, authorization).status_code == 200


def test_a_route_without_a_scope_is_closed(unchanged: Service) -> None:
    """Whatever handler has no scope of its own refuses even a key of all scopes: forgetting it closes a route."""
    closed = [
        (str(method), route.path)
        for route in unchanged.client.app.routes
        if isinstance(route, HTTPRoute)
        for handler in route.route_handlers
        if "scope" not in handler.opt
        for method in handler.http_methods
    ]
    assert {method for method, _ in closed} >= {"GET", "OPTIONS"}
    for method, path in closed:
        response = unchanged.client.request(method, re.sub(r"{\w+:\w+}", BATCH, re.sub(r"{\w+:uuid}", PROMISE, path)))
        assert response.status_code == 403, path  # a page says so in words, everything else as a problem


def test_a_revoked_or_expired_key_ends(unchanged: Service, monkeypatch: pytest.MonkeyPatch) -> None:
    """A revoked key once it is looked up again, an expired one at its time, also while it is remembered."""
    ends = datetime.now(UTC) + timedelta(seconds=1)
    lasting = keys.make(unchanged.conninfo, "lasting", ["read"])
    ending = keys.make(unchanged.conninfo, "ending", ["read"], ends)
    ended = keys.make(unchanged.conninfo, "ended", ["read"], datetime.now(UTC) - timedelta(seconds=1))
    assert unchanged.refusal(_ask(unchanged, "get", "/v1/sums", f"Bearer {ended}"))["code"] == "no-key"
    for key in (lasting, ending):
        assert _ask(unchanged, "get", "/v1/sums", f"Bearer {key}").status_code == 200
    assert keys.revoke(unchanged.conninfo, lasting.split("-")[1]) == "lasting"
    monkeypatch.setattr("api.keys.time.monotonic", lambda now=time.monotonic: now() + 5.001)
    assert unchanged.refusal(_ask(unchanged, "get", "/v1/sums", f"Bearer {lasting}"))["code"] == "no-key"
    monkeypatch.undo()
    time.sleep(max(0.0, (ends - datetime.now(UTC)).total_seconds()))
    assert unchanged.refusal(_ask(unchanged, "get", "/v1/sums", f"Bearer {ending}"))["code"] == "no-key"


def test_only_the_hash_of_a_key_is_kept(unchanged: Service) -> None:
    """The key itself is in no column; its SHA-256 is."""
    key = keys.make(unchanged.conninfo, "shown once", ["read"])
    secret = key.removeprefix(f"tally-{key.split('-')[1]}-")
    with psycopg.connect(unchanged.conninfo) as connection:
        (row,) = connection.execute("select to_jsonb(keys)::text from keys where name = 'shown once'").fetchall()
    assert secret not in row[0]
    assert hashlib.sha256(key.encode()).hexdigest() in row[0]


def test_metrics_tell_counts_and_nothing_else(unchanged: Service) -> None:
    """Names of projections and numbers: no code, no key, no name of what is in the ledger."""
    response = unchanged.client.get("/metrics")
    assert response.headers["Content-Type"].count("charset") == 1
    lines = [line for line in response.text.splitlines() if not line.startswith("#")]
    assert all(re.fullmatch(r'tallybench_[a-z_]+({projection="[a-z]+"})? [0-9.e+]+', line) for line in lines)
    assert f"tallybench_position {float(unchanged.position())}" in lines
    assert not any(word in response.text for word in (IXORA, HOYA, BATCH, "potter", "26W38"))


def test_a_fault_is_told_in_one_sentence_and_its_log_gives_no_key_away(
    unchanged: Service, monkeypatch: pytest.MonkeyPatch, capfd: pytest.CaptureFixture[str]
) -> None:
    """A defect of the program answers 500 without its reason; the log has the traceback, but not the headers of the request."""

    def broken(_: object) -> None:
        raise RuntimeError("the reason")

    monkeypatch.setattr(answers, "sums", broken)
    response = unchanged.client.get("/v1/sums")
    assert (response.status_code, response.json()["code"]) == (500, "fault")
    assert "the reason" not in response.text
    logged = "".join(capfd.readouterr())
    assert "the reason" in logged
    assert unchanged.client.headers["Authorization"].removeprefix("Bearer ")[:30] not in logged
