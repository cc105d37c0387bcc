"""The table of questions keeps its word: whatever it says answers one is asked on a served demo, and answers."""

from __future__ import annotations

import re
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path

import httpx
import pytest
from msgspec import Struct
from psycopg.conninfo import make_conninfo

from tests import visits
from tests.conftest import fresh
from tests.visits import Demo

TABLE = Path(__file__).parents[2] / "docs" / "questions.md"
QUESTIONS = 42


class Row(Struct, frozen=True, kw_only=True):
    """A question and what answers it."""

    number: int
    who: str
    question: str
    answered: str
    addresses: tuple[str, ...]


def rows() -> list[Row]:
    """The table, as it is read by people."""
    found = []
    for line in TABLE.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split("|")]
        if line.startswith("|") and cells[0].isdigit():
            number, who, question, answered, by = cells
            addresses = tuple(re.findall(r"`([^`]+)`", by))
            found.append(Row(number=int(number), who=who, question=question, answered=answered, addresses=addresses))
    return found


@pytest.fixture(scope="module")
def demo(cluster: str) -> Iterator[Demo]:
    """A small demo, served."""
    with fresh(cluster) as name, visits.served_demo(make_conninfo(cluster, dbname=name)) as served:
        yield served


@pytest.fixture(scope="module")
def clients(demo: Demo) -> Iterator[tuple[httpx.Client, httpx.Client]]:
    """A storefront with a key, and a device that is signed in."""
    with demo.client() as storefront, closing(demo.device()) as device:
        yield storefront, device


def test_every_question_stands_in_the_table_once() -> None:
    """All forty-two, in order; what answers is named just where something does, and what is missing where it is in part."""
    assert [row.number for row in rows()] == list(range(1, QUESTIONS + 1))
    for row in rows():
        state, _, missing = row.answered.partition(": ")
        assert state in ("yes", "in part", "not yet")
        assert bool(missing) == (state == "in part")
        assert bool(row.addresses) == (state != "not yet")


@pytest.mark.parametrize("row", [row for row in rows() if row.addresses], ids=lambda row: str(row.number))
def test_what_a_row_names_answers(row: Row, demo: Demo, clients: tuple[httpx.Client, httpx.Client]) -> None:
    """The API is asked with a key and the pages by a device; a call that writes is described in the API's own document."""
    storefront, device = clients
    today = datetime.now(UTC).date()
    days = {"since": str(today - timedelta(days=7)), "until": str(today - timedelta(days=1))}
    for address in row.addresses:
        if address.startswith("POST "):
            assert "post" in storefront.get("/openapi.json").json()["paths"][address.removeprefix("POST ")]
            continue
        answer = (storefront if address.startswith("/v1") else device).get(address.format_map(demo.known | days))
        assert answer.status_code == 200, f"{address}: {answer.text}"
        assert "sign-in" not in answer.url.path
