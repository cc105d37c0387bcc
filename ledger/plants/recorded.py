"""An entry as the pen wrote it: the told fact, its place in the log, and the movements that follow from it.

Owns the double entry: every movement names both its sides, so plants are never made or destroyed, only moved.
"""

from __future__ import annotations

from datetime import date, datetime
from typing import Literal, NamedTuple
from uuid import UUID

from msgspec import Struct, field

from ledger.plants.entries import Entry, Stage
from ledger.plants.forecasts import Basis

CUTTING = "cutting"
CELL = "cell"
STOCK_PLANT = "stock-plant"


def pot(size: str) -> str:
    """The unit of a pot of one size, such as `pot:P9`."""
    return f"pot:{size}"


# the outside accounts: whatever is not a standing place of a batch
FROM_STOCK_PLANT = "stock-plant"
BOUGHT_IN = "bought-in"
OPENING = "opening"
SHIPPED = "shipped"
GIVEN_OUT = "given-out"
PLANTED_AS_STOCK = "planted-as-stock"
COUNT_DIFFERENCE = "count-difference"
CONVERTED = "converted"
LOSS = "loss/"


def loss(cause: str) -> str:
    """The outside account that takes plants lost to one cause, such as `loss/rot`."""
    return LOSS + cause


#: the stage word of stock plants in the ground, whose account is `<code>/stock/<place>`
STOCK = "stock"


def standing(holder: str, stage: str, place: str) -> str:
    """The account of plants that stand somewhere: `<batch>/<stage>/<place>`."""
    return f"{holder}/{stage}/{place}"


def split_standing(account: str) -> tuple[str, str, str] | None:
    """(holder, stage, place) of a standing account, None for an outside one."""
    match account.split("/"):
        case [holder, stage, place]:
            return (holder, stage, place)
        case _:
            return None


class Move(Struct, frozen=True, kw_only=True, omit_defaults=True, forbid_unknown_fields=True):
    """A positive whole number of one unit from one account to another.

    `at` is given where the movement counts at another time than its entry's `occurred_at`: in a reversal (the time of the
    entry taken back) and against a count (the time of the count, whose id is then in `count`). `booked_on` goes with it;
    `happened_on` where that day's period was closed and the books count it on another.
    """

    units: int
    unit: str
    source: str = field(name="from")
    target: str = field(name="to")
    at: datetime | None = None
    booked_on: date | None = None
    happened_on: date | None = None
    count: UUID | None = None
    order: str | None = None


class Line(NamedTuple):
    """What one entry moved at one standing account, with sign; sorted, lines are in the occurred order.

    `rank` orders what has the same time: the position of the entry; of the entry taken back for a reversal; of the count for
    what is booked against one.
    """

    at: datetime
    rank: int
    position: int
    units: int

    @property
    def order(self) -> tuple[datetime, int]:
        """Its place in the occurred order."""
        return (self.at, self.rank)


class Question(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Something that a person has to look at: `of` is the other entry that it is about."""

    kind: Literal["possible-duplicate"]
    of: UUID


class Asked(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True):
    """Potting that a promise asks for: on a day, so many more pots from so many more plugs, for so many of its units."""

    on: date
    units: int
    pots: int
    plugs: int


class Grant(Struct, frozen=True, kw_only=True, forbid_unknown_fields=True, omit_defaults=True):
    """What a line of a basket was given, and what it rests on: `promisable` were free for its day when it was granted.

    confidence: in percent, of a grant beyond counted stock, by the forecast with the id `forecast`. papers: what has to
    travel with the plants.
    """

    line: int
    crop: str
    size: str
    asked: int
    units: int
    due: date
    basis: Basis
    promisable: int
    confidence: int | None = None
    forecast: UUID | None = None
    potting: Asked | None = None
    papers: tuple[str, ...] = ()


class Recorded(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """One row of the log.

    `position` is dense from 1 in the order of commits. `booked_on` is the day on which the books count it, in the nursery's
    own calendar; `happened_on` is given where its true day was in a period that was closed. `client` names the key that wrote
    it. `schema` is that of the told part when it was written.
    """

    position: int
    recorded_at: datetime
    booked_on: date
    client: str
    schema: int
    told: Entry
    moves: tuple[Move, ...] = ()
    questions: tuple[Question, ...] = ()
    grants: tuple[Grant, ...] = ()
    happened_on: date | None = None

    @property
    def day(self) -> date:
        """The day on which it happened, in the nursery's own calendar, whatever the books do."""
        return self.happened_on or self.booked_on

    def at(self, move: Move) -> datetime:
        """When a movement of this entry counts."""
        return move.at or self.told.occurred_at


#: stages in the order of life, for telling forward from backward
LIFE = (Stage.GATHERED, Stage.STRUCK, Stage.ROOTED, Stage.POTTED, Stage.FINISHED, Stage.PICKED)
