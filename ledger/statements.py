"""The accountant's answers: the statement that ties, the value of what stands, the journal. Reads only.

What the figures mean is in `ledger.books`; here they are fetched from the projection `books`, charged for space up to the
day asked for, and held against the movements of plants before anybody sees them.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

import msgspec
import psycopg
from msgspec import Struct

from ledger.answers import policy_of
from ledger.books import flow
from ledger.books import statement as books
from ledger.books.flow import CropBooks, Line, Reference, Shelf
from ledger.books.statement import JournalLine, PoolKey, Standing, StatementBy, StatementLine, Sum, ValueLine
from ledger.log import queries, store
from ledger.plants.desk import day_of
from ledger.plants.entries import CostStep, Reversed, Stage
from ledger.plants.recorded import STOCK, Recorded, split_standing
from ledger.projections import books as books_kept

SQL = queries.load("ledger.projections", "statement.sql")
_CHUNK = 5_000
_NIGHT = timedelta(days=1)

Cursor = psycopg.Cursor[Any]


class Unshipped(Struct, frozen=True, kw_only=True):
    """What is promised and not picked yet, of one crop and size, due in the week that begins on `week`.

    bought: of promises that are confirmed; held: of holds that may still expire. price, value: at today's list price, in
    minor units; null where the crop has none.
    """

    crop: str
    size: str
    week: date
    held: int
    bought: int
    price: int | None
    value: int | None


class Movement(Struct, frozen=True, kw_only=True):
    """The statement of a period. Money in whole minor units of the currency (`places` decimal places).

    storage: what the space of plants ready for sale cost, which is an expense and not in the inventory. unshipped: what is
    promised and picked but has not left, beside the statement and never in it. Closing and opening are values of the
    inventory; stock plants are not inventory.
    """

    as_of: int
    since: date
    until: date
    known_at: datetime | None
    currency: str
    places: int
    by: list[StatementBy]
    lines: list[StatementLine]
    total: StatementLine
    storage: int
    unshipped: list[Unshipped]
    picked: dict[str, int]


class Value(Struct, frozen=True, kw_only=True):
    """What stood at the end of a day, and what it was worth, at the moving average of each crop, size and stage.

    lower: the lower of cost and net realisable value, where it was asked for; basis says what that rests on.
    """

    as_of: int
    on: date
    known_at: datetime | None
    currency: str
    places: int
    basis: str
    lines: list[ValueLine]
    total: int
    realisable: int | None
    lower: int | None


class Journal(Struct, frozen=True, kw_only=True):
    """Lines for the user's own bookkeeping; debit and credit are equal. Tax and accounting treatment is the accountant's."""

    as_of: int
    since: date
    until: date
    currency: str
    places: int
    lines: list[JournalLine]


class StillToCome(ValueError):
    """The books end today: they cannot say anything of a later day."""


class _Books(NamedTuple):
    """The books as of a position, seen at the ends of two days."""

    as_of: int
    sums: list[Sum]
    shelf: Shelf


def _books(cursor: Cursor, since: date, until: date, known_at: datetime | None) -> _Books:
    """The sums of a period, charged for space, once they are known to tie. Raises DoesNotTie, StillToCome."""
    today = day_of(datetime.now(UTC), policy_of(cursor))
    if until > today:
        raise StillToCome(f"the books end today ({today}): ask for no later day")
    found = _known(cursor, since, until, known_at) if known_at is not None else _followed(cursor, since, until)
    return found._replace(sums=[*found.sums, *_nights(found.shelf, since, until)])


def _followed(cursor: Cursor, since: date, until: date) -> _Books:
    level = cursor.execute(SQL["level"]).fetchone()
    assert level is not None
    as_of, lines_at, last_day = level
    if lines_at < as_of:
        raise books.DoesNotTie(["the movements of plants are not as far as the books yet: ask again in a moment"])
    sums = [Sum(*row) for row in cursor.execute(SQL["sums"], {"since": since, "until": until})]
    shelf = Shelf()
    for crop, state in cursor.execute(SQL["states"]):
        if crop:
            shelf.crops[crop] = msgspec.json.decode(state, type=CropBooks)
        else:
            shelf.reference = msgspec.json.decode(state, type=Reference)
    stood = _stood(cursor, until, as_of)
    now = last_day is None or last_day <= until
    books.tied(sums, _standing(shelf, stood, now=now), whole=True)
    return _Books(as_of, sums, shelf)


def _stood(cursor: Cursor, until: date, as_of: int) -> dict[PoolKey, int]:
    """Units at the end of a day by the movements of plants, counted back from the balances that the pen keeps."""
    stood: dict[PoolKey, int] = defaultdict(int)
    for crop, size, stage, units in cursor.execute(SQL["stands"]):
        stood[crop, size, stage] += units
    for crop, size, stage, units in cursor.execute(SQL["moved_since"], {"until": until, "as_of": as_of}):
        stood[crop, size, stage] -= units
    after = as_of
    while entries := store.read(cursor, after, _CHUNK):  # what the pen has and the books do not have yet
        known = books_kept.load(cursor, {batch for entry in entries for batch in flow.batches_of(entry)}, ())
        for entry in entries:
            for pool, units in _changes(known, entry):
                stood[pool] -= units
        after = entries[-1].position
    return stood


def _changes(shelf: Shelf, entry: Recorded) -> Iterator[tuple[PoolKey, int]]:
    """What an entry's movements change in each pool that the books know."""
    for move in entry.moves:
        for account, units in ((move.source, -move.units), (move.target, move.units)):
            where = split_standing(account)
            if where is not None and where[1] != STOCK and where[0] in shelf.batches:
                of = shelf.batches[where[0]]
                yield (of.crop, of.size, where[1]), units


