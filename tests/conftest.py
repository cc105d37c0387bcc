"""The PostgreSQL that tests run on: one cluster a run, one migrated template, a copy of it for each test that asks.

--postgres=embedded    a server of this run's own in a temporary folder (the default)
--postgres=container   postgres:18 in a container; needs a Docker engine
--postgres=URL         any server, as a user who may make databases and roles
"""

from __future__ import annotations

import shutil
import tempfile
import time
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import LiteralString

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

from ledger import schema
from ledger.nursery import Nursery
from ledger.postgres import Server

QUICK = {"fsync": "off", "full_page_writes": "off", "autovacuum_naptime": "1h"}  # its data lives as long as the run

ROOM = 4 * 2**30  # bytes; a run needs a fraction of it


def pytest_addoption(parser: pytest.Parser) -> None:
    """Which PostgreSQL to test on, and with how big a crowd."""
    parser.addoption("--postgres", default="embedded", metavar="embedded|container|URL", help="the PostgreSQL to test on")
    parser.addoption("--storm", type=int, default=1_200, metavar="N", help="baskets asked for in each storm of promises")
    parser.addoption("--books", type=int, default=30, metavar="N", help="random histories whose books are audited")
    parser.addoption("--every-page", action="store_true", help="look at every page in the browser, not at a handful")
    parser.addoption(
        "--browser", metavar="PATH", help="a Chromium to look at the pages with; without it they are not looked at"
    )


def pytest_ignore_collect(collection_path: Path, config: pytest.Config) -> bool | None:
    """The browser run is one of its own: a machine that has only Python has no browser."""
    return True if collection_path.name == "browser" and not config.getoption("--browser") else None


@pytest.fixture(scope="session", autouse=True)
def _nothing_of_the_users() -> Iterator[None]:
    """No test ever works on the database or in the data folder of whoever runs the tests."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("DATABASE_URL", raising=False)
        patch.setenv("TALLYBENCH_HOME", "/dev/null/no-test-may-use-it")
        yield


@pytest.fixture(scope="session")
def cluster(request: pytest.FixtureRequest) -> Iterator[str]:
    """The conninfo, as superuser, of a database from where others can be made and dropped."""
    told = request.config.getoption("--postgres")
    if told == "embedded":
        with embedded_folder() as folder, Server(folder / "postgres", QUICK).use() as server:
            yield server.conninfo("postgres")
    elif told == "container":
        with _container() as url:
            yield make_conninfo(url)
    else:
        yield make_conninfo(told)


@pytest.fixture(scope="session")
def template_database(cluster: str) -> Iterator[str]:
    """The name of a database on the current schema, to be copied; nobody can connect to it."""
    with fresh(cluster) as name:
        schema.migrate(make_conninfo(cluster, dbname=name))
        _execute(cluster, "alter database {} with allow_connections false", name)
        yield name


@pytest.fixture
def database(cluster: str, template_database: str) -> Iterator[str]:
    """The conninfo, as owner, of a fresh empty ledger of the test's own."""
    with fresh(cluster, template_database) as name:
        yield make_conninfo(cluster, dbname=name)


@pytest.fixture
def nursery(database: str) -> Iterator[Nursery]:
    """A nursery on a fresh empty ledger."""
    with Nursery(database) as opened:
        yield opened


@pytest.fixture
def own_home(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """TALLYBENCH_HOME for this test alone, where the product makes a durable embedded server of its own."""
    if request.config.getoption("--postgres") != "embedded":
        pytest.skip("this test is about the embedded server")
    with embedded_folder() as folder:
        monkeypatch.setenv("TALLYBENCH_HOME", str(folder))
        yield folder
        server = Server(folder / "postgres")
        if server.folder.exists():  # a test that kills may leave it running
            with server.turn():
                server.stop()


@contextmanager
def embedded_folder() -> Iterator[Path]:
    """A temporary folder that the embedded server's user can enter, unlike pytest's own; in memory if there is room."""
    memory = Path("/dev/shm")  # noqa: S108 - the folder made in it is this run's own
    roomy = memory.is_dir() and shutil.disk_usage(memory).free > ROOM
    folder = Path(tempfile.mkdtemp(prefix="tallybench-", dir=memory if roomy else None))
    folder.chmod(0o755)
    try:
        yield folder
    finally:
        shutil.rmtree(folder)


@contextmanager
def _container() -> Iterator[str]:
    from docker.errors import DockerException  # noqa: PLC0415 - slow, and seldom asked for
    from testcontainers.community.postgres import PostgresContainer  # noqa: PLC0415 - the same

    try:
        container = PostgresContainer("postgres:18", driver=None)
    except DockerException as error:
        pytest.exit(f"--postgres=container needs a Docker engine: {error}", returncode=pytest.ExitCode.USAGE_ERROR)
    with container:
        yield container.get_connection_url()


@contextmanager
def fresh(cluster: str, template: str = "template1") -> Iterator[str]:
    """The name of a new database, dropped at the end. Copying its files is quicker here than logging them."""
    name = f"tallybench_{uuid.uuid4().hex}"
    _execute(cluster, "create database {} template {} strategy file_copy", name, template)
    try:
        yield name
    finally:
        time.sleep(0.005)  # a session still on its way out would make the drop wait for 100 ms
        _execute(cluster, "drop database {} with (force)", name)


def _execute(cluster: str, statement: LiteralString, *names: str) -> None:
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(sql.SQL(statement).format(*map(sql.Identifier, names)))
