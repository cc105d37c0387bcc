"""A ledger in memory for the tests of the rules: it decides and folds as the nursery does, without a database.

Owns the keeping of entries and of the lines of each account, as plain lists. It must not know any rule of its own.
After every entry it checks what holds for all of them: no unit is made or destroyed, and nothing stands below zero.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from functools import partial
from typing import Any, TypeVar, cast
from uuid import UUID

from ledger.books import proof
from ledger.log import codec
from ledger.plants import promises, rules
from ledger.plants.book import Book, Missing
from ledger.plants.cards import AnyCard, BatchCard, Key, StockPlantCard
from ledger.plants.desk import Turn
from ledger.plants.entries import Entry, Told
from ledger.plants.evolve import evolve
from ledger.plants.offer import Offer, Sellable
from ledger.plants.recorded import Line, Recorded, split_standing
from ledger.plants.refusals import Problem, Refusal, Refused, as_problem
from tests.telling import Teller

Answer = TypeVar("Answer")
Fact = dict[str, Any]

IXORA, HOYA = "ixora-copper-thimble", "hoya-pewter-spoon"
IXORA_PLANTS = "S-IXO"  # and S-HOY
#: what there is at the beginning: 20 plants under each code; people head-grower, propagator, potter, packer; sizes P9 < C2;
#: places P1 (mist), H1 H2 (holding), G1 G2 (benches), S1 (stock bed), K1 (packing)


class Ledger:
    """Entries told one after the other. The clock stands at the latest moment told of, unless it is set."""

    def __init__(self) -> None:
        self.teller = Teller()
        self.clock: datetime | None = None
        self.log: list[Recorded] = []
        self._book = Book()
        self._cards: dict[Key, AnyCard] = {}
        self._lines: dict[str, list[Line]] = {}
        self._latest = self.teller.now

    # --- telling ------------------------------------------------------------------------------------------------

    def tell(self, kind: str, /, **fields: Any) -> Recorded:
        """Tell one entry that the rules must accept."""
        return self.post([self.teller.fact(kind, **fields)])[0]

    def refusal(self, kind: str, /, **fields: Any) -> Problem:
        """Tell one entry that must be refused; the refusal."""
        before = dict(self._cards)
        try:
            written = self.tell(kind, **fields)
        except Refused as refused:
            assert self._cards == before, "a refused entry leaves no trace"
            (problem,) = refused.problems
            return problem
        raise AssertionError(f"it was accepted: {written.told}")

    def post(self, facts: Sequence[Fact]) -> list[Recorded]:
        """Tell entries in one turn of the pen, all or nothing. Raises Refused with every problem."""
        return self.write(codec.read_told(list(facts)))

    def write(self, told: Sequence[Told]) -> list[Recorded]:
        """The same with entries that were read already."""
        self._latest = max([self._latest, *(entry.occurred_at for entry in told)])
        page = self._book.fork()
        written: list[Recorded] = []
        problems: list[Problem] = []
        for index, entry in enumerate(told):
            turn = Turn(position=len(self.log) + len(written) + 1, now=self.clock or self._latest, client="tests")
            try:
                recorded = self._ask(partial(rules.decide, page, cast(Entry, entry), turn))
            except Refusal as refusal:
                problems.append(as_problem(index, refusal))
                continue
            self._ask(partial(evolve, page, recorded))
            written.append(recorded)
        if problems:
            self._book = Book()
            raise Refused(problems)
        page.merge()
        self._keep(written)
        return written

    def follow(self, recorded: Recorded) -> None:
        """Fold an entry that was decided elsewhere."""
        page = self._book.fork()
        self._ask(partial(evolve, page, recorded))
        page.merge()
        self._keep([recorded])

    def _ask(self, question: Callable[[], Answer]) -> Answer:
        while True:
            try:
                return question()
            except Missing as missing:
                if missing.card is not None:
                    self._book.cards[missing.card] = self._cards.get(missing.card)
                elif missing.entry is not None:
                    self._know(missing.entry)
                elif missing.lines is not None:
                    account, since = missing.lines
                    self._book.stored[account] = (since, list(self._lines.get(account, ())))
                elif missing.root is not None:
                    self._book.roots[missing.root] = self.root(missing.root)

    def root(self, size: int) -> str:
        """The root of the proof over the first entries, in hex."""
        leaves = [proof.leaf(codec.encode(recorded)) for recorded in self.log[:size]]
        nodes = proof.grown(0, {}, leaves)
        return proof.root(size, nodes.__getitem__).hex()

    def _know(self, entry: UUID) -> None:
        self._book.entries[entry] = next((written for written in self.log if written.told.id == entry), None)
        if any(codec.reverses(written.told) == entry for written in self.log):
            self._book.reversals.add(entry)

    def _keep(self, written: Sequence[Recorded]) -> None:
        self.log += written
        self._cards |= {key: card for key, card in self._book.cards.items() if card is not None}
        for account, lines in self._book.added.items():
            self._lines.setdefault(account, []).extend(lines)
        self._book = Book()
        self._nothing_made_or_destroyed()

    def _nothing_made_or_destroyed(self) -> None:
        sums: Counter[str] = Counter()
        for account, (unit, units) in self.accounts().items():
            assert units >= 0 or split_standing(account) is None, f"{account} stands at {units}"
            sums[unit] += units
            if split_standing(account) is None:
                outside: Any = self._cards["outside", unit]
                assert outside.units[account.removesuffix(f" {unit}")] == units, "the card and the movements say the same"
        assert not any(sums.values()), sums

    def opened(self, stage: str, units: int, place: str, size: str | None = None, crop: str = IXORA) -> str:
        """A batch that stands there from the first day on; its number."""
        sized = {} if size is None else {"size": size}
        told: Any = self.tell("opened", crop=crop, stage=stage, place=place, units=units, **sized).told
        return str(told.batch)

    # --- looking ------------------------------------------------------------------------------------------------

    def card(self, kind: str, key: str = "") -> Any:
        """A card as it is now; fails where there is none."""
        return self._cards[kind, key]

    @property
    def cards(self) -> Mapping[Key, AnyCard]:
        """Every card as it is now."""
        return dict(self._cards)

    def accounts(self) -> dict[str, tuple[str, int]]:
        """(unit, units) of every account, read off the movements alone; an outside account is named with its unit."""
        units: Counter[tuple[str, str]] = Counter()
        for entry in self.log:
            for move in entry.moves:
                assert move.units > 0, "a movement is a positive number"
                units[move.source, move.unit] -= move.units
                units[move.target, move.unit] += move.units
        return {
            account if split_standing(account) else f"{account} {unit}": (unit, number)
            for (account, unit), number in units.items()
        }

    def units(self, account: str) -> int:
        """Units at an account: `26W38-01J/struck/P1`, or with its unit for an outside one: `loss/rot cell`."""
        return self.accounts().get(account, ("", 0))[1]

    def standing(self, batch: str) -> dict[str, int]:
        """Units of a batch (or stock plant) by stage and place, as its card has them; zeros left out."""
        card = self._cards["batch" if batch[0].isdigit() else "stock-plant", batch]
        assert isinstance(card, BatchCard | StockPlantCard)
        by_card = {where: there.units for where, there in card.standing.items() if there.units}
        for where, units in by_card.items():
            assert self.units(f"{batch}/{where}") == units, "the card and the movements say the same"
        return by_card

    def sellable(self, crop: str = IXORA, size: str = "P9") -> Sellable:
        """What can be sold of a crop and size, on this ledger's clock."""
        return self.offer(crop, size).sellable()

    def offer(self, crop: str = IXORA, size: str = "P9", confidence: int | None = None) -> Offer:
        """What may be promised of a crop and size, on this ledger's clock."""
        at = self.clock or self._latest
        return self._ask(lambda: promises.offer_of(self._book, crop, size, at, timedelta(0), confidence))


def moves(recorded: Recorded) -> list[tuple[str, str, int, str]]:
    """The movements of an entry as (from, to, units, unit)."""
    return [(move.source, move.target, move.units, move.unit) for move in recorded.moves]
