"""`tallybench entry`: files of entries as people and other programs keep them, written once, or not at all with every reason."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path
from typing import Any

import pytest

from tests.cli.conftest import Shell, Told
from tests.telling import START, Teller

Fact = dict[str, Any]

BEGINNINGS = Teller().beginnings()


def json_lines(path: Path, facts: list[Fact]) -> Path:
    """One object a line."""
    path.write_text("".join(f"{json.dumps(fact)}\n" for fact in facts))
    return path


def as_csv(path: Path, facts: list[Fact]) -> Path:
    """A table with all fields of all entries; lists and objects as JSON in their cell."""
    fields = list(dict.fromkeys(name for fact in facts for name in fact))
    text = io.StringIO()
    table = csv.DictWriter(text, fields)
    table.writeheader()
    table.writerows(
        {name: json.dumps(value) if isinstance(value, list | dict) else value for name, value in fact.items()} for fact in facts
    )
    path.write_text(text.getvalue())
    return path


def without_ids(facts: list[Fact]) -> list[Fact]:
    """As a person would type them."""
    return [{name: value for name, value in fact.items() if name != "id"} for fact in facts]


def count(shell: Shell) -> int:
    """Entries in the log."""
    return int(shell.query("select count(*) from entries")[0][0])


@pytest.mark.parametrize("write", [json_lines, as_csv])
@pytest.mark.parametrize("ids", ["with ids", "without ids"])
def test_the_same_file_twice_is_written_once(shell: Shell, tmp_path: Path, write: Any, ids: str) -> None:
    """Without ids, too: each line has one made from what it says and where it stands."""
    facts = BEGINNINGS if ids == "with ids" else without_ids(BEGINNINGS)
    path = write(tmp_path / f"begin.{'csv' if write is as_csv else 'jsonl'}", facts)
    for _ in range(2):
        said = shell.done("entry", path)
        assert f"{len(facts)} entries stand in the ledger, the last at position {len(facts)}" in said.err
        assert count(shell) == len(facts)
    assert shell.done("entry", path, "--json").json == {"entries": len(facts), "as_of": len(facts)}
    assert shell.query("select distinct client like 'cli:%' from entries") == [(True,)]


def test_a_csv_says_the_same_as_json_lines(shell: Shell, tmp_path: Path) -> None:
    """Numbers, flags, objects and lists in cells become what the fields take."""
    shell.done("entry", json_lines(tmp_path / "begin.jsonl", BEGINNINGS))
    teller = Teller(START.replace(hour=10), seed=5)
    taken = [{"stock_plant": "S-IXO", "cuttings": 30}]
    facts = [
        teller.fact("gathered", crop="ixora-copper-thimble", stock_plants=taken, place="P1", wanted=40, note="[sic] 30"),
        teller.fact("crop-set", code="new-crop", name="New, with a comma", species="Nova nova", group="Soft",
                    sizes={"P9": {"price": "1.50"}}, may_propagate=False, base_temperature_c=12),
        teller.fact("treated", product="a soap", places=["P1", "H1"]),
    ]  # fmt: skip
    shell.done("entry", as_csv(tmp_path / "more.csv", facts))
    told = shell.query(f"select content::jsonb -> 'told' from entries where position > {len(BEGINNINGS)} order by position")
    batch = told[0][0].pop("batch")
    assert batch.startswith("26W38-")
    for (kept,), fact in zip(told, facts, strict=True):
        assert {**kept, "occurred_at": fact["occurred_at"]} == fact


@pytest.mark.parametrize("write", [json_lines, as_csv])
def test_a_byte_order_mark_is_no_part_of_the_file(shell: Shell, tmp_path: Path, write: Any) -> None:
    """Spreadsheets and some editors set one before the first line."""
    path = write(tmp_path / f"begin.{'csv' if write is as_csv else 'jsonl'}", BEGINNINGS)
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    shell.done("entry", path)
    assert count(shell) == len(BEGINNINGS)


def test_line_ends_and_empty_lines_do_not_matter(shell: Shell, tmp_path: Path) -> None:
    """As a file looks that went through another system; its entries are the same."""
    plain = json_lines(tmp_path / "plain.jsonl", BEGINNINGS)
    other = tmp_path / "other.jsonl"
    other.write_bytes(b"\r\n" + plain.read_bytes().replace(b"\n", b"\r\n\r\n"))
    shell.done("entry", plain)
    shell.done("entry", other)
    assert count(shell) == len(BEGINNINGS)


# --- refusals --------------------------------------------------------------------------------------------------


def wrong_facts(told: Told) -> list[Fact]:
    """Five entries, of which the second, third and fifth are wrong, the third twice."""
    lost = {"batch": told.plugs, "stage": "rooted", "place": "H1", "units": 1, "cause": "rot"}
    return [
        told.teller.fact("lost", **lost),
        told.teller.fact("lost", **{**lost, "units": 500}),
        told.teller.fact("lost", **{**lost, "units": 0, "cause": "boredom"}),
        told.teller.fact("lost", **lost),
        told.teller.fact("lost", **{**lost, "place": "NOWHERE"}),
    ]


def test_every_problem_is_listed_with_its_line_and_nothing_is_written(shell: Shell, told: Told, tmp_path: Path) -> None:
    """First what is wrong in an entry by itself; once that is right, what the book forbids."""
    before, facts = count(shell), wrong_facts(told)
    said = shell("entry", json_lines(tmp_path / "wrong.jsonl", facts))
    assert said.code == 1
    assert [line.split(":")[0] for line in said.err.splitlines()] == ["line 3, units", "line 3, cause", "nothing was written"]
    facts[2] |= {"units": 1, "cause": "rot"}
    said = shell("entry", json_lines(tmp_path / "wrong.jsonl", facts))
    assert said.code == 1
    problems = said.err.splitlines()
    assert [line.split(":")[0] for line in problems] == ["line 2, units", "line 5, place", "nothing was written"]
    assert problems[0].endswith("[not-enough-standing]")
    assert problems[1].endswith("[unknown-code]")
    assert said.out == ""
    assert count(shell) == before


def test_the_line_is_that_of_the_file(shell: Shell, told: Told, tmp_path: Path) -> None:
    """Counting empty lines, the head of a table, and cells that hold several lines."""
    facts = wrong_facts(told)
    facts[2] = {**facts[0], "id": facts[2]["id"]}
    path = tmp_path / "wrong.jsonl"
    path.write_text("\n\n" + "\n\n".join(json.dumps(fact) for fact in facts))
    said = shell("entry", path)
    assert [line.split(":")[0] for line in said.err.splitlines()][:2] == ["line 5, units", "line 11, place"]
    said = shell("entry", as_csv(tmp_path / "wrong.csv", facts))
    assert [line.split(":")[0] for line in said.err.splitlines()][:2] == ["line 3, units", "line 6, place"]


@pytest.mark.parametrize(
    ("name", "content", "said"),
    [
        ("a.jsonl", b'{"type": "lost"}\nnot json\n\n[1]\n{"a": 1, "a": 2}\n', ["line 2: ", "line 4: ", "line 5: "]),
        ("b.jsonl", b'{"type": "lost", "units": NaN}\n{"units": \xff}\n', ["line 1: ", "line 2: "]),
        ("c.csv", b"what,units\nlost,1\n", ["the first line of a CSV names the fields, type among them"]),
        ("d.csv", b"", ["the first line of a CSV names the fields, type among them"]),
        ("e.csv", b"type,units\nlost,1,2\nlost,1\nlost,1,2,3\n", ["line 2: ", "line 4: "]),
        ("f.csv", b'type,units\nlost,"1\n', ["line 3: "]),
        ("g.csv", b"type,note\nlost,\xff\n", ["the file is not UTF-8 text"]),
        ("h.csv", b"type,type,units\nlost,lost,1\n", ["the first line of a CSV names type twice"]),
    ],
)
def test_what_cannot_be_read_is_told_line_by_line(
    shell: Shell, tmp_path: Path, name: str, content: bytes, said: list[str]
) -> None:
    """All of it, and nothing is written."""
    path = tmp_path / name
    path.write_bytes(content)
    answer = shell("entry", path)
    assert answer.code == 1
    told = answer.err.splitlines()
    assert len(told) == len(said)
    for line, beginning in zip(told, said, strict=True):
        assert line.startswith(beginning)
    assert count(shell) == 0


def test_a_file_that_is_not_there_is_not_understood(shell: Shell, tmp_path: Path) -> None:
    """As for any wrong argument."""
    assert shell("entry", tmp_path / "none.jsonl").code == 2
    assert shell("entry", tmp_path).code == 2


# --- long files ------------------------------------------------------------------------------------------------


def many(told: Told, length: int) -> list[Fact]:
    """So many notes about one place."""
    return [told.teller.fact("place-set", code="G1", name=f"bench {number}", house="G", kind="bench") for number in range(length)]


def test_a_long_file_goes_in_parts_and_only_if_told_so(shell: Shell, told: Told, tmp_path: Path) -> None:
    """More than can stand or fall together is not taken for it."""
    before, path = count(shell), json_lines(tmp_path / "long.jsonl", many(told, 2001))
    said = shell("entry", path)
    assert said.code == 2
    assert "--in-parts" in said.err
    assert count(shell) == before
    assert shell.done("entry", path, "--in-parts", "--json").json == {"entries": 2001, "as_of": before + 2001}
    shell.done("entry", path, "--in-parts")
    assert count(shell) == before + 2001


def test_a_refusal_in_a_later_part_says_what_stands_already(shell: Shell, told: Told, tmp_path: Path) -> None:
    """The parts before it are written; the file can be put right and posted again whole."""
    before, facts = count(shell), many(told, 1100)
    facts[720] |= {"kind": "cellar"}
    said = shell("entry", json_lines(tmp_path / "long.jsonl", facts), "--in-parts")
    assert said.code == 1
    problems = said.err.splitlines()
    assert problems[0].startswith("line 721, kind: ")
    assert problems[1:] == ["the 500 entries up to line 500 were written, nothing after them"]
    assert count(shell) == before + 500
    facts[720] |= {"kind": "bench"}
    shell.done("entry", json_lines(tmp_path / "long.jsonl", facts), "--in-parts")
    assert count(shell) == before + 1100
