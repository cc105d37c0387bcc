"""What can be sold now: counted finished plants, and nothing else. No forecast ever feeds this number.

Sellable now = finished - promised - stopped - held - in doubt, less the count buffer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import date, datetime
from itertools import accumulate

from msgspec import Struct

from ledger.plants.cards import BatchCard, CropCard, ShelfCard, ShelfLine
from ledger.plants.entries import PolicySet, Stage


class Sellable(Struct, frozen=True, kw_only=True):
    """How the number came about, in pots of one crop and size.

    counted_at: when the part that was counted longest ago was counted, None if there is no plant.
    """

    now: int
    finished: int
    stopped: int
    held: int
    promised: int
    buffer: int
    counted_at: datetime | None


def count_buffer(units: int, days: float, policy: PolicySet) -> int:
    """Pots kept back because a count is never exact: ceil(z sigma), sigma = sqrt((a Q)^2 + (b Q)^2 d/7 + 1).

    Q is `units`, d the days since the last count; z, a and b are the policy's (1.28, .02 and .015 by default; design
    values of this project, to be refitted from a nursery's own count differences). Q 40: 2 after 3 days, 3 after 30.
    """
    share = policy.buffer_share_per_mille / 1000 * units
    drift = policy.buffer_drift_per_mille / 1000 * units
    sigma = math.sqrt(share**2 + drift**2 * max(0.0, days) / 7 + 1)
    return math.ceil(policy.buffer_z_per_mille / 1000 * sigma)


def sellable(shelf: ShelfCard, crop: CropCard | None, policy: PolicySet, now: datetime) -> Sellable:
    """The rule, over the finished plants of one crop and size."""
    lines = shelf.lines.values()
    finished = sum(line.units for line in lines)
    whole_crop_stopped = crop is not None and bool(crop.stops)
    stopped = sum(line.units for line in lines if whole_crop_stopped or line.stopped)
    held = sum(min(line.held, line.units) for line in lines if not (whole_crop_stopped or line.stopped))
    counted_at = min((line.counted_at for line in lines), default=None)
    days = (now - counted_at).total_seconds() / 86_400 if counted_at else 0.0
    free = finished - stopped - held
    buffer = min(count_buffer(free, days, policy), free)
    promised = sum(commitment.units for commitment in shelf.commitments.values())
    today = now.date()
    due = [(commitment.due, commitment.units) for commitment in shelf.commitments.values()]
    return Sellable(
        now=promisable([(today, free - buffer)], due, today),
        finished=finished,
        stopped=stopped,
        held=held,
        promised=promised,
        buffer=buffer,
        counted_at=counted_at,
    )


def promisable(supply: Sequence[tuple[date, int]], commitments: Sequence[tuple[date, int]], on: date) -> int:
    """How many more may be promised for a day: A(d) = min over t >= d of (Q(t) - C(t)), never below 0.

    supply: cumulative supply as steps (from this day on, so many in all), in the order of days; before the first step, 0.
    commitments: (due day, units still to be picked). The minimum over later days keeps today's buyer from taking a plant
    that is promised for later.
    """
    changes = {on: 0}
    for due, units in commitments:
        day = max(due, on)
        changes[day] = changes.get(day, 0) - units
    before = 0
    for ready, total in supply:
        day = max(ready, on)
        changes[day] = changes.get(day, 0) + total - before
        before = total
    return max(0, min(accumulate(changes[day] for day in sorted(changes))))


def line_of(batch: BatchCard) -> ShelfLine | None:
    """The finished plants of a batch as a line on its shelf, None where there are none."""
    standings = [
        standing for where, standing in batch.standing.items() if where.startswith(f"{Stage.FINISHED}/") and standing.units > 0
    ]
    if not standings:
        return None
    return ShelfLine(
        units=sum(standing.units for standing in standings),
        held=sum(hold.units for hold in batch.holds),
        stopped=bool(batch.stops),
        counted_at=min(standing.last_count.at if standing.last_count else standing.since for standing in standings),
    )
