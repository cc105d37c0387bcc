"""The auditor is tried on logs written by hand: it must agree with a true one and find every way of bending it."""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Any

import pytest

from tests.auditor import Fact, audit, told

STOCK = "COPPER-1"
PROPAGATED, SMALL, LARGE, JOINED = "26W08-01A", "26W20-01C", "26W20-02D", "26W20-03E"
COUNT = "id-12"


def move(source: str, target: str, unit: str, units: int, **more: str) -> Fact:
    """A movement as the pen records it."""
    return {"from": source, "to": target, "unit": unit, "units": units, **more}


def entry(position: int, kind: str, at: str, *moves: Fact, **fields: Any) -> Fact:
    """A recorded entry, written down a second after the one before."""
    when = {"occurred_at": f"2026-02-{at}:00+00:00", "recorded_at": f"2026-03-01T10:00:{position:02d}+00:00"}
    return {"position": position, "id": f"id-{position}", "type": kind, "by": "grower", **when, **fields, "moves": list(moves)}


def worked_log() -> list[Fact]:
    """A small nursery: cuttings to shipped pots, a late slip on the far side of a count, and a grading taken back."""
    struck, rooted, potted = f"{PROPAGATED}/struck/MIST", f"{PROPAGATED}/rooted/H", f"{SMALL}/potted/G1"
    finished, seconds, picked = f"{SMALL}/finished/G1", f"{SMALL}/seconds/G1", f"{SMALL}/picked/K"
    parts = [{"stock_plant": STOCK, "cuttings": 90}]
    return [
        entry(1, "stock-set", "01T08:00", move("opening", f"{STOCK}/stock/S", "stock-plant", 6),
              stock_plant=STOCK, crop="ixora", place="S", units=6, source="opening"),
        entry(2, "gathered", "02T08:00", move("stock-plant", f"{PROPAGATED}/gathered/P", "cutting", 90),
              batch=PROPAGATED, crop="ixora", stock_plants=parts, place="P"),
        entry(3, "lost", "02T09:00", move(f"{PROPAGATED}/gathered/P", "loss/handling", "cutting", 6),
              batch=PROPAGATED, stage="gathered", place="P", units=6, cause="handling"),
        entry(4, "struck", "02T10:00", move(f"{PROPAGATED}/gathered/P", "converted", "cutting", 84),
              move("converted", struck, "cell", 43),
              batch=PROPAGATED, cuttings=84, per_cell=2, cells=43, singles=2, place="MIST", gathered_at="P"),
        entry(5, "rooted", "09T08:00", move(struck, rooted, "cell", 38), move(struck, "loss/did-not-root", "cell", 3),
              batch=PROPAGATED, place="MIST", usable=38, weak=2, failed=3, to="H"),
        entry(6, "potted", "10T08:00", move(rooted, "converted", "cell", 30), move("converted", potted, "pot:P9", 30),
              move(rooted, "loss/handling", "cell", 1),
              batch=PROPAGATED, place="H", size="P9", plugs=31, pots=30, casualties=1, to="G1", into=SMALL),
        entry(7, "potted", "10T08:30", move(rooted, "converted", "cell", 6),
              move("converted", f"{LARGE}/potted/G2", "pot:C2", 3),
              batch=PROPAGATED, place="H", size="C2", plugs=7, pots=3, per_pot=2, returned=1, to="G2", into=LARGE),
        entry(8, "graded", "15T08:00", move(potted, finished, "pot:P9", 20), move(potted, "loss/graded-out", "pot:P9", 1),
              batch=SMALL, place="G1", finished=20, held_back=9, culled=1, to="G1"),
        entry(9, "graded", "15T08:00", move(potted, seconds, "pot:P9", 4),
              batch=SMALL, place="G1", finished=0, seconds=4, to="G1"),
        entry(10, "reversed", "15T12:00",
              move(seconds, potted, "pot:P9", 4, at="2026-02-15T08:00:00+00:00"), entry="id-9", reason="not graded"),
        entry(11, "picked", "16T08:00", move(finished, picked, "pot:P9", 8, order="A-1"),
              batch=SMALL, place="G1", units=8, to="K", order="A-1"),
        entry(12, "counted", "17T10:00", move(finished, "count-difference", "pot:P9", 3),
              batch=SMALL, stage="finished", place="G1", units=9, method="count"),
        entry(13, "lost", "17T09:00", move(finished, "loss/rot", "pot:P9", 2),
              move("count-difference", finished, "pot:P9", 2, at="2026-02-17T10:00:00+00:00", count=COUNT),
              batch=SMALL, stage="finished", place="G1", units=2, cause="rot"),
        entry(14, "counted", "17T11:00", batch=SMALL, stage="finished", place="G1", units=50, method="estimate"),
        entry(15, "shipped", "18T08:00", move(picked, "shipped", "pot:P9", 7, order="A-1"),
              order="A-1", carrier="A", region="1", lines=[{"batch": SMALL, "place": "K", "units": 7}]),
        entry(16, "put-back", "18T09:00", move(picked, finished, "pot:P9", 1, order="A-1"),
              order="A-1", batch=SMALL, place="K", units=1, to="G1"),
        entry(17, "merged", "19T08:00", move(finished, f"{JOINED}/finished/G2", "pot:P9", 5),
              stage="finished", sources=[{"batch": SMALL, "place": "G1", "units": 5}], place="G2", into=JOINED),
        entry(18, "sold-here", "20T08:00", move(f"{JOINED}/finished/G2", "shipped", "pot:P9", 2),
              batch=JOINED, place="G2", units=2, price="8.50"),
    ]  # fmt: skip


