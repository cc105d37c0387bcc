"""Brindlewick Plant Nursery: the invented crops, sizes, houses and people, and the reference entries that tell of them.

Owns `crops.csv` and everything that the nursery has before its first plant is counted. `crops.csv` is the hidden truth of
the simulator: the recipes told here are the grower's rounded opinions of it, near and never equal.
"""

from __future__ import annotations

import csv
import math
import random
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date
from decimal import Decimal
from functools import lru_cache, partial
from importlib import resources

from ledger.plants.entries import (
    Accounts,
    BooksSet,
    CostSet,
    CostStep,
    CropSet,
    DestinationRule,
    DestinationSet,
    NormalPercent,
    Offer,
    PersonSet,
    PlaceKind,
    PlaceSet,
    PolicySet,
    RecipeSet,
    SizeSet,
    Timing,
    Told,
    Verdict,
)

TIME_ZONE = "Europe/London"
SMALL, LARGE = "P9", "C2"
SIZES = (SMALL, LARGE)

#: orders by month, January to December; the mean is 1
SEASON_INDEX = (0.35, 0.6, 1.3, 2.0, 2.1, 1.5, 0.9, 0.7, 0.9, 0.85, 0.45, 0.35)
REGIONS = ("region-1", "region-2", "region-3", "region-4", "region-5", "region-6")
#: how hard a carrier is on plants, beside the crop's own transit damage
CARRIERS = {"carrier-a": 0.8, "carrier-b": 1.3, "carrier-c": 0.9}

OWNER, HEAD_GROWER, PROPAGATOR, OFFICE, ACCOUNTANT = "owner", "head-grower", "propagator", "office", "accountant"
POTTERS = ("potter-1", "potter-2")
PACKERS = ("packer-1", "packer-2")
_PEOPLE = {
    OWNER: "Owner",
    HEAD_GROWER: "Head grower",
    PROPAGATOR: "Propagator",
    POTTERS[0]: "First potter",
    POTTERS[1]: "Second potter",
    PACKERS[0]: "First packer",
    PACKERS[1]: "Second packer",
    OFFICE: "Office",
    ACCOUNTANT: "Accountant",
    "inspector": "Inspector",
}


@dataclass(frozen=True, slots=True)
class Crop:
    """One cultivar as it really is. Weeks are medians for plants entering in high summer and in midwinter; rates are shares."""

    code: str
    group: str
    species: str
    cultivar: str
    rooted_in: str
    cuttings_per_cell: int
    tray_cells: int | None
    root_weeks: tuple[float, float]
    plug_mean: float
    plug_strength: float
    hold_weeks: tuple[float, float]
    grow_weeks: dict[str, tuple[float, float]]
    survival: float
    grade_out: float
    base_temperature_c: int
    weekly_demand: dict[str, float]
    price: dict[str, Decimal]
    transit_damage: float

    @property
    def name(self) -> str:
        return f"{self.species.split()[0]} '{self.cultivar}'"

    @property
    def in_sand(self) -> bool:
        return self.tray_cells is None

    @property
    def covered(self) -> bool:
        return self.rooted_in.startswith("covered")

    @property
    def soft(self) -> bool:
        return self.group == "Soft, fast"


@dataclass(frozen=True, slots=True)
class Homes:
    """Where the plants of one crop stand at each stage."""

    trimming: str
    striking: str
    holding: str
    second_look: str
    growing: dict[str, str]
    finished: dict[str, str]
    stock: str
    packing: str


# --- crops -----------------------------------------------------------------------------------------------------


@lru_cache(maxsize=1)
def _written_crops() -> tuple[Crop, ...]:
    text = resources.files("ledger.demo").joinpath("crops.csv").read_text(encoding="utf-8")
    return tuple(_crop(row) for row in csv.DictReader(text.splitlines()))


def _crop(row: dict[str, str]) -> Crop:
    def warm_winter(stem: str) -> tuple[float, float]:
        return float(row[f"{stem}_warm"]), float(row[f"{stem}_winter"])

    return Crop(
        code=row["code"],
        group=row["group"],
        species=row["species"],
        cultivar=row["cultivar"],
        rooted_in=row["rooting_place"],
        cuttings_per_cell=int(row["cuttings_per_cell"]),
        tray_cells=int(row["tray_cells"]) or None,
        root_weeks=warm_winter("wk_root"),
        plug_mean=float(row["usable_plug_mean"]),
        plug_strength=float(row["usable_plug_strength"]),
        hold_weeks=warm_winter("hold_max_wk"),
        grow_weeks={size: warm_winter(f"wk_plug_to_{size}") for size in SIZES},
        survival=float(row["pot_to_finish_survival"]),
        grade_out=float(row["grade_out"]),
        base_temperature_c=int(row["base_temp_C"]),
        weekly_demand={size: float(row[f"weekly_demand_{size}"]) for size in SIZES},
        price={size: Decimal(row[f"price_{size}"]) for size in SIZES},
        transit_damage=float(row["transit_damage"]),
    )


