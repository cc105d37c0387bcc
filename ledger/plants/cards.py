"""What the ledger remembers about each thing that an entry can name: one card a batch, stock plant, order, crop, place ...

A card is a fold of the entries that touched it and nothing else; `version` counts them. Cards are immutable values: a
change makes a new card. They live in the projection `cards`; this module knows nothing of where they are kept.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Any, Literal
from uuid import UUID

import msgspec
from msgspec import Struct, field

from ledger.plants.entries import (
    BooksSet,
    ConfidenceCorrected,
    CostSet,
    CropSet,
    DestinationSet,
    HeadSigned,
    HoldReason,
    Method,
    PersonSet,
    PlaceSet,
    PolicySet,
    PottingLine,
    PrintsSet,
    RecipeSet,
    ShortReason,
    SizeSet,
    StockSource,
    StopReason,
    TemperaturesSet,
)
from ledger.plants.forecasts import Basis, Published
from ledger.plants.recorded import COUNT_DIFFERENCE

#: (kind, key) names a card
Key = tuple[str, str]


class Value(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A part of a card."""


class Count(Value, frozen=True, kw_only=True):
    """A count that set a balance, and the outside account on the other side of its difference."""

    entry: UUID
    position: int
    at: datetime
    method: Method
    units: int
    by: str
    against: str = COUNT_DIFFERENCE

    @property
    def order(self) -> tuple[datetime, int]:
        """Its place in the occurred order."""
        return (self.at, self.position)


class Standing(Value, frozen=True, kw_only=True):
    """The units at one place and stage. `last_at` is the latest moment at which a movement counts there."""

    unit: str
    units: int
    since: datetime
    last_at: datetime
    counts: tuple[Count, ...] = ()

    @property
    def last_count(self) -> Count | None:
        return max(self.counts, key=lambda count: count.order, default=None)


class Stop(Value, frozen=True, kw_only=True):
    """A stop in force. `through`: the entry by which it came with the plants, where another batch was stopped."""

    entry: UUID
    reason: StopReason
    at: datetime
    authority: str | None = None
    through: UUID | None = None


class Hold(Value, frozen=True, kw_only=True):
    """Plants of a batch, or an order (`units` 0), that wait, and the day to look at them again."""

    entry: UUID
    reason: HoldReason
    review_on: date
    units: int = 0


class Parent(Value, frozen=True, kw_only=True):
    """Where plants came from: a batch or a stock plant, the units that came, and the entry that says so."""

    holder: str
    units: int
    entry: UUID


class Treatment(Value, frozen=True, kw_only=True):
    """A treatment of a place or a batch."""

    entry: UUID
    product: str
    at: datetime
    re_entry_ends: datetime | None = None


class Act(Value, frozen=True, kw_only=True):
    """A recent job on a batch, kept to notice that two people wrote down the same one."""

    entry: UUID
    what: str
    by: str
    at: datetime


class Card(Value, tag_field="kind", frozen=True, kw_only=True):
    """Any card; `version` counts the entries that touched it."""

    version: int = 0

    @property
    def kind(self) -> str:
        return str(self.__struct_config__.tag)

    @property
    def key(self) -> Key:
        raise NotImplementedError


class CropCard(Card, tag="crop", frozen=True, kw_only=True):
    """A crop as it was last set, and the stops on all of it."""

    value: CropSet
    stops: tuple[Stop, ...] = ()

    @property
    def key(self) -> Key:
        return ("crop", self.value.code)


class SizeCard(Card, tag="size", frozen=True, kw_only=True):
    """A pot size as it was last set."""

    value: SizeSet

    @property
    def key(self) -> Key:
        return ("size", self.value.code)


class PlaceCard(Card, tag="place", frozen=True, kw_only=True):
    """A place as it was last set, and how it was treated."""

    value: PlaceSet
    treatments: tuple[Treatment, ...] = ()

    @property
    def key(self) -> Key:
        return ("place", self.value.code)

    def closed_until(self, now: datetime) -> datetime | None:
        """The latest re-entry time still running: where several treatments were applied, the longest rules (40 CFR 170)."""
        ends = [treated.re_entry_ends for treated in self.treatments if treated.re_entry_ends and treated.re_entry_ends > now]
        return max(ends, default=None)


class PersonCard(Card, tag="person", frozen=True, kw_only=True):
    """A person as they were last set."""

    value: PersonSet

    @property
    def key(self) -> Key:
        return ("person", self.value.code)


