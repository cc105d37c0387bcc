"""The closed set of entries: everything that can be told to the ledger, one frozen record each.

Owns the words of the trade (stages, causes, codes) and the shape of every entry, with every bound that a single
entry can be held to by itself. What depends on the rest of the book (is there enough standing?) is in `rules`.

A record here is a *told* fact, in the past tense. `recorded.Recorded` is the same fact after the pen wrote it:
with its position, its booking day and the movements of plants that follow from it.

Units of measure: plants are whole numbers; days are whole days; money is a decimal string in the nursery's
currency; times are RFC 3339 with an offset. There is no binary fraction anywhere in the log.
"""

from __future__ import annotations

import enum
from datetime import date, datetime
from typing import Annotated, ClassVar, Literal, get_args
from uuid import UUID

from msgspec import Meta, Struct, field

from ledger.plants import numbers
from ledger.plants.forecasts import Published

# --- words -----------------------------------------------------------------------------------------------------


class Stage(enum.StrEnum):
    """Where in its life a plant stands. `seconds` are finished plants of lower grade, which stand apart."""

    GATHERED = "gathered"
    STRUCK = "struck"
    ROOTED = "rooted"
    POTTED = "potted"
    FINISHED = "finished"
    SECONDS = "seconds"
    PICKED = "picked"


class Cause(enum.StrEnum):
    """Why plants were lost. The list is closed, so that rates can be compared between years."""

    DID_NOT_ROOT = "did-not-root"
    ROT = "rot"
    DRIED_OUT = "dried-out"
    COLD = "cold"
    HEAT = "heat"
    PEST = "pest"
    DISEASE = "disease"
    OVERHELD = "overheld"
    HANDLING = "handling"
    GRADED_OUT = "graded-out"
    SURPLUS = "surplus"
    WRONG_NAME = "wrong-name"
    REGULATED = "regulated"


class Method(enum.StrEnum):
    """How something was counted. Only the first two move a balance; a sample or an estimate is kept as an opinion."""

    COUNT = "count"
    BLIND_COUNT = "blind-count"
    SAMPLE = "sample"
    ESTIMATE = "estimate"

    @property
    def moves_balance(self) -> bool:
        return self in (Method.COUNT, Method.BLIND_COUNT)


class StopReason(enum.StrEnum):
    """Why plants may not be sold or propagated just now."""

    QUARANTINE = "quarantine"
    ISOLATION = "isolation"
    NAME_IN_DOUBT = "name-in-doubt"
    QUALITY = "quality"


class HoldReason(enum.StrEnum):
    """What held plants wait for."""

    WEATHER = "weather"
    PAPERS = "papers"
    BUYER = "buyer"


class StockSource(enum.StrEnum):
    """Where a stock plant came from."""

    OPENING = "opening"
    BOUGHT_IN = "bought-in"
    PLANTED_AS_STOCK = "planted-as-stock"


class Act(enum.StrEnum):
    """What was done to growing plants without changing their number."""

    TRIMMED = "trimmed"
    PINCHED = "pinched"
    SPACED = "spaced"
    FED = "fed"
    WEANED = "weaned"


class PlaceKind(enum.StrEnum):
    """What a place is good for."""

    MIST = "mist"
    COVERED = "covered"
    SAND = "sand"
    HOLDING = "holding"
    BENCH = "bench"
    LINE = "line"
    STOCK_BED = "stock-bed"
    ISOLATION = "isolation"
    PACKING = "packing"


class CostStep(enum.StrEnum):
    """What a standard cost is charged for. `space` is per area-week (one square metre for one week)."""

    CUTTING = "cutting"
    STRIKING = "striking"
    POTTING = "potting"
    LABELLING = "labelling"
    SPACE = "space"
    HOOK = "hook"
    BOUGHT_IN = "bought-in"


class NormalBasis(enum.StrEnum):
    """What the normal rate of loss is a share of."""

    OF_INPUT = "of-input"
    OF_INSPECTED = "of-inspected"
    OF_GOOD_OUTPUT = "of-good-output"


class ShortReason(enum.StrEnum):
    """Why fewer were potted than the list asked for."""

    TOO_FEW_PLUGS = "too-few-plugs"
    NOT_ROOTED_THROUGH = "not-rooted-through"
    UNHEALTHY = "unhealthy"
    NO_TIME = "no-time"
    NO_ROOM = "no-room"
    NO_POTS = "no-pots"
    OTHER = "other"


class Verdict(enum.StrEnum):
    """What a destination's rule says of a plant: it may not go there, or only with papers."""

    REFUSED = "refused"
    NEEDS_PAPERS = "needs-papers"


class DamageCause(enum.StrEnum):
    """What happened to plants on their way."""

    CRUSHED = "crushed"
    DRIED = "dried"
    CHILLED = "chilled"
    WENT_ASTRAY = "went-astray"
    OTHER = "other"


# --- bounded values --------------------------------------------------------------------------------------------

MOST_UNITS = 1_000_000
# Python lets `$` match before a last newline, JSON Schema does not: the lookahead makes both say the same
END = r"$(?!\n)"
_TEXT = r"^[^\x00-\x1f\x7f]*" + END
_SLUG = r"^[a-z0-9]+(-[a-z0-9]+)*" + END