def money(amount: Decimal) -> str:
    """An amount as entries hold it, to the thousandth."""
    return str(amount.quantize(Decimal("0.001")))


_FIRST_WORDS = (
    "Amber", "Barley", "Bramble", "Candle", "Chalk", "Copper", "Dapple", "Ember", "Fallow", "Feather", "Gilded",
    "Harvest", "Hollow", "Ivory", "Juniper", "Kindle", "Larder", "Linen", "Marble", "Meadow", "Nettle", "Oatmeal",
    "Parlour", "Pebble", "Quarry", "Ribbon", "Saddle", "Slate", "Sorrel", "Thimble", "Tinker", "Umber", "Velvet",
    "Walnut", "Wicker", "Winter", "Yarrow", "Zephyr",
)  # fmt: skip
_LAST_WORDS = (
    "Bell", "Bonnet", "Brook", "Button", "Cartwheel", "Chimney", "Cottage", "Cricket", "Drum", "Fiddle", "Gate",
    "Hearth", "Kettle", "Ladder", "Lane", "Mantle", "Mill", "Needle", "Orchard", "Pastry", "Pocket", "Puddle", "Quilt",
    "Rook", "Saucer", "Shawl", "Sparrow", "Spindle", "Stile", "Supper", "Teacup", "Tower", "Trinket", "Wagon",
    "Weather", "Whistle", "Window",
)  # fmt: skip


