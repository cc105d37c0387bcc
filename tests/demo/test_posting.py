"""The demo goes through the real service: the client keeps its connection, and the ledger refuses nothing."""

from __future__ import annotations

import io
import json
import socket
import threading
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import Any, ClassVar

import pytest
from rich.console import Console

from ledger import keys, serving
from ledger.demo.history import Brindlewick, history
from ledger.demo.post import ENTRIES_A_POST, Client, Counter, Declined, post_days
from ledger.demo.telling import Day
from ledger.demo.tour import tour
from ledger.nursery import Nursery
from ledger.plants.entries import PersonSet

TODAY = date(2026, 11, 25)


class Service(BaseHTTPRequestHandler):
    """Writes down what it is asked; refuses lists that name nobody, drops every connection that asks for it."""

    protocol_version = "HTTP/1.1"
    asked: ClassVar[list[tuple[str, str | None, Any]]] = []
    connections: ClassVar[set[Any]] = set()
    drops: ClassVar[int] = 0

    def do_POST(self) -> None:
        body = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        if Service.drops:
            Service.drops -= 1
            self.close_connection = True
            return
        Service.asked.append((self.path, self.headers["Authorization"], body))
        Service.connections.add(self.client_address)
        refused = any(entry["by"] == "nobody" for entry in body)
        answer = {"status": 422, "code": "unknown-code", "detail": "there is no person nobody"} if refused else {"as_of": 1}
        self._answer(422 if refused else 201, json.dumps(answer).encode())

    def do_GET(self) -> None:
        self._answer(502, b"<p>not JSON</p>")

    def _answer(self, status: int, content: bytes) -> None:
        self.send_response(status)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base class's name
        del format, args


@pytest.fixture
def client() -> Iterator[Client]:
    """A client of a service that only writes down."""
    Service.asked.clear()
    Service.connections.clear()
    Service.drops = 0
    with ThreadingHTTPServer(("127.0.0.1", 0), Service) as server:
        thread = threading.Thread(target=server.serve_forever)
        thread.start()
        with Client(f"http://127.0.0.1:{server.server_port}/under", "secret") as made:
            yield made
        server.shutdown()
        thread.join()


def days(*numbers_of_entries: int, by: str = "owner") -> list[Day]:
    """Days with so many entries each."""
    told = datetime(2026, 11, 1, 9, tzinfo=UTC)
    return [
        Day(
            on=date(2026, 11, 1 + nth),
            entries=[PersonSet(id=uuid.uuid4(), occurred_at=told, by=by, code="owner", name="Owner") for _ in range(entries)],
        )
        for nth, entries in enumerate(numbers_of_entries)
    ]


def test_days_are_posted_in_order_in_lists_of_a_good_size_over_one_connection(client: Client) -> None:
    """No list is longer than the limit, nothing is left out or told twice, and the key goes along."""
    history_ = days(3, ENTRIES_A_POST, 2 * ENTRIES_A_POST, 1)
    quiet = Console(file=io.StringIO())
    assert post_days(Counter(client), history_, until=date(2026, 11, 5), console=quiet) == 3 * ENTRIES_A_POST + 4
    assert [len(body) for _, _, body in Service.asked] == [ENTRIES_A_POST] * 3 + [4]
    assert [entry["id"] for _, _, body in Service.asked for entry in body] == [
        str(entry.id) for day in history_ for entry in day.entries
    ]
    assert {(path, key) for path, key, _ in Service.asked} == {("/under/v1/entries", "Bearer secret")}
    assert len(Service.connections) == 1


def test_a_refused_list_is_an_error_that_prints_the_problem_document(client: Client) -> None:
    """Whoever runs the demo sees what the service said."""
    with pytest.raises(Declined, match="there is no person nobody") as refused:
        client.post(days(1, by="nobody")[0].entries)
    assert refused.value.answer.status == 422


def test_a_dropped_connection_is_opened_again_and_a_dead_service_is_an_error(client: Client) -> None:
    """The entries' ids make sure that telling twice is no harm; three drops in a row are given up on."""
    Service.drops = 2
    client.post(days(1)[0].entries)
    assert len(Service.asked) == 1
    Service.drops = 3
    with pytest.raises(OSError, match=r"."):
        client.post(days(1)[0].entries)


def test_an_answer_that_is_no_json_is_kept_as_text(client: Client) -> None:
    """Something between here and the service may answer in its own way."""
    answer = client.ask("GET", "/v1/stock")
    assert (answer.status, answer.good, answer.body) == (502, False, "<p>not JSON</p>")


@pytest.mark.parametrize("address", ["127.0.0.1:8787", "ftp://127.0.0.1", ""])
def test_an_address_that_is_none_is_refused_at_once(address: str) -> None:
    """It should begin with http:// or https://."""
    with pytest.raises(ValueError, match="begin with http"):
        Client(address, "secret")


def test_the_whole_demo_is_accepted_and_the_ledger_asks_only_about_the_potting_written_twice(nursery: Nursery) -> None:
    """Eighteen months with every thread of the story: no entry is refused, one question is raised."""
    demo = Brindlewick(seed=1, crops=12, months=18, today=TODAY)
    asked = []
    for day in demo.days():
        for start in range(0, len(day.entries), ENTRIES_A_POST):
            posted = nursery.post(day.entries[start : start + ENTRIES_A_POST])  # type: ignore[arg-type] # told, one and all
            asked += [(entry.told.id, question.of) for entry in posted.entries for question in entry.questions]
    one, two, _ = demo.told_threads[17].entries
    assert asked == [(two, one)]


@contextmanager
def served(database: str) -> Iterator[Client]:
    """A client of the real service on a database of the test's own."""
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    key = keys.make(database, "demo", keys.SCOPES)
    with serving.in_background(database, "127.0.0.1", port) as address, Client(address, key) as client:
        yield client


def test_the_demo_is_posted_over_http_and_the_tour_is_answered_from_it(database: str) -> None:
    """Three months over HTTP; then a dozen questions, a loss and its undo, and the tour can be taken again."""
    with served(database) as client:
        until = datetime.now(UTC).date()
        told = post_days(
            Counter(client), history(seed=1, crops=12, months=3, today=until), until=until, console=Console(file=io.StringIO())
        )
        assert client.ask("GET", "/v1/stock").body["as_of"] == told > 1000
        printed = io.StringIO()
        tour(client, Console(file=printed, width=200))
        text = printed.getvalue()
        assert text.count("    →") > 12
        assert "possible-duplicate" in text
        assert "not-enough-standing" in text
        assert client.ask("GET", "/v1/questions").body["questions"] == []
        assert client.ask("GET", "/v1/stock").body["as_of"] == told + 7
        assert set(client.ask("GET", "/v1/sums").body["sums"].values()) == {0}
        tour(client, Console(file=printed, width=200))
