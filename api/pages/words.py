"""The words of the pages: what stages, causes and units are called to somebody at a bench, and entries told in a sentence."""

from __future__ import annotations

from collections.abc import Callable
from datetime import date
from typing import Any

from ledger.plants.cards import BatchCard
from ledger.plants.entries import Told, type_of
from ledger.plants.recorded import Recorded

STAGES = {
    "gathered": "cuttings in hand",
    "struck": "rooting",
    "rooted": "rooted plugs",
    "potted": "growing on",
    "finished": "finished",
    "seconds": "seconds",
    "picked": "picked",
}
CAUSES = {
    "did-not-root": "Did not root",
    "rot": "Rot",
    "dried-out": "Dried out",
    "cold": "Cold",
    "heat": "Heat",
    "pest": "Pest",
    "disease": "Disease",
    "overheld": "Held too long",
    "handling": "Broken in handling",
    "graded-out": "Not good enough",
    "surplus": "Too many",
    "wrong-name": "Wrong name",
    "regulated": "Regulated pest or virus",
}
STOPS = {
    "quarantine": "Quarantine (suspected pest or virus)",
    "isolation": "Isolation",
    "name-in-doubt": "Name in doubt",
    "quality": "Quality",
}
HOLDS = {"weather": "The weather", "papers": "Papers", "buyer": "The buyer"}
METHODS = {
    "count": "counted",
    "blind-count": "counted without knowing the book",
    "sample": "a sample",
    "estimate": "an estimate",
}
TENDED = {"trimmed": "Trimmed", "pinched": "Pinched", "spaced": "Spaced", "fed": "Fed", "weaned": "Weaned"}
CAME = {
    "opened": "stood here when the book was opened",
    "bought-in": "bought in",
    "gathered": "cuttings gathered",
    "struck": "struck",
    "potted": "potted",
    "potted-up": "potted up",
    "merged": "put together from other batches",
    "renamed": "found under another name",
}
_UNITS = {"gathered": ("cutting", "cuttings"), "struck": ("cell", "cells"), "rooted": ("plug", "plugs")}


def noun(stage: str, units: int) -> str:
    """What so many plants of a stage are called."""
    one, many = _UNITS.get(stage, ("pot", "pots"))
    return one if units == 1 else many


def units(count: int, stage: str) -> str:
    """144 plugs."""
    return f"{count:,} {noun(stage, count)}"


def age(card: BatchCard, today: date) -> str:
    """How long ago a batch began, in words."""
    days = (today - card.born_on).days
    if days <= 0:
        return "new today"
    if days < 14:  # noqa: PLR2004 - up to two weeks one counts days
        return "1 day old" if days == 1 else f"{days} days old"
    return f"{days // 7} weeks old"


def heading(recorded: Recorded) -> str:
    """What kind of entry it is, in a word or two."""
    return type_of(recorded.told).replace("-", " ").capitalize()


def said(told: Told) -> str:
    """An entry in a sentence."""
    make = _SENTENCES.get(type_of(told))
    return make(told) if make is not None else type_of(told).replace("-", " ").capitalize()


def _stood(told: Any) -> str:
    return f"{units(told.units, told.stage)} {'' if told.stage in _UNITS else STAGES[told.stage] + ' '}at {told.place}"


def _days(told: Any) -> str:
    return f", ready {told.days_added:+d} days" if told.days_added else ""


def _struck(told: Any) -> str:
    singles = f", {told.singles} of them with one" if told.singles else ""
    dipped = f", dipped in {told.hormone}{' ' + told.strength if told.strength else ''}" if told.hormone else ""
    cover = ", under cover" if told.covered else ""
    cells = f"{told.per_cell} a cell, in {told.cells} cells{singles}"
    return f"{told.cuttings} cuttings struck, {cells} at {told.place}{dipped}{cover}"


def _rooted(told: Any) -> str:
    part = ", a part of them" if told.part else ""
    return (
        f"Rooting count at {told.place}{part}: {told.usable} usable to {told.to}, {told.weak} weak, {told.failed} did not root"
    )


