"""From stays to beliefs: what the truth was is found again, with what is not finished yet kept in."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, timedelta

import numpy as np
import pytest
from msgspec.structs import replace

from ledger.forecast import learning, worlds
from ledger.forecast.learning import FEW_BATCHES, Fitted
from ledger.forecast.season import season_of
from ledger.forecast.stays import CropFacts, Look, Stay
from ledger.forecast.timing import Climate
from ledger.forecast.worlds import PLAIN, Run
from ledger.plants.entries import Stage, Timing

RUN = Run(seasons=10, crops=30, seed=11)
ON = worlds.season_starts(RUN)[-1] - timedelta(days=20)
RECIPE = Timing(days=[84] * 12, come_through=[90] * 12)


@pytest.fixture(scope="module")
def told() -> worlds.Told:
    """Ten seasons of 30 crops."""
    return worlds.play(PLAIN, RUN)


@pytest.fixture(scope="module")
def known(told: worlds.Told) -> list[Stay]:
    """Their stays as known in the last season."""
    return [stay.known_on(ON) for stay in told.stays if stay.started_on <= ON]


@pytest.fixture(scope="module")
def fitted(told: worlds.Told, known: list[Stay]) -> Fitted:
    """What is believed then."""
    return learning.fit(known, told.facts, Climate(), ON)


def test_the_spreads_of_the_world_are_found_again(fitted: Fitted) -> None:
    """Within a batch .14, between batches .10; a season's spread, of only ten seasons, about .08."""
    belief = next(iter(fitted.beliefs[Stage.POTTED].values()))
    assert belief.within == pytest.approx(PLAIN.within_spread, abs=0.01)
    assert belief.batch == pytest.approx(PLAIN.batch_spread, abs=0.015)
    assert belief.next_season.sd == pytest.approx(PLAIN.season_spread * math.sqrt(2), rel=0.5)


def test_crops_are_known_as_well_as_the_fit_says(told: worlds.Told, known: list[Stay], fitted: Fitted) -> None:
    """The mean log time of what came later lies around what was believed, within what is said of its doubt."""
    off = []
    for stay in told.stays:
        if stay.started_on > ON - timedelta(days=30) or stay.started_on < ON - timedelta(days=400) or not stay.finished:
            continue
        belief = fitted.beliefs[Stage.POTTED][stay.line]
        took = sum(look.finished * math.log((look.on - stay.started_on).days - 3.5) for look in stay.looks) / stay.finished
        season = belief.season(stay.started_on) if season_of(stay.started_on) in belief.seasons else None
        if season is not None:
            expected = belief.by_month[stay.started_on.month - 1] + season.mean
            off.append((took - expected) / math.hypot(belief.batch, belief.sd[0], season.sd))
    assert len(off) > 50
    assert abs(np.mean(off)) < 0.4
    assert np.std(off) < 1.3


def test_leaving_out_what_still_stands_would_make_it_too_early(told: worlds.Told) -> None:
    """On a day on which the slow half of a crop's batches is still growing, only the whole of it is right."""
    crop = CropFacts(code="slow", group="g", growing={"P9": RECIPE})
    begun = date(2026, 1, 1)
    on = begun + timedelta(days=105)
    stays = []
    for number, days in enumerate(np.exp(math.log(105) + 0.2 * np.linspace(-1.6, 1.6, 15)).astype(int).tolist()):
        end = begun + timedelta(days=days)
        stay = Stay(batch=f"b{number}", crop="slow", size="P9", stage=Stage.POTTED, started_on=begun, units=40,
                    looks=(Look(on=end, finished=40),))  # fmt: skip
        stays.append(stay.known_on(on))
    means = [
        learning.fit(some, [crop], Climate(), on, seasons=False).beliefs[Stage.POTTED]["slow", "P9"].by_month[0]
        for some in (stays, [stay for stay in stays if not stay.running])
    ]
    assert means[1] < means[0] - 0.04
    assert abs(means[0] - math.log(105)) < abs(means[1] - math.log(105))
    del told


def test_a_crop_without_history_is_its_group_and_a_group_without_history_its_recipe(
    told: worlds.Told, known: list[Stay]
) -> None:
    """The group turned out a third slower than its recipes: so will the newcomer. Elsewhere the recipe stands, assumed."""
    slow = [replace(crop, growing={"P9": _times(crop.growing["P9"] or RECIPE, 0.75)}) for crop in told.facts]
    group = slow[0].group
    newcomers = [
        CropFacts(code="new", group=group, growing={"P9": RECIPE}),
        CropFacts(code="alone", group="another", growing={"P9": RECIPE}),
    ]
    beliefs = learning.fit(known, [*slow, *newcomers], Climate(), ON).beliefs[Stage.POTTED]
    new, alone, old = beliefs["new", "P9"], beliefs["alone", "P9"], beliefs[slow[0].code, "P9"]
    moved = np.mean(new.by_month) - math.log(84)
    assert moved == pytest.approx(-math.log(0.75), abs=0.12)
    assert not new.assumed
    assert new.few_data
    assert alone.assumed
    assert np.mean(alone.by_month) == pytest.approx(math.log(84), abs=0.02)
    assert min(alone.sd) > min(new.sd) > min(old.sd)
    assert old.batches >= FEW_BATCHES
    assert not old.few_data


