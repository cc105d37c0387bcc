"""The demo served for whoever visits its pages: a small history, a device signed in, and an address of every page there is.

The pages are listed from the application's own routes, so that a page nobody gave an example of is found out.
"""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from typing import Any

import httpx
from msgspec import Struct

from api.app import create_app
from ledger import forecaster, keys, schema, serving
from ledger.demo import history, post
from ledger.nursery import Nursery

CROPS, MONTHS = 4, 6
_PARAMETER = re.compile(r"\{(\w+)")


class Demo(Struct, frozen=True, kw_only=True):
    """A demo that is being served. known: something that is in it for each parameter of a path."""

    conninfo: str
    address: str
    key: str
    known: dict[str, str]

    def at(self, example: str) -> str:
        """An example's path with what is known of this demo."""
        return example.format_map(self.known)

    def client(self) -> httpx.Client:
        """A client with the key, as a storefront has it."""
        return httpx.Client(base_url=self.address, headers={"Authorization": f"Bearer {self.key}"}, timeout=60)

    def device(self) -> httpx.Client:
        """A client with the cookie of a device that is in somebody's hands."""
        opened = httpx.Client(base_url=self.address, timeout=60, follow_redirects=True)
        opened.post("/sign-in", data={"key": self.key, "next": "/who"})
        page = opened.get("/who").text
        token = re.search(r'data-token="([^"]+)"', page)
        person = re.search(r'name="person" value="([^"]+)"', page)
        assert token, "the device was not signed in"
        assert person, "nobody to tap on"
        opened.post("/who", data={"token": token[1], "person": person[1], "next": "/who"})
        return opened


#: an address or more of each page by its route: what is in braces is looked up in the demo
EXAMPLES: dict[str, tuple[str, ...]] = {
    "/": ("/",),
    "/sign-in": ("/sign-in",),
    "/who": ("/who",),
    "/today": ("/today",),
    "/tag": ("/tag", "/tag?number=nonsense"),
    "/t/{batch}": ("/t/{batch}",),
    "/stock/{code}": ("/stock/{stock}",),
    "/batch/{number}": ("/batch/{batch}", "/batch/{struck}", "/batch/{rooted}", "/batch/{finished}"),
    "/act/{kind}": (
        "/act/strike?stock={stock}",
        "/act/root?batch={struck}",
        "/act/pot?batch={rooted}",
        "/act/lose?batch={rooted}",
        "/act/count?batch={rooted}",
        "/act/move?batch={rooted}",
        "/act/pick?batch={finished}",
        "/act/stop?batch={finished}",
    ),
    "/undo/{entry}": ("/undo/{entry}",),
    "/bench": ("/bench",),
    "/bench/{place}": ("/bench/{place}",),
    "/board": ("/board", "/board?q=a"),
    "/board/{crop}/{size}": ("/board/{crop}/{size}",),
    "/potting": ("/potting",),
    "/count": ("/count",),
    "/count/{place}": ("/count/{place}",),
    "/picks": ("/picks",),
    "/picks/instead": ("/picks/instead?crop={crop}&size={size}&batch={finished}&place={place}&units=1&order={order}",),
    "/packing/{order}": ("/packing/{order}",),
    "/striking": ("/striking", "/striking?crop={crop}&size={size}&units=60"),
    "/promises": ("/promises",),
    "/promises/{promise}": ("/promises/{promise}",),
    "/kept": ("/kept",),
    "/books": ("/books", "/books?show=statement", "/books?show=value", "/books?by=cause"),
    "/trace": ("/trace",),
    "/trace/{number}": ("/trace/{batch}", "/trace/{stock}"),
    "/plant/{number}": ("/plant/{finished}", "/plant/B-0000-00000"),
    "/plots": ("/plots",),
    "/queue": ("/queue",),
    "/docs": ("/docs",),
}
#: not for the eye: files, pictures, and what a script asks
_NOT_READ = re.compile(
    r"^/(v1|static|prints|books/\{|plots/.*\.svg|healthz|readyz|metrics|openapi|queue/|sw\.js|\{file_path\})"
)
_FRAMEWORK = re.compile(r"^/framework-")


