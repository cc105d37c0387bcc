"""Nurseries for the simulation: a fresh empty ledger for every history, also for each example of hypothesis."""

from __future__ import annotations

import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager

import psycopg
import pytest
from psycopg import sql
from psycopg.conninfo import make_conninfo

#: gives the conninfo, as owner, of an empty ledger that is dropped afterwards
FreshLedger = Callable[[], AbstractContextManager[str]]


@pytest.fixture(scope="session")
def fresh_ledger(cluster: str, template_database: str) -> FreshLedger:
    """As many ledgers as a test asks for, one after the other."""

    @contextmanager
    def fresh() -> Iterator[str]:
        name = f"tallybench_history_{uuid.uuid4().hex}"
        _execute(cluster, sql.SQL("create database {} template {} strategy file_copy"), name, template_database)
        try:
            yield make_conninfo(cluster, dbname=name)
        finally:
            _execute(cluster, sql.SQL("drop database {} with (force)"), name)

    return fresh


def _execute(cluster: str, statement: sql.SQL, *names: str) -> None:
    with psycopg.connect(cluster, autocommit=True) as connection:
        connection.execute(statement.format(*map(sql.Identifier, names)))
