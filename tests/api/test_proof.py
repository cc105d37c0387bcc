"""The proof and the close over HTTP: what is answered can be checked by whoever saved it."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from ledger import check_proof
from tests.api.conftest import BATCH, IXORA, Service

NOW = datetime.now(UTC)
LAST = (NOW.replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


@pytest.fixture(autouse=True)
def _sealed(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """A key and a place for heads of the test's own."""
    monkeypatch.setenv("TALLYBENCH_SIGNING_KEY", str(tmp_path / "key.pem"))
    monkeypatch.setenv("TALLYBENCH_HEADS", str(tmp_path / "heads"))


@pytest.fixture
def stocked(service: Service) -> Service:
    """Some plants stand there."""
    service.tell("opened", crop=IXORA, stage="finished", size="P9", place="G1", units=60)
    return service


def close(service: Service, period: str, body: Any = None) -> Any:
    """Close a period."""
    return service.client.post(f"/v1/periods/{period}/close", json={"by": "head-grower"} if body is None else body)


def test_a_close_signs_a_head_outside_and_in_the_log(stocked: Service, tmp_path: Path) -> None:
    """The answer names it; the file has it; late entries are counted on the first open day and listed."""
    response = close(stocked, LAST)
    assert response.status_code == 201, response.text
    (file,) = (tmp_path / "heads").iterdir()
    assert [json.loads(line) for line in file.read_text().splitlines()] == [response.json()["head"]]
    late = stocked.tell("lost", batch=BATCH, stage="finished", place="G1", units=2, cause="rot")
    assert late["booked_on"] == f"{NOW:%Y-%m}-01"
    report = stocked.answer("/v1/reports/late")
    assert [(line["position"], line["booked_on"]) for line in report["entries"]] == [(late["position"], late["booked_on"])]
    assert report["entries"][0]["happened_on"] == "2026-09-14"
    head = stocked.answer("/v1/proof/head")
    assert head["head"] == response.json()["head"]
    assert head["size"] == head["as_of"] == stocked.position()
    again = close(stocked, LAST)
    assert again.status_code == 409
    assert stocked.refusal(again)["code"] == "not-closable"


def test_saved_answers_are_proofs(stocked: Service, tmp_path: Path) -> None:
    """The checker reads them as they are."""
    lost = stocked.tell("lost", batch=BATCH, stage="finished", place="G1", units=2, cause="rot")
    close(stocked, LAST)
    head = stocked.answer("/v1/proof/head")
    asked = {
        "entry": f"/v1/proof/entries/{lost['position']}",
        "sized": f"/v1/proof/entries/1?size={head['head']['size']}",
        "grown": f"/v1/proof/consistency?from={head['head']['size']}&to={head['head']['size']}",
    }
    for name, path in asked.items():
        saved = tmp_path / f"{name}.json"
        saved.write_bytes(stocked.get(path).content)
        assert check_proof.main([str(saved)]) == 0
    grown = stocked.answer("/v1/proof/consistency", **{"from": 3, "to": head["size"]})
    old, new = (bytes.fromhex(grown[name]) for name in ("from_root", "to_root"))
    assert check_proof.consistent(3, head["size"], old, new, [bytes.fromhex(step) for step in grown["path"]])


def test_what_is_not_there_is_not_proved(stocked: Service) -> None:
    """Positions and sizes beyond the log, before any head was signed, and turned round."""
    end = stocked.position()
    for path in (
        "/v1/proof/entries/1", f"/v1/proof/entries/{end + 1}?size={end + 1}", f"/v1/proof/entries/5?size={end + 1}",
        "/v1/proof/entries/5?size=4", f"/v1/proof/consistency?from=1&to={end + 1}", "/v1/proof/consistency?from=5&to=4",
    ):  # fmt: skip
        response = stocked.get(path)
        assert response.status_code == 404, path
        stocked.refusal(response)
    for path in ("/v1/proof/entries/0", "/v1/proof/consistency?from=0&to=1", "/v1/proof/consistency?from=1"):
        assert stocked.get(path).status_code in (400, 404), path


def test_a_close_that_is_not_right_closes_nothing(stocked: Service, tmp_path: Path) -> None:
    """Not over, no month, no person, no such person, a field too many."""
    position = stocked.position()
    for period, body, status in (
        (f"{NOW:%Y-%m}", None, 409), ("2026-13", None, 400), ("lately", None, 400), (LAST, {}, 422),
        (LAST, {"by": "head-grower", "why": "x"}, 422), (LAST, {"by": "nobody"}, 404),
    ):  # fmt: skip
        response = close(stocked, period, body)
        assert response.status_code == status, (period, body, response.text)
        stocked.refusal(response)
    assert stocked.position() == position
    assert not (tmp_path / "heads").exists(), "nothing was signed either"


def test_heads_and_closes_are_not_told_from_outside(stocked: Service) -> None:
    """They are the ledger's own."""
    told = [
        stocked.teller.fact("period-closed", period=LAST, size=1, root="00" * 32),
        stocked.teller.fact("head-signed", size=1, root="00" * 32, key="00" * 32, signature="00" * 64, why="day"),
    ]
    for fact in told:
        response = stocked.post(fact)
        assert response.status_code == 422
        assert "by the ledger itself" in stocked.refusal(response)["detail"]


def test_without_a_usable_key_nothing_is_closed(stocked: Service, tmp_path: Path) -> None:
    """503, and what is wrong with it."""
    (tmp_path / "key.pem").write_text("no key")
    (tmp_path / "key.pem").chmod(0o600)
    response = close(stocked, LAST)
    assert (response.status_code, response.json()["code"]) == (503, "no-seal")
