"""No row of the log is ever changed or removed: every way of trying it, as every role that there is.

The triggers hold for everybody who only reads and writes. Whoever may change the table itself (its owner, a superuser) can
take them off; no database can refuse that, and the last test says so. What was changed then shows in the books' proof.
"""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any, LiteralString, NamedTuple

import psycopg
import pytest
from psycopg import errors, sql
from psycopg.conninfo import make_conninfo

from ledger.log import codec, store
from ledger.nursery import Nursery
from tests.telling import Teller

GUARD = "TB001"
NO_RIGHT = errors.InsufficientPrivilege.sqlstate

#: statements that change rows, or would if there were any; every role is refused by the trigger or for want of the right
CHANGES: dict[str, LiteralString] = {
    "update all": "update entries set person = 'nobody'",
    "update one": "update entries set content = '{}' where position = 1",
    "update to what it is": "update entries set person = person",
    "update none": "update entries set person = 'nobody' where false",
    "update from": "update entries e set person = 'nobody' from pen where e.position = pen.position",
    "update in a with": "with changed as (update entries set person = 'nobody' returning 1) select count(*) from changed",
    "update a view": "update by_view.book set person = 'nobody' where position = 1",
    "update by a function": "select by_view.change()",
    "delete all": "delete from entries",
    "delete one": "delete from entries where position = 1",
    "delete none": "delete from entries where false",
    "delete using": "delete from entries e using pen where e.position = pen.position",
    "delete in a with": "with gone as (delete from entries returning 1) select count(*) from gone",
    "delete from a view": "delete from by_view.book",
    "truncate": "truncate entries",
    "truncate only": "truncate only entries restart identity",
    "truncate cascade": "truncate entries, pen cascade",
    "insert over the position": "insert into entries select * from entries where position = 1"
    " on conflict (position) do update set person = excluded.person",
    "insert over the id": "insert into entries select * from entries on conflict (id) do update set client = 'nobody'",
    "insert over nothing": "insert into entries select * from entries where false"
    " on conflict (position) do update set person = 'nobody'",
    "merge and update": "merge into entries e using pen on e.position = pen.position"
    " when matched then update set person = 'nobody'",
    "merge and delete": "merge into entries e using pen on e.position = pen.position when matched then delete",
    "merge with no match": "merge into entries e using pen on false when matched then update set person = 'nobody'",
}

#: statements that would set a second row in the place of the first; the keys refuse them
OVER: dict[str, LiteralString] = {
    "insert again": "insert into entries select * from entries",
    "insert at a taken position": "insert into entries select r.* from entries e,"
    """ jsonb_populate_record(e, '{"id": "00000000-0000-4000-8000-000000000000"}') r where e.position = 1""",
    "insert a taken id": "insert into entries select r.* from entries e,"
    """ jsonb_populate_record(e, '{"position": 1000000}') r where e.position = 1""",
}

#: what only an owner may do
DEFINITIONS: tuple[LiteralString, ...] = (
    "drop table entries",
    "drop table entries cascade",
    "drop table pen",
    "drop table keys",
    "drop table projections",
    "drop schema public cascade",
    "drop schema p_cards cascade",
    "drop trigger entries_keep on entries",
    "drop trigger entries_keep_rows on entries",
    "drop function entries_are_for_ever() cascade",
    "drop index entries_by_type",
    "alter table entries disable trigger all",
    "alter table entries disable trigger user",
    "alter table entries disable trigger entries_keep",
    "alter table entries drop column content",
    "alter table entries add column more text",
    "alter table entries alter column content type text using '{}'",
    "alter table entries rename to old_entries",
    "alter table entries owner to tallybench_app",
    "alter table entries set unlogged",
    "alter schema public rename to gone",
    "alter function entries_are_for_ever() rename to gone",
    "create or replace function entries_are_for_ever() returns trigger language plpgsql as 'begin return new; end'",
    "create trigger a_swallow before insert on entries for each row execute function suppress_redundant_updates_trigger()",
    "create rule a_swallow as on insert to entries do instead nothing",
    "create table public.mine (x integer)",
    "create view public.mine as select 1 as x",
    "create function public.mine() returns integer language sql as 'select 1'",
    "create type public.mine as enum ('x')",
    "create sequence public.mine",
    "create schema mine",
    "create table p_cards.mine (x integer)",
    "create index mine on entries (client)",
    "comment on table entries is 'mine'",
    "set session_replication_role = replica",
    "truncate pen",
    "delete from pen",
    "insert into keys (prefix, hash, name, scopes) values ('x', 'x', 'x', '{write}')",
    "update keys set scopes = '{write}'",
    "update keys set revoked_at = null",
    "delete from keys",
    "delete from projections",
)


