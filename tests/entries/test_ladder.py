"""The ladder from old schemas to today's: rows and posts of an older shape are lifted step by step, and never rewritten.

One type has climbed: the policy. For what may go wrong on the way a loss is given a made-up past: at schema 1 it was told in
tens and with a `reason`, at schema 2 in tens and with its cause; at schema 3 in units, as it is told today.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from ledger.log import codec
from ledger.plants.entries import TYPES, Cause, Lost, PolicySet
from ledger.plants.refusals import Problem, Refused

Fact = dict[str, Any]

ROW: Fact = json.loads((Path(__file__).parent / "lost.1.cuttings.json").read_bytes())


def _named_cause(told: Fact) -> Fact:
    """1 to 2: a field renamed."""
    return {**{name: value for name, value in told.items() if name != "reason"}, "cause": told["reason"]}


def _in_units(told: Fact) -> Fact:
    """2 to 3: a unit changed."""
    return {**{name: value for name, value in told.items() if name != "tens"}, "units": told["tens"] * 10}


def older(told: Fact, schema: int) -> Fact:
    """Thirty lost plants as an older schema would have told them."""
    told = {name: value for name, value in told.items() if name not in {"units", "cause"}}
    amount = {"units": 30} if schema == 3 else {"tens": 3}
    return {**told, **amount, "reason" if schema == 1 else "cause": "rot"}


@pytest.fixture(autouse=True)
def _a_past(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Lost, "SCHEMA", 3)
    monkeypatch.setitem(codec.STEPS, ("lost", 1), _named_cause)
    monkeypatch.setitem(codec.STEPS, ("lost", 2), _in_units)


def refusal(fact: Fact) -> list[Problem]:
    """The problems of a post that must be refused."""
    with pytest.raises(Refused) as refused:
        codec.read_told(fact)
    return refused.value.problems


@pytest.mark.parametrize("schema", [1, 2, 3])
def test_a_kept_row_of_any_schema_is_read_as_an_entry_of_today(schema: int) -> None:
    """Its told part climbs; its place in the log, its movements and the schema it was written in stay."""
    row = {**ROW, "schema": schema, "told": older(ROW["told"], schema)}
    content = codec.canonical(row)
    entry = codec.decode(content, "lost", schema)
    assert isinstance(entry.told, Lost)
    assert (entry.told.units, entry.told.cause, entry.schema) == (30, Cause.ROT, schema)
    assert json.loads(codec.canonical(entry.moves)) == ROW["moves"]
    assert (entry.position, entry.client, entry.told.batch) == (ROW["position"], ROW["client"], ROW["told"]["batch"])
    assert codec.decode(content.decode(), "lost", schema) == entry


@pytest.mark.parametrize("schema", [1, 2, 3])
def test_a_post_may_name_the_schema_that_it_was_written_in(schema: int) -> None:
    """A slip that was queued on a device before an upgrade, or an old export."""
    fact = {**older(ROW["told"], schema), "schema": schema}
    before = dict(fact)
    (told,) = codec.read_told(fact)
    assert told == codec.read_told(older(ROW["told"], 3))[0]
    assert fact == before


def test_a_post_without_a_schema_is_of_today() -> None:
    """An older shape that does not say so is told what is wrong with it."""
    fields = {problem.field for problem in refusal(older(ROW["told"], 1))}
    assert fields == {"tens", "reason", "units", "cause"}


@pytest.mark.parametrize("schema", [0, 4, -1, True, "1", 1.0, None, [1]])
def test_a_schema_that_never_was_is_refused(schema: object) -> None:
    """The whole numbers from 1 to today's, and nothing like them."""
    (problem,) = refusal({**older(ROW["told"], 3), "schema": schema})
    assert (problem.code, problem.field) == ("malformed", "schema")


@pytest.mark.parametrize("change", [{"tens": None}, {"tens": "three"}, {"tens": [3]}, {"tens": {"of": 3}}])
@pytest.mark.parametrize("schema", [1, 2])
def test_a_post_that_is_not_of_the_schema_it_names_is_refused_and_never_breaks_the_ladder(schema: int, change: Fact) -> None:
    """Whatever stands where the number should."""
    problems = refusal({**older(ROW["told"], schema), **change, "schema": schema})
    assert {problem.code for problem in problems} == {"malformed"}


@pytest.mark.parametrize("schema", [1, 2])
def test_a_post_that_lacks_a_field_of_the_schema_it_names_is_refused(schema: int) -> None:
    """The message names the schema whose fields are missed."""
    fact = {name: value for name, value in older(ROW["told"], schema).items() if name != "tens"}
    (problem,) = refusal({**fact, "schema": schema})
    assert problem.code == "malformed"
    assert f"schema {schema}" in problem.detail


def test_a_schema_without_its_step_is_a_programmer_s_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is guessed: reading stops."""
    monkeypatch.delitem(codec.STEPS, ("lost", 2))
    row = {**ROW, "schema": 1, "told": older(ROW["told"], 1)}
    with pytest.raises(KeyError):
        codec.decode(codec.canonical(row), "lost", 1)


def test_the_steps_make_a_whole_ladder_for_every_type(monkeypatch: pytest.MonkeyPatch) -> None:
    """One step from each schema to the next, up to today's, and none that leads nowhere."""
    monkeypatch.undo()
    steps = {(kind, schema) for kind, record in TYPES.items() for schema in range(1, record.SCHEMA)}
    assert codec.STEPS.keys() == steps


def test_a_policy_of_before_the_promise_book_is_read_with_what_held_then() -> None:
    """Schema 1 to 2: what it left open is filled in, what it said stays."""
    for name, minutes in (("policy-set.1.json", 30), ("policy-set.1.promises.json", 20)):
        content = (Path(__file__).parent / name).read_bytes()
        told = codec.decode(content, "policy-set", 1).told
        assert isinstance(told, PolicySet)
        assert (told.hold_minutes, told.confidence, told.forecast_hours, told.always_held_units) == (minutes, 90, 36, 20)
        said = {name: value for name, value in json.loads(content)["told"].items() if isinstance(value, int)}
        assert said.items() <= {field: getattr(told, field) for field in told.__struct_fields__}.items()
