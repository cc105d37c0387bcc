"""The promise book over HTTP: keys that make a call safe to send again, scopes, refusals with figures, and true documents."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID, uuid4

import jsonschema
import psycopg
import pytest
from litestar.testing import TestClient

from api.app import create_app
from ledger import keys
from ledger.log import codec
from ledger.nursery import Nursery
from ledger.plants.entries import THE_LEDGER, PromiseAtRisk
from tests.plants.memory import HOYA, IXORA
from tests.telling import Teller

Fact = dict[str, Any]


class Counter:
    """A storefront at the service, with keys of several scopes."""

    def __init__(self, client: TestClient[Any], database: str, ixoras: str) -> None:
        self.client, self.database, self.ixoras = client, database, ixoras
        scopes: dict[str, tuple[keys.Scope, ...]] = {"owner": keys.SCOPES, "shop": ("offer", "promise"), "reader": ("read",)}
        self.keys = {name: keys.make(database, name, given) for name, given in scopes.items()}
        self.keys["other-shop"] = keys.make(database, "other-shop", ("promise",))

    def post(self, path: str, body: Any, key: str | None = "", by: str = "shop") -> Any:
        """Post with a new Idempotency-Key, or with the one given as it is to be sent; None sends none."""
        headers = {"Authorization": f"Bearer {self.keys[by]}"}
        if key is not None:
            headers["Idempotency-Key"] = key or f'"{uuid4()}"'
        return self.client.post(f"/v1/promises{path}", json=body, headers=headers)

    def get(self, path: str, by: str = "owner") -> Any:
        return self.client.get(path, headers={"Authorization": f"Bearer {self.keys[by]}"})

    def promise(self, units: int = 1, order: str = "A-1", **more: Any) -> str:
        """A basket that is granted."""
        answer = self.post("", basket(units, order, **more))
        assert answer.status_code == 201, answer.text
        return str(answer.json()["promise"])

    def promises(self, question: str = "") -> Any:
        answer = self.get(f"/v1/promises{question}")
        assert answer.status_code == 200, answer.text
        return answer.json()

    def lose(self, units: int) -> str:
        """Ixoras found dead."""
        here = {"batch": self.ixoras, "stage": "finished", "place": "G1", "cause": "rot"}
        fact = Teller(seed=9).fact("lost", **here, units=units, occurred_at=datetime.now(UTC))
        self.tell(fact)
        return str(fact["id"])

    def tell(self, fact: Fact, by: str = "owner") -> Any:
        """An entry that is taken; the answer."""
        answer = self.client.post("/v1/entries", json=fact, headers={"Authorization": f"Bearer {self.keys[by]}"})
        assert answer.status_code == 201, answer.text
        return answer.json()

    def at_risk(self, promise: str, short: int, because: list[str] | None = None) -> None:
        """What the ledger tells by itself when the chance of a promise's first line has fallen."""
        told = PromiseAtRisk(
            id=uuid4(), occurred_at=datetime.now(UTC), by=THE_LEDGER, promise=UUID(promise), line=0, chance=50, short=short,
            because=[UUID(each) for each in because or []],
        )  # fmt: skip
        with Nursery(self.database) as nursery:
            nursery.post([told], client=THE_LEDGER)


def basket(units: int = 1, order: str = "A-1", **more: Any) -> Fact:
    """A basket of ixoras, or with other lines."""
    return {"by": "packer", "order": order, "lines": [{"crop": IXORA, "size": "P9", "units": units}], **more}


@pytest.fixture
def counter(database: str) -> Iterator[Counter]:
    """40 ixoras and 20 hoyas, without a count buffer."""
    teller = Teller(datetime.now(UTC) - timedelta(days=1))
    facts = [*teller.beginnings(), teller.fact("policy-set", buffer_z_per_mille=0, always_held_units=500)]
    for crop, units in ((IXORA, 40), (HOYA, 20)):
        facts.append(teller.fact("opened", crop=crop, units=units, stage="finished", place="G1", size="P9"))
    with Nursery(database) as nursery:
        opened: Any = nursery.post(codec.read_told(facts)).entries[-2].told
    with TestClient(create_app(database)) as client:
        yield Counter(client, database, opened.batch)


def until(true: Callable[[], bool]) -> None:
    """Wait for what another thread does."""
    end = time.monotonic() + 10
    while not true():
        assert time.monotonic() < end, "it did not come"
        time.sleep(0.01)