class Ledger(NamedTuple):
    """A ledger with a few entries, its owner who is no superuser, and what its log holds."""

    conninfo: str
    owner: str
    log: list[tuple[Any, ...]]


def log_of(conninfo: str) -> list[tuple[Any, ...]]:
    """Every row of the log, whole."""
    with psycopg.connect(conninfo) as connection:
        return connection.execute("select * from entries order by position").fetchall()


@pytest.fixture(scope="module")
def ledger(cluster: str, template_database: str) -> Iterator[Ledger]:
    """One for all these tests: nothing in them may change it."""
    name = f"tallybench_kept_{uuid.uuid4().hex}"
    conninfo = make_conninfo(cluster, dbname=name)
    owner, database = sql.Identifier(f"{name}_owner"), sql.Identifier(name)
    with psycopg.connect(cluster, autocommit=True) as outside:
        outside.execute(
            sql.SQL("create database {} template {} strategy file_copy").format(database, sql.Identifier(template_database))
        )
        try:
            with Nursery(conninfo) as nursery:
                nursery.post(codec.read_told(Teller().beginnings()))
            with psycopg.connect(conninfo) as connection:
                _give_ways_round(connection)
                connection.execute(sql.SQL("create role {} nosuperuser").format(owner))
                connection.execute(sql.SQL("alter schema public owner to {}").format(owner))
                connection.execute(sql.SQL("alter table entries owner to {}").format(owner))
                connection.execute(sql.SQL("alter table pen owner to {}").format(owner))
                connection.execute(sql.SQL("alter function entries_are_for_ever() owner to {}").format(owner))
            yield Ledger(conninfo, f"{name}_owner", log_of(conninfo))
        finally:
            outside.execute(sql.SQL("drop database {} with (force)").format(database))
            outside.execute(sql.SQL("drop role if exists {}").format(owner))


def _give_ways_round(connection: psycopg.Connection) -> None:
    """A view and a function that lend everybody their owner's rights."""
    connection.execute("create schema by_view")
    connection.execute("create view by_view.book as select * from public.entries")
    connection.execute(
        "create function by_view.change() returns void language sql security definer"
        " as 'update public.entries set person = ''nobody'''"
    )
    connection.execute("grant usage on schema by_view to public")
    connection.execute("grant all on by_view.book to public")


ROLES = ("application", "owner", "superuser", "superuser as a replica")


@contextmanager
def connected(ledger: Ledger, role: str) -> Iterator[psycopg.Connection]:
    """Signed in as one of the roles."""
    conninfo = store.app_conninfo(ledger.conninfo) if role == "application" else ledger.conninfo
    with psycopg.connect(conninfo, autocommit=True) as connection:
        if role == "owner":
            connection.execute(sql.SQL("set session authorization {}").format(sql.Identifier(ledger.owner)))
        if role.startswith("superuser") and connection.info.parameter_status("is_superuser") != "on":
            pytest.skip("the user of this run's server is no superuser")
        if role == "superuser as a replica":
            connection.execute("set session_replication_role = replica")
        yield connection


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("way", CHANGES)
def test_every_way_of_changing_an_entry_is_refused(ledger: Ledger, way: str, role: str) -> None:
    """By the triggers, which are always on; the application's role has not even the right. No row must match for it."""
    with connected(ledger, role) as connection, pytest.raises(psycopg.Error) as refused:
        connection.execute(CHANGES[way])
    lent = "view" in way or "function" in way
    assert refused.value.sqlstate == (NO_RIGHT if role == "application" and not lent else GUARD)
    assert log_of(ledger.conninfo) == ledger.log


@pytest.mark.parametrize("role", ROLES)
@pytest.mark.parametrize("way", OVER)
def test_an_entry_is_never_written_over(ledger: Ledger, way: str, role: str) -> None:
    """A position and an id are taken once and for all."""
    with connected(ledger, role) as connection, pytest.raises(errors.UniqueViolation):
        connection.execute(OVER[way])
    assert log_of(ledger.conninfo) == ledger.log


@pytest.mark.parametrize("role", ROLES)
def test_copy_writes_over_nothing(ledger: Ledger, role: str) -> None:
    """COPY only adds, and is held to the same keys."""
    with connected(ledger, role) as connection, connection.cursor() as cursor:
        with cursor.copy("copy entries to stdout") as kept:
            rows = b"".join(bytes(part) for part in kept)
        with pytest.raises(errors.UniqueViolation), cursor.copy("copy entries from stdin") as again:
            again.write(rows.replace(b"head-grower", b"nobody"))
    assert log_of(ledger.conninfo) == ledger.log


