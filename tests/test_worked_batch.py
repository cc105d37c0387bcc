"""The worked batch of the design, to the unit, through the HTTP API: from 300 cuttings to 31 plugs, 8 small and 45 large."""

from __future__ import annotations

from typing import Any

import pytest
from litestar.testing import TestClient

from api.app import create_app
from ledger import keys
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.telling import Teller

IXORA = "ixora-copper-thimble"
ORDER = "ORDER-1"


class Bench:
    """Posts entries over HTTP and looks at what stands."""

    def __init__(self, client: TestClient[Any], key: str) -> None:
        self.client = client
        self.headers = {"Authorization": f"Bearer {key}"}
        self.teller = Teller()

    def post(self, facts: Any) -> Any:
        """What the service answers; the test fails where it refuses."""
        answer = self.client.post("/v1/entries", json=facts, headers=self.headers)
        assert answer.status_code == 201, answer.text
        return answer.json()

    def tell(self, kind: str, /, **fields: Any) -> str:
        """Post one entry; the number of the batch that it made or is about."""
        return str(self.post(self.teller.fact(kind, **fields))["entries"][0].get("batch"))

    def standing(self) -> dict[tuple[str | None, str], int]:
        """Units by size and stage, as the stock answer has them."""
        stood: dict[tuple[str | None, str], int] = {}
        for line in self.client.get("/v1/stock", headers=self.headers).json()["lines"]:
            key = (line["size"], line["stage"])
            stood[key] = stood.get(key, 0) + line["units"]
        return stood

    def get(self, path: str) -> Any:
        """An answer, read as JSON."""
        answer = self.client.get(path, headers=self.headers)
        assert answer.status_code == 200, answer.text
        return answer.json()


def propagate(bench: Bench) -> str:
    """300 cuttings to 109 plugs."""
    ixora = bench.tell("gathered", crop=IXORA, stock_plants=[{"stock_plant": "S-IXO", "cuttings": 300}], place="P1", wanted=300)
    bench.tell("lost", batch=ixora, stage="gathered", place="P1", units=12, cause="graded-out")
    bench.tell("struck", batch=ixora, gathered_at="P1", cuttings=288, per_cell=2, cells=144, place="P1", tray_cells=72)
    bench.tell("lost", batch=ixora, stage="struck", place="P1", units=9, cause="rot")
    bench.tell("rooted", batch=ixora, place="P1", usable=61, weak=0, failed=10, to="H1", part=True)
    bench.tell("rooted", batch=ixora, place="P1", usable=51, weak=5, failed=8, to="H2")
    bench.tell("lost", batch=ixora, stage="struck", place="P1", units=5, cause="graded-out")
    bench.tell("moved", batch=ixora, stage="rooted", place="H2", to="H1", units=11)  # part trays 61 + 51 made 72 + 40
    bench.tell("lost", batch=ixora, stage="rooted", place="H2", units=3, cause="overheld")
    assert bench.standing() == {(None, "rooted"): 109}
    return ixora


def grow(bench: Bench, ixora: str) -> tuple[str, str, str]:
    """109 plugs to 23 small and 45 large."""
    small = bench.tell("potted", batch=ixora, place="H1", size="P9", plugs=42, pots=40, casualties=2, to="G1")
    large = bench.tell("potted", batch=ixora, place="H2", size="C2", plugs=36, pots=36, to="G2")
    bench.tell("lost", batch=small, stage="potted", place="G1", units=2, cause="dried-out")
    bench.tell("graded", batch=small, place="G1", finished=33, held_back=4, culled=1, to="G1")
    bench.tell("lost", batch=large, stage="potted", place="G2", units=1, cause="pest")
    up = bench.tell("potted-up", batch=small, place="G1", size="C2", pots=10, to="G2")
    assert bench.standing() == {
        (None, "rooted"): 31,
        ("P9", "potted"): 4,
        ("P9", "finished"): 23,
        ("C2", "potted"): 45,
    }
    return small, large, up


def sell(bench: Bench, small: str) -> None:
    """15 small shipped, 2 claimed and replaced, and a count that finds one missing."""
    bench.tell("picked", order=ORDER, batch=small, place="G1", units=15, to="K1")
    bench.tell("put-back", order=ORDER, batch=small, place="K1", units=1, to="G1")
    bench.tell("lost", batch=small, stage="finished", place="G1", units=1, cause="handling")
    bench.tell("picked", order=ORDER, batch=small, place="G1", units=1, to="K1")
    bench.tell("shipped", order=ORDER, carrier="A", region="2", lines=[{"batch": small, "place": "K1", "units": 15}])
    assert bench.standing()["P9", "finished"] == 7
    claim = bench.teller.fact(
        "damage-claimed", order=ORDER, batch=small, units=2, carrier="A", cause="crushed", days_in_transit=2
    )
    bench.post(claim)
    bench.tell("picked", order=f"{ORDER}-R", batch=small, place="G1", units=2, to="K1", replaces=claim["id"])
    lines = [{"batch": small, "place": "K1", "units": 2}]
    bench.tell("shipped", order=f"{ORDER}-R", carrier="B", region="2", lines=lines)
    assert bench.standing()["P9", "finished"] == 5
    bench.tell("counted", batch=small, stage="finished", place="G1", units=4, method="count")


