"""The cautions of a crop, a place and an act, one line each, where they matter. They record and defer; they decide nothing.

Labels, local rules, the posting at the door, licensed practice and the authorities come first, and every line says so.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from msgspec import Struct

from ledger.handling import Hand
from ledger.plants.cards import Treatment

LABEL_RULES = "Rooting hormone may be a registered pesticide: its label rules for crops, rate, gloves and re-entry."
AUTHORITY = (
    "Suspected regulated pest or virus: stop, isolate, and call the plant-health authority "
    "before moving or destroying anything."
)


class Caution(Struct, frozen=True, kw_only=True):
    """One line. tone: note, warn or alarm."""

    tone: str
    what: str
    text: str


class Closed(Struct, frozen=True, kw_only=True):
    """A place or batch that may not be worked on before a time, as it was typed in from a label."""

    where: str
    until: datetime
    product: str


def closed(hand: Hand, places: Iterable[str]) -> list[Closed]:
    """What of this is in re-entry; where several treatments run the longest rules."""
    found = list[Closed]()
    for code in dict.fromkeys(places):
        if card := hand.places.get(code):
            found += _running(hand, code, card.treatments)
    if hand.batch is not None:
        found += _running(hand, hand.batch.number, hand.batch.treatments)
    return found


def _running(hand: Hand, where: str, treatments: Iterable[Treatment]) -> Iterator[Closed]:
    left = [(each.re_entry_ends, each.product) for each in treatments if each.re_entry_ends and each.re_entry_ends > hand.now]
    if left:
        until, product = max(left)
        yield Closed(where=where, until=until.astimezone(hand.now.tzinfo), product=product)


def of_crop(hand: Hand) -> Iterator[Caution]:
    """What holds for the crop wherever it stands."""
    crop = hand.crop.value
    if crop.caution:
        gloves = "" if "glove" in crop.caution.lower() else "Wear gloves. "
        text = f"{crop.caution.rstrip('.')}. {gloves}Keep it from children and pets; in an emergency call a poison centre."
        yield Caution(tone="warn", what="Take care", text=text)
    if crop.licence or not crop.may_propagate:
        licence = f" Licence: {crop.licence}." if crop.licence else ""
        may = "" if crop.may_propagate else " It may not be propagated here."
        text = f"Propagating it, cuttings included, needs its owner's licence.{licence}{may}"
        yield Caution(tone="warn", what="Protected variety", text=text)


def of_act(kind: str, hand: Hand) -> Iterator[Caution]:
    """What holds for an act."""
    if kind == "strike":
        yield Caution(tone="note", what="Hormone", text=LABEL_RULES)
    if kind == "stop":
        yield Caution(tone="warn", what="Pest or virus", text=AUTHORITY)
    if kind in {"move", "lose", "pick", "give-out"} and _suspected(hand):
        yield Caution(tone="alarm", what="In quarantine", text=AUTHORITY)


def _suspected(hand: Hand) -> bool:
    stops = (*hand.crop.stops, *(hand.batch.stops if hand.batch is not None else ()))
    return any(stop.reason == "quarantine" for stop in stops)
