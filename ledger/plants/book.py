"""The book that a decision is taken from: the cards it needs, and what the same turn of the pen has already changed.

Pure. It never fetches: whoever asks for a card or an entry that is not at hand gets `Missing`, and the caller (the
nursery) loads it and asks again. A fork is a page of its own; merging it makes its changes real, dropping it leaves no
trace, which is how a refused list vanishes.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime
from itertools import chain
from uuid import UUID

from ledger.plants.cards import (
    AnyCard,
    BatchCard,
    ClientCard,
    CropCard,
    DestinationCard,
    ForecastCard,
    HeadCard,
    Key,
    NurseryCard,
    OrderCard,
    OutsideCard,
    PersonCard,
    PlaceCard,
    PolicyCard,
    PoolCard,
    PottingCard,
    PromiseCard,
    RecipeCard,
    ShelfCard,
    SizeCard,
    StockPlantCard,
)
from ledger.plants.recorded import Line, Recorded


class Missing(Exception):
    """Something is not at hand: a card, an entry by its id, an account's lines from a moment on, or the log's root."""

    def __init__(
        self,
        *,
        card: Key | None = None,
        entry: UUID | None = None,
        lines: tuple[str, datetime] | None = None,
        root: int | None = None,
    ) -> None:
        super().__init__(card or entry or lines or root)
        self.card = card
        self.entry = entry
        #: the lines of a standing account at a moment and later are wanted
        self.lines = lines
        #: the root over so many entries is wanted
        self.root = root


class Book:
    """Cards by key (None: known not to exist), entries by id, and the entries written in this turn."""

    def __init__(self, parent: Book | None = None) -> None:
        self._parent = parent
        #: this page and all that it was forked from, down to the root
        self.line: tuple[Book, ...] = (self, *(parent.line if parent is not None else ()))
        self.cards: dict[Key, AnyCard | None] = {}
        self.entries: dict[UUID, Recorded | None] = {}
        #: by account, lines that were written in earlier turns: all of them from a moment on
        self.stored: dict[str, tuple[datetime, list[Line]]] = {}
        #: by account, the lines of the entries written in this turn
        self.added: dict[str, list[Line]] = {}
        self.reversals: set[UUID] = set()
        #: the root of the proof over so many entries, in hex; None: not known
        self.roots: dict[int, str | None] = {}
        self.recorded: list[Recorded] = []
        #: accounts whose balance changed, as (holder key, "<stage>/<place>") or (outside key, account)
        self.moved: set[tuple[Key, str]] = set()

    # --- looking ----------------------------------------------------------------------------------------------

    def card(self, kind: str, key: str) -> AnyCard | None:
        """The card, or None if there is none. Raises Missing."""
        for page in self.line:
            if (kind, key) in page.cards:
                return page.cards[kind, key]
        raise Missing(card=(kind, key))

    def entry(self, entry: UUID) -> Recorded | None:
        """The entry with this id, or None if there is none. Raises Missing."""
        for page in self.line:
            if entry in page.entries:
                return page.entries[entry]
        raise Missing(entry=entry)

    def is_reversed(self, entry: UUID) -> bool:
        """Only to be asked about an entry that `entry` has given."""
        return any(entry in page.reversals for page in self.line)

    def lines(self, account: str, since: datetime) -> list[Line]:
        """The lines of a standing account at a moment and later, in the occurred order. Raises Missing."""
        known_since, stored = self.line[-1].stored.get(account, (None, []))
        if known_since is None or known_since > since:
            raise Missing(lines=(account, since))
        return sorted(line for line in chain(stored, self.added_at(account)) if line.at >= since)

    def added_at(self, account: str) -> Iterator[Line]:
        """The lines of a standing account that were written in this turn."""
        return chain.from_iterable(page.added.get(account, ()) for page in self.line)

    def root(self, size: int) -> str | None:
        """The root of the proof over the first `size` entries, in hex; None if it is not known so far. Raises Missing."""
        roots = self.line[-1].roots
        if size not in roots:
            raise Missing(root=size)
        return roots[size]

    def head(self) -> HeadCard | None:
        card = self.card("head", "")
        assert card is None or isinstance(card, HeadCard)
        return card

    def policy(self) -> PolicyCard | None:
        card = self.card("policy", "")
        assert card is None or isinstance(card, PolicyCard)
        return card

    def crop(self, code: str) -> CropCard | None:
        card = self.card("crop", code)
        assert card is None or isinstance(card, CropCard)
        return card

    def size(self, code: str) -> SizeCard | None:
        card = self.card("size", code)
        assert card is None or isinstance(card, SizeCard)
        return card

    def place(self, code: str) -> PlaceCard | None:
        card = self.card("place", code)
        assert card is None or isinstance(card, PlaceCard)
        return card

    def person(self, code: str) -> PersonCard | None:
        card = self.card("person", code)
        assert card is None or isinstance(card, PersonCard)
        return card

    def batch(self, number: str) -> BatchCard | None:
        card = self.card("batch", number)
        assert card is None or isinstance(card, BatchCard)
        return card

    def stock_plant(self, code: str) -> StockPlantCard | None:
        card = self.card("stock-plant", code)
        assert card is None or isinstance(card, StockPlantCard)
        return card

    def holder(self, code: str) -> BatchCard | StockPlantCard | None:
        """The batch or the stock plants under a code; batch numbers begin with a digit, stock plants with a letter."""
        return self.batch(code) if code[0].isdigit() else self.stock_plant(code)

    def order(self, ref: str) -> OrderCard:
        card = self.card("order", ref)
        assert card is None or isinstance(card, OrderCard)
        return card or OrderCard(ref=ref)

    def shelf(self, crop: str, size: str) -> ShelfCard:
        card = self.card("shelf", f"{crop}/{size}")
        assert card is None or isinstance(card, ShelfCard)
        return card or ShelfCard(crop=crop, size=size)

    def pool(self, crop: str) -> PoolCard:
        card = self.card("pool", crop)
        assert card is None or isinstance(card, PoolCard)
        return card or PoolCard(crop=crop)

    def forecast(self, crop: str) -> ForecastCard | None:
        card = self.card("forecast", crop)
        assert card is None or isinstance(card, ForecastCard)
        return card

    def potting(self, day: date) -> PottingCard | None:
        card = self.card("potting", day.isoformat())
        assert card is None or isinstance(card, PottingCard)
        return card

    def destination(self, region: str) -> DestinationCard | None:
        card = self.card("destination", region)
        assert card is None or isinstance(card, DestinationCard)
        return card

    def recipe(self, crop: str) -> RecipeCard | None:
        card = self.card("recipe", crop)
        assert card is None or isinstance(card, RecipeCard)
        return card

    def promise(self, promise: UUID) -> PromiseCard | None:
        card = self.card("promise", str(promise))
        assert card is None or isinstance(card, PromiseCard)
        return card

    def client(self, name: str) -> ClientCard:
        card = self.card("client", name)
        assert card is None or isinstance(card, ClientCard)
        return card or ClientCard(client=name)

    def outside(self, unit: str) -> OutsideCard:
        card = self.card("outside", unit)
        assert card is None or isinstance(card, OutsideCard)
        return card or OutsideCard(unit=unit)

    def nursery(self) -> NurseryCard:
        card = self.card("nursery", "")
        assert card is None or isinstance(card, NurseryCard)
        return card or NurseryCard()

    # --- writing ----------------------------------------------------------------------------------------------

    def put(self, card: AnyCard) -> None:
        self.cards[card.key] = card

    def write(self, recorded: Recorded) -> None:
        """Remember an entry written in this turn."""
        self.recorded.append(recorded)
        self.entries[recorded.told.id] = recorded

    def fork(self) -> Book:
        return Book(self)

    def merge(self) -> None:
        """Make a fork's changes its parent's."""
        parent = self._parent
        assert parent is not None, "only a fork can be merged"
        parent.cards.update(self.cards)
        parent.entries.update(self.entries)
        parent.recorded.extend(self.recorded)
        for account, lines in self.added.items():
            parent.added.setdefault(account, []).extend(lines)
        parent.reversals |= self.reversals
        parent.moved |= self.moved