def test_a_true_log_ties() -> None:
    """The auditor has nothing to say about a log in which everything ties, and knows its figures."""
    book, findings = audit(worked_log())
    assert findings == []
    assert book.standing() == {
        (f"{STOCK}/stock/S", "stock-plant"): 6,
        (f"{PROPAGATED}/struck/MIST", "cell"): 2,
        (f"{PROPAGATED}/rooted/H", "cell"): 1,
        (f"{SMALL}/potted/G1", "pot:P9"): 9,
        (f"{LARGE}/potted/G2", "pot:C2"): 3,
        (f"{SMALL}/finished/G1", "pot:P9"): 5,
        (f"{JOINED}/finished/G2", "pot:P9"): 3,
    }
    assert dict(book.differences) == {COUNT: -1}
    assert dict(book.losses) == {
        ("ixora", None, "gathered", "handling"): 6,
        ("ixora", None, "struck", "did-not-root"): 3,
        ("ixora", None, "rooted", "handling"): 1,
        ("ixora", "P9", "potted", "graded-out"): 1,
        ("ixora", "P9", "finished", "rot"): 2,
    }
    assert dict(book.shipped) == {"A-1": 7, None: 2}
    assert book.parents == {PROPAGATED: {STOCK: 90}, SMALL: {PROPAGATED: 30}, LARGE: {PROPAGATED: 6}, JOINED: {SMALL: 5}}


def altered_movements() -> Iterator[tuple[str, list[Fact]]]:
    """Every movement of the log bent in every way, one at a time."""
    for entry_index, fact in enumerate(worked_log()):
        for move_index, sound in enumerate(fact["moves"]):
            bent: dict[str, list[Fact]] = {
                "dropped": [],
                "doubled": [sound, sound],
                "one more": [{**sound, "units": sound["units"] + 1}],
                "one fewer": [{**sound, "units": sound["units"] - 1}],
                "turned round": [{**sound, "from": sound["to"], "to": sound["from"]}],
                "negative": [{**sound, "from": sound["to"], "to": sound["from"], "units": -sound["units"]}],
                "a fraction": [{**sound, "units": float(sound["units"])}],
                "from nowhere": [{**sound, "from": ""}],
                "to nowhere": [{**sound, "to": ""}],
                "onto itself": [{**sound, "to": sound["from"]}],
                "to another place": [{**sound, "to": sound["to"] + "2"}],
                "in another unit": [{**sound, "unit": "tray"}],
                "at another time": [{**sound, "at": "2026-02-28T10:00:00+00:00"}],
                "for another order": [{**sound, "order": "B-2"}],
            }
            if "count" in sound:
                bent["against another count"] = [{**sound, "count": "id-14"}]
            for how, moves in bent.items():
                log = worked_log()
                log[entry_index]["moves"][move_index : move_index + 1] = moves
                yield f"{fact['type']}-{fact['position']} move {move_index} {how}", log


