"""Forecasts are told as entries, promises rest on them, and what goes wrong with promises is noticed at the next look."""

from __future__ import annotations

from datetime import timedelta

import psycopg

from ledger import past
from ledger.forecast.stays import Look, Stay
from ledger.forecaster import Forecaster
from ledger.log import store
from ledger.plants.entries import Stage
from ledger.projections import runner
from tests.plants.memory import IXORA
from tests.promising.shop import line
from tests.worker.conftest import Grown


def _stays(grown: Grown) -> dict[tuple[str, Stage], Stay]:
    with psycopg.connect(store.app_conninfo(grown.conninfo)) as connection, runner.look(connection) as cursor:
        return {(stay.batch, stay.stage): stay for stay in past.stays(cursor)}


def test_the_past_is_what_was_told(grown: Grown) -> None:
    """Of every stage: when it began, what went on, what was no good and what died, each on its day; followed or not."""
    grown.tell("lost", batch=grown.growing, stage="potted", place="G2", units=3, cause="rot")
    today = grown.teller.now.date()
    first, potted = grown.batches[IXORA, "P9"], today - timedelta(days=60)
    expected = [
        Stay(
            batch=grown.cells,
            crop=IXORA,
            stage=Stage.STRUCK,
            started_on=today - timedelta(days=95),
            units=200,
            looks=(Look(on=today - timedelta(days=67), finished=160, poor=30),),
            running=True,
        ),
        Stay(
            batch=grown.cells,
            crop=IXORA,
            stage=Stage.ROOTED,
            started_on=today - timedelta(days=67),
            units=160,
            looks=(Look(on=potted, finished=60), Look(on=today - timedelta(days=57), finished=40)),
            running=True,
        ),
        Stay(
            batch=first, crop=IXORA, size="P9", stage=Stage.POTTED, started_on=potted, units=60,
            looks=(Look(on=today, finished=54, poor=4),), running=True,
        ),
        Stay(batch=first, crop=IXORA, size="P9", stage=Stage.FINISHED, started_on=today, units=54, running=True),
        Stay(
            batch=grown.growing, crop=IXORA, size="P9", stage=Stage.POTTED, started_on=today - timedelta(days=57), units=40,
            looks=(Look(on=today, lost=3),), running=True,
        ),
        Stay(batch=grown.rooting, crop=IXORA, stage=Stage.STRUCK, started_on=today, units=50, running=True),
    ]  # fmt: skip
    assert _stays(grown) == {(stay.batch, stay.stage): stay for stay in expected}
    with psycopg.connect(store.app_conninfo(grown.conninfo), autocommit=True) as connection:
        runner.follow(connection)
    assert _stays(grown) == {(stay.batch, stay.stage): stay for stay in expected}


def test_what_was_set_back_never_finished_and_a_count_found_is_no_loss(grown: Grown) -> None:
    """A set-back takes the latest finished ones back, a put-back its pick; a count over takes an earlier loss back."""
    batch = grown.batches[IXORA, "P9"]
    grown.later(7)
    grown.tell("set-back", batch=batch, place="G1", units=10, to="G2", reason="trimmed", days_added=14)
    grown.pick(5)
    grown.put_back(2)
    grown.lose(6)
    grown.tell("counted", batch=batch, stage="finished", place="G1", units=39, method="count")
    found = _stays(grown)
    potted, finished = found[batch, Stage.POTTED], found[batch, Stage.FINISHED]
    assert (potted.finished, potted.poor, potted.standing, potted.days_added) == (44, 4, 12, 14)
    assert (finished.units, finished.finished, finished.lost, finished.standing) == (44, 3, 2, 39)


def test_nothing_is_lowered_by_a_forecast_itself(grown: Grown, forecaster: Forecaster) -> None:
    """What it relies on is what the cards say can be counted on: right after it nothing is missing, of pots or plugs."""
    batch = grown.batches[IXORA, "P9"]
    grown.tell("held", batch=batch, units=7, reason="weather", review_on=grown.day(5).isoformat())
    grown.tell("stopped", batch=grown.growing, reason="quality")
    forecaster.publish([IXORA], grown.now)
    offer = grown.offer()
    assert offer.card is not None
    relied = offer.card.value.sizes["P9"].relied
    assert relied == {name: on for name, found in offer.there.lines.items() if (on := found.counted_on)}
    assert relied == {batch: 54 - 7 + 2}
    pool = offer.card.value.pool.relied
    assert pool == {name: found.counted_on for name, found in offer.pool.lines.items()} == {grown.cells: 70, grown.rooting: 50}
    assert offer.missing == 0


def test_a_published_forecast_promises_beyond_what_is_finished(grown: Grown, forecaster: Forecaster) -> None:
    """Growing plants at once, and more from the pool by potting; without one, nothing beyond now."""
    assert grown.offer().stale == "no-forecast"
    assert {step.quantity for step in grown.offer().curve()} == {54}
    assert forecaster.publish(None, grown.now) == 2
    offer = grown.offer()
    assert offer.stale is None
    own = offer.free(grown.day(200))
    assert own > 60
    assert offer.promisable(grown.day(200)) > own


