"""Two hundred and more alterations of the log by somebody who may do anything to the database: all are found and named."""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from random import Random
from typing import Any, NamedTuple

import psycopg
import pytest

from ledger import proving
from ledger.books import proof as tree
from ledger.check_proof import Finding
from ledger.log import store
from ledger.projections import runner
from ledger.seal import Seal
from tests.proof.conftest import Books

ALTERATIONS = 200


class Row(NamedTuple):
    """A row of the log, as far as it is altered here."""

    position: int
    content: str


class Alteration(NamedTuple):
    """What was done to the log: the log as it is then, and where something of each kind is wrong."""

    what: str
    rows: list[Row]
    wrong: list[tuple[str, int]]


@pytest.fixture
def signed(books: Books) -> Books:
    """A log of some hundred entries, signed now and then; a head stands over all but the last, which tells of it."""
    batch = books.opened()
    for day in range(6):
        for hour in range(15):
            books.lose(batch, occurred_at=books.before + timedelta(days=day + 1, hours=hour % 8, seconds=hour))
        books.sign()
    assert books.audit().findings == []
    return books


def flipped(content: str, random: Random) -> str:
    """One byte is another."""
    at = random.randrange(len(content))
    other = random.choice([letter for letter in "abcdefghij0123456789 {}" if letter != content[at]])
    return content[:at] + other + content[at + 1 :]


def renumbered(rows: list[Row], inside: bool) -> list[Row]:
    """Positions dense from 1 again; `inside`: also as the contents name them."""
    made = []
    for position, row in enumerate(rows, 1):
        content = row.content
        if inside:
            content = content.replace(f'"position":{json.loads(content)["position"]},', f'"position":{position},')
        made.append(Row(position, content))
    return made


def altered(rows: list[Row], random: Random, signed_to: int) -> Alteration:
    """Something done to the log, at random."""
    rows = list(rows)
    place = random.randrange(signed_to - 1)
    position = place + 1
    match random.randrange(8):
        case 0 | 1:
            rows[place] = Row(position, flipped(rows[place].content, random))
            return Alteration("a byte", rows, [("altered", position)])
        case 2:
            cut = random.randint(2, 30)
            return Alteration("tail cut", rows[:-cut], [("missing", n) for n in range(len(rows) - cut + 1, signed_to + 1)])
        case 3:
            del rows[place]
            return Alteration("deleted", rows, [("missing", position)])
        case 4:
            del rows[place]
            return Alteration("deleted, positions closed up", renumbered(rows, inside=False), [("missing", position)])
        case 5:
            other = random.choice([n for n in range(signed_to) if n != place])
            rows[place], rows[other] = Row(position, rows[other].content), Row(other + 1, rows[place].content)
            return Alteration("swapped", rows, [("moved", position)] if abs(other - place) > 1 else [])
        case 6:
            made = rows[place].content.replace('"units":1', '"units":2')
            rows.insert(place, Row(0, made if made != rows[place].content else made.replace('"by"', '"bY"')))
            return Alteration("put in", renumbered(rows, inside=False), [("inserted", position)])
        case _:
            del rows[place]
            return Alteration("deleted, all later ones rewritten", renumbered(rows, inside=True), [])


@contextmanager
def mightily(conninfo: str) -> Iterator[psycopg.Cursor[Any]]:
    """A superuser's hands on the log, past the triggers, with the original kept aside and put back at the end."""
    with psycopg.connect(conninfo, autocommit=True) as connection, connection.cursor() as cursor:
        cursor.execute("alter table entries disable trigger all")
        cursor.execute("create table original as table entries")
        cursor.execute("create table original_nodes as table p_proof.nodes")
        cursor.execute("create table original_pen as table pen")
        yield cursor