Units = Annotated[int, Meta(ge=1, le=MOST_UNITS)]
Tally = Annotated[int, Meta(ge=0, le=MOST_UNITS)]
PerCell = Annotated[int, Meta(ge=1, le=10)]
DaysAdded = Annotated[int, Meta(ge=-365, le=365)]
Days = Annotated[int, Meta(ge=0, le=3650)]
HoldMinutes = Annotated[int, Meta(ge=1, le=1440)]
LineIndex = Annotated[int, Meta(ge=0, le=49)]
Percent = Annotated[int, Meta(ge=0, le=100)]
TenthsC = Annotated[int, Meta(ge=-400, le=600, description="Tenths of a degree Celsius.")]
Confidence = Annotated[int, Meta(ge=50, le=99, description="In percent.")]
PerMille = Annotated[int, Meta(ge=0, le=1000)]
CropCode = Annotated[str, Meta(pattern=_SLUG, min_length=1, max_length=64)]
PersonCode = Annotated[str, Meta(pattern=_SLUG, min_length=1, max_length=40)]
SizeCode = Annotated[str, Meta(pattern=r"^[A-Z][A-Z0-9]*" + END, min_length=1, max_length=8)]
PlaceCode = Annotated[str, Meta(pattern=r"^[A-Z][A-Z0-9]*(-[A-Z0-9]+)*" + END, min_length=1, max_length=16)]
BatchNumber = Annotated[str, Meta(pattern=numbers.PATTERN, min_length=9, max_length=12)]
StockPlantCode = Annotated[str, Meta(pattern=r"^[A-Z][A-Z0-9]*(-[A-Z0-9]+)*" + END, min_length=1, max_length=24)]
OrderRef = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9._:-]*" + END, min_length=1, max_length=64)]
Region = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._-]*" + END, min_length=1, max_length=40)]
Label = Annotated[str, Meta(pattern=_TEXT, min_length=1, max_length=120)]
Text = Annotated[str, Meta(pattern=_TEXT, max_length=500)]
Said = Annotated[str, Meta(pattern=_TEXT, min_length=1, max_length=500)]
Money = Annotated[str, Meta(pattern=r"^(0|[1-9][0-9]{0,5})(\.[0-9]{1,4})?" + END, description="An amount as a decimal string.")]
WebAddress = Annotated[
    str, Meta(pattern=r"^https?://[A-Za-z0-9.-]+(:[0-9]{1,5})?(/[A-Za-z0-9._~-]+)*" + END, min_length=8, max_length=80)
]
AccountCode = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ._/-]*" + END, min_length=1, max_length=32)]
Moment = Annotated[datetime, Meta(tz=True)]
Period = Annotated[str, Meta(pattern=r"^[0-9]{4}-(0[1-9]|1[0-2])" + END, max_length=7, description="A month, such as 2026-11.")]
Hash = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}" + END, min_length=64, max_length=64, description="32 bytes in hex.")]
Signature = Annotated[str, Meta(pattern=r"^[0-9a-f]{128}" + END, min_length=128, max_length=128, description="In hex.")]
LogSize = Annotated[int, Meta(ge=1, le=2**53 - 1)]
DaysByMonth = Annotated[list[Days], Meta(min_length=12, max_length=12, description="Whole days, January to December.")]
PercentByMonth = Annotated[list[Percent], Meta(min_length=12, max_length=12, description="Whole percent, January to December.")]


class BrokenRule(ValueError):
    """An entry contradicts itself. `field` is the field to look at; the message says what to do."""

    def __init__(self, field: str, message: str) -> None:
        super().__init__(message)
        self.field = field


def _require(holds: bool, field: str, message: str) -> None:
    if not holds:
        raise BrokenRule(field, message)


# --- the envelope ----------------------------------------------------------------------------------------------


class Told(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True, tag_field="type"):
    """What every entry has. `id` is made by whoever tells it: the same id with the same content is told only once."""

    #: raised by one with every renamed field or changed unit; `ledger.log.codec` holds the step from each to the next
    SCHEMA: ClassVar[int] = 1
    #: may a later `reversed` entry take it back?
    REVERSIBLE: ClassVar[bool] = True

    id: UUID
    occurred_at: Moment
    by: PersonCode
    note: Text | None = None


# --- parts of entries ------------------------------------------------------------------------------------------