@pytest.mark.parametrize("log", [pytest.param(log, id=name) for name, log in altered_movements()])
def test_an_altered_movement_is_found(log: list[Fact]) -> None:
    """Whichever movement is altered, and however, the auditor speaks up."""
    assert audit(log)[1]


def altered_facts() -> Iterator[tuple[str, list[Fact]]]:
    """Every told number of plants raised by one, and every entry left out or written twice."""
    for index, fact in enumerate(worked_log()):
        for name in ("units", "cuttings", "cells", "usable", "failed", "pots", "casualties", "finished", "culled", "seconds"):
            if name in fact and fact["id"] not in ("id-9", "id-14"):  # one is taken back, the other an estimate
                log = worked_log()
                log[index][name] += 1
                yield f"{fact['type']}-{fact['position']} {name} one more", log
        without = worked_log()
        del without[index]
        if index < 17:
            yield f"{fact['type']}-{fact['position']} left out", without
        yield f"{fact['type']}-{fact['position']} written twice", [*worked_log(), {**copy.deepcopy(fact), "position": 19}]


@pytest.mark.parametrize("log", [pytest.param(log, id=name) for name, log in altered_facts()])
def test_an_altered_fact_is_found(log: list[Fact]) -> None:
    """The told numbers and the movements cannot drift apart unseen, and no entry can go missing or come in twice."""
    try:
        findings = audit(log)[1]
    except KeyError as missing:  # a batch whose first entry is gone has no crop any more
        findings = [f"no crop for {missing}"]
    assert findings


def test_a_position_left_out_is_found() -> None:
    """Positions are dense from 1, whatever the movements say."""
    log = worked_log()
    for fact in log[13:]:
        fact["position"] += 1
    assert any("dense" in finding for finding in audit(log)[1])


def test_a_clock_that_falls_back_is_found() -> None:
    """recorded_at never falls from one position to the next."""
    log = worked_log()
    log[7]["recorded_at"] = "2026-02-27T10:00:00+00:00"
    assert any("was recorded before" in finding for finding in audit(log)[1])


def test_a_second_reversal_is_found() -> None:
    """An entry is taken back once; a reversal is never itself taken back."""
    for target in ("id-9", "id-10", "id-99"):
        log = [*worked_log(), entry(19, "reversed", "21T08:00", entry=target, reason="again")]
        assert any("reverses" in finding for finding in audit(log)[1])


def test_an_overdrawn_moment_is_found_though_the_end_is_sound() -> None:
    """Never negative holds at every moment in occurred order, not only today."""
    log = worked_log()
    log[10]["occurred_at"] = "2026-02-14T08:00:00+00:00"  # picked the day before anything was finished
    findings = audit(log)[1]
    assert any("stands at -8 pot:P9" in finding for finding in findings)
    assert len(findings) == 1


def test_an_order_cannot_ship_what_was_picked_for_another() -> None:
    """Picked plants are kept apart by order: together enough is not enough."""
    log = worked_log()
    log[14]["order"] = "B-2"
    log[14]["moves"][0]["order"] = "B-2"
    assert any("stands at -7" in finding for finding in audit(log)[1])


def test_the_told_book_looks_at_no_movement() -> None:
    """What the auditor expects comes from the told fields alone."""
    stripped = [{name: value for name, value in fact.items() if name != "moves"} for fact in worked_log()]
    assert told(stripped) == told(worked_log())
