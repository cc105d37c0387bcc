"""The signing key and the heads outside of the database: made once, for the owner's eyes only, never in the database."""

from __future__ import annotations

import json
import stat
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime, timedelta
from pathlib import Path

import psycopg
import pytest
from psycopg.conninfo import make_conninfo

from ledger import proving, schema
from ledger.check_proof import Head
from ledger.seal import NoSeal, Seal
from ledger.worker import Worker
from tests.proof.conftest import Books

AT = datetime(2026, 11, 25, 12, 0, tzinfo=UTC)


@pytest.fixture
def seal(tmp_path: Path) -> Seal:
    """One that was never used."""
    return Seal(tmp_path / "safe" / "key.pem", tmp_path / "heads" / "books.jsonl")


def test_the_key_is_made_once_for_its_owner_only(seal: Seal) -> None:
    """Mode 0600; also where many begin at once, they have one and the same."""
    with ThreadPoolExecutor(8) as pool:
        keys = set(pool.map(lambda _: seal.key(), range(16)))
    assert len(keys) == 1
    assert stat.S_IMODE(seal.key_file.stat().st_mode) == 0o600
    assert [path.name for path in seal.key_file.parent.iterdir()] == ["key.pem"]
    assert keys == {Seal(seal.key_file, seal.heads_file).key()}


@pytest.mark.parametrize("mode", [0o640, 0o604, 0o644])
def test_a_key_that_others_can_read_is_not_used(seal: Seal, mode: int) -> None:
    """It says what to do."""
    seal.key()
    seal.key_file.chmod(mode)
    with pytest.raises(NoSeal, match="chmod 600"):
        seal.sign(1, "00" * 32, "day", AT)


def test_a_file_that_is_no_key_is_not_written_over(seal: Seal) -> None:
    """Somebody may need what is in it."""
    seal.key()
    seal.key_file.write_text("my notes")
    with pytest.raises(NoSeal, match="no private key"):
        seal.key()
    assert seal.key_file.read_text() == "my notes"


def test_a_signature_is_over_all_that_a_head_says(seal: Seal) -> None:
    """Each part altered breaks it; openssl's own reading of RFC 8032 is behind it, the statement is plain text."""
    head = seal.sign(7, "ab" * 32, "day", AT)
    assert head.holds()
    assert head.statement() == (
        b'tallybench head\n{"at":"2026-11-25T12:00:00Z","root":"' + b"ab" * 32 + b'","size":7,"why":"day"}'
    )
    for other in (
        head._replace(size=8), head._replace(root="cd" * 32), head._replace(at="2026-11-25T12:00:01Z"),
        head._replace(why="close"), head._replace(key="00" * 32), head._replace(signature="00" * 64),
    ):  # fmt: skip
        assert not other.holds()


def test_heads_are_lines_that_a_torn_one_does_not_spoil(seal: Seal) -> None:
    """After a crash in the middle of a line the next head has a line of its own."""
    first, second = seal.sign(1, "ab" * 32, "day", AT), seal.sign(2, "cd" * 32, "day", AT)
    seal.keep(first)
    with seal.heads_file.open("ab") as file:
        file.write(b'{"at":"2026-')
    seal.keep(second)
    assert seal.kept() == ([first, second], [2])


def test_a_place_that_cannot_be_written_to_is_told_before_anything_is_told(books: Books, tmp_path: Path) -> None:
    """A head that is not outside is not in the log either."""
    (tmp_path / "file").write_text("")
    books.seal.heads_file = tmp_path / "file" / "heads.jsonl"
    with pytest.raises(NoSeal, match="cannot be written"):
        books.sign()
    with pytest.raises(NoSeal):
        books.close(books.before)
    assert books.query("select from entries where type in ('head-signed', 'period-closed')") == []