def _standing(shelf: Shelf, stood: dict[PoolKey, int], *, now: bool) -> dict[PoolKey, Standing]:
    """Each pool's units by the movements and, where nothing is booked later, the value that the flow remembers."""
    values = {
        (crop, key.split("/")[0] or None, key.split("/")[1]): pool.value
        for crop, of in shelf.crops.items()
        for key, pool in of.pools.items()
    }
    keys = stood.keys() | values.keys()
    return {key: Standing(stood.get(key, 0), values.get(key, 0) if now else None) for key in keys}


def _known(cursor: Cursor, since: date, until: date, known_at: datetime) -> _Books:
    """The books as they were known at a moment: everything told by then, told again here."""
    shelf, as_of = Shelf(), 0
    lines: list[Line] = []
    made: dict[Any, list[Line]] = {}
    looks: dict[Any, Recorded] = {}
    shelf.lines_of = lambda entry_id: made.get(entry_id, ())
    shelf.look_of = looks.get
    stood: dict[PoolKey, int] = defaultdict(int)
    while entries := store.read(cursor, as_of, _CHUNK):
        told_by_then = [entry for entry in entries if entry.recorded_at <= known_at]
        for entry in told_by_then:
            made[entry.told.id] = flow.apply(shelf, entry)
            if flow.looks(entry):
                looks[entry.told.id] = entry
            lines += made[entry.told.id]
            as_of = entry.position
            counted = [move for move in entry.moves if (move.booked_on or entry.booked_on) <= until]
            for pool, units in _changes(shelf, msgspec.structs.replace(entry, moves=tuple(counted))):
                stood[pool] += units
            if isinstance(entry.told, Reversed):
                made.pop(entry.told.entry, None)
        if len(told_by_then) < len(entries):
            break
    sums = _sums_of(lines, since, until)
    now = all(line.day <= until for line in lines)
    books.tied(sums, _standing(shelf, stood, now=now), whole=True)
    return _Books(as_of, sums, shelf)


def _sums_of(lines: Iterable[Line], since: date, until: date) -> list[Sum]:
    """What the query `sums` does, of lines at hand."""
    found: dict[tuple[str, str | None, str, str, str], list[int]] = defaultdict(lambda: [0] * 8)
    for line in lines:
        if (line.span_from or line.day) > until:
            continue
        total = found[line.crop, line.size, line.stage, line.flow, line.cause]
        for at, end in enumerate((since, until + _NIGHT)):
            if line.day < end:
                parts = (line.units, line.value, line.cost, line.normal)
            elif line.span_from is not None and line.span_from < end:
                passed, days = (end - line.span_from).days, (line.day - line.span_from).days + 1
                parts = (0, _part(line.value, passed, days), _part(line.cost, passed, days), 0)
            else:
                continue
            for number, part in enumerate(parts):
                total[2 * number + at] += part
    return [Sum(*key, *total) for key, total in found.items()]


def _part(value: int, passed: int, days: int) -> int:
    """Of a charge for some days the part of those that have passed, cut towards zero as PostgreSQL divides."""
    part = abs(value) * passed // days
    return part if value >= 0 else -part


def _nights(shelf: Shelf, since: date, until: date) -> list[Sum]:
    """Space that plants stood on since the last entry of their pool, which has not been charged yet."""
    found = []
    for crop, of in shelf.crops.items():
        for key, pool in of.pools.items():
            if not pool.standing or pool.day is None or pool.day > until:
                continue
            size, stage = key.split("/")[0] or None, key.split("/")[1]
            before, after = (_charged(shelf, crop, size, stage, pool, end) for end in (since, until + _NIGHT))
            if flow.in_cost(stage, shelf.reference.books):
                found.append(Sum(crop, size, stage, "space", "", 0, 0, before, after, before, after, 0, 0))
            else:
                found.append(Sum(crop, size, stage, "storage", "", 0, 0, 0, 0, -before, -after, 0, 0))
    return found