def put(cursor: psycopg.Cursor[Any], rows: list[Row], originals: dict[str, int], *, nodes_too: bool) -> None:
    """The log as it is after an alteration, the pen with it; with `nodes_too` the proof's own table follows."""
    cursor.execute("truncate entries")
    cursor.execute("alter table entries drop constraint if exists entries_id_key")
    cursor.executemany(
        "insert into entries select %s, id, type, schema, occurred_at, recorded_at, booked_on, person, client, null, digest, %s"
        " from original where position = %s",
        [(row.position, row.content, originals.get(row.content, 1)) for row in rows],
    )
    cursor.execute("update pen set position = (select max(position) from entries)")
    cursor.execute("truncate p_proof.nodes")
    if nodes_too:
        made = tree.grown(0, {}, (tree.leaf(row.content.encode()) for row in rows))
        cursor.executemany("insert into p_proof.nodes values (%s, %s, %s)", [(*node, made[node]) for node in made])
    else:
        cursor.execute("insert into p_proof.nodes table original_nodes")


def named(findings: list[Finding], kind: str, position: int) -> bool:
    """Whether something of that kind is found there."""
    return any(finding.kind == kind and finding.first <= position <= finding.last for finding in findings)


def test_every_alteration_of_the_log_is_found_and_named(signed: Books) -> None:
    """With the leaves as they were kept: the very position, whatever was done; nothing is found where nothing was done."""
    rows = [Row(*row) for row in signed.query("select position, content from entries order by position")]
    originals = {row.content: row.position for row in rows}
    signed_to = len(rows) - 1
    random = Random(7)
    done: dict[str, int] = {}
    with mightily(signed.conninfo) as cursor:
        for number in range(ALTERATIONS):
            made = altered(rows, random, signed_to)
            put(cursor, made.rows, originals, nodes_too=False)
            found = signed.audit()
            about = f"{number}: {made.what} {made.wrong[:1]}, found {[finding.detail for finding in found.findings][:5]}"
            assert found.findings, about
            assert all(named(found.findings, kind, position) for kind, position in made.wrong), about
            assert found.proved < signed_to, about
            done[made.what] = done.get(made.what, 0) + 1
        put(cursor, rows, originals, nodes_too=False)
    assert min(done.values()) >= 10, done
    assert [finding for finding in signed.audit().findings if finding.kind != "beside"] == []


def test_every_alteration_is_found_where_the_proof_s_own_table_was_rewritten_with_it(signed: Books) -> None:
    """The heads outside remain: it is told between which two of them, and what the positions inside the entries give away."""
    rows = [Row(*row) for row in signed.query("select position, content from entries order by position")]
    originals = {row.content: row.position for row in rows}
    sizes = [0, *(head.size for head in signed.seal.kept()[0])]
    random = Random(8)
    with mightily(signed.conninfo) as cursor:
        for number in range(60):
            made = altered(rows, random, len(rows) - 1)
            put(cursor, made.rows, originals, nodes_too=True)
            found = signed.audit()
            about = f"{number}: {made.what} {made.wrong[:1]}, found {[finding.detail for finding in found.findings][:5]}"
            ranges = [finding for finding in found.findings if finding.kind in ("unproven", "missing")]
            assert ranges, about
            first = next(number for number, (a, b) in enumerate(zip(rows, [*made.rows, *rows], strict=False), 1) if a != b)
            before = max(size for size in sizes if size < first)
            assert found.proved == before, about
            assert any(finding.first <= first <= finding.last for finding in ranges), about


def test_every_alteration_of_an_exported_copy_is_found_and_named(signed: Books, tmp_path: Path) -> None:
    """Whoever was given a copy needs no database: the leaves in it are proved by the heads, and name the entry."""
    file = tmp_path / "log"
    with psycopg.connect(store.app_conninfo(signed.conninfo)) as connection, file.open("wb") as target:
        count = proving.export(connection, target)
    lines = file.read_text("utf-8").splitlines()
    assert len(lines) == count
    rows = [Row(number, line[65:]) for number, line in enumerate(lines, 1)]
    leaves = {row.content: line[:64] for row, line in zip(rows, lines, strict=True)}
    random = Random(9)
    assert proving.audit_file(file, signed.seal).findings == []
    for number in range(60):
        made = altered(rows, random, len(rows) - 1)
        for beside in (True, False):  # with the leaves that were kept, and as bare lines
            kept = [f"{leaves.get(row.content) or lines[row.position - 1][:64]} " if beside else "" for row in made.rows]
            file.write_text("".join(f"{leaf}{row.content}\n" for leaf, row in zip(kept, made.rows, strict=True)), "utf-8")
            found = proving.audit_file(file, signed.seal)
            about = f"{number}: {made.what} {made.wrong[:1]}, found {[finding.detail for finding in found.findings][:5]}"
            assert found.findings, about
            if (made.what == "a byte" and beside) or (made.wrong and made.what not in {"a byte", "put in"}):
                assert named(found.findings, *made.wrong[0]), about


