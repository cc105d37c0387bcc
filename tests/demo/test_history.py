"""The demo nursery's stream of entries: repeatable, allowed, true to its hidden truth, and with its story in it."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import msgspec
import pytest

from ledger.demo.history import Brindlewick, history, opening_day
from ledger.demo.nursery import SIZES, TIME_ZONE, crops_of
from ledger.demo.story import Thread
from ledger.demo.world import DISASTERS, DRIFTING, MISCOUNTED, PLAIN, TWO_FACTORS, WEIBULL, World
from ledger.plants import numbers
from ledger.plants.entries import TYPES, Entry
from tests.demo.fold import Fold

TODAY = date(2026, 11, 25)
STORY = {1, 2, 3, 4, 6, 7, 8, 9, 10, 11, 12, 13, 14, 15, 16, 17, 18, 19}


class Run:
    """One run, kept: its entries as JSON in the order of telling, and a strict ledger that was told them."""

    def __init__(self, *, seed: int = 1, crops: int = 12, months: int = 18, world: World = PLAIN) -> None:
        nursery = Brindlewick(seed=seed, crops=crops, months=months, today=TODAY, world=world)
        self.facts: list[dict[str, Any]] = []
        self.told_on: list[date] = []
        self.fold = Fold()
        decoder = msgspec.json.Decoder(list[Entry])
        for day in nursery.days():
            content = msgspec.json.encode(day.entries)
            assert decoder.decode(content) == day.entries, "what is told reads back as what was meant, within every bound"
            for fact in json.loads(content):
                self.fold.tell(fact, moment(fact).isoformat())
                self.facts.append(fact)
                self.told_on.append(day.on)
        self.threads = nursery.told_threads
        self.by_id = {fact["id"]: fact for fact in self.facts}

    def of(self, *kinds: str) -> Iterator[dict[str, Any]]:
        return (fact for fact in self.facts if fact["type"] in kinds)

    def entries(self, thread: Thread, *kinds: str) -> list[dict[str, Any]]:
        told = [self.by_id[str(entry)] for entry in thread.entries]
        return [fact for fact in told if fact["type"] in kinds]

    def crops_of_batches(self) -> dict[str, str]:
        crops: dict[str, str] = {}
        for fact in self.facts:
            match fact["type"]:
                case "opened" | "bought-in" | "gathered" | "struck" if "crop" in fact:
                    crops[fact["batch"]] = fact["crop"]
                case "potted" | "potted-up":
                    crops[fact["into"]] = crops[fact["batch"]]
                case "merged":
                    crops[fact["into"]] = crops[fact["sources"][0]["batch"]]
                case "renamed":
                    crops[fact["into"]] = fact["crop"]
                case _:
                    pass
        return crops


def moment(fact: dict[str, Any]) -> datetime:
    """When it occurred, in UTC."""
    return datetime.fromisoformat(fact["occurred_at"]).astimezone(UTC)


@pytest.fixture(scope="session")
def run() -> Run:
    """The demo as it is shown."""
    return Run()


@pytest.fixture(scope="session")
def long_run() -> Run:
    """Three years of twenty-four crops, for rates."""
    return Run(seed=5, crops=24, months=36)


def told(seed: int, world: World = PLAIN) -> bytes:
    """Two months as they go over the wire."""
    days = history(seed=seed, crops=12, months=2, today=TODAY, world=world)
    return msgspec.json.encode([entry for day in days for entry in day.entries])


# --- the stream ------------------------------------------------------------------------------------------------


def test_the_same_seed_tells_the_same_history_to_the_byte_and_another_seed_another() -> None:
    """A run is named by its seed, ids and times included."""
    assert told(1) == told(1)
    assert told(1) != told(2)


def test_every_world_tells_a_history_of_its_own() -> None:
    """The parameters of the hidden truth reach the entries."""
    worlds = (PLAIN, WEIBULL, TWO_FACTORS, DISASTERS, MISCOUNTED, DRIFTING)
    assert len({told(1, world) for world in worlds}) == len(worlds)


@pytest.mark.parametrize("world", [PLAIN, DISASTERS, MISCOUNTED], ids=lambda world: world.name)
@pytest.mark.parametrize("seed", [2, 3])
def test_no_balance_is_ever_negative_whatever_is_known_by_then(seed: int, world: World) -> None:
    """After each entry, every account it touches is played through in the order of occurring: it never falls below 0."""
    run = Run(seed=seed, months=18, world=world)
    assert run.fold.violations == []


def test_no_balance_is_ever_negative_in_the_demo_nor_in_a_large_nursery(run: Run, long_run: Run) -> None:
    """The same for the demo's own seed and for twenty-four crops over three years."""
    assert run.fold.violations == []
    assert long_run.fold.violations == []


