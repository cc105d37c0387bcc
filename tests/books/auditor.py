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
STORED = ("finished", "seconds", "picked")
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


def standing(account: str) -> tuple[str, str, str] | None:
    """(batch, stage, place); stock plants are not inventory, and stand nowhere here."""
    parts = account.split("/")
    return (parts[0], parts[1], parts[2]) if len(parts) == 3 and parts[1] != "stock" else None


def minor(amount: str, currency: str) -> Fraction:
    """An amount in words, in minor units."""
    places = 0 if currency in NO_PLACES else 3 if currency in THREE_PLACES else 2
    return Fraction(amount) * Fraction(10**places)


def pence(amount: Fraction) -> int:
    """Whole minor units, half to even."""
    return round(amount)


@dataclass(kw_only=True)
class Told:
    """Reference values, as last told by the entry being read."""

    currency: str = "GBP"
    decided: Fact = field(default_factory=lambda: dict(DECIDED))
    sizes: dict[str, Fact] = field(default_factory=dict)
    places: dict[str, Fact] = field(default_factory=dict)
    recipes: dict[str, Fact] = field(default_factory=dict)
    costs: list[tuple[date, Fact]] = field(default_factory=list)
    kind: dict[str, tuple[str, str | None]] = field(default_factory=dict)

    def learn(self, fact: Fact, day: date) -> None:
        """Remember what an entry sets, and which crop and size a new batch is."""
        match fact["type"]:
            case "policy-set":
                self.currency = fact.get("currency", "GBP")
            case "books-set":
                self.decided = {**DECIDED, **fact}
            case "size-set":
                self.sizes[fact["code"]] = fact
            case "place-set":
                self.places[fact["code"]] = fact
            case "recipe-set":
                self.recipes[fact["crop"]] = fact
            case "cost-set":
                self.costs.append((day, fact))
            case "opened" | "bought-in" | "gathered" | "struck" if "crop" in fact:
                self.kind.setdefault(fact["batch"], (fact["crop"], fact.get("size")))
            case "merged" | "potted" | "potted-up" | "renamed":
                crop, size = self.kind[fact["sources"][0]["batch"] if fact["type"] == "merged" else fact["batch"]]
                self.kind.setdefault(fact["into"], (fact.get("crop", crop), fact.get("size", size)))
            case _:
                pass

    def cost(self, step: str, crop: str, size: str | None, day: date) -> Fraction:
        """The standard cost of a step on a day: the most specific, of these the newest, of these the last told."""
        best: tuple[int, date, int] | None = None
        found = Fraction(0)
        for index, (booked, fact) in enumerate(self.costs):
            of = (fact.get("crop"), fact.get("size"))
            effective = date.fromisoformat(fact["effective_on"])
            if fact["step"] != step or of[0] not in (None, crop) or of[1] not in (None, size) or day < max(effective, booked):
                continue
            rank = (2 * (of[0] is not None) + (of[1] is not None), effective, index)
            if best is None or rank > best:
                best, found = rank, minor(fact["amount"], self.currency)
        return found

    def up_to(self, pool: Pool, day: date) -> Fraction:
        """What one unit would have cost here, made by us: each step up to its stage, once."""
        crop, size, stage = pool
        cutting = self.cost("cutting", crop, size, day)
        if stage == "gathered":
            return cutting
        total = cutting * int(self.recipes.get(crop, {}).get("cuttings_per_cell", 1)) + self.cost("striking", crop, size, day)
        if stage not in ("struck", "rooted"):
            total += self.cost("potting", crop, size, day)
        return total + (self.cost("labelling", crop, size, day) if stage in STORED else 0)

    def percent(self, pool: Pool, month: int) -> int:
        """What is expected to be lost of plants that entered a stage in a month."""
        recipe = self.recipes.get(pool.crop)
        timing = None
        if recipe is not None and pool.stage == "struck":
            timing = recipe["rooting"]
        elif recipe is not None and pool.stage == "potted":
            timing = recipe["growing"].get(pool.size)
        if timing is not None:
            return 100 - int(timing["come_through"][month - 1])
        return int(self.decided["normal_percent"].get(pool.stage, 0))

    def space(self, pool: Pool, place: str, day: date) -> Fraction:
        """What standing one day at a place costs one unit."""
        there, size = self.places.get(place, {}), self.sizes.get(pool.size or "", {})
        if there.get("kind") == "line" and size.get("hooks"):
            return int(size["hooks"]) * self.cost("hook", pool.crop, pool.size, day) / 7
        return self.area(pool, there, size) / 10_000 * self.cost("space", pool.crop, pool.size, day) / 7

    def area(self, pool: Pool, there: Fact, size: Fact) -> Fraction:
        """Square centimetres that one unit stands on."""
        if pool.size is not None:
            return Fraction(size.get("area_cm2", 0))
        cells = self.recipes.get(pool.crop, {}).get("tray_cells") or 0
        trays = there.get("tray_places", 0)
        return (
            Fraction(there.get("area_cm2", 0), trays * cells) if cells and trays and pool.stage != "gathered" else Fraction(0)
        )


