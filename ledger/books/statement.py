"""The statement that ties: opening and what came in, less what went out, is closing, in units and in money. Pure.

Inside, amounts are exact (millionths of a minor unit); a statement shows whole minor units, and what rounding leaves is a
column of its own. A statement that does not tie is not made: `tied` raises DoesNotTie and says where.
"""

from __future__ import annotations

import enum
from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from datetime import date
from typing import Literal, NamedTuple

from msgspec import Struct

from ledger.books.flow import minor
from ledger.plants.entries import Accounts, BooksSet, Stage

StatementBy = Literal["crop", "size", "stage"]

#: the columns between opening and closing, what comes in first
COLUMNS = (
    "opened", "gathered", "bought-in", "made", "passed-in", "work", "space",
    "lost-normal", "lost-abnormal", "counted", "used", "passed-on", "shipped", "given-out", "planted-as-stock", "adjusted",
)  # fmt: skip
#: columns of money alone: no plant comes or goes by them
OF_MONEY = ("work", "space", "adjusted")
#: columns that only carry plants between stages, sizes and crops: over all of them they come to nothing
_TRANSFERS = ("made", "passed-in", "used", "passed-on")


class Sum(NamedTuple):
    """The lines of one flow of one pool, summed up to the day before a period (0) and up to its last day (1). Micro."""

    crop: str
    size: str | None
    stage: str
    flow: str
    cause: str
    units_0: int
    units_1: int
    value_0: int
    value_1: int
    cost_0: int
    cost_1: int
    normal_0: int
    normal_1: int


PoolKey = tuple[str, str | None, str]


class Standing(NamedTuple):
    """What a pool holds by something else than its lines: units by the movements, value as the flow remembers it."""

    units: int
    value: int | None


class Amount(Struct, frozen=True, kw_only=True):
    """Units, and money in whole minor units.

    Units are null in columns that move no plants, and where units of different kinds would be added.
    """

    units: int | None
    value: int


class StatementLine(Struct, frozen=True, kw_only=True):
    """One group of plants: opening + every column + rounding = closing. Signs are those of the inventory."""

    crop: str | None
    size: str | None
    stage: str | None
    opening: Amount
    columns: dict[str, Amount]
    rounding: int
    closing: Amount


class DoesNotTie(Exception):
    """The books do not agree with themselves: nothing is printed. `differences` says where, one sentence each."""

    def __init__(self, differences: Sequence[str]) -> None:
        super().__init__("the statement does not tie: " + "; ".join(differences[:5]))
        self.differences = list(differences)


def tied(sums: Sequence[Sum], closing: Mapping[PoolKey, Standing], *, whole: bool) -> None:
    """Hold the lines against what they were not made of. Raises DoesNotTie.

    closing: units by the movements of plants and, where the period ends now, the value that the flow remembers, for every
    pool. whole: the sums are of all pools, so that what passes between them must come to nothing.
    """
    differences = []
    units: dict[PoolKey, int] = defaultdict(int)
    values: dict[PoolKey, int] = defaultdict(int)
    for line in sums:
        key = (line.crop, line.size, line.stage)
        units[key] += line.units_1
        if line.flow != "storage":
            values[key] += line.value_1
    for key in sorted(units.keys() | closing.keys(), key=_order):
        there = closing.get(key, Standing(0, None))
        if units[key] != there.units:
            differences.append(f"{_words(key)}: the books have {units[key]} units, {there.units} stand there")
        if there.value is not None and values[key] != there.value:
            differences.append(f"{_words(key)}: the lines make {minor(values[key])}, the flow has {minor(there.value)}")
    if whole:
        for at in ("value_0", "value_1"):
            left = sum(getattr(line, at) for line in sums if line.flow in _TRANSFERS)
            if left:
                differences.append(f"what passed between stages does not come to nothing: {left} millionths are left")
    if differences:
        raise DoesNotTie(differences)


def _order(key: PoolKey) -> tuple[str, str, str]:
    return (key[0], key[1] or "", key[2])


def _words(key: PoolKey) -> str:
    return " ".join(part for part in key if part)


