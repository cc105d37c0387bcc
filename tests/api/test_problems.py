"""Refusals of lists: every problem of every entry is told, and where one is wrong, nothing of the list is written."""

from __future__ import annotations

from typing import Any

from tests.api.conftest import BATCH, HOYA, IXORA, Service


def _told(found: dict[str, Any]) -> set[tuple[int, str, str | None]]:
    return {(problem["index"], problem["code"], problem.get("field")) for problem in found["problems"]}


def test_every_fault_of_every_entry_is_listed_with_its_place_and_field(unchanged: Service) -> None:
    """Several faults in each of several entries: none hides another, and the right entries between them are not named."""
    fact = unchanged.teller.fact
    lost = fact("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")
    never_tried = {**lost, "place": "G99"}
    posted = [
        {**{name: value for name, value in lost.items() if name != "place"}, "units": 0, "cause": "boredom", "colour": "red"},
        lost,
        fact("crop-set", code="Aster!", name="", species="A", group="B", sizes={"P9": {"price": "-1"}}, base_temperature_c=99),
        fact("struck", cuttings=9, per_cell=2, cells=5, place="P1", batch=BATCH, gathered_at="P1"),
        [lost],
        {**lost, "type": "lsot"},
        {**lost, "schema": 1, "units": None, "note": "\x07"},
        {**lost, "schema": 99},
        never_tried,
    ]
    found = unchanged.refusal(unchanged.post(posted))
    assert found["status"] == 422
    assert _told(found) == {
        *((0, "malformed", field) for field in ("place", "units", "cause", "colour")),
        *((2, "malformed", field) for field in ("code", "name", "sizes", "base_temperature_c")),
        (3, "contradiction", "cuttings"),
        (4, "malformed", None),
        (5, "malformed", "type"),
        *((6, "malformed", field) for field in ("units", "note")),
        (7, "malformed", "schema"),
    }
    assert f"{len(found['problems']) - 1} more problems" in found["detail"]


def test_what_the_book_forbids_is_listed_for_every_entry_too(unchanged: Service) -> None:
    """Entries that are right in themselves: each is held against the book, and what is wrong in itself sets the status."""
    fact = unchanged.teller.fact
    lost = fact("lost", batch=BATCH, stage="finished", place="G1", units=1, cause="rot")
    right = fact("person-set", code="new", name="New")
    pick = fact("picked", order="A-1", batch=BATCH, place="G1", units=999, to="K1")
    big = fact("potted-up", batch=BATCH, place="G1", size="P9", pots=1, to="G2")
    found = unchanged.refusal(unchanged.post([pick, right, {**right, "name": "Newer"}, big]))
    assert found["status"] == 409
    assert _told(found) == {(0, "not-enough-standing", "units"), (2, "id-reused", "id"), (3, "not-larger", "size")}
    found = unchanged.refusal(unchanged.post([pick, {**lost, "place": "G99"}, right, {**big, "by": "nobody"}]))
    assert (found["status"], found["code"]) == (422, "unknown-code")
    assert _told(found) == {(0, "not-enough-standing", "units"), (1, "unknown-code", "place"), (3, "unknown-code", "by")}


def test_a_list_is_written_whole_or_not_at_all(service: Service) -> None:
    """The right entries of a refused list leave no trace: no entry, no balance, no number taken; then they are taken alone."""
    right = [
        service.teller.fact("opened", crop=HOYA, stage="rooted", place="H1", units=9),
        service.teller.fact("opened", crop=IXORA, stage="rooted", place="H1", units=7),
    ]
    before = service.position()
    wrong = service.teller.fact("moved", batch=BATCH, stage="rooted", place="H1", to="H2", units=10)
    assert service.refusal(service.post([*right, wrong]))["code"] == "not-enough-standing"
    assert service.position() == before
    assert service.answer("/v1/stock")["lines"] == []
    assert service.post([*right, {**wrong, "units": 9}]).status_code == 201
    assert service.position() == before + 3
    assert service.answer("/v1/stock")["total"] == {"cell": 16}


def test_a_refused_pick_offers_to_count_first_and_the_offer_is_taken_as_it_stands(service: Service) -> None:
    """The picker holds 13 where the book has 12: the offer, as it is, finds one and picks all; posted twice, it counts once."""
    batch = service.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=12)["batch"]
    pick = service.teller.fact("picked", order="A-1", batch=batch, place="G1", units=13, to="K1")
    (problem,) = service.refusal(service.post(pick))["problems"]
    assert (problem["code"], problem["data"]) == ("not-enough-standing", {"wanted": 13, "standing": 12})
    assert [entry["type"] for entry in problem["offer"]] == ["counted", "picked"]
    taken = service.post(problem["offer"])
    assert taken.status_code == 201, taken.text
    assert {balance["account"]: balance["units"] for balance in taken.json()["balances"]} == {
        f"{batch}/finished/G1": 0,
        f"{batch}/picked/K1": 13,
    }
    assert service.post(problem["offer"]).content == taken.content
    assert service.post(pick).json()["entries"] == taken.json()["entries"][1:]
    sums = service.answer("/v1/sums")
    assert {line["account"]: line["units"] for line in sums["outside"] if line["unit"] == "pot:P9"} == {
        "opening": -12,
        "count-difference": -1,
    }
    assert service.answer("/v1/stock")["total"] == {"pot:P9": 13}


def test_whoever_holds_more_than_the_book_has_is_offered_to_count(service: Service) -> None:
    """Not only for picks: every act on plants in the hand comes with an offer that is taken as it stands."""
    tell, fact = service.tell, service.teller.fact
    potted = tell("opened", crop=IXORA, stage="potted", size="P9", place="G1", units=5)["batch"]
    plugs = tell("opened", crop=IXORA, stage="rooted", place="H1", units=5)["batch"]
    cells = tell("opened", crop=HOYA, stage="struck", place="P1", units=5)["batch"]
    for more in (
        fact("lost", batch=potted, stage="potted", place="G1", units=6, cause="rot"),
        fact("graded", batch=potted, place="G1", finished=7, to="G2"),
        fact("set-back", batch=potted, place="G2", units=8, to="G1", reason="leggy"),
        fact("moved", batch=plugs, stage="rooted", place="H1", to="H2", units=6),
        fact("potted", batch=plugs, place="H2", size="P9", plugs=9, pots=9, to="G1"),
        fact("rooted", batch=cells, place="P1", usable=6, weak=0, failed=1, to="H1"),
        fact("given-out", batch=cells, stage="rooted", place="H1", units=7, why="fair", approved_by="potter"),
    ):
        (problem,) = service.refusal(service.post(more))["problems"]
        taken = service.post(problem["offer"])
        assert taken.status_code == 201, taken.text
    assert set(service.answer("/v1/sums")["sums"].values()) == {0}