class Part(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """A value inside an entry."""


class CuttingsFrom(Part, frozen=True, kw_only=True):
    """Cuttings taken off one stock plant (or one group of stock plants that shares a code)."""

    stock_plant: StockPlantCode
    cuttings: Units


class UnitsFrom(Part, frozen=True, kw_only=True):
    """Units of one batch at one place."""

    batch: BatchNumber
    place: PlaceCode
    units: Units


class Offer(Part, frozen=True, kw_only=True):
    """A size in which a crop is sold, and its list price."""

    price: Money


class Timing(Part, frozen=True, kw_only=True):
    """How long a stage takes and what share comes through it, by the month in which plants enter it."""

    days: DaysByMonth
    come_through: PercentByMonth


# --- reference values ------------------------------------------------------------------------------------------


class Setting(Told, frozen=True, kw_only=True):
    """A reference value, told whole. It is corrected by setting it again, never reversed."""

    REVERSIBLE: ClassVar[bool] = False


class CropSet(Setting, tag="crop-set", frozen=True, kw_only=True):
    """A cultivar. `group` is what young crops borrow their expectations from; a crop in use is retired, never removed."""

    code: CropCode
    name: Label
    species: Label
    group: Label
    sizes: Annotated[dict[SizeCode, Offer], Meta(max_length=12)] = {}
    base_temperature_c: Annotated[int, Meta(ge=-5, le=30)] | None = None
    may_propagate: bool = True
    licence: Label | None = None
    caution: Text | None = None
    retired: bool = False


class SizeSet(Setting, tag="size-set", frozen=True, kw_only=True):
    """A pot size. `rank` orders sizes from small to large; the area stood is in square centimetres, a line counts hooks."""

    code: SizeCode
    name: Label
    rank: Annotated[int, Meta(ge=1, le=100)]
    area_cm2: Annotated[int, Meta(ge=0, le=1_000_000)] = 0
    hooks: Annotated[int, Meta(ge=0, le=10)] = 0
    per_tray: Annotated[int, Meta(ge=1, le=1000)] | None = None
    retired: bool = False


class PlaceSet(Setting, tag="place-set", frozen=True, kw_only=True):
    """Somewhere plants stand: a bench, a line, a row of tray places."""

    code: PlaceCode
    name: Label
    house: Label
    kind: PlaceKind
    area_cm2: Annotated[int, Meta(ge=0, le=2_000_000_000)] = 0
    tray_places: Tally = 0
    hooks: Tally = 0
    retired: bool = False


class PersonSet(Setting, tag="person-set", frozen=True, kw_only=True):
    """Someone who tells the ledger things. The name may be a role; no more is kept about a person."""

    code: PersonCode
    name: Label
    active: bool = True


class RecipeSet(Setting, tag="recipe-set", frozen=True, kw_only=True):
    """What the grower expects of a crop: days and share coming through, per stage, by month of entry."""

    crop: CropCode
    rooting: Timing
    growing: Annotated[dict[SizeCode, Timing], Meta(min_length=1, max_length=12)]
    holding_limit_days: DaysByMonth
    cuttings_per_cell: PerCell = 1
    tray_cells: Annotated[int, Meta(ge=1, le=1000)] | None = None
    #: plugs put into one pot, where it is more than one
    plugs_per_pot: Annotated[dict[SizeCode, PerCell], Meta(max_length=12)] = {}


class CostSet(Setting, tag="cost-set", frozen=True, kw_only=True):
    """A standard cost from a day on: per unit of the step, or per square metre and week for `space`."""

    step: CostStep
    amount: Money
    effective_on: date
    crop: CropCode | None = None
    size: SizeCode | None = None


class NormalPercent(Part, frozen=True, kw_only=True, omit_defaults=False):
    """How much loss is normal in each stage where the recipe gives no rate."""

    gathered: Percent = 5
    struck: Percent = 0
    rooted: Percent = 5
    potted: Percent = 0
    finished: Percent = 3
    seconds: Percent = 0
    picked: Percent = 0


class Accounts(Part, frozen=True, kw_only=True):
    """The user's own accounts for journal lines, by our names for them; where one is left out, our name stands."""

    propagation: AccountCode | None = None
    growing: AccountCode | None = None
    ready: AccountCode | None = None
    production: AccountCode | None = None
    space: AccountCode | None = None
    purchases: AccountCode | None = None
    opening: AccountCode | None = None
    cost_of_sales: AccountCode | None = None
    abnormal_loss: AccountCode | None = None
    count_differences: AccountCode | None = None
    given_out: AccountCode | None = None
    stock_plants: AccountCode | None = None
    adjustments: AccountCode | None = None
    rounding: AccountCode | None = None


class BooksSet(Setting, tag="books-set", frozen=True, kw_only=True, omit_defaults=False):
    """How the books value plants: the accountant's decisions, told whole. They hold from where they are told.

    normal_basis, normal_percent: how much loss is normal and stays in the cost of the survivors. always_abnormal: causes
    that never are. expense_abnormal: whether what goes beyond is an expense (as IAS 2.16 has it) or stays in the cost too.
    storage_in_cost: whether space counts as cost once plants are ready for sale. selling_percent of the list price is what
    selling costs; seconds, overdue and stopped plants bring so many percent of it.
    """

    normal_basis: NormalBasis = NormalBasis.OF_INPUT
    normal_percent: NormalPercent = NormalPercent()
    always_abnormal: Annotated[list[Cause], Meta(max_length=13)] = field(
        default_factory=lambda: [Cause.SURPLUS, Cause.REGULATED, Cause.WRONG_NAME]
    )
    expense_abnormal: bool = True
    storage_in_cost: bool = False
    selling_percent: Percent = 20
    seconds_percent: Percent = 50
    overdue_percent: Percent = 50
    stopped_percent: Percent = 0
    accounts: Accounts = Accounts()


class PolicySet(Setting, tag="policy-set", frozen=True, kw_only=True, omit_defaults=False):
    """How this nursery works. The count buffer's constants are in thousandths (document: docs of the availability answer).

    It is kept whole, defaults too: an old policy stays what it was when a default changes.

    confidence: at which promises beyond counted stock are made. forecast_hours: how old a forecast may be for that;
    forecast_lag_minutes: how long a change may wait to be taken into one. most_held_percent: how much of what is promisable
    of one crop and size a key may hold unconfirmed, of which always_held_units are not counted. silent_hours: for how long a
    device that writes may be silent before answers say so.
    """

    SCHEMA: ClassVar[int] = 3

    time_zone: Annotated[str, Meta(pattern=r"^[A-Za-z]+(/[A-Za-z0-9_+-]+)*" + END, min_length=1, max_length=64)] = "UTC"
    currency: Annotated[str, Meta(pattern=r"^[A-Z]{3}" + END)] = "GBP"
    isolate_bought_in: bool = True
    potting_weekday: Annotated[int, Meta(ge=1, le=7)] = 2
    duplicate_minutes: Annotated[int, Meta(ge=0, le=1440)] = 30
    clock_allowance_seconds: Annotated[int, Meta(ge=0, le=3600)] = 120
    hold_minutes: HoldMinutes = 30
    most_held_units: Tally = 500
    most_held_percent: Annotated[int, Meta(ge=1, le=100)] = 50
    always_held_units: Tally = 20
    confidence: Confidence = 90
    forecast_hours: Annotated[int, Meta(ge=1, le=720)] = 36
    forecast_lag_minutes: Annotated[int, Meta(ge=1, le=43_200)] = 15
    silent_hours: Annotated[int, Meta(ge=1, le=8_760)] = 36
    buffer_z_per_mille: Annotated[int, Meta(ge=0, le=5000)] = 1280
    buffer_share_per_mille: PerMille = 20
    buffer_drift_per_mille: PerMille = 15


class PrintsSet(Setting, tag="prints-set", frozen=True, kw_only=True):
    """What is printed on tags. address: where the pages are served, for the links in their codes.

    registration: the nursery's number as an authorised operator; with it tags have the fields A to D of a plant passport. Set
    it only if you are authorised to issue them: what a passport has to look like, the inspector decides. origin: the country
    of origin (ISO 3166, two letters) of what is propagated here.
    """

    address: WebAddress | None = None
    registration: Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ./-]*" + END, min_length=1, max_length=30)] | None = None
    origin: Annotated[str, Meta(pattern=r"^[A-Z]{2}" + END, min_length=2, max_length=2)] | None = None


