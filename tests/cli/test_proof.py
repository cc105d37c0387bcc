"""The proof, the close and the audit on the command line."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest

from tests.cli.conftest import Shell, Told

LAST = (datetime.now(UTC).replace(day=1) - timedelta(days=1)).strftime("%Y-%m")


@pytest.fixture(autouse=True)
def heads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A key and a place for heads of the test's own."""
    monkeypatch.setenv("TALLYBENCH_SIGNING_KEY", str(tmp_path / "key.pem"))
    monkeypatch.setenv("TALLYBENCH_HEADS", str(tmp_path / "heads"))
    return tmp_path / "heads"


def test_a_period_is_closed_and_its_head_printed(shell: Shell, told: Told, heads: Path) -> None:
    """Once; then what comes late is listed with its true day, and the audit is content."""
    said = shell.done("close", LAST, "--by", "head-grower", "--json")
    (file,) = heads.iterdir()
    assert [json.loads(line) for line in file.read_text().splitlines()] == [said.json]
    assert f"{LAST} is closed" in said.err
    again = shell("close", LAST, "--by", "head-grower")
    assert (again.code, "closed already" in again.err) == (1, True)
    assert shell("close", LAST, "--by", "nobody").code == 1
    assert shell("close", "last month", "--by", "head-grower").code == 2
    assert shell.done("late", "--json").json["entries"] == []
    assert "proved by 1 heads known outside" in shell.done("audit").err


def test_a_proof_is_made_printed_and_checked(shell: Shell, told: Told, heads: Path, tmp_path: Path) -> None:
    """To the standard output, or to a file."""
    assert shell("prove", 3).code == 1, "no head stands over it yet"
    first = shell.done("head", "--json").json
    second = shell.done("head", "--json").json
    assert second["size"] == first["size"] + 1
    assert shell.done("head").out.startswith("size ")
    files = [tmp_path / "entry.json", tmp_path / "goes-on.json"]
    shell.done("prove", 3, "--out", files[0])
    shell.done("prove", "--from", first["size"], "--to", second["size"], "--out", files[1])
    assert json.loads(files[0].read_text()) == shell.done("prove", 3).json
    assert shell("prove").code == 2
    assert shell("prove", 3, "--from", 1, "--to", 2).code == 2
    said = shell.done("check-proof", *files, *heads.iterdir(), "--key", first["key"])
    assert "stands at position 3" in said.out
    files[0].write_text(files[0].read_text().replace("person-set", "person-sat"))
    said = shell("check-proof", files[0])
    assert (said.code, "WRONG" in said.err) == (1, True)


def test_the_audit_names_what_was_altered_in_the_log_and_in_a_copy(shell: Shell, told: Told, tmp_path: Path) -> None:
    """Loudly, and with exit code 1."""
    shell.done("head")
    copy = tmp_path / "log"
    shell.done("export", copy)
    shell.done("audit", "--log", copy)
    copy.write_text(copy.read_text().replace('"cause":"dried-out"', '"cause":"handling "'))
    (position,) = shell.query("select position from entries where content like '%dried-out%'")[0]
    said = shell("audit", "--log", copy)
    assert said.code == 1
    assert f"position {position} is altered" in said.err
    with psycopg.connect(shell.conninfo) as connection:
        connection.execute("alter table entries disable trigger all")
        connection.execute("update entries set content = replace(content, 'dried-out', 'handling') where type = 'lost'")
    said = shell("audit", "--json")
    assert said.code == 1
    assert [(found["kind"], found["first"]) for found in said.json["findings"]] == [("altered", position)]
    assert "NOT AS IT WAS SIGNED" in said.err


def test_an_audit_without_heads_says_that_it_proves_nothing(shell: Shell, told: Told) -> None:
    """It is no clean bill."""
    said = shell.done("audit")
    assert "no head is known outside" in said.err
    assert "the first 0 proved" in said.err
    assert shell("head").code == 0