def test_days_and_entries_come_in_the_order_in_which_they_are_told(run: Run) -> None:
    """Within a day time moves forward, but for slips handed in later than what they tell of, and those are a few."""
    assert run.told_on == sorted(run.told_on)
    late = 0
    latest = moment(run.facts[0])
    for fact in run.facts:
        late += moment(fact) < latest
        latest = max(latest, moment(fact))
    assert 5 < late < 0.01 * len(run.facts)


def test_everything_occurs_in_working_hours_from_the_opening_day_to_yesterday(run: Run) -> None:
    """Local hours of the nursery's own zone; nothing on the day on which the demo is run."""
    zone = ZoneInfo(TIME_ZONE)
    local = [datetime.fromisoformat(fact["occurred_at"]).astimezone(zone) for fact in run.facts]
    assert local[0].date() == opening_day(TODAY, 18) == date(2025, 5, 25)
    assert max(at.date() for at in local) == TODAY - timedelta(days=1)
    assert all(6 <= at.hour < 20 for at in local)
    written = [datetime.fromisoformat(fact["occurred_at"]).utcoffset() for fact in run.facts]
    assert written == [at.utcoffset() for at in local], "times carry the nursery's own offset, summer and winter"
    assert {at.weekday() for at in local[1000:]} <= {0, 1, 2, 3, 4, 5}


def test_what_stood_before_is_opened_on_the_first_day_only_after_the_reference_values(run: Run) -> None:
    """People come first, each crop before its plants, and every stage of life is there from the start."""
    first = [fact for fact, on in zip(run.facts, run.told_on, strict=True) if on == run.told_on[0]]
    assert first[0] | {"id": "", "occurred_at": ""} == {
        "id": "", "occurred_at": "", "type": "person-set", "code": "owner", "name": "Owner", "by": "owner",
    }  # fmt: skip
    assert len(list(run.of("opened"))) == sum(fact["type"] == "opened" for fact in first) > 100
    assert {fact["stage"] for fact in run.of("opened")} == {"struck", "rooted", "potted", "finished"}
    kinds = [fact["type"] for fact in first]
    assert max(i for i, kind in enumerate(kinds) if kind.endswith("-set") and kind != "stock-set") < kinds.index("opened")


def test_ids_are_of_version_7_and_batch_numbers_valid_and_never_given_twice(run: Run) -> None:
    """Whoever tells an entry may choose its id and its batch number; the simulator chooses well."""
    ids = [fact["id"] for fact in run.facts]
    assert len(set(ids)) == len(ids)
    assert {(given[14], given[19] in "89ab") for given in ids} == {("7", True)}
    made = [fact["batch"] for fact in run.of("opened", "gathered", "bought-in")]
    made += [fact["batch"] for fact in run.of("struck") if "crop" in fact]
    made += [fact["into"] for fact in run.of("potted", "potted-up", "merged", "renamed")]
    assert all(numbers.is_valid(number) for number in made)
    assert len(set(made)) == len(made)


def test_nearly_every_type_of_entry_is_told(run: Run) -> None:
    """The demo is a demonstration: without a desk no promises, and only the answer to a question is left for who watches."""
    left = {kind for kind in TYPES if kind.startswith(("promise", "potting-", "forecast-", "temperature"))}
    left |= {"due-checked", "confidence-corrected", "answered", "head-signed", "period-closed", "prints-set"}
    assert set(TYPES) - {fact["type"] for fact in run.facts} == left


def test_the_demo_is_of_the_size_that_it_should_be(run: Run) -> None:
    """Twelve crops and eighteen months: 15,000 to 30,000 entries."""
    assert 15_000 < len(run.facts) < 30_000