def problem(answer: Any, status: int, code: str) -> Fact:
    """The problem document of a refusal."""
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"].startswith("application/problem+json")
    found: Fact = answer.json()
    assert (found["status"], found["code"], found["type"]) == (status, code, f"/docs#{code}")
    return found


# --- Idempotency-Key -----------------------------------------------------------------------------------------------


def test_a_call_without_a_quoted_key_is_refused(counter: Counter) -> None:
    """Every call that writes needs one, and says how."""
    for key in (None, "unquoted", '""', '"half', '"a"b"', '"' + "k" * 256 + '"'):
        for path in ("", f"/{uuid4()}/confirm", f"/{uuid4()}/release", f"/{uuid4()}/move", f"/{uuid4()}/substitute"):
            problem(counter.post(path, basket(), key), 400, "needs-idempotency-key")
    assert counter.promises()["promises"] == []


def test_the_same_call_under_the_same_key_is_done_once(counter: Counter) -> None:
    """The same promise and the same grants, though by then there is less."""
    first = counter.post("", basket(30), '"order 7"')
    counter.promise(10, "A-2")
    again = counter.post("", basket(30), '"order 7"')
    assert (first.status_code, again.status_code) == (201, 201)
    assert first.json() == again.json()
    assert len(counter.promises()["promises"]) == 2


def test_the_order_of_the_fields_does_not_make_it_another_call(counter: Counter) -> None:
    """The body as a value, not as text."""
    body = basket(30)
    first = counter.post("", body, '"order 7"').json()
    assert counter.post("", dict(reversed(body.items())), '"order 7"').json() == first


def test_a_key_sent_with_another_body_is_refused(counter: Counter) -> None:
    """And nothing is granted; the first promise stands."""
    promise = counter.post("", basket(3), '"order 7"').json()["promise"]
    problem(counter.post("", basket(4), '"order 7"'), 422, "idempotency-key-reused")
    assert [found["promise"] for found in counter.promises()["promises"]] == [promise]


def test_keys_of_two_callers_and_of_two_calls_have_nothing_to_do_with_each_other(counter: Counter) -> None:
    """The same string by another key, or at another path, is another call."""
    one = counter.post("", basket(3), '"k"').json()["promise"]
    two = counter.post("", basket(3), '"k"', by="other-shop").json()["promise"]
    assert one != two
    assert counter.post(f"/{one}/confirm", {"by": "packer"}, '"k"').status_code == 201
    assert counter.post(f"/{two}/confirm", {"by": "packer"}, '"k"').status_code == 201


def test_a_refused_call_may_be_sent_again_under_its_key(counter: Counter) -> None:
    """Nothing was written: it is decided anew, with what is there by then."""
    other = counter.promise(40, "A-2")
    problem(counter.post("", basket(5), '"order 7"'), 409, "not-promisable")
    counter.post(f"/{other}/release", {"by": "packer", "reason": "not wanted"})
    assert counter.post("", basket(5), '"order 7"').status_code == 201


def test_confirming_twice_under_one_key_is_done_once(counter: Counter) -> None:
    """Under another key it is refused, for there is nothing held any more."""
    promise = counter.promise(3)
    first, again = (counter.post(f"/{promise}/confirm", {"by": "packer"}, '"c"') for _ in range(2))
    assert first.json() == again.json()
    assert first.json()["promise"]["state"] == "confirmed"
    problem(counter.post(f"/{promise}/confirm", {"by": "packer"}), 409, "not-open")


@contextmanager
def waiting(counter: Counter, pool: ThreadPoolExecutor, units: int) -> Iterator[Future[Any]]:
    """A basket under the key "k" that waits for the pen until the block ends; it is in progress when the block begins."""
    with psycopg.connect(counter.database) as holder:
        holder.execute("select from pen for update")
        first = pool.submit(counter.post, "", basket(units), '"k"')
        queued = "select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'"
        with psycopg.connect(counter.database, autocommit=True) as watching:
            until(lambda: watching.execute(queued).fetchone() == (1,))
        yield first


