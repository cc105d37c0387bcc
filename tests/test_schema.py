"""The database's schema: brought up to date as often as you like, and worked on only where it is this program's own."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any, LiteralString

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from api.app import create_app
from ledger import schema
from ledger.log import codec, queries
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.telling import Teller

#: everything that a schema is made of, in words that can be compared
DESCRIBED: dict[str, LiteralString] = {
    "columns": "select table_schema, table_name, column_name, ordinal_position, data_type, is_nullable, column_default"
    " from information_schema.columns where table_schema !~ '^(pg_|information_schema)' order by 1, 2, 4",
    "constraints": "select conrelid::regclass::text, conname, pg_get_constraintdef(c.oid) from pg_constraint c"
    " join pg_namespace n on n.oid = connamespace where n.nspname !~ '^(pg_|information_schema)' order by 1, 2",
    "indexes": "select indexdef from pg_indexes where schemaname !~ '^(pg_|information_schema)' order by 1",
    "triggers": "select tgenabled, pg_get_triggerdef(oid) from pg_trigger where not tgisinternal order by 2",
    "rights on schemas": "select nspname, nspacl::text from pg_namespace"
    " where nspname !~ '^(pg_|information_schema)' order by 1",
    "rights on tables": "select c.oid::regclass::text, relacl::text from pg_class c join pg_namespace n on n.oid = relnamespace"
    " where n.nspname !~ '^(pg_|information_schema)' and relkind in ('r', 'v', 'S') order by 1",
    "revision": "select version_num from alembic_version",
    "projections": "select name, version, position from projections order by 1",
}


def described(conninfo: str) -> dict[str, list[tuple[Any, ...]]]:
    """The whole schema of a database."""
    with psycopg.connect(conninfo) as connection:
        return {what: connection.execute(question).fetchall() for what, question in DESCRIBED.items()}


def change(conninfo: str, statement: LiteralString) -> None:
    """As somebody with a client of the database's own."""
    with psycopg.connect(conninfo) as connection:
        connection.execute(statement)


@pytest.fixture
def empty(cluster: str) -> Iterator[str]:
    """The conninfo of a database in which nothing is."""
    name = sql.Identifier(f"tallybench_empty_{uuid.uuid4().hex}")
    with psycopg.connect(cluster, autocommit=True) as outside:
        outside.execute(sql.SQL("create database {} template template1 strategy file_copy").format(name))
        yield make_conninfo(cluster, dbname=name.as_string(outside).strip('"'))
        outside.execute(sql.SQL("drop database {} with (force)").format(name))


def test_an_empty_database_becomes_a_ledger(empty: str) -> None:
    """One call makes it ready for the first entry."""
    schema.migrate(empty)
    schema.check(empty)
    with Nursery(empty) as nursery:
        assert nursery.post(codec.read_told(Teller().beginnings())).entries[0].position == 1
    assert runner.verify(empty) == []


def test_migrating_twice_is_harmless(database: str) -> None:
    """Nothing is built again, and no entry, row or right changes."""
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(Teller().beginnings()))
    before = described(database)
    for _ in range(2):
        schema.migrate(database)
        assert described(database) == before
    schema.check(database)
    assert runner.verify(database) == []


def test_every_ledger_has_the_same_schema(empty: str, database: str) -> None:
    """One made now and one copied from a template: the description leaves nothing to chance."""
    schema.migrate(empty)
    assert described(empty) == described(database)
    assert all(described(empty).values()), "a question about the schema has no answer"


def test_two_who_migrate_at_once_make_one_ledger(empty: str) -> None:
    """Two machines that start together on an empty database."""
    with ThreadPoolExecutor(2) as pool:
        for migrating in [pool.submit(schema.migrate, empty) for _ in range(2)]:
            migrating.result()
    schema.check(empty)
    assert runner.verify(empty) == []


def test_a_migration_that_fails_leaves_nothing_half_done(empty: str) -> None:
    """All of it is one transaction: what was in the way can be put right, and it is run again."""
    change(empty, "create table projections (mine integer)")
    with pytest.raises(Exception, match="projections"):
        schema.migrate(empty)
    with psycopg.connect(empty) as connection:
        rows = connection.execute("select tablename from pg_tables where schemaname = 'public'").fetchall()
    assert rows == [("projections",)]
    change(empty, "drop table projections")
    schema.migrate(empty)
    schema.check(empty)


