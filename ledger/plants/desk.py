"""The desk at which an entry is decided: the turn of the pen, the policy in force, and looking things up or refusing. Pure.

Owns what the rules of plants (`rules`) and those of the promise book (`promises`) share: what is known under a code, and
whether it may be used. It moves no plant and grants none.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from functools import lru_cache
from uuid import UUID
from zoneinfo import ZoneInfo

from msgspec import Struct

from ledger.plants import numbers, refusals
from ledger.plants.book import Book
from ledger.plants.cards import BatchCard, CropCard, ListedPotting, PolicyCard, StockPlantCard, Stop
from ledger.plants.entries import DamageClaimed, PolicySet, Told
from ledger.plants.recorded import Grant, Move

DEFAULT_POLICY = PolicySet(id=UUID(int=0), occurred_at=datetime.fromisoformat("2000-01-01T00:00:00+00:00"), by="tallybench")


class Turn(Struct, frozen=True, kw_only=True):
    """What comes from outside with a decision: the position the entry would take, the database's clock, the key.

    The clock never goes back before the last entry; how far it had to be held, `behind` tells.
    """

    position: int
    now: datetime
    client: str
    #: by how much the database's clock is behind the last entry
    behind: timedelta = timedelta(0)


def policy_card(book: Book) -> PolicyCard:
    """The policy in force, or the default, and the correction of its confidence."""
    return book.policy() or PolicyCard(value=DEFAULT_POLICY)


def policy_of(book: Book) -> PolicySet:
    """The policy in force, or the default."""
    return policy_card(book).value


@lru_cache(maxsize=64)
def zone_of(name: str) -> ZoneInfo:
    """The time zone of that name. Raises what zoneinfo raises if there is none."""
    return ZoneInfo(name)


def day_of(at: datetime, policy: PolicySet) -> date:
    """The day in the nursery's own calendar."""
    return at.astimezone(zone_of(policy.time_zone)).date()


class Desk:
    """One decision: looks things up, refuses, and collects what it gives."""

    def __init__(self, book: Book, told: Told, turn: Turn, policy: PolicySet) -> None:
        self.book = book
        self.told = told
        self.turn = turn
        self.policy = policy
        self.moves: list[Move] = []
        self.grants: list[Grant] = []
        # where the movements stand in the occurred order: a reversal's at the time and position of what it takes back
        self.at = told.occurred_at
        self.rank = turn.position

    # --- looking things up ------------------------------------------------------------------------------------

    def unknown(self, what: str, code: str, field: str) -> refusals.UnknownCode:
        return refusals.UnknownCode(f"there is no {what} {code}", field=field, kind=what, given=code)

    def person(self, code: str, field: str, *, introducing: bool = False) -> None:
        person = self.book.person(code)
        if person is None and not introducing:
            raise self.unknown("person", code, field)
        if person is not None and not person.value.active:
            raise refusals.Retired(f"{code} is no longer active", field=field)

    def crop(self, code: str, field: str = "crop", *, entering: bool = True) -> CropCard:
        crop = self.book.crop(code)
        if crop is None:
            raise self.unknown("crop", code, field)
        if entering and crop.value.retired:
            raise refusals.Retired(f"{code} is retired: no new plants of it can enter", field=field)
        return crop

    def propagated(self, code: str) -> None:
        crop = self.crop(code)
        self.licensed(crop)
        self.not_stopped(crop.stops, code, "crop")

    def licensed(self, crop: CropCard) -> None:
        if not crop.value.may_propagate:
            raise refusals.MayNotPropagate(
                f"{crop.value.code} may not be propagated here: a protected variety needs its owner's licence", field="crop"
            )

    def size(self, code: str, field: str = "size") -> None:
        size = self.book.size(code)
        if size is None:
            raise self.unknown("size", code, field)
        if size.value.retired:
            raise refusals.Retired(f"size {code} is retired", field=field)

    def place(self, code: str, field: str = "place", *, entering: bool = True) -> None:
        place = self.book.place(code)
        if place is None:
            raise self.unknown("place", code, field)
        if entering and place.value.retired:
            raise refusals.Retired(f"place {code} is retired: nothing can be set there", field=field)

    def batch(self, number: str, field: str = "batch") -> BatchCard:
        if not numbers.is_valid(number):
            raise refusals.BadCheckCharacter(
                f"{number} is no batch number: its check character does not agree, look at the tag again", field=field
            )
        batch = self.book.batch(number)
        if batch is None:
            raise self.unknown("batch", number, field)
        return batch

    def stock_plant(self, code: str, field: str = "stock_plant") -> StockPlantCard:
        plant = self.book.stock_plant(code)
        if plant is None:
            raise self.unknown("stock plant", code, field)
        return plant

    def not_stopped(self, stops: Sequence[Stop], what: str, field: str) -> None:
        if stops:
            stop = stops[0]
            raise refusals.IsStopped(
                f"{what} is stopped ({stop.reason}): a cleared entry with the reason lifts it",
                field=field,
                stop=str(stop.entry),
            )

    def saleable(self, batch: BatchCard) -> None:
        self.not_stopped(batch.stops, batch.number, "batch")
        self.not_stopped(self.crop(batch.crop, entering=False).stops, batch.crop, "batch")

    def new_number(self, given: str | None, field: str) -> str:
        """The number of a batch that this entry makes: the one given, or the next of its ISO week."""
        if given is None:
            week = numbers.week_of(day_of(self.told.occurred_at, self.policy))
            return numbers.next_number(week, self.book.nursery().serials.get(week, 0))[0]
        if not numbers.is_given(given):
            raise refusals.BadCheckCharacter(
                f"{given} is no batch number: its check character does not agree, or is one that is easily misread", field=field
            )
        if self.book.batch(given) is not None:
            raise refusals.NumberTaken(f"there is a batch {given} already: leave {field} out to be given a number", field=field)
        if numbers.serial_of(given)[1] > numbers.MOST_CHOSEN_SERIAL:
            raise refusals.NumberTaken(
                f"serials above {numbers.MOST_CHOSEN_SERIAL} are kept for the ledger: leave {field} out to be given a number",
                field=field,
            )
        return given

    def day_here(self) -> date:
        return day_of(self.at, self.policy)

    def listed(self, day: date, crop: str, size: str, fields: tuple[str, str]) -> ListedPotting:
        """The line of the potting list of a day. fields: what the entry calls the day, and what the line."""
        card = self.book.potting(day)
        if card is None:
            raise self.unknown("potting list", str(day), fields[0])
        listed = card.lines.get(f"{crop}/{size}")
        if listed is None:
            raise self.unknown("line of that potting list", f"{crop} {size}", fields[1])
        return listed

    def damage_claim(self, claimed: UUID) -> None:
        """A replacement answers a damage claim that stands."""
        claim = self.book.entry(claimed)
        if claim is None or not isinstance(claim.told, DamageClaimed):
            raise self.unknown("damage claim", str(claimed), "replaces")
        if self.book.is_reversed(claimed):
            raise refusals.AlreadyReversed("the damage claim that it replaces was taken back", field="replaces")
