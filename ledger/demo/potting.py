"""The potting list and the benches: plugs become pots by demand, pots are looked over weekly and graded when ready."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import timedelta
from uuid import UUID

from ledger.demo.nursery import HEAD_GROWER, LARGE, OFFICE, SIZES, SMALL, money
from ledger.demo.propagation import sand_ready
from ledger.demo.site import Site
from ledger.demo.standing import CropStand, Lot, Pots, Shelf, Trays
from ledger.plants.entries import Act, Cause, Method, PottingLine, ShortReason, SoldHere, Stage, Tended

_LEAST_POTS = {SMALL: 10, LARGE: 6}
_MOST_POTS = 60
_COVER_WEEKS = 4.5
_WEEKLY_FINISHED_LOSS = 0.003
_UNSOLD_WEEKS = 36
_GRADE_FROM_SHARE = 0.5
_BENCH_CAUSES = (Cause.ROT, Cause.PEST, Cause.DRIED_OUT, Cause.DISEASE)


# --- the weekly list -------------------------------------------------------------------------------------------


def work_through_list(site: Site) -> list[tuple[UUID, Pots]]:
    """The week's potting: each crop and size that the season will want, as far as the plugs go."""
    potted = []
    for stand in site.stands:
        # the sizes take turns at coming first, since they draw on one pool of plugs
        sizes = SIZES if (site.today.toordinal() // 7 + stand.index) % 2 else tuple(reversed(SIZES))
        for size in sizes:
            shelf = stand.shelves[size]
            wanted = pots_wanted(site, shelf)
            if wanted >= _LEAST_POTS[size]:
                source = oldest_plugs(site, stand) or sand_ready(site, stand)
                if source is not None:
                    potted.append(_pot_from(site, source, shelf, wanted))
    return [line for line in potted if line is not None]


def pots_wanted(site: Site, shelf: Shelf) -> int:
    """What demand asks for until pots of today are ready and a few weeks beyond, less what is on the way."""
    crop = shelf.of.crop
    weeks = site.median_weeks(crop.grow_weeks[shelf.size]) + _COVER_WEEKS
    come_through = crop.survival * (1 - crop.grade_out)
    coming = sum(pots.book for pots in shelf.growing) * come_through + shelf.on_offer()
    wanted = (shelf.weekly_demand * site.weeks_of_demand(0, weeks) - coming) / come_through
    return min(_MOST_POTS, -(-round(wanted) // 2) * 2)


def oldest_plugs(site: Site, stand: CropStand) -> Lot | None:
    """The plugs that have waited longest; nearly empty trays only where there is nothing else."""
    fit = [lot for lot in stand.rooted if lot.alive > 1 and not site.hands_off(lot)]
    if not fit:
        return None
    worth = [lot for lot in fit if lot.alive >= _LEAST_POTS[LARGE]]
    return min(worth or fit, key=lambda lot: lot.since)


def _pot_from(site: Site, source: Lot, shelf: Shelf, wanted: int) -> tuple[UUID, Pots] | None:
    in_hand = source.rooted_by(site.today) if isinstance(source, Trays) else source.alive
    in_hand -= site.keep_back.get(shelf.of.crop.code, 0)
    if in_hand < 1:
        return None
    casualties = site.nature.some(min(wanted, in_hand - 1), 0.02)
    pots = min(wanted, in_hand - casualties)
    line = site.pot(source, shelf, pots, casualties)
    if not source.alive and source.book and site.nature.likely(0.7):
        site.count(source, 0, by=site.potter())
    return line


def work_through_asked(
    site: Site, lines: Sequence[PottingLine], *, hurried: bool
) -> list[tuple[PottingLine, int, ShortReason | None]]:
    """The list that promises ask for: so many potted of each line, and why fewer where it was fewer. hurried: half of it."""
    return [(line, *_pot_asked(site, line, hurried)) for line in lines]


def _pot_asked(site: Site, line: PottingLine, hurried: bool) -> tuple[int, ShortReason | None]:
    stand = site.stand(line.crop)
    assert stand is not None, "only what is grown here is asked for"
    left = wanted = line.pots // 2 if hurried else line.pots
    named = {take.batch for take in line.take}
    lots: list[Lot] = [lot for lot in stand.rooted if lot.alive > 1 and not site.hands_off(lot)]
    lots.sort(key=lambda lot: (lot.batch.number not in named, lot.since))
    if (sand := sand_ready(site, stand)) is not None:
        lots.append(sand)
    for lot in lots:
        potted = _pot_from(site, lot, stand.shelves[line.size], left) if left else None
        left -= potted[1].book if potted is not None else 0
    if not left:
        return wanted, ShortReason.NO_TIME if hurried else None
    return wanted - left, ShortReason.TOO_FEW_PLUGS if not stand.struck else ShortReason.NOT_ROOTED_THROUGH


# --- the weekly look -------------------------------------------------------------------------------------------


def look_over_benches(site: Site, stand: CropStand) -> None:
    """The dead are found, the ready are graded, the unsold are thrown out."""
    for shelf in stand.shelves.values():
        for pots in shelf.growing:
            if not site.hands_off(pots):
                _look_over(site, shelf, pots)
        for lot in shelf.finished:
            if not site.hands_off(lot):
                _look_over_finished(site, lot)


def _look_over(site: Site, shelf: Shelf, pots: Pots) -> None:
    dead = pots.die_by(site.today)
    if dead:
        site.found_dead(pots, dead, site.chance.choice(_BENCH_CAUSES))
    ready = pots.ready_by(site.today)
    if not ready:
        _tend(site, shelf, pots)
    elif ready >= _GRADE_FROM_SHARE * pots.alive or pots.readies[-1] <= site.today - timedelta(weeks=3):
        site.grade(pots, ready)


def _tend(site: Site, shelf: Shelf, pots: Pots) -> None:
    """Soft growth is pinched and large pots are spaced, once, about a third of the way."""
    age_weeks = (site.today - pots.since).days // 7
    if age_weeks == round(site.median_weeks(shelf.of.crop.grow_weeks[shelf.size]) / 3):
        if shelf.of.crop.soft:
            site.tell(Tended, HEAD_GROWER, batch=pots.batch.number, act=Act.PINCHED)
        elif shelf.size == LARGE:
            site.tell(Tended, HEAD_GROWER, batch=pots.batch.number, act=Act.SPACED)


def _look_over_finished(site: Site, lot: Lot) -> None:
    dead = site.nature.some(lot.alive, _WEEKLY_FINISHED_LOSS)
    if dead:
        lot.alive -= dead
        site.found_dead(lot, dead, site.chance.choice(_BENCH_CAUSES))
    if lot.alive and (site.today - lot.since).days > 7 * _UNSOLD_WEEKS:
        site.clear_out(lot, Cause.SURPLUS)


def sell_seconds(site: Site) -> None:
    """Saturday's table at the gate: seconds go at half the price."""
    for stand in site.stands:
        for lot in stand.seconds:
            units = min(lot.alive, lot.book)
            if units and not site.hands_off(lot) and site.nature.likely(0.35):
                shelf = lot.batch.shelf
                assert shelf is not None
                lot.alive -= units
                lot.book -= units
                price = money(stand.crop.price[shelf.size] / 2)
                site.tell(
                    SoldHere, OFFICE, batch=lot.batch.number, place=lot.place, stage=Stage.SECONDS, units=units, price=price
                )


# --- counting --------------------------------------------------------------------------------------------------


def count_some_blind(site: Site, stand: CropStand) -> None:
    """The month's blind counts: some lots of a crop are counted by someone who does not see the book."""
    for lot in stand.lots():
        if lot.stage is not Stage.STRUCK and not site.hands_off(lot) and site.nature.likely(0.3):
            site.count(lot, site.nature.seen(lot.alive), Method.BLIND_COUNT)


def count_everything(site: Site) -> list[UUID]:
    """The full count before the year ends: every lot that the book knows."""
    return [
        site.count(lot, lot.alive if lot.stage is Stage.STRUCK else site.nature.seen(lot.alive))
        for stand in site.stands
        for lot in stand.lots()
        if lot.batch.hands_off_until < site.today
    ]
