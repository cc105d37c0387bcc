"""What the simulated nursery needs of the service while it lives: entries written down, and questions answered at once.

What a basket is granted cannot be invented: it is asked for here, and the simulated people act on the answer.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime
from typing import Protocol
from uuid import UUID

from msgspec import Struct

from ledger.plants.entries import PottingLine, PromiseConfirmed, Promised, Told


class Granted(Struct, frozen=True, kw_only=True):
    """A line of a basket as it was granted. potting_on: the day of the potting that it asked for."""

    index: int
    units: int
    due: date
    potting_on: date | None


class AtRisk(Struct, frozen=True, kw_only=True):
    """A line that may not be there on its day: the entry that says so, and the day that the service offers instead."""

    promise: UUID
    index: int
    entry: UUID
    offered: date | None


class Desk(Protocol):
    """Whoever writes the nursery's entries down. What is told stays in its order."""

    def write(self, told: Sequence[Told]) -> None:
        """Write entries down, at the latest before the next question."""
        ...

    def promise(self, baskets: Sequence[tuple[Promised, PromiseConfirmed]]) -> dict[UUID, list[Granted]]:
        """Ask for baskets, each bought at once; what was granted, by promise. A basket that gets nothing is not there."""
        ...

    def publish(self, crops: Sequence[str], at: datetime) -> None:
        """Publish the forecasts of crops as of a moment, and look at the promises that rest on them."""
        ...

    def close(self, period: str, by: str, at: datetime) -> None:
        """Close a month of the books."""
        ...

    def at_risk(self) -> list[AtRisk]:
        """The lines at risk, in the order of their promises."""
        ...

    def still_open(self, promise: UUID, index: int) -> int:
        """How many units of a line are still to be picked."""
        ...

    def listed(self, day: date) -> list[PottingLine]:
        """The lines of the potting list that was issued for a day."""
        ...