def test_the_same_call_while_the_first_is_still_in_progress_is_told_to_wait(counter: Counter) -> None:
    """With the same body or another: 409, when to send it again, and nothing is done by it; other keys go on meanwhile."""
    with ThreadPoolExecutor() as pool:
        with waiting(counter, pool, 30) as first:
            for body in (basket(30), basket(2)):
                refused = counter.post("", body, '"k"')
                told = problem(refused, 409, "idempotency-key-in-progress")
                assert int(refused.headers["Retry-After"]) >= 1
                assert "again" in told["detail"]
            others = [
                pool.submit(counter.post, "", basket(1), '"k"', by="other-shop"),
                pool.submit(counter.post, "", basket(1)),
            ]
            assert not first.done()
        assert [other.result().status_code for other in others] == [201, 201]
        answered = first.result()
    assert answered.status_code == 201
    assert counter.post("", basket(30), '"k"').json() == answered.json()
    problem(counter.post("", basket(2), '"k"'), 422, "idempotency-key-reused")
    assert [promise["lines"]["0"]["open"] for promise in counter.promises()["promises"]].count(30) == 1
    assert len(counter.promises()["promises"]) == 3


def test_a_key_is_free_again_after_a_first_call_that_failed(counter: Counter) -> None:
    """Refused while a second one was told to wait: the key may then stand for another basket."""
    with ThreadPoolExecutor() as pool:
        with waiting(counter, pool, 500) as first:
            problem(counter.post("", basket(500), '"k"'), 409, "idempotency-key-in-progress")
        problem(first.result(), 409, "not-promisable")
    assert counter.post("", basket(5), '"k"').status_code == 201


def test_confirming_a_hold_that_ran_out_is_answered_with_what_is_there_now(counter: Counter) -> None:
    """In the same call: refused with the figures while another holds its plants, granted when they are free again."""
    lines = [{"crop": IXORA, "size": "P9", "units": 5, "allow_later": True}]
    hour_ago = datetime.now(UTC) - timedelta(hours=1)
    late = Teller(seed=8).fact("promised", order="A-1", lines=lines, hold_minutes=5, occurred_at=hour_ago, by="packer")
    counter.tell(late)
    path = f"/{late['id']}/confirm"
    with Nursery(counter.database) as nursery:
        expired = {"id": str(uuid4()), "type": "promise-expired", "promise": late["id"], "by": THE_LEDGER}
        nursery.post(codec.read_told({**expired, "occurred_at": datetime.now(UTC).isoformat()}), client=THE_LEDGER)
    other = counter.promise(38, "A-2")
    (refused,) = problem(counter.post(path, {"by": "packer"}, '"late"'), 409, "not-promisable")["problems"]
    assert [(line["asked"], line["promisable"], line["ready_by"]) for line in refused["data"]["lines"]] == [(5, 2, None)]
    counter.post(f"/{other}/release", {"by": "packer", "reason": "not wanted"})
    found = counter.post(path, {"by": "packer"}, '"late"')
    assert found.status_code == 201, found.text
    assert (found.json()["promise"]["state"], found.json()["promise"]["lines"]["0"]["open"]) == ("confirmed", 5)


# --- answers -------------------------------------------------------------------------------------------------------


def test_a_basket_in_part_is_answered_line_by_line(counter: Counter) -> None:
    """Granted, part, declined; and until when it is held."""
    due = (datetime.now(UTC) + timedelta(days=9)).date().isoformat()
    lines = [
        {"crop": IXORA, "size": "P9", "units": 5, "due": due},
        {"crop": HOYA, "size": "P9", "units": 30, "allow_part": True},
        {"crop": IXORA, "size": "P9", "units": 36},
    ]
    before = datetime.now(UTC)
    found = counter.post("", basket(lines=lines, all_or_none=False, hold_minutes=7)).json()
    answered = [(line["status"], line["asked"], line["granted"], line["line"]) for line in found["lines"]]
    assert answered == [("granted", 5, 5, 0), ("part", 30, 20, 1), ("declined", 36, 0, 2)]
    assert found["lines"][0]["due"] == due
    held = datetime.fromisoformat(found["expires_at"]) - before
    assert timedelta(minutes=7) <= held < timedelta(minutes=8)
    card = counter.get(f"/v1/promises/{found['promise']}", by="shop").json()["promise"]
    assert (card["state"], sorted(card["lines"]), card["expires_at"]) == ("held", ["0", "1"], found["expires_at"])


def test_a_refusal_carries_what_is_promisable_of_each_line_that_lacks(counter: Counter) -> None:
    """So that the shop can offer it."""
    lines = [{"crop": crop, "size": "P9", "units": 41} for crop in (IXORA, HOYA)]
    found = problem(counter.post("", basket(lines=lines)), 409, "not-promisable")
    (refused,) = found["problems"]
    figures = [(line["line"], line["asked"], line["promisable"]) for line in refused["data"]["lines"]]
    assert figures == [(0, 41, 40), (1, 41, 20)]
    assert "nothing was written" in found["detail"]


