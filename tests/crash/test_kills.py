"""`kill -9` in the middle of posting, of the service and of PostgreSQL: what was acknowledged is there, and once.

The real `tallybench serve` as a process of its own, with its embedded, durable PostgreSQL; clients over HTTP that do what
every client is told to do: send the same again, with the same ids, until there is an answer.
"""

from __future__ import annotations

import http.client
import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any, LiteralString, NamedTuple

import psycopg
import pytest

from ledger import keys, schema
from ledger.postgres import Server
from ledger.projections import runner
from tests.conftest import embedded_folder
from tests.telling import START, Teller

PROGRAM = [sys.executable, "-c", "from ledger.cli import main; main()"]
CLIENTS = 4
STOOD = 100_000
A_ROUND = 200
LATER = START + timedelta(days=1)
#: 20 rounds: what is killed in each
ROUNDS = ["service", "PostgreSQL", "service", "PostgreSQL", "both"] * 4

#: what the worker beside tells
OWN = ("forecast-published", "head-signed")

Fact = dict[str, Any]


class Answer(NamedTuple):
    status: int
    headers: dict[str, str]
    body: Any


class Service:
    """`tallybench serve` as a process, on a home of its own, and one key to it."""

    def __init__(self, home: Path) -> None:
        self.database = Server(home / "postgres")
        self.conninfo = self.database.conninfo("tallybench")
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port: int = free.getsockname()[1]
        subprocess.run([*PROGRAM, "migrate"], check=True, stderr=subprocess.DEVNULL)
        with self.database.use():
            self.key = keys.make(self.conninfo, "scanner", ("read", "write"))
        self.process: subprocess.Popen[bytes] | None = None

    def start(self) -> None:
        """Returns when it answers."""
        with Path(os.environ["TALLYBENCH_HOME"], "service.log").open("a") as log:
            self.process = subprocess.Popen([*PROGRAM, "serve", "--port", str(self.port)], stderr=log, stdout=log)
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            assert self.process.poll() is None, "the service ended by itself"
            try:
                if self.ask("GET", "/readyz").status == 200:
                    return
            except OSError:
                time.sleep(0.02)
        pytest.fail("the service does not get ready")

    def kill(self) -> None:
        """The service's process, without a word."""
        assert self.process is not None
        self.process.kill()
        self.process.wait()

    def kill_postgres(self) -> None:
        """The postmaster, without a word."""
        os.kill(int((self.database.data / "postmaster.pid").read_text().split("\n", 1)[0]), signal.SIGKILL)

    def stop(self) -> int:
        """As Ctrl-C or a supervisor would; the exit code."""
        assert self.process is not None
        self.process.terminate()
        return self.process.wait(timeout=30)

    def ask(self, method: str, path: str, body: object = None) -> Answer:
        """One request over a connection of its own. Raises OSError where nobody answers."""
        with closing(http.client.HTTPConnection("127.0.0.1", self.port, timeout=30)) as connection:
            return ask(connection, method, path, body, self.key)

    def query(self, question: LiteralString) -> list[tuple[Any, ...]]:
        """Rows, past the service."""
        with psycopg.connect(self.conninfo) as connection:
            return connection.execute(question).fetchall()

    def begin(self, count: int = 1) -> list[str]:
        """So many batches with very many plants each; their numbers."""
        teller = Teller(START + timedelta(hours=1), seed=time.monotonic_ns())
        pots = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": "G1"}
        came = [teller.fact("bought-in", units=STOOD, supplier_batch=f"{number}", **pots) for number in range(count)]
        answer = self.ask("POST", "/v1/entries", [*Teller().beginnings(), *came])
        assert answer.status == 201
        return [entry["batch"] for entry in answer.body["entries"][-count:]]