class RecipeCard(Card, tag="recipe", frozen=True, kw_only=True):
    """What is expected of a crop, as it was last set."""

    value: RecipeSet

    @property
    def key(self) -> Key:
        return ("recipe", self.value.crop)


class PolicyCard(Card, tag="policy", frozen=True, kw_only=True):
    """How the nursery works, as it was last set; and the correction of its confidence, if one was measured to be needed."""

    value: PolicySet
    corrected: ConfidenceCorrected | None = None

    @property
    def confidence(self) -> int:
        """At which promises are made: as stated, or higher where what was stated came true too seldom."""
        corrected = self.corrected
        return corrected.working if corrected and corrected.stated == self.value.confidence else self.value.confidence

    @property
    def key(self) -> Key:
        return ("policy", "")


def cost_code(value: CostSet) -> str:
    """What a standard cost is charged for, as one code: `potting.ixora-copper-thimble.P9`, with `all` for any."""
    return f"{value.step}.{value.crop or 'all'}.{value.size or 'all'}"


class CostCard(Card, tag="cost", frozen=True, kw_only=True):
    """All the dated amounts of one cost, newest last as told."""

    values: tuple[CostSet, ...]

    @property
    def key(self) -> Key:
        return ("cost", cost_code(self.values[-1]))


class BatchCard(Card, tag="batch", frozen=True, kw_only=True):
    """Plants of one crop that entered together. `size` exists from potting on; `came` is the type of the first entry."""

    number: str
    crop: str
    size: str | None = None
    came: str
    entered_at: datetime
    born_on: date
    standing: dict[str, Standing] = field(default_factory=dict)  # "<stage>/<place>"
    parents: tuple[Parent, ...] = ()
    children: tuple[str, ...] = ()
    stops: tuple[Stop, ...] = ()
    holds: tuple[Hold, ...] = ()
    treatments: tuple[Treatment, ...] = ()
    acts: tuple[Act, ...] = ()
    days_added: int = 0

    @property
    def key(self) -> Key:
        return ("batch", self.number)

    def units_in(self, stage: str) -> int:
        return sum(standing.units for place, standing in self.standing.items() if place.startswith(f"{stage}/"))


class StockPlantCard(Card, tag="stock-plant", frozen=True, kw_only=True):
    """Stock plants under one code: `standing` has the one account `stock/<place>`."""

    code: str
    crop: str
    place: str
    source: StockSource
    standing: dict[str, Standing] = field(default_factory=dict)
    licence: str | None = None
    from_batch: str | None = None
    children: tuple[str, ...] = ()
    stops: tuple[Stop, ...] = ()

    @property
    def key(self) -> Key:
        return ("stock-plant", self.code)


class OrderCard(Card, tag="order", frozen=True, kw_only=True):
    """What was pulled for an order and left: units by `<batch>/<place>` while picked, by batch once shipped or claimed."""

    ref: str
    picked: dict[str, int] = field(default_factory=dict)
    shipped: dict[str, int] = field(default_factory=dict)
    claimed: dict[str, int] = field(default_factory=dict)
    region: str | None = None
    carrier: str | None = None
    holds: tuple[Hold, ...] = ()
    promises: tuple[UUID, ...] = ()
    #: pulled for it beyond what it was promised, by `<crop>/<size>`
    beyond: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("order", self.ref)


class ShelfLine(Value, frozen=True, kw_only=True):
    """The finished plants of one batch, as the shop sees them; and those of it that are still growing on."""

    units: int
    held: int = 0
    stopped: bool = False
    growing: int = 0
    counted_at: datetime | None = None

    @property
    def counted_on(self) -> int:
        """Units that may be there one day: a forecast counts on no more of this batch."""
        return 0 if self.stopped else max(0, self.units + self.growing - self.held)