def _times(timing: Timing, factor: float) -> Timing:
    return Timing(days=[round(days * factor) for days in timing.days], come_through=timing.come_through)


def test_with_no_history_at_all_everything_is_assumed() -> None:
    """A nursery's first day: the recipes, widened; a crop without a recipe has one nevertheless."""
    crops = [CropFacts(code="a", group="g", growing={"P9": RECIPE}, rooting=RECIPE), CropFacts(code="b", group="g")]
    fit = learning.fit([], crops, Climate(), ON)
    belief = fit.beliefs[Stage.POTTED]["a", "P9"]
    assert belief.assumed
    assert belief.by_month == pytest.approx([math.log(84)] * 12)
    assert min(belief.sd) > 0.25
    assert fit.beliefs[Stage.STRUCK]["b", None].assumed
    assert fit.waiting(Stage.FINISHED, ("a", "P9")).weekly_hazard == 0.005


def test_a_running_season_is_learned_before_anything_of_it_is_ready(told: worlds.Told) -> None:
    """All crops are late: what stands unready beyond its time moves the season, though not one batch of it has finished."""
    begun = date(2027, 3, 5)
    on = begun + timedelta(days=140)
    crops = [
        CropFacts(code=f"c{at}", group="g", growing={"P9": Timing(days=[90] * 12, come_through=[90] * 12)}) for at in range(20)
    ]
    past = [_stay(crop.code, begun - timedelta(days=365 * back), 90) for crop in crops for back in (1, 2, 3)]
    late = [_stay(crop.code, begun, 400).known_on(on) for crop in crops]
    beliefs = learning.fit([*past, *late], crops, Climate(), on).beliefs[Stage.POTTED]
    season = next(iter(beliefs.values())).season(begun)
    assert season.mean > 0.15
    assert next(iter(beliefs.values())).season(begun + timedelta(days=200)).mean < season.mean
    del told


def _stay(crop: str, begun: date, days: int) -> Stay:
    looks = tuple(Look(on=begun + timedelta(days=days + more), finished=10) for more in (-7, 0, 7))
    return Stay(batch=f"{crop}-{begun}", crop=crop, size="P9", stage=Stage.POTTED, started_on=begun, units=30, looks=looks)


def test_in_a_house_with_temperatures_times_are_learned_as_degree_days() -> None:
    """Batches of winter and summer take the same degree days, though not the same days."""
    normals = (12.0, 12.0, 14.0, 16.0, 18.0, 20.0, 22.0, 22.0, 20.0, 17.0, 14.0, 12.0)
    climate = Climate(normals_c=normals)
    crop = CropFacts(code="a", group="g", base_temperature_c=8, growing={"P9": RECIPE})
    clock = climate.clock(8, date(2023, 1, 1), date(2028, 1, 1))
    stays = []
    for at in range(24):
        begun = date(2024, 1, 1) + timedelta(days=30 * at)
        sums = clock.between(begun.toordinal(), begun.toordinal() + np.arange(400))
        stays.append(_stay("a", begun, int(np.searchsorted(sums, 900.0))))
    belief = learning.fit(stays, [crop], climate, date(2026, 6, 1)).beliefs[Stage.POTTED]["a", "P9"]
    assert belief.clock.method == "degree-days/mean-first"
    assert np.exp(belief.by_month) == pytest.approx([900.0] * 12, rel=0.09)


def test_stays_that_ended_long_ago_are_forgotten(fitted: Fitted, told: worlds.Told, known: list[Stay]) -> None:
    """Six years are remembered; what stands is never forgotten."""
    ancient = [replace(stay, started_on=stay.started_on - timedelta(days=20 * 365), looks=()) for stay in known[:50]]
    again = learning.fit([*ancient, *known], told.facts, Climate(), ON)
    line = known[0].line
    assert again.beliefs[Stage.POTTED][line] == replace(
        fitted.beliefs[Stage.POTTED][line],
        seasons=again.beliefs[Stage.POTTED][line].seasons,
        next_season=again.beliefs[Stage.POTTED][line].next_season,
    )


def test_plants_in_holding_and_finished_ones_have_a_hazard_and_a_usual_wait(told: worlds.Told) -> None:
    """200 plugs wait four weeks, 10 die on the way."""
    begun = date(2026, 1, 1)
    looks = (Look(on=begun + timedelta(days=28), finished=190, lost=10),)
    stays: Sequence[Stay] = [
        Stay(batch=f"h{at}", crop=told.facts[0].code, stage=Stage.ROOTED, started_on=begun, units=200, looks=looks)
        for at in range(5)
    ]
    waits = learning.fit(stays, told.facts, Climate(), ON).waiting(Stage.ROOTED, (told.facts[0].code, None))
    assert waits.weeks == pytest.approx(4.0, abs=0.1)
    assert waits.weekly_hazard == pytest.approx(50 / 4000, abs=0.002)


def test_a_stay_is_seen_as_it_was_known_on_a_day() -> None:
    """Looks of later days are not known, and what stood then stands."""
    stay = _stay("a", date(2026, 1, 1), 60)
    then = stay.known_on(date(2026, 3, 2))
    assert (then.finished, then.standing, then.running) == (20, 10, True)
    assert stay.known_on(date(2026, 12, 1)) == stay