def test_available_now_is_less_what_is_promised_and_moving_and_releasing_show(counter: Counter) -> None:
    """The life of a promise through its four calls."""
    promise = counter.promise(15)
    available = f"/v1/availability/{IXORA}/P9"
    assert counter.get(available, by="shop").json()["now"] == 25
    counter.post(f"/{promise}/confirm", {"by": "packer"})
    due = (datetime.now(UTC) + timedelta(days=20)).date().isoformat()
    moved = counter.post(f"/{promise}/move", {"by": "packer", "line": 0, "due": due})
    assert moved.json()["promise"]["lines"]["0"]["due"] == due
    released = counter.post(f"/{promise}/release", {"by": "packer", "reason": "not wanted", "line": 0})
    assert (released.json()["promise"]["state"], released.json()["promise"]["lines"]["0"]["open"]) == ("confirmed", 0)
    assert counter.get(available, by="shop").json()["now"] == 40


def test_a_body_out_of_shape_is_refused_with_its_field(counter: Counter) -> None:
    """Bounds, unknown fields, and what the service fills in by itself."""
    none_of_it = [{"crop": IXORA, "size": "P9", "units": 0}]
    changes: list[tuple[Fact, str]] = [
        ({"lines": []}, "lines"), ({"lines": none_of_it}, "lines"), ({"hold_minutes": 1441}, "hold_minutes"),
        ({"id": str(uuid4())}, "id"), ({"promise": str(uuid4())}, "promise"), ({"wanted": 1}, "wanted"),
    ]  # fmt: skip
    for change, field in changes:
        found = problem(counter.post("", basket(**change)), 422, "malformed")
        assert field in str(found["problems"][0]["field"])
    assert counter.promises()["promises"] == []


def test_a_promise_that_never_was(counter: Counter) -> None:
    """Not found where it is asked about; unknown where something is told of it; and no path for what is no id."""
    problem(counter.get(f"/v1/promises/{uuid4()}"), 404, "not-found")
    problem(counter.post(f"/{uuid4()}/confirm", {"by": "packer"}), 422, "unknown-code")
    assert counter.post("/A-1/confirm", {"by": "packer"}).status_code == 404


def test_each_route_needs_its_scope(counter: Counter) -> None:
    """No key: 401. A key without the scope: 403, before anything else is looked at. The document says the same."""
    told, paths = counter.promise(1), openapi(counter)["paths"]
    for method, path, scope in [
        ("POST", "", "promise"), ("POST", "/{promise}/confirm", "promise"), ("POST", "/{promise}/release", "promise"),
        ("POST", "/{promise}/move", "promise"), ("POST", "/{promise}/substitute", "promise"),
        ("GET", "/{promise}", "promise"), ("GET", "", "read"),
    ]:  # fmt: skip
        address = "/v1/promises" + path.format(promise=told)
        assert counter.client.request(method, address, json={}).status_code == 401
        lacking = counter.keys["reader" if scope == "promise" else "shop"]
        answer = counter.client.request(method, address, json={}, headers={"Authorization": f"Bearer {lacking}"})
        problem(answer, 403, "not-allowed")
        assert paths[f"/v1/promises{path}"][method.lower()]["x-scope"] == scope


def test_a_line_is_substituted_by_another_or_stays(counter: Counter) -> None:
    """What was open is given back and the other granted as a new last line; where it cannot be, nothing changes."""
    promise = counter.promise(15)
    wanted = {"crop": HOYA, "size": "P9", "units": 21}
    problem(counter.post(f"/{promise}/substitute", {"by": "packer", "line": 0, "wanted": wanted}), 409, "not-promisable")
    assert counter.get(f"/v1/promises/{promise}").json()["promise"]["lines"]["0"]["open"] == 15
    answer = counter.post(f"/{promise}/substitute", {"by": "packer", "line": 0, "wanted": {**wanted, "units": 20}})
    lines = answer.json()["promise"]["lines"]
    assert {name: (line["crop"], line["open"]) for name, line in lines.items()} == {"0": (IXORA, 0), "1": (HOYA, 20)}
    assert counter.get(f"/v1/availability/{IXORA}/P9", by="shop").json()["now"] == 40
    problem(counter.post(f"/{promise}/substitute", {"by": "packer", "line": 0, "wanted": wanted}), 409, "not-open")
    problem(counter.post(f"/{promise}/substitute", {"by": "packer", "line": 1}), 422, "malformed")


