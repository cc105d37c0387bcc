"""Stock plants are told whole, which counts them: a slip that arrives late never changes what was told to stand."""

from __future__ import annotations

import json
from datetime import timedelta

import pytest

from ledger.nursery import Nursery
from ledger.plants.entries import Entry
from ledger.plants.refusals import Refused
from ledger.projections import runner
from tests.auditor import audit
from tests.simulation.playing import query
from tests.telling import START, Teller

HOYA = "hoya-pewter-spoon"


def _facts(teller: Teller) -> list[Entry]:
    """One died at ten, eight were told to stand at eleven, two died at twelve."""

    def at(hours: int) -> str:
        return (START + timedelta(hours=hours)).isoformat()

    return [
        teller.tell("stock-removed", stock_plant="S-NEW", units=1, cause="rot", occurred_at=at(2)),
        teller.tell("stock-set", stock_plant="S-NEW", crop=HOYA, place="S1", units=8, source="opening", occurred_at=at(3)),
        teller.tell("stock-removed", stock_plant="S-NEW", units=2, cause="rot", occurred_at=at(4)),
    ]


@pytest.mark.parametrize("order", [(0, 1, 2), (1, 0, 2), (1, 2, 0)])
def test_a_late_slip_about_stock_plants_never_changes_what_was_told_whole(
    nursery: Nursery, database: str, order: tuple[int, ...]
) -> None:
    """Eight less two stand, whenever the slip of ten o'clock arrives, and also when it is taken back."""
    teller = Teller()
    nursery.post([teller.tell(fact.pop("type"), **fact) for fact in teller.beginnings()])
    first = teller.tell(
        "stock-set",
        stock_plant="S-NEW",
        crop=HOYA,
        place="S1",
        units=5,
        source="opening",
        occurred_at=START + timedelta(hours=1),
    )
    nursery.post([first])
    facts = _facts(teller)
    stands = [nursery.post([facts[index]]).balances for index in order][-1]
    assert [balance.units for balance in stands] == [6]
    stands = nursery.post([teller.tell("reversed", entry=str(facts[0].id), reason="it lives")]).balances
    assert [balance.units for balance in stands] == [6]
    log = [json.loads(content) for (content,) in query(database, "select content from entries order by position")]
    assert audit(log)[1] == []
    assert runner.verify(database) == []


def test_stock_plants_are_not_told_whole_for_a_time_before_what_is_known(nursery: Nursery) -> None:
    """An older telling would put back an older place and licence: it is refused, with what to do."""
    teller = Teller()
    nursery.post([teller.tell(fact.pop("type"), **fact) for fact in teller.beginnings()])
    facts = _facts(teller)
    nursery.post([facts[1], facts[2]])
    older = teller.tell("stock-set", stock_plant="S-NEW", crop=HOYA, place="S1", units=9, source="opening", occurred_at=START)
    with pytest.raises(Refused, match="tell what stands there now"):
        nursery.post([older])
