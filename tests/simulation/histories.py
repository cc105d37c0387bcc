"""Random histories of an invented nursery: entries of every type, told early and late, most of them possible.

Owns the making up of entries, as the JSON that a client would send, and nothing else. It reads the book as told so far
(from the auditor) to choose quantities that stand there, and now and then takes too many on purpose. All chance comes
from the one `Random` that it is given: one seed replays a failure, and hypothesis, lending its own, makes it smaller.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import UTC, datetime, timedelta
from random import Random
from typing import NamedTuple, TypeVar
from uuid import UUID

from tests.auditor import Audit, Fact, Names, moment, told

START = datetime(2024, 3, 4, 6, tzinfo=UTC)
CROPS = ("coleus-rooks-supper", "ixora-copper-thimble")
SIZES = ("P9", "C2")
PLACES = ("G1", "G2", "H1")
PEOPLE = ("head-grower", "potter")
ORDERS = ("A-1", "B-2")
STOCK_PLANTS = {"CO-1": CROPS[0], "IX-1": CROPS[1], "IX-2": CROPS[1]}

BEFORE_POTTING = ("gathered", "struck", "rooted")
POTS = ("potted", "finished", "seconds")
UNPICKED = BEFORE_POTTING + POTS
#: what standard costs are charged for, and about how much
STEPS = {"cutting": 4, "striking": 11, "potting": 35, "labelling": 12, "space": 90, "hook": 20, "bought-in": 140}
CAUSES = ("rot", "dried-out", "cold", "overheld", "handling", "surplus")
#: refused, but for the last: see `stock_set`
NOT_REVERSED = ("reversed", "answered", "cleared", "hold-ended", "stock-removed")

_T = TypeVar("_T")
#: makes up an entry, without its envelope, of what happened at the moment being told of; None where nothing of the kind can
_Kind = Callable[[], Fact | None]


class Spot(NamedTuple):
    """Units that stand somewhere at the moment of which a new entry tells; `order` where they are picked for one."""

    batch: str
    stage: str
    place: str
    unit: str
    units: int
    order: str | None = None


def _spot(account: str, unit: str, units: int, order: str | None = None) -> Spot:
    batch, stage, place = account.split("/")
    return Spot(batch, stage, place, unit, units, order)


class Teller:
    """Makes up one entry after another. `heard` has to be told what the ledger accepted."""

    def __init__(self, random: Random) -> None:
        self.random = random
        self.now = START
        self.at = START  # the moment being told of: now, or earlier in a late slip
        self.log: list[Fact] = []
        self._told = 0
        seldom: list[_Kind] = [self.struck_straight, self.set_back, self.bought_in, self.put_back, self.sold_here]
        seldom += [self.given_out, self.planted_as_stock, self.stock_set, self.stock_removed, self.tended, self.held]
        seldom += [self.stopped, self.ended, self.damage_claimed, self.treated, self.crop_set, self.told_twice, self.answered]
        often: list[_Kind] = [self.gathered, self.struck, self.rooted, self.moved, self.merged, self.potted, self.potted_up]
        often += [self.picked, self.shipped, self.renamed, self.lost]
        seldom += [self.cost_set, self.recipe_set, self.books_set, self.size_set, self.place_set]
        self._kinds = seldom + often * 2 + [self.graded, self.reversed, self.slip] * 4 + [self.counted] * 6

    # --- telling ------------------------------------------------------------------------------------------------

    def opening(self) -> list[Fact]:
        """The reference values, the stock plants, and what stood there on the first day."""
        offers = {size: {"price": "8.50"} for size in SIZES}
        no_buffer = {"buffer_z_per_mille": 0, "buffer_share_per_mille": 0, "buffer_drift_per_mille": 0}
        facts: list[Fact] = [{"type": "person-set", "code": code, "name": code, "by": PEOPLE[0]} for code in PEOPLE]
        facts.append({"type": "policy-set", "isolate_bought_in": False, **no_buffer})
        facts += [self._size(size) for size in SIZES]
        facts += [self._place(place) for place in PLACES]
        facts += [
            {"type": "crop-set", "code": crop, "name": crop, "species": crop, "group": "Soft", "sizes": offers}
            for crop in CROPS
        ]
        facts += [
            {"type": "stock-set", "stock_plant": code, "crop": crop, "place": PLACES[0], "units": 5, "source": "opening"}
            for code, crop in STOCK_PLANTS.items()
        ]
        facts += [self._cost(step, str(self.at.date())) for step in STEPS if not self.chance(6)]
        facts += [self.cost_set() for _ in range(3)]
        facts.append(self._recipe(CROPS[0]))
        facts.append(self.books_set())
        for crop in CROPS:
            for stage in ("struck", "rooted"):
                facts.append({"type": "opened", "crop": crop, "stage": stage, "place": PLACES[0], "units": 40})
            facts.append({"type": "opened", "crop": crop, "stage": "finished", "size": "P9", "place": PLACES[0], "units": 40})
        return [self._enveloped(fact) for fact in facts]

    def next(self) -> list[Fact]:
        """One entry, or sometimes a few in one list; sometimes rubbish among them."""
        made: list[Fact] = []
        wanted = 3 if self.chance(10) else 1
        while len(made) < wanted:
            self.at = self.when()
            fact = self.pick(self._kinds)()
            if fact is not None:
                made.append(self._enveloped(fact))
        if self.chance(20):
            made.append(self.rubbish())
        return made

    def heard(self, facts: Sequence[Fact]) -> None:
        """What the ledger accepted, as it recorded it."""
        self.log += facts

    def _enveloped(self, fact: Fact) -> Fact:
        self._told += 1
        envelope = {"id": str(UUID(int=self._told)), "occurred_at": self.at.isoformat(), "by": self.pick(PEOPLE)}
        return {**envelope, **{name: value for name, value in fact.items() if value is not None}}

    def rubbish(self) -> Fact:
        """An entry that must be refused, whatever the book says."""
        spot = self.spot(*UNPICKED) or Spot("24W10-01H", "struck", PLACES[0], "cell", 0)
        lost = {"type": "lost", "batch": spot.batch, "stage": spot.stage, "place": spot.place, "units": 1, "cause": "rot"}
        wrong: list[Fact] = [
            lost | {"units": 1_000_000},
            lost | {"batch": "24W53-991"},
            lost | {"batch": "24W10-0152"},
            lost | {"place": "NOWHERE"},
            lost | {"by": "a-stranger"},
            {"type": "reversed", "entry": str(UUID(int=1)), "reason": "reference values are set again, not reversed"},
            {"type": "reversed", "entry": str(UUID(int=2**100)), "reason": "nobody told this"},
            {"type": "opened", "crop": "unheard-of", "stage": "struck", "place": PLACES[0], "units": 1},
        ]
        wrong.append(lost | {"occurred_at": (datetime.now(UTC) + timedelta(days=2)).isoformat()})
        return self._enveloped(self.pick(wrong))

    # --- chance -------------------------------------------------------------------------------------------------

    def chance(self, one_in: int) -> bool:
        return self.random.randint(1, one_in) == one_in

    def pick(self, among: Sequence[_T]) -> _T:
        return among[self.random.randint(0, len(among) - 1)]

    def some(self, units: int) -> int:
        """A part of what stands there, often all of it, and now and then more."""
        if self.chance(12):
            return units + self.random.randint(1, 3)
        return units if self.chance(4) else self.random.randint(1, max(units, 1))

    def when(self) -> datetime:
        """Mostly now, on a coarse clock so that things happen at the same moment; one in four is told late."""
        if self.chance(4):
            return max(START, self.now - timedelta(hours=self.random.randint(1, 30)))
        self.now += (
            timedelta(days=self.random.randint(1, 25)) if self.chance(40) else timedelta(hours=self.random.randint(0, 3))
        )
        return self.now

    # --- looking ------------------------------------------------------------------------------------------------

    def book(self) -> Audit:
        """The book as it stood at the moment being told of, as far as it has been told by now."""
        return told([fact for fact in self.log if fact["type"] == "reversed" or moment(fact["occurred_at"]) <= self.at])

    def spots(self, *stages: str) -> list[Spot]:
        standing = [_spot(account, unit, units) for (account, unit), units in self.book().standing().items()]
        return [spot for spot in standing if spot.stage in stages and spot.units > 0]

    def spot(self, *stages: str) -> Spot | None:
        spots = self.spots(*stages)
        return self.pick(spots) if spots else None

    def picked_spot(self) -> Spot | None:
        names = Names(self.log)
        spots = [
            _spot(account, names.unit(account), units, order)
            for (account, order), units in self.book().picked.items()
            if order is not None and units > 0 and "/picked/" in account
        ]
        return self.pick(spots) if spots else None

    def crop_of(self, batch: str) -> str:
        return Names(self.log).crop[batch]

    # --- propagation --------------------------------------------------------------------------------------------

    def gathered(self) -> Fact:
        crop, cuttings = self._cuttings()
        return {"type": "gathered", "crop": crop, "stock_plants": cuttings, "place": self.pick(PLACES)}

    def _cuttings(self) -> tuple[str, list[Fact]]:
        crop = self.pick(CROPS)
        codes = [code for code, of in STOCK_PLANTS.items() if of == crop]
        codes = codes[: self.random.randint(1, len(codes))]
        return crop, [{"stock_plant": code, "cuttings": self.random.randint(1, 40)} for code in codes]

    def _cells(self, cuttings: int) -> Fact:
        per_cell = self.random.randint(1, 3)
        full, singles = divmod(cuttings, per_cell)
        tray = {"tray_cells": self.pick((50, 72))} if self.chance(2) else {}
        return {"cuttings": cuttings, "per_cell": per_cell, "cells": full + singles, "singles": singles, **tray}

    def struck(self) -> Fact | None:
        if (spot := self.spot("gathered")) is None:
            return None
        cells = self._cells(self.some(spot.units))
        return {"type": "struck", "batch": spot.batch, "gathered_at": spot.place, "place": self.pick(PLACES), **cells}

    def struck_straight(self) -> Fact:
        crop, cuttings = self._cuttings()
        cells = self._cells(sum(part["cuttings"] for part in cuttings))
        return {"type": "struck", "crop": crop, "stock_plants": cuttings, "place": self.pick(PLACES), **cells}

    def rooted(self) -> Fact | None:
        if (spot := self.spot("struck")) is None:
            return None
        part = self.chance(2)
        usable, failed, weak = self._split(self.some(spot.units) if part else spot.units)
        numbers = {"usable": usable, "weak": weak, "failed": failed, "part": part or None}
        return {"type": "rooted", "batch": spot.batch, "place": spot.place, "to": self.pick(PLACES), **numbers}

    def _split(self, units: int) -> tuple[int, int, int]:
        rest = self.random.randint(0, units)
        second = self.random.randint(0, rest)
        return units - rest, second, rest - second

    # --- places and batches -------------------------------------------------------------------------------------

    def moved(self) -> Fact | None:
        spot = self.picked_spot() if self.chance(4) else self.spot(*UNPICKED)
        if spot is None:
            return None
        to = self.pick([place for place in PLACES if place != spot.place])
        return {"type": "moved", **self._from(spot), "stage": spot.stage, "to": to, "units": self.some(spot.units)}

    def _from(self, spot: Spot) -> Fact:
        return {"batch": spot.batch, "place": spot.place, "order": spot.order}

    def merged(self) -> Fact | None:
        if (first := self.spot(*UNPICKED)) is None:
            return None
        crop = self.crop_of(first.batch)
        alike = [spot for spot in self.spots(first.stage) if spot.unit == first.unit and self.crop_of(spot.batch) == crop]
        sources = [spot for spot in alike if spot == first or self.chance(2)]
        others = [spot.batch for spot in alike if spot.batch not in {source.batch for source in sources}]
        return {
            "type": "merged",
            "stage": first.stage,
            "sources": [{"batch": spot.batch, "place": spot.place, "units": self.some(spot.units)} for spot in sources],
            "place": self.pick(PLACES),
            "into": self.pick(others) if others and self.chance(2) else None,
        }

    def renamed(self) -> Fact | None:
        if (spot := self.spot(*UNPICKED)) is None:
            return None
        crop = next(crop for crop in CROPS if crop != self.crop_of(spot.batch))
        told = {"crop": crop, "evidence": "flowers", "units": self.some(spot.units)}
        return {"type": "renamed", **self._from(spot), "stage": spot.stage, **told}

    # --- pots ---------------------------------------------------------------------------------------------------

    def potted(self) -> Fact | None:
        if (spot := self.spot("rooted", "rooted", "struck")) is None:
            return None
        per_pot = self.random.randint(1, 3)
        pots, left = divmod(self.some(spot.units), per_pot)
        if pots == 0:
            return None
        casualties = self.random.randint(0, left)
        plugs = {"plugs": per_pot * pots + left, "per_pot": per_pot, "pots": pots, "casualties": casualties}
        place = {"to": self.pick(PLACES), "size": self.pick(SIZES), "returned": left - casualties}
        return {"type": "potted", **self._from(spot), "stage": spot.stage, **plugs, **place}

    def potted_up(self) -> Fact | None:
        spots = [spot for spot in self.spots("potted", "finished") if spot.unit == f"pot:{SIZES[0]}"]
        if not spots:
            return None
        spot = self.pick(spots)
        pots = self.some(spot.units)
        casualties = self.random.randint(0, min(2, pots - 1))
        told = {"size": SIZES[1], "pots": pots - casualties, "casualties": casualties, "to": self.pick(PLACES)}
        return {"type": "potted-up", **self._from(spot), "stage": spot.stage, **told}

    def graded(self) -> Fact | None:
        if (spot := self.spot("potted")) is None:
            return None
        units = self.some(spot.units)
        finished, culled, rest = self._split(units)
        seconds = self.random.randint(0, rest)
        told = {"finished": finished, "culled": culled, "seconds": seconds, "held_back": rest - seconds}
        return {"type": "graded", **self._from(spot), "to": self.pick(PLACES), **told}

    def set_back(self) -> Fact | None:
        if (spot := self.spot("finished")) is None:
            return None
        told = {"units": self.some(spot.units), "to": self.pick(PLACES), "reason": "leggy", "days_added": 10}
        return {"type": "set-back", **self._from(spot), **told}

    # --- losses, counts, coming in --------------------------------------------------------------------------------

    def lost(self) -> Fact | None:
        spot = self.picked_spot() if self.chance(5) else self.spot(*UNPICKED)
        return self._lost(spot) if spot is not None else None

    def _lost(self, spot: Spot) -> Fact:
        told = {"stage": spot.stage, "units": self.some(min(spot.units, 6)), "cause": self.pick(CAUSES)}
        return {"type": "lost", **self._from(spot), **told}

    def slip(self) -> Fact | None:
        """A loss told after a count of the same place, though it happened before it or just then."""
        counts = [fact for fact in self.log[-40:] if fact["type"] == "counted"]
        if not counts:
            return None
        count = self.pick(counts)
        self.at = max(START, moment(count["occurred_at"]) - timedelta(hours=self.random.randint(0, 3)))
        counted = (count["batch"], count["stage"], count["place"])
        there = [spot for spot in self.spots(*UNPICKED) if (spot.batch, spot.stage, spot.place) == counted]
        return self._lost(there[0]) if there else None

    def counted(self) -> Fact | None:
        if (spot := self.spot(*UNPICKED)) is None:
            return None
        place = self.pick(PLACES) if self.chance(5) else spot.place
        seen = max(0, spot.units + self.random.randint(-4, 3))
        method = self.pick(("count", "count", "blind-count", "sample", "estimate"))
        return {"type": "counted", "batch": spot.batch, "stage": spot.stage, "place": place, "units": seen, "method": method}

    def bought_in(self) -> Fact:
        stage = self.pick(UNPICKED)
        return {
            "type": "bought-in",
            "crop": self.pick(CROPS),
            "stage": stage,
            "size": self.pick(SIZES) if stage in POTS else None,
            "place": self.pick(PLACES),
            "units": self.random.randint(1, 40),
            "supplier_batch": "7",
            "unit_cost": f"{self.random.randint(0, 3)}.{self.random.randint(0, 9999):04}" if self.chance(2) else None,
        }

    # --- orders and leaving -------------------------------------------------------------------------------------

    def picked(self) -> Fact | None:
        if (spot := self.spot("finished")) is None:
            return None
        told = {"order": self.pick(ORDERS), "units": self.some(min(spot.units, 12)), "to": self.pick(PLACES)}
        return {"type": "picked", **self._from(spot), **told}

    def put_back(self) -> Fact | None:
        if (spot := self.picked_spot()) is None:
            return None
        return {"type": "put-back", **self._from(spot), "units": self.some(spot.units), "to": self.pick(PLACES)}

    def shipped(self) -> Fact | None:
        if (spot := self.picked_spot()) is None:
            return None
        line = {"batch": spot.batch, "place": spot.place, "units": self.some(spot.units)}
        return {"type": "shipped", "order": spot.order, "carrier": "A", "region": "1", "lines": [line]}

    def sold_here(self) -> Fact | None:
        if (spot := self.spot("finished", "seconds")) is None:
            return None
        told = {"stage": spot.stage, "units": self.some(min(spot.units, 6)), "price": "8.50"}
        return {"type": "sold-here", **self._from(spot), **told}

    def given_out(self) -> Fact | None:
        return self._went("given-out")

    def planted_as_stock(self) -> Fact | None:
        return self._went("planted-as-stock")

    def _went(self, kind: str) -> Fact | None:
        if (spot := self.spot(*UNPICKED)) is None:
            return None
        told = {"stage": spot.stage, "units": self.some(min(spot.units, 4)), "why": "good ones", "approved_by": PEOPLE[0]}
        return {"type": kind, **self._from(spot), **told}

    # What a stock-set adds is what the book lacked when it was told, so facts about stock plants are told in their order.

    def stock_set(self) -> Fact | None:
        if self.at < self.now:
            return None
        code = self.pick(list(STOCK_PLANTS))
        there = sum(spot.units for spot in self.spots("stock") if spot.batch == code)
        source = self.pick(("bought-in", "planted-as-stock"))
        told = {"units": max(1, there + self.random.randint(-1, 3)), "place": self.pick(PLACES), "source": source}
        return {"type": "stock-set", "stock_plant": code, "crop": STOCK_PLANTS[code], **told}

    def stock_removed(self) -> Fact | None:
        if self.at < self.now or (spot := self.spot("stock")) is None:
            return None
        return {"type": "stock-removed", "stock_plant": spot.batch, "units": self.some(1), "cause": "disease"}

    # --- what moves nothing --------------------------------------------------------------------------------------

    def tended(self) -> Fact | None:
        spot = self.spot(*UNPICKED)
        return spot and {"type": "tended", "batch": spot.batch, "act": "pinched", "days_added": self.random.randint(-3, 9)}

    def held(self) -> Fact | None:
        spot = self.spot("finished")
        told = {"reason": "weather", "review_on": "2024-06-01"}
        return spot and {"type": "held", "batch": spot.batch, "units": self.some(spot.units), **told}

    def stopped(self) -> Fact | None:
        spot = self.spot(*UNPICKED)
        return spot and {"type": "stopped", "batch": spot.batch, "reason": "quality"}

    def ended(self) -> Fact | None:
        """A hold or a stop lifted."""
        begun = [fact for fact in self.log if fact["type"] in ("held", "stopped")]
        if not begun:
            return None
        of = self.pick(begun)
        if of["type"] == "held":
            return {"type": "hold-ended", "hold": of["id"], "batch": of["batch"]}
        return {"type": "cleared", "stop": of["id"], "batch": of["batch"], "because": "looked at again"}

    def damage_claimed(self) -> Fact | None:
        shipped = [fact for fact in self.log if fact["type"] == "shipped"]
        if not shipped:
            return None
        of = self.pick(shipped)
        told = {"order": of["order"], "batch": of["lines"][0]["batch"], "units": 1, "carrier": "A", "cause": "crushed"}
        return {"type": "damage-claimed", **told}

    def treated(self) -> Fact:
        return {"type": "treated", "product": "soap", "places": [self.pick(PLACES)]}

    def crop_set(self) -> Fact:
        crop = self.pick(CROPS)
        offers = {size: {"price": f"{self.random.randint(5, 20)}.50"} for size in SIZES}
        return {"type": "crop-set", "code": crop, "name": crop, "species": crop, "group": "Soft", "sizes": offers}

    # --- what the accountant asks for ----------------------------------------------------------------------------

    def cost_set(self) -> Fact:
        """A standard cost from some day on, of all plants or of some."""
        day = self.at.date() + timedelta(days=self.random.randint(-20, 20))
        of = {"crop": self.pick((None, *CROPS)), "size": self.pick((None, *SIZES))}
        return {**self._cost(self.pick(list(STEPS)), str(day)), **of}

    def _cost(self, step: str, effective_on: str) -> Fact:
        amount = f"{self.random.randint(0, 2 * STEPS[step]) / 100:.2f}{self.random.randint(0, 99):02}"
        return {"type": "cost-set", "step": step, "amount": amount, "effective_on": effective_on}

    def recipe_set(self) -> Fact:
        return self._recipe(self.pick(CROPS))

    def _recipe(self, crop: str) -> Fact:
        growing = {size: self._timing() for size in SIZES if size == SIZES[0] or self.chance(2)}
        cells = {"cuttings_per_cell": self.random.randint(1, 2), "tray_cells": self.pick((None, 50, 72))}
        plugs = {"plugs_per_pot": {SIZES[1]: self.random.randint(1, 3)}}
        told = {"rooting": self._timing(), "growing": growing, "holding_limit_days": [60] * 12}
        return {"type": "recipe-set", "crop": crop, **told, **cells, **plugs}

    def _timing(self) -> Fact:
        return {"days": [30] * 12, "come_through": [self.random.randint(60, 100) for _ in range(12)]}

    def size_set(self) -> Fact:
        return self._size(self.pick(SIZES))

    def _size(self, size: str) -> Fact:
        rank = SIZES.index(size) + 1
        area = {"area_cm2": self.random.randint(0, 2) * 90 * rank, "hooks": self.random.randint(0, rank)}
        return {"type": "size-set", "code": size, "name": size, "rank": rank, **area}

    def place_set(self) -> Fact:
        return self._place(self.pick(PLACES))

    def _place(self, place: str) -> Fact:
        area = {"area_cm2": self.random.randint(1, 9) * 10_000, "tray_places": self.random.randint(0, 40)}
        kind = self.pick(("bench", "bench", "line"))
        return {"type": "place-set", "code": place, "name": place, "house": "G", "kind": kind, **area}

    def books_set(self) -> Fact:
        """Other decisions of the accountant about what is normal."""
        percents = {stage: self.random.randint(0, 30) for stage in UNPICKED if self.chance(2)}
        return {
            "type": "books-set",
            "normal_percent": percents,
            "normal_basis": self.pick(("of-input", "of-inspected", "of-good-output")),
            "always_abnormal": [cause for cause in CAUSES if self.chance(4)],
            "expense_abnormal": not self.chance(5),
            "storage_in_cost": self.chance(3),
        }

    # --- about entries -------------------------------------------------------------------------------------------

    def told_twice(self) -> Fact | None:
        """A recent job, written down by somebody else as well."""
        jobs = [fact for fact in self.log[-20:] if fact["type"] in ("lost", "moved", "rooted", "picked", "potted", "graded")]
        if not jobs:
            return None
        job = self.pick(jobs)
        left_out = ("id", "position", "recorded_at", "booked_on", "client", "schema", "moves", "questions", "into")
        other = next(person for person in PEOPLE if person != job["by"])
        return {name: value for name, value in job.items() if name not in left_out} | {"by": other}

    def reversed(self) -> Fact | None:
        """Mostly a recent entry, often a count; now and then one that was taken back before."""
        undone = {fact["entry"] for fact in self.log if fact["type"] == "reversed"}
        candidates = [
            fact
            for fact in self.log
            if not fact["type"].endswith("-set")
            and fact["type"] not in NOT_REVERSED
            and (fact["id"] not in undone or self.chance(12))
        ]
        counts = [fact for fact in candidates if fact["type"] == "counted"]
        if counts and self.chance(3):
            candidates = counts
        if not candidates:
            return None
        recent = candidates if self.chance(4) else candidates[-12:]
        return {"type": "reversed", "entry": self.pick(recent)["id"], "reason": "a slip of the pen"}

    def answered(self) -> Fact | None:
        asked = [fact for fact in self.log if fact.get("questions")]
        return {"type": "answered", "entry": self.pick(asked)["id"], "answer": "both happened"} if asked else None
