"""Reports written into files by `tallybench`: `--format` and `--out`."""

from __future__ import annotations

import csv
import io
from pathlib import Path

import pytest
from click.testing import CliRunner
from pypdf import PdfReader
from python_calamine import CalamineWorkbook

from ledger.cli import main
from tests.cli.conftest import Shell, Told

REPORTS = ("shrink", "promises-kept")
BEGINS = {"csv": b"", "xlsx": b"PK", "pdf": b"%PDF-"}


@pytest.mark.parametrize("kind", BEGINS)
@pytest.mark.parametrize("command", REPORTS)
def test_a_report_is_written_in_the_format_that_its_file_is_named_for(
    shell: Shell, told: Told, tmp_path: Path, command: str, kind: str
) -> None:
    """What stood there is replaced, nothing is left beside it, and standard output stays empty."""
    path = tmp_path / f"report.{kind.upper()}"
    path.write_text("an older one")
    said = shell.done(command, "--out", path)
    assert said.out == ""
    assert str(path) in said.err
    assert path.read_bytes().startswith(BEGINS[kind])
    assert b"an older one" not in path.read_bytes()
    assert [each.name for each in tmp_path.iterdir()] == [path.name]


def test_a_file_says_what_json_says(shell: Shell, told: Told, tmp_path: Path) -> None:
    """CSV, XLSX and PDF from the same answer."""
    lost = {(rate["stage"], rate["lost"], rate["of"]) for rate in shell.done("shrink", "--json").json["rates"]}
    assert lost
    text = shell.done("shrink", "--format", "csv").out
    rows = csv.DictReader(io.StringIO(text, newline=""), strict=True)
    assert {(row["stage"], int(row["lost"]), int(row["of"])) for row in rows} == lost
    shell.done("shrink", "--format", "xlsx", "--out", tmp_path / "shrink.anything")
    cells = CalamineWorkbook.from_path(str(tmp_path / "shrink.anything")).get_sheet_by_index(0).to_python()
    stage = next(row for row in cells if "Stage" in row).index("Stage")
    assert lost <= {(row[stage], *row[stage + 2 : stage + 4]) for row in cells}
    shell.done("shrink", "--out", tmp_path / "shrink.pdf")
    pages = " ".join(PdfReader(tmp_path / "shrink.pdf").pages[0].extract_text().split())
    assert all(f"{units} {of} " in pages for _, units, of in lost)


@pytest.mark.parametrize("kind", ["xlsx", "pdf"])
def test_a_file_goes_to_standard_output_byte_for_byte(shell: Shell, told: Told, tmp_path: Path, kind: str) -> None:
    """For a script; the same as in a file, and the same again."""
    environment = {"DATABASE_URL": shell.conninfo}
    given = CliRunner(env=environment).invoke(main, ["shrink", "--format", kind]).stdout_bytes
    shell.done("shrink", "--format", kind, "--out", tmp_path / "report")
    assert given == (tmp_path / "report").read_bytes()


@pytest.mark.parametrize(
    ("arguments", "hint"),
    [
        (("--format", "xls"), "csv"),
        (("--out", "report.txt"), "name the --format"),
        (("--out", "report"), "name the --format"),
        (("--json", "--format", "csv"), "--json"),
        (("--json", "--out", "report.csv"), "--json"),
        (("--out", "no-such-folder/report.csv"), "cannot be written"),
    ],
)
@pytest.mark.parametrize("command", REPORTS)
def test_what_cannot_be_written_is_said_and_ends_with_two(
    shell: Shell, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: str, arguments: tuple[str, ...], hint: str
) -> None:
    """And nothing is."""
    monkeypatch.chdir(tmp_path)
    said = shell(command, *arguments)
    assert said.code == 2
    assert hint in said.err
    assert said.out == ""
    assert list(tmp_path.iterdir()) == []