class TemperaturesSet(Setting, tag="temperatures-set", frozen=True, kw_only=True):
    """What the houses are like: the mean temperature of a usual day of each month, January to December.

    With it the forecast counts the time of crops that have a base temperature in degree days instead of days.
    """

    normals_tenths_c: Annotated[list[TenthsC], Meta(min_length=12, max_length=12)]


class TemperatureMeasured(Told, tag="temperature-measured", frozen=True, kw_only=True):
    """The mean temperature of the houses on one day; told again it replaces what was told before."""

    REVERSIBLE: ClassVar[bool] = False

    day: date
    mean_tenths_c: TenthsC


class DestinationRule(Part, frozen=True, kw_only=True):
    """What a region asks of some plants: of one crop, of one species, or of all. `months` narrows it to a season.

    The rules are the nursery's own, each with where it was read and when that was last checked.
    """

    verdict: Verdict
    because: Label
    source: Label
    checked_on: date
    crop: CropCode | None = None
    species: Label | None = None
    months: Annotated[list[Annotated[int, Meta(ge=1, le=12)]], Meta(min_length=1, max_length=12)] | None = None
    papers: Label | None = None

    def __post_init__(self) -> None:
        _require(self.crop is None or self.species is None, "rules", "a rule names a crop or a species, not both")
        papers = self.verdict is Verdict.NEEDS_PAPERS
        _require(papers == (self.papers is not None), "rules", "papers are named where papers are needed")


class DestinationSet(Setting, tag="destination-set", frozen=True, kw_only=True):
    """A region that plants are sent to, and what it asks; told whole. A region without rules takes everything."""

    region: Region
    name: Label
    rules: Annotated[list[DestinationRule], Meta(max_length=200)] = []


# --- stock plants ----------------------------------------------------------------------------------------------


class StockSet(Told, tag="stock-set", frozen=True, kw_only=True):
    """Stock plants standing under one code, told whole.

    A higher number than before comes from `source`; a lower one is refused: plants that went are told with `stock-removed`.
    """

    REVERSIBLE: ClassVar[bool] = False

    stock_plant: StockPlantCode
    crop: CropCode
    place: PlaceCode
    units: Units
    source: StockSource
    licence: Label | None = None
    from_batch: BatchNumber | None = None


class StockRemoved(Told, tag="stock-removed", frozen=True, kw_only=True):
    """Stock plants that died, were destroyed, or were taken out."""

    stock_plant: StockPlantCode
    units: Units
    cause: Cause


# --- propagation -----------------------------------------------------------------------------------------------


def _each_once(names: list[str], field: str) -> None:
    _require(len(set(names)) == len(names), field, f"{field} names the same one twice: add the numbers up")


class Gathered(Told, tag="gathered", frozen=True, kw_only=True):
    """Cuttings taken off stock plants. Leave `batch` out to be given the next number."""

    crop: CropCode
    stock_plants: Annotated[list[CuttingsFrom], Meta(min_length=1, max_length=200)]
    place: PlaceCode
    batch: BatchNumber | None = None
    wanted: Units | None = None

    def __post_init__(self) -> None:
        _each_once([taken.stock_plant for taken in self.stock_plants], "stock_plants")


class Struck(Told, tag="struck", frozen=True, kw_only=True):
    """Cuttings stuck into cells: `cuttings` = `per_cell` x full cells + `singles`, and `cells` = full cells + `singles`.

    Either the batch already has cuttings gathered (at `gathered_at`), or they come straight off `stock_plants`.
    Rooting hormone may be a registered pesticide: its label rules.
    """

    cuttings: Units
    per_cell: PerCell
    cells: Units
    place: PlaceCode
    singles: Tally = 0
    batch: BatchNumber | None = None
    gathered_at: PlaceCode | None = None
    crop: CropCode | None = None
    stock_plants: Annotated[list[CuttingsFrom], Meta(max_length=200)] = []
    tray_cells: Annotated[int, Meta(ge=1, le=1000)] | None = None
    medium: Label | None = None
    hormone: Label | None = None
    strength: Label | None = None
    covered: bool = False

    def __post_init__(self) -> None:
        full = self.cells - self.singles
        _require(full >= 0, "singles", f"singles ({self.singles}) cannot be more than cells ({self.cells})")
        held = self.per_cell * full + self.singles
        _require(
            self.cuttings == held,
            "cuttings",
            f"{self.cuttings} cuttings: {full} cells of {self.per_cell} and {self.singles} singles take {held}",
        )
        straight = bool(self.stock_plants)
        _require(
            straight != (self.gathered_at is not None),
            "gathered_at",
            "say where the cuttings were gathered (gathered_at), or which stock plants they come straight from, not both",
        )
        if straight:
            _require(self.crop is not None, "crop", "cuttings straight off stock plants need their crop")
            _each_once([taken.stock_plant for taken in self.stock_plants], "stock_plants")
            taken = sum(part.cuttings for part in self.stock_plants)
            _require(
                taken == self.cuttings, "stock_plants", f"the stock plants give {taken} cuttings, {self.cuttings} were struck"
            )
        else:
            _require(self.batch is not None, "batch", "name the batch whose gathered cuttings were struck")
            _require(self.crop is None, "crop", "the batch already has its crop: leave crop out")


