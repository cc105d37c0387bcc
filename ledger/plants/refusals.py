"""Every way in which an entry can be refused: a closed set, each with a stable code and the figures behind it.

A refusal says what to do. How it reaches a caller (status, document) is decided in one place, `api.problems`.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from typing import Any, ClassVar

from msgspec import Struct

from ledger.plants.entries import Told


class Refusal(Exception):
    """One reason why one entry was refused. `field` is the field to look at; `data` are the figures, ready for JSON."""

    CODE: ClassVar[str]

    def __init__(self, detail: str, *, field: str | None = None, offer: Sequence[Told] = (), **data: Any) -> None:
        super().__init__(detail)
        self.detail = detail
        self.field = field
        self.offer = tuple(offer)
        self.data = data


class Malformed(Refusal):
    """The entry is not of its type's shape: a missing, unknown or ill-typed field, or a value out of bounds."""

    CODE = "malformed"


class Contradiction(Refusal):
    """The figures inside the entry do not add up."""

    CODE = "contradiction"


class IdReused(Refusal):
    """The id stands for another entry already."""

    CODE = "id-reused"


class InTheFuture(Refusal):
    """The time told lies ahead of the clock."""

    CODE = "in-the-future"


class UnknownCode(Refusal):
    """A crop, size, place, person, batch, stock plant or entry that the ledger does not know."""

    CODE = "unknown-code"


class Retired(Refusal):
    """The crop, size, place or person takes no new plants or entries."""

    CODE = "retired"


class NumberTaken(Refusal):
    """There is a batch of that number already."""

    CODE = "number-taken"


class BadCheckCharacter(Refusal):
    """A batch number whose check character does not agree: a slip in reading the tag."""

    CODE = "bad-check-character"


class NotEnoughStanding(Refusal):
    """More than stand there at that moment. Where a person holds the plants, count first: `offer` holds the entries."""

    CODE = "not-enough-standing"


class NotAllCounted(Refusal):
    """A count of the whole does not add up to what stands there."""

    CODE = "not-all-counted"


class MoreThanPicked(Refusal):
    """More than were picked for that order."""

    CODE = "more-than-picked"


class MoreThanShipped(Refusal):
    """More than were shipped for that order and are not claimed yet."""

    CODE = "more-than-shipped"


class NotSellable(Refusal):
    """Above what is sellable now, which leaves out what is stopped, held, in doubt, and the count buffer."""

    CODE = "not-sellable"


class IsStopped(Refusal):
    """Stopped plants wait for a `cleared` entry, which names who lifted the stop and why."""

    CODE = "stopped"


class MayNotPropagate(Refusal):
    """The crop may not be propagated here; a protected variety needs its owner's licence."""

    CODE = "may-not-propagate"


class DifferentPlants(Refusal):
    """Plants of different crops, sizes or stages cannot become one batch."""

    CODE = "different-plants"


class NotLarger(Refusal):
    """Potting up needs a larger size."""

    CODE = "not-larger"


class NotOpeningDay(Refusal):
    """Opening entries belong to the first day of the book."""

    CODE = "not-opening-day"


class WouldLower(Refusal):
    """Stock plants that went are told with `stock-removed`, so that their cause is kept."""

    CODE = "would-lower"


class NotPromisable(Refusal):
    """More than is promisable for that day. The data say, line by line, how many are, and when all of them would be."""

    CODE = "not-promisable"


class NotSentThere(Refusal):
    """By the nursery's own list such a plant is not sent to that region. Official plant health rules come first."""

    CODE = "not-sent-there"


class HoldsTooMuch(Refusal):
    """This key holds as many unconfirmed plants as the policy allows: confirm or release some first."""

    CODE = "holds-too-much"


class NotOpen(Refusal):
    """The promise, or that line of it, is not open any more: released, expired, or picked already."""

    CODE = "not-open"


class NotReversible(Refusal):
    """An entry of that type is not taken back: tell what is true now instead."""

    CODE = "not-reversible"


class AlreadyReversed(Refusal):
    """The entry was taken back already."""

    CODE = "already-reversed"


class BreaksLaterFact(Refusal):
    """The entry, told late or taken back, would contradict a later one, such as leave it without the plants that it moved."""

    CODE = "breaks-later-fact"


class AlreadyEnded(Refusal):
    """The hold, stop or question is not open."""

    CODE = "already-ended"


class NotClosable(Refusal):
    """The period cannot be closed: it is not over, it is closed already, or one before it is still open."""

    CODE = "not-closable"


class WrongHead(Refusal):
    """Not the head of the log at that size: only what the log proves is signed."""

    CODE = "wrong-head"


class UnknownTimeZone(Refusal):
    """Not a time zone of the IANA list."""

    CODE = "unknown-time-zone"


class VersionConflict(Refusal):
    """The reference value was replaced since it was read."""

    CODE = "version-conflict"


class Problem(Struct, frozen=True, kw_only=True, omit_defaults=True):
    """A refusal as a value. `index` is the place of the entry in the list that was posted, from 0."""

    index: int
    code: str
    detail: str
    field: str | None = None
    data: dict[str, Any] = {}
    offer: tuple[Told, ...] = ()


class Refused(Exception):
    """A list of entries was refused, whole: every problem of it. Nothing was written."""

    def __init__(self, problems: Sequence[Problem]) -> None:
        super().__init__("; ".join(f"[{problem.index}] {problem.code}: {problem.detail}" for problem in problems))
        self.problems = list(problems)


def as_problem(index: int, refusal: Refusal) -> Problem:
    """A refusal as a value, with the place of its entry in the list."""
    return Problem(
        index=index, code=refusal.CODE, detail=refusal.detail, field=refusal.field, data=refusal.data, offer=refusal.offer
    )


def moment(at: datetime) -> str:
    """A time as it is written in a message."""
    return at.isoformat(timespec="minutes")