def test_what_stands_beside_the_content_is_held_against_it(signed: Books) -> None:
    """Each column by itself: reports read them, so they are no less the log."""
    other = {
        "id": "gen_random_uuid()", "type": "'counted'", "schema": "7", "occurred_at": "occurred_at + interval '1 second'",
        "recorded_at": "recorded_at - interval '1 day'", "booked_on": "booked_on + 1", "person": "'potter'",
        "client": "'me'", "reverses": "gen_random_uuid()",
    }  # fmt: skip
    with mightily(signed.conninfo) as cursor:
        for position, (column, value) in enumerate(other.items(), 30):
            change = f"update entries set {column} = {value} where position = {position}"  # noqa: S608 - of the test's own
            cursor.execute(change.encode())
            (finding,) = (finding for finding in signed.audit().findings if finding.first == position)
            assert finding.kind == "beside"
            assert column in finding.detail
        cursor.execute("update pen set position = position + 1")
        assert any("the pen stands at" in finding.detail for finding in signed.audit().findings)


def test_the_proof_s_own_table_is_no_witness_against_a_signed_head(signed: Books) -> None:
    """A leaf altered there is said to be at fault itself; the entries stay proved, and a rebuild mends it."""
    with psycopg.connect(signed.conninfo) as connection:
        connection.execute("update p_proof.nodes set hash = sha256('x') where level = 0 and number = 41")
    found = signed.audit()
    (finding,) = found.findings
    assert (finding.kind, finding.first) == ("beside", 42)
    assert found.proved == len(signed.query("select from entries")) - 1
    assert any("nodes" in difference for difference in runner.verify(signed.conninfo))
    runner.rebuild(signed.conninfo, "proof")
    assert signed.audit().findings == []
    assert runner.verify(signed.conninfo) == []


def test_a_head_that_was_forged_outside_is_told(signed: Books) -> None:
    """Another key, a signature that does not hold, another root for the same size; half a line is a remark."""
    heads = signed.seal.kept()[0]
    stranger = Seal(signed.seal.key_file.with_name("other.pem"), signed.seal.heads_file)
    forged = stranger.sign(heads[0].size, heads[0].root, "day", signed.this)
    signed.seal.keep(forged)
    signed.seal.keep(heads[1]._replace(root="00" * 32))
    signed.seal.keep(signed.seal.sign(heads[2].size, "11" * 32, "day", signed.this))
    with signed.seal.heads_file.open("ab") as file:
        file.write(b'{"size":3,')
    found = signed.audit()
    assert {finding.first for finding in found.findings} == {heads[0].size, heads[1].size, heads[2].size}
    assert {finding.kind for finding in found.findings} == {"head"}
    assert any("half written" in remark for remark in found.remarks)
    assert found.proved == heads[-1].size


def test_a_log_that_was_put_back_to_an_older_state_is_told(signed: Books) -> None:
    """As after a restore from a backup: what was signed since is missing."""
    heads = signed.seal.kept()[0]
    back_to = heads[2].size + 1
    with mightily(signed.conninfo) as cursor:
        cursor.execute("delete from entries where position > %s", [back_to])
        cursor.execute("update pen set position = %s", [back_to])
    runner.rebuild(signed.conninfo, "proof")
    found = signed.audit()
    assert found.proved == heads[2].size
    assert named(found.findings, "missing", heads[-1].size)