class Rooted(Told, tag="rooted", frozen=True, kw_only=True):
    """The rooting count: usable plugs go to holding, failed cells are lost, weak ones stay for another look.

    The three add up to the cells standing, unless `part` says that only a part was counted.
    """

    batch: BatchNumber
    place: PlaceCode
    usable: Tally
    weak: Tally
    failed: Tally
    to: PlaceCode
    part: bool = False

    def __post_init__(self) -> None:
        _require(self.usable + self.weak + self.failed > 0, "usable", "a rooting count needs at least one cell")


class Moved(Told, tag="moved", frozen=True, kw_only=True):
    """Units carried from one place to another, stage unchanged."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    to: PlaceCode
    units: Units
    order: OrderRef | None = None

    def __post_init__(self) -> None:
        _require(self.place != self.to, "to", "the place to move to is the place where they stand")
        _order_with_picked(self.stage, self.order)


class Merged(Told, tag="merged", frozen=True, kw_only=True):
    """Units of several batches of one crop, stage and size put together as one.

    What was binned on the way is a loss of its own. Leave `into` out for a new number, or name one of the batches that is
    to take the others in.
    """

    stage: Stage
    sources: Annotated[list[UnitsFrom], Meta(min_length=1, max_length=50)]
    place: PlaceCode
    into: BatchNumber | None = None

    def __post_init__(self) -> None:
        _require(self.stage is not Stage.PICKED, "stage", "picked plants belong to an order and are not merged")
        _each_once([f"{part.batch}/{part.place}" for part in self.sources], "sources")
        _require(all(part.batch != self.into for part in self.sources), "sources", "into cannot also be a source")


# --- potting and growing on ------------------------------------------------------------------------------------


class Potted(Told, tag="potted", frozen=True, kw_only=True):
    """Plugs put into pots: `plugs` = `per_pot` x `pots` + `casualties` + `returned`. The pots are a new batch (`into`).

    listed: the day of the potting list whose line these pots answer; without it they count for the first day that still asks.
    """

    batch: BatchNumber
    place: PlaceCode
    size: SizeCode
    plugs: Units
    pots: Units
    to: PlaceCode
    per_pot: PerCell = 1
    casualties: Tally = 0
    returned: Tally = 0
    stage: Stage = Stage.ROOTED
    into: BatchNumber | None = None
    listed: date | None = None

    def __post_init__(self) -> None:
        _require(
            self.stage in (Stage.ROOTED, Stage.STRUCK), "stage", "plugs are potted from rooted, or from struck out of sand"
        )
        used = self.per_pot * self.pots + self.casualties + self.returned
        _require(
            self.plugs == used,
            "plugs",
            f"{self.plugs} plugs, but {self.pots} pots of {self.per_pot}, {self.casualties} casualties, "
            f"{self.returned} returned use {used}",
        )


class PottedUp(Told, tag="potted-up", frozen=True, kw_only=True):
    """Pots moved on into a larger size, as a new batch (`into`); casualties are lost."""

    batch: BatchNumber
    place: PlaceCode
    size: SizeCode
    pots: Units
    to: PlaceCode
    casualties: Tally = 0
    stage: Stage = Stage.FINISHED
    into: BatchNumber | None = None

    def __post_init__(self) -> None:
        _require(self.stage in (Stage.POTTED, Stage.FINISHED), "stage", "pots are potted up from potted or finished")


class Graded(Told, tag="graded", frozen=True, kw_only=True):
    """Growing plants looked over: finished, held back (they stay), seconds and culled add up to the units graded."""

    batch: BatchNumber
    place: PlaceCode
    finished: Tally
    to: PlaceCode
    held_back: Tally = 0
    seconds: Tally = 0
    culled: Tally = 0
    label_checked_by: PersonCode | None = None

    def __post_init__(self) -> None:
        _require(
            self.finished + self.held_back + self.seconds + self.culled > 0, "finished", "grading needs at least one plant"
        )


class SetBack(Told, tag="set-back", frozen=True, kw_only=True):
    """Finished plants cut back and sent to grow on again; `days_added` is the grower's guess of the delay."""

    batch: BatchNumber
    place: PlaceCode
    units: Units
    to: PlaceCode
    reason: Said
    days_added: DaysAdded = 0


class Tended(Told, tag="tended", frozen=True, kw_only=True):
    """Work that moves readiness, not numbers."""

    batch: BatchNumber
    act: Act
    days_added: DaysAdded = 0


# --- losses and counts -----------------------------------------------------------------------------------------


def _order_with_picked(stage: Stage, order: str | None) -> None:
    _require(
        (stage is Stage.PICKED) == (order is not None),
        "order",
        "picked plants belong to an order: name it" if order is None else "only picked plants belong to an order: leave it out",
    )


