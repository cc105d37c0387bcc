"""The command line in this process, on a ledger of the test's own."""

from __future__ import annotations

import json
import uuid
from collections.abc import Iterator
from typing import Any, NamedTuple

import psycopg
import pytest
from click.testing import CliRunner
from psycopg import sql
from psycopg.conninfo import make_conninfo

from ledger import cli
from ledger.cli import main
from ledger.log import codec
from ledger.nursery import Nursery, Posted
from tests.telling import Teller


class Said(NamedTuple):
    """What a command gave: its exit code, and what it printed where."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """The output, read as JSON."""
        return json.loads(self.out)


class Shell:
    """`tallybench ...` as a person or a script would call it. An error that nobody caught fails the test."""

    def __init__(self, conninfo: str) -> None:
        self.conninfo = conninfo

    def __call__(self, *arguments: object) -> Said:
        """Run a command."""
        cli.out.width = 240  # whatever the terminal is that the tests run in
        environment = {"DATABASE_URL": self.conninfo, "COLUMNS": "240"}
        result = CliRunner(env=environment).invoke(main, [str(argument) for argument in arguments])
        if result.exception is not None and not isinstance(result.exception, SystemExit):
            raise result.exception
        return Said(result.exit_code, result.stdout, result.stderr)

    def done(self, *arguments: object) -> Said:
        """Run a command that must do what it was asked."""
        said = self(*arguments)
        assert said.code == 0, said.err
        return said

    def query(self, question: str) -> list[tuple[Any, ...]]:
        """Rows of the database, past the program."""
        with psycopg.connect(self.conninfo) as connection:
            return connection.execute(question.encode()).fetchall()


@pytest.fixture
def shell(database: str) -> Shell:
    """On a fresh empty ledger."""
    return Shell(database)


@pytest.fixture
def empty_database(cluster: str) -> Iterator[str]:
    """The conninfo of a database in which nothing is."""
    name = f"tallybench_empty_{uuid.uuid4().hex}"
    with psycopg.connect(cluster, autocommit=True) as outside:
        outside.execute(sql.SQL("create database {} template template1 strategy file_copy").format(sql.Identifier(name)))
        yield make_conninfo(cluster, dbname=name)
        outside.execute(sql.SQL("drop database {} with (force)").format(sql.Identifier(name)))


class Told(NamedTuple):
    """A small history: the teller who told it, and the numbers of its batches."""

    teller: Teller
    plugs: str
    pots: str


@pytest.fixture
def told(database: str) -> Told:
    """Plugs that were potted, some lost, counted, picked and shipped."""
    teller = Teller()

    def post(kind: str, **fields: Any) -> Posted:
        return nursery.post(codec.read_told(teller.fact(kind, **fields)))

    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        came = post("opened", crop="ixora-copper-thimble", stage="rooted", place="H1", units=80)
        plugs = came.balances[0].account.split("/")[0]
        potted = post("potted", batch=plugs, place="H1", size="P9", plugs=42, pots=40, casualties=2, to="G1")
        pots = next(balance.account for balance in potted.balances if "/potted/" in balance.account).split("/")[0]
        post("lost", batch=pots, stage="potted", place="G1", units=3, cause="dried-out")
        post("graded", batch=pots, place="G1", finished=30, held_back=7, to="G2")
        post("counted", batch=pots, stage="finished", place="G2", units=29, method="count")
        post("picked", order="A-1", batch=pots, place="G2", units=5, to="K1")
        lines = [{"batch": pots, "place": "K1", "units": 5}]
        post("shipped", order="A-1", carrier="own van", region="north", lines=lines)
    return Told(teller, plugs, pots)