@pytest.fixture
def bench(database: str) -> Any:
    """A service with the beginnings of the invented nursery."""
    with TestClient(create_app(database)) as client:
        made = Bench(client, keys.make(database, "test", keys.SCOPES))
        made.post(made.teller.beginnings())
        yield made


def test_the_worked_batch_ties_to_the_unit(bench: Bench, database: str) -> None:
    """Every figure of the worked batch, and where all 144 cells went."""
    ixora = propagate(bench)
    small, large, up = grow(bench, ixora)
    sell(bench, small)
    assert bench.standing() == {
        (None, "rooted"): 31,
        ("P9", "potted"): 4,
        ("P9", "finished"): 4,
        ("C2", "potted"): 45,
    }
    sums = bench.get("/v1/sums")
    assert set(sums["sums"].values()) == {0}
    outside = {(line["account"], line["unit"]): line["units"] for line in sums["outside"]}
    lost = sum(units for (account, unit), units in outside.items() if account.startswith("loss/") and unit != "cutting")
    assert lost == 18 + 9 + 5 + 3 + 2 + 2 + 1 + 1 + 1
    assert outside["shipped", "pot:P9"] == 17
    assert outside["count-difference", "pot:P9"] == 1
    assert lost + 17 + 1 + 31 + 4 + 4 + 45 == 144
    family = bench.get(f"/v1/batches/{up}/trace?direction=back")
    assert [kin["holder"] for kin in family["kin"]] == [up, small, ixora, "S-IXO"]
    assert {line["batch"] for line in bench.get(f"/v1/batches/{ixora}/trace?direction=forward")["orders"]} == {small}
    assert {kin["holder"] for kin in bench.get("/v1/stock-plants/S-IXO/trace")["kin"]} == {"S-IXO", ixora, small, large, up}
    assert runner.verify(database) == []


def test_the_worked_batch_gives_the_shrink_of_its_stages(bench: Bench) -> None:
    """Numerators and denominators of the cohort rates, and the count difference apart from them."""
    ixora = propagate(bench)
    small, _, _ = grow(bench, ixora)
    sell(bench, small)
    report = bench.get("/v1/reports/shrink?by=crop,size,stage,cause")
    found = {(line["size"], line["stage"], line["cause"]): (line["lost"], line["of"]) for line in report["rates"]}
    assert found == {
        (None, "gathered", "graded-out"): (12, 300),
        (None, "struck", "rot"): (9, 144),
        (None, "struck", "did-not-root"): (18, 144),
        (None, "struck", "graded-out"): (5, 144),
        (None, "rooted", "overheld"): (3, 112),
        (None, "rooted", "handling"): (2, 112),
        ("P9", "potted", "dried-out"): (2, 40),
        ("P9", "potted", "graded-out"): (1, 40),
        ("C2", "potted", "pest"): (1, 46),
        ("P9", "finished", "handling"): (1, 33),
    }
    assert [(line["stage"], line["count_short"], line["count_over"]) for line in report["records"]] == [("finished", 1, 0)]
    assert [(line["what"], line["units"], line["retail"]) for line in report["beside"]] == [("transit-damage", 2, 3000)]
    assert {(line["stage"], line["avoidable"], line["lost"]) for line in report["avoidable"] if line["avoidable"]} == {
        ("rooted", 5, 5),
        ("potted", 2, 3),
        ("finished", 1, 1),
    }
    (made,) = report["yields"]
    numbers = [made[name] for name in ("cuttings", "cells", "saleable", "under_way")]
    assert numbers == [288, 144, 33 - 10, 31 + 4 + 45]
    assert (made["per_cell"], made["per_cutting"]) == (round(23 / 144, 6), round(23 / 288, 6))
    small_pots = [line for line in report["cumulative"] if line["size"] == "P9"]
    assert [(line["stage"], line["lost"], line["of"]) for line in small_pots] == [
        ("gathered", 12, 300), ("struck", 32, 144), ("rooted", 5, 112), ("potted", 3, 40), ("finished", 1, 33),
        ("picked", 0, 17),
    ]  # fmt: skip
    left = (1 - 12 / 300) * (1 - 32 / 144) * (1 - 5 / 112) * (1 - 3 / 40) * (1 - 1 / 33)
    assert small_pots[-1]["cumulative"] == round(1 - left, 6)
    (damage,) = bench.get("/v1/reports/damage?by=carrier,cause")["lines"]
    assert (damage["claimed"], damage["shipped"], damage["replaced"]) == (2, 15, 2)
    (counted,) = bench.get("/v1/reports/reversals")["lines"]
    assert (counted["kind"], counted["units"], counted["batch"]) == ("count-difference", -1, small)


def test_the_worked_batch_is_the_same_in_process(nursery: Nursery) -> None:
    """The service and the API are one path: posting the same beginnings in process moves the same stock plants."""
    teller = Teller()
    told = [teller.tell(fact.pop("type"), **fact) for fact in Teller().beginnings()]
    posted = nursery.post(told)
    assert {balance.account: balance.units for balance in posted.balances} == {"S-HOY/stock/S1": 20, "S-IXO/stock/S1": 20}


def test_the_log_is_narrowed_by_one_thing_at_a_time(bench: Bench) -> None:
    """Two narrowings are a question that is not answered, and is told as such."""
    answer = bench.client.get("/v1/entries?type=lost&by=potter", headers=bench.headers)
    assert (answer.status_code, answer.json()["code"]) == (400, "bad-question")
    assert "one thing at a time" in answer.json()["detail"]