def _charged(shelf: Shelf, crop: str, size: str | None, stage: str, pool: flow.Pool, end: date) -> int:
    if pool.day is None or pool.day >= end:
        return 0
    return sum(amount for _, _, amount in flow.charges(shelf, crop, size, stage, pool.standing, pool.day, end))


def _chosen(sums: Iterable[Sum], crop: str | None, size: str | None, stage: str | None) -> list[Sum]:
    wanted = (crop, size, stage)
    return [
        line
        for line in sums
        if all(want is None or want == has for want, has in zip(wanted, (line.crop, line.size, line.stage), strict=True))
    ]


def movement(
    cursor: Cursor,
    *,
    since: date,
    until: date,
    by: Sequence[StatementBy] = ("stage",),
    crop: str | None = None,
    size: str | None = None,
    stage: str | None = None,
    known_at: datetime | None = None,
) -> Movement:
    """The statement of a period, narrowed to a crop, size or stage. Raises DoesNotTie: then there is none."""
    found = _books(cursor, since, until, known_at)
    sums = _chosen(found.sums, crop, size, stage)
    currency = found.shelf.reference.currency
    whole = books.statement(sums, ())
    empty = books.Amount(units=None, value=0)
    nothing = StatementLine(
        crop=None, size=None, stage=None, opening=empty, rounding=0, closing=empty, columns=dict.fromkeys(books.COLUMNS, empty)
    )
    return Movement(
        as_of=found.as_of,
        since=since,
        until=until,
        known_at=known_at,
        currency=currency,
        places=flow.minor_places(currency),
        by=list(by),
        lines=books.statement(sums, by),
        total=whole[0] if whole else nothing,
        storage=books.storage(sums),
        unshipped=_unshipped(cursor, until, currency, crop, size),
        picked={
            f"{row[0]} {row[1]}": row[2]
            for row in cursor.execute(SQL["picked"])
            if crop in (None, row[0]) and size in (None, row[1])
        },
    )


def _prices(cursor: Cursor, on: date, currency: str) -> dict[tuple[str, str], int]:
    """List prices in micro by crop and size, as they were on a day."""
    return {
        (crop, size): flow.micro(offer["price"], currency)
        for crop, sizes in cursor.execute(SQL["prices"], {"until": on})
        for size, offer in (sizes or {}).items()
    }


def _unshipped(cursor: Cursor, on: date, currency: str, crop: str | None, size: str | None) -> list[Unshipped]:
    prices = _prices(cursor, on, currency)
    lines = []
    for of_crop, of_size, week, held, bought in cursor.execute(SQL["unshipped"]).fetchall():
        if crop not in (None, of_crop) or size not in (None, of_size):
            continue
        price = prices.get((of_crop, of_size))
        lines.append(
            Unshipped(
                crop=of_crop,
                size=of_size,
                week=week,
                held=held,
                bought=bought,
                price=None if price is None else flow.minor(price),
                value=None if price is None else flow.minor(price * bought),
            )
        )
    return lines


def journal(cursor: Cursor, *, since: date, until: date) -> Journal:
    """The whole nursery's period as journal lines, dated its last day. Raises DoesNotTie."""
    found = _books(cursor, since, until, None)
    reference = found.shelf.reference
    return Journal(
        as_of=found.as_of,
        since=since,
        until=until,
        currency=reference.currency,
        places=flow.minor_places(reference.currency),
        lines=books.journal(found.sums, until, f"{since}..{until} @{found.as_of}", reference.books),
    )


# --- value -------------------------------------------------------------------------------------------------------

_COST = "moving average cost"
_LOWER = (
    "the lower of moving average cost and net realisable value, batch by batch: the list price of the day less selling costs "
    "and the standard cost of what is still to be done; seconds, plugs held past their limit and stopped plants bring the "
    "percentages set in books-set (stops as they stand now)"
)


def value(
    cursor: Cursor,
    *,
    on: date,
    by_batch: bool = False,
    realisable: bool = False,
    crop: str | None = None,
    size: str | None = None,
    stage: str | None = None,
    known_at: datetime | None = None,
) -> Value:
    """What stood at the end of a day and its value. Raises DoesNotTie."""
    found = _books(cursor, on, on, known_at)
    currency = found.shelf.reference.currency
    exact: dict[PoolKey, int] = defaultdict(int)
    for line in _chosen(found.sums, crop, size, stage):
        if line.flow != "storage":
            exact[line.crop, line.size, line.stage] += line.value_1
    brings = _Brings(cursor, found.shelf, on) if realisable else None
    standing = _batches(cursor, on, known_at)
    stages = [of.value for of in Stage]
    lines = []
    for key in sorted(exact, key=lambda key: (key[0], key[1] or "", stages.index(key[2]))):
        if standing.get(key):
            lines += _value_lines(key, exact[key], standing[key], brings, by_batch=by_batch)
        elif left := flow.minor(exact[key]):  # a late slip may leave a day of the past with value and no plants
            lines.append(_without_plants(key, left, asked=realisable))
    return Value(
        as_of=found.as_of,
        on=on,
        known_at=known_at,
        currency=currency,
        places=flow.minor_places(currency),
        basis=_LOWER if realisable else _COST,
        lines=lines,
        total=sum(line.value for line in lines),
        realisable=sum(line.realisable or 0 for line in lines) if realisable else None,
        lower=sum(line.lower or 0 for line in lines) if realisable else None,
    )


