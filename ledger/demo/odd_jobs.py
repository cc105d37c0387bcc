"""What else happens: treatments, trays carried about, samples given out, stock plants lost and renewed, plugs bought."""

from __future__ import annotations

from datetime import timedelta
from uuid import UUID

from ledger.demo.nursery import HEAD_GROWER, LARGE, OFFICE, OWNER, PROPAGATOR, SMALL, isolation_of, money
from ledger.demo.site import Site
from ledger.demo.standing import Batch, CropStand, Lot
from ledger.plants.entries import (
    BoughtIn,
    Cause,
    Cleared,
    GivenOut,
    Lost,
    Moved,
    PlantedAsStock,
    Stage,
    StockRemoved,
    StockSet,
    StockSource,
    Treated,
)

_HOLDING_ROWS = ("H1", "H2", "H3", "H4", "H5")
_BUYING_MONTH = 4
_ISOLATION = timedelta(days=21)
_BOUGHT_PLUGS = 50
_BOUGHT_SPECIES = "Bougainvillea x buttiana"


def treat(site: Site) -> None:
    """Mondays after work: soap in one growing house or the mist house, by turns; nobody goes in before the next morning."""
    turn = site.today.toordinal() // 7 % 3
    places = (["P-B1", "P-B2"], [f"G1-{n:02d}" for n in range(1, 13)], [f"G2-{n:02d}" for n in range(1, 13)])[turn]
    site.teller.at(17)
    site.tell(
        Treated, HEAD_GROWER, product="Soft soap, house mix", rate="2 %", places=places,
        re_entry_ends=site.teller.now() + timedelta(hours=12),
    )  # fmt: skip


def carry_about(site: Site, stand: CropStand) -> None:
    """Now and then plugs are carried to another holding row."""
    for lot in stand.rooted:
        row, _, site_end = lot.place.partition("-")
        if row in _HOLDING_ROWS and lot.alive and lot.book and not site.hands_off(lot) and site.nature.likely(0.03):
            to = site.chance.choice([other for other in _HOLDING_ROWS if other != row]) + (f"-{site_end}" if site_end else "")
            if any(other.batch is lot.batch and other.place == to for other in stand.rooted):
                continue
            # whoever carries a tray sees what is in it
            if lot.book != lot.alive:
                site.count(lot, lot.alive, by=PROPAGATOR)
            site.tell(Moved, PROPAGATOR, batch=lot.batch.number, stage=Stage.ROOTED, place=lot.place, to=to, units=lot.alive)
            lot.place = to


def give_out(site: Site, stand: CropStand) -> None:
    """A plant for a show or a neighbour, a few times a year."""
    lot = _spare_finished(site, stand, LARGE, more_than=3)
    if lot is not None and site.nature.likely(0.15):
        lot.take(1, site.chance)
        lot.book -= 1
        site.tell(
            GivenOut, OFFICE, batch=lot.batch.number, stage=Stage.FINISHED, place=lot.place, units=1, why="village show",
            approved_by=OWNER,
        )  # fmt: skip


def care_for_stock(site: Site, stand: CropStand) -> None:
    """Stock plants die now and then, and are made up from good finished plants."""
    for plants in stand.stock:
        if plants.stopped:
            continue
        if plants.units > 1 and site.nature.likely(0.02):
            plants.units -= 1
            site.tell(StockRemoved, PROPAGATOR, stock_plant=plants.code, units=1, cause=Cause.DISEASE)
        elif plants.units == 1 and site.nature.likely(0.3):
            lot = _spare_finished(site, stand, SMALL, more_than=4)
            if lot is not None:
                _plant_out(site, stand, lot, plants.code)
                plants.units += 1


def _plant_out(site: Site, stand: CropStand, lot: Lot, code: str) -> None:
    lot.take(1, site.chance)
    lot.book -= 1
    site.tell(
        PlantedAsStock, PROPAGATOR, batch=lot.batch.number, stage=Stage.FINISHED, place=lot.place, units=1,
        why="to make up the stock bed", approved_by=HEAD_GROWER,
    )  # fmt: skip
    site.tell(
        StockSet, PROPAGATOR, stock_plant=code, crop=stand.crop.code, place=stand.homes.stock, units=2,
        source=StockSource.PLANTED_AS_STOCK, from_batch=lot.batch.number,
    )  # fmt: skip


def _spare_finished(site: Site, stand: CropStand, size: str, more_than: int) -> Lot | None:
    for lot in stand.shelves[size].finished:
        if min(lot.alive, lot.book) > more_than and not site.hands_off(lot):
            return lot
    return None


class Buying:
    """Plugs bought in once a year for the crop that roots worst: they wait in isolation until the head grower clears them."""

    def __init__(self, site: Site) -> None:
        self._site = site
        self._waiting: list[tuple[Lot, UUID]] = []
        self._bought_in = 0

    def look(self) -> None:
        site = self._site
        for lot, stop in self._waiting:
            if site.today >= lot.since + _ISOLATION:
                self._clear(lot, stop)
        self._waiting = [(lot, stop) for lot, stop in self._waiting if lot.batch.stopped]
        if site.today.month == _BUYING_MONTH and self._bought_in != site.today.year and site.teller.writing:
            self._bought_in = site.today.year
            stand = next((stand for stand in site.stands if stand.crop.species == _BOUGHT_SPECIES), None)
            if stand is not None:
                self._buy(stand)

    def _buy(self, stand: CropStand) -> None:
        site = self._site
        batch = Batch(site.teller.next_batch(), stand, None, frozenset())
        batch.stopped = True
        lot = Lot(batch, Stage.ROOTED, isolation_of(stand.index), _BOUGHT_PLUGS, site.today)
        stop = site.tell(
            BoughtIn, HEAD_GROWER, crop=stand.crop.code, stage=Stage.ROOTED, place=lot.place, units=lot.book,
            batch=batch.number, supplier_batch=f"lot {site.today:%y%j}",
            unit_cost=money(stand.crop.price[SMALL] / 20), papers="passport seen and filed",
        )  # fmt: skip
        stand.rooted.append(lot)
        self._waiting.append((lot, stop))

    def _clear(self, lot: Lot, stop: UUID) -> None:
        site, home = self._site, lot.batch.stand.homes.holding
        lot.batch.stopped = False
        site.tell(Cleared, HEAD_GROWER, stop=stop, batch=lot.batch.number, because="clean after three weeks in isolation")
        if lot.book:
            site.tell(Moved, PROPAGATOR, batch=lot.batch.number, stage=Stage.ROOTED, place=lot.place, to=home, units=lot.book)
        lot.place = home


def pocket_a_slip(site: Site, days: int) -> None:
    """Two plants that died today are told so many days later: the slip stays in a pocket over the holidays."""
    for stand in site.stands:
        for shelf in stand.shelves.values():
            for pots in shelf.growing:
                if min(pots.alive, pots.book) >= 15 and not site.hands_off(pots):  # noqa: PLR2004 - enough to lose two
                    pots.take(2, site.chance)
                    pots.book -= 2
                    said = {"batch": pots.batch.number, "stage": pots.stage, "place": pots.place, "units": 2}
                    note = "slip found after the holidays"
                    site.teller.tell_late(days, Lost, HEAD_GROWER, **said, cause=Cause.COLD, note=note)
                    return