class PottingAsk(Value, frozen=True, kw_only=True):
    """What promises ask to be potted in one size on one day: pots, so many of them potted so far, for units of some lines.

    plugs: what all the pots take. lines: units by `<promise>/<line>`. answered: the position at which the crew said what
    became of it (`pots` are then those that were potted), 0 until then.
    """

    pots: int
    plugs: int
    potted: int = 0
    lines: dict[str, int] = field(default_factory=dict)
    answered: int = 0

    @property
    def units(self) -> int:
        return sum(self.lines.values())

    @property
    def open(self) -> int:
        """Pots still to be potted."""
        return 0 if self.answered else max(0, self.pots - self.potted)

    @property
    def reserved(self) -> int:
        """Plugs that the open pots need."""
        return -(-self.plugs * self.open // self.pots) if self.open else 0


class Pooled(Value, frozen=True, kw_only=True):
    """Units of a line that rest on potting asked for since the last forecast, which does not know of them yet."""

    due: date
    units: int
    position: int


class ShelfCard(Card, tag="shelf", frozen=True, kw_only=True):
    """The plants of one crop and size by batch, and what is promised of them.

    It follows from the batch and promise cards, and is kept so that one look is enough.
    """

    crop: str
    size: str
    lines: dict[str, ShelfLine] = field(default_factory=dict)
    #: units promised and not picked yet, by the day on which they are due
    due: dict[str, int] = field(default_factory=dict)
    #: by the day of potting
    asked: dict[str, PottingAsk] = field(default_factory=dict)
    #: by `<promise>/<line>`
    pooled: dict[str, Pooled] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("shelf", f"{self.crop}/{self.size}")


class PoolLine(Value, frozen=True, kw_only=True):
    """Plugs of one batch in holding, and cells of it still rooting. `since`: when the first plugs came there."""

    plugs: int = 0
    cells: int = 0
    stopped: bool = False
    since: datetime | None = None

    @property
    def counted_on(self) -> int:
        """Plugs and cells that a forecast may count on."""
        return 0 if self.stopped else self.plugs + self.cells


class PoolCard(Card, tag="pool", frozen=True, kw_only=True):
    """The plugs of one crop, which belong to no size until they are potted, by batch; and those that promises reserve.

    waiting_since: when the first change of the crop was recorded that no forecast has seen yet. changed: the position of the
    last one.
    """

    crop: str
    lines: dict[str, PoolLine] = field(default_factory=dict)
    #: plugs by `<day of potting>/<size>`
    reserved: dict[str, int] = field(default_factory=dict)
    waiting_since: datetime | None = None
    changed: int = 0

    @property
    def key(self) -> Key:
        return ("pool", self.crop)


class ForecastCard(Card, tag="forecast", frozen=True, kw_only=True):
    """The forecast of a crop that was published last, by its entry."""

    entry: UUID
    at: datetime
    value: Published

    @property
    def key(self) -> Key:
        return ("forecast", self.value.crop)


class DestinationCard(Card, tag="destination", frozen=True, kw_only=True):
    """A region and its rules, as they were last set."""

    value: DestinationSet

    @property
    def key(self) -> Key:
        return ("destination", self.value.region)


class PrintsCard(Card, tag="prints", frozen=True, kw_only=True):
    """What is printed on tags, as it was last set."""

    value: PrintsSet

    @property
    def key(self) -> Key:
        return ("prints", "")


class BooksCard(Card, tag="books", frozen=True, kw_only=True):
    """How the books value plants, as it was last set."""

    value: BooksSet

    @property
    def key(self) -> Key:
        return ("books", "")


class NormalsCard(Card, tag="normals", frozen=True, kw_only=True):
    """The usual temperatures of the houses, as they were last set."""

    value: TemperaturesSet

    @property
    def key(self) -> Key:
        return ("normals", "")


class MeasuredCard(Card, tag="measured", frozen=True, kw_only=True):
    """The mean temperatures measured on the days of one month, in tenths of a degree Celsius by day."""

    month: str
    days: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("measured", self.month)


class ListedPotting(Value, frozen=True, kw_only=True):
    """A line of an issued potting list, and the crew's answer: so many were potted.

    before: pots of that day that were potted already when the list was issued, which it does not ask for.
    """

    line: PottingLine
    before: int = 0
    potted: int | None = None
    because: ShortReason | None = None


class PottingCard(Card, tag="potting", frozen=True, kw_only=True):
    """The potting list of a day, as it was issued, with the answers to its lines by `<crop>/<size>`."""

    day: date
    lines: dict[str, ListedPotting] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("potting", self.day.isoformat())


class Risk(Value, frozen=True, kw_only=True):
    """Why a line is at risk, as it was told."""

    entry: UUID
    at: datetime
    chance: int
    short: int
    because: tuple[UUID, ...] = ()
    offered: date | None = None


class CrewAnswer(Value, frozen=True, kw_only=True):
    """What the crew said of the potting that a line had asked for."""

    entry: UUID
    asked: int
    potted: int
    because: ShortReason | None = None


class PromiseLine(Value, frozen=True, kw_only=True):
    """A granted line: `open` is still to be picked, `picked` was pulled for it, the rest was given back.

    lapsed: units that were open when the hold ran out. allow_part, allow_later: what its buyer would take instead.
    papers: what has to travel with the plants on that day.
    basis, confidence: what it was granted on. potting_on: the day of the potting that `pooled` of its units ask for.
    kept: units picked by their day, or there on it. missed: units that were not there on it.
    """

    crop: str
    size: str
    due: date
    granted: int
    open: int
    picked: int = 0
    basis: Basis = "finished"
    confidence: int | None = None
    potting_on: date | None = None
    pooled: int = 0
    answer: CrewAnswer | None = None
    risk: Risk | None = None
    kept: int = 0
    missed: int = 0
    checked: bool = False
    lapsed: int = 0
    allow_part: bool = False
    allow_later: bool = False
    papers: tuple[str, ...] = ()

    @property
    def wanted(self) -> int:
        """Units that confirming would have to give."""
        return self.open + self.lapsed


class PromiseCard(Card, tag="promise", frozen=True, kw_only=True):
    """A basket promised to an order. A held one expires; lines keep the index that they had in the basket.

    position: of the entry by which it was granted. open: units still to be picked, all lines together.
    """

    promise: UUID
    order: str
    client: str
    state: Literal["held", "confirmed", "released", "expired"]
    lines: dict[str, PromiseLine]
    position: int
    open: int = 0
    region: str | None = None
    expires_at: datetime | None = None
    replaces: UUID | None = None
    all_or_none: bool = True

    @property
    def numbered(self) -> list[tuple[int, PromiseLine]]:
        """The lines with their numbers, in that order."""
        return sorted(((int(index), line) for index, line in self.lines.items()), key=lambda pair: pair[0])

    @property
    def key(self) -> Key:
        return ("promise", str(self.promise))


class ClientCard(Card, tag="client", frozen=True, kw_only=True):
    """A key's holds that are not confirmed yet: units by `<promise>/<crop>/<size>`. Kept against hoarding."""

    client: str
    held: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("client", self.client)


class OutsideCard(Card, tag="outside", frozen=True, kw_only=True):
    """The balances of the outside accounts in one unit."""

    unit: str
    units: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("outside", self.unit)


class NurseryCard(Card, tag="nursery", frozen=True, kw_only=True):
    """The day the book was opened, by how many entries, and the last serial given to a batch in each ISO week.

    first_on: the first day of which anything is told. closed_to: the last day of the last closed period.
    """

    first_on: date | None = None
    closed_to: date | None = None
    opening_day: date | None = None
    opened: int = 0
    #: the days for which promises ask for potting, with the crops and sizes as `<crop>/<size>`
    potting: dict[str, tuple[str, ...]] = field(default_factory=dict)
    #: the last day for which a potting list was issued
    potting_issued: date | None = None
    serials: dict[str, int] = field(default_factory=dict)

    @property
    def key(self) -> Key:
        return ("nursery", "")


class QuestionCard(Card, tag="question", frozen=True, kw_only=True):
    """A question attached to an entry, until somebody answers it."""

    entry: UUID
    of: UUID
    answer: str | None = None

    @property
    def key(self) -> Key:
        return ("question", str(self.entry))


class HeadCard(Card, tag="head", frozen=True, kw_only=True):
    """The head of the proof that was signed last, and the position of the entry that tells of it."""

    value: HeadSigned
    position: int

    @property
    def key(self) -> Key:
        return ("head", "")


AnyCard = (
    CropCard | SizeCard | PlaceCard | PersonCard | RecipeCard | PolicyCard | CostCard | DestinationCard
    | PrintsCard | BooksCard | NormalsCard | MeasuredCard | BatchCard | StockPlantCard | OrderCard | PromiseCard | ClientCard
    | ForecastCard | PottingCard | ShelfCard | PoolCard | OutsideCard | NurseryCard | QuestionCard
    | HeadCard
)  # fmt: skip

#: cards that follow from others and have no history of their own
DERIVED = frozenset({"shelf", "pool", "outside", "nursery", "client"})

_decoder = msgspec.json.Decoder(AnyCard)
_encoder = msgspec.json.Encoder(order="deterministic")


def decode(stored: str | bytes) -> AnyCard:
    """A card as it is kept, in JSON."""
    card: AnyCard = _decoder.decode(stored)
    return card


def encode(card: Card) -> bytes:
    """The same card, always as the same bytes."""
    return _encoder.encode(card)


def changed(card: Any, **fields: Any) -> Any:
    """The card with some fields replaced (a shorter name for the commonest line of the fold)."""
    return msgspec.structs.replace(card, **fields)
