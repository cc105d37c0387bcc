"""Answers that can be relied on: the same again, versions, pages that join, and figures that tie."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from typing import Any

import pytest

from ledger import keys
from tests.api.conftest import BATCH, HOYA, IXORA, NEEDED, Service, filled, live, recipe, rule

BODIES: dict[str, tuple[str, dict[str, Any], dict[str, Any]]] = {
    "crops": ("aster", {"name": "Aster", "species": "Aster amellus", "group": "Soft"}, {"retired": True}),
    "sizes": ("P7", {"name": "7 cm pot", "rank": 1}, {"rank": 3}),
    "places": ("G7", {"name": "Bench 7", "house": "G", "kind": "bench"}, {"area_cm2": 20_000}),
    "people": ("waterer", {"name": "Waterer"}, {"active": False}),
    "recipes": (HOYA, {name: value for name, value in recipe(HOYA).items() if name != "crop"}, {"cuttings_per_cell": 2}),
    "costs": (
        "hook.all.C2",
        {"step": "hook", "size": "C2", "amount": "0.10", "effective_on": "2026-01-01"},
        {"amount": "0.12"},
    ),
    "policies": ("nursery", {"currency": "EUR"}, {"duplicate_minutes": 10}),
    "destinations": ("South 2", {"name": "The south"}, {"rules": [rule("needs-papers", papers="passport")]}),
    "temperatures": ("nursery", {"normals_tenths_c": [180] * 12}, {"normals_tenths_c": [190] * 12}),
    "prints": ("nursery", {"registration": "GB-12345"}, {"origin": "GB"}),
    "accounting": ("nursery", {"selling_percent": 18}, {"selling_percent": 22}),
}


# --- the same again --------------------------------------------------------------------------------------------


def test_the_same_entries_again_get_the_same_answer_byte_for_byte(service: Service) -> None:
    """Also after later entries on the same plants, from another key, and however the JSON was spelled; nothing is written."""
    fact = service.teller.fact
    opened = fact("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40)
    lists = [
        opened,
        [fact("lost", batch=BATCH, stage="finished", place="G1", units=2, cause="rot")],
        [
            fact("moved", batch=BATCH, stage="finished", place="G1", to="G2", units=10),
            fact("counted", batch=BATCH, stage="finished", place="G1", units=27, method="count"),
            fact("potted-up", batch=BATCH, place="G2", size="C2", pots=3, to="G1"),
        ],
        fact(
            "lost",
            batch=BATCH,
            stage="finished",
            place="G1",
            units=1,
            cause="rot",
            by="potter",
            occurred_at="2026-09-14T08:30:00Z",
        ),
    ]
    first = [service.post(told) for told in lists]
    assert [answer.status_code for answer in first] == [201] * len(lists)
    service.tell("lost", batch=BATCH, stage="finished", place="G1", units=5, cause="pest")
    position = service.position()
    assert [service.post(told).content for told in lists] == [answer.content for answer in first]
    service.client.headers["Authorization"] = f"Bearer {keys.make(service.conninfo, 'another', ['write'])}"
    assert service.post(lists[2]).content == first[2].content
    respelled = {name: opened[name] for name in reversed(opened)} | {
        "occurred_at": _elsewhere(opened["occurred_at"]),
        "units": 40.0,
    }
    assert service.post(respelled).content == first[0].content
    assert service.position() == position


def _elsewhere(at: str) -> str:
    """The same moment with another offset."""
    there = datetime.fromisoformat(at).replace(tzinfo=None).isoformat()
    hour = int(there[11:13]) + 2
    return f"{there[:11]}{hour:02d}{there[13:]}+02:00"


def test_an_id_stands_for_one_entry_for_ever(service: Service) -> None:
    """The same id with any other content is refused, alone and in a list."""
    told = service.teller.fact("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40)
    assert service.post(told).status_code == 201
    for change in ({"units": 41}, {"note": "again"}, {"by": "potter"}, {"occurred_at": "2026-09-14T08:00:00Z"}):
        found = service.refusal(service.post([told, {**told, **change}]))
        assert (found["status"], found["code"], found["problems"][0]["index"]) == (409, "id-reused", 1)
    other = service.teller.fact("person-set", code="new", name="New") | {"id": told["id"]}
    assert service.refusal(service.post(other))["code"] == "id-reused"


# --- versions --------------------------------------------------------------------------------------------------


def test_every_read_has_a_tag_and_is_not_sent_again_to_whoever_has_it(unchanged: Service) -> None:
    """304 without a body for the tag that was given, for it among others, for a weak one and for any; else the whole answer."""
    for path, methods in unchanged.openapi["paths"].items():
        if "get" not in methods or path in ("/readyz", "/metrics"):  # these two are of the moment
            continue
        asked = NEEDED.get(path.rpartition("/")[2])
        whole = unchanged.get(filled(path), asked=asked)
        assert whole.status_code == 200, whole.text
        tag = whole.headers["ETag"]
        for given in (tag, f'"x", {tag}', f"W/{tag}", "*"):
            again = unchanged.get(filled(path), headers={"If-None-Match": given}, asked=asked)
            assert (again.status_code, again.content, again.headers["ETag"]) == (304, b"", tag), path
        other = unchanged.get(filled(path), headers={"If-None-Match": '"x"'}, asked=asked)
        assert (other.status_code, other.content) == (200, whole.content)


def test_a_tag_changes_with_the_answer(service: Service) -> None:
    """After another entry the old tag gets the new answer."""
    old = service.get("/v1/stock").headers["ETag"]
    service.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40)
    new = service.get("/v1/stock", headers={"If-None-Match": old})
    assert (new.status_code, new.json()["total"]) == (200, {"pot:P9": 40})


#: what stands in If-Match instead of the version, and how it is refused
IF_MATCH = (
    *((version, 412, "version-conflict") for version in ('"0"', '"2"')),
    *((other, 412, "not-a-version") for other in ('"x"', "*", '"1", "2"', 'W/"x"', '"1234567890"', '""')),
    *((broken, 400, "malformed-if-match") for broken in ("", "1", '"1', '1"', '"1" "1"', "W/1", '"a"b"', '"1",')),
)


@pytest.mark.parametrize("kind", BODIES)
def test_a_reference_value_is_replaced_only_by_who_has_seen_it(service: Service, kind: str) -> None:
    """201 for a new one, 428 without a version, 412 with a wrong one, 200 with the right one, which moves on."""
    code, fields, change = BODIES[kind]
    path, body = f"/v1/{kind}/{code}", {"by": "potter", **fields}
    put = service.client.put
    assert service.refusal(put(path, json=body, headers={"If-Match": '"1"'}))["code"] == "version-conflict"
    made = put(path, json=body)
    assert (made.status_code, made.headers["ETag"]) == (201, '"1"')
    assert service.get(path).headers["ETag"] == '"1"'
    needs = service.refusal(put(path, json={**body, **change}))
    assert (needs["status"], needs["code"]) == (428, "needs-version")
    for version, status, code in IF_MATCH:
        refused = service.refusal(put(path, json={**body, **change}, headers={"If-Match": version}))
        assert (refused["status"], refused["code"]) == (status, code), version
        assert (refused["title"] == "Replaced since") is (code == "version-conflict"), version
    changed = put(path, json={**body, **change}, headers={"If-Match": made.headers["ETag"]})
    assert (changed.status_code, changed.headers["ETag"]) == (200, '"2"')
    now = service.get(path)
    assert now.headers["ETag"] == '"2"'
    card = now.json()["card"]
    value = card["values"][-1] if kind == "costs" else card["value"]
    assert {name: value[name] for name in change} == change
    assert service.refusal(put(path, json=body, headers={"If-Match": '"1"'}))["code"] == "version-conflict"
    listed = service.answer(f"/v1/{kind}", limit=1000)["values"]
    assert now.json() in listed


def test_a_version_moves_with_everything_that_touches_a_value(service: Service) -> None:
    """A place that was treated since it was read has another version, and its new ETag replaces it."""
    old = service.get("/v1/places/G1").headers["ETag"]
    service.tell("treated", product="Soap", places=["G1"], re_entry_ends="2030-01-01T00:00:00Z")
    body = {"by": "potter", "name": "Bench 1", "house": "G", "kind": "bench"}
    assert service.client.put("/v1/places/G1", json=body, headers={"If-Match": old}).status_code == 412
    new = service.get("/v1/places/G1").headers["ETag"]
    assert service.client.put("/v1/places/G1", json=body, headers={"If-Match": new}).status_code == 200


# --- pages -----------------------------------------------------------------------------------------------------


def _walk(service: Service, path: str, **asked: Any) -> Iterator[dict[str, Any]]:
    """Every page, by following rel="next"."""
    response = service.get(path, asked=asked)
    for _ in range(200):
        assert response.status_code == 200, response.text
        yield response.json()
        if "next" not in response.links:
            return
        response = service.get(response.links["next"]["url"])
    pytest.fail("the pages have no end")


@pytest.mark.parametrize(
    ("path", "list_", "asked"),
    [
        ("/v1/entries", "entries", {}),
        ("/v1/entries", "entries", {"type": "lost"}),
        ("/v1/entries", "entries", {"by": "head-grower"}),
        ("/v1/entries", "entries", {"batch": BATCH}),
        ("/v1/entries", "entries", {"crop": IXORA}),
        ("/v1/batches", "batches", {"standing": "false"}),
        ("/v1/batches", "batches", {"crop": IXORA, "stage": "finished"}),
        ("/v1/crops", "values", {}),
        ("/v1/places", "values", {}),
        ("/v1/availability", "offers", {}),
        ("/v1/stock", "lines", {}),
        ("/v1/stock", "lines", {"stage": "finished", "crop": IXORA}),
        ("/v1/stock", "lines", {"at": "2099-01-01T00:00:00+02:00", "known_at": "2099-01-01T00:00:00Z"}),
    ],
)
def test_the_pages_join_without_loss_or_repetition(unchanged: Service, path: str, list_: str, asked: dict[str, Any]) -> None:
    """Pages of any size, one after the other, are the whole, in its order, narrowed as it was asked."""
    whole = unchanged.answer(path, limit=1000, **asked)
    assert len(whole[list_]) > 2
    assert whole["next"] is None
    for limit in (1, 2, len(whole[list_]), len(whole[list_]) + 1):
        pages = list(_walk(unchanged, path, limit=limit, **asked))
        assert [item for page in pages for item in page[list_]] == whole[list_]
        assert len(pages) > 1 or limit >= len(whole[list_]) or path == "/v1/availability"


def test_the_total_of_the_stock_is_of_all_its_pages(unchanged: Service) -> None:
    """Also on a page after the last line; a line that is none is refused."""
    whole = unchanged.answer("/v1/stock")
    assert len(whole["lines"]) > 2
    for page in _walk(unchanged, "/v1/stock", limit=2):
        assert page["total"] == whole["total"]
    beyond = unchanged.answer("/v1/stock", after="zinnia//struck/P1/26W38-01W/cell")
    assert (beyond["lines"], beyond["total"], beyond["next"]) == ([], whole["total"], None)
    assert unchanged.refusal(unchanged.get("/v1/stock?after=zinnia"))["code"] == "bad-question"


def test_open_questions_come_in_pages(service: Service) -> None:
    """In the order of the entries that raised them, each once; an answered one is left out of the page that it stood on."""
    service.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=60)
    lost = {"batch": BATCH, "stage": "finished", "place": "G1", "cause": "rot"}
    raised = []
    for units in range(1, 6):
        service.tell("lost", **lost, units=units)
        raised.append(service.tell("lost", **lost, units=units, by="potter"))
    assert all(entry["questions"] for entry in raised)
    for limit, many in ((1, 5), (2, 3), (5, 1)):
        pages = list(_walk(service, "/v1/questions", limit=limit))
        assert [question["entry"] for page in pages for question in page["questions"]] == [entry["id"] for entry in raised]
        assert len(pages) == many
    service.tell("reversed", entry=raised[1]["id"], reason="the same plants")
    rest = service.answer("/v1/questions", after=raised[0]["position"], limit=2)
    assert [question["entry"] for question in rest["questions"]] == [entry["id"] for entry in raised[2:4]]
    assert rest["next"] == raised[3]["position"]


# --- figures that tie ------------------------------------------------------------------------------------------


def _lines(stock: dict[str, Any]) -> list[tuple[str, ...]]:
    return sorted((line["batch"], line["stage"], line["place"], line["unit"], line["units"]) for line in stock["lines"])


def test_the_plants_that_stand_are_those_that_the_outside_accounts_gave(service: Service) -> None:
    """Stock, sums, batch cards and the log say the same, unit by unit, also when it is asked for a moment that is now."""
    live(service)
    stock, sums = service.answer("/v1/stock"), service.answer("/v1/sums")
    assert set(sums["sums"].values()) == {0}
    outside: dict[str, int] = {}
    for account in sums["outside"]:
        outside[account["unit"]] = outside.get(account["unit"], 0) - account["units"]
    standing = {unit: units for unit, units in outside.items() if units and unit != "stock-plant"}
    assert stock["total"] == standing
    assert outside["stock-plant"] == 40
    by_card = [
        (card["number"], *where.split("/"), there["unit"], there["units"])
        for card in service.answer("/v1/batches", limit=1000)["batches"]
        for where, there in card["standing"].items()
        if there["units"]
    ]
    assert _lines(stock) == sorted(by_card)
    at = service.answer("/v1/stock", at=datetime.now(UTC).isoformat())
    assert (_lines(at), at["total"]) == (_lines(stock), stock["total"])
    moved: dict[tuple[str, str], int] = {}
    for entry in service.answer("/v1/entries", limit=1000)["entries"]:
        for move in entry.get("moves", []):
            for account, units in ((move["from"], -move["units"]), (move["to"], move["units"])):
                moved[account, move["unit"]] = moved.get((account, move["unit"]), 0) + units
    assert _lines(stock) == sorted(
        (*account.split("/"), unit, units)
        for (account, unit), units in moved.items()
        if account.count("/") == 2 and units
        if "/stock/" not in account
    )


def test_what_was_known_before_a_late_slip_can_still_be_asked(service: Service) -> None:
    """40 stand, three die at nine, a count at ten sees 37, and the slip comes last: both what was so and what was known."""
    day = "2026-09-14T"
    batch = service.tell(
        "opened", crop=IXORA, stage="finished", size="P9", place="G1", units=40, occurred_at=f"{day}08:30:00Z"
    )["batch"]
    where = {"batch": batch, "stage": "finished", "place": "G1"}
    counted = service.tell("counted", **where, units=37, method="count", occurred_at=f"{day}10:00:00Z")
    service.tell("lost", **where, units=3, cause="cold", occurred_at=f"{day}09:00:00Z")
    known_then = {"known_at": counted["recorded_at"]}

    def standing(**asked: str) -> dict[str, int]:
        total: dict[str, int] = service.answer("/v1/stock", **asked)["total"]
        return total

    assert standing(at=f"{day}09:30:00Z") == {"pot:P9": 37}
    assert standing(at=f"{day}09:30:00Z", **known_then) == {"pot:P9": 40}
    assert standing(at=f"{day}08:45:00Z") == standing(at=f"{day}08:45:00Z", **known_then) == {"pot:P9": 40}
    assert standing(at=f"{day}08:00:00Z") == {}
    assert standing() == standing(**known_then) == standing(at=f"{day}10:30:00Z", **known_then) == {"pot:P9": 37}