def _value_lines(key: PoolKey, exact: int, parts: dict[str, int], brings: _Brings | None, *, by_batch: bool) -> list[ValueLine]:
    """A line for the pool, or for each of its batches; the lower of the two values is always taken batch by batch."""
    units = sum(parts.values())
    shares = books.shared_out(flow.minor(exact), parts)
    lines = []
    for batch, count in parts.items():
        net = flow.minor(brings.net(key, batch) * count) if brings is not None else None
        lines.append(
            ValueLine(
                crop=key[0],
                size=key[1],
                stage=key[2],
                batch=batch,
                units=count,
                each=exact // units,
                value=shares[batch],
                realisable=net,
                lower=None if net is None else min(net, shares[batch]),
            )
        )
    return lines if by_batch else [_together(lines)]


def _without_plants(key: PoolKey, left: int, *, asked: bool) -> ValueLine:
    """What is left of a pool's value on a day on which nothing of it stood."""
    nothing = 0 if asked else None
    return ValueLine(
        crop=key[0], size=key[1], stage=key[2], batch=None, units=0, each=0, value=left, realisable=nothing, lower=nothing
    )


def _together(lines: Sequence[ValueLine]) -> ValueLine:
    first = lines[0]
    asked = first.realisable is not None
    return msgspec.structs.replace(
        first,
        batch=None,
        units=sum(line.units for line in lines),
        value=sum(line.value for line in lines),
        realisable=sum(line.realisable or 0 for line in lines) if asked else None,
        lower=sum(line.lower or 0 for line in lines) if asked else None,
    )


def _batches(cursor: Cursor, on: date, known_at: datetime | None) -> dict[PoolKey, dict[str, int]]:
    found: dict[PoolKey, dict[str, int]] = defaultdict(dict)
    for crop, size, stage, batch, units in cursor.execute(SQL["stood_by_batch"], {"until": on, "known_at": known_at}):
        found[crop, size, stage][batch] = units
    return found


class _Brings:
    """What plants bring on a day, net of what selling and finishing them costs."""

    def __init__(self, cursor: Cursor, shelf: Shelf, on: date) -> None:
        self.shelf, self.on = shelf, on
        self.books = shelf.reference.books or flow.AS_IT_COMES
        self.prices = _prices(cursor, on, shelf.reference.currency)
        self.stopped = {row[0] for row in cursor.execute(SQL["stopped"])}
        self.held_since: dict[str, date] = dict(cursor.execute(SQL["held_since"]).fetchall())

    def net(self, key: PoolKey, batch: str) -> int:
        """Micro for one plant; a plug brings what a pot of its crop's cheapest size brings, shared by the plugs in it."""
        crop, size, stage = key
        recipe = self.shelf.crops[crop].recipe
        sizes = [of for of_crop, of in self.prices if of_crop == crop] if size is None else [size]
        sold_as = min(sizes, key=lambda of: self.prices.get((crop, of), 0), default=None)
        if sold_as is None:
            return 0
        price = self.prices.get((crop, sold_as), 0) * (100 - self.books.selling_percent) * self.percent(stage, crop, batch)
        to_do = (
            []
            if stage in flow.UNSOLD
            else [CostStep.LABELLING]
            if stage == Stage.POTTED
            else [CostStep.POTTING, CostStep.LABELLING]
        )
        left = price // 10_000 - sum(self.shelf.reference.rate(step, crop, sold_as, self.on) for step in to_do)
        plugs = recipe.plugs_per_pot.get(sold_as, 1) if recipe is not None and size is None else 1
        return max(0, left // plugs)

    def percent(self, stage: str, crop: str, batch: str) -> int:
        """Of the list price, for seconds, plugs held too long and stopped plants; the least where several hold."""
        found = [100]
        if stage == Stage.SECONDS:
            found.append(self.books.seconds_percent)
        if batch in self.stopped:
            found.append(self.books.stopped_percent)
        recipe, since = self.shelf.crops[crop].recipe, self.held_since.get(batch)
        if stage == Stage.ROOTED and recipe is not None and since is not None:
            over = (self.on - since).days > recipe.holding_limit_days[since.month - 1]
            found.append(self.books.overdue_percent if over else 100)
        return min(found)
