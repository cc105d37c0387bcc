"""How promises were kept: stated confidence against what was there, in units and in whole lines. Pure.

A unit is kept if it was picked by its day, or stood free for its line on it; it is missed if neither, also where its line was
at risk and was moved or given back before its day. Lines given back by their buyer count in neither.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Sequence
from datetime import date
from typing import Literal

from msgspec import Struct

from ledger.books.shrink import wilson

KeptBy = Literal["confidence", "basis", "crop", "size", "month"]
COUNTED = "counted stock"
_FEW_LINES = 20


class KeptLine(Struct, frozen=True, kw_only=True):
    """One line of a promise that fell due: units kept and missed. confidence: in percent, None where it rested on a count."""

    crop: str
    size: str
    due: date
    confidence: int | None
    basis: str
    kept: int
    missed: int


class Kept(Struct, frozen=True, kw_only=True):
    """A line of the report. Shares from 0 to 1; low and high: Wilson's 95 % interval of the whole lines kept.

    What is not grouped by is null. stated: the confidence, `counted stock` where no forecast was needed.
    """

    stated: str | None
    basis: str | None
    crop: str | None
    size: str | None
    month: str | None
    lines: int
    lines_kept: int
    share: float
    low: float
    high: float
    units: int
    units_kept: int
    few_data: bool


def kept(lines: Iterable[KeptLine], by: Sequence[KeptBy]) -> list[Kept]:
    """Lines that fell due, by any of stated confidence, basis, crop, size and month."""
    groups: dict[tuple[str | None, ...], list[KeptLine]] = defaultdict(list)
    for line in lines:
        if line.kept + line.missed:
            groups[_group(line, by)].append(line)
    return [_kept(group, of) for group, of in sorted(groups.items(), key=lambda item: [name or "" for name in item[0]])]


def _group(line: KeptLine, by: Sequence[KeptBy]) -> tuple[str | None, ...]:
    return (
        (COUNTED if line.confidence is None else f"{line.confidence} %") if "confidence" in by else None,
        line.basis if "basis" in by else None,
        line.crop if "crop" in by else None,
        line.size if "size" in by else None,
        f"{line.due:%Y-%m}" if "month" in by else None,
    )


def _kept(group: tuple[str | None, ...], lines: Sequence[KeptLine]) -> Kept:
    whole = sum(line.missed == 0 for line in lines)
    low, high = wilson(whole, len(lines))
    stated, basis, crop, size, month = group
    return Kept(
        stated=stated,
        basis=basis,
        crop=crop,
        size=size,
        month=month,
        lines=len(lines),
        lines_kept=whole,
        share=whole / len(lines),
        low=low,
        high=high,
        units=sum(line.kept + line.missed for line in lines),
        units_kept=sum(line.kept for line in lines),
        few_data=len(lines) < _FEW_LINES,
    )
