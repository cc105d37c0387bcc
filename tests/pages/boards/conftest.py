"""The boards on a small nursery of the test's own, as a device that has signed in and is in somebody's hands sees them."""

from __future__ import annotations

import html
import logging
import re
import uuid
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import httpx
import psycopg
import pytest
from litestar.testing import TestClient

from api import openapi
from api.app import create_app
from ledger import keys
from ledger.log import codec
from ledger.nursery import Nursery
from ledger.plants.entries import THE_LEDGER, PromiseAtRisk
from tests.promising import foretold
from tests.promising.shop import PLAIN
from tests.telling import Teller

IXORA, HOYA = "ixora-copper-thimble", "hoya-pewter-spoon"
#: making the API's document takes half a second, and it is the same for every test
_DOCUMENT: dict[str, Any] = {}
logging.getLogger("httpx").setLevel(logging.WARNING)


def now() -> datetime:
    """The clock of the database, near enough; the nursery of these tests keeps UTC."""
    return datetime.now(UTC)


def today() -> date:
    """The day in these nurseries."""
    return now().date()


class Desk:
    """A device with all scopes in the head grower's hands. What the ledger holds is asked of the API."""

    def __init__(self, client: TestClient[Any], conninfo: str) -> None:
        self.client, self.conninfo, self.teller = client, conninfo, Teller()
        self._key = {"Authorization": f"Bearer {keys.make(conninfo, 'all', keys.SCOPES)}"}

    # --- the ledger ---

    def post(self, told: list[dict[str, Any]]) -> Any:
        """Entries told by the API, which must take them."""
        response = self.client.post("/v1/entries", json=told, headers=self._key)
        assert response.status_code == 201, response.text
        return response.json()

    def tell(self, kind: str, /, **fields: Any) -> dict[str, Any]:
        """One entry told by the API; it as it was written."""
        written: dict[str, Any] = self.post([self.teller.fact(kind, **fields)])["entries"][0]
        return written

    def ask(self, path: str, **asked: Any) -> Any:
        """An answer of the API."""
        response = self.client.get(path, params=asked, headers=self._key)
        assert response.status_code == 200, response.text
        return response.json()

    def told(self, kind: str) -> list[dict[str, Any]]:
        """What was told of one type, in order."""
        return [entry["told"] for entry in self.ask("/v1/entries", type=kind)["entries"]]

    def standing(self, batch: str) -> dict[str, int]:
        """Units by `<stage>/<place>`, without what is empty."""
        card = self.ask(f"/v1/batches/{batch}")["batch"]
        return {where: there["units"] for where, there in card["standing"].items() if there["units"]}

    def finished(self, units: int, crop: str = IXORA, place: str = "G1", size: str = "P9") -> str:
        """So many finished pots; their batch."""
        return str(self.tell("opened", crop=crop, stage="finished", size=size, place=place, units=units)["batch"])

    def promise(self, units: int, order: str = "A-1", crop: str = IXORA, *, due: date | None = None, **more: Any) -> str:
        """A basket that is granted and bought; the promise."""
        line = {"crop": crop, "size": "P9", "units": units} | ({"due": due.isoformat()} if due else {})
        promise = str(self.tell("promised", order=order, lines=[line], occurred_at=now(), **more)["id"])
        self.tell("promise-confirmed", promise=promise, occurred_at=now())
        return promise

    def forecast(self, relied: dict[str, int], curve: foretold.Curve, plugs: dict[str, int] | None = None) -> None:
        """A forecast of the ixora that the ledger publishes now."""
        position = self.client.get("/readyz").json()["position"]
        pool = foretold.pool(sum((plugs or {}).values()), plugs)
        made = foretold.forecast(IXORA, today(), position, {"P9": foretold.size(curve, relied)}, pool)
        self.by_itself(
            codec.read_told([self.teller.fact("forecast-published", forecast=made, by=THE_LEDGER, occurred_at=now())])
        )

    def at_risk(self, promise: str, short: int, because: list[str]) -> None:
        """What the ledger tells when the chance of a promise's first line has fallen."""
        told = PromiseAtRisk(
            id=uuid4(), occurred_at=now(), by=THE_LEDGER, promise=UUID(promise), line=0, chance=50, short=short,
            because=[UUID(entry) for entry in because], offered=today() + timedelta(days=30),
        )  # fmt: skip
        self.by_itself([told])

    def by_itself(self, told: Any) -> None:
        """Entries that only the ledger tells, from another process; what this one writes after shows them at once."""
        with Nursery(self.conninfo) as nursery:
            nursery.post(told, client=THE_LEDGER)
        self.tell("person-set", code="packer", name="packer")

    # --- the device ---

    def sign_in(self, scopes: tuple[str, ...] = keys.SCOPES, person: str | None = "head-grower") -> None:
        """Sign in anew, and put the device in somebody's hands."""
        self.client.cookies.clear()
        key = keys.make(self.conninfo, f"phone {uuid.uuid4().hex[:6]}", scopes)  # type: ignore[arg-type]
        self.client.post("/sign-in", data={"key": key})
        if person is not None:
            token = forms(self.read("/who"))["/who"][0]["token"]
            self.client.post("/who", data={"person": person, "token": token, "next": "/today"})

    def read(self, path: str, status: int = 200) -> str:
        """A page."""
        response = self.client.get(path, follow_redirects=True)
        assert response.status_code == status, response.text
        assert "script-src 'self'" in response.headers["Content-Security-Policy"]
        return response.text

    def send(self, path: str, fields: dict[str, str]) -> httpx.Response:
        """Send a form."""
        response: httpx.Response = self.client.post(path, data=fields, follow_redirects=False)
        return response

    def act(self, page: str, action: str, at: int = 0, /, **given: str) -> httpx.Response:
        """Fill in and send the form of a page that goes to `action`; the `at`-th where there are several."""
        return self.send(action, forms(self.read(page))[action][at] | given)