def ask(connection: http.client.HTTPConnection, method: str, path: str, body: object, key: str) -> Answer:
    """One request over a connection that is kept."""
    headers = {"Authorization": f"Bearer {key}", "Content-Type": "application/json"}
    try:
        connection.request(method, path, None if body is None else json.dumps(body), headers)
        answer = connection.getresponse()
        content = answer.read()
    except http.client.HTTPException as error:
        raise ConnectionError("the answer broke off") from error
    return Answer(answer.status, {name.lower(): value for name, value in answer.headers.items()}, json.loads(content))


class Client:
    """Tells of plants lost one by one, in lists; every list again and again until it is answered."""

    def __init__(self, service: Service, batch: str, number: int) -> None:
        self.service = service
        self.random = Random(number)
        self.teller = Teller(LATER, seed=time.monotonic_ns() + number)
        self.batch = batch
        self.lost = {"batch": batch, "stage": "finished", "place": "G1", "units": 1, "cause": "rot"}
        self.posted: list[tuple[list[Fact], Any]] = []
        self.told = 0
        self.retries = 0
        self.turned_away = 0

    def run(self, finished: threading.Event) -> None:
        """Until told to finish; the last list is answered, too."""
        while not finished.is_set():
            facts = [self.teller.fact("lost", **self.lost) for _ in range(self.random.choice((1, 1, 2, 5)))]
            self.posted.append((facts, self.until_answered(facts)))
            self.told += len(facts)

    def until_answered(self, facts: list[Fact]) -> Any:
        """The body of the 201."""
        deadline = time.monotonic() + 60
        while time.monotonic() < deadline:
            with closing(http.client.HTTPConnection("127.0.0.1", self.service.port, timeout=10)) as connection:
                try:
                    answer = ask(connection, "POST", "/v1/entries", facts, self.service.key)
                except OSError:
                    self.retries += 1
                    time.sleep(0.02)
                    continue
            if answer.status == 201:
                return answer.body
            assert answer.status == 503, answer
            assert_unavailable(answer)
            self.turned_away += 1
            time.sleep(0.02)
        pytest.fail("nobody answered for a minute")


def assert_unavailable(answer: Answer) -> None:
    """A problem document that says what to do, and when."""
    assert answer.status == 503
    assert int(answer.headers["retry-after"]) > 0
    assert answer.headers["content-type"] == "application/problem+json"
    assert answer.body["code"] == "unavailable"
    assert answer.body["status"] == 503
    assert "send the same again" in answer.body["detail"]


def eventually(holds: Callable[[], bool], seconds: float = 30) -> bool:
    """Whether it comes to hold in time."""
    deadline = time.monotonic() + seconds
    while not holds():
        if time.monotonic() > deadline:
            return False
        time.sleep(0.01)
    return True


@pytest.fixture(scope="module")
def home(request: pytest.FixtureRequest) -> Iterator[Path]:
    """TALLYBENCH_HOME for all of these tests."""
    if request.config.getoption("--postgres") != "embedded":
        pytest.skip("this is about the service with its embedded server")
    with embedded_folder() as folder, pytest.MonkeyPatch.context() as patch:
        patch.setenv("TALLYBENCH_HOME", str(folder))
        yield folder


@pytest.fixture(scope="module")
def killable(home: Path) -> Iterator[Service]:
    """A new and durable database, and the service that is to serve it."""
    service = Service(home)
    yield service
    if service.process is not None and service.process.poll() is None:
        service.kill()
    with service.database.turn():
        service.database.stop()


@pytest.fixture
def service(killable: Service) -> Service:
    """Serving."""
    if killable.process is None or killable.process.poll() is not None:
        killable.start()
    return killable


