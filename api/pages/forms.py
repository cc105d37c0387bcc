"""What the form of each act asks: only the fields that it needs, filled in from the batch and from what is usual for its crop.

Pure: a `Hand` and the latest entries of the kind in, fields out. How a field looks is the template's; what a filled-in form
tells is read by `api.slips`.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from datetime import timedelta
from statistics import quantiles
from typing import Any

from msgspec import Struct

from api.pages import words
from ledger.handling import Hand
from ledger.plants.entries import Act, Cause, Entry, HoldReason, Method, PlaceKind, Stage, StopReason
from ledger.plants.recorded import Recorded

_LOOK_AGAIN = timedelta(days=14)
#: for fewer past entries nothing is usual
_USUAL_OF = 5
#: so few are never asked about
_FEW = 3


class Option(Struct, frozen=True, kw_only=True):
    """One of the answers to choose from."""

    value: str
    label: str


class Field(Struct, frozen=True, kw_only=True):
    """One question. shape: tally, number, choice (big buttons), select, text, date or tick; `more`: seldom needed."""

    name: str
    label: str
    shape: str
    value: str = ""
    options: list[Option] = []
    hint: str = ""
    cells: str = ""
    tray: str = "cells"
    steps: tuple[int, ...] = (1, 10)
    sign: str = "+"
    other: bool = False
    needed: bool = False
    more: bool = False


class Spot(Struct, frozen=True, kw_only=True):
    """Plants of one stage at one place, which an act can be done to; picked ones by their order."""

    stage: str
    place: str
    units: int
    order: str = ""


class Form(Struct, frozen=True, kw_only=True):
    """An act: what it is called, to which plants it can be done, what it asks, and which entry's numbers are its usual ones."""

    kind: str
    label: str
    icon: str
    stages: tuple[str, ...]
    asks: Callable[[Hand, Spot, Sequence[Recorded]], list[Field]]
    #: the number that is held against what stands and what is usual
    number: Callable[[Any], int] | None = None
    #: as what its main number is counted, where that is not what stands there now
    counts: str = ""
    #: more than half of what stands is unlikely
    half: bool = False
    #: done to all of a stage, wherever it stands
    whole: bool = False
    #: written at a desk too: nobody has to go where the plants stand
    paper: bool = False


# --- what a form can be about ----------------------------------------------------------------------------------


def spots(form: Form, hand: Hand) -> list[Spot]:
    """Where plants stand that the act can be done to; one nameless spot for acts on a batch as a whole."""
    if form.whole:
        held = sum(hand.held.units_in(stage) for stage in form.stages)
        return [Spot(stage=form.stages[0], place="", units=held)] if held else []
    if not form.stages:
        return [Spot(stage="", place="", units=0)]
    found = list[Spot]()
    for where, there in hand.held.standing.items() if hand.batch is not None else ():
        stage, place = where.split("/")
        if stage not in form.stages or (there.units <= 0 and form.kind != "count"):
            continue
        if stage == Stage.PICKED:
            found += _picked(hand, place)
        else:
            found.append(Spot(stage=stage, place=place, units=there.units))
    return found


def _picked(hand: Hand, place: str) -> Iterable[Spot]:
    name = f"{hand.held.number}/{place}"
    for order in hand.orders:
        if units := order.picked.get(name, 0):
            yield Spot(stage=Stage.PICKED.value, place=place, units=units, order=order.ref)


def counted_as(form: Form, spot: Spot) -> str:
    """The stage by which the form's main number is called."""
    return form.counts or spot.stage


def doubt(form: Form, entry: Entry, standing: int, past: Sequence[Recorded]) -> str | None:
    """Why a number is unlikely, in words; None if there is nothing to ask."""
    number = form.number(entry) if form.number is not None else 0
    if number <= _FEW:
        return None
    if form.half and number * 2 > standing > 0:
        return f"{number:,} is more than half of the {standing:,} that stand there. Is it right?"
    most = usual_most(form, past)
    if most is not None and number > 2 * most:
        return f"{number:,} is more than twice what is usual here (up to {most:,} at a time). Is it right?"
    return None


