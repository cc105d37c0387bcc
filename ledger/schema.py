"""The database's schema: bringing it up to date, and refusing to work on one that is not this program's own."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psycopg
from alembic import command
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory
from sqlalchemy import Connection, create_engine
from sqlalchemy.exc import DBAPIError
from sqlalchemy.pool import NullPool

import migrations
from ledger.log import queries
from ledger.projections import runner

_RIGHTS = (
    "the user of this database has to own it, and be a member of the role tallybench_app. A superuser can see to that: "
    "`create role tallybench_app nologin; grant tallybench_app to <user>`"
)


class WrongSchema(Exception):
    """The database is not on this program's schema; the message says what to run."""


def _config() -> Config:
    config = Config()
    config.set_main_option("script_location", str(Path(migrations.__file__).parent))
    config.set_main_option("path_separator", "os")
    return config


@contextmanager
def _connection(conninfo: str) -> Iterator[Connection]:
    engine = create_engine("postgresql+psycopg://", creator=lambda: psycopg.connect(conninfo), poolclass=NullPool)
    with engine.connect() as connection:
        yield connection


def migrate(conninfo: str) -> None:
    """Bring a database, empty or old, to this program's schema, and its projections to their versions.

    Raises WrongSchema on one that a later program made, or where the user may not do it.
    """
    config = _config()
    with _connection(conninfo) as connection:
        connection.exec_driver_sql(runner.SQL["build_alone"])
        found = MigrationContext.configure(connection).get_current_revision()
        if found not in (None, *(script.revision for script in ScriptDirectory.from_config(config).walk_revisions())):
            raise WrongSchema(f"the database is on revision {found}, which only a later program knows: run that one")
        config.attributes["connection"] = connection
        with _telling_what_to_grant():
            command.upgrade(config, "head")
        connection.commit()
    runner.bring_up_to_date(conninfo)


def make_role(conninfo: str) -> None:
    """Make the application's role, which a backup names but does not hold. Raises WrongSchema where the user may not."""
    with _telling_what_to_grant(), psycopg.connect(conninfo) as connection:
        connection.execute(queries.text("migrations", "role.sql"))


@contextmanager
def _telling_what_to_grant() -> Iterator[None]:
    """What the database forbids the user as WrongSchema: it is a matter of rights, not of this program."""
    try:
        yield
    except (DBAPIError, psycopg.errors.InsufficientPrivilege) as error:
        forbidden = error.orig if isinstance(error, DBAPIError) else error
        if not isinstance(forbidden, psycopg.errors.InsufficientPrivilege):
            raise
        raise WrongSchema(f"{str(forbidden).splitlines()[0]}: {_RIGHTS}") from error


def check(conninfo: str) -> None:
    """Raises WrongSchema unless the database is exactly on this program's schema."""
    wanted = ScriptDirectory.from_config(_config()).get_current_head()
    with _connection(conninfo) as connection:
        found = MigrationContext.configure(connection).get_current_revision()
    if found != wanted:
        state = f"on revision {found}" if found else "empty"
        raise WrongSchema(f"the database is {state}, this program needs {wanted}: run `tallybench migrate`")
    runner.check(conninfo)
