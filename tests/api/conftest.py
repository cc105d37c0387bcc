"""The API on a ledger of its own, as a client with a key sees it, and what every refusal must look like."""

from __future__ import annotations

import json
import logging
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from urllib.parse import quote

import httpx
import psycopg
import pytest
from litestar.testing import TestClient
from psycopg import sql
from psycopg.conninfo import make_conninfo

from api import openapi
from api.app import create_app
from ledger import keys
from tests.telling import Teller

IXORA, HOYA = "ixora-copper-thimble", "hoya-pewter-spoon"
BATCH = "26W38-01W"  # the first batch of these nurseries
PROMISE = "0193c7a0-2222-7222-8333-444455556666"
PROBLEM = "application/problem+json"
#: what some paths cannot be asked without, by their last part
NEEDED: dict[str, dict[str, Any]] = {
    "ready-by": {"quantity": 3}, "consistency": {"from": 3, "to": 5}, "{position}": {"size": 5},
    "striking": {"crop": IXORA, "units": 30},
}  # fmt: skip
logging.getLogger("httpx").setLevel(logging.WARNING)  # thousands of requests, each worth a line


class Service:
    """The API with a key of all scopes. Nothing is read from it but by HTTP."""

    def __init__(self, client: TestClient[Any], conninfo: str, key: str) -> None:
        self.client = client
        self.conninfo = conninfo
        self.teller = Teller()
        client.headers["Authorization"] = f"Bearer {key}"
        self.openapi: dict[str, Any] = client.get("/openapi.json").json()

    def get(self, path: str, headers: dict[str, Any] | None = None, asked: dict[str, Any] | None = None) -> httpx.Response:
        """Ask a question."""
        return self.client.get(path, params=asked or None, headers=headers)

    def answer(self, path: str, **asked: Any) -> Any:
        """What is answered; the test fails where it is refused."""
        response = self.get(path, asked=asked)
        assert response.status_code == 200, response.text
        return response.json()

    def post(self, told: Any) -> httpx.Response:
        """Post an entry or a list, as JSON."""
        return self.client.post("/v1/entries", json=told)

    def tell(self, kind: str, /, **fields: Any) -> dict[str, Any]:
        """Post one entry that must be taken; it as it was written."""
        response = self.post(self.teller.fact(kind, **fields))
        assert response.status_code == 201, response.text
        written: dict[str, Any] = response.json()["entries"][0]
        return written

    def send(self, method: str, path: str, body: bytes, headers: dict[str, Any] | None = None) -> httpx.Response:
        """Send these very bytes, as JSON unless the headers say otherwise."""
        return self.client.request(method, path, content=body, headers={"Content-Type": "application/json", **(headers or {})})

    def position(self) -> int:
        """The last position of the ledger."""
        return int(self.client.get("/readyz").json()["position"])

    @property
    def codes(self) -> set[str]:
        """The codes that the document says a refusal can have."""
        return set(self.openapi["components"]["schemas"]["ProblemDocument"]["properties"]["code"]["enum"])

    def refusal(self, response: httpx.Response) -> dict[str, Any]:
        """The problem document (RFC 9457) of a refusal, which is the caller's fault and says what to do."""
        assert 400 <= response.status_code < 500, f"{response.status_code}: {response.text[:300]}"
        assert response.headers["Content-Type"] == PROBLEM
        found: dict[str, Any] = response.json()
        assert found["status"] == response.status_code
        assert found["code"] in self.codes
        assert found["type"] == f"/docs#{found['code']}"
        assert len(found["detail"]) > len("Bad Request"), found
        assert found["title"]
        for problem in found.get("problems", []):
            assert problem["code"] in self.codes
            assert problem["detail"]
        return found


@contextmanager
def serving(conninfo: str) -> Iterator[Service]:
    """The API on a ledger."""
    with TestClient(create_app(conninfo)) as client:
        yield Service(client, conninfo, keys.make(conninfo, "all", keys.SCOPES))


@pytest.fixture(scope="session")
def quiet(cluster: str, template_database: str) -> Iterator[Service]:
    """The API on a nursery that nobody writes to: some plants stand in it, and every test leaves it as it was."""
    name = f"tallybench_quiet_{uuid.uuid4().hex}"
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(sql.SQL("create database {} template {}").format(*map(sql.Identifier, (name, template_database))))
        try:
            with serving(make_conninfo(cluster, dbname=name)) as opened:
                assert opened.post(opened.teller.beginnings()).status_code == 201
                live(opened)
                opened.tell(
                    "crop-set", code="coleus-low-ember", name="Low Ember", species="Coleus scutellarioides", group="Soft"
                )
                for _ in range(3):
                    opened.tell("opened", crop=IXORA, stage="finished", size="P9", place="G2", units=6)
                yield opened
        finally:
            connection.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


