"""Ledgers with a history behind them: played once, copied for each test that changes something."""

from __future__ import annotations

import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from random import Random

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import conninfo_to_dict, make_conninfo

from tests.simulation.playing import History, play

ROUNDS = 240


@pytest.fixture(scope="session", params=[11, 12], ids=lambda seed: f"seed {seed}")
def played(request: pytest.FixtureRequest, cluster: str, template_database: str) -> Iterator[History]:
    """A nursery with a random history behind it, only to be read; the seed replays it."""
    with _copied(cluster, template_database) as conninfo:
        yield play(conninfo, Random(request.param), ROUNDS)


@pytest.fixture(scope="session")
def once_played(cluster: str, template_database: str) -> Iterator[str]:
    """The name of a database with one history, to be copied."""
    with _copied(cluster, template_database) as conninfo:
        play(conninfo, Random(13), ROUNDS)
        yield str(conninfo_to_dict(conninfo)["dbname"])


@pytest.fixture
def history(cluster: str, once_played: str) -> Iterator[History]:
    """The test's own copy of a nursery with a history."""
    with _copied(cluster, once_played) as conninfo:
        yield History(conninfo=conninfo)


@contextmanager
def _copied(cluster: str, template: str) -> Iterator[str]:
    name = f"tallybench_played_{uuid.uuid4().hex}"
    _execute(cluster, sql.SQL("create database {} template {} strategy file_copy"), name, template)
    try:
        yield make_conninfo(cluster, dbname=name)
    finally:
        _execute(cluster, sql.SQL("drop database {} with (force)"), name)


def _execute(cluster: str, statement: sql.SQL, *names: str) -> None:
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(statement.format(*map(sql.Identifier, names)))
