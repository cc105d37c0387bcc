"""What may be promised of every crop and size, at hand in memory and kept fresh from the log. Reads only.

`read` fetches what has changed and `take` makes it the board's own: whoever serves from one thread reads in another and
takes between two answers, so that no answer mixes two moments. Every answer says as of which position it is true.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta

import msgspec
from msgspec import Struct

from ledger.answers import SCHEMA_ORG, SQL, Answer, Cursor, Unknown
from ledger.plants import cards, forecasts, rules
from ledger.plants.book import Book
from ledger.plants.cards import AnyCard, CropCard, Key
from ledger.plants.offer import Offer, Sellable, Step

KINDS = ("crop", "destination", "forecast", "nursery", "policy", "pool", "recipe", "shelf")
#: so few are told to be few
LIMITED = 3
#: the count buffer grows by the day and a forecast gets stale by the hour: an answer may be this old
_ANSWER_S = 20.0
_encode = msgspec.json.Encoder().encode
_PREFIX = b'{"as_of":0'


class ForecastNote(Struct, frozen=True, kw_only=True):
    """Which forecast a curve rests on. few_data: from under three finished batches; assumed: from the recipe alone."""

    entry: str
    at: datetime
    position: int
    model: str
    version: int
    few_data: bool
    assumed: bool


class Destination(Struct, frozen=True, kw_only=True):
    """What the nursery's own list says of a region now: an answer for information, official rules come first."""

    region: str
    refused: str | None
    papers: list[str]


class Availability(Answer, frozen=True, kw_only=True):
    """What a shop may show for one crop and size.

    `now` rests on counted stock alone. `curve`: from each day on, so many may be promised in all, at the stated confidence.
    `stale` says why nothing is promised beyond `now`: no-forecast, old-forecast, changes-not-forecast, clock-set-back, stopped.
    """

    crop: str
    size: str
    now: int
    confidence: float
    curve: list[Step]
    availability: str
    availability_starts: date | None
    stock: Sellable
    forecast: ForecastNote | None
    stale: str | None
    destination: Destination | None = None


class ReadyBy(Answer, frozen=True, kw_only=True):
    """The earliest day on which so many may be promised, at the stated confidence; null if not within what is forecast."""

    crop: str
    size: str
    quantity: int
    confidence: float
    ready_by: date | None
    basis: forecasts.Basis | None
    shared: bool
    availability: str
    stale: str | None


class Outlook(Struct, frozen=True, kw_only=True):
    """What the grower may expect by a day: at least `low` nine times in ten, `middle` every other time, `high` one in ten."""

    on: date
    low: int
    middle: int
    high: int


class News(Struct, frozen=True, kw_only=True):
    """What has changed since the board was last brought up to date."""

    whole: bool
    position: int
    behind: timedelta
    changed: dict[Key, tuple[int, AnyCard]]


class _Whole(Book):
    """A book in which a card that is not there does not exist."""

    def card(self, kind: str, key: str) -> AnyCard | None:
        return self.cards.get((kind, key))