def _potted(told: Any) -> str:
    broken = f", {told.casualties} broken" if told.casualties else ""
    back = f", {told.returned} put back" if told.returned else ""
    into = f" as {told.into}" if told.into else ""
    return f"{told.plugs} plugs into {told.pots} pots {told.size}{into} at {told.to}{broken}{back}"


def _potted_up(told: Any) -> str:
    broken = f", {told.casualties} broken" if told.casualties else ""
    return f"{told.pots} pots into {told.size}{' as ' + told.into if told.into else ''} at {told.to}{broken}"


def _graded(told: Any) -> str:
    checked = f", labels checked by {told.label_checked_by}" if told.label_checked_by else ""
    return (
        f"Graded at {told.place}: {told.finished} finished to {told.to}, {told.held_back} held back, "
        f"{told.seconds} seconds, {told.culled} culled{checked}"
    )


def _merged(told: Any) -> str:
    parts = ", ".join(f"{part.units} of {part.batch}" for part in told.sources)
    return f"Put together {'as ' + told.into + ' ' if told.into else ''}at {told.place}: {parts}"


def _shipped(told: Any) -> str:
    return f"{sum(line.units for line in told.lines)} shipped for {told.order} to {told.region}, by {told.carrier}"


def _treated(told: Any) -> str:
    rate = f" ({told.rate})" if told.rate else ""
    return f"Treated with {told.product}{rate}: {', '.join([*told.places, *told.batches])}"


def _held(told: Any) -> str:
    held = f"{told.units} pots" if told.units else "The order"
    return f"{held} waiting for {HOLDS[told.reason].lower()}, to look at again on {told.review_on:%d %b %Y}"


_SENTENCES: dict[str, Callable[[Any], str]] = {
    "gathered": lambda told: f"{sum(part.cuttings for part in told.stock_plants)} cuttings gathered, lying at {told.place}",
    "struck": _struck,
    "rooted": _rooted,
    "moved": lambda told: f"{_stood(told)} moved to {told.to}" + (f" (order {told.order})" if told.order else ""),
    "merged": _merged,
    "potted": _potted,
    "potted-up": _potted_up,
    "graded": _graded,
    "set-back": lambda told: f"{told.units} cut back at {told.place} to grow on at {told.to}: {told.reason}{_days(told)}",
    "tended": lambda told: f"{TENDED[told.act]}{_days(told)}",
    "lost": lambda told: f"{_stood(told)} lost: {CAUSES[told.cause].lower()}",
    "counted": lambda told: f"{_stood(told)} seen ({METHODS[told.method]})",
    "opened": lambda told: f"{_stood(told)} when the book was opened",
    "bought-in": lambda told: f"{_stood(told)} bought in (supplier's batch {told.supplier_batch})",
    "picked": lambda told: f"{told.units} picked at {told.place} for {told.order}, now at {told.to}",
    "put-back": lambda told: f"{told.units} of {told.order} put back from {told.place} to {told.to}",
    "held": _held,
    "hold-ended": lambda _: "A hold has ended",
    "sold-here": lambda told: f"{_stood(told)} sold here",
    "shipped": _shipped,
    "damage-claimed": lambda told: f"{told.units} of {told.order} arrived damaged: {told.cause}",
    "given-out": lambda told: f"{_stood(told)} given out: {told.why}",
    "planted-as-stock": lambda told: f"{_stood(told)} planted out as stock: {told.why}",
    "stopped": lambda told: f"Stopped: {STOPS[told.reason].lower()}" + (f", {told.authority}" if told.authority else ""),
    "cleared": lambda told: f"The stop was lifted: {told.because}",
    "renamed": lambda told: f"{_stood(told)} found to be {told.crop}: {told.evidence}",
    "treated": _treated,
    "reversed": lambda told: f"Taken back: {told.reason}",
    "stock-set": lambda told: f"{told.units} stock plants stand under {told.stock_plant} at {told.place}",
    "stock-removed": lambda told: f"{told.units} stock plants of {told.stock_plant} gone: {CAUSES[told.cause].lower()}",
    "answered": lambda told: f"Answer to a question: {told.answer}",
}