def test_nothing_acknowledged_is_lost_and_nothing_is_there_twice(service: Service) -> None:
    """Twenty rounds of killing while four clients post; afterwards log, balances and answers tie."""
    random, finished = Random(1), threading.Event()
    clients = [Client(service, batch, number) for number, batch in enumerate(service.begin(CLIENTS))]
    begun = service.query("select position from pen")[0][0]
    with ThreadPoolExecutor(CLIENTS) as pool:
        running = [pool.submit(client.run, finished) for client in clients]
        try:
            for killed in ROUNDS:
                enough = sum(client.told for client in clients) + A_ROUND
                assert eventually(lambda: sum(client.told for client in clients) >= enough)  # noqa: B023 - asked at once
                time.sleep(random.random() * 0.03)
                if killed != "service":
                    service.kill_postgres()
                if killed != "PostgreSQL":
                    service.kill()
                    service.start()
        finally:
            finished.set()
        for client in running:
            client.result()
    posted = [post for client in clients for post in client.posted]
    acknowledged = [fact["id"] for facts, _ in posted for fact in facts]
    assert len(acknowledged) >= A_ROUND * len(ROUNDS)
    assert min(client.retries for client in clients) > 0, "nobody was ever interrupted"

    log = service.query("select id::text, position, type from entries order by position")
    assert [position for _, position, _ in log] == list(range(1, len(log) + 1))
    told = [(entry, position) for entry, position, kind in log[begun:] if kind not in OWN]
    positions = dict(told)
    assert positions.keys() == set(acknowledged)
    assert len(told) == len(acknowledged) == len(set(acknowledged))
    for facts, answer in posted:
        assert [(entry["id"], entry["position"]) for entry in answer["entries"]] == [
            (fact["id"], positions[fact["id"]]) for fact in facts
        ]
    standing = service.query("select holder, units from p_cards.balances where place = 'G1'")
    assert dict(standing).items() >= {client.batch: STOOD - client.told for client in clients}.items()
    for facts, answer in random.sample(posted, 20):
        assert service.ask("POST", "/v1/entries", facts).body == answer
    again = service.query(
        "select id::text, position from entries where type not in ('forecast-published', 'head-signed') order by position"
    )
    assert again[-len(told) :] == told
    assert runner.verify(service.conninfo) == []
    schema.check(service.conninfo)
    assert service.stop() == 0
    assert not service.database.listens()


def test_while_postgres_is_away_the_service_says_so_and_works_again_by_itself(service: Service) -> None:
    """503 with Retry-After and a problem document, for writing and reading; the process lives, and is not ready."""
    (batch,) = service.begin()
    lost = Teller(LATER, seed=time.monotonic_ns()).fact("lost", batch=batch, stage="finished", place="G1", units=1, cause="rot")
    with service.database.turn():  # so that the watch has to wait
        service.kill_postgres()
        assert eventually(lambda: not service.database.listens())
        for _ in range(3):
            assert_unavailable(service.ask("POST", "/v1/entries", lost))
        with ThreadPoolExecutor(2) as pool:
            stock, ready = (pool.submit(service.ask, "GET", path) for path in ("/v1/stock", "/readyz"))
            assert service.ask("GET", "/healthz").status == 200
            assert_unavailable(stock.result())
            assert ready.result().status == 503
    assert eventually(lambda: service.ask("POST", "/v1/entries", lost).status == 201)
    assert eventually(lambda: service.ask("GET", "/v1/stock").status == 200)
    assert eventually(lambda: service.ask("GET", "/readyz").status == 200)
    (line,) = (line for line in service.ask("GET", "/v1/stock").body["lines"] if line["batch"] == batch)
    assert line["units"] == STOOD - 1
    assert runner.verify(service.conninfo) == []


def test_an_entry_posted_again_after_a_crash_has_the_same_answer(service: Service) -> None:
    """The client cannot know whether its entry was written before the answer was lost; the ledger does."""
    (batch,) = service.begin()
    made = Teller(LATER, seed=time.monotonic_ns()).fact(
        "potted-up", batch=batch, place="G1", size="C2", pots=5, casualties=1, to="G2"
    )
    first = service.ask("POST", "/v1/entries", [made])
    service.kill()
    service.kill_postgres()
    service.start()
    again = service.ask("POST", "/v1/entries", [made])
    assert (again.status, again.body) == (first.status, first.body) == (201, first.body)
    changed = service.ask("POST", "/v1/entries", [{**made, "pots": 6}])
    assert (changed.status, changed.body["code"]) == (409, "id-reused")
    assert runner.verify(service.conninfo) == []
