"""Entries taken back: everything is as it was before them, or the reversal is refused with the reason."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from typing import Any
from uuid import UUID

import pytest

from ledger.plants.cards import (
    AnyCard,
    BatchCard,
    Key,
    NurseryCard,
    OrderCard,
    OutsideCard,
    PoolCard,
    ShelfCard,
    StockPlantCard,
    changed,
)
from ledger.plants.entries import TYPES, type_of
from ledger.plants.recorded import Recorded
from ledger.plants.refusals import Refused
from tests.plants.cases import CASES, CUTTINGS, plugs
from tests.plants.memory import HOYA, IXORA, IXORA_PLANTS, Ledger, moves


def undo(ledger: Ledger, told: Recorded, **more: Any) -> Recorded:
    """An entry taken back."""
    return ledger.tell("reversed", entry=str(told.told.id), reason="a slip of the pen", **more)


# --- what is as it was -----------------------------------------------------------------------------------------------


def the_same(cards: Mapping[Key, AnyCard]) -> dict[Key, AnyCard]:
    """What has to be as it was.

    Not looked at, because a reversal is itself part of the history:

    - the version of a card, which counts the entries that touched it;
    - since when plants have stood at an account, the latest moment at which something moved there, and accounts at zero;
    - the order in which children are named;
    - the serial of a week, for a number is not given again; a batch that the entry made, which keeps its number and has
      neither plants nor parents; an order that was never heard of before, and has no plants either;
    - region and carrier of an order, which the next shipment tells again;
    - that a crop waits for a new forecast, which it does after a reversal as after any change.
    """
    kept = {key: _plain(card) for key, card in cards.items()}
    return {key: card for key, card in kept.items() if not _empty(card)}


def _plain(card: Any) -> Any:
    card = changed(card, version=0)
    match card:
        case BatchCard() | StockPlantCard():
            epoch = card.standing and next(iter(card.standing.values())).since.replace(year=1)
            standing = {
                where: changed(there, since=epoch, last_at=epoch) for where, there in card.standing.items() if there.units
            }
            return changed(card, standing=standing, children=tuple(sorted(card.children)))
        case OutsideCard():
            return changed(card, units={account: units for account, units in card.units.items() if units})
        case NurseryCard():
            return changed(card, serials={})
        case OrderCard():
            return changed(card, region=None, carrier=None)
        case PoolCard():
            return changed(card, waiting_since=None, changed=0)
        case _:
            return card


def _empty(card: AnyCard) -> bool:
    match card:
        case BatchCard():
            return not (card.standing or card.parents or card.children or card.stops or card.holds or card.treatments)
        case OrderCard():
            return not (card.picked or card.shipped or card.claimed or card.holds)
        case ShelfCard() | PoolCard():
            return not card.lines
        case OutsideCard():
            return not card.units
        case NurseryCard():
            return card.opening_day is None
        case _:
            return False


# --- every type that can be taken back ---------------------------------------------------------------------------------


def test_every_type_that_can_be_taken_back_is_taken_back_here(ledger: Ledger) -> None:
    """No type is forgotten in the cases above."""
    told = {case(ledger)[0] for case in CASES.values()}
    assert told == {kind for kind, record in TYPES.items() if record.REVERSIBLE}


@pytest.mark.parametrize("case", CASES)
def test_an_entry_taken_back_leaves_every_card_as_it_was(ledger: Ledger, case: str) -> None:
    """In everything that can be asked about plants, orders, stops, holds, families and shelves."""
    kind, fields = CASES[case](ledger)
    before = the_same(ledger.cards)
    told = ledger.tell(kind, **fields)
    assert case == "estimated" or the_same(ledger.cards) != before
    undone = undo(ledger, told)
    assert the_same(ledger.cards) == before
    assert {move.at for move in undone.moves} <= {told.told.occurred_at}


@pytest.mark.parametrize("case", CASES)
def test_an_entry_is_taken_back_once(ledger: Ledger, case: str) -> None:
    """The second time there is nothing left to take back; and a reversal stays."""
    kind, fields = CASES[case](ledger)
    told = ledger.tell(kind, **fields)
    undone = undo(ledger, told)
    refused = ledger.refusal("reversed", entry=str(told.told.id), reason="again")
    assert (refused.code, refused.field) == ("already-reversed", "entry")
    refused = ledger.refusal("reversed", entry=str(undone.told.id), reason="it was right after all")
    assert (refused.code, refused.field) == ("not-reversible", "entry")


def test_an_entry_is_taken_back_once_also_within_one_list(ledger: Ledger) -> None:
    """The second reversal knows of the first, and the whole list is refused."""
    here = {**plugs(ledger), "stage": "rooted"}
    lost = ledger.tell("lost", **here, units=3, cause="rot")
    back = [ledger.teller.fact("reversed", entry=str(lost.told.id), reason="a slip") for _ in range(2)]
    with pytest.raises(Refused) as refused:
        ledger.post(back)
    assert [(problem.index, problem.code) for problem in refused.value.problems] == [(1, "already-reversed")]
    assert ledger.standing(here["batch"]) == {"rooted/H1": 37}


def test_an_entry_that_changes_nothing_of_a_batch_still_belongs_to_its_life(ledger: Ledger) -> None:
    """An estimate, and its being taken back: the batch's card counts both."""
    here = {**plugs(ledger), "stage": "rooted"}
    before = ledger.card("batch", here["batch"]).version
    estimate = ledger.tell("counted", **here, units=33, method="estimate")
    assert ledger.card("batch", here["batch"]).version == before + 1
    undo(ledger, estimate)
    assert ledger.card("batch", here["batch"]).version == before + 2