def test_a_nursery_may_be_as_small_as_one_crop_for_one_month_and_as_large_as_two_thousand_crops() -> None:
    """The smallest run is told; the names and codes of the largest are all different."""
    smallest = [entry for day in history(seed=1, crops=1, months=1, today=TODAY) for entry in day.entries]
    assert len(smallest) > 100
    crops = crops_of(2000, PLAIN.crop_spread)
    assert len({crop.code for crop in crops}) == len({crop.name for crop in crops}) == 2000
    assert crops_of(12, PLAIN.crop_spread) == crops[:12]
    with pytest.raises(ValueError, match="at least one crop"):
        Brindlewick(seed=1, crops=0, months=1, today=TODAY)


def test_a_run_counts_its_months_back_from_today() -> None:
    """The same day of an earlier month, or that month's last."""
    assert opening_day(date(2026, 11, 25), 36) == date(2023, 11, 25)
    assert opening_day(date(2026, 3, 31), 1) == date(2026, 2, 28)
    assert opening_day(date(2026, 1, 15), 1) == date(2025, 12, 15)


# --- plausible figures -----------------------------------------------------------------------------------------


def test_rooting_survival_and_grading_come_out_near_the_hidden_truth(long_run: Run) -> None:
    """Pooled over crops of one species: the share of cells that became plugs, of pots graded, and of graded ones rejected."""
    crops, crop_of = crops_of(24, PLAIN.crop_spread), long_run.crops_of_batches()
    species_of = {crop.code: crop.species for crop in crops}
    ended = (TODAY - timedelta(days=400)).isoformat()
    cells, plugs, pots, graded, rejected = (Counter[str]() for _ in range(5))
    spoilt = {
        fact["batch"]
        for fact in long_run.of("lost")
        if fact["cause"] in ("regulated", "cold") or fact.get("note") == "grey mould"
    }
    spoilt |= {fact["batch"] for fact in long_run.of("potted") if fact.get("stage") == "struck"}
    ripe = {fact["batch"] for fact in long_run.of("struck") if fact["occurred_at"] < ended} - spoilt
    grown = {fact["into"] for fact in long_run.of("potted") if fact["occurred_at"] < ended} - spoilt
    for fact in long_run.facts:
        number = fact.get("into" if fact["type"] == "potted" else "batch", "")
        species = species_of.get(crop_of.get(number, ""), "")
        match fact["type"]:
            case "struck" if number in ripe:
                cells[species] += fact["cells"]
            case "rooted" if number in ripe:
                plugs[species] += fact["usable"]
            case "potted" if number in grown:
                pots[species] += fact["pots"]
            case "graded" if number in grown:
                out = fact.get("seconds", 0) + fact.get("culled", 0)
                graded[species] += fact["finished"] + out
                rejected[species] += out
            case _:
                pass
    for species in set(species_of.values()) - {"Euphorbia milii"}:
        alike = [crop for crop in crops if crop.species == species]
        rooting = sum(crop.plug_mean for crop in alike) / len(alike)
        assert plugs[species] / cells[species] == pytest.approx(rooting, abs=0.06), species
        assert graded[species] / pots[species] == pytest.approx(alike[0].survival, abs=0.04), species
        assert rejected[species] / graded[species] == pytest.approx(alike[0].grade_out, abs=0.03), species


def test_shrink_off_the_bench_comes_out_at_the_rates_of_the_trade(long_run: Run) -> None:
    """Trim-out 3 to 8 %, rot 2 to 10 %, casualties 1 to 3 %, count differences 2 to 5 %, transit damage 1 to 5 %."""
    of = long_run.of
    cuttings = sum(part["cuttings"] for fact in of("gathered") for part in fact["stock_plants"])
    trimmed = sum(fact["units"] for fact in of("lost") if fact["stage"] == "gathered")
    cells = sum(fact["cells"] for fact in of("struck"))
    rotten = sum(fact["units"] for fact in of("lost") if fact["stage"] == "struck" and fact["cause"] == "rot")
    plugs = sum(fact["plugs"] for fact in of("potted"))
    casualties = sum(fact.get("casualties", 0) for fact in of("potted"))
    shipped = sum(line["units"] for fact in of("shipped") for line in fact["lines"])
    claimed = sum(fact["units"] for fact in of("damage-claimed"))
    assert 0.03 < trimmed / cuttings < 0.08
    assert 0.02 < rotten / cells < 0.10
    assert 0.01 < casualties / plugs < 0.03
    assert 0.01 < claimed / shipped < 0.05
    differences = [(before, seen) for _, before, seen in long_run.fold.differences()]
    assert 0.02 < sum(abs(before - seen) for before, seen in differences) / sum(before for before, _ in differences) < 0.05


