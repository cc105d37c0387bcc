"""Forecasts by hand, as they stand in the log: a few steps, the same shape at every confidence. Knows no model."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

Fact = dict[str, Any]
#: (week, units in all), weeks rising
Curve = Sequence[tuple[int, int]]

#: by confidence 10, 50, 80, 90, 95, 99: so many more or fewer than at 90
MORE = (6, 4, 2, 0, -1, -4)


def by_confidence(curve: Curve) -> list[list[list[int]]]:
    """A curve at 90 %, and those beside it; nothing stays nothing."""
    return [[[week, max(0, units + more) if units else 0] for week, units in curve] for more in MORE]


def size(
    asked: Curve,
    relied: Mapping[str, int] | None = None,
    *,
    finished: Curve = (),
    growing: Curve | None = None,
    ready: Curve = ((0, 8),),
    share: int = 9000,
    strength: int = 100_000,
) -> Fact:
    """One size: `asked` is all of it; of pots potted `share` in 10,000 are good after `ready` weeks."""
    return {
        "finished": by_confidence(finished),
        "growing_on": by_confidence(asked if growing is None else growing),
        "asked": by_confidence(asked),
        "ready": [[list(step) for step in ready]] * 6,
        "come_through": [[share, strength]] * 6,
        "relied": dict(relied or {}),
        "batches": 9,
    }


def pool(plugs: int = 0, relied: Mapping[str, int] | None = None, *, rooting: Curve | None = None) -> Fact:
    """Plugs in holding, the same for ever; `rooting` is with the cells that root."""
    held = by_confidence([(0, plugs)])
    all_of_them = held if rooting is None else by_confidence(rooting)
    return {"plugs": held, "rooting": all_of_them, "relied": dict(relied or {}), "batches": 9}


def forecast(crop: str, day: date, position: int, sizes: Mapping[str, Fact], of_pool: Fact | None = None) -> Fact:
    """A forecast of one crop as of a position of the log."""
    return {
        "crop": crop,
        "day": day.isoformat(),
        "position": position,
        "seed": 1,
        "sizes": dict(sizes),
        "pool": of_pool or pool(),
        "method": "days",
        "draws": 500,
    }