class Lost(Told, tag="lost", frozen=True, kw_only=True):
    """Plants found dead or unsaleable."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    units: Units
    cause: Cause
    order: OrderRef | None = None

    def __post_init__(self) -> None:
        _order_with_picked(self.stage, self.order)


class Counted(Told, tag="counted", frozen=True, kw_only=True):
    """Units seen standing. A count sets the balance from that moment on; a sample or an estimate moves nothing."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    units: Tally
    method: Method

    def __post_init__(self) -> None:
        _require(
            self.stage is not Stage.PICKED, "stage", "picked plants are counted by their order: use lost, put-back or shipped"
        )


# --- coming in -------------------------------------------------------------------------------------------------


def _size_fits_stage(stage: Stage, size: str | None) -> None:
    _require(stage is not Stage.PICKED, "stage", "plants cannot come in as picked: bring them in as finished, then pick them")
    has_size = stage in (Stage.POTTED, Stage.FINISHED, Stage.SECONDS)
    _require(
        has_size == (size is not None),
        "size",
        f"{stage} plants have a size: name it" if has_size else f"{stage} plants have no size yet: leave it out",
    )


class Opened(Told, tag="opened", frozen=True, kw_only=True):
    """What stood here when the book was opened. Only on the first day."""

    crop: CropCode
    stage: Stage
    place: PlaceCode
    units: Units
    size: SizeCode | None = None
    age_days: Days | None = None
    batch: BatchNumber | None = None

    def __post_init__(self) -> None:
        _size_fits_stage(self.stage, self.size)


class BoughtIn(Told, tag="bought-in", frozen=True, kw_only=True):
    """Plants bought from a supplier. They start stopped, in isolation, where the policy says so."""

    crop: CropCode
    stage: Stage
    place: PlaceCode
    units: Units
    supplier_batch: Label
    size: SizeCode | None = None
    unit_cost: Money | None = None
    papers: Text | None = None
    batch: BatchNumber | None = None

    def __post_init__(self) -> None:
        _size_fits_stage(self.stage, self.size)


# --- orders and leaving ----------------------------------------------------------------------------------------


class Picked(Told, tag="picked", frozen=True, kw_only=True):
    """Finished plants pulled for an order. `replaces` names the damage claim that a replacement answers."""

    order: OrderRef
    batch: BatchNumber
    place: PlaceCode
    units: Units
    to: PlaceCode
    replaces: UUID | None = None


class PutBack(Told, tag="put-back", frozen=True, kw_only=True):
    """Picked plants that went back among the finished ones."""

    order: OrderRef
    batch: BatchNumber
    place: PlaceCode
    units: Units
    to: PlaceCode


class Held(Told, tag="held", frozen=True, kw_only=True):
    """Plants of a batch, or an order, that wait: they stay in the inventory and keep ageing, and are not for sale."""

    reason: HoldReason
    review_on: date
    batch: BatchNumber | None = None
    units: Units | None = None
    order: OrderRef | None = None

    def __post_init__(self) -> None:
        _require((self.batch is None) != (self.order is None), "batch", "hold either units of a batch or an order")
        _require(
            (self.batch is None) == (self.units is None), "units", "a held batch needs the units held, a held order does not"
        )


class HoldEnded(Told, tag="hold-ended", frozen=True, kw_only=True):
    """A hold lifted; `hold` is the id of the `held` entry."""

    REVERSIBLE: ClassVar[bool] = False

    hold: UUID
    batch: BatchNumber | None = None
    order: OrderRef | None = None

    def __post_init__(self) -> None:
        _require((self.batch is None) != (self.order is None), "batch", "name the batch or the order that was held")


class SoldHere(Told, tag="sold-here", frozen=True, kw_only=True):
    """Sold at the nursery without a promise; finished plants not above what is sellable now."""

    batch: BatchNumber
    place: PlaceCode
    units: Units
    price: Money
    stage: Stage = Stage.FINISHED

    def __post_init__(self) -> None:
        _require(self.stage in (Stage.FINISHED, Stage.SECONDS), "stage", "only finished plants and seconds are sold")


class Shipped(Told, tag="shipped", frozen=True, kw_only=True):
    """Picked plants that left, for one order. The destination is a region; nothing about the buyer is kept."""

    order: OrderRef
    carrier: Label
    region: Region
    lines: Annotated[list[UnitsFrom], Meta(min_length=1, max_length=100)]
    service: Label | None = None

    def __post_init__(self) -> None:
        _each_once([f"{line.batch}/{line.place}" for line in self.lines], "lines")


class DamageClaimed(Told, tag="damage-claimed", frozen=True, kw_only=True):
    """Plants that arrived damaged. They left long ago, so nothing moves; it is not shrink."""

    order: OrderRef
    batch: BatchNumber
    units: Units
    carrier: Label
    cause: DamageCause
    days_in_transit: Days | None = None


class GivenOut(Told, tag="given-out", frozen=True, kw_only=True):
    """A sample or a gift."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    units: Units
    why: Said
    approved_by: PersonCode

    def __post_init__(self) -> None:
        _require(self.stage is not Stage.PICKED, "stage", "put picked plants back before giving them out")


class PlantedAsStock(Told, tag="planted-as-stock", frozen=True, kw_only=True):
    """Good plants planted out as stock: not a loss. A `stock-set` with `from_batch` tells where they stand."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    units: Units
    why: Said
    approved_by: PersonCode

    def __post_init__(self) -> None:
        _require(self.stage is not Stage.PICKED, "stage", "put picked plants back before planting them out")


# --- conditions ------------------------------------------------------------------------------------------------


