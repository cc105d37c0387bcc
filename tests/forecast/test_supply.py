"""What is published: monotone, reproducible, and careful where plants are late or little is known."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from ledger.forecast import supply
from ledger.forecast.draws import LineDraws, seed_of
from ledger.forecast.learning import StageBelief
from ledger.forecast.stays import Look, Lot
from ledger.forecast.supply import Ask, Standing
from ledger.forecast.timing import Clock
from ledger.log.codec import canonical
from ledger.plants import forecasts
from ledger.plants.entries import Stage
from ledger.plants.forecasts import CONFIDENCES, WEEKS, Published, Steps, value_at
from tests.forecast import states
from tests.forecast.states import CROP, DAY, SIZE

seeds = st.integers(0, 10_000)


def made(seed: int) -> tuple[StageBelief, Standing]:
    """A crop with finished plants, lots growing on, pots asked for, plugs and cells rooting."""
    rng = np.random.default_rng(seed)
    held = states.belief(rng)
    rooting = [replace(lot, stay=replace(lot.stay, size=None, stage=Stage.STRUCK)) for lot in states.lots(rng, held)]
    standing = Standing(
        crop=CROP,
        sizes=(SIZE,),
        finished={SIZE: {"lot-0": int(rng.integers(0, 50)), "stood": 3}},
        growing={SIZE: states.lots(rng, held)},
        asked={SIZE: [Ask(on=DAY + timedelta(days=1), pots=int(rng.integers(1, 30)), of=30)]},
        plugs={"plugs": int(rng.integers(0, 80))},
        rooting=rooting,
    )
    return held, standing


def forecast(held: StageBelief, standing: Standing) -> Published:
    """Of the one crop, by what is believed of it."""
    return supply.forecast(standing, states.fitted(held), day=DAY, position=1)


def curves(found: Published) -> list[Steps]:
    """All cumulative curves: three of the size, two of the pool, at each confidence."""
    size, pool = found.sizes[SIZE], found.pool
    return [steps for curve in (size.finished, size.growing_on, size.asked, pool.plugs, pool.rooting) for steps in curve]


def nowhere_above(less: Published, more: Published) -> bool:
    """No quantity of the one is above that of the other, at any week and confidence."""
    pairs = zip(curves(less), curves(more), strict=True)
    return all(value_at(a, week) <= value_at(b, week) for a, b in pairs for week in range(WEEKS + 1))


@given(seed=seeds)
@settings(max_examples=25, deadline=None)
def test_the_same_input_gives_the_same_bytes(seed: int) -> None:
    """Drawn twice from the start, in whatever order lots are told."""
    held, standing = made(seed)
    again = replace(standing, growing={SIZE: list(reversed(standing.growing[SIZE]))})
    assert canonical(forecast(held, standing)) == canonical(forecast(held, again))


@given(seed=seeds)
@settings(max_examples=25, deadline=None)
def test_supply_never_falls_with_later_weeks_nor_rises_with_confidence(seed: int) -> None:
    """Cumulative in the weeks, antitone in the confidence, and each basis holds all that stands before it."""
    found = forecast(*made(seed))
    for steps in curves(found):
        values = [value for _, value in steps]
        assert values == sorted(values)
        assert [week for week, _ in steps] == sorted({week for week, _ in steps})
    size, pool = found.sizes[SIZE], found.pool
    for week in range(0, WEEKS + 1, 3):
        for curve in (size.finished, size.growing_on, size.asked, pool.plugs, pool.rooting):
            at = [value_at(steps, week) for steps in curve]
            assert at == sorted(at, reverse=True)
        for place in range(len(CONFIDENCES)):
            bases = [value_at(curve[place], week) for curve in (size.finished, size.growing_on, size.asked)]
            assert bases == sorted(bases)


@given(seed=seeds, more=st.integers(1, 40), which=st.sampled_from(["finished", "growing", "asked", "plugs", "rooting"]))
@settings(max_examples=60, deadline=None)
def test_more_units_never_lower_any_quantity(seed: int, more: int, which: str) -> None:
    """Whatever there is more of: finished plants, pots, asked pots, plugs or cells."""
    held, standing = made(seed)
    grown: dict[str, object] = {
        "finished": {SIZE: {**standing.finished[SIZE], "more": more}},
        "growing": {SIZE: _more(standing.growing[SIZE], more)},
        "asked": {SIZE: [replace(ask, pots=ask.pots + more) for ask in standing.asked[SIZE]]},
        "plugs": {**standing.plugs, "more": more},
        "rooting": _more(standing.rooting, more),
    }
    assert nowhere_above(forecast(held, standing), forecast(held, replace(standing, **{which: grown[which]})))


def _more(lots: Sequence[Lot], more: int) -> list[Lot]:
    return [replace(lots[0], units=lots[0].units + more), *lots[1:]]


@given(seed=seeds, lost=st.integers(1, 40))
@settings(max_examples=60, deadline=None)
def test_a_loss_never_raises_any_quantity(seed: int, lost: int) -> None:
    """Found dead at today's look: fewer stand than if none had been found, and the batch is believed to lose more."""
    held, standing = made(seed)
    lot, *others = standing.growing[SIZE]
    dead = min(lost, lot.units)
    before, after = (
        replace(lot, stay=replace(lot.stay, looks=(*lot.stay.looks, Look(on=DAY, lost=found))), units=lot.units - found)
        for found in (0, dead)
    )
    less, more = (forecast(held, replace(standing, growing={SIZE: [some, *others]})) for some in (after, before))
    assert nowhere_above(less, more)


