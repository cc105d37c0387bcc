"""The same job written down by two people: accepted, with a question, until somebody answers."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest

from ledger.plants.recorded import Recorded
from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger


def lost(ledger: Ledger, batch: str, minutes: float, **more: Any) -> Recorded:
    """Two plugs dead in H1, so many minutes after the batch was opened; told by the propagator."""
    at = ledger.card("batch", batch).entered_at + timedelta(minutes=minutes)
    told = {"batch": batch, "stage": "rooted", "place": "H1", "units": 2, "cause": "rot", "by": "propagator", **more}
    return ledger.tell("lost", **told, occurred_at=at)


@pytest.fixture
def plugs(ledger: Ledger) -> str:
    """A batch of plugs in H1."""
    return ledger.opened("rooted", 40, "H1")


@pytest.mark.parametrize("minutes", [-30, -1, 0, 29, 30])
def test_the_same_job_by_another_person_within_half_an_hour_is_asked_about(ledger: Ledger, plugs: str, minutes: int) -> None:
    """It is accepted, and the question names the other entry; whichever slip came first."""
    first = lost(ledger, plugs, 60)
    second = lost(ledger, plugs, 60 + minutes, by="potter")
    (question,) = second.questions
    assert (question.kind, question.of) == ("possible-duplicate", first.told.id)
    assert ledger.standing(plugs) == {"rooted/H1": 36}
    assert ledger.card("question", str(second.told.id)).answer is None


@pytest.mark.parametrize(
    ("minutes", "more"),
    [
        (10, {"by": "propagator"}),  # one person does a job twice
        (30.1, {}),
        (10, {"units": 3}),
        (10, {"stage": "struck", "place": "P1"}),
    ],
)
def test_a_job_that_is_not_the_same_is_not_asked_about(
    ledger: Ledger, plugs: str, minutes: float, more: dict[str, Any]
) -> None:
    """The same person, later, another quantity, another place."""
    ledger.tell("counted", batch=plugs, stage="struck", place="P1", units=9, method="count")
    lost(ledger, plugs, 60)
    assert lost(ledger, plugs, 60 + minutes, **{"by": "potter", **more}).questions == ()


def test_the_same_job_on_another_batch_is_not_asked_about(ledger: Ledger, plugs: str) -> None:
    """Two from this tray and two from that one."""
    other = ledger.opened("rooted", 40, "H1")
    lost(ledger, plugs, 60)
    assert lost(ledger, other, 60, by="potter").questions == ()


def test_the_policy_sets_the_minutes(ledger: Ledger, plugs: str) -> None:
    """A nursery whose people share a bench may ask for less."""
    ledger.tell("policy-set", duplicate_minutes=5)
    lost(ledger, plugs, 60)
    assert lost(ledger, plugs, 66, by="potter").questions == ()
    assert lost(ledger, plugs, 71, by="packer").questions


def test_a_job_that_was_taken_back_is_not_asked_about(ledger: Ledger, plugs: str) -> None:
    """Written by the wrong person, reversed, and written by the right one."""
    first = lost(ledger, plugs, 60)
    ledger.tell("reversed", entry=str(first.told.id), reason="it was the potter who saw it")
    assert lost(ledger, plugs, 60, by="potter").questions == ()


def test_a_question_is_answered_once_and_by_an_entry(ledger: Ledger, plugs: str) -> None:
    """Both happened; the answer stays with the question."""
    first = lost(ledger, plugs, 60)
    second = lost(ledger, plugs, 61, by="potter")
    answered = {"entry": str(second.told.id), "answer": "two each, from both ends of the tray"}
    assert ledger.tell("answered", **answered).moves == ()
    assert ledger.card("question", str(second.told.id)).answer == answered["answer"]
    refused = ledger.refusal("answered", **answered)
    assert (refused.code, refused.field) == ("already-ended", "entry")
    refused = ledger.refusal("answered", entry=str(first.told.id), answer="nobody asked")
    assert (refused.code, refused.field) == ("unknown-code", "entry")


JOBS: dict[str, dict[str, Any]] = {
    "struck": {"gathered_at": "P1", "cuttings": 9, "per_cell": 1, "cells": 9, "place": "P1"},
    "rooted": {"place": "P1", "usable": 7, "weak": 1, "failed": 1, "to": "H1", "part": True},
    "moved": {"stage": "struck", "place": "P1", "to": "H1", "units": 5},
    "potted": {"stage": "struck", "place": "P1", "size": "P9", "plugs": 9, "pots": 9, "to": "G1"},
    "potted-up": {"place": "G1", "size": "C2", "pots": 9, "to": "G2"},
    "graded": {"place": "G2", "finished": 9, "to": "G1"},
    "lost": {"stage": "finished", "place": "G1", "units": 3, "cause": "pest"},
    "set-back": {"place": "G1", "units": 3, "to": "G2", "reason": "leggy"},
    "renamed": {"stage": "finished", "place": "G1", "units": 3, "crop": HOYA, "evidence": "leaf"},
    "picked": {"order": "A-1", "place": "G1", "units": 3, "to": "K1"},
    "put-back": {"order": "A-0", "place": "K1", "units": 3, "to": "G1"},
    "damage-claimed": {"order": "A-0", "units": 1, "carrier": "by road", "cause": "crushed"},
    "given-out": {"stage": "finished", "place": "G1", "units": 3, "why": "a gift", "approved_by": "packer"},
    "planted-as-stock": {"stage": "finished", "place": "G1", "units": 3, "why": "strong", "approved_by": "packer"},
}


def worked_batch(ledger: Ledger, kind: str) -> str:
    """A batch on which the job can be done twice."""
    if kind == "struck":
        parts = [{"stock_plant": IXORA_PLANTS, "cuttings": 60}]
        gathered: Any = ledger.tell("gathered", crop=IXORA, stock_plants=parts, place="P1").told
        return str(gathered.batch)
    if kind in {"rooted", "moved", "potted"}:
        return ledger.opened("struck", 60, "P1")
    batch = ledger.opened("finished", 60, "G1", "P9")
    ledger.tell("set-back", batch=batch, place="G1", units=20, to="G2", reason="leggy")
    ledger.tell("picked", order="A-0", batch=batch, place="G1", units=12, to="K1")
    line = {"batch": batch, "place": "K1", "units": 4}
    ledger.tell("shipped", order="A-0", carrier="by road", region="north", lines=[line])
    return batch


@pytest.mark.parametrize("kind", JOBS)
def test_every_job_on_a_batch_that_two_people_could_write_down_is_asked_about(ledger: Ledger, kind: str) -> None:
    """Same batch, same act, same quantity; but not a sale over the counter, of which two alike are no wonder."""
    batch = worked_batch(ledger, kind)
    first = ledger.tell(kind, batch=batch, **JOBS[kind], by="potter")
    second = ledger.tell(kind, batch=batch, **JOBS[kind], by="packer")
    assert [question.of for question in second.questions] == [first.told.id]


def test_two_sales_alike_are_no_wonder(ledger: Ledger) -> None:
    """One plant each, to two customers."""
    batch = ledger.opened("finished", 60, "G1", "P9")
    for by in ("potter", "packer"):
        assert ledger.tell("sold-here", batch=batch, place="G1", units=1, price="9.00", by=by).questions == ()
