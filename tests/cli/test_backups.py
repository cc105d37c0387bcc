"""Backup and restore: a whole book into a file and back, into an empty database only, and verified."""

from __future__ import annotations

from pathlib import Path

import psycopg
import pytest

from ledger import keys, schema
from ledger.log import codec
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.cli.conftest import Shell, Told


@pytest.fixture
def file(shell: Shell, told: Told, tmp_path: Path) -> Path:
    """A backup of a small history."""
    shell.done("key", "make", "scanner", "--scope", "read")
    path = tmp_path / "nursery.backup"
    assert str(path.name) in shell.done("backup", path).err.replace("\n", "")
    return path


LOG = "select * from entries order by position"
TABLES = (
    LOG,
    "select * from pen",
    "select * from keys",
    "select * from p_cards.cards order by kind, key",
    "select * from p_cards.history order by kind, key, version",
    "select * from p_cards.balances order by account, unit",
    "select name, version, position from projections order by name",
)


def test_a_backup_restored_into_an_empty_database_is_the_same_book(
    shell: Shell, told: Told, file: Path, empty_database: str
) -> None:
    """Row by row, keys and rights too; it is verified, and the nursery goes on in it."""
    other = Shell(empty_database)
    assert "restored and verified" in other.done("restore", file).err
    for table in TABLES:
        assert other.query(table) == shell.query(table)
    schema.check(empty_database)
    other.done("verify")
    assert standing(other) == standing(shell)
    with Nursery(empty_database) as nursery:
        lost = told.teller.fact("lost", batch=told.plugs, stage="rooted", place="H1", units=1, cause="rot")
        assert nursery.post(codec.read_told(lost)).as_of == 25
    assert runner.verify(empty_database) == []
    assert [key.name for key in keys.listed(empty_database)] == ["scanner"]


def standing(shell: Shell) -> object:
    """What stands, and what stood."""
    return shell.done("stock", "--json").json, shell.done("stock", "--json", "--at", "2026-09-14 08:20:00").json


def test_the_log_of_a_restored_book_is_still_kept_by_its_triggers(file: Path, empty_database: str) -> None:
    """Always on, as they were; and the application's role has the rights that it had."""
    Shell(empty_database).done("restore", file)
    with psycopg.connect(empty_database, autocommit=True) as connection:
        for role in ("none", "tallybench_app"):
            connection.execute(f"set role {role}".encode())
            with pytest.raises((psycopg.errors.InsufficientPrivilege, psycopg.errors.RaiseException, psycopg.Error)):
                connection.execute("update entries set person = 'nobody'")
        connection.execute("set role none")
        modes = connection.execute("select distinct tgenabled from pg_trigger where tgrelid = 'entries'::regclass and not tgisinternal")
        assert modes.fetchall() == [(b"A",)]


def test_a_database_with_entries_is_never_overwritten(shell: Shell, file: Path) -> None:
    """Refused, with what to do; nothing in it changed."""
    before = [shell.query(table) for table in TABLES]
    said = shell("restore", file)
    assert said.code == 1
    assert "not empty" in said.err
    assert "DATABASE_URL" in said.err
    assert [shell.query(table) for table in TABLES] == before


def test_a_migrated_database_without_entries_is_not_overwritten_either(file: Path, empty_database: str) -> None:
    """It may have keys; restoring is for new databases."""
    schema.migrate(empty_database)
    assert Shell(empty_database)("restore", file).code == 1


def test_a_restore_that_fails_leaves_the_database_empty(file: Path, tmp_path: Path, empty_database: str) -> None:
    """A file that is no backup, or half of one: told as PostgreSQL tells it, and another try is possible."""
    half = tmp_path / "half.backup"
    half.write_bytes(file.read_bytes()[: file.stat().st_size // 2])
    for broken in (half, Path(__file__)):
        said = Shell(empty_database)("restore", broken)
        assert said.code == 3
        assert "pg_restore failed" in said.err
        assert Shell(empty_database).query("select count(*) from pg_tables where schemaname !~ '^(pg_|information)'") == [(0,)]
    Shell(empty_database).done("restore", file)


def test_a_restore_that_does_not_verify_is_told(shell: Shell, told: Told, tmp_path: Path, empty_database: str) -> None:
    """A backup of a book with a difference in it has that difference."""
    with psycopg.connect(shell.conninfo) as connection:
        connection.execute("update p_cards.balances set units = units + 5 where place = 'G2' and stage = 'finished'")
    shell.done("backup", tmp_path / "nursery.backup")
    said = Shell(empty_database)("restore", tmp_path / "nursery.backup")
    assert said.code == 1
    assert "balances: " in said.err


def test_a_backup_is_whole_or_not_there(shell: Shell, told: Told, tmp_path: Path) -> None:
    """One that failed leaves an older one of the same name as it was."""
    path = tmp_path / "nursery.backup"
    path.write_text("the older one")
    with psycopg.connect(shell.conninfo) as connection:
        connection.execute("lock table p_cards.balances in access exclusive mode")
        connection.execute("set local lock_timeout = '1ms'")
        said = Shell(shell.conninfo + " options='-c lock_timeout=100ms'")("backup", path)
    assert said.code == 3
    assert "pg_dump failed" in said.err
    assert path.read_text() == "the older one"


def test_a_backup_can_be_made_while_the_nursery_writes(shell: Shell, told: Told, tmp_path: Path, empty_database: str) -> None:
    """It holds one moment: what was written while it ran is in it or not, whole."""
    with Nursery(shell.conninfo) as nursery:
        for number in range(3):
            lost = told.teller.fact("lost", batch=told.plugs, stage="rooted", place="H1", units=1, cause="rot")
            nursery.post(codec.read_told(lost))
            shell.done("backup", tmp_path / f"{number}.backup")
    other = Shell(empty_database)
    other.done("restore", tmp_path / "1.backup")
    assert other.query("select max(position), count(*) from entries") == [(26, 26)]
