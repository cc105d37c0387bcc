"""The sweeper in its thread: it sweeps on one connection, and on another once that is lost."""

from __future__ import annotations

import time

import psycopg
from psycopg.conninfo import make_conninfo

from ledger.nursery import Nursery
from ledger.worker import Sweeper


class Counting(Sweeper):
    """Counts the sweeps that came to their end."""

    swept = 0

    def do(self) -> int:
        found = super().do()
        self.swept += 1
        return found

    def sweeps(self, more: int) -> None:
        """Wait for so many."""
        wanted, end = self.swept + more, time.monotonic() + 20
        while self.swept < wanted:
            assert time.monotonic() < end, "it does not sweep"
            time.sleep(0.01)


def backends(watching: psycopg.Connection) -> set[int]:
    """The sweeper's sessions at the server."""
    return {row[0] for row in watching.execute("select pid from pg_stat_activity where application_name = 'sweeping'")}


def test_the_sweeper_keeps_its_connection_and_opens_another_when_that_is_lost(database: str) -> None:
    """One session, the same through many sweeps; killed, one other; none is left in the end."""
    with Nursery(database) as nursery, psycopg.connect(database, autocommit=True) as watching:
        with Counting(make_conninfo(database, application_name="sweeping"), nursery, pause_s=0.01) as sweeper:
            sweeper.sweeps(1)
            (first,) = backends(watching)
            for _ in range(10):
                sweeper.sweeps(1)
                assert backends(watching) == {first}
            watching.execute("select pg_terminate_backend(%s)", (first,))
            sweeper.sweeps(2)
            (second,) = backends(watching)
            assert second != first
        end = time.monotonic() + 10
        while backends(watching):
            assert time.monotonic() < end, "its session is still open"
            time.sleep(0.01)