def test_a_lot_of_thousands_is_followed_by_a_thousand_of_its_plants() -> None:
    """Still monotone, and in proportion."""
    held, standing = made(4)
    lot = replace(standing.growing[SIZE][0], units=1_000)
    three = replace(lot, units=3_000)
    alone = replace(standing, finished={}, asked={}, plugs={}, rooting=())
    one, many = (forecast(held, replace(alone, growing={SIZE: [some]})) for some in (lot, three))
    assert nowhere_above(one, many)
    assert value_at(many.sizes[SIZE].asked[1], WEEKS) == pytest.approx(3 * value_at(one.sizes[SIZE].asked[1], WEEKS), abs=3)


def _late(late: float, *looks: Look, seed: int = 8) -> tuple[StageBelief, Lot]:
    """A lot of 30 whose age is so many times what is usual, the same in every month."""
    held, standing = made(seed)
    held = replace(held, by_month=(np.log(84),) * 12, within=0.14, batch=0.1, sd=(0.05,) * 12)
    stay = replace(standing.growing[SIZE][0].stay, started_on=DAY - timedelta(days=int(84 * late)), units=30, looks=looks)
    return held, Lot(stay=stay, units=30)


def supplied(held: StageBelief, lot: Lot) -> np.ndarray:
    """Units by week that come of a lot on average."""
    lines = LineDraws(held, DAY, 1, SIZE, 2_000, 1.0)
    lines.add([lot])
    mean: np.ndarray = np.diff(lines.there.mean(axis=1), prepend=0.0)
    return mean


def test_a_batch_past_all_its_time_counts_nothing_until_somebody_looks() -> None:
    """Twice its usual age and never looked at: nothing. Looked at last week: some of it again."""
    assert supplied(*_late(2.0)).sum() == 0.0
    assert 0.0 < supplied(*_late(2.0, Look(on=DAY - timedelta(days=6)))).sum() < 25.0
    assert supplied(*_late(1.2)).sum() > 15.0


def test_the_later_a_batch_is_the_more_of_it_may_never_get_ready() -> None:
    """The share that gets ready in the end falls with every week that it is overdue."""
    kept = [supplied(*_late(late, Look(on=DAY))).sum() / 30 for late in (1.0, 1.7, 2.2)]
    assert kept[0] > kept[1] > kept[2] > 0