def test_each_ledger_has_its_own_file_of_heads(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """By the database's name, and the server's where that is not this machine's own; one key for all."""
    monkeypatch.setenv("TALLYBENCH_HOME", str(tmp_path))
    here = Seal.of(make_conninfo(host="/run/somewhere", dbname="tallybench"))
    demo = Seal.of(make_conninfo(host="/run/somewhere", dbname="tallybench_demo"))
    there = Seal.of(make_conninfo(host="db.example", port=5433, dbname="tallybench"))
    assert here.heads_file == tmp_path / "heads" / "tallybench.jsonl"
    assert len({here.heads_file, demo.heads_file, there.heads_file}) == 3
    assert here.key_file == demo.key_file == tmp_path / "signing-key.pem"
    monkeypatch.setenv("TALLYBENCH_SIGNING_KEY", "/elsewhere/key")
    monkeypatch.setenv("TALLYBENCH_HEADS", "/elsewhere/heads")
    moved = Seal.of(make_conninfo(dbname="tallybench"))
    assert (moved.key_file, moved.heads_file) == (Path("/elsewhere/key"), Path("/elsewhere/heads/tallybench.jsonl"))


def test_no_private_key_is_in_the_database(books: Books) -> None:
    """In no row of any table, in whatever form."""
    books.sign()
    pem = books.seal.key_file.read_text()
    inside = "".join(pem.splitlines()[1:-1])
    done = subprocess.run(
        [sys.executable, "-c", "import sys; from ledger import postgres; print(postgres.bin_folder())"],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    dump = subprocess.run([f"{done.stdout.strip()}/pg_dump", books.conninfo], check=True, capture_output=True, text=True).stdout
    assert books.seal.key() in dump
    assert inside not in dump
    assert "PRIVATE" not in dump


def test_the_same_log_has_the_same_root_whatever_the_clock_and_the_collation(books: Books, cluster: str) -> None:
    """A copy in a database that sorts otherwise and lives in another time zone: every head is the same."""
    batch = books.opened()
    for name in ("Zoë", "ångström", "azalea", "ß"):
        books.lose(batch, note=name)
    head = books.sign()
    dbname = psycopg.conninfo.conninfo_to_dict(books.conninfo)["dbname"]
    books.nursery.close()
    other = f"{dbname}_other"
    with psycopg.connect(cluster, autocommit=True) as connection:
        (sorts,) = connection.execute("select datcollate from pg_database where datname = current_database()").fetchone() or (
            "",
        )
        locale = "C" if sorts != "C" else "C.UTF-8"
        connection.execute(f"create database {other} template template0 encoding 'UTF8' locale '{locale}'".encode())
        connection.execute(f"alter database {other} set timezone = 'Asia/Kathmandu'".encode())
    try:
        conninfo = make_conninfo(cluster, dbname=other)
        schema.migrate(conninfo)
        rows = books.query("select * from entries order by random()")
        with psycopg.connect(conninfo) as connection, connection.cursor() as cursor:
            values = ", ".join(["%s"] * len(rows[0]))
            cursor.executemany(f"insert into entries values ({values})".encode(), rows)  # noqa: S608 - of the test's own
            cursor.execute("update pen set position = (select max(position) from entries), recorded_at = clock_timestamp()")
        copy = Books(conninfo, books.seal.key_file.parent)
        with copy.nursery:
            assert copy.sign().size == len(rows)
        with copy.look() as cursor:
            assert proving.consistency(cursor, head.size, head.size).from_root == head.root
        assert copy.audit().findings == []
    finally:
        with psycopg.connect(cluster, autocommit=True) as connection:
            connection.execute(f"drop database {other} with (force)".encode())


# --- each day ----------------------------------------------------------------------------------------------------


def test_a_head_is_signed_once_a_day_and_only_if_anything_came(books: Books) -> None:
    """By the nursery's own days; the head's own entry is nothing that came."""
    batch = books.opened()

    def sign(at: datetime) -> Head | None:
        return proving.sign_head(books.conninfo, books.nursery, books.seal, "day", at)

    morning = books.last + timedelta(hours=1)
    first = sign(morning)
    assert first is not None
    assert first.why == "day"
    assert sign(morning + timedelta(hours=5)) is None
    assert sign(morning + timedelta(days=1)) is None, "nothing came since"
    books.lose(batch)
    assert sign(morning + timedelta(hours=6)) is None, "today's is signed"
    second = sign(morning + timedelta(days=1))
    assert second is not None
    assert second.size == first.size + 2
    assert books.audit().findings == []


def test_the_worker_signs_when_a_day_begins_and_works_on_without_a_key(
    books: Books, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """What keeps it from signing does not keep it from forecasting."""
    monkeypatch.setenv("TALLYBENCH_HEADS", str(tmp_path / "heads"))
    monkeypatch.setenv("TALLYBENCH_SIGNING_KEY", str(tmp_path / "file" / "key.pem"))
    (tmp_path / "file").write_text("")
    books.opened()
    books.teller.now = datetime.now(UTC) - timedelta(minutes=5)

    def worked() -> list[str]:
        before = len(books.query("select from entries"))
        worker = Worker(books.conninfo)
        rounds = iter([False, False])  # on its way in, one round, out
        monkeypatch.setattr(worker.stopping, "is_set", lambda: next(rounds, True))
        worker._work()  # noqa: SLF001 - one round of what runs for ever
        return [row[0] for row in books.query("select type from entries where position > %s order by position", before)]

    assert set(worked()) == {"forecast-published"}
    monkeypatch.setenv("TALLYBENCH_SIGNING_KEY", str(tmp_path / "key.pem"))
    assert "head-signed" in worked()
    assert "head-signed" not in worked()
    heads = [json.loads(line) for path in (tmp_path / "heads").iterdir() for line in path.read_text().splitlines()]
    assert [head["why"] for head in heads] == ["day"]