@pytest.fixture
def unchanged(quiet: Service) -> Iterator[Service]:
    """The quiet nursery; the test fails if its ledger went on meanwhile."""
    before = quiet.position()
    yield quiet
    assert quiet.position() == before


@pytest.fixture
def service(database: str, quiet: Service, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    """The API on a small nursery of the test's own. The document is the quiet one's: making it takes half a second."""
    monkeypatch.setattr(openapi, "document", lambda _: quiet.openapi)
    with serving(database) as opened:
        assert opened.post(opened.teller.beginnings()).status_code == 201
        yield opened


def recipe(crop: str) -> dict[str, Any]:
    """A recipe's fields."""
    months = {"days": [30] * 12, "come_through": [90] * 12}
    return {"crop": crop, "rooting": months, "growing": {"P9": months}, "holding_limit_days": [60] * 12}


def live(service: Service) -> None:
    """Plants stopped, held, treated, counted, picked, shipped, claimed, moved on and lost, and a question to answer."""
    tell = service.tell
    batch = tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=60)["batch"]
    assert batch == BATCH
    tell("recipe-set", **recipe(IXORA))
    tell("cost-set", step="potting", amount="0.35", effective_on="2026-01-01", size="P9")
    tell("policy-set", time_zone="Europe/London")
    tell("temperatures-set", normals_tenths_c=[180] * 12)
    tell("books-set", selling_percent=18)
    tell("prints-set", address="https://bench.example")
    tell("counted", batch=batch, stage="finished", place="G1", units=58, method="blind-count")
    tell("lost", batch=batch, stage="finished", place="G1", units=3, cause="rot")
    tell("lost", batch=batch, stage="finished", place="G1", units=3, cause="rot", by="potter")
    tell("held", reason="buyer", review_on="2026-12-01", batch=batch, units=2)
    tell("treated", product="Soap", places=["G1"], batches=[batch], re_entry_ends="2030-01-01T00:00:00Z")
    tell("picked", order="A-1", batch=batch, place="G1", units=5, to="K1")
    tell("shipped", order="A-1", carrier="Van", region="North", lines=[{"batch": batch, "place": "K1", "units": 5}])
    tell("damage-claimed", order="A-1", batch=batch, units=1, carrier="Van", cause="crushed")
    tell("potted-up", batch=batch, place="G1", size="C2", pots=4, to="G2")
    tell("given-out", batch=batch, stage="finished", place="G1", units=1, why="fair", approved_by="potter")
    taken = tell("gathered", crop=HOYA, stock_plants=[{"stock_plant": "S-HOY", "cuttings": 30}], place="P1")["batch"]
    tell("struck", batch=taken, gathered_at="P1", cuttings=30, per_cell=1, cells=30, place="P1")
    tell("stopped", reason="quality", batch=taken)
    tell("destination-set", region="North", name="The north", rules=[rule("refused", crop=HOYA)])
    told = tell("promised", id=PROMISE, order="B-1", region="North", lines=[{"crop": IXORA, "size": "P9", "units": 2}])
    tell("promise-confirmed", promise=told["id"])
    tell("reversed", entry=tell("lost", batch=taken, stage="struck", place="P1", units=1, cause="rot")["id"], reason="slip")


def rule(verdict: str, **more: Any) -> dict[str, Any]:
    """A rule of a region."""
    return {"verdict": verdict, "because": "a weed there", "source": "own list", "checked_on": "2026-09-01", **more}


CODES = {
    "crops": IXORA, "sizes": "P9", "places": "G1", "people": "potter", "recipes": IXORA, "costs": "potting.all.P9",
    "policies": "nursery", "accounting": "nursery", "stock-plants": "S-IXO", "destinations": "North", "temperatures": "nursery",
    "prints": "nursery",
}  # fmt: skip


def filled(path: str, **instead: str) -> str:
    """A path of the document with codes that are there, escaped."""
    kind = path.split("/")[2] if path.startswith("/v1/") else ""
    codes = {
        "crop": IXORA, "size": "P9", "batch": BATCH, "promise": PROMISE, "position": "3", "period": "2000-01",
        "order": "B-1", "place": "G1",
        "code": CODES.get(kind, ""), **instead,
    }  # fmt: skip
    return re.sub(r"{(\w+)}", lambda name: quote(codes[name[1]], safe=""), path)


def dumped(value: Any) -> bytes:
    """JSON as a careless program sends it: NaN and halves of characters are let through, and what is infinite is 1e400."""
    return json.dumps(value).replace("Infinity", "1e400").encode()