@pytest.mark.parametrize("case", CASES)
def test_an_entry_taken_back_days_later_is_undone_at_its_own_time(ledger: Ledger, case: str) -> None:
    """A reversal counts at the moment at which the entry occurred, not when somebody noticed."""
    kind, fields = CASES[case](ledger)
    before = the_same(ledger.cards)
    told = ledger.tell(kind, **fields)
    undone = undo(ledger, told, occurred_at=ledger.teller.now + timedelta(days=9))
    assert the_same(ledger.cards) == before
    assert {(move.at, move.booked_on) for move in undone.moves} <= {(told.told.occurred_at, told.booked_on)}
    own = [(move.target, move.source, move.units, move.unit) for move in told.moves]
    assert sorted(moves(undone)) == sorted(own)


# --- what cannot be taken back -----------------------------------------------------------------------------------------


def test_what_ends_something_is_not_taken_back(ledger: Ledger) -> None:
    """A stop cleared is stopped anew, a hold ended is held anew, stock plants told whole are told again, an answer stays."""
    batch = ledger.opened("finished", 40, "G1", "P9")
    stop = str(ledger.tell("stopped", batch=batch, reason="quality").told.id)
    hold = str(ledger.tell("held", batch=batch, units=5, reason="weather", review_on="2026-12-01").told.id)
    lost = {"batch": batch, "stage": "finished", "place": "G1", "units": 2, "cause": "pest"}
    asked = [ledger.tell("lost", **lost, by=by) for by in ("potter", "packer")][1]
    told = [
        ledger.tell("cleared", batch=batch, stop=stop, because="looked at"),
        ledger.tell("hold-ended", batch=batch, hold=hold),
        ledger.tell("answered", entry=str(asked.told.id), answer="both"),
        ledger.tell("stock-set", stock_plant=IXORA_PLANTS, crop=IXORA, place="S1", units=25, source="bought-in"),
        ledger.log[0],  # a person
    ]
    for entry in told:
        refused = ledger.refusal("reversed", entry=str(entry.told.id), reason="a slip")
        assert (refused.code, refused.field) == ("not-reversible", "entry")
        assert type_of(entry.told) in refused.detail


def test_what_nobody_told_is_not_taken_back(ledger: Ledger) -> None:
    """The entry has to be known."""
    refused = ledger.refusal("reversed", entry=str(UUID(int=5)), reason="a slip")
    assert (refused.code, refused.field) == ("unknown-code", "entry")


