"""`verify` replays the log and compares: it finds whatever was changed, added or taken away in any table, and nothing else."""

from __future__ import annotations

import psycopg
import pytest
from psycopg import sql

from ledger.log import store
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.simulation.histories import PEOPLE
from tests.simulation.playing import History, query
from tests.telling import Teller

#: for every table of every projection a column and another value for it
TABLES = {
    "cards": ("card", "jsonb_set(card, '{version}', '77')"),
    "history": ("position", "position - 1"),
    "account_lines": ("units", "units + 1"),
    "balances": ("units", "units + 1"),
    "lines": ("units", "units + 1"),
    "passages": ("units", "units + 1"),
    "count_differences": ("units", "units - 1"),
    "stays": ("lost", "lost + 1"),
    "book_lines": ("value", "value + 1"),
    "book_months": ("value", "value + 1"),
    "book_batches": ("crop", "crop || 'x'"),
    "book_state": ("state", "state || ' '"),
    "nodes": ("hash", "sha256(hash)"),
}
#: for every table a key's column that another row can have another value in
KEYS = {
    "cards": ("key", "key || 'x'"),
    "history": ("version", "version + 1000"),
    "account_lines": ("position", "position + 100000"),
    "balances": ("account", "'loss/' || md5(account)"),
    "lines": ("line", "(line + 100)::smallint"),
    "passages": ("via", "via || 'x'"),
    "count_differences": ("entry", "gen_random_uuid()"),
    "stays": ("stage", "stage || 'x'"),
    "book_lines": ("line", "(line + 100)::smallint"),
    "book_months": ("cause", "cause || 'x'"),
    "book_batches": ("batch", "batch || 'x'"),
    "book_state": ("crop", "crop || 'x'"),
    "nodes": ("number", "number + 1000000"),
}
STANDS = "stands but does not follow from the log"
MISSING = "follows from the log but is missing"


def plant(conninfo: str, statement: str, table: str, column: str, value: str) -> None:
    """Change a table behind the program's back, in its first row in the order of its key's column."""
    names = {"table": sql.Identifier(table), "column": sql.Identifier(column), "value": sql.SQL(value)}
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        done = connection.execute(sql.SQL(statement).format(**names))
        assert done.rowcount == 1


def kinds(differences: list[str]) -> list[tuple[str, str]]:
    """(table, what is the matter) of each difference, without the row."""
    return [(table, meaning) for table, meaning, _ in (difference.split(": ", 2) for difference in differences)]


def test_every_table_of_every_projection_is_among_those_tested(history: History) -> None:
    """A new table would be forgotten below."""
    found = query(history.conninfo, "select tablename from pg_tables where schemaname like 'p\\_%'")
    assert {name for (name,) in found} == TABLES.keys() == KEYS.keys()


@pytest.mark.parametrize("table", TABLES)
def test_a_changed_row_is_found_with_what_should_stand_there(history: History, table: str) -> None:
    """Both the row that stands and the one that follows from the log are told, and nothing besides."""
    change = "update {table} set {column} = {value} where ctid = (select min(ctid) from {table} where {column} is not null)"
    plant(history.conninfo, change, table, *TABLES[table])
    assert kinds(runner.verify(history.conninfo)) == [(table, STANDS), (table, MISSING)]


@pytest.mark.parametrize("table", TABLES)
def test_a_missing_row_is_found(history: History, table: str) -> None:
    """Somebody deleted it."""
    plant(history.conninfo, "delete from {table} where ctid = (select max(ctid) from {table})", table, *TABLES[table])
    assert kinds(runner.verify(history.conninfo)) == [(table, MISSING)]


@pytest.mark.parametrize("table", TABLES)
def test_an_extra_row_is_found(history: History, table: str) -> None:
    """A copy of a row under another key, which no entry made."""
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection:
        column, value = KEYS[table]
        rows = connection.execute(
            "select string_agg(quote_ident(column_name), ', ' order by ordinal_position), "
            "string_agg(case column_name when %s then %s else quote_ident(column_name) end, ', ' order by ordinal_position)"
            " from information_schema.columns where table_name = %s and table_schema like 'p\\_%%'",
            [column, value, table],
        ).fetchone()
        assert rows is not None
        statement = sql.SQL("insert into {} ({}) select {} from {} limit 1").format(
            sql.Identifier(table), sql.SQL(rows[0]), sql.SQL(rows[1]), sql.Identifier(table)
        )
        assert connection.execute(statement).rowcount == 1
    assert kinds(runner.verify(history.conninfo)) == [(table, STANDS)]


def test_a_row_that_stands_twice_is_found(history: History) -> None:
    """Rows are compared as they are, each once: a double is a difference though every one of the two is right."""
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection:
        connection.execute("alter table p_passages.passages drop constraint passages_pkey")
        connection.execute("insert into passages select * from passages limit 1")
    assert kinds(runner.verify(history.conninfo)) == [("passages", STANDS)]


def test_a_cursor_that_ran_ahead_is_found(history: History) -> None:
    """A follower that noted entries as applied that it never saw: what follows from them is missing."""
    head = query(history.conninfo, "select position from pen")[0][0]
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection:
        connection.execute("delete from lines where position > %s", [head - 20])
    missing = kinds(runner.verify(history.conninfo))
    assert missing
    assert set(missing) == {("lines", MISSING)}


def test_differences_are_told_but_not_without_end(history: History) -> None:
    """A table that is all wrong is told by its first rows."""
    with psycopg.connect(store.owner_conninfo(history.conninfo)) as connection:
        connection.execute("update lines set units = units + 1")
    assert kinds(runner.verify(history.conninfo, most=3)) == [("lines", STANDS)] * 3 + [("lines", MISSING)] * 3


def test_a_projection_that_is_behind_is_not_a_difference(history: History) -> None:
    """What follows is compared up to where it has come, what is written with the pen up to the head."""
    with Nursery(history.conninfo) as nursery:
        nursery.post([Teller(by=PEOPLE[0]).tell("place-set", code="G9", name="G9", house="G", kind="bench")])
    assert runner.verify(history.conninfo) == []


@pytest.mark.parametrize("table", TABLES)
def test_a_rebuild_mends_what_verify_found(history: History, table: str) -> None:
    """The log is the truth: a projection built anew from it has no difference."""
    plant(history.conninfo, "delete from {table} where ctid = (select max(ctid) from {table})", table, *TABLES[table])
    (differing,) = {table for table, _ in kinds(runner.verify(history.conninfo))}
    schema = query(history.conninfo, "select schemaname, tablename from pg_tables where schemaname like 'p\\_%'")
    name = {tablename: schemaname for schemaname, tablename in schema}[differing].removeprefix("p_")
    assert runner.rebuild(history.conninfo, name) == query(history.conninfo, "select position from pen")[0][0]
    assert runner.verify(history.conninfo) == []


def test_verify_leaves_nothing_behind(history: History) -> None:
    """Its scratch tables are gone with it, and it moves no cursor."""
    schemas = "select nspname from pg_namespace order by 1"
    cursors = "select name, version, position from projections order by 1"
    before = query(history.conninfo, schemas), query(history.conninfo, cursors)
    assert runner.verify(history.conninfo) == []
    assert (query(history.conninfo, schemas), query(history.conninfo, cursors)) == before
