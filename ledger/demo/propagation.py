"""From stock plants to plugs: rounds of striking, rot in the mist, rooting counts, and what becomes of plugs that wait."""

from __future__ import annotations

from datetime import date, timedelta
from uuid import UUID

from ledger.demo.nursery import PROPAGATOR
from ledger.demo.site import Site
from ledger.demo.standing import CropStand, Lot, Shelf, Trays, put_with
from ledger.plants.entries import Cause, CuttingsFrom, Gathered, Rooted, Stage, Struck

_FEBRUARY = 2
#: a round that would fall within these days before or after February's waits for it, or has been replaced by it
_NEAR_FEBRUARY = timedelta(days=35)
_LEAST_CELLS = 12
_CELLS_A_BATCH = 90
_ROOTED_ENOUGH = 0.85
_WEEKLY_HOLDING_LOSS = 0.005
_TOO_LONG = 1.6


# --- striking --------------------------------------------------------------------------------------------------


def strike_where_due(site: Site) -> list[tuple[UUID, Trays]]:
    """Strikes every crop whose round has come: about four a year, more for crops that cannot be held, all in February."""
    struck = []
    for stand in site.stands:
        if stand.next_round <= site.today:
            cells = _cells_wanted(site, stand)
            batches = max(1, round(cells / _CELLS_A_BATCH))
            struck += [_strike(site, stand, cells // batches) for _ in range(batches if cells else 0)]
            stand.next_round = _next_round(stand, site.today)
    return struck


def _february_slot(stand: CropStand, year: int) -> date:
    """The day of a crop's February round: crops take turns over three weeks of working days."""
    first = date(year, _FEBRUARY, 1)
    monday = first + timedelta(days=-first.weekday() % 7)
    return monday + timedelta(days=stand.index % 15 // 5 * 7 + stand.index % 5)


def _next_round(stand: CropStand, today: date) -> date:
    crop = stand.crop
    weeks = min(13, max(6, round(crop.root_weeks[0] + crop.hold_weeks[0]) + 1))
    due = today + timedelta(weeks=weeks)
    for year in (today.year, today.year + 1):
        slot = _february_slot(stand, year)
        if slot > today and due > slot - _NEAR_FEBRUARY:
            return slot
    return due


def _cells_wanted(site: Site, stand: CropStand) -> int:
    """Cells for what will sell between the first pots of this round and the first of the next, less what will be left over.

    A grower's rule of thumb, and short more often than not; February strikes at least a little of everything.
    """
    crop = stand.crop
    come_through = crop.survival * (1 - crop.grade_out)
    next_round = _next_round(stand, site.today)
    needed = 0.0
    left_over = sum(lot.book for lot in stand.rooted) + crop.plug_mean * sum(trays.book for trays in stand.struck)
    for shelf in stand.shelves.values():
        first, first_of_next = _first_pots(site, shelf, site.today), _first_pots(site, shelf, next_round)
        needed += shelf.weekly_demand * site.weeks_of_demand(first, first_of_next) / come_through
        left_over -= shelf.weekly_demand * site.weeks_of_demand(0, first) / come_through
        left_over += sum(pots.book for pots in shelf.growing) + shelf.on_offer()
    cells = (needed - max(0.0, left_over)) / crop.plug_mean * site.chance.uniform(0.8, 1.3)
    cells += site.strike_more.get(crop.code, 0)
    if cells < _LEAST_CELLS:
        return 2 * _LEAST_CELLS if site.today.month == _FEBRUARY else 0
    return round(cells)


def _first_pots(site: Site, shelf: Shelf, struck_on: date) -> float:
    """Weeks from today until cuttings struck on a day are finished pots, growing times being longer into winter."""
    crop = shelf.of.crop
    rooting = site.median_weeks(crop.root_weeks, struck_on)
    growing = site.median_weeks(crop.grow_weeks[shelf.size], struck_on + timedelta(weeks=rooting))
    return (struck_on - site.today).days / 7 + rooting + growing


def _strike(site: Site, stand: CropStand, cells: int) -> tuple[UUID, Trays]:
    crop, homes, nature = stand.crop, stand.homes, site.nature
    per_cell = crop.cuttings_per_cell
    wanted = cells * per_cell
    plants = _plants_in_turn(stand)
    batch = site.new_batch(stand, None, frozenset(plants))
    got = max(len(plants) * per_cell, round(wanted * site.chance.uniform(0.97, 1.12)))
    straight = {"crop": crop.code, "stock_plants": _shared_out(plants, got)} if crop.soft else {}
    if not straight:
        site.tell(
            Gathered, PROPAGATOR, crop=crop.code, batch=batch.number, stock_plants=_shared_out(plants, got), wanted=wanted,
            place=homes.trimming,
        )  # fmt: skip
        got -= _trim(site, Lot(batch, Stage.GATHERED, homes.trimming, got, site.today))
    full, singles = divmod(got, per_cell)
    trays = Trays(batch, homes.striking, full + singles, site.today)
    entry = site.tell(
        Struck, PROPAGATOR, batch=batch.number, cuttings=got, per_cell=per_cell, cells=trays.cells, singles=singles,
        place=homes.striking, gathered_at=None if straight else homes.trimming, tray_cells=crop.tray_cells,
        medium="sharp sand" if crop.in_sand else "peat-free, half bark", covered=crop.covered,
        hormone=None if crop.soft else "talc IBA", strength=None if crop.soft else "0.3 %", **straight,
    )  # fmt: skip
    rooting = nature.some(trays.cells, nature.rooting_share(crop))
    days = nature.days(crop, crop.root_weeks, site.today, rooting)
    trays.readies = sorted((site.today + timedelta(days=taken) for taken in days), reverse=True)
    rotting = min(trays.cells - rooting, nature.some(trays.cells, site.chance.uniform(0.02, 0.10)))
    soon = max(7, round(4 * site.median_weeks(crop.root_weeks)))
    trays.rots = sorted((site.today + timedelta(days=site.chance.randint(4, soon)) for _ in range(rotting)), reverse=True)
    stand.struck.append(trays)
    return entry, trays


def _plants_in_turn(stand: CropStand) -> list[str]:
    """The stock plants whose turn it is: two of them, going round, passing over those that are stopped."""
    fit = [plants.code for plants in stand.stock if plants.units and not plants.stopped]
    stand.turns += 2
    return [fit[(stand.turns + nth) % len(fit)] for nth in range(2)]


def _shared_out(plants: list[str], cuttings: int) -> list[CuttingsFrom]:
    share, rest = divmod(cuttings, len(plants))
    return [CuttingsFrom(stock_plant=code, cuttings=share + (nth < rest)) for nth, code in enumerate(plants)]


def _trim(site: Site, gathered: Lot) -> int:
    """Cuttings too poor to strike: 3 to 8 in a hundred."""
    poor = site.nature.some(gathered.book, site.chance.uniform(0.03, 0.08))
    if poor:
        site.lose(gathered, poor, Cause.HANDLING, PROPAGATOR, note="trimmed out")
    return poor


# --- rooting ---------------------------------------------------------------------------------------------------


def look_at_struck(site: Site, stand: CropStand) -> list[tuple[UUID, Trays]]:
    """The weekly look at the trays of a crop: rot is taken out, and what has rooted is counted and moved on."""
    counted = []
    for trays in stand.struck:
        if site.hands_off(trays):
            continue
        rotten = 0
        while trays.rots and trays.rots[-1] <= site.today:
            trays.rots.pop()
            rotten += 1
        rotten = min(rotten, trays.book - len(trays.readies))
        if rotten > 0 and not site.nature.likely(site.world.unwritten):
            trays.alive -= rotten
            site.lose(trays, rotten, Cause.ROT, PROPAGATOR)
        if trays.book and _time_to_count(site, trays):
            counted.append((_count_rooted(site, trays), trays))
    return counted


def _time_to_count(site: Site, trays: Trays) -> bool:
    if site.look_not_before.get(trays.batch.stand.crop.code, site.today) > site.today:
        return False
    if trays.looked_at is not None:
        return site.today >= trays.looked_at + timedelta(weeks=3)
    if (site.today - trays.since).days > 14 * site.median_weeks(trays.batch.stand.crop.root_weeks):
        return True
    return trays.rooted_by(site.today) >= _ROOTED_ENOUGH * len(trays.readies)


def _count_rooted(site: Site, trays: Trays) -> UUID:
    """Every cell is looked at. At the first look the slow ones stay; at the second everything is decided."""
    first = trays.looked_at is None
    slow = 0 if not first else len(trays.readies) - trays.rooted_by(site.today)
    usable = len(trays.readies) - slow
    doubtful = site.nature.some(trays.book - len(trays.readies), 0.1) if first else 0
    return write_rooted(site, trays, usable, slow + doubtful)


def write_rooted(site: Site, trays: Trays, usable: int, weak: int) -> UUID:
    """The rooting count: usable plugs go to holding, weak ones stay, the rest failed."""
    homes = trays.batch.stand.homes
    first = trays.looked_at is None
    to = homes.holding if first or trays.place == homes.holding else homes.second_look
    entry = site.tell(
        Rooted, PROPAGATOR, batch=trays.batch.number, place=trays.place, usable=usable, weak=weak,
        failed=trays.book - usable - weak, to=to,
    )  # fmt: skip
    trays.take(usable, site.chance)
    trays.rots.clear()
    trays.alive = trays.book = weak
    trays.looked_at = site.today
    put_with(trays.batch.stand.rooted, Lot(trays.batch, Stage.ROOTED, to, usable, site.today))
    return entry


# --- holding ---------------------------------------------------------------------------------------------------


def look_at_held(site: Site, stand: CropStand) -> None:
    """The weekly look at plugs in holding: a few die, more when they have waited too long; hopeless trays are thrown out."""
    limit = 7 * site.median_weeks(stand.crop.hold_weeks)
    for lot in stand.rooted:
        if site.hands_off(lot):
            continue
        waited = (site.today - lot.since).days / limit
        hazard = _WEEKLY_HOLDING_LOSS * (1 + 5 * max(0.0, waited - 1))
        dead = site.nature.some(lot.alive, hazard)
        if dead:
            lot.alive -= dead
            site.found_dead(lot, dead, Cause.OVERHELD if waited > 1 else site.chance.choice(_HOLDING_CAUSES), PROPAGATOR)
        if waited > _TOO_LONG and lot.alive > site.keep_back.get(stand.crop.code, 0) and site.nature.likely(0.3):
            site.clear_out(lot, Cause.OVERHELD)


_HOLDING_CAUSES = (Cause.DRIED_OUT, Cause.ROT, Cause.PEST)


def sand_ready(site: Site, stand: CropStand) -> Trays | None:
    """Trays in sand from which plants may be lifted and potted straight away."""
    if not stand.crop.in_sand:
        return None
    for trays in stand.struck:
        if not site.hands_off(trays) and trays.rooted_by(site.today) >= _LEAST_CELLS:
            return trays
    return None