class Board:
    """One object a process. Not safe for threads: `read` may run in any, everything else in one."""

    def __init__(self) -> None:
        self.position = 0
        self._behind = timedelta(0)
        self._book: Book = _Whole()
        self._changed_at: dict[Key, int] = {}
        self._made: dict[tuple[str, str, int, str | None], tuple[bytes, float]] = {}

    # --- keeping it fresh -------------------------------------------------------------------------------------

    def read(self, cursor: Cursor) -> News:
        """What has changed, in a transaction that sees one moment."""
        row = cursor.execute(SQL["clock"]).fetchone()
        assert row is not None, "the migration makes the pen"
        clock, position, last = row
        whole = position < self.position or not self._changed_at  # a log that is shorter was restored from a backup
        after = 0 if whole else self.position
        changed: dict[Key, tuple[int, AnyCard]] = {}
        for kind, key, at, card in cursor.execute(SQL["board"], {"kinds": list(KINDS), "after": after}):
            changed[kind, key] = (at, cards.decode(card))
        return News(whole=whole, position=position, behind=max(timedelta(0), last - clock), changed=changed)

    def take(self, news: News) -> None:
        """Make what was read the board's own. News that is older than the board changes nothing."""
        if news.position < self.position and not news.whole:
            return
        if news.whole:
            self._book, self._changed_at = _Whole(), {}
        self._book.cards |= {key: card for key, (_, card) in news.changed.items()}
        self._changed_at |= {key: at for key, (at, _) in news.changed.items()}
        self.position, self._behind = news.position, news.behind
        crops = {key.split("/")[0] for kind, key in news.changed if kind not in ("destination", "nursery", "policy")}
        if news.whole or len(crops) > 100 or any(kind in ("destination", "nursery", "policy") for kind, _ in news.changed):  # noqa: PLR2004
            self._made.clear()
        elif crops:
            self._made = {name: made for name, made in self._made.items() if name[0] not in crops}

    # --- answers ----------------------------------------------------------------------------------------------

    def offer(self, crop: str, size: str, at: datetime, percent: int | None = None) -> Offer:
        """The rule for a crop and size. Raises Unknown for a crop that is not sold in that size."""
        self._sold(crop, size)
        return rules.offer_of(self._book, crop, size, at, self._behind, percent)

    def availability(self, crop: str, size: str, percent: int | None = None, region: str | None = None) -> bytes:
        """An Availability as JSON. Raises Unknown."""
        return b'{"as_of":%d%b' % (self.position, self._kept(crop, size, percent or self.percent, region))

    def availabilities(self, crops: list[str], percent: int | None = None) -> bytes:
        """The Availability of all sizes of some crops, as the items of a JSON list."""
        pairs = [(code, size) for code in crops for size in self.sizes(code)]
        return b",".join(self.availability(crop, size, percent) for crop, size in pairs)

    def tag(self, crop: str, size: str, percent: int | None = None, region: str | None = None) -> bytes:
        """What an answer says, its position apart: the same as long as nothing of it has changed."""
        return self._kept(crop, size, percent or self.percent, region)

    @property
    def percent(self) -> int:
        """The confidence at which promises are made."""
        policy = self._book.policy()
        return policy.confidence if policy is not None else rules.DEFAULT_POLICY.confidence

    def crops(self, after: str = "") -> Iterator[str]:
        """Codes of crops that are sold, in order."""
        codes = (key for kind, key in self._book.cards if kind == "crop" and key > after)
        return (code for code in sorted(codes) if self.sizes(code))

    def sizes(self, crop: str) -> list[str]:
        """The sizes in which a crop is sold. Raises Unknown."""
        card = self._book.crop(crop)
        if card is None:
            raise Unknown(f"there is no crop {crop}")
        return sorted(card.value.sizes)

    def ready_by(self, crop: str, size: str, quantity: int, percent: int | None = None) -> ReadyBy:
        """By when so many may be promised. Raises Unknown."""
        now = datetime.now(UTC)
        offer = self.offer(crop, size, now, percent)
        step = offer.ready_by(quantity)
        term = "OutOfStock" if step is None else "InStock" if step.on == offer.today else _later(step)
        return ReadyBy(
            as_of=self.position,
            crop=crop,
            size=size,
            quantity=quantity,
            confidence=offer.percent / 100,
            ready_by=step.on if step is not None else None,
            basis=step.basis if step is not None else None,
            shared=step is not None and step.shared,
            availability=SCHEMA_ORG + term,
            stale=offer.stale,
        )

    def outlook(self, crop: str, size: str) -> list[Outlook]:
        """For the grower: the range behind the curve, week by week where it changes. Raises Unknown."""
        self._sold(crop, size)
        card = self._book.forecast(crop)
        of_size = card.value.sizes.get(size) if card is not None else None
        if card is None or of_size is None:
            return []
        found: list[Outlook] = []
        for week in range(card.value.weeks + 1):
            low, middle, high = forecasts.expected(of_size, week)
            if not found or (low, middle, high) != (found[-1].low, found[-1].middle, found[-1].high):
                found.append(Outlook(on=forecasts.day_of(card.value, week), low=low, middle=middle, high=high))
        return found

    def changed_after(self, position: int) -> list[tuple[int, str, str]]:
        """Crops and sizes whose answer may have changed after a position: (at which position, crop, size), in that order."""
        everywhere = max(self._changed_at.get(("policy", ""), 0), self._changed_at.get(("nursery", ""), 0))
        found = []
        for (kind, code), at in self._changed_at.items():
            if kind != "crop":
                continue
            of_crop = max(at, *(self._changed_at.get((other, code), 0) for other in ("pool", "forecast", "recipe")))
            for size in self.sizes(code):
                last = max(everywhere, of_crop, self._changed_at.get(("shelf", f"{code}/{size}"), 0))
                if last > position:
                    found.append((last, code, size))
        return sorted(found)

    # --- how an answer is made --------------------------------------------------------------------------------

    def _sold(self, crop: str, size: str) -> CropCard:
        sizes = self.sizes(crop)
        if size not in sizes:
            raise Unknown(f"{crop} is not sold in {size}: it is sold in {', '.join(sizes) or 'no size'}")
        card = self._book.crop(crop)
        assert card is not None, "it has sizes"
        return card

    def _kept(self, crop: str, size: str, percent: int, region: str | None) -> bytes:
        """The answer after its position, made once and kept for a while."""
        name, now = (crop, size, percent, region), time.monotonic()
        kept = self._made.get(name)
        if kept is None or kept[1] < now:
            made = _encode(self._availability(crop, size, percent, region))
            assert made.startswith(_PREFIX)
            kept = self._made[name] = (made[len(_PREFIX) :], now + _ANSWER_S)
        return kept[0]

    def _availability(self, crop: str, size: str, percent: int, region: str | None) -> Availability:
        offer = self.offer(crop, size, datetime.now(UTC), percent)
        curve = offer.curve()
        later = next((step for step in curve if step.on > offer.today and step.quantity > offer.now), None)
        if offer.now:
            term = "LimitedAvailability" if offer.now <= LIMITED else "InStock"
        else:
            term = _later(later) if later is not None else "OutOfStock"
        return Availability(
            as_of=0,
            crop=crop,
            size=size,
            now=offer.now,
            confidence=percent / 100,
            curve=curve,
            availability=SCHEMA_ORG + term,
            availability_starts=later.on if later is not None and not offer.now else None,
            stock=offer.sellable(),
            forecast=_note(offer),
            stale=offer.stale,
            destination=self._destination(crop, region, offer.today),
        )

    def _destination(self, crop: str, region: str | None, on: date) -> Destination | None:
        if region is None:
            return None
        card, value = self._book.destination(region), self._book.crop(crop)
        assert value is not None, "it is sold"
        refused, papers = rules.destination_of(card, value.value, on)
        return Destination(region=region, refused=refused, papers=list(papers))


def _later(step: Step) -> str:
    """Pots that stand already and need time are on back order; what is not potted yet can be ordered before it is there."""
    return "BackOrder" if step.basis in ("finished", "growing-on") else "PreOrder"


def _note(offer: Offer) -> ForecastNote | None:
    card = offer.card
    of_size = card.value.sizes.get(offer.there.size) if card is not None else None
    if card is None or of_size is None:
        return None
    return ForecastNote(
        entry=str(card.entry),
        at=card.at,
        position=card.value.position,
        model=card.value.model,
        version=card.value.version,
        few_data=of_size.few_data,
        assumed=of_size.assumed,
    )


def refreshed(board: Board, cursor: Cursor) -> Board:
    """A board brought up to date at once, for callers with one thread."""
    board.take(board.read(cursor))
    return board
