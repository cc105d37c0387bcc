"""Plays random histories through the real pen into a real PostgreSQL, and remembers what became of every entry."""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from random import Random
from typing import Any, LiteralString

import psycopg

from ledger.log import codec, store
from ledger.nursery import Job, Nursery
from ledger.plants.refusals import Problem, Refused
from ledger.projections import runner
from tests.auditor import Fact, flat
from tests.simulation.histories import Teller

#: whatever a refused entry could have left behind
Head = tuple[Any, ...]


@dataclass(frozen=True, kw_only=True)
class Refusal:
    """A list that was refused, what stood in the log then, and the head before and after where it had the turn to itself."""

    posted: list[Fact]
    problems: list[Problem]
    log: list[Fact]
    heads: tuple[Head, Head] | None


@dataclass(kw_only=True)
class History:
    """A nursery after its history was told to it."""

    conninfo: str
    posted: list[list[Fact]] = field(default_factory=list)
    refusals: list[Refusal] = field(default_factory=list)

    def log(self) -> list[Fact]:
        """The whole log, as it is kept."""
        return [flat(json.loads(row[0])) for row in query(self.conninfo, "select content from entries order by position")]

    def balances(self) -> dict[tuple[str, str], int]:
        """The ledger's own balances by (account, unit), zeros left out."""
        return {(row[0], row[1]): row[2] for row in query(self.conninfo, "select account, unit, units from balances") if row[2]}


def query(conninfo: str, statement: LiteralString) -> list[tuple[Any, ...]]:
    """Ask a ledger's own tables."""
    with psycopg.connect(store.owner_conninfo(conninfo)) as connection:
        return connection.execute(statement).fetchall()


def head(conninfo: str) -> Head:
    """The pen, how many rows there are, and sums over what may be changed in place."""
    (counts,) = query(
        conninfo,
        "select (select position from pen), (select count(*) from entries), (select count(*) from history),"
        " (select sum(version) from cards), (select sum(units * units) from balances)",
    )
    return counts


def play(conninfo: str, random: Random, rounds: int) -> History:
    """Tell a nursery a history of so many postings, some of which share a turn of the pen.

    The projections that follow are let follow now and then.
    """
    history = History(conninfo=conninfo)
    teller = Teller(random)
    with Nursery(conninfo) as nursery, psycopg.connect(store.owner_conninfo(conninfo), autocommit=True) as follower:
        _take_turn(nursery, history, teller, [teller.opening()])
        while rounds > 0:
            turn = [teller.next() for _ in range(min(rounds, 3 if teller.chance(6) else 1))]
            _take_turn(nursery, history, teller, turn)
            rounds -= len(turn)
            if rounds % 17 == 0:
                runner.follow(follower)
        runner.follow(follower)
    return history


def _take_turn(nursery: Nursery, history: History, teller: Teller, turn: list[list[Fact]]) -> None:
    jobs = [Job(codec.read_told(facts), "here") for facts in turn]
    before = head(history.conninfo)
    nursery.turn(jobs)
    for facts, job in zip(turn, jobs, strict=True):
        log = list(teller.log)
        try:
            posted = job.result()
        except Refused as refused:
            alone = (before, head(history.conninfo)) if len(jobs) == 1 else None
            history.refusals.append(Refusal(posted=facts, problems=refused.problems, log=log, heads=alone))
        else:
            history.posted.append(facts)
            teller.heard([flat(json.loads(codec.encode(entry))) for entry in posted.entries])