def usual_most(form: Form, past: Sequence[Recorded]) -> int | None:
    """What three in four of the last such entries on the crop stayed below; None where there were too few."""
    if form.number is None or len(past) < _USUAL_OF:
        return None
    return round(quantiles((form.number(each.told) for each in past), n=4, method="inclusive")[2])


def doubtful_count(seen: int, standing: int) -> str | None:
    """Why a count is unlikely, without saying what the book has: it is blind."""
    if abs(seen - standing) <= _FEW or standing / 2 <= seen <= 2 * standing:
        return None
    return f"{seen:,} is far from what the book has there. Look again: is every tray counted, and is it this batch?"


# --- fields that come again ------------------------------------------------------------------------------------


def _options(found: dict[str, str], order: Iterable[Any]) -> list[Option]:
    return [Option(value=str(value), label=found[str(value)]) for value in order]


def _place(hand: Hand, label: str, kinds: Sequence[PlaceKind], wont: str | None, without: str | None = None) -> Field:
    """Where to: places good for it first; the one of the last time is chosen already, or the only one."""
    live = [card.value for card in hand.places.values() if not card.value.retired and card.value.code != without]
    live.sort(key=lambda place: (place.kind not in kinds, place.code))
    options = [Option(value=place.code, label=_named(place.code, place.name)) for place in live]
    known = {place.code for place in live}
    good = [place.code for place in live if place.kind in kinds]
    only = good[0] if len(good) == 1 else ""  # of several none is chosen for somebody: it would be written unread
    value = wont if wont in known and wont is not None else only
    return Field(name="to", label=label, shape="select", options=options, value=value, needed=True)


def _named(code: str, name: str) -> str:
    return code if name == code else f"{code} · {name}"


def _wont(past: Sequence[Recorded], name: str) -> str | None:
    """What was told the last time."""
    return next((str(found) for each in past if (found := getattr(each.told, name, None)) is not None), None)


def _tray(hand: Hand) -> tuple[str, str]:
    """How many a tray of these holds, and of what."""
    if hand.batch is not None and hand.batch.size is not None:
        size = hand.sizes.get(hand.batch.size)
        return (str(size.per_tray or "") if size is not None else "", "pots")
    return (str(hand.recipe.tray_cells or "") if hand.recipe is not None else "", "cells")


def _tally(hand: Hand, name: str, label: str, **more: Any) -> Field:
    cells, tray = _tray(hand)
    return Field(name=name, label=label, shape="tally", cells=cells, tray=tray, needed=True, **more)


def _number(name: str, label: str, value: int | str = "", **more: Any) -> Field:
    return Field(name=name, label=label, shape="number", value=str(value), **more)


def _of(spot: Spot) -> str:
    return f"of {words.units(spot.units, spot.stage)}"


# --- the acts --------------------------------------------------------------------------------------------------


def _gather(hand: Hand, _: Spot, past: Sequence[Recorded]) -> list[Field]:
    return [
        Field(name="units", label="Cuttings taken", shape="tally", tray="cuttings", steps=(1, 10), needed=True),
        _place(hand, "Lying at", (PlaceKind.MIST, PlaceKind.COVERED, PlaceKind.SAND), _wont(past, "place")),
        _number("wanted", "Cuttings wanted (if fewer were there)", more=True),
    ]