def test_readiness_that_was_moved_moves_the_supply() -> None:
    """Set back by four weeks: the same plants, four weeks later."""
    held, lot = _late(0.1)
    still = replace(held, seasons={}, next_season=next(iter(held.seasons.values())))
    weekly = [supplied(still, some) for some in (lot, replace(lot, stay=replace(lot.stay, days_added=28)))]
    middle = [float((units * np.arange(WEEKS + 1)).sum() / units.sum()) for units in weekly]
    assert middle[1] - middle[0] == pytest.approx(4.0, abs=0.3)


def test_pots_from_the_pool_keep_their_confidence() -> None:
    """As many pots as the table asks for, potted today: the promised plants are there in time, as often as stated."""
    for seed in range(6):
        held, standing = made(seed)
        alone = replace(standing, finished={}, growing={}, asked={})
        size = forecast(held, alone).sizes[SIZE]
        for percent in (80, 90, 95):
            pots = forecasts.pots_for(size, 15, percent)
            assert pots is not None
            asked = replace(alone, asked={SIZE: [Ask(on=DAY, pots=pots, of=pots)]})
            drawn = supply.forecast(asked, states.fitted(held), day=DAY, position=1, draws=4_000).sizes[SIZE]
            place = CONFIDENCES.index(percent)
            week = value_at(size.ready[place], 0)
            assert value_at(drawn.asked[place], week) >= 15 - 1
            assert value_at(drawn.asked[CONFIDENCES.index(50)], week) >= 15


@given(seed=seeds)
@settings(max_examples=10, deadline=None)
def test_what_a_forecast_relies_on_is_told_by_batch(seed: int) -> None:
    """All that its curves count on, to the unit: finished and growing on together, and pots asked for as they were asked."""
    held, standing = made(seed)
    found = forecast(held, standing)
    growing, rooting = ({lot.stay.batch: lot.units for lot in lots} for lots in (standing.growing[SIZE], standing.rooting))
    both = growing["lot-0"] + standing.finished[SIZE]["lot-0"]
    asked = f"{forecasts.ASKED}{DAY + timedelta(days=1)}"
    assert found.sizes[SIZE].relied == {**growing, "lot-0": both, "stood": 3, asked: 30}
    assert found.pool.relied == {**rooting, **standing.plugs}


def test_a_batch_may_be_in_holding_and_rooting_at_once() -> None:
    """Half a tray rooted: its plugs and cells are counted on together."""
    held, standing = made(2)
    rooting = standing.rooting[0]
    found = forecast(held, replace(standing, plugs={rooting.stay.batch: 7}, rooting=[rooting]))
    assert found.pool.relied == {rooting.stay.batch: 7 + rooting.units}


def test_a_forecast_names_the_clock_that_it_went_by() -> None:
    """Plain days, or degree days by their method."""
    held, standing = made(2)
    sums = np.arange(4_000) * 10.0
    warm = replace(held, clock=Clock(first=DAY.toordinal() - 1_000, sums=sums), by_month=(np.log(800),) * 12)
    assert forecast(held, standing).method == "days"
    assert forecast(warm, standing).method == "degree-days/mean-first"


def test_a_forecast_says_how_much_it_knows() -> None:
    """Few data and assumptions are marked on the size and on the pool."""
    held, standing = made(3)
    found = forecast(replace(held, batches=1, assumed=True), standing)
    assert (found.sizes[SIZE].few_data, found.sizes[SIZE].assumed, found.pool.few_data) == (True, True, True)
    assert (found.crop, found.day, found.position, found.seed) == (CROP, DAY, 1, seed_of(CROP))


def test_a_crop_with_nothing_has_an_empty_forecast() -> None:
    """No step in any curve; growing times and shares are told nevertheless, for what may be potted."""
    held, _ = made(5)
    found = forecast(held, Standing(crop=CROP, sizes=(SIZE,)))
    assert not any(curves(found))
    assert all(found.sizes[SIZE].ready)