def test_stock_is_limited_some_of_it_is_sold_out_and_most_is_not(run: Run) -> None:
    """At the end some crops and sizes have no more than a count buffer finished, and more than half have more."""
    crop_of = run.crops_of_batches()
    size_of = {fact["into"]: fact["size"] for fact in run.of("potted", "potted-up")}
    size_of |= {fact["batch"]: fact["size"] for fact in run.of("opened") if "size" in fact}
    size_of |= {fact["into"]: size_of[fact["batch"]] for fact in run.of("renamed")}
    shelves: Counter[tuple[str, str]] = Counter()
    for account in list(run.fold.lines):
        batch, stage, *_ = account.split("/")
        if stage == "finished":
            shelves[crop_of[batch], size_of[batch]] += run.fold.balance(account)
    on_offer = sum(units > 3 for units in shelves.values())
    assert 12 < on_offer < 12 * len(SIZES)


def test_the_grower_s_recipes_are_near_the_truth_and_are_not_it(run: Run) -> None:
    """Whole weeks and fives of percent, and off for most crops even so."""
    truth = {crop.code: crop for crop in crops_of(12, PLAIN.crop_spread)}
    off = 0
    for recipe in run.of("recipe-set"):
        warm = min(recipe["rooting"]["days"]) / 7
        assert warm == pytest.approx(truth[recipe["crop"]].root_weeks[0], rel=0.35, abs=1)
        share = recipe["rooting"]["come_through"][0]
        assert share % 5 == 0
        assert share / 100 == pytest.approx(truth[recipe["crop"]].plug_mean, abs=0.1)
        off += warm != truth[recipe["crop"]].root_weeks[0] or share / 100 != truth[recipe["crop"]].plug_mean
    assert off > 6


# --- the story -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("seed", [1, 2, 13])
def test_every_thread_of_the_story_is_told_in_its_month(run: Run, seed: int) -> None:
    """Eighteen months hold every month once: each thread comes in its own, and its entries are in the stream."""
    told = run if seed == 1 else Run(seed=seed)
    assert set(told.threads) == STORY
    months = {2: 2, 3: 3, 6: 5, 7: 6, 8: 7, 9: 8, 10: 9, 11: 10, 12: 11, 13: 12, 14: 1, 15: 2, 16: 3, 17: 4, 19: 5}
    assert {number: told.threads[number].on.month for number in months} == months
    assert all(str(entry) in told.by_id for thread in told.threads.values() for entry in thread.entries)


def test_a_thread_whose_month_does_not_come_is_not_told() -> None:
    """A quarter that ends in November knows nothing of February."""
    threads = Run(months=3).threads
    assert {1, 4, 11, 12, 18} <= set(threads) <= {1, 4, 10, 11, 12, 18}


def test_the_losses_of_the_story_are_to_the_plant(run: Run) -> None:
    """36 to the cold, 40 overheld, 24 potted up, 12 set back, 27 orders held, 11 crushed and every one replaced."""
    threads = run.threads
    assert sum(fact["units"] for fact in run.entries(threads[12], "lost")) == 36
    assert sum(fact["units"] for fact in run.entries(threads[9], "lost")) == 40
    assert sum(fact["pots"] for fact in run.entries(threads[11], "potted-up")) == 24
    assert sum(fact["units"] for fact in run.entries(threads[16], "set-back")) == 12
    assert len({fact["order"] for fact in run.entries(threads[14], "held")}) == 27
    claims = run.entries(threads[10], "damage-claimed")
    assert sum(fact["units"] for fact in claims) == 11
    assert {fact["carrier"] for fact in claims} == {"carrier-b"}
    answered = {fact["id"] for fact in claims}
    assert sum(fact["units"] for fact in run.of("picked") if fact.get("replaces") in answered) == 11


def test_every_order_held_is_let_go_before_it_is_shipped(run: Run) -> None:
    """Each hold ends once, and nothing of a held order leaves in between."""
    held: set[str] = set()
    for fact in run.facts:
        match fact["type"]:
            case "held":
                held.add(fact["order"])
            case "hold-ended":
                held.remove(fact["order"])
            case "shipped":
                assert fact["order"] not in held
            case _:
                pass