def column_of(line: Sum) -> dict[str, tuple[int, int]]:
    """The columns that a sum belongs to, with the units and the money of the period."""
    units, value = line.units_1 - line.units_0, line.value_1 - line.value_0
    if line.flow == "lost":
        normal = line.normal_1 - line.normal_0
        return {"lost-normal": (-normal, 0), "lost-abnormal": (units + normal, value)}
    return {column: (units, value) for column in COLUMNS if column == line.flow}


def statement(sums: Iterable[Sum], by: Sequence[StatementBy]) -> list[StatementLine]:
    """A line for each group, in order. Without the stage, units are not added up: a plug is no pot."""
    groups: dict[tuple[str, str, str], list[Sum]] = defaultdict(list)
    for line in sums:
        groups[
            line.crop if "crop" in by else "",
            (line.size or "") if "size" in by else "",
            line.stage if "stage" in by else "",
        ].append(line)
    stages = [stage.value for stage in Stage]
    order = sorted(groups, key=lambda key: (key[0], key[1], stages.index(key[2]) if key[2] else -1))
    lines = [_line(key, groups[key], by) for key in order]
    return [line for line in lines if _says_something(line)]


def _says_something(line: StatementLine) -> bool:
    amounts = (line.opening, *line.columns.values(), line.closing)
    return any(amount.units or amount.value for amount in amounts)


def _line(key: tuple[str, str, str], members: Sequence[Sum], by: Sequence[StatementBy]) -> StatementLine:
    counted = "stage" in by and len({(line.size is not None) for line in members}) == 1
    units: dict[str, int] = dict.fromkeys(COLUMNS, 0)
    money: dict[str, int] = dict.fromkeys(COLUMNS, 0)
    for line in members:
        for column, (moved, value) in column_of(line).items():
            units[column] += moved
            money[column] += value
    inside = [line for line in members if line.flow != "storage"]
    opening, closing = minor(sum(line.value_0 for line in inside)), minor(sum(line.value_1 for line in inside))
    columns = {
        column: Amount(units=units[column] if counted and column not in OF_MONEY else None, value=minor(money[column]))
        for column in COLUMNS
    }
    return StatementLine(
        crop=key[0] if "crop" in by else None,
        size=(key[1] or None) if "size" in by else None,
        stage=key[2] if "stage" in by else None,
        opening=Amount(units=sum(line.units_0 for line in members) if counted else None, value=opening),
        columns=columns,
        rounding=closing - opening - sum(amount.value for amount in columns.values()),
        closing=Amount(units=sum(line.units_1 for line in members) if counted else None, value=closing),
    )


def storage(sums: Iterable[Sum]) -> int:
    """What the space of plants ready for sale cost in the period, in minor units: an expense, not in the inventory."""
    return -minor(sum(line.cost_1 - line.cost_0 for line in sums if line.flow == "storage"))


# --- the journal -------------------------------------------------------------------------------------------------


class JournalName(enum.StrEnum):
    """What journal lines are booked to; `books-set` has the user's own account for each."""

    PROPAGATION = "propagation"
    GROWING = "growing"
    READY = "ready"
    PRODUCTION = "production"
    SPACE = "space"
    PURCHASES = "purchases"
    OPENING = "opening"
    COST_OF_SALES = "cost-of-sales"
    ABNORMAL_LOSS = "abnormal-loss"
    COUNT_DIFFERENCES = "count-differences"
    GIVEN_OUT = "given-out"
    STOCK_PLANTS = "stock-plants"
    ADJUSTMENTS = "adjustments"
    ROUNDING = "rounding"


class JournalLine(Struct, frozen=True, kw_only=True):
    """A line for the user's own bookkeeping, in whole minor units. account: as the user named it, else our name for it."""

    date: date
    account: str
    name: JournalName
    debit: int
    credit: int
    reference: str
    text: str


_INVENTORY = {
    Stage.GATHERED: JournalName.PROPAGATION,
    Stage.STRUCK: JournalName.PROPAGATION,
    Stage.ROOTED: JournalName.PROPAGATION,
    Stage.POTTED: JournalName.GROWING,
    Stage.FINISHED: JournalName.READY,
    Stage.SECONDS: JournalName.READY,
    Stage.PICKED: JournalName.READY,
}
_AGAINST: dict[str, JournalName] = {
    "opened": JournalName.OPENING,
    "bought-in": JournalName.PURCHASES,
    "work": JournalName.PRODUCTION,
    "space": JournalName.SPACE,
    "counted": JournalName.COUNT_DIFFERENCES,
    "lost-abnormal": JournalName.ABNORMAL_LOSS,
    "shipped": JournalName.COST_OF_SALES,
    "given-out": JournalName.GIVEN_OUT,
    "planted-as-stock": JournalName.STOCK_PLANTS,
    "adjusted": JournalName.ADJUSTMENTS,
}
_CARRIED = "carried between stages"