@pytest.mark.parametrize("role", ROLES)
def test_a_row_read_by_a_cursor_is_not_changed_under_it(ledger: Ledger, role: str) -> None:
    """`where current of` is another way of naming a row."""
    with connected(ledger, role) as connection, psycopg.ServerCursor(connection, "here", withhold=False) as here:
        connection.autocommit = False
        here.execute("select * from entries").fetchone()
        with pytest.raises(psycopg.Error) as refused:
            connection.execute("delete from entries where current of here")
        connection.rollback()
    assert refused.value.sqlstate in (GUARD, NO_RIGHT)
    assert log_of(ledger.conninfo) == ledger.log


@pytest.mark.parametrize("statement", DEFINITIONS)
def test_the_applications_role_changes_no_definition_and_no_right(ledger: Ledger, statement: LiteralString) -> None:
    """It cannot drop, alter or create anything in the log's schema, take the guard off, or give itself a key."""
    with connected(ledger, "application") as connection, pytest.raises(errors.InsufficientPrivilege):
        connection.execute(statement)
    assert log_of(ledger.conninfo) == ledger.log


@pytest.mark.filterwarnings("ignore")
def test_the_applications_role_gives_itself_nothing(ledger: Ledger) -> None:
    """Granting what one was not given to pass on is a warning in PostgreSQL and no more: nothing comes of it."""
    before = rights(ledger.conninfo)
    with connected(ledger, "application") as connection:
        connection.execute("grant all on entries to tallybench_app")
        connection.execute("grant all on pen to public")
        connection.execute("grant all on schema public to tallybench_app")
        with pytest.raises(errors.InsufficientPrivilege):
            connection.execute("create table public.mine (x integer)")
    assert rights(ledger.conninfo) == before


def rights(conninfo: str) -> set[tuple[Any, ...]]:
    """(schema, table, privilege) of the application's role and of everybody."""
    with psycopg.connect(conninfo) as connection:
        rows = connection.execute(
            "select grantee, table_schema, table_name, privilege_type from information_schema.role_table_grants"
            " where grantee in ('tallybench_app', 'PUBLIC')"
            " and table_schema not in ('information_schema', 'pg_catalog', 'by_view')"
        )
        return set(rows)


def test_the_rights_are_exactly_those_intended(database: str) -> None:
    """Insert and select on the log, the pen to be moved, the projections to be kept up, one column of the keys."""
    app = "tallybench_app"
    intended = {
        *((app, "public", "entries", right) for right in ("SELECT", "INSERT")),
        *((app, "public", "pen", right) for right in ("SELECT", "UPDATE")),
        *((app, "public", "projections", right) for right in ("SELECT", "UPDATE")),
        (app, "public", "keys", "SELECT"),
    }
    tables = {
        *(("p_cards", table) for table in ("cards", "history", "account_lines", "balances")),
        ("p_lines", "lines"),
        *(("p_passages", table) for table in ("passages", "stays", "count_differences")),
        *(("p_books", table) for table in ("book_lines", "book_months", "book_batches", "book_state")),
        ("p_proof", "nodes"),
    }
    intended |= {(app, *table, right) for table in tables for right in ("SELECT", "INSERT", "UPDATE", "DELETE")}
    assert rights(database) == intended
    with psycopg.connect(database) as connection:
        columns = connection.execute(
            "select table_name, column_name from information_schema.role_column_grants c"
            " where grantee = 'tallybench_app' and privilege_type = 'UPDATE' and not exists ("
            "   select from information_schema.role_table_grants t where t.grantee = c.grantee"
            "   and t.table_schema = c.table_schema and t.table_name = c.table_name and t.privilege_type = 'UPDATE')"
        ).fetchall()
        columns.sort()
        assert columns == [("keys", "heard_at"), ("keys", "last_used_on"), ("keys", "waiting")]
        row = connection.execute(
            "select rolsuper, rolcreaterole, rolcreatedb, rolcanlogin, rolreplication, rolbypassrls,"
            " has_schema_privilege(oid, 'public', 'create'), has_database_privilege(oid, current_database(), 'create')"
            " from pg_roles where rolname = 'tallybench_app'"
        ).fetchone()
        assert row is not None
        assert not any(row)
        others = connection.execute(
            "select n.nspname from pg_namespace n where n.nspname !~ '^(pg_|information_schema)'"
            " and has_schema_privilege('tallybench_app', n.oid, 'usage') order by 1"
        ).fetchall()
        assert [name for (name,) in others] == ["p_books", "p_cards", "p_lines", "p_passages", "p_proof", "public"]


def test_whoever_may_change_the_table_itself_can_take_the_guard_off(database: str) -> None:
    """What no database refuses its owner. Against them stand the books' proof and the backups, not this guard."""
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(Teller().beginnings()))
    with psycopg.connect(database, autocommit=True) as connection:
        connection.execute("alter table entries disable trigger all")
        assert connection.execute("delete from entries where position = 1").rowcount == 1