def _strike(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    cells = str((hand.recipe.tray_cells if hand.recipe is not None else None) or _wont(past, "tray_cells") or "")
    per_cell = hand.recipe.cuttings_per_cell if hand.recipe is not None else 1
    in_hand = f"{words.units(spot.units, spot.stage)} in hand" if spot.units else ""
    return [
        Field(name="cells", label="Cells filled", shape="tally", cells=cells, needed=True, hint=in_hand),
        _number("per_cell", "Cuttings in a cell", per_cell, steps=(1,)),
        _place(hand, "Set at", (PlaceKind.MIST, PlaceKind.COVERED, PlaceKind.SAND), _wont(past, "place")),
        Field(name="hormone", label="Rooting hormone (leave empty if none)", shape="text", value=_wont(past, "hormone") or ""),
        Field(name="strength", label="Its strength", shape="text", value=_wont(past, "strength") or "", more=True),
        _number("singles", "Cells with only one cutting", "", more=True),
        Field(name="medium", label="Medium", shape="text", value=_wont(past, "medium") or "", more=True),
        Field(name="covered", label="Under a cover", shape="tick", more=True),
    ]


def _root(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    rest = f"Leave empty: the rest of the {spot.units:,} cells did not root."
    return [
        _tally(hand, "usable", "Usable plugs", hint=_of(spot)),
        _number("weak", "Weak, to be looked at again"),
        _number("failed", "Did not root", hint=rest),
        _place(hand, "Plugs set at", (PlaceKind.HOLDING,), _wont(past, "to")),
        Field(name="part", label="Only a part was counted today", shape="tick", more=True),
    ]


def _move(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    kinds = {
        "struck": (PlaceKind.MIST, PlaceKind.COVERED, PlaceKind.SAND),
        "rooted": (PlaceKind.HOLDING,),
        "picked": (PlaceKind.PACKING,),
    }.get(spot.stage, (PlaceKind.BENCH, PlaceKind.LINE))
    alike = [each for each in past if getattr(each.told, "stage", "") == spot.stage]
    return [
        _tally(hand, "units", "How many", value=str(spot.units), hint=_of(spot)),
        _place(hand, "To", kinds, _wont(alike, "to"), without=spot.place),
    ]


def _sizes(hand: Hand, above: int = 0) -> Field:
    sold = hand.crop.value.sizes
    live = sorted((size for size in hand.sizes.values() if not size.retired and size.rank > above), key=lambda size: size.rank)
    wanted = [size for size in live if size.code in sold] or live
    options = [Option(value=size.code, label=_named(size.code, size.name)) for size in wanted]
    value = options[0].value if len(options) == 1 else ""
    return Field(name="size", label="Size of pot", shape="choice", options=options, value=value, needed=True)


def _pot(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    plugs = f"from {words.units(spot.units, spot.stage)}"
    per_pot = min(hand.recipe.plugs_per_pot.values(), default=1) if hand.recipe is not None else 1
    return [
        _sizes(hand),
        Field(name="pots", label="Pots filled", shape="tally", tray="pots", needed=True, hint=plugs),
        _number("per_pot", "Plugs in a pot", per_pot, steps=(1,)),
        _number("casualties", "Plugs broken"),
        _place(hand, "Set at", (PlaceKind.BENCH, PlaceKind.LINE), _wont(past, "to")),
        _number("returned", "Plugs taken out and put back", "", more=True),
    ]  # fmt: skip


def _pot_up(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    now = hand.sizes.get(hand.held.size or "")
    return [
        _sizes(hand, above=now.rank if now is not None else 0),
        _tally(hand, "pots", "Potted up", hint=_of(spot)),
        _number("casualties", "Broken"),
        _place(hand, "Set at", (PlaceKind.BENCH, PlaceKind.LINE), _wont(past, "to")),
    ]


def _grade(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    return [
        _tally(hand, "finished", "Finished", hint=_of(spot)),
        _number("held_back", "Held back (they stay)"),
        _number("seconds", "Seconds"),
        _number("culled", "Culled"),
        _place(hand, "Set at", (PlaceKind.BENCH, PlaceKind.LINE), _wont(past, "to") or spot.place),
        Field(name="label_checked", label="I compared the labels with the plants", shape="tick"),
    ]


def _lose(hand: Hand, spot: Spot, _: Sequence[Recorded]) -> list[Field]:
    causes = [cause for cause in Cause if cause is not Cause.DID_NOT_ROOT or spot.stage == Stage.STRUCK]
    options = _options(words.CAUSES, causes)
    return [
        _tally(hand, "units", "How many", hint=_of(spot), steps=(1, 5, 10), sign="\N{MINUS SIGN}"),
        Field(name="cause", label="Why", shape="choice", options=options, needed=True),
    ]


def _count(hand: Hand, _spot: Spot, _past: Sequence[Recorded]) -> list[Field]:
    how = {"blind-count": "I counted every one", "sample": "I counted a sample", "estimate": "I estimated"}
    options = _options(how, (Method.BLIND_COUNT, Method.SAMPLE, Method.ESTIMATE))
    return [
        _tally(hand, "units", "How many you see", hint="What the book says is shown when you have counted."),
        Field(name="method", label="How", shape="choice", options=options, value="blind-count", more=True),
    ]


def _set_back(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    reasons = [Option(value=text, label=text) for text in ("Leggy", "Flowers over", "Broken shoots", "Not sold in time")]
    return [
        _tally(hand, "units", "How many", hint=_of(spot)),
        Field(name="reason", label="Why", shape="choice", options=reasons, other=True, needed=True),
        _number("days_added", "Days until they are ready again", _wont(past, "days_added") or 21, steps=(7,)),
        _place(hand, "Standing at", (PlaceKind.BENCH, PlaceKind.LINE), spot.place),
    ]


def _pick(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    return [
        Field(name="order", label="Order", shape="text", needed=True),
        _tally(hand, "units", "How many", hint=_of(spot)),
        _place(hand, "Put at", (PlaceKind.PACKING,), _wont(past, "to")),
    ]


def _put_back(hand: Hand, spot: Spot, past: Sequence[Recorded]) -> list[Field]:
    return [
        _tally(hand, "units", "How many", value=str(spot.units), hint=f"of {spot.units:,} picked for {spot.order}"),
        _place(hand, "Put back to", (PlaceKind.BENCH, PlaceKind.LINE), _wont(past, "to")),
    ]


def _tend(_hand: Hand, _spot: Spot, _past: Sequence[Recorded]) -> list[Field]:
    return [
        Field(name="act", label="What was done", shape="choice", options=_options(words.TENDED, Act), needed=True),
        _number("days_added", "Days later ready because of it", "", steps=(1, 7)),
    ]


def _hold(hand: Hand, spot: Spot, _: Sequence[Recorded]) -> list[Field]:
    again = (hand.now + _LOOK_AGAIN).date().isoformat()
    return [
        _tally(hand, "units", "How many wait", hint=_of(spot)),
        Field(name="reason", label="For what", shape="choice", options=_options(words.HOLDS, HoldReason), needed=True),
        Field(name="review_on", label="Look again on", shape="date", value=again, needed=True),
    ]  # fmt: skip


def _end_hold(hand: Hand, _spot: Spot, _past: Sequence[Recorded]) -> list[Field]:
    options = [
        Option(value=str(hold.entry), label=f"{hold.units} waiting for {words.HOLDS[hold.reason].lower()}")
        for hold in hand.held.holds
    ]
    only = options[0].value if len(options) == 1 else ""
    return [Field(name="hold", label="Which hold has ended", shape="choice", options=options, value=only, needed=True)]


def _stop(_hand: Hand, _spot: Spot, _past: Sequence[Recorded]) -> list[Field]:
    return [
        Field(name="reason", label="Why", shape="choice", options=_options(words.STOPS, StopReason), needed=True),
        Field(name="authority", label="Authority that was told, and its reference", shape="text"),
    ]


def _clear(hand: Hand, _spot: Spot, _past: Sequence[Recorded]) -> list[Field]:
    options = [
        Option(value=str(stop.entry), label=f"{words.STOPS[stop.reason]}, since {stop.at:%d %b %Y}") for stop in hand.held.stops
    ]
    only = options[0].value if len(options) == 1 else ""
    return [
        Field(name="stop", label="Which stop is lifted", shape="choice", options=options, value=only, needed=True),
        Field(name="because", label="Why it may be lifted, and who says so", shape="text", needed=True),
    ]


def _give_out(hand: Hand, spot: Spot, _: Sequence[Recorded]) -> list[Field]:
    why = [Option(value=text, label=text) for text in ("Sample", "Gift", "Show")]
    people = [Option(value=code, label=name) for code, name in sorted(hand.people.items(), key=lambda pair: pair[1])]
    return [
        _tally(hand, "units", "How many", hint=_of(spot)),
        Field(name="why", label="Why", shape="choice", options=why, other=True, needed=True),
        Field(name="approved_by", label="Agreed by", shape="select", options=people, needed=True),
    ]


def _units(told: Any) -> int:
    return int(told.units)


_ANY = ("gathered", "struck", "rooted", "potted", "finished", "seconds")
_FORMS = (
    Form(kind="lose", label="Lost", icon="✕", stages=(*_ANY, "picked"), asks=_lose, number=_units, half=True),
    Form(kind="count", label="Count", icon="#", stages=_ANY, asks=_count),
    Form(kind="move", label="Move", icon="→", stages=(*_ANY, "picked"), asks=_move),
    Form(
        kind="strike", counts="struck", label="Strike", icon="↓", stages=("gathered",), asks=_strike,
        number=lambda told: int(told.cuttings),
    ),
    Form(
        kind="root", counts="rooted", label="Rooting count", icon="✓", stages=("struck",), asks=_root,
        number=lambda told: int(told.failed), half=True,
    ),
    Form(
        kind="pot", counts="potted", label="Pot", icon="▣", stages=("rooted", "struck"), asks=_pot,
        number=lambda told: int(told.pots),
    ),
    Form(
        kind="grade", label="Grade", icon="☰", stages=("potted",), asks=_grade,
        number=lambda told: int(told.culled + told.seconds), half=True,
    ),
    Form(kind="pick", label="Pick", icon="↑", stages=("finished",), asks=_pick, number=_units),
    Form(kind="put-back", label="Put back", icon="↩", stages=("picked",), asks=_put_back),
    Form(
        kind="pot-up", label="Pot up", icon="▲", stages=("potted", "finished"), asks=_pot_up,
        number=lambda told: int(told.pots),
    ),
    Form(
        kind="set-back", label="Cut back", icon="✂", stages=("finished",), asks=_set_back, number=_units, half=True,
    ),
    Form(kind="tend", label="Tend", icon="✿", stages=(), asks=_tend),
    Form(kind="hold", label="Hold", icon="‖", stages=("finished",), asks=_hold, whole=True, paper=True),
    Form(kind="end-hold", label="End a hold", icon="▷", stages=(), asks=_end_hold, paper=True),
    Form(kind="stop", label="Stop", icon="■", stages=(), asks=_stop, paper=True),
    Form(kind="clear", label="Lift a stop", icon="▶", stages=(), asks=_clear, paper=True),
    Form(kind="give-out", label="Give out", icon="♡", stages=_ANY, asks=_give_out, number=_units, half=True),
    Form(kind="gather", counts="gathered", label="Gather cuttings", icon="✂", stages=(), asks=_gather),
)  # fmt: skip
FORMS = {form.kind: form for form in _FORMS}


def possible(hand: Hand) -> list[Form]:
    """The acts that can be done to a batch as it stands."""
    batch = hand.held
    without = {"gather"} | (set() if batch.holds else {"end-hold"}) | (set() if batch.stops else {"clear"})
    if not any(there.units for there in batch.standing.values()):
        without |= {"tend"}
    return [form for form in _FORMS if form.kind not in without and spots(form, hand)]