def test_a_region_refuses_one_plant_and_asks_papers_for_another(counter: Counter) -> None:
    """By the nursery's own list: the basket is refused whole, or answered line by line with why, and with the papers."""
    checked, teller = {"source": "own list", "checked_on": "2026-09-01"}, Teller(datetime.now(UTC) - timedelta(minutes=30), 77)
    for crop, species in (("passiflora-blue-crown", "Passiflora caerulea"), ("ficus-carica", "Ficus carica")):
        fact: Fact = {"name": crop, "species": species, "group": "Climbers", "sizes": {"P9": {"price": "9.00"}}}
        counter.tell(teller.fact("crop-set", code=crop, **fact))
        told: Fact = {"crop": crop, "units": 5, "stage": "finished", "place": "G1", "size": "P9"}
        bought: Any = counter.tell(teller.fact("bought-in", supplier_batch="X", **told))["entries"][0]["batch"]
        (stop,) = counter.get(f"/v1/batches/{bought}").json()["batch"]["stops"]
        counter.tell(teller.fact("cleared", batch=bought, stop=stop["entry"], because="looked at"))
    for region, told in (
        ("3", {"verdict": "refused", "because": "it runs wild there", "species": "Passiflora caerulea"}),
        ("5", {"verdict": "needs-papers", "because": "a certificate", "papers": "certificate", "species": "Ficus carica"}),
    ):
        put = counter.client.put(
            f"/v1/destinations/{region}",
            json={"by": "packer", "name": f"Region {region}", "rules": [{**told, **checked}]},
            headers={"Authorization": f"Bearer {counter.keys['owner']}"},
        )
        assert put.status_code == 201, put.text
    lines = [{"crop": crop, "size": "P9", "units": 1} for crop in ("passiflora-blue-crown", "ficus-carica")]
    found = problem(counter.post("", basket(lines=lines, region="3")), 409, "not-sent-there")
    assert found["problems"][0]["data"]["lines"] == [
        {"line": 0, "crop": "passiflora-blue-crown", "because": "it runs wild there"}
    ]
    answered = counter.post("", basket(lines=lines, region="3", all_or_none=False)).json()["lines"]
    assert [(line["status"], line["refused"], line["papers"]) for line in answered] == [
        ("declined", "it runs wild there", []), ("granted", None, []),
    ]  # fmt: skip
    assert answered[0]["rest_ready_by"] is None
    answered = counter.post("", basket(lines=lines, region="5")).json()["lines"]
    assert [(line["status"], line["papers"]) for line in answered] == [("granted", []), ("granted", ["certificate"])]
    here = counter.get("/v1/availability/passiflora-blue-crown/P9?destination=3", by="shop").json()["destination"]
    assert (here["listed"], here["refused"], here["rules"][0]["source"]) == (True, "it runs wild there", "own list")
    assert here["rules"][0]["checked_on"] == "2026-09-01"


def test_entries_of_the_promise_book_need_its_scope_wherever_they_are_posted(counter: Counter) -> None:
    """A key for writing alone may tell what the crew does, and promises nothing."""
    writer = keys.make(counter.database, "writer", ["write"])
    fact = Teller(datetime.now(UTC) - timedelta(minutes=5), seed=6).fact("promised", **basket(1))
    headers = {"Authorization": f"Bearer {writer}"}
    problem(counter.client.post("/v1/entries", json=fact, headers=headers), 403, "not-allowed")
    counter.tell(fact)


# --- the list ------------------------------------------------------------------------------------------------------


def test_promises_are_narrowed_by_state_order_and_risk(counter: Counter) -> None:
    """What the ledger has told to be at risk is on the list, with what is short and why; what it has not is left out."""
    first = counter.promise(20, "A-1")
    second = counter.promise(15, "A-2", hold_minutes=600)
    counter.post(f"/{first}/confirm", {"by": "packer"})
    for question, expected in [
        ("?state=held", [second]), ("?state=confirmed", [first]), ("?order=A-2", [second]), ("?state=expired", []),
        ("", sorted([first, second])), ("?at_risk=true", []),
    ]:  # fmt: skip
        assert [found["promise"] for found in counter.promises(question)["promises"]] == expected, question
    loss = counter.lose(12)
    counter.at_risk(second, short=7, because=[loss])
    (found,) = counter.promises("?at_risk=true")["promises"]
    risk = found["lines"]["0"]["risk"]
    assert (found["promise"], risk["short"], risk["because"]) == (second, 7, [loss])
    assert counter.get(f"/v1/promises/{second}").json()["promise"] == found
    assert "risk" not in counter.get(f"/v1/promises/{first}").json()["promise"]["lines"]["0"]


