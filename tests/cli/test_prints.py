"""Tags, labels and sign-in cards from the command line."""

from __future__ import annotations

from pathlib import Path

import zxingcpp
from pypdf import PdfReader

from ledger import keys
from tests.cli.conftest import Shell, Told
from tests.printing.test_labels import raster

BASE = "https://bench.example"


def read(path: Path) -> list[str]:
    """The links on the first page of a document."""
    return [code.text for code in zxingcpp.read_barcodes(raster(PdfReader(path, strict=True).pages[0]))]


def test_tags_and_labels_are_printed_into_a_file(shell: Shell, told: Told, tmp_path: Path) -> None:
    """With links to the address that is given."""
    file = tmp_path / "tags.pdf"
    shell.done("tags", told.plugs, "--trays", 2, "--format", "stake", "--address", BASE, "--out", file)
    assert read(file) == [f"{BASE}/t/{told.plugs}"]
    shell.done("labels", told.pots, "--many", 3, "--address", BASE, "--out", file)
    assert read(file) == [f"{BASE}/t/{told.pots}"] * 3


def test_nothing_is_printed_without_knowing_where_its_links_lead(shell: Shell, told: Told, tmp_path: Path) -> None:
    """A tag whose link leads nowhere would be stuck in a tray for months; no key is made for a card that cannot be."""
    file = tmp_path / "tags.pdf"
    for asked in (("tags", told.plugs, "--out", file), ("key", "make", "phone", "--role", "grower", "--card", file)):
        said = shell(*asked)
        assert said.code == 2
        assert "--address" in said.err
    assert not file.exists()
    assert keys.listed(shell.conninfo) == []


def test_a_size_that_no_camera_reads_is_not_understood(shell: Shell, told: Told, tmp_path: Path) -> None:
    """It says how much the code takes."""
    said = shell("tags", told.plugs, "--format", "stake", "--height", 10, "--address", BASE, "--out", tmp_path / "tags.pdf")
    assert said.code == 2
    assert "at least" in said.err


def test_a_key_is_printed_as_a_card_when_it_is_made(shell: Shell, tmp_path: Path) -> None:
    """The card signs in with the very key; only its owner may read the file."""
    file = tmp_path / "card.pdf"
    made = shell.done("key", "make", "phone", "--role", "grower", "--card", file, "--address", BASE).out.strip()
    assert read(file) == [f"{BASE}/sign-in#{made}"]
    assert file.stat().st_mode & 0o077 == 0


def test_there_is_a_card_for_each_role_that_reads_the_pages(shell: Shell, tmp_path: Path) -> None:
    """Each has a key of its own, with the scopes of its role."""
    shell.done("cards", tmp_path / "cards", "--address", BASE)
    files = sorted((tmp_path / "cards").iterdir())
    roles = sorted(role for role, scopes in keys.ROLES.items() if "read" in scopes)
    assert [file.stem for file in files] == roles
    assert len({read(file)[0] for file in files}) == len(roles)
    assert {kept.name: set(kept.scopes) for kept in keys.listed(shell.conninfo)} == {
        f"card {role}": set(keys.ROLES[role]) for role in roles
    }
