"""The plain records that the forecast learns from: how one batch stood in one stage. Owns the records, computes nothing.

Whoever wires the forecast to a ledger makes them from its passages; a simulated world makes them from its own truth.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from msgspec import Struct

from ledger.plants.entries import Stage, Timing

#: what a time or a share belongs to: a crop, and for potted plants its size
Line = tuple[str, str | None]


class Look(Struct, frozen=True, kw_only=True):
    """What a day changed since the look before: so many went on to the next stage, were found no good, had died.

    poor: of those looked over as ready: graded out, seconds, cells that did not root. lost: all other losses.
    """

    on: date
    finished: int = 0
    poor: int = 0
    lost: int = 0

    @property
    def gone(self) -> int:
        return self.finished + self.poor + self.lost


class Stay(Struct, frozen=True, kw_only=True):
    """One batch in one stage. `units` entered it; looks are in the order of their days.

    stage: struck (rooting), rooted (holding), potted (growing on) or finished. running: some still stand there.
    days_added: work or a set-back that moved readiness by so many days.
    """

    batch: str
    crop: str
    stage: Stage
    started_on: date
    units: int
    size: str | None = None
    looks: tuple[Look, ...] = ()
    running: bool = False
    days_added: int = 0

    @property
    def line(self) -> Line:
        return (self.crop, self.size)

    @property
    def finished(self) -> int:
        return sum(look.finished for look in self.looks)

    @property
    def poor(self) -> int:
        return sum(look.poor for look in self.looks)

    @property
    def lost(self) -> int:
        return sum(look.lost for look in self.looks)

    @property
    def standing(self) -> int:
        return max(0, self.units - sum(look.gone for look in self.looks)) if self.running else 0

    def known_on(self, day: date) -> Stay:
        """The same stay as it was known at the end of a day on which it had begun."""
        looks = tuple(look for look in self.looks if look.on <= day)
        gone = sum(look.gone for look in looks)
        later = len(looks) < len(self.looks)
        running = (later or self.running) and (later or gone < self.units)
        return Stay(
            batch=self.batch, crop=self.crop, stage=self.stage, started_on=self.started_on, units=self.units,
            size=self.size, looks=looks, running=running, days_added=self.days_added,
        )  # fmt: skip


class Lot(Struct, frozen=True, kw_only=True):
    """A running stay and the units of it that stand now and may be counted on."""

    stay: Stay
    units: int


class CropFacts(Struct, frozen=True, kw_only=True):
    """What was told of a crop: the group that it borrows from, its base temperature, and the grower's recipe, if any.

    growing: by every size in which the crop is grown, None where no times were typed.
    """

    code: str
    group: str
    base_temperature_c: int | None = None
    rooting: Timing | None = None
    growing: Mapping[str, Timing | None] = {}
