"""What may be promised of every crop and size, at hand in memory and kept fresh from the log. Reads only.

`read` fetches what has changed and `take` makes it the board's own: whoever serves from one thread reads in another and
takes between two answers, so that no answer mixes two moments. Every answer says as of which position it is true.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, date, datetime, time, timedelta
from hashlib import sha256
from operator import itemgetter
from typing import NamedTuple
from zoneinfo import ZoneInfo

import msgspec
from msgspec import Struct

from ledger import devices
from ledger.answers import SQL, Answer, Cursor, Unknown
from ledger.devices import Device
from ledger.plants import cards, desk, forecasts, promises
from ledger.plants.book import Book
from ledger.plants.cards import AnyCard, Key
from ledger.plants.entries import CropSet, DestinationRule
from ledger.plants.offer import Offer, Sellable, Step, distrusted

KINDS = ("crop", "destination", "forecast", "nursery", "policy", "pool", "recipe", "shelf")
SCHEMA_ORG = "https://schema.org/"
#: so few are told to be few
LIMITED = 3
#: an answer may be this old: the count buffer grows as time goes by, a plant in hours at the most
_ANSWER_LASTS = timedelta(seconds=20)
#: so many answers, at other confidences and for regions, are kept of each crop and size
_KEPT = 8
_encode = msgspec.json.Encoder().encode
_PREFIX = b'{"as_of":0,"unheard":[]'


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
    """What the nursery's own list says of a region now: an answer for information, official rules come first.

    listed: whether the region is on that list at all. rules: those that concern the crop, with source and date checked.
    """

    region: str
    listed: bool
    refused: str | None
    papers: list[str]
    rules: list[DestinationRule]


class Availability(Answer, frozen=True, kw_only=True):
    """What a shop may show for one crop and size.

    `now` rests on counted stock alone. `curve`: from each day on, so many may be promised in all, at the stated confidence.
    `stale` says why nothing is promised beyond `now`: no-forecast, old-forecast, changes-not-forecast, clock-set-back, stopped.
    `unheard`: devices on which entries wait that the book does not have yet, or that were silent for too long to tell.
    """

    unheard: list[Device]
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


class Expected(Struct, frozen=True, kw_only=True):
    """What the grower may expect by a day: at least `low` nine times in ten, `middle` every other time, `high` one in ten."""

    on: date
    low: int
    middle: int
    high: int


class Outlook(Answer, frozen=True, kw_only=True):
    """For the grower: the range behind the curve. Cumulative supply, of which promises and the count buffer are not taken off.

    missing: units that the forecast counts on and that are not there any more; the range is still with them.
    """

    crop: str
    size: str
    days: list[Expected]
    missing: int
    forecast: ForecastNote | None
    stale: str | None


class Change(Struct, frozen=True, kw_only=True):
    """A crop and size whose answer may be another since a position. sold: false once the crop is not sold in that size."""

    position: int
    crop: str
    size: str
    sold: bool


class Changes(Answer, frozen=True, kw_only=True):
    """Crops and sizes that have changed since, each once, in the order of positions; `next` is the position to go on after."""

    changes: list[Change]
    next: int | None


class Made(NamedTuple):
    """An answer: its JSON after the position and the devices, the tag of what it says, from when until when it is believed."""

    body: bytes
    tag: str
    since: datetime
    until: datetime


#: a crop and a size
Pair = tuple[str, str]


class News(Struct, frozen=True, kw_only=True):
    """What has changed since the board was last brought up to date."""

    whole: bool
    position: int
    behind: timedelta
    changed: dict[Key, tuple[int, AnyCard]]
    devices: tuple[Device, ...] = ()


class _Whole(Book):
    """A book in which a card that is not there does not exist."""

    def card(self, kind: str, key: str) -> AnyCard | None:
        return self.cards.get((kind, key))


class Board:
    """One object a process. Not safe for threads: `read` may run in any, everything else in one."""

    def __init__(self, clock: Callable[[], datetime] = lambda: datetime.now(UTC)) -> None:
        self._clock = clock
        self.position = 0
        self._behind = timedelta(0)
        self._book: Book = _Whole()
        #: when each crop and size last changed, the latest last
        self._moved: dict[Pair, int] = {}
        self._made: dict[Pair, dict[tuple[int, str | None], Made]] = {}
        #: devices of which not everything is known
        self.unheard: tuple[Device, ...] = ()
        self._unheard = b"[]"
        self._unheard_tag = ""

    # --- keeping it fresh -------------------------------------------------------------------------------------

    def read(self, cursor: Cursor) -> News:
        """What has changed, in a transaction that sees one moment."""
        row = cursor.execute(SQL["clock"]).fetchone()
        assert row is not None, "the migration makes the pen"
        clock, position, last = row
        whole = position < self.position  # a log that is shorter was restored from a backup
        after = 0 if whole else self.position
        changed: dict[Key, tuple[int, AnyCard]] = {}
        if position > after:
            for kind, key, at, card in cursor.execute(SQL["board"], {"kinds": list(KINDS), "after": after}):
                changed[kind, key] = (at, cards.decode(card))
        behind = max(timedelta(0), last - clock)
        return News(whole=whole, position=position, behind=behind, changed=changed, devices=devices.read(cursor))

    def take(self, news: News) -> None:
        """Make what was read the board's own. News that is older than the board changes nothing."""
        if news.position < self.position and not news.whole:
            return
        if news.whole:
            self._book, self._moved, self._made = _Whole(), {}, {}
        sold, issued = self._sold_in(news), self._book.nursery().potting_issued
        self._book.cards |= {key: card for key, (_, card) in news.changed.items()}
        everywhere = self._book.nursery().potting_issued != issued
        moved: dict[Pair, int] = {}
        for (kind, key), (at, _) in news.changed.items():
            if kind == "destination":
                self._made.clear()
                continue
            for pair in self._touched(kind, key, sold, everywhere=everywhere):
                moved[pair] = max(at, moved.get(pair, 0))
        for pair, at in sorted(moved.items(), key=itemgetter(1)):
            self._moved.pop(pair, None)
            self._moved[pair] = at
            self._made.pop(pair, None)
        policy = desk.policy_card(self._book).value
        if distrusted(policy, news.behind) != distrusted(policy, self._behind):
            self._made.clear()
        self.position, self._behind = news.position, news.behind
        self._hear(devices.unheard(news.devices, policy, self._clock()))

    def _hear(self, unheard: tuple[Device, ...]) -> None:
        """What is not known of devices stands in every answer, kept ones too, and so in its tag."""
        if unheard != self.unheard:
            self.unheard, self._unheard = unheard, _encode(unheard)
            self._unheard_tag = f".{sha256(self._unheard).hexdigest()[:8]}" if unheard else ""

    def _touched(self, kind: str, key: str, sold: dict[str, list[str]], *, everywhere: bool) -> Iterable[Pair]:
        """Which crops and sizes may have another answer now that a card has changed."""
        match kind:
            case "policy":
                return self._pairs()
            case "nursery":
                return self._pairs() if everywhere else ()
            case "shelf":
                crop, size = key.split("/")
                return ((crop, size),)
            case _:
                return ((key, size) for size in {*self._sizes(key), *sold.get(key, ())})

    def _sold_in(self, news: News) -> dict[str, list[str]]:
        """The sizes in which changed crops have been sold until now."""
        return {key: self._sizes(key) for kind, key in news.changed if kind == "crop"}

    def _sizes(self, crop: str) -> list[str]:
        card = self._book.crop(crop)
        return sorted(card.value.sizes) if card is not None else []

    def _pairs(self) -> Iterator[Pair]:
        """Every crop with every size in which it is sold."""
        return ((key, size) for kind, key in self._book.cards if kind == "crop" for size in self._sizes(key))

    # --- answers ----------------------------------------------------------------------------------------------

    def offer(self, crop: str, size: str, at: datetime, percent: int | None = None) -> Offer:
        """The rule for a crop and size. Raises Unknown for a crop that is not sold in that size."""
        sizes = self.sizes(crop)
        if size not in sizes:
            raise Unknown(f"{crop} is not sold in {size}: it is sold in {', '.join(sizes) or 'no size'}")
        return promises.offer_of(self._book, crop, size, at, self._behind, percent)

    def availability(self, crop: str, size: str, percent: int | None = None, region: str | None = None) -> Made:
        """An Availability, its JSON whole. Raises Unknown."""
        return self._whole(self._made_for(crop, size, percent or self.percent, region))

    def kept(self, crop: str, size: str) -> Made | None:
        """The Availability at the policy's confidence as it was made for an earlier question; None if it has to be made."""
        made = self._found(crop, size, self.percent, None, self._clock())
        return self._whole(made) if made is not None else None

    def _whole(self, made: Made) -> Made:
        body = b'{"as_of":%d,"unheard":%b%b' % (self.position, self._unheard, made.body)
        return (
            made._replace(body=body, tag=f'{made.tag[:-1]}{self._unheard_tag}"') if self.unheard else made._replace(body=body)
        )

    def availabilities(self, crops: Iterable[str], percent: int | None = None, region: str | None = None) -> list[Made]:
        """The Availability of all sizes of some crops. Raises Unknown."""
        return [self.availability(crop, size, percent, region) for crop in crops for size in self.sizes(crop)]

    @property
    def percent(self) -> int:
        """The confidence at which promises are made."""
        return desk.policy_card(self._book).confidence

    def crops(self, after: str = "") -> Iterator[str]:
        """Codes of crops that are sold, in order."""
        codes = (key for kind, key in self._book.cards if kind == "crop" and key > after)
        return (code for code in sorted(codes) if self.sizes(code))

    def found(self, text: str, group: str | None, after: str = "") -> Iterator[CropSet]:
        """Crops that are sold and whose name, species or code has a text in it, of one group or of any, by their codes."""
        wanted = text.casefold().split()
        for code in self.crops(after):
            card = self._book.crop(code)
            assert card is not None, "it is sold"
            of = card.value
            if group is None or of.group == group:
                name = f"{of.name} {of.species} {of.code}".casefold()
                if all(word in name for word in wanted):
                    yield of

    def groups(self) -> list[str]:
        """The groups of crops that are sold."""
        return sorted({crop.group for crop in self.found("", None)})

    def crop(self, code: str) -> CropSet:
        """A crop as it was last set. Raises Unknown."""
        card = self._book.crop(code)
        if card is None:
            raise Unknown(f"there is no crop {code}")
        return card.value

    def sizes(self, crop: str) -> list[str]:
        """The sizes in which a crop is sold. Raises Unknown."""
        card = self._book.crop(crop)
        if card is None:
            raise Unknown(f"there is no crop {crop}")
        return sorted(card.value.sizes)

    def ready_by(self, crop: str, size: str, quantity: int, percent: int | None = None) -> ReadyBy:
        """By when so many may be promised. Raises Unknown."""
        offer = self.offer(crop, size, self._clock(), percent)
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

    def outlook(self, crop: str, size: str) -> Outlook:
        """The range behind the curve, week by week where it changes. Raises Unknown."""
        offer = self.offer(crop, size, self._clock())
        return Outlook(
            as_of=self.position,
            crop=crop,
            size=size,
            days=list(self._expected(crop, size)),
            missing=offer.missing,
            forecast=_note(offer),
            stale=offer.stale,
        )

    def _expected(self, crop: str, size: str) -> Iterator[Expected]:
        card, before = self._book.forecast(crop), None
        of_size = card.value.sizes.get(size) if card is not None else None
        if card is None or of_size is None:
            return
        for week in range(card.value.weeks + 1):
            found = forecasts.expected(of_size, week)
            if found != before:
                low, middle, high = before = found
                yield Expected(on=forecasts.day_of(card.value, week), low=low, middle=middle, high=high)

    def changes(self, after: int, limit: int | None = None) -> Changes:
        """What has changed after a position, the earliest first; what changed at one position is never parted by a page."""
        found: list[Change] = []
        for (crop, size), at in reversed(self._moved.items()):
            if at <= after:
                break
            found.append(Change(position=at, crop=crop, size=size, sold=size in self._sizes(crop)))
        found.reverse()
        most = len(found) if limit is None else limit
        while 0 < most < len(found) and found[most].position == found[most - 1].position:
            most += 1
        following = found[most - 1].position if most < len(found) else None
        return Changes(as_of=self.position, changes=found[:most], next=following)

    # --- how an answer is made --------------------------------------------------------------------------------

    def _found(self, crop: str, size: str, percent: int, region: str | None, now: datetime) -> Made | None:
        """An answer that was made before, if it is still believed."""
        of_pair = self._made.get((crop, size))
        found = of_pair.get((percent, region)) if of_pair is not None else None
        return found if found is not None and found.since <= now < found.until else None

    def _made_for(self, crop: str, size: str, percent: int, region: str | None) -> Made:
        """The answer after its position and the devices, made once and kept for a while."""
        now = self._clock()
        if (found := self._found(crop, size, percent, region, now)) is not None:
            return found
        offer = self.offer(crop, size, now, percent)
        whole = _encode(self._availability(offer, crop, size, region))
        assert whole.startswith(_PREFIX)
        body = whole[len(_PREFIX) :]
        of_pair = self._made.get((crop, size))
        if of_pair is None or len(of_pair) >= _KEPT:
            of_pair = self._made[crop, size] = {}
        of_pair[percent, region] = made = Made(body, tag_of(body), now, _until(offer))
        return made

    def _availability(self, offer: Offer, crop: str, size: str, region: str | None) -> Availability:
        curve = offer.curve()
        later = next((step for step in curve if step.on > offer.today and step.quantity > offer.now), None)
        if offer.now:
            term = "LimitedAvailability" if offer.now <= LIMITED else "InStock"
        else:
            term = _later(later) if later is not None else "OutOfStock"
        return Availability(
            as_of=0,
            unheard=[],
            crop=crop,
            size=size,
            now=offer.now,
            confidence=offer.percent / 100,
            curve=curve,
            availability=SCHEMA_ORG + term,
            availability_starts=later.on if later is not None and not offer.now else None,
            stock=offer.sellable(),
            forecast=_note(offer),
            stale=offer.stale,
            destination=self.destination(crop, region, offer.today),
        )

    def destination(self, crop: str, region: str | None, on: date) -> Destination | None:
        if region is None:
            return None
        card, value = self._book.destination(region), self._book.crop(crop)
        assert value is not None, "it is sold"
        refused, papers = promises.destination_of(card, value.value, on)
        concerning = [rule for rule in card.value.rules if promises.concerns(rule, value.value, on)] if card is not None else []
        return Destination(region=region, listed=card is not None, refused=refused, papers=list(papers), rules=concerning)


def tag_of(answer: bytes) -> str:
    """The ETag of what an answer says, which leaves its position out."""
    return f'"{sha256(answer).hexdigest()[:24]}"'


def _until(offer: Offer) -> datetime:
    """Until when an answer is believed: not beyond the day, nor the moment when its forecast is no longer good.

    A hold that runs out changes nothing by itself: it holds until an entry says that it has.
    """
    policy, waiting_since = offer.policy, offer.pool.waiting_since
    ends = [
        offer.at + _ANSWER_LASTS,
        datetime.combine(offer.today + timedelta(days=1), time(), ZoneInfo(policy.time_zone)).astimezone(UTC),
    ]
    if offer.card is not None:
        ends.append(offer.card.at + timedelta(hours=policy.forecast_hours) + timedelta.resolution)
    if waiting_since is not None:
        ends.append(waiting_since + timedelta(minutes=policy.forecast_lag_minutes) + timedelta.resolution)
    return min(end for end in ends if end > offer.at)


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