def test_an_owner_who_is_no_superuser_is_told_what_it_takes(cluster: str, empty: str) -> None:
    """As on a managed server: somebody else makes the role and the owner its member; then all works."""
    name = str(conninfo_to_dict(empty)["dbname"])
    owner, app = sql.Identifier(f"{name}_owner"), sql.Identifier("tallybench_app")
    with psycopg.connect(cluster, autocommit=True) as outside:
        outside.execute(queries.text("migrations", "role.sql"))
        outside.execute(sql.SQL("create role {} login").format(owner))
        try:
            outside.execute(sql.SQL("alter database {} owner to {}").format(sql.Identifier(name), owner))
            owned = make_conninfo(empty, user=f"{name}_owner", password="")
            try:
                psycopg.connect(owned).close()
            except psycopg.OperationalError:
                pytest.skip("this server asks for passwords")
            for forbidden in (schema.migrate, schema.make_role):
                with pytest.raises(schema.WrongSchema, match="grant tallybench_app to"):
                    forbidden(owned)
            outside.execute(sql.SQL("grant {} to {}").format(app, owner))
            schema.migrate(owned)
            schema.check(owned)
            with Nursery(owned) as nursery:
                nursery.post(codec.read_told(Teller().beginnings()))
            assert runner.verify(owned) == []
        finally:
            outside.execute(sql.SQL("alter database {} owner to current_user").format(sql.Identifier(name)))
            with psycopg.connect(empty) as inside:
                inside.execute(sql.SQL("reassign owned by {} to current_user").format(owner))
                inside.execute(sql.SQL("drop owned by {}").format(owner))
            outside.execute(sql.SQL("drop role {}").format(owner))


# --- refusing --------------------------------------------------------------------------------------------------


def test_an_empty_database_is_refused(empty: str) -> None:
    """And left empty; the message says what to run."""
    with pytest.raises(schema.WrongSchema, match=r"the database is empty, .* run `tallybench migrate`"):
        schema.check(empty)
    with psycopg.connect(empty) as connection:
        assert connection.execute("select count(*) from pg_tables where schemaname = 'public'").fetchone() == (0,)


def test_another_revision_is_refused(database: str) -> None:
    """With its name and the one that this program needs."""
    change(database, "update alembic_version set version_num = '0000'")
    with pytest.raises(schema.WrongSchema, match=r"on revision 0000, this program needs [0-9]{4}: run `tallybench migrate`"):
        schema.check(database)


def test_a_revision_of_a_later_program_is_never_migrated(database: str) -> None:
    """The way leads forward only, and not by an old program."""
    change(database, "update alembic_version set version_num = '9999'")
    before = described(database)
    with pytest.raises(schema.WrongSchema, match=r"9999.*later program"):
        schema.migrate(database)
    assert described(database) == before


@pytest.mark.parametrize("name", runner.ALL)
@pytest.mark.parametrize(
    "difference",
    ["update projections set version = 0 where name = %s", "delete from projections where name = %s"],
    ids=["another version", "not built"],
)
def test_another_version_of_a_projection_is_refused_until_it_is_built(
    database: str, name: str, difference: LiteralString
) -> None:
    """Its tables are not read; `migrate` builds them from the log."""
    with psycopg.connect(database) as connection:
        connection.execute(difference, [name])
    with pytest.raises(runner.WrongVersion, match=rf"the projection {name} .* run `tallybench migrate`"):
        schema.check(database)
    with pytest.raises(runner.WrongVersion):
        create_app(database)
    schema.migrate(database)
    schema.check(database)
    assert runner.verify(database) == []


def test_the_service_does_not_start_on_another_schema(empty: str) -> None:
    """Before it takes a single connection for requests."""
    with pytest.raises(schema.WrongSchema):
        create_app(empty)


def test_the_log_is_never_migrated_away(database: str) -> None:
    """There is no way back from the first revision: the downgrade refuses, whoever calls it."""
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(Teller().beginnings()))
    down = queries.text("migrations", "0001_log.down.sql")
    with psycopg.connect(database) as connection, pytest.raises(psycopg.errors.RaiseException, match="never dropped"):
        connection.execute(down)
    schema.check(database)