def forms(page: str) -> dict[str, list[dict[str, str]]]:
    """The forms of a page by where they go, each with its fields as they are filled in beforehand."""
    found: dict[str, list[dict[str, str]]] = {}
    for head, body in re.findall(r"<form([^>]*)>(.*?)</form>", page, re.DOTALL):
        action = re.search(r'action="([^"]*)"', head)
        fields: dict[str, str] = {}
        for tag in re.findall(r"<input[^>]*>", body):
            name, value = re.search(r' name="([^"]+)"', tag), re.search(r' value="([^"]*)"', tag)
            if name is not None and "checkbox" not in tag:
                fields[name[1]] = html.unescape(value[1]) if value is not None else ""
        for name, inside in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', body, re.DOTALL):
            chosen = re.search(r'value="([^"]*)" selected', inside) or re.search(r'value="([^"]*)"', inside)
            fields[name] = chosen[1] if chosen is not None else ""
        found.setdefault(action[1] if action else "", []).append(fields)
    return found


def plain(page: str) -> str:
    """What a page says, without its tags."""
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", page[page.index("<main") :])).split())


@pytest.fixture
def desk(database: str, monkeypatch: pytest.MonkeyPatch) -> Iterator[Desk]:
    """A device signed in, in a small nursery of the test's own, without a count buffer."""
    made = openapi.document

    def once(app: Any) -> Any:
        if "made" not in _DOCUMENT:
            _DOCUMENT["made"] = made(app)
        return _DOCUMENT["made"]

    monkeypatch.setattr(openapi, "document", once)
    with TestClient(create_app(database)) as client:
        opened = Desk(client, database)
        opened.post([*opened.teller.beginnings(), opened.teller.fact("policy-set", **PLAIN)])
        opened.sign_in()
        yield opened


def heard(conninfo: str, waiting: int, ago: timedelta) -> None:
    """A device that was heard of so long ago, with so many entries waiting on it."""
    with psycopg.connect(conninfo) as connection:
        connection.execute("update keys set heard_at = %s, waiting = %s where name = 'all'", [now() - ago, waiting])
