"""Proofs, heads and logs as files, checked by the one module that takes neither the database nor anything else of ours."""

from __future__ import annotations

import ast
import json
import subprocess
import sys
from pathlib import Path
from typing import Any

import msgspec
import psycopg
import pytest

from ledger import check_proof, proving
from ledger.log import store
from tests.proof.conftest import Books

CHECKER = Path(check_proof.__file__)


class Files:
    """What a nursery hands out, and a stranger's check of it."""

    def __init__(self, books: Books, folder: Path) -> None:
        self.books = books
        self.folder = folder
        batch = books.opened()
        self.lost = books.lose(batch, note="Zoë said so")
        self.first = books.sign()
        for _ in range(20):
            books.lose(batch)
        self.second = books.sign()
        self.heads = folder / "heads.jsonl"
        self.heads.write_bytes(books.seal.heads_file.read_bytes())
        with books.look() as cursor:
            self.inclusion = self.write("entry.json", proving.inclusion(cursor, self.lost.position))
            self.later = self.write("later.json", proving.inclusion(cursor, self.lost.position, self.second.size))
            self.consistency = self.write("heads.json", proving.consistency(cursor, self.first.size, self.second.size))
            self.unsigned = self.write("unsigned.json", proving.inclusion(cursor, 3, self.second.size - 1))
        self.log = folder / "log"
        with psycopg.connect(store.app_conninfo(books.conninfo)) as connection, self.log.open("wb") as target:
            proving.export(connection, target)

    def write(self, name: str, value: Any) -> Path:
        """As `tallybench prove --out` does, and as an answer of the API that is saved."""
        path = self.folder / name
        path.write_bytes(msgspec.json.encode(value))
        return path

    def altered(self, source: Path, /, **fields: Any) -> Path:
        """The same proof with something else in it."""
        made = source.with_name(f"altered-{len(list(self.folder.iterdir()))}.json")
        made.write_text(json.dumps({**json.loads(source.read_bytes()), **fields}))
        return made


@pytest.fixture
def files(books: Books, tmp_path: Path) -> Files:
    """Of a nursery with two heads."""
    folder = tmp_path / "handed out"
    folder.mkdir()
    return Files(books, folder)


def check(*arguments: object) -> tuple[int, str, str]:
    """By the script alone, somewhere else, with nothing of ours to import."""
    done = subprocess.run(
        [sys.executable, "-I", str(CHECKER), *map(str, arguments)], cwd="/", check=False, capture_output=True, text=True
    )
    return done.returncode, done.stdout, done.stderr


def test_the_checker_takes_nothing_of_ours() -> None:
    """The standard library and cryptography; a stranger can read all of it in one file."""
    tree = ast.parse(CHECKER.read_text("utf-8"))
    tops = {
        name.partition(".")[0]
        for node in ast.walk(tree)
        for name in (
            [alias.name for alias in node.names]
            if isinstance(node, ast.Import)
            else [node.module or ""]
            if isinstance(node, ast.ImportFrom)
            else []
        )
    }
    assert tops - sys.stdlib_module_names == {"cryptography"}


@pytest.mark.parametrize("path", sorted((Path(__file__).parent.parent / "entries").glob("*.json")), ids=lambda path: path.name)
def test_every_kept_row_is_read_as_the_canonical_json_that_it_is(path: Path) -> None:
    """The checker's own reading of RFC 8785 and the ledger's writing agree on every type of entry."""
    content = path.read_bytes()
    position = json.loads(content)["position"]
    assert check_proof.row_of(position, content).says == position
    assert check_proof.row_of(position, content.replace(b'":', b'": ', 1)).says is None


def test_all_that_is_handed_out_holds(files: Files) -> None:
    """Together and each by itself, with the key that is known."""
    code, out, err = check(
        "--key", files.books.seal.key(), files.heads, files.inclusion, files.later, files.consistency, files.log
    )
    assert (code, err) == (0, "")
    assert f"position {files.lost.position}" in out
    assert f"the first {files.second.size} are proved" in out
    for path in (files.inclusion, files.later, files.consistency):
        code, out, err = check(path)
        assert (code, err) == (0, "")
        assert files.books.seal.key() in out, "without a key to hold it to, the one used is told"


def test_what_was_altered_in_a_proof_is_refused(files: Files) -> None:
    """The entry, the place, the path, the root, the head, the key."""
    told = json.loads(files.later.read_bytes())
    head = told["head"]
    for path in (
        files.altered(files.later, entry=told["entry"].replace('"units":1', '"units":2')),
        files.altered(files.later, position=told["position"] + 1),
        files.altered(files.later, path=told["path"][1:]),
        files.altered(files.later, root="00" * 32),
        files.altered(files.later, size=told["size"] - 1),
        files.altered(files.later, head={**head, "at": "2020-01-01T00:00:00Z"}),
        files.altered(files.later, head=None),
        files.altered(files.later, path="no list of hashes"),
        files.altered(files.consistency, from_size=files.first.size - 1),
        files.altered(files.consistency, path=[]),
        files.unsigned,
    ):
        code, _, err = check(path)
        assert code == 1, path.read_text()
        assert err.startswith("WRONG: ")
    code, _, err = check("--key", "00" * 32, files.later)
    assert (code, "another key" in err) == (1, True)


def test_a_log_without_its_hashes_is_checked_as_well(files: Files) -> None:
    """The stored bytes, a line each, are the log; the leaves beside them only tell more exactly what is wrong."""
    bare = files.folder / "bare"
    bare.write_bytes(b"".join(line.partition(b" ")[2] for line in files.log.read_bytes().splitlines(keepends=True)))
    assert check(bare, files.heads)[0] == 0
    code, _, err = check(bare)
    assert (code, "no signed head is at hand" in err) == (1, True)


def test_what_cannot_be_read_is_told_apart(files: Files) -> None:
    """Exit code 2: it is neither right nor wrong."""
    empty = files.folder / "empty"
    empty.write_bytes(b"")
    assert check(empty)[0] == 2
    assert check(files.folder / "not there")[0] == 2
    assert check()[0] == 2