def test_the_tea_roots_badly_and_the_mould_takes_its_share(run: Run) -> None:
    """48 in 100 of the tea's cells; 9 in 100 of the largest February batch."""
    cells = {fact["batch"]: fact["cells"] for fact in run.of("struck")}
    [tea] = run.entries(run.threads[7], "rooted")
    assert tea["usable"] == round(0.48 * cells[tea["batch"]])
    [mould] = run.entries(run.threads[2], "lost")
    assert mould["units"] == round(0.09 * cells[mould["batch"]])
    crop_of = run.crops_of_batches()
    struck = {crop_of[fact["batch"]] for fact in run.entries(run.threads[2], "struck")}
    assert len(struck) == 12, "every crop is struck in February"


def test_three_part_trays_are_merged_and_the_recount_is_five_short(run: Run) -> None:
    """Five were binned unwritten, so the next count of the merged tray finds five fewer than went in."""
    [merged] = run.entries(run.threads[8], "merged")
    [recount] = run.entries(run.threads[8], "counted")
    assert len(merged["sources"]) == 3
    assert recount["batch"] == merged["into"]
    assert recount["units"] == sum(part["units"] for part in merged["sources"]) - 5


def test_swapped_sizes_and_a_potting_written_twice_are_taken_back(run: Run) -> None:
    """The swapped sizes are told again the right way round; of the two slips one is reversed."""
    swapped = run.entries(run.threads[6], "potted")
    taken_back = {fact["entry"] for fact in run.entries(run.threads[6], "reversed")}
    wrong = [(fact["size"], fact["pots"]) for fact in swapped if fact["id"] in taken_back]
    right = [(fact["size"], fact["pots"]) for fact in swapped if fact["id"] not in taken_back]
    other = {"P9": "C2", "C2": "P9"}
    assert sorted((other[size], pots) for size, pots in wrong) == sorted(right)
    one, two = run.entries(run.threads[17], "potted")
    assert one["by"] != two["by"]
    assert moment(two) - moment(one) < timedelta(minutes=30)
    assert [fact["entry"] for fact in run.entries(run.threads[17], "reversed")] == [two["id"]]


def test_a_slip_is_told_after_a_count_that_came_after_what_it_tells_of(run: Run) -> None:
    """Three died, the count missed them, and the slip arrives last."""
    [slip], [count] = run.entries(run.threads[18], "lost"), run.entries(run.threads[18], "counted")
    assert moment(slip) < moment(count)
    assert run.facts.index(slip) > run.facts.index(count)
    assert slip["units"] == 3


def test_what_came_from_the_plant_with_mosaic_is_stopped_and_destroyed_and_never_sold_again(run: Run) -> None:
    """Stop, then destroy: afterwards nothing of those batches stands, and nothing of them was picked in between."""
    thread = run.threads[15]
    stops = run.entries(thread, "stopped")
    batches = {fact["batch"] for fact in stops if "batch" in fact}
    assert batches == set(thread.batches)
    [plant] = [fact["stock_plant"] for fact in stops if "stock_plant" in fact]
    after = run.facts[run.facts.index(stops[0]) :]
    assert not [fact for fact in after if fact["type"] in ("picked", "potted", "graded") and fact.get("batch") in batches]
    assert not [fact for fact in after if fact["type"] == "shipped" and {line["batch"] for line in fact["lines"]} & batches]
    assert not [part for fact in after for part in fact.get("stock_plants", []) if part["stock_plant"] == plant]
    assert sum(fact["units"] for fact in run.entries(thread, "lost")) > 30
    assert all(run.fold.balance(account) == 0 for account in list(run.fold.lines) if account.split("/")[0] in {*batches, plant})


def test_a_name_in_doubt_stops_its_batch_until_four_have_been_renamed(run: Run) -> None:
    """Stopped, sorted out, cleared, in that order."""
    told = [run.by_id[str(entry)] for entry in run.threads[19].entries]
    assert [fact["type"] for fact in told] == ["stopped", "renamed", "cleared"]
    assert told[1]["units"] == 4
    assert told[2]["stop"] == told[0]["id"]
