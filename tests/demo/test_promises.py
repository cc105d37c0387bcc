"""The demo's season of promises: posted through the real service, its threads found in the log, the same each time."""

from __future__ import annotations

import io
import json
from collections.abc import Iterator
from datetime import date
from typing import Any

import pytest
from psycopg.conninfo import make_conninfo
from rich.console import Console

from ledger.demo.history import Brindlewick
from ledger.demo.post import Client, Counter, post_days
from ledger.demo.story import NOT_SENT, OVERSOLD, POTTING, SET_BACK, WEATHER, Thread
from ledger.forecaster import Forecaster
from ledger.nursery import Nursery
from ledger.projections import runner
from tests.conftest import fresh
from tests.demo.test_posting import served

TODAY = date(2026, 11, 25)
CRUSHED = 10


class Season:
    """A history told through promises, as the service has it in its log."""

    def __init__(self, database: str, months: int) -> None:
        self.database = database
        with served(database) as client, Nursery(database) as nursery, Forecaster(database, nursery) as forecaster:
            counter = Counter(client, forecaster.publish)
            demo = Brindlewick(seed=1, crops=12, months=months, today=TODAY, desk=counter)
            self.posted = post_days(counter, demo.days(), until=TODAY, console=Console(file=io.StringIO()))
            self.log = list(_log(client))
        self.threads = demo.told_threads
        self.by_id = {entry["told"]["id"]: entry["told"] for entry in self.log}

    def of(self, kind: str) -> list[dict[str, Any]]:
        return [entry["told"] for entry in self.log if entry["told"]["type"] == kind]

    def entries(self, thread: Thread, kind: str) -> list[dict[str, Any]]:
        told = [self.by_id[str(entry)] for entry in thread.entries]
        return [fact for fact in told if fact["type"] == kind]


def _log(client: Client) -> Iterator[Any]:
    after = 0
    while page := client.ask("GET", f"/v1/entries?limit=1000&after={after}").body["entries"]:
        yield from page
        after = page[-1]["position"]


@pytest.fixture(scope="module")
def season(cluster: str, template_database: str) -> Iterator[Season]:
    """The demo as it is shown."""
    with fresh(cluster, template_database) as name:
        yield Season(make_conninfo(cluster, dbname=name), 18)


def test_every_table_follows_from_the_log_after_the_demo(season: Season) -> None:
    """Promises, forecasts and potting lists included."""
    assert runner.verify(season.database, lambda *_: None) == []


def test_four_lines_of_jasmine_are_at_risk_after_a_count_and_get_another_day(season: Season) -> None:
    """5: the count is named as the cause, each line is moved, and the buffer is raised."""
    thread = season.threads[OVERSOLD]
    assert thread.on.month == 4
    risks, counts = season.entries(thread, "promise-at-risk"), season.entries(thread, "counted")
    assert len(risks) == len(season.entries(thread, "promise-moved")) == 4
    assert all(counts[-1]["id"] in risk["because"] for risk in risks)
    [policy] = season.entries(thread, "policy-set")
    assert policy["buffer_z_per_mille"] > 1280
    assert season.of("policy-set")[-1].get("forecast_hours", 36) == 36, "at the end the nursery's own values hold"


def test_three_promised_hoyas_get_another_day_after_twelve_are_set_back(season: Season) -> None:
    """16: the set-back is the cause."""
    thread = season.threads[SET_BACK]
    risks, causes = season.entries(thread, "promise-at-risk"), season.entries(thread, "set-back")
    assert sum(cause["units"] for cause in causes) == 12
    assert len(risks) == len(season.entries(thread, "promise-moved")) == 3
    assert all({cause["id"] for cause in causes} & set(risk["because"]) for risk in risks)


def test_of_an_order_for_region_3_the_passion_flower_is_not_granted(season: Season) -> None:
    """20: asked for in the basket, and no grant beside it."""
    thread = season.threads[NOT_SENT]
    assert thread.on.month == 6
    [basket] = [entry for entry in season.log if entry["told"]["id"] == str(thread.entries[0])]
    asked = [line["crop"] for line in basket["told"]["lines"]]
    granted = {grant["crop"] for grant in basket["grants"]}
    assert basket["told"]["region"] == "region-3"
    assert [crop for crop in asked if crop not in granted] == ["passiflora-tin-whistle"]


def test_crushed_plants_are_replaced_through_promises_and_orders_wait_for_the_weather(season: Season) -> None:
    """10 and 14: eleven replaced, every claim with a promise that replaces it; 27 orders held."""
    claims = {str(entry) for entry in season.threads[CRUSHED].entries}
    assert {told["replaces"] for told in season.of("promised") if told.get("replaces") in claims} == claims
    assert sum(told["units"] for told in season.of("picked") if told.get("replaces") in claims) == 11
    assert len({told["order"] for told in season.entries(season.threads[WEATHER], "held")}) == 27


def test_promises_ask_for_potting_and_the_crew_answers_every_line(season: Season) -> None:
    """4: lists are issued, each line is answered, and what is short says why."""
    thread = season.threads[POTTING]
    issued = [entry["told"] for entry in season.log if entry["told"]["type"] == "potting-issued"]
    lines = {(told["day"], line["crop"], line["size"]): line["pots"] for told in issued for line in told.get("lines", [])}
    answers = season.entries(thread, "potting-answered")
    assert {(told["day"], told["crop"], told["size"]) for told in answers} == set(lines) != set()
    for told in answers:
        short = told["potted"] < lines[told["day"], told["crop"], told["size"]]
        assert short == ("because" in told)
    assert any("because" in told for told in answers)


def test_the_same_seed_is_told_and_answered_the_same(cluster: str, template_database: str) -> None:
    """Grants, forecasts and risks included; only the recorded times differ."""
    told = []
    for _ in range(2):
        with fresh(cluster, template_database) as name:
            log = Season(make_conninfo(cluster, dbname=name), 4).log
            told.append(json.dumps([(entry["told"], entry.get("grants")) for entry in log], sort_keys=True))
    assert told[0] == told[1]
