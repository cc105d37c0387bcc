"""Building a projection beside the one that serves and swapping it in: nobody who writes or reads notices."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import psycopg
import pytest

from ledger import answers, schema
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.telling import Teller

POTS = {"crop": "ixora-copper-thimble", "stage": "finished", "size": "P9", "place": "G1"}
STOOD = 100_000
BEGUN = len(Teller().beginnings()) + 1
REBUILDS = 4


@pytest.fixture
def begun(database: str) -> tuple[str, Teller, str]:
    """A ledger with one large batch: its conninfo, who tells, and the batch's number."""
    teller = Teller()
    with Nursery(database) as nursery:
        nursery.post(codec.read_told(teller.beginnings()))
        came = nursery.post([teller.tell("bought-in", units=STOOD, supplier_batch="7", **POTS)])
    return database, teller, came.balances[0].account.split("/")[0]


@pytest.mark.parametrize("name", runner.ALL)
def test_writers_readers_and_followers_go_on_while_a_projection_is_swapped(begun: tuple[str, Teller, str], name: str) -> None:
    """No error, no waiting for long, and every look sees exactly what stood at the position that it names."""
    conninfo, teller, batch = begun
    finished = threading.Event()
    looks = [0, 0]

    def write() -> int:
        with Nursery(conninfo) as nursery:
            written = 0
            while not finished.is_set():
                told = teller.tell("lost", batch=batch, stage="finished", place="G1", units=1, cause="rot")
                nursery.post([told])
                written += 1
            return written

    def read(number: int) -> None:
        with psycopg.connect(store.app_conninfo(conninfo)) as connection:
            while not finished.is_set():
                with runner.look(connection) as cursor:
                    found = answers.stock(cursor)
                    card = answers.batch(cursor, batch, teller.now).batch
                assert found.total["pot:P9"] == STOOD - (found.as_of - BEGUN)
                assert card.units_in("finished") == found.total["pot:P9"]
                looks[number] += 1

    def follow() -> None:
        with psycopg.connect(store.app_conninfo(conninfo), autocommit=True) as connection:
            while not finished.is_set():
                runner.follow(connection)

    with ThreadPoolExecutor(4) as pool:
        running = [pool.submit(write), pool.submit(read, 0), pool.submit(read, 1), pool.submit(follow)]
        try:
            for _ in range(REBUILDS):
                runner.rebuild(conninfo, name)
        finally:
            finished.set()
        assert running[0].result() > 0
        for thread in running[1:]:
            thread.result()
    assert min(looks) > 0
    assert runner.verify(conninfo) == []