def routes() -> list[str]:
    """The route of every page for the eye, in order."""
    app = create_app.__globals__
    found = set()
    for handler in _handlers(app["HANDLERS"]) + _handlers([app["PAGES"]]):
        if "GET" in handler.http_methods:
            found |= {re.sub(r":\w+\}", "}", path) for path in handler.paths}
    return sorted(path for path in found if not _NOT_READ.match(path))


def _handlers(registered: list[Any]) -> list[Any]:
    """The handlers of routers and of those that stand alone."""
    found = []
    for each in registered:
        if hasattr(each, "http_methods"):
            found.append(each)
        elif hasattr(each, "routes"):
            found += [handler for route in each.routes for handler in getattr(route, "route_handlers", ())]
    return found


def examples(route: str) -> tuple[str, ...]:
    """Addresses of a page; a route that has no parameter is its own."""
    if route in EXAMPLES:
        return EXAMPLES[route]
    assert not _PARAMETER.search(route), f"there is no example of {route}: give one in {__name__}"
    return (route,)


def addresses() -> list[str]:
    """The examples of all pages."""
    return [example for route in routes() for example in examples(route)]


# --- the demo -----------------------------------------------------------------------------------------------------


@contextmanager
def served_demo(conninfo: str, *, crops: int = CROPS, months: int = MONTHS) -> Iterator[Demo]:
    """The demo's history posted through the service into an empty database, and served while the block runs."""
    schema.migrate(conninfo)
    made = keys.make(conninfo, "visitor", keys.SCOPES)
    with serving.in_background(conninfo, "127.0.0.1", _free_port()) as address:
        today = datetime.now(UTC).date()
        with post.Client(address, made) as client, Nursery(conninfo) as nursery:
            with forecaster.Forecaster(conninfo, nursery) as forecasts:
                counter = post.Counter(client)
                for day in history.history(seed=1, crops=crops, months=months, today=today, desk=counter):
                    counter.write(day.entries)
                counter.hand_in()
                forecasts.publish(None, datetime.now(UTC))
            yield Demo(conninfo=conninfo, address=address, key=made, known=_known(client))


def found_in(conninfo: str, address: str, key: str) -> Demo:
    """A demo that somebody else serves."""
    with post.Client(address, key) as client:
        return Demo(conninfo=conninfo, address=address, key=key, known=_known(client))


def _free_port() -> int:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        return int(free.getsockname()[1])


def _known(client: post.Client) -> dict[str, str]:
    """Something of every kind that is in the demo."""
    lines = [line for line in _all(client, "/v1/stock", "lines") if line["units"]]
    biggest = {stage: max((line for line in lines if line["stage"] == stage), key=lambda line: line["units"], default=None)
               for stage in ("struck", "rooted", "growing", "finished", "picked")}  # fmt: skip
    finished = biggest["finished"]
    assert finished is not None, "the demo has nothing finished"
    known = {"crop": finished["crop"], "size": finished["size"], "place": finished["place"], "batch": finished["batch"]}
    known |= {stage: line["batch"] if line else finished["batch"] for stage, line in biggest.items()}
    promises = _body(client, "/v1/promises?state=confirmed")["promises"]
    known |= {"promise": promises[0]["promise"], "order": promises[0]["order"]}
    entries = _body(client, f"/v1/entries?batch={finished['batch']}")["entries"]
    known |= {"entry": entries[-1]["told"]["id"]}
    stock = _body(client, "/v1/entries?type=stock-set")["entries"]
    return known | {"stock": stock[0]["told"]["stock_plant"]}


def _all(client: post.Client, path: str, what: str) -> list[dict[str, Any]]:
    found, after = [], ""
    while True:
        body = _body(client, path + after)
        found += body[what]
        if not body.get("next"):
            return found
        after = f"?after={body['next']}"


def _body(client: post.Client, path: str) -> Any:
    answer = client.ask("GET", path)
    assert answer.good, f"GET {path} was answered with {answer.status}: {answer.body}"
    return answer.body