@dataclass(kw_only=True)
class Books:
    """The books at the end of a log."""

    told: Told = field(default_factory=Told)
    lines: list[Line] = field(default_factory=list)
    units: Counter[Pool] = field(default_factory=Counter)
    value: defaultdict[Pool, Fraction] = field(default_factory=lambda: defaultdict(Fraction))
    #: what stands where by now, for the space it takes; and by the days of the movements, for its own check
    stands: Counter[tuple[Pool, str]] = field(default_factory=Counter)
    moved: Counter[tuple[Pool, date]] = field(default_factory=Counter)
    #: the first day for which no space has been charged yet
    clock: date | None = None
    #: of (batch, stage): units in, looked at, gone on, lost as normal; and the month in which it was first entered
    tally: defaultdict[str, Counter[tuple[str, str]]] = field(default_factory=lambda: defaultdict(Counter))
    month: dict[tuple[str, str], int] = field(default_factory=dict)
    #: by position or by id of a count: lines to be turned round when it is taken back; by position: changes of the tally
    of_entry: defaultdict[Any, list[Line]] = field(default_factory=lambda: defaultdict(list))
    of_count: defaultdict[Any, list[Line]] = field(default_factory=lambda: defaultdict(list))
    tallied: defaultdict[int, list[tuple[str, tuple[str, str], int]]] = field(default_factory=lambda: defaultdict(list))
    entries: dict[str, Fact] = field(default_factory=dict)

    # --- reading the log ----------------------------------------------------------------------------------------

    def read(self, row: Fact) -> None:
        """One row of the log."""
        day = date.fromisoformat(row["booked_on"])
        self.charge_until(day)
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
        taken_back = self.entries[row["entry"]] if row["type"] == "reversed" else None
        count = taken_back["id"] if taken_back is not None and taken_back["type"] == "counted" else None
        own = [move for move in moves if move.against == count]
        against = [move for move in moves if move.against != count]
        self.differences(row, [move for move in against if move.source == "count-difference"])
        if taken_back is None:
            self.look(row)
            self.losses(row, own)
            self.passes(row, own)
        else:
            undone = self.of_count.pop(count, []) if count else self.of_entry.pop(taken_back["position"], [])
            self.take_back(row, undone, taken_back["position"], own[0].day if own else day)
        self.differences(row, [move for move in against if move.target == "count-difference"])
        for pool in [pool for pool, value in self.value.items() if value < 0 or (value and self.units[pool] == 0)]:
            self.write(row, pool, "", "", day, "adjusted", value=-self.value[pool])
        for move in moves:
            self.stand(move)

    def pool(self, batch: str, stage: str) -> Pool:
        return Pool(*self.told.kind[batch], stage)

    def average(self, pool: Pool, day: date) -> Fraction:
        """The moving average; where nothing is left, what a unit is expected to have cost."""
        return self.value[pool] / self.units[pool] if self.units[pool] > 0 else self.told.up_to(pool, day)

    def write(self, row: Fact, pool: Pool, place: str, batch: str, day: date, flow: str, **of: Any) -> Line:
        """A line that its entry is answerable for."""
        line = self.add(row, pool, place, batch, day, flow, **of)
        self.of_entry[row["position"]].append(line)
        return line

    def add(self, row: Fact, pool: Pool, place: str, batch: str, day: date, flow: str, **of: Any) -> Line:
        values = {"cause": "", "units": 0, "value": Fraction(0), **of}
        values.setdefault("cost", values["value"])
        line = Line(row["position"], pool, place, batch, day, row["type"], row["by"], flow, **values)
        self.keep(line)
        return line

    def keep(self, line: Line) -> None:
        self.lines.append(line)
        self.units[line.pool] += line.units
        self.value[line.pool] += line.value

    def count_in(self, row: Fact, what: str, key: tuple[str, str], units: int) -> None:
        self.tally[what][key] += units
        self.tallied[row["position"]].append((what, key, units))

    # --- what an entry does -------------------------------------------------------------------------------------

    def differences(self, row: Fact, moves: Iterable[Move]) -> None:
        """What a count found or missed, and the lines of late slips against it."""
        for move in moves:
            inward = move.source == "count-difference"
            batch, stage, place = self.there(move.target if inward else move.source)
            pool = self.pool(batch, stage)
            units = move.units if inward else -move.units
            flow = "found" if inward else "short"
            each = self.average(pool, move.day)
            line = self.add(row, pool, place, batch, move.day, flow, units=units, value=units * each)
            self.of_count[str(move.against)].append(line)

    def there(self, account: str) -> tuple[str, str, str]:
        found = standing(account)
        assert found is not None, account
        return found

    def look(self, row: Fact) -> None:
        """Rooting counts and gradings look at plants, whether any of them is lost or not."""
        if row["type"] in ("rooted", "graded"):
            looked_at = ("usable", "weak", "failed", "finished", "held_back", "seconds", "culled")
            stage = "struck" if row["type"] == "rooted" else "potted"
            self.count_in(row, "inspected", (row["batch"], stage), sum(row.get(name, 0) for name in looked_at))

    def losses(self, row: Fact, moves: Iterable[Move]) -> None:
        """Losses come first: the abnormal part takes its value along, the normal part leaves it to the others."""
        for move in moves:
            here = standing(move.source)
            if here is None or not move.target.startswith("loss/"):
                continue
            batch, stage, place = here
            pool, cause = self.pool(batch, stage), move.target.removeprefix("loss/")
            each = self.average(pool, move.day)
            normal = self.normal(pool, batch, cause, move.units, moves)
            if normal and self.units[pool] == move.units:
                normal = 0
            self.count_in(row, "normal", (batch, stage), normal)
            amounts = {"value": -(move.units - normal) * each, "cost": -move.units * each, "normal": normal}
            self.write(row, pool, place, batch, move.day, "lost", cause=cause, units=-move.units, **amounts)

    def normal(self, pool: Pool, batch: str, cause: str, units: int, moves: Iterable[Move]) -> int:
        """How many of the units lost are within what is expected of their batch at that stage."""
        decided, key = self.told.decided, (batch, pool.stage)
        if not decided["expense_abnormal"]:
            return units
        if cause in decided["always_abnormal"]:
            return 0
        gone_on = sum(move.units for move in moves if self.goes_on(move) == key)
        base = {
            "of-input": self.tally["in"][key],
            "of-inspected": self.tally["inspected"][key],
            "of-good-output": self.tally["on"][key] + gone_on,
        }[decided["normal_basis"]]
        allowance = base * self.told.percent(pool, self.month.get(key, 1)) // 100
        return max(0, min(units, allowance - self.tally["normal"][key]))

    def goes_on(self, move: Move) -> tuple[str, str] | None:
        """(batch, stage) that units leave for another stage or for good, not as a loss."""
        source, target = standing(move.source), standing(move.target)
        if source is None or (target is not None and target[1] == source[1]):
            return None
        return source[:2] if target is not None or move.target in OUT_TO else None

    def passes(self, row: Fact, moves: list[Move]) -> None:
        """What leaves a pool takes the average along; what comes in brings it, and the work done on it."""
        carried = Fraction(0)
        for move in moves:
            if move.target.startswith("loss/") or "count-difference" in (move.source, move.target):
                continue
            source, target = standing(move.source), standing(move.target)
            one, other = (self.pool(*side[:2]) if side else None for side in (source, target))
            if (gone := self.goes_on(move)) is not None:
                self.count_in(row, "on", gone, move.units)
            if one != other:
                if source is not None and one is not None:
                    flow = OUT_TO.get(move.target, "passed-on")
                    carried = move.units * self.average(one, move.day)
                    out = {"units": -move.units, "value": -carried}
                    self.write(row, one, source[2], source[0], move.day, flow, **out)
                if target is not None and other is not None:
                    flow = IN_FROM.get(move.source, "passed-in")
                    value = self.brought(row, flow, other, move, carried)
                    self.write(row, other, target[2], target[0], move.day, flow, units=move.units, value=value)
                    self.work(row, other, target, move)
            self.enter(row, move, source, target)

    def brought(self, row: Fact, flow: str, pool: Pool, move: Move, carried: Fraction) -> Fraction:
        """The value that units come in with."""
        if flow == "opened":
            return move.units * self.told.up_to(pool, move.day)
        if flow == "bought-in":
            if "unit_cost" in row:
                return move.units * minor(row["unit_cost"], self.told.currency)
            return move.units * self.told.cost("bought-in", pool.crop, pool.size, move.day)
        return carried if flow in ("passed-in", "made") else Fraction(0)

    def work(self, row: Fact, pool: Pool, target: tuple[str, str, str], move: Move) -> None:
        """The standard costs of what was done, beside the units."""
        steps = {
            "gathered": {"cutting": move.units},
            "struck": {"striking": move.units},
            "potted": {"potting": move.units},
            "potted-up": {"potting": move.units},
            "graded": {"labelling": move.units},
        }.get(row["type"], {})
        if row["type"] == "struck" and row.get("stock_plants"):
            steps = {"cutting": row["cuttings"], **steps}
        for step, units in steps.items():
            value = units * self.told.cost(step, pool.crop, pool.size, move.day)
            if value:
                self.write(row, pool, target[2], target[0], move.day, "work", cause=step, value=value)

    def enter(self, row: Fact, move: Move, source: tuple[str, str, str] | None, target: tuple[str, str, str] | None) -> None:
        """Who entered a stage, or joined a batch there; whoever joins another batch never entered the first."""
        if target is None or (source is not None and source[:2] == target[:2]):
            return
        self.month.setdefault(target[:2], move.day.month)
        self.count_in(row, "in", target[:2], move.units)
        if source is not None and source[1] == target[1]:
            self.count_in(row, "in", source[:2], -move.units)

    def take_back(self, row: Fact, undone: list[Line], position: int, day: date) -> None:
        """A reversal writes the opposite of what it takes back, to the penny, whatever the average is by now."""
        for line in undone:
            self.keep(line.opposite(row, day))
        for what, key, units in self.tallied.pop(position, []):
            self.tally[what][key] -= units

    # --- space --------------------------------------------------------------------------------------------------

    def stand(self, move: Move) -> None:
        for account, sign in ((move.source, -1), (move.target, 1)):
            if (here := standing(account)) is not None:
                pool = self.pool(here[0], here[1])
                self.stands[pool, here[2]] += sign * move.units
                self.moved[pool, move.day] += sign * move.units

    def charge_until(self, day: date) -> None:
        """The days before `day` have passed: whatever stood pays for them."""
        if self.clock is None or day > self.clock:
            for line in self.space(day):
                self.keep(line)
            self.clock = day

    def space(self, until: date) -> Iterator[Line]:
        """What the plants that stand now owe for the days from the clock to the day before `until`."""
        day = self.clock or until
        while day < until:
            for (pool, place), units in self.stands.items():
                if units and (cost := units * self.told.space(pool, place, day)):
                    expensed = pool.stage in STORED and not self.told.decided["storage_in_cost"]
                    charged = Line(0, pool, place, "", day, "", "", "space", "", 0, cost, cost)
                    yield charged._replace(flow="storage", value=Fraction(0), cost=-cost) if expensed else charged
            day += ONE_DAY

    # --- what is asked of it ------------------------------------------------------------------------------------

    def until(self, day: date) -> list[Line]:
        """Every line of the days up to a day, the space stood until its end included."""
        return [line for line in [*self.lines, *self.space(day + ONE_DAY)] if line.day <= day]

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