class Stopped(Told, tag="stopped", frozen=True, kw_only=True):
    """A batch, a stock plant or a whole crop that may not be sold or propagated until cleared.

    Suspected regulated pests: stop, isolate, and call the plant-health authority before moving or destroying anything.
    """

    reason: StopReason
    batch: BatchNumber | None = None
    stock_plant: StockPlantCode | None = None
    crop: CropCode | None = None
    authority: Label | None = None

    def __post_init__(self) -> None:
        _one_target(self.batch, self.stock_plant, self.crop)


def _one_target(*targets: str | None) -> None:
    _require(sum(target is not None for target in targets) == 1, "batch", "name exactly one batch, stock plant or crop")


class Cleared(Told, tag="cleared", frozen=True, kw_only=True):
    """A stop lifted; `stop` is the id of the entry that stopped it."""

    REVERSIBLE: ClassVar[bool] = False

    stop: UUID
    because: Said
    batch: BatchNumber | None = None
    stock_plant: StockPlantCode | None = None
    crop: CropCode | None = None

    def __post_init__(self) -> None:
        _one_target(self.batch, self.stock_plant, self.crop)


class Renamed(Told, tag="renamed", frozen=True, kw_only=True):
    """Units found to be another crop. They become a batch of that crop (`into`); both crops together are unchanged."""

    batch: BatchNumber
    stage: Stage
    place: PlaceCode
    units: Units
    crop: CropCode
    evidence: Said
    into: BatchNumber | None = None

    def __post_init__(self) -> None:
        _require(self.stage is not Stage.PICKED, "stage", "put picked plants back before renaming them")


class Treated(Told, tag="treated", frozen=True, kw_only=True):
    """A treatment of places or batches.

    The re-entry time is typed in from the label; where several were applied the latest rules. This notice replaces no
    posting that the law requires.
    """

    product: Label
    places: Annotated[list[PlaceCode], Meta(max_length=200)] = []
    batches: Annotated[list[BatchNumber], Meta(max_length=200)] = []
    rate: Label | None = None
    re_entry_ends: Moment | None = None

    def __post_init__(self) -> None:
        _require(bool(self.places or self.batches), "places", "name the places or the batches that were treated")
        _each_once(self.places, "places")
        _each_once(self.batches, "batches")


# --- the promise book ------------------------------------------------------------------------------------------


class BasketLine(Part, frozen=True, kw_only=True):
    """So many of one crop and size by a day (today if left out).

    With `allow_part` fewer are welcome too; with `allow_later`, all of them on the first later day on which they will be there.
    """

    crop: CropCode
    size: SizeCode
    units: Annotated[int, Meta(ge=1, le=100_000)]
    due: date | None = None
    allow_part: bool = False
    allow_later: bool = False


class Promised(Told, tag="promised", frozen=True, kw_only=True):
    """A basket promised to an order: held for some minutes, then to be confirmed. Its id is the promise's.

    What was granted is beside the entry (`grants`). With `all_or_none` the basket is refused whole where a line cannot be
    granted; without, such lines are declined and the others granted.
    """

    REVERSIBLE: ClassVar[bool] = False

    order: OrderRef
    lines: Annotated[list[BasketLine], Meta(min_length=1, max_length=50)]
    all_or_none: bool = True
    hold_minutes: HoldMinutes | None = None
    region: Region | None = None
    replaces: UUID | None = None


class PromiseConfirmed(Told, tag="promise-confirmed", frozen=True, kw_only=True):
    """The buyer has bought: the hold no longer expires.

    Confirming a hold that has run out is a new attempt: each line is decided anew by what is there now, as it was asked for
    (all of the basket or none, a part, later), and what was granted is beside the entry (`grants`).
    """

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID


class PromiseMoved(Told, tag="promise-moved", frozen=True, kw_only=True):
    """A line of a promise (counted from 0) to another day.

    To an earlier one it is granted anew, if need be by asking for potting; to a later one it takes along what it has. Where it
    is sent is looked at again. What it rests on then is beside the entry (`grants`).
    """

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID
    line: LineIndex
    due: date


class PromiseReleased(Told, tag="promise-released", frozen=True, kw_only=True):
    """What is still open of a promise, or of one of its lines, is free again."""

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID
    reason: Said
    line: LineIndex | None = None


class PromiseSubstituted(Told, tag="promise-substituted", frozen=True, kw_only=True):
    """What is open of a line is given back and something else granted in its place, both or neither: a new last line."""

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID
    line: LineIndex
    wanted: BasketLine


class PromiseExpired(Told, tag="promise-expired", frozen=True, kw_only=True):
    """A hold ran out before it was confirmed. Told by the ledger itself."""

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID


class PromiseAtRisk(Told, tag="promise-at-risk", frozen=True, kw_only=True):
    """The chance that a line will be there on its day has fallen too low. Told by the ledger itself.

    chance: the highest published confidence at which it is still covered, 0 if none. short: units not covered at the line of
    80 %. because: the entries that took plants away since it was last safe; none where only the forecast changed.
    offered: the first day on which all of them would be there.
    """

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID
    line: LineIndex
    chance: Percent
    short: Units
    because: Annotated[list[UUID], Meta(max_length=20)] = []
    offered: date | None = None


class PromiseSafe(Told, tag="promise-safe", frozen=True, kw_only=True):
    """A line that was at risk is covered well again. Told by the ledger itself."""

    REVERSIBLE: ClassVar[bool] = False

    promise: UUID
    line: LineIndex
    chance: Percent


class DueLine(Part, frozen=True, kw_only=True):
    """A line on its day: so many were open, and so many of them were there."""

    promise: UUID
    line: LineIndex
    open: Tally = 0
    there: Tally = 0