#: an inventory account, the account against it, minor units (positive: into the inventory) and why
_Pair = tuple[JournalName, JournalName, int, str]


def journal(sums: Sequence[Sum], until: date, reference: str, books: BooksSet | None) -> list[JournalLine]:
    """The period as double entry: debit and credit are equal, and each inventory account moves as its closing says.

    What passes between propagation, growing and ready is posted net; what rounding leaves has an account of its own.
    """
    moved: dict[JournalName, dict[str, int]] = defaultdict(lambda: defaultdict(int))
    change: dict[JournalName, list[int]] = defaultdict(lambda: [0, 0])
    for line in sums:
        if line.flow == "storage":
            continue
        account = _INVENTORY[Stage(line.stage)]
        change[account][0] += line.value_0
        change[account][1] += line.value_1
        for column, (_, value) in column_of(line).items():
            moved[account][_CARRIED if column in _TRANSFERS else column] += value
    pairs: list[_Pair] = []
    for account, columns in sorted(moved.items()):
        posted = 0
        for column, value in columns.items():
            if amount := minor(value):
                pairs.append((account, _AGAINST.get(column, JournalName.ROUNDING), amount, column))
                posted += amount
        if left := minor(change[account][1]) - minor(change[account][0]) - posted:
            pairs.append((account, JournalName.ROUNDING, left, "rounding"))
    own = books.accounts if books is not None else Accounts()
    return [line for pair in _netted(pairs) for line in _posted(*pair, until, reference, own)]


def _netted(pairs: Sequence[_Pair]) -> list[_Pair]:
    """What is carried between the inventory accounts goes from one to the other; only its rounding goes to rounding."""
    made = [pair for pair in pairs if pair[3] != _CARRIED]
    left = {account: amount for account, _, amount, column in pairs if column == _CARRIED}
    for taker in [account for account, amount in left.items() if amount > 0]:
        for giver in [account for account, amount in left.items() if amount < 0]:
            if part := min(left[taker], -left[giver]):
                made.append((taker, giver, part, _CARRIED))
                left[taker] -= part
                left[giver] += part
    made += [(account, JournalName.ROUNDING, amount, "rounding") for account, amount in left.items() if amount]
    return made


def _posted(
    account: JournalName,
    against: JournalName,
    amount: int,
    text: str,
    day: date,
    reference: str,
    own: Accounts,
) -> list[JournalLine]:
    debit, credit = (account, against) if amount > 0 else (against, account)

    def line(name: JournalName, to_debit: int, to_credit: int) -> JournalLine:
        return JournalLine(
            date=day,
            account=getattr(own, name.value.replace("-", "_")) or name.value,
            name=name,
            debit=to_debit,
            credit=to_credit,
            reference=reference,
            text=text,
        )

    return [line(debit, abs(amount), 0), line(credit, 0, abs(amount))]


# --- value -------------------------------------------------------------------------------------------------------


class ValueLine(Struct, frozen=True, kw_only=True):
    """What stands of one crop, size and stage (and batch) and what it is worth, in whole minor units.

    each: the average of one plant, in millionths of a minor unit, so that it can be checked. realisable: what the plants
    would bring net of selling costs, and lower: the lower of the two; null where that was not asked for.
    """

    crop: str
    size: str | None
    stage: str
    batch: str | None
    units: int
    each: int
    value: int
    realisable: int | None = None
    lower: int | None = None


def shared_out(total: int, parts: Mapping[str, int]) -> dict[str, int]:
    """A whole amount over parts by their units, so that it adds up: largest remainders first (ties in order)."""
    units = sum(parts.values())
    if not units:
        return dict.fromkeys(parts, 0)
    shares = {name: divmod(total * count, units) for name, count in parts.items()}
    left = total - sum(share for share, _ in shares.values())
    ranked = sorted(shares, key=lambda name: -shares[name][1])
    return {name: shares[name][0] + (1 if name in ranked[:left] else 0) for name in parts}