def test_a_crop_that_was_not_touched_is_left_alone(grown: Grown, forecaster: Forecaster) -> None:
    """Within a day only what was touched is forecast again; on the next day everything is."""
    forecaster.catch_up(grown.now)
    assert forecaster.catch_up(grown.now) == 0
    grown.lose(1)
    before = len(grown.kinds())
    assert forecaster.catch_up(grown.now) == 1
    assert grown.kinds(before) == ["forecast-published"]
    assert forecaster.catch_up(grown.now) == 0
    grown.later(1)
    assert forecaster.catch_up(grown.now) == 2


def test_a_loss_puts_the_last_lines_at_risk_and_a_count_over_saves_them(grown: Grown, forecaster: Forecaster) -> None:
    """With the loss as the cause and a day to offer; who was granted first is served first."""
    forecaster.catch_up(grown.now)
    due = grown.day(150)
    first = grown.promise(line(40, due=due), order="A-1")
    second = grown.promise(line(30, due=due), order="A-2")
    for promise in (first, second):
        grown.tell("promise-confirmed", promise=promise)
    loss = grown.lose(25)
    forecaster.catch_up(grown.now)
    assert grown.card(first).lines["0"].risk is None
    risk = grown.card(second).lines["0"].risk
    assert risk is not None
    assert [str(entry) for entry in risk.because] == [loss]
    assert risk.chance < 80
    assert risk.short > 0
    assert risk.offered is not None
    assert risk.offered > due
    batch = grown.batches[IXORA, "P9"]
    grown.tell("counted", batch=batch, stage="finished", place="G1", units=56, method="count")
    forecaster.catch_up(grown.now)
    assert grown.card(second).lines["0"].risk is None
    assert forecaster.catch_up(grown.now) == 0


def test_potting_asked_for_is_relied_on_even_when_it_is_late(grown: Grown, forecaster: Forecaster) -> None:
    """A promise from the pool is in the next forecast; late, the pots count from today, and none is missing."""
    forecaster.catch_up(grown.now)
    promise = grown.promise(line(100, due=grown.day(200)))
    assert grown.offer().there.pooled
    forecaster.catch_up(grown.now)
    offer = grown.offer()
    assert not offer.there.pooled
    assert offer.missing == 0
    asked = dict(offer.there.asked)
    grown.tell("promise-confirmed", promise=promise)
    grown.later(14)
    forecaster.catch_up(grown.now)
    late = grown.offer()
    assert late.there.asked == asked
    assert late.missing == 0
    assert late.card is not None
    assert {name for name in late.card.value.sizes["P9"].relied if "/" in name} == {f"asked/{day}" for day in asked}


def test_what_was_there_on_its_day_is_checked_after_it(grown: Grown, forecaster: Forecaster) -> None:
    """Of two lines due on one day the first granted is kept, the second as far as plants are there; each is checked once."""
    forecaster.catch_up(grown.now)
    due = grown.day(3)
    first = grown.promise(line(30, due=due), order="A-1")
    second = grown.promise(line(18, due=due), order="A-2")
    unbought = grown.promise(line(2, due=due), order="A-3")
    for promise in (first, second):
        grown.tell("promise-confirmed", promise=promise)
    grown.lose(14)
    grown.later(3)
    forecaster.catch_up(grown.now)
    assert not grown.card(first).lines["0"].checked
    grown.later(1)
    forecaster.catch_up(grown.now)
    checked = [grown.card(promise).lines["0"] for promise in (first, second)]
    assert [(found.checked, found.kept, found.missed) for found in checked] == [(True, 30, 0), (True, 10, 8)]
    assert not grown.card(unbought).lines["0"].checked
    grown.later(1)
    before = len(grown.kinds())
    forecaster.catch_up(grown.now)
    assert "due-checked" not in grown.kinds(before)


def test_a_stopped_crop_is_forecast_when_it_is_cleared(grown: Grown, forecaster: Forecaster) -> None:
    """Stopped, its promises are at risk and nothing is promised; cleared, all is as before."""
    forecaster.catch_up(grown.now)
    promise = grown.promise(line(5, due=grown.day(30)))
    stop = str(grown.tell("stopped", crop=IXORA, reason="quarantine").told.id)
    forecaster.catch_up(grown.now)
    risk = grown.card(promise).lines["0"].risk
    assert risk is not None
    assert [str(entry) for entry in risk.because] == [stop]
    assert grown.offer().stale == "stopped"
    grown.tell("cleared", crop=IXORA, stop=stop, because="looked at")
    forecaster.catch_up(grown.now)
    assert grown.card(promise).lines["0"].risk is None
    assert grown.offer().free(grown.day(30)) > 0
    assert grown.offer().missing == 0