def crops_of(number: int, spread: float) -> list[Crop]:
    """The nursery's crops: the written twelve first, then invented sisters of them, each a little different (`spread`)."""
    written = _written_crops()
    if number > len(written) * len(_FIRST_WORDS) * len(_LAST_WORDS):
        raise ValueError(f"{number} crops: there are not that many invented names")
    sisters = (_sister(written[i % len(written)], i // len(written), spread) for i in range(len(written), number))
    return [*written[:number], *sisters]


def _sister(crop: Crop, which: int, spread: float) -> Crop:
    first = _FIRST_WORDS[which % len(_FIRST_WORDS)]
    # the two lists have lengths without a common divisor, so every pair comes up once before any comes again
    last = _LAST_WORDS[which % len(_LAST_WORDS)]
    genus = crop.species.split()[0].lower()
    code = f"{genus}-{first}-{last}".lower()
    chance = random.Random(code)

    def varied(weeks: tuple[float, float]) -> tuple[float, float]:
        factor = math.exp(chance.gauss(0, spread))
        return weeks[0] * factor, weeks[1] * factor

    odds = math.log(crop.plug_mean / (1 - crop.plug_mean)) + chance.gauss(0, 2 * spread)
    return replace(
        crop,
        code=code,
        cultivar=f"{first} {last}",
        root_weeks=varied(crop.root_weeks),
        plug_mean=1 / (1 + math.exp(-odds)),
        grow_weeks={size: varied(weeks) for size, weeks in crop.grow_weeks.items()},
        weekly_demand={size: demand * chance.uniform(0.6, 1.4) for size, demand in crop.weekly_demand.items()},
    )


@lru_cache(maxsize=4096)
def winter_share(day: date) -> float:
    """How far into winter a day is: 1 in mid-January, 0 in mid-July."""
    return 0.5 * (1 + math.cos(2 * math.pi * (day.timetuple().tm_yday - 15) / 365.25))


def between(warm_winter: tuple[float, float], winter: float) -> float:
    """The value between summer's and winter's, on a logarithmic scale."""
    warm, cold = warm_winter
    return math.exp((1 - winter) * math.log(warm) + winter * math.log(cold))


# --- places ----------------------------------------------------------------------------------------------------

#: a site is one set of the houses; a nursery with more crops than this has a second set, and so on
CROPS_A_SITE = 36
_BENCHES, _LINES, _HOLDING_ROWS, _BEDS = 24, 12, 6, 4


def homes_of(index: int) -> Homes:
    """The places of the crop with this number."""
    site, nth = divmod(index, CROPS_A_SITE)
    end = _site_end(site)
    crop = _written_crops()[index % len(_written_crops())]
    striking = "P-S1" if crop.in_sand else "P-C1" if crop.covered else f"P-B{1 + nth % 2}"
    bench, line = nth % (_BENCHES - 4), nth % (_LINES - 2)
    return Homes(
        trimming=f"P-T1{end}",
        striking=striking + end,
        holding=(striking if crop.in_sand else f"H{1 + nth % (_HOLDING_ROWS - 1)}") + end,
        second_look=f"H{_HOLDING_ROWS}{end}",
        growing={SMALL: _bench(bench) + end, LARGE: f"L{1 + line:02d}{end}"},
        finished={SMALL: _bench(_BENCHES - 4 + nth % 3) + end, LARGE: f"L{_LINES - nth % 2:02d}{end}"},
        stock=f"S{1 + nth % _BEDS}{end}",
        packing="K1",
    )


def _site_end(site: int) -> str:
    return f"-{site + 1}" if site else ""


def _bench(nth: int) -> str:
    return f"G{1 + nth // 12}-{1 + nth % 12:02d}"


def isolation_of(index: int) -> str:
    """Where plants of the crop with this number wait when they come from outside."""
    return f"Q1{_site_end(index // CROPS_A_SITE)}"


def _places(crops: int) -> Iterator[dict[str, object]]:
    for site in range(-(-crops // CROPS_A_SITE)):
        end = _site_end(site)
        where = f", site {site + 1}" if site else ""

        for code, name, house, kind, room in _houses():
            yield {"code": code + end, "name": name + where, "house": house + where, "kind": kind, **room}
    yield {"code": "K1", "name": "Packing hall", "house": "Packing hall", "kind": PlaceKind.PACKING}


#: a tray of 53 by 28 cm and the way around it
_TRAY_CM2 = 1_500


def _room_for(trays: int) -> dict[str, int]:
    return {"tray_places": trays, "area_cm2": trays * _TRAY_CM2}


def _houses() -> Iterator[tuple[str, str, str, PlaceKind, dict[str, int]]]:
    """Every place of one site: code, name, house, kind, and the room there."""
    mist = "Mist house"
    yield "P-T1", "Trimming table", mist, PlaceKind.HOLDING, {}
    for boom in (1, 2):
        yield f"P-B{boom}", f"Mist under boom {boom}", mist, PlaceKind.MIST, _room_for(80)
    yield "P-C1", "Covered bench", mist, PlaceKind.COVERED, _room_for(24)
    yield "P-S1", "Sand bed", mist, PlaceKind.SAND, {"area_cm2": 75_000}
    for row in range(1, _HOLDING_ROWS + 1):
        yield f"H{row}", f"Holding row {row}", "Holding house", PlaceKind.HOLDING, _room_for(70)
    for nth in range(_BENCHES):
        house = 1 + nth // 12
        yield (
            _bench(nth),
            f"House G{house}, bench {1 + nth % 12}",
            f"Growing house {house}",
            PlaceKind.BENCH,
            {"area_cm2": 108_000},
        )
    for line in range(1, _LINES + 1):
        yield f"L{line:02d}", f"Line {line} under the roof", "Lines", PlaceKind.LINE, {"hooks": 80}
    for bed in range(1, _BEDS + 1):
        yield f"S{bed}", f"Stock bed {bed}", "Stock house", PlaceKind.STOCK_BED, {"area_cm2": 120_000}
    yield "Q1", "Isolation bench", "Isolation house", PlaceKind.ISOLATION, {"area_cm2": 60_000}


# --- what the grower types before the first plant ----------------------------------------------------------------


#: how old a forecast may be while the history is told, in which one is published a week; and as it is for every nursery
WHILE_TOLD = {"forecast_hours": 240, "forecast_lag_minutes": 14_400}
#: the office has seen that counts are less exact than it thought
WIDER_BUFFER = {"buffer_z_per_mille": 1_650}


def policy(**changed: object) -> dict[str, object]:
    """The nursery's policy, whole."""
    return {"time_zone": TIME_ZONE, "currency": "GBP", **changed}


def reference(crops: list[Crop], on: date) -> Iterator[tuple[type[Told], dict[str, object]]]:
    """Every reference value as (type of entry, its fields), in an order in which each may lean on those before it."""
    for code, name in _PEOPLE.items():
        yield PersonSet, {"code": code, "name": name}
    yield PolicySet, policy(**WHILE_TOLD)
    yield SizeSet, {"code": SMALL, "name": "9 cm square pot", "rank": 10, "area_cm2": 81, "per_tray": 18}
    yield SizeSet, {"code": LARGE, "name": "2 litre round pot", "rank": 20, "area_cm2": 289, "hooks": 1}
    for fields in _places(len(crops)):
        yield PlaceSet, fields
    for crop in crops:
        yield CropSet, _crop_fields(crop)
        yield RecipeSet, _recipe_fields(crop)
    for region in REGIONS:
        yield DestinationSet, {"region": region, "name": region.replace("-", " ").capitalize(), "rules": _asks(region, on)}
    yield BooksSet, {"normal_percent": NormalPercent(potted=8, finished=4), "accounts": ACCOUNTS}
    for step, size, amount in _COSTS:
        yield CostSet, {"step": step, "amount": amount, "effective_on": on, "size": size}


def _asks(region: str, on: date) -> list[DestinationRule]:
    """What a region asks, by the nursery's own invented list."""
    rule = partial(DestinationRule, source="Brindlewick's own list of regions", checked_on=on)
    match region:
        case "region-3":
            because = "spreads by itself there"
            return [rule(verdict=Verdict.REFUSED, because=because, species="Passiflora caerulea")]
        case "region-5":
            because, papers = "figs travel with a certificate", "plant-health certificate"
            return [rule(verdict=Verdict.NEEDS_PAPERS, because=because, species="Ficus carica", papers=papers)]
        case "region-6":
            return [rule(verdict=Verdict.REFUSED, because="no plant survives the way", months=[11, 12, 1, 2, 3])]
        case _:
            return []


#: the accountant's own accounts, as the journal names them
ACCOUNTS = Accounts(
    propagation="1410", growing="1420", ready="1430", production="4810", space="4820", purchases="4100", cost_of_sales="5000",
    abnormal_loss="5310", count_differences="5320", given_out="6120", stock_plants="0310", adjustments="5390", rounding="5395",
    opening="2900",
)  # fmt: skip

_COSTS = (
    (CostStep.CUTTING, None, "0.04"),
    (CostStep.STRIKING, None, "0.11"),
    (CostStep.POTTING, SMALL, "0.42"),
    (CostStep.POTTING, LARGE, "1.10"),
    (CostStep.LABELLING, None, "0.08"),
    (CostStep.SPACE, None, "0.85"),
    (CostStep.HOOK, None, "0.06"),
)

_CAUTIONS = {
    "Euphorbia milii": "The sap burns skin and eyes: gloves and glasses.",
    "Ficus carica": "The sap irritates skin in sunlight: gloves.",
}


def _crop_fields(crop: Crop) -> dict[str, object]:
    return {
        "code": crop.code,
        "name": crop.name,
        "species": crop.species,
        "group": crop.group,
        "sizes": {size: Offer(price=money(crop.price[size])) for size in SIZES},
        "base_temperature_c": crop.base_temperature_c,
        "caution": _CAUTIONS.get(crop.species),
    }


def _recipe_fields(crop: Crop) -> dict[str, object]:
    """Whole weeks and fives of percent: what a grower would say, a little too hopeful or too careful for each crop."""
    opinion = random.Random(f"recipe of {crop.code}")
    winters = [winter_share(date(2026, month, 15)) for month in range(1, 13)]

    def weeks(warm_winter: tuple[float, float]) -> list[int]:
        bias = opinion.uniform(0.85, 1.2)
        return [7 * max(1, round(bias * between(warm_winter, winter))) for winter in winters]

    def percent(share: float) -> list[int]:
        return [min(95, 5 * round(20 * (share + opinion.uniform(-0.06, 0.04))))] * 12

    def growing(size: str) -> Timing:
        return Timing(days=weeks(crop.grow_weeks[size]), come_through=percent(crop.survival * (1 - crop.grade_out)))

    return {
        "crop": crop.code,
        "rooting": Timing(days=weeks(crop.root_weeks), come_through=percent(crop.plug_mean)),
        "growing": {size: growing(size) for size in SIZES},
        "holding_limit_days": [7 * max(1, round(between(crop.hold_weeks, winter))) for winter in winters],
        "cuttings_per_cell": crop.cuttings_per_cell,
        "tray_cells": crop.tray_cells,
    }


def stock_codes(crop: Crop, index: int) -> list[str]:
    """The codes of a crop's stock plants."""
    site = index // len(_written_crops())
    stem = crop.species.split()[0][:4].upper() + (f"{site:03d}" if site else "")
    return [f"{stem}-{n:02d}" for n in range(1, 9)]