def test_the_first_day_is_chosen_anew_where_all_that_was_opened_was_taken_back(ledger: Ledger) -> None:
    """A slip in the year of the first entries does not close the book to the right ones."""
    tray = {"crop": IXORA, "stage": "rooted", "place": "H1", "units": 5}
    wrong = ledger.teller.now - timedelta(days=365)
    slips = [ledger.tell("opened", **tray, occurred_at=wrong) for _ in range(2)]
    undo(ledger, slips[0])
    assert ledger.refusal("opened", **tray).code == "not-opening-day"
    undo(ledger, slips[1])
    ledger.tell("opened", **tray)
    assert ledger.refusal("opened", **tray, occurred_at=wrong).code == "not-opening-day"


# --- later facts -----------------------------------------------------------------------------------------------------


def life(ledger: Ledger) -> list[Recorded]:
    """A batch from the cutting to the claim, each step taking all the plants of the one before."""
    steps = [ledger.tell("gathered", **CUTTINGS)]
    batch = getattr(steps[0].told, "batch", "")

    def step(kind: str, **fields: Any) -> Any:
        steps.append(ledger.tell(kind, **fields))
        return steps[-1].told

    step("struck", batch=batch, gathered_at="P1", cuttings=20, per_cell=1, cells=20, place="P1")
    step("rooted", batch=batch, place="P1", usable=20, weak=0, failed=0, to="H1")
    step("moved", batch=batch, stage="rooted", place="H1", to="H2", units=20)
    merged = step("merged", stage="rooted", sources=[{"batch": batch, "place": "H2", "units": 20}], place="H1")
    potted = step("potted", batch=merged.into, place="H1", size="P9", plugs=20, pots=20, to="G1")
    up = step("potted-up", batch=potted.into, stage="potted", place="G1", size="C2", pots=20, to="G1")
    renamed = step("renamed", batch=up.into, stage="potted", place="G1", units=20, crop=HOYA, evidence="leaf")
    plants = {"batch": renamed.into, "place": "G1"}
    step("graded", **plants, finished=20, to="G1")
    step("set-back", **plants, units=20, to="G1", reason="leggy")
    step("graded", **plants, finished=20, to="G1")
    step("picked", **plants, order="B-0", units=20, to="K1")
    step("put-back", order="B-0", batch=renamed.into, place="K1", units=20, to="G1")
    step("picked", **plants, order="A-1", units=20, to="K1")
    step("moved", batch=renamed.into, stage="picked", place="K1", to="H1", units=20, order="A-1")
    lines = [{"batch": renamed.into, "place": "H1", "units": 20}]
    step("shipped", order="A-1", carrier="by road", region="north", lines=lines)
    step("damage-claimed", order="A-1", batch=renamed.into, units=20, carrier="by road", cause="crushed")
    return steps


def test_no_step_of_a_life_is_taken_back_before_the_steps_after_it(ledger: Ledger) -> None:
    """Every one would leave a later one without its plants; taken back from the end, the book is as it was."""
    before = the_same(ledger.cards)
    steps = life(ledger)
    for last, told in reversed(list(enumerate(steps))):
        for earlier in steps[:last]:
            refused = ledger.refusal("reversed", entry=str(earlier.told.id), reason="a slip")
            assert (refused.code, refused.field) == ("breaks-later-fact", "entry"), type_of(earlier.told)
        undo(ledger, told)
    assert the_same(ledger.cards) == before


def test_a_find_by_counting_is_not_taken_back_from_under_a_later_job(ledger: Ledger) -> None:
    """Six found, all 46 carried off: the count stands as long as the carrying does."""
    here = {**plugs(ledger), "stage": "rooted"}
    counted = ledger.tell("counted", **here, units=46, method="count")
    moved = ledger.tell("moved", **here, to="H2", units=46)
    assert ledger.refusal("reversed", entry=str(counted.told.id), reason="a slip").code == "breaks-later-fact"
    undo(ledger, moved)
    undo(ledger, counted)
    assert ledger.standing(here["batch"]) == {"rooted/H1": 40}