class DueChecked(Told, tag="due-checked", frozen=True, kw_only=True):
    """What was there on its day, of lines not picked by then: how promises are kept is measured by this. By the ledger itself.

    Whoever tells it names the lines; how many were open and there is filled in.
    """

    REVERSIBLE: ClassVar[bool] = False

    crop: CropCode
    size: SizeCode
    day: date
    lines: Annotated[list[DueLine], Meta(min_length=1, max_length=500)]


# --- the forecast, and the potting that promises ask for ---------------------------------------------------------


class ForecastPublished(Told, tag="forecast-published", frozen=True, kw_only=True):
    """The forecast of one crop, as it was published. Promises rest on it until the next one. By the ledger itself."""

    REVERSIBLE: ClassVar[bool] = False

    forecast: Published


class ConfidenceCorrected(Told, tag="confidence-corrected", frozen=True, kw_only=True):
    """Forecasts at the `stated` confidence came true too seldom: promises are made at `working` until told otherwise.

    covered, low, high: what was measured, and its 95 % interval over seasons, in thousandths; of so many cases and seasons.
    """

    REVERSIBLE: ClassVar[bool] = False

    stated: Confidence
    working: Confidence
    covered: PerMille
    low: PerMille
    high: PerMille
    cases: Annotated[int, Meta(ge=0, le=MOST_UNITS)]
    seasons: Annotated[int, Meta(ge=0, le=10_000)]


class Take(Part, frozen=True, kw_only=True):
    """Plugs to be taken from one batch."""

    batch: BatchNumber
    plugs: Units


class PottingLine(Part, frozen=True, kw_only=True):
    """Pots of one crop and size that promises ask for, and the plugs chosen for them, the longest held first."""

    crop: CropCode
    size: SizeCode
    pots: Units
    plugs: Units
    take: Annotated[list[Take], Meta(max_length=200)] = []


class PottingIssued(Told, tag="potting-issued", frozen=True, kw_only=True):
    """The list of what promises ask to be potted on a day, closed and given to the crew. Later promises ask for the next day.

    The lines are filled in.
    """

    REVERSIBLE: ClassVar[bool] = False

    day: date
    lines: Annotated[list[PottingLine], Meta(max_length=500)] = []


class PottingAnswered(Told, tag="potting-answered", frozen=True, kw_only=True):
    """The crew's answer to one line of a potting list: so many were potted, and if fewer than asked, why.

    It says as many as the `potted` entries of that line do, which are told before it or with it in one call.
    """

    REVERSIBLE: ClassVar[bool] = False

    day: date
    crop: CropCode
    size: SizeCode
    potted: Tally
    because: ShortReason | None = None


# --- about entries ---------------------------------------------------------------------------------------------


class Reversed(Told, tag="reversed", frozen=True, kw_only=True):
    """An entry taken back, visibly: its movements are undone at the time at which it occurred."""

    REVERSIBLE: ClassVar[bool] = False

    entry: UUID
    reason: Said


class Answered(Told, tag="answered", frozen=True, kw_only=True):
    """The answer to a question that the ledger attached to an entry: both happened. If not, one of them is reversed."""

    REVERSIBLE: ClassVar[bool] = False

    entry: UUID
    answer: Said


# --- the proof and the periods ------------------------------------------------------------------------------------


class HeadSigned(Told, tag="head-signed", frozen=True, kw_only=True):
    """The head of the proof over the first `size` entries, signed (Ed25519), and kept outside as well. By the ledger itself.

    root: of the Merkle tree over the stored bytes of those entries (RFC 9162). key: the public key. The signature is over
    `at` (the time told here), `root`, `size` and `why`.
    """

    REVERSIBLE: ClassVar[bool] = False

    size: LogSize
    root: Hash
    key: Hash
    signature: Signature
    why: Literal["day", "close", "asked"]


class PeriodClosed(Told, tag="period-closed", frozen=True, kw_only=True):
    """A month of the books, and all before it, is closed: what is told of it later counts on the first open day.

    size, root: the head that was signed for it a moment before.
    """

    REVERSIBLE: ClassVar[bool] = False

    period: Period
    size: LogSize
    root: Hash


Entry = (
    CropSet | SizeSet | PlaceSet | PersonSet | RecipeSet | CostSet | PolicySet | BooksSet | DestinationSet
    | PrintsSet | TemperaturesSet | TemperatureMeasured
    | StockSet | StockRemoved | Gathered | Struck | Rooted | Moved | Merged
    | Potted | PottedUp | Graded | SetBack | Tended | Lost | Counted | Opened | BoughtIn
    | Picked | PutBack | Held | HoldEnded | SoldHere | Shipped | DamageClaimed | GivenOut | PlantedAsStock
    | Promised | PromiseConfirmed | PromiseMoved | PromiseReleased | PromiseSubstituted | PromiseExpired
    | PromiseAtRisk | PromiseSafe | DueChecked
    | ForecastPublished | ConfidenceCorrected | PottingIssued | PottingAnswered
    | Stopped | Cleared | Renamed | Treated | Reversed | Answered
    | HeadSigned | PeriodClosed
)  # fmt: skip

#: who tells what the ledger notices by itself
THE_LEDGER = "tallybench"

#: every type of entry by its stable literal
TYPES: dict[str, type[Told]] = {str(kind.__struct_config__.tag): kind for kind in get_args(Entry)}


def type_of(told: Told | type[Told]) -> str:
    """The stable literal of an entry's type, or of an entry, such as `set-back`."""
    return str(told.__struct_config__.tag)
