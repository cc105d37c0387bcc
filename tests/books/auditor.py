"""The books' referee: a page of plain Python over the exported log, in exact fractions.

Owns its own reading of what every entry does to units and money. It must import nothing from `ledger` or `api`. It follows
the recorded movements in the order of the log (that they are the right ones is the business of `tests/auditor.py`), and keeps
for each pool (crop, size, stage) its units and its value in minor units of the currency, never rounded.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from fractions import Fraction
from typing import Any, NamedTuple

from tests.auditor import Fact, flat

ONE_DAY = timedelta(days=1)
#: ISO 4217: currencies whose minor unit is not a hundredth
NO_PLACES = ("BIF", "CLP", "DJF", "GNF", "ISK", "JPY", "KMF", "KRW", "PYG", "RWF", "UGX", "VND", "VUV", "XAF", "XOF", "XPF")
THREE_PLACES = ("BHD", "IQD", "JOD", "KWD", "LYD", "OMR", "TND")
OUT_TO = {"shipped": "shipped", "given-out": "given-out", "planted-as-stock": "planted-as-stock", "converted": "used"}
IN_FROM = {"opening": "opened", "bought-in": "bought-in", "stock-plant": "gathered", "converted": "made"}
#: stages in the order of life; the last two ranks are ready for sale, and what they stand on is storage
RANK = {"gathered": 0, "struck": 1, "rooted": 2, "potted": 3, "finished": 4, "seconds": 4, "picked": 5}
READY = 4
#: of an entry, what its reversal leaves alone
NOT_TURNED = ("space", "storage", "adjusted", "counted")
WORK = {"gathered": "cutting", "struck": "striking", "potted": "potting", "potted-up": "potting", "graded": "labelling"}
LOOKED_AT = {
    "rooted": ["struck", "usable", "weak", "failed"],
    "graded": ["potted", "finished", "held_back", "seconds", "culled"],
}
Key = tuple[str, str]  # a batch in a stage
#: the accountant's decisions, until told
DECIDED: Fact = {
    "normal_basis": "of-input",
    "normal_percent": {"gathered": 5, "rooted": 5, "finished": 3},
    "always_abnormal": ["surplus", "regulated", "wrong-name"],
    "expense_abnormal": True,
    "storage_in_cost": False,
}


class Pool(NamedTuple):
    """Plants of one kind, among which value is shared equally."""

    crop: str
    size: str | None
    stage: str


class Line(NamedTuple):
    """One effect on a pool. Money in minor units; positive is into the pool. `normal`: units of a loss."""

    position: int
    pool: Pool
    place: str
    batch: str
    day: date
    type: str
    person: str
    flow: str
    cause: str
    units: int
    value: Fraction
    cost: Fraction
    normal: int = 0

    def opposite(self, row: Fact, day: date) -> Line:
        """The same taken back by a reversal."""
        whose = self._replace(position=row["position"], day=day, type=row["type"], person=row["by"])
        return whose._replace(units=-self.units, value=-self.value, cost=-self.cost, normal=-self.normal)


class Move(NamedTuple):
    """A recorded movement, read."""

    source: str
    target: str
    units: int
    day: date
    against: str | None  # the id of a count


class Spot(NamedTuple):
    """Where plants of the inventory stand; stock plants are none of it."""

    batch: str
    stage: str
    place: str

    @property
    def key(self) -> Key:
        return self.batch, self.stage


def standing(account: str) -> Spot | None:
    """The spot that an account is, None for outside ones and for stock plants."""
    parts = account.split("/")
    return Spot(*parts) if len(parts) == 3 and parts[1] != "stock" else None


def minor(amount: str, currency: str) -> Fraction:
    """An amount in words, in minor units."""
    places = 0 if currency in NO_PLACES else 3 if currency in THREE_PLACES else 2
    return Fraction(amount) * Fraction(10**places)


def pence(amount: Fraction) -> int:
    """Whole minor units, half to even."""
    return round(amount)


@dataclass(kw_only=True)
class Told:
    """Reference values, as far as they were told by the entry being read."""

    currency: str = "GBP"
    decided: Fact = field(default_factory=lambda: dict(DECIDED))
    recipes: dict[str, Fact] = field(default_factory=dict)
    #: with the day from which each holds
    sizes: defaultdict[str, list[tuple[date, Fact]]] = field(default_factory=lambda: defaultdict(list))
    places: defaultdict[str, list[tuple[date, Fact]]] = field(default_factory=lambda: defaultdict(list))
    costs: list[tuple[date, Fact]] = field(default_factory=list)
    #: of each batch: crop, size, and the cells of the trays that it was first struck into
    kind: dict[str, tuple[str, str | None]] = field(default_factory=dict)
    tray: dict[str, int | None] = field(default_factory=dict)

    def learn(self, fact: Fact, day: date) -> None:
        """Remember what an entry sets, and what a new batch is."""
        match fact["type"]:
            case "policy-set":
                self.currency = fact.get("currency", "GBP")
            case "books-set":
                percents = {**DECIDED["normal_percent"], **fact.get("normal_percent", {})}
                self.decided = {**DECIDED, **fact, "normal_percent": percents}
            case "size-set":
                self.sizes[fact["code"]].append((day, fact))
            case "place-set":
                self.places[fact["code"]].append((day, fact))
            case "recipe-set":
                self.recipes[fact["crop"]] = fact
            case "cost-set":
                self.costs.append((max(day, date.fromisoformat(fact["effective_on"])), fact))
            case "opened" | "bought-in" | "gathered" | "struck" if "crop" in fact:
                self.kind.setdefault(fact["batch"], (fact["crop"], fact.get("size")))
            case "merged" | "potted" | "potted-up" | "renamed" if fact["into"] not in self.kind:
                parent = fact["sources"][0]["batch"] if fact["type"] == "merged" else fact["batch"]
                crop, size = self.kind[parent]
                self.kind[fact["into"]] = (fact.get("crop", crop), fact.get("size", size))
                if parent in self.tray:
                    self.tray[fact["into"]] = self.tray[parent]
            case _:
                pass
        if fact["type"] == "struck":
            self.tray.setdefault(fact["batch"], fact.get("tray_cells"))

    def cost(self, step: str, crop: str, size: str | None, day: date) -> Fraction:
        """The standard cost of a step on a day: the most specific, of these the newest, of these the last told."""
        best: tuple[int, date, int] | None = None
        found = Fraction(0)
        for index, (since, fact) in enumerate(self.costs):
            of = (fact.get("crop"), fact.get("size"))
            if fact["step"] != step or of[0] not in (None, crop) or of[1] not in (None, size) or day < since:
                continue
            rank = (2 * (of[0] is not None) + (of[1] is not None), since, index)
            if best is None or rank > best:
                best, found = rank, minor(fact["amount"], self.currency)
        return found

    def up_to(self, pool: Pool, day: date) -> Fraction:
        """What one unit would have cost here, made by us: each step up to its stage, once."""
        crop, size, stage = pool
        recipe = self.recipes.get(crop, {})
        total = self.cost("cutting", crop, None, day)
        if RANK[stage] >= RANK["struck"]:
            total = total * int(recipe.get("cuttings_per_cell", 1)) + self.cost("striking", crop, None, day)
        if RANK[stage] >= RANK["potted"]:
            total = total * int(recipe.get("plugs_per_pot", {}).get(size, 1)) + self.cost("potting", crop, size, day)
        return total + (self.cost("labelling", crop, size, day) if RANK[stage] >= READY else 0)

    def percent(self, pool: Pool, month: int) -> int:
        """What is expected to be lost of plants that enter a stage in a month."""
        recipe = self.recipes.get(pool.crop)
        timing = None
        if recipe is not None and pool.stage == "struck":
            timing = recipe["rooting"]
        elif recipe is not None and pool.stage == "potted":
            timing = recipe["growing"].get(pool.size)
        if timing is not None:
            return 100 - int(timing["come_through"][month - 1])
        return int(self.decided["normal_percent"].get(pool.stage, 0))

    def night(self, pool: Pool, place: str, batch: str, day: date) -> Fraction:
        """What one night at a place costs one unit."""
        there = in_force(self.places[place], day)
        if pool.stage == "gathered":
            return Fraction(0)
        if pool.size is None:
            cells = self.tray.get(batch) or self.recipes.get(pool.crop, {}).get("tray_cells") or 0
            whole = there.get("tray_places", 0) * cells
            area = Fraction(there.get("area_cm2", 0), whole) if whole else Fraction(0)
        else:
            size = in_force(self.sizes[pool.size], day)
            if there["kind"] == "line" and size.get("hooks"):
                return int(size["hooks"]) * self.cost("hook", pool.crop, pool.size, day) / 7
            area = Fraction(size.get("area_cm2", 0))
        return area / 10_000 * self.cost("space", pool.crop, pool.size, day) / 7


def in_force(told: list[tuple[date, Fact]], day: date) -> Fact:
    """What held on a day: the newest, of these the last told; before the first of all, the first."""
    held = [(since, index) for index, (since, _) in enumerate(told) if since <= day]
    first = min(range(len(told)), key=lambda index: (told[index][0], -index))
    return told[max(held)[1] if held else first][1]


@dataclass(kw_only=True)
class Books:
    """The books at the end of a log."""

    told: Told = field(default_factory=Told)
    lines: list[Line] = field(default_factory=list)
    units: Counter[Pool] = field(default_factory=Counter)
    value: defaultdict[Pool, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    #: what a unit was worth when the last ones left
    last: defaultdict[Pool, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    #: units by (batch, place) in each pool; the first night of each pool that nobody has paid for
    stands: defaultdict[Pool, Counter[tuple[str, str]]] = field(default_factory=lambda: defaultdict(Counter))
    clock: dict[Pool, date] = field(default_factory=dict)
    #: what the movements say, for a check of the lines
    moved: Counter[tuple[Pool, date]] = field(default_factory=Counter)
    #: of (batch, stage): units in, looked at, gone on, and lost as normal; and the percent that may be lost
    tally: defaultdict[str, Counter[Key]] = field(default_factory=lambda: defaultdict(Counter))
    percent: dict[Key, int] = field(default_factory=dict)
    #: what a reversal of an entry turns round, by its position
    of_entry: defaultdict[int, list[Line]] = field(default_factory=lambda: defaultdict(list))
    tallied: defaultdict[int, list[tuple[str, Key, int]]] = field(default_factory=lambda: defaultdict(list))
    entries: dict[str, Fact] = field(default_factory=dict)

    # --- reading the log ----------------------------------------------------------------------------------------

    def read(self, row: Fact) -> None:
        """One row of the log."""
        day = date.fromisoformat(row["booked_on"])
        self.told.learn(row, day)
        self.entries[row["id"]] = row
        moves = [
            Move(
                move["from"],
                move["to"],
                move["units"],
                date.fromisoformat(move.get("booked_on", row["booked_on"])),
                move.get("count"),
            )
            for move in row.get("moves", [])
        ]
        began = len(self.lines)
        self.differences(row, [move for move in moves if move.source == "count-difference"])
        own = [move for move in moves if "count-difference" not in (move.source, move.target)]
        if row["type"] == "reversed":
            self.take_back(row, self.entries[row["entry"]]["position"], own)
        else:
            self.look(row, own)
            self.losses(row, [move for move in own if move.target.startswith("loss/")])
            self.passes(row, [move for move in own if not move.target.startswith("loss/")])
        self.differences(row, [move for move in moves if move.target == "count-difference"])
        for pool, on in {line.pool: line.day for line in self.lines[began:] if line.units}.items():
            if self.value[pool] < 0 or (self.value[pool] and self.units[pool] == 0):
                self.write(row, Spot("", pool.stage, ""), pool, on, "adjusted", value=-self.value[pool])
        self.forget(moves)

    def pool(self, spot: Spot) -> Pool:
        return Pool(*self.told.kind[spot.batch], spot.stage)

    def average(self, pool: Pool) -> Fraction:
        """The moving average; of an empty pool, the last it had."""
        return self.value[pool] / self.units[pool] if self.units[pool] else self.last[pool]

    def write(self, row: Fact, spot: Spot, pool: Pool, day: date, flow: str, **of: Any) -> None:
        """A line that its entry is answerable for."""
        values = {"cause": "", "units": 0, "value": Fraction(0), **of}
        values.setdefault("cost", values["value"])
        self.keep(Line(row["position"], pool, spot.place, spot.batch, day, row["type"], row["by"], flow, **values))

    def keep(self, line: Line) -> None:
        if line.units < 0:
            self.last[line.pool] = self.average(line.pool)
        self.lines.append(line)
        self.of_entry[line.position].append(line)
        self.units[line.pool] += line.units
        self.value[line.pool] += line.value

    # --- what an entry does -------------------------------------------------------------------------------------

    def differences(self, row: Fact, moves: Iterable[Move]) -> None:
        """What a count found or missed, and the lines of late slips against it: always at the average of the moment."""
        for move in moves:
            spot = standing(move.source) or standing(move.target)
            if spot is not None:
                units = move.units if standing(move.target) else -move.units
                self.touch(row, spot, move.day)
                each = self.average(self.pool(spot))
                self.write(row, spot, self.pool(spot), move.day, "counted", units=units, value=units * each)
                self.stand(row, spot, units, move.day)

    def losses(self, row: Fact, moves: Iterable[Move]) -> None:
        """Losses come first: the abnormal part takes its value along, the normal part leaves it to the others."""
        for move in moves:
            spot = standing(move.source)
            if spot is None:
                continue
            pool, cause = self.pool(spot), move.target.removeprefix("loss/")
            self.touch(row, spot, move.day)
            each = self.average(pool)
            normal = self.normal(row, spot, cause, move.units)
            if self.units[pool] == move.units:
                normal = 0
            self.count(row, "normal", spot.key, normal)
            amounts = {"value": -(move.units - normal) * each, "cost": -move.units * each, "normal": normal}
            self.write(row, spot, pool, move.day, "lost", cause=cause, units=-move.units, **amounts)
            self.stand(row, spot, -move.units, move.day)

    def normal(self, row: Fact, spot: Spot, cause: str, units: int) -> int:
        """How many of the units lost are within what is expected of their batch in that stage."""
        decided = self.told.decided
        self.meet(row, spot.key)
        if not decided["expense_abnormal"]:
            return units
        if cause in decided["always_abnormal"]:
            return 0
        base = self.tally[decided["normal_basis"]][spot.key]
        allowance = base * self.percent[spot.key] // 100
        return max(0, min(units, allowance - self.tally["normal"][spot.key]))

    def look(self, row: Fact, moves: Iterable[Move]) -> None:
        """Whatever a normal rate may be of: units that entered, that were looked at, that went on."""
        if row["type"] in LOOKED_AT:
            stage, *names = LOOKED_AT[row["type"]]
            self.count(row, "of-inspected", (row["batch"], stage), sum(row.get(name, 0) for name in names))
        for move in moves:
            source, target = standing(move.source), standing(move.target)
            if source is not None and target is not None:
                if source.batch != target.batch:
                    self.count(row, "of-input", source.key, -move.units)
                    self.count(row, "of-input", target.key, move.units)
                elif RANK[source.stage] < RANK[target.stage]:
                    self.count(row, "of-good-output", source.key, move.units)
                    self.count(row, "of-input", target.key, move.units)
                elif source.stage != target.stage:
                    self.count(row, "of-input", source.key, -move.units)
                    self.count(row, "of-good-output", target.key, -move.units)
            elif target is not None:
                self.count(row, "of-input", target.key, move.units)
            elif source is not None and move.target in OUT_TO:
                self.count(row, "of-good-output", source.key, move.units)

    def count(self, row: Fact, what: str, key: Key, units: int) -> None:
        self.meet(row, key)
        self.tally[what][key] += units
        self.tallied[row["position"]].append((what, key, units))

    def meet(self, row: Fact, key: Key) -> None:
        """What may be lost is settled when a batch enters a stage."""
        if key not in self.percent:
            pool = self.pool(Spot(*key, ""))
            self.percent[key] = self.told.percent(pool, date.fromisoformat(row["booked_on"]).month)

    def forget(self, moves: list[Move]) -> None:
        """A batch of which nothing stands any more begins anew, should anything come back."""
        spots = [spot for move in moves for spot in (standing(move.source), standing(move.target)) if spot is not None]
        for batch in {spot.batch for spot in spots}:
            pools = [Pool(*self.told.kind[batch], stage) for stage in RANK]
            if not any(units for pool in pools for (of, _), units in self.stands[pool].items() if of == batch):
                for stage in RANK:
                    self.percent.pop((batch, stage), None)
                    for tally in self.tally.values():
                        tally.pop((batch, stage), None)

    def passes(self, row: Fact, moves: list[Move]) -> None:
        """What leaves a pool takes the average along; what comes in brings it, and the work done on it."""
        carried = Fraction(0)
        for move in moves:
            source, target = standing(move.source), standing(move.target)
            one, other = (self.pool(spot) if spot else None for spot in (source, target))
            for spot in (source, target):
                if spot is not None:
                    self.touch(row, spot, move.day)
            if source is not None and one is not None:
                if one != other:
                    carried = move.units * self.average(one)
                    flow = OUT_TO.get(move.target, "passed-on")
                    self.write(row, source, one, move.day, flow, units=-move.units, value=-carried)
                self.stand(row, source, -move.units, move.day)
            if target is not None and other is not None:
                if one != other:
                    flow = IN_FROM.get(move.source, "passed-in")
                    value = self.brought(row, flow, other, move, carried)
                    self.write(row, target, other, move.day, flow, units=move.units, value=value)
                    self.work(row, target, move)
                self.stand(row, target, move.units, move.day)

    def brought(self, row: Fact, flow: str, pool: Pool, move: Move, carried: Fraction) -> Fraction:
        """The value that units come in with."""
        if flow == "opened":
            return move.units * self.told.up_to(pool, move.day)
        if flow == "bought-in":
            if "unit_cost" in row:
                return move.units * minor(row["unit_cost"], self.told.currency)
            return move.units * self.told.cost("bought-in", pool.crop, pool.size, move.day)
        return carried if flow in ("passed-in", "made") else Fraction(0)

    def work(self, row: Fact, target: Spot, move: Move) -> None:
        """The standard costs of what was done, beside the units."""
        pool = self.pool(target)
        done = {WORK[row["type"]]: move.units} if row["type"] in WORK else {}
        if row["type"] == "struck" and row.get("stock_plants"):
            done = {"cutting": row["cuttings"], **done}
        for step, units in done.items():
            if value := units * self.told.cost(step, pool.crop, pool.size, move.day):
                self.write(row, target, pool, move.day, "work", cause=step, value=value)

    def take_back(self, row: Fact, position: int, moves: Iterable[Move]) -> None:
        """A reversal writes the opposite of what it takes back, to the penny, whatever the average is by now."""
        for what, key, units in self.tallied.pop(position, []):
            self.count(row, what, key, -units)
        spots = [(spot, move.day, sign * move.units) for move in moves for spot, sign in sides(move)]
        for spot, day, _ in spots:
            self.touch(row, spot, day)
        for line in self.of_entry[position]:
            if line.flow not in NOT_TURNED:
                self.keep(line.opposite(row, next(day for _, day, _ in spots)))
        for spot, day, units in spots:
            self.stand(row, spot, units, day)

    # --- space --------------------------------------------------------------------------------------------------

    def touch(self, row: Fact, spot: Spot, day: date) -> None:
        """Before anything happens to a pool, whatever stands there pays for the nights that have passed."""
        pool = self.pool(spot)
        for line in self.nights(pool, self.stands[pool], self.clock.get(pool, day), day):
            self.keep(line._replace(position=row["position"], type=row["type"], person=row["by"]))
        self.clock[pool] = max(day, self.clock.get(pool, day))

    def stand(self, row: Fact, spot: Spot, units: int, day: date) -> None:
        """Units come or go. Where that is told late, the nights since are paid for or given back."""
        pool = self.pool(spot)
        for line in self.nights(pool, Counter({(spot.batch, spot.place): units}), day, self.clock[pool]):
            self.keep(line._replace(position=row["position"], type=row["type"], person=row["by"]))
        self.stands[pool][spot.batch, spot.place] += units
        if spot.stage in ("struck", "rooted"):  # trays told later are not those that these stand in
            self.told.tray.setdefault(spot.batch, None)
        self.moved[pool, day] += units

    def nights(self, pool: Pool, stands: Counter[tuple[str, str]], since: date, until: date) -> Iterator[Line]:
        """What standing there from `since` to the morning of `until` costs, a line for each night and place."""
        expensed = RANK[pool.stage] >= READY and not self.told.decided["storage_in_cost"]
        for night in range((until - since).days):
            day = since + night * ONE_DAY
            for (batch, place), units in stands.items():
                if cost := units * self.told.night(pool, place, batch, day):
                    charged = Line(0, pool, place, batch, day, "", "", "space", "", 0, cost, cost)
                    yield charged._replace(flow="storage", value=Fraction(0), cost=-cost) if expensed else charged

    # --- what is asked of it ------------------------------------------------------------------------------------

    def until(self, day: date) -> list[Line]:
        """Every line of the days up to a day, the night after it included."""
        kept = [line for line in self.lines if line.day <= day]
        for pool, since in self.clock.items():
            kept += self.nights(pool, self.stands[pool], since, day + ONE_DAY)
        return kept

    def closing(self, day: date, chosen: Callable[[Pool], bool] = lambda _: True) -> dict[Pool, tuple[int, Fraction]]:
        """Units and value of every pool at the end of a day."""
        units: Counter[Pool] = Counter()
        value: defaultdict[Pool, Fraction] = defaultdict(Fraction)
        for line in self.until(day):
            if chosen(line.pool):
                units[line.pool] += line.units
                value[line.pool] += line.value
        return {pool: (units[pool], value[pool]) for pool in value if units[pool] or value[pool]}

    def flows(self, since: date, until: date, by: Callable[[Line], Any]) -> dict[Any, Sum]:
        """Units and money of the days from `since` to `until`, both included, by whatever is asked for."""
        sums: defaultdict[Any, Sum] = defaultdict(lambda: Sum(0, Fraction(0), Fraction(0), 0))
        for line in self.until(until):
            if line.day >= since:
                sums[by(line)] = sums[by(line)].add(line)
        return dict(sums)

    def lost(self, since: date, until: date) -> dict[tuple[str, str | None, str, str], Sum]:
        """Losses by crop, size, stage and cause."""
        sums = self.flows(since, until, lambda line: (*line.pool, line.cause) if line.flow == "lost" else None)
        return {key: total for key, total in sums.items() if key is not None}

    def findings(self) -> list[str]:
        """Where the lines do not add up to the movements that were recorded."""
        told: Counter[tuple[Pool, date]] = Counter()
        for line in self.lines:
            told[line.pool, line.day] += line.units
        apart = [key for key in told.keys() | self.moved.keys() if told[key] != self.moved[key]]
        found = [f"{key[0]} on {key[1]}: lines {told[key]:+d}, moved {self.moved[key]:+d}" for key in sorted(apart, key=str)]
        for pool, units in self.units.items():
            if units < 0 or self.value[pool] < 0 or (units == 0 and self.value[pool]):
                found.append(f"{pool}: {units} units are worth {self.value[pool]}")
        return found


def sides(move: Move) -> Iterator[tuple[Spot, int]]:
    """The inventory's sides of a movement, with the sign of what happens there."""
    for account, sign in ((move.source, -1), (move.target, 1)):
        if (spot := standing(account)) is not None:
            yield spot, sign


class Sum(NamedTuple):
    """Sums of lines; `abnormal` is what is left of the units of losses."""

    units: int
    value: Fraction
    cost: Fraction
    normal: int

    def add(self, line: Line) -> Sum:
        return Sum(self.units + line.units, self.value + line.value, self.cost + line.cost, self.normal + line.normal)

    @property
    def abnormal(self) -> int:
        return -self.units - self.normal


def books(log: Iterable[Fact]) -> Books:
    """The books that follow from an exported log."""
    kept = Books()
    for row in log:
        kept.read(flat(row))
    return kept