def test_a_shipment_of_two_lines_is_not_taken_back_from_under_a_claim(ledger: Ledger) -> None:
    """Ten left in two lines of five; four were claimed, so at least four must have left."""
    batch = ledger.opened("finished", 40, "G1", "P9")
    for place in ("K1", "H1"):
        ledger.tell("picked", order="A-1", batch=batch, place="G1", units=5, to=place)
    lines = [{"batch": batch, "place": place, "units": 5} for place in ("K1", "H1")]
    shipped = ledger.tell("shipped", order="A-1", carrier="by road", region="north", lines=lines)
    claim = ledger.tell("damage-claimed", order="A-1", batch=batch, units=4, carrier="by road", cause="crushed")
    refused = ledger.refusal("reversed", entry=str(shipped.told.id), reason="a slip")
    assert (refused.code, refused.data) == ("breaks-later-fact", {"order": "A-1"})
    undo(ledger, claim)
    undo(ledger, shipped)
    assert ledger.card("order", "A-1").picked == {f"{batch}/K1": 5, f"{batch}/H1": 5}


def test_an_order_s_plants_are_not_taken_back_from_another_order_s(ledger: Ledger) -> None:
    """Five of ours went on to another place: taking the pick back may not take theirs, which stand there."""
    batch = ledger.opened("finished", 40, "G1", "P9")
    ours = ledger.tell("picked", order="A-1", batch=batch, place="G1", units=5, to="K1")
    ledger.tell("picked", order="B-2", batch=batch, place="G1", units=5, to="K1")
    ledger.tell("moved", order="A-1", batch=batch, stage="picked", place="K1", to="H1", units=5)
    refused = ledger.refusal("reversed", entry=str(ours.told.id), reason="a slip")
    assert (refused.code, refused.data) == ("breaks-later-fact", {"order": "A-1"})


# --- reversals and counts ----------------------------------------------------------------------------------------------


def test_a_loss_taken_back_before_a_count_is_given_to_the_count(ledger: Ledger) -> None:
    """37 were seen, whatever happened to the three: they are short again."""
    here = {**plugs(ledger), "stage": "rooted"}
    lost = ledger.tell("lost", **here, units=3, cause="rot")
    ledger.tell("counted", **here, units=37, method="count")
    assert ledger.units("count-difference cell") == 0
    undo(ledger, lost)
    assert ledger.standing(here["batch"]) == {"rooted/H1": 37}
    assert (ledger.units("count-difference cell"), ledger.units("loss/rot cell")) == (3, 0)


def test_a_count_taken_back_takes_its_whole_difference_along(ledger: Ledger) -> None:
    """Also what a late slip had booked against it: the slip counts in full then."""
    here = {**plugs(ledger), "stage": "rooted"}
    start = ledger.teller.now
    counted = ledger.tell("counted", **here, units=35, method="count", occurred_at=start + timedelta(hours=2))
    ledger.tell("lost", **here, units=3, cause="rot", occurred_at=start + timedelta(hours=1))
    assert ledger.standing(here["batch"]) == {"rooted/H1": 35}
    undo(ledger, counted, occurred_at=start + timedelta(hours=3))
    assert ledger.standing(here["batch"]) == {"rooted/H1": 37}
    assert ledger.units("count-difference cell") == 0


def test_a_count_taken_back_hands_its_difference_to_the_next_count(ledger: Ledger) -> None:
    """What was seen later still stands."""
    here = {**plugs(ledger), "stage": "rooted"}
    first = ledger.tell("counted", **here, units=30, method="count")
    ledger.tell("counted", **here, units=29, method="count")
    undone = undo(ledger, first)
    assert ledger.standing(here["batch"]) == {"rooted/H1": 29}
    assert [(move.units, move.count == ledger.log[-2].told.id) for move in undone.moves] == [(10, False), (10, True)]