def test_pages_lead_on_and_miss_nothing(counter: Counter) -> None:
    """By the link, to the end, each once; the narrowing is kept."""
    made = sorted(counter.promise(2) for _ in range(7))
    counter.promise(1, "A-2", lines=[{"crop": HOYA, "size": "P9", "units": 1}])
    for promise in made:
        counter.at_risk(promise, short=2)
    for narrowed in ("order=A-1", "order=A-1&state=held", "at_risk=true"):
        seen: list[str] = []
        path: str | None = f"/v1/promises?limit=3&{narrowed}"
        while path is not None:
            answer = counter.get(path)
            page = [found["promise"] for found in answer.json()["promises"]]
            assert 1 <= len(page) <= 3
            seen += page
            path = answer.links["next"]["url"] if "next" in answer.links else None
            assert (path is None) is (answer.json()["next"] is None)
        assert seen == made, narrowed


def test_a_question_out_of_bounds_is_refused(counter: Counter) -> None:
    """Not answered more widely than it was meant."""
    for question in ("?state=sold", "?limit=0", "?limit=1001", "?at_risk=perhaps", "?order=%20", "?risk=true"):
        problem(counter.get(f"/v1/promises{question}"), 400, "bad-question")


# --- the document --------------------------------------------------------------------------------------------------


def openapi(counter: Counter) -> Any:
    """The document that the service gives of itself."""
    return counter.client.get("/openapi.json").json()


def fits(counter: Counter, value: Any, schema: Fact) -> None:
    """The value is what the schema of the document says."""
    whole = {**schema, "components": openapi(counter)["components"]}
    jsonschema.Draft202012Validator(whole, format_checker=jsonschema.FormatChecker()).validate(value)


def test_the_answers_are_what_the_document_says(counter: Counter) -> None:
    """Of every route of the promise book, good and refused."""
    paths = openapi(counter)["paths"]

    def check(answer: Any, path: str, method: str = "post") -> Any:
        documented = paths[f"/v1/promises{path}"][method]["responses"][str(answer.status_code)]["content"]
        kind = answer.headers["content-type"].split(";")[0]
        fits(counter, answer.json(), documented[kind]["schema"])
        return answer.json()

    promise = check(counter.post("", basket(5)), "")["promise"]
    check(counter.post("", basket(500)), "")
    check(counter.post("", basket(5), None), "")
    check(counter.post("", {}), "")
    check(counter.get(f"/v1/promises/{promise}"), "/{promise}", "get")
    check(counter.get("/v1/promises?limit=1"), "", "get")
    check(counter.post(f"/{promise}/confirm", {"by": "packer"}), "/{promise}/confirm")
    due = datetime.now(UTC).date().isoformat()
    check(counter.post(f"/{promise}/move", {"by": "packer", "line": 0, "due": due}), "/{promise}/move")
    check(counter.post(f"/{promise}/release", {"by": "packer", "reason": "not wanted"}), "/{promise}/release")
    check(counter.post(f"/{promise}/release", {"by": "packer", "reason": "not wanted"}), "/{promise}/release")


def test_the_document_asks_for_the_key_and_leaves_out_what_is_filled_in(counter: Counter) -> None:
    """The header is required and its pattern is what is enforced; no body asks for id, time or the promise of the path."""
    paths = openapi(counter)["paths"]
    for path in ("", "/{promise}/confirm", "/{promise}/release", "/{promise}/move", "/{promise}/substitute"):
        operation = paths[f"/v1/promises{path}"]["post"]
        (header,) = [found for found in operation["parameters"] if found["name"] == "Idempotency-Key"]
        assert header["required"]
        for key, good in [('"a key"', True), ("a key", False), ('""', False), ('"a"b"', False)]:
            assert jsonschema.Draft202012Validator(header["schema"]).is_valid(key) is good
        body = operation["requestBody"]["content"]["application/json"]["schema"]
        assert not {"id", "type", "occurred_at", "promise"} & body["properties"].keys()
        assert "by" in body["required"]
