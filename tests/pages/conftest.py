"""The pages on a small nursery, as a device that has signed in and is in somebody's hands sees them."""

from __future__ import annotations

import itertools
import logging
import re
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import httpx
import pytest
from litestar.testing import TestClient
from psycopg.conninfo import make_conninfo

from api.app import create_app
from ledger import keys
from tests.conftest import fresh
from tests.telling import Teller

_NUMBERS = itertools.count(1)
logging.getLogger("httpx").setLevel(logging.WARNING)


class Device:
    """A phone: it reads pages and sends forms. What the ledger holds is asked of the API, with a key of its own.

    Every test has a crop and stock plants of its own, so that what is usual is its own too.
    """

    def __init__(self, client: TestClient[Any], conninfo: str) -> None:
        self.client = client
        self.conninfo = conninfo
        self.teller = Teller()
        self.key = keys.make(conninfo, "all", keys.SCOPES)
        self.crop = self.stock = ""

    def begin(self, number: int) -> None:
        """A crop with stock plants that no other test knows, and the device in the potter's hands."""
        self.crop, self.stock = f"ixora-{number}", f"S-{number}"
        sizes = {"P9": {"price": "15.00"}, "C2": {"price": "23.00"}}
        self.tell("crop-set", code=self.crop, name=f"Ixora {number}", species="Ixora coccinea", group="Woody", sizes=sizes)
        self.tell("stock-set", stock_plant=self.stock, crop=self.crop, place="S1", units=20, source="opening")
        self.sign_in()

    def tell(self, kind: str, /, **fields: Any) -> dict[str, Any]:
        """An entry told by the API; it as it was written."""
        written: dict[str, Any] = self.post([self.teller.fact(kind, **fields)])["entries"][0]
        return written

    def post(self, told: list[dict[str, Any]]) -> Any:
        """Entries told by the API, which must take them."""
        response = self.client.post("/v1/entries", json=told, headers={"Authorization": f"Bearer {self.key}"})
        assert response.status_code == 201, response.text
        return response.json()

    def ask(self, path: str, **asked: Any) -> Any:
        """An answer of the API."""
        response = self.client.get(path, params=asked, headers={"Authorization": f"Bearer {self.key}"})
        assert response.status_code == 200, response.text
        return response.json()

    def entries(self, kind: str) -> list[dict[str, Any]]:
        """What was told of one type on the crop of this test, in order."""
        found = [entry["told"] for entry in self.ask("/v1/entries", crop=self.crop)["entries"]]
        return [told for told in found if told["type"] == kind]

    def standing(self, batch: str) -> dict[str, int]:
        """Units by `<stage>/<place>`, without what is empty."""
        card = self.ask(f"/v1/batches/{batch}")["batch"]
        return {where: there["units"] for where, there in card["standing"].items() if there["units"]}

    def sign_in(self, person: str | None = "potter", scopes: tuple[keys.Scope, ...] = ("read", "write")) -> None:
        """Sign in with a key of these scopes, and put the device in somebody's hands."""
        self.client.cookies.clear()
        key = keys.make(self.conninfo, f"phone {uuid.uuid4().hex[:6]}", scopes)
        self.client.post("/sign-in", data={"key": key, "next": "/who"})
        if person is not None:
            token = field(self.get("/who"), "token")
            self.client.post("/who", data={"person": person, "token": token, "next": "/tag"})

    def get(self, path: str, status: int = 200) -> str:
        """A page's text."""
        response = self.client.get(path, follow_redirects=True)
        assert response.status_code == status, response.text
        return response.text

    def form(self, path: str) -> dict[str, str]:
        """The fields of the form on a page, as they are filled in beforehand."""
        return fields(self.get(path))

    def send(self, path: str, data: dict[str, str]) -> httpx.Response:
        """Send a form."""
        response: httpx.Response = self.client.post(path, data=data, follow_redirects=False)
        return response

    def act(self, kind: str, asked: str, /, **given: str) -> httpx.Response:
        """Fill in the form of an act and send it: `asked` is its query, `__` in a field's name stands for its dot."""
        form = self.form(f"/act/{kind}?{asked}")
        return self.send(f"/act/{kind}", form | {name.replace("__", "."): value for name, value in given.items()})


def fields(text: str) -> dict[str, str]:
    """The fields of the form on a page: inputs, the checked ones of choices, and the selected of lists."""
    text = text[text.index("<form") :]
    found: dict[str, str] = {}
    for tag in re.findall(r"<input[^>]*>", text):
        name, value = re.search(r' name="([^"]+)"', tag), re.search(r' value="([^"]*)"', tag)
        if name is None or (re.search(r'type="(radio|checkbox)"', tag) and " checked" not in tag):
            continue
        found[name[1]] = value[1] if value is not None else ""
    for name, inside in re.findall(r'<select[^>]* name="([^"]+)"[^>]*>(.*?)</select>', text, re.DOTALL):
        chosen = re.search(r'value="([^"]*)" selected', inside) or re.search(r'value="([^"]*)"', inside)
        found[name] = chosen[1] if chosen is not None else ""
    return found


def field(text: str, name: str) -> str:
    """The value of a field on a page."""
    return fields(text)[name]


def plain(text: str) -> str:
    """What a page says, without its tags."""
    return " ".join(re.sub(r"<[^>]+>", " ", text[text.index("<main") :]).replace("&#39;", "'").split())


@contextmanager
def opened(cluster: str, template: str) -> Iterator[Device]:
    """A small nursery of one's own with a device."""
    with fresh(cluster, template) as name:
        conninfo = make_conninfo(cluster, dbname=name)
        with TestClient(create_app(conninfo)) as client:
            device = Device(client, conninfo)
            device.post(device.teller.beginnings())
            yield device


@pytest.fixture(scope="session")
def nursery_served(cluster: str, template_database: str) -> Iterator[Device]:
    """The pages on a small nursery that all tests here share; each does what it does to plants of its own."""
    with opened(cluster, template_database) as served:
        yield served


@pytest.fixture
def device(nursery_served: Device) -> Device:
    """A device in the potter's hands, and a crop of this test's own."""
    nursery_served.begin(next(_NUMBERS))
    return nursery_served


@pytest.fixture
def plugs(device: Device) -> str:
    """The number of a batch of 144 rooted plugs at H1."""
    number: str = device.tell("opened", crop=device.crop, stage="rooted", place="H1", units=144)["batch"]
    return number


@pytest.fixture
def pots(device: Device) -> str:
    """The number of a batch of 40 finished pots P9 at G1."""
    number: str = device.tell("opened", crop=device.crop, stage="finished", size="P9", place="G1", units=40)["batch"]
    return number
