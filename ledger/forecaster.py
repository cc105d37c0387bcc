"""The forecaster: makes the forecasts of crops and tells them to the ledger, and what follows from them for promises.

Told in the ledger's own name, as entries: forecasts, lines at risk and safe again, and what was there on the day that a line
was due. Owns which crops need a new forecast. The time comes from the caller; the fit stays in memory for a day.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta
from itertools import groupby, islice
from operator import itemgetter
from types import TracebackType
from typing import Any, NamedTuple, Self
from uuid import NAMESPACE_URL, UUID, uuid5

import msgspec
import psycopg
import structlog
from msgspec.structs import replace

from ledger import answers, measured, past
from ledger.answers import SQL, Cursor
from ledger.forecast import learning, supply
from ledger.forecast.backtest import FORECAST
from ledger.forecast.learning import Fitted
from ledger.forecast.stays import CropFacts
from ledger.log import codec, store
from ledger.nursery import Nursery
from ledger.plants import desk, forecasts, promises
from ledger.plants.book import Book
from ledger.plants.cards import PromiseLine, changed
from ledger.plants.entries import (
    THE_LEDGER,
    Counted,
    DueChecked,
    DueLine,
    Entry,
    ForecastPublished,
    Graded,
    PottingAnswered,
    PromiseAtRisk,
    PromiseSafe,
    Rooted,
    Stage,
)
from ledger.plants.offer import AT_RISK, SAFE, Offer
from ledger.plants.recorded import COUNT_DIFFERENCE, LOSS, Recorded
from ledger.plants.refusals import Refused
from ledger.projections import cards, runner

_log = structlog.get_logger(__name__)
_SPACE = uuid5(NAMESPACE_URL, "tallybench:forecast")
#: so many crops are looked at in one moment and published in one turn of the pen
_AT_A_TIME = 20
_MOST_CAUSES = 20
_MOST_DUE_LINES = 500
_KINDS = ["crop", "recipe", "pool", "shelf"]
_TAKES = ["lost", "counted", "stopped", "held", "set-back", "graded", "rooted", "sold-here", "given-out", "planted-as-stock",
          "renamed", "potting-answered"]  # fmt: skip
_line = msgspec.json.Decoder(PromiseLine)

Pair = tuple[str, str]


class _Learned(NamedTuple):
    """A fit, and the facts that it was made of."""

    fitted: Fitted
    facts: dict[str, CropFacts]

    def knows(self, facts: Iterable[CropFacts]) -> bool:
        """Whether it was made of these, too."""
        return all(self.facts.get(crop.code) == crop for crop in facts)


class _OpenLine(NamedTuple):
    """A line of a promise with anything left to pick."""

    promise: UUID
    number: int
    line: PromiseLine


class Forecaster:
    """One object a thread. Its reads and the nursery that it posts through are on connections of their own."""

    def __init__(self, conninfo: str, nursery: Nursery) -> None:
        self._conninfo = store.app_conninfo(conninfo)
        self._nursery = nursery
        self._connection: store.Connection | None = None
        self._learned: _Learned | None = None
        #: the last day for which all crops were published, and due lines checked
        self._day: date | None = None
        self._checked: date | None = None
        #: the position up to which changes have been looked at
        self._seen = 0
        #: crops and sizes that have a line at risk; None until they have been looked up
        self._risky: set[Pair] | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.close()

    def close(self) -> None:
        """End the connection; a later call opens another."""
        if self._connection is not None:
            self._connection.close()
        self._connection = None

    # --- what is asked of it ----------------------------------------------------------------------------------

    def catch_up(self, at: datetime) -> int:
        """Forecast what was touched since the last time, everything on a new day, and watch over promises; entries told."""
        with self._look() as cursor:
            today = desk.day_of(at, answers.policy_of(cursor))
            head = store.head(cursor)
            crops = self._touched(cursor) if today == self._day else self._crops(cursor)
        told = self._forecast(crops, at, today)
        self._day, self._seen = today, head
        return told

    def publish(self, crops: Iterable[str] | None, at: datetime) -> int:
        """Forecast crops (all of them, if none are named) as of now, and watch over what is promised of them; entries told."""
        with self._look() as cursor:
            today = desk.day_of(at, answers.policy_of(cursor))
            wanted = self._crops(cursor) if crops is None else list(crops)
        return self._forecast(wanted, at, today)

    def _forecast(self, wanted: Iterable[str], at: datetime, today: date) -> int:
        """Crops by some at a time; with the first of a day, what was due before it is checked."""
        told = self._check_due(at, today) if self._checked != today else 0
        self._checked = today
        rest = iter(wanted)
        while some := list(islice(rest, _AT_A_TIME)):
            told += self._publish(some, at, today)
        return told

    def correct(self, at: datetime) -> int:
        """Hold the forecasts of the past against what came, and correct the confidence if need be; entries told (0 or 1).

        It goes through up to five years again, which takes its time: the worker does it when a month begins.
        """
        if self._connection is not None:
            runner.follow(self._connection)
        with self._look() as cursor:
            told, policy = past.told(cursor), answers.policy_card(cursor)
        found = measured.backtest(told, desk.day_of(at, policy.value), models=[FORECAST])
        changed = measured.correction(found, policy, at) if found is not None else None
        return self._tell([changed]) if changed is not None else 0

    def _look(self) -> Any:
        """A cursor that sees one moment, with the passages brought up to it but for what came in between."""
        if self._connection is None or self._connection.closed:
            self._connection = psycopg.connect(self._conninfo)
        return runner.look(self._connection)

    def _crops(self, cursor: Cursor) -> list[str]:
        return [key for kind, key in cursor.execute(SQL["touched"], {"kinds": ["crop"], "after": -1})]

    def _touched(self, cursor: Cursor) -> list[str]:
        """Crops of which anything has changed since it was last looked at."""
        changes = cursor.execute(SQL["touched"], {"kinds": _KINDS, "after": self._seen}).fetchall()
        return sorted({key.split("/")[0] for _, key in changes})

    # --- forecasts --------------------------------------------------------------------------------------------

    def _publish(self, crops: Sequence[str], at: datetime, today: date) -> int:
        """Some crops of one moment: forecast those that need it, then watch over all of them."""
        with self._look() as cursor:
            position = store.head(cursor)
            book, sizes = self._book(cursor, crops)
            before = {crop: card.value.position for crop in crops if (card := book.forecast(crop)) is not None}
            facts = {crop: self._facts(book, crop, sizes) for crop in crops if self._needs(book, crop, sizes, today)}
            there = [past.standing(cursor, book, crop, sorted(of.growing), today) for crop, of in facts.items()]
        learned = self._learned
        if facts and (learned is None or learned.fitted.on != today or not learned.knows(facts.values())):
            learned = self._learned = self._learn(today)
        told = [
            ForecastPublished(
                id=uuid5(_SPACE, f"{standing.crop} {position} {today} {at.isoformat()}"),
                occurred_at=at,
                by=THE_LEDGER,
                forecast=supply.forecast(standing, learned.fitted, day=today, position=position),
            )
            for standing in there
            if learned is not None and learned.knows([facts[standing.crop]])  # if not, it is touched again
        ]
        return self._tell(told) + self._watch(crops, before, at)

    def _learn(self, today: date) -> _Learned:
        """Fit anew: what is read is read in one moment, which is over before the work begins."""
        if self._connection is not None:
            runner.follow(self._connection)
        with self._look() as cursor:
            told = past.told(cursor)
        stays = [stay if stay.started_on <= today else replace(stay, started_on=today) for stay in told.stays]
        return _Learned(learning.fit(stays, told.facts, told.climate, today), {crop.code: crop for crop in told.facts})

    def _book(self, cursor: Cursor, crops: Sequence[str]) -> tuple[Book, list[str]]:
        """All cards that say what may be promised of some crops, and the codes of all sizes."""
        book = Book()
        sizes = [key for _, key in cursor.execute(SQL["touched"], {"kinds": ["size"], "after": -1})]
        keys = [(kind, crop) for kind in ("crop", "recipe", "forecast", "pool") for crop in crops]
        keys += [("shelf", f"{crop}/{size}") for crop in crops for size in sizes]
        cards.load(cursor, book, [("policy", ""), ("nursery", ""), *keys])
        return book, sorted(sizes)

    def _needs(self, book: Book, crop: str, sizes: Sequence[str], today: date) -> bool:
        """Whether a crop's forecast is not of today, or does not know all that it counts on."""
        card, held = book.forecast(crop), book.crop(crop)
        if held is None:
            return False
        if card is None or card.value.day < today or book.pool(crop).waiting_since is not None:
            return True
        facts = self._facts(book, crop, sizes)
        if self._learned is None or not self._learned.knows([facts]) or not set(facts.growing) <= set(card.value.sizes):
            return True
        return any(_changed(book, crop, size, card.value.sizes[size]) for size in facts.growing)

    def _facts(self, book: Book, crop: str, sizes: Sequence[str]) -> CropFacts:
        card = book.crop(crop)
        assert card is not None
        shelves = [size for size in sizes if book.cards["shelf", f"{crop}/{size}"] is not None]
        return past.facts_of(card, book.recipe(crop), shelves)

    def _tell(self, told: Sequence[Entry]) -> int:
        """Entries in one turn; where one of them is overtaken by what happened meanwhile, the others by themselves."""
        if not told:
            return 0
        try:
            self._nursery.post(told, client=THE_LEDGER)
        except Refused as refused:
            if len(told) > 1:
                return sum(self._tell([one]) for one in told)
            _log.info("overtaken by what happened meanwhile", problems=str(refused))
            return 0
        return len(told)

    # --- watching over promises -------------------------------------------------------------------------------

    def _watch(self, crops: Sequence[str], before: dict[str, int], at: datetime) -> int:
        """Tell which lines of some crops are at risk now, and which are safe again."""
        with self._look() as cursor:
            book, sizes = self._book(cursor, crops)
            risky = self._known_risks(cursor)
            offers = [
                (crop, size, promises.offer_of(book, crop, size, at, timedelta(0)))
                for crop in crops
                for size in sizes
                if book.shelf(crop, size).due
            ]
            watched = {(crop, size): offer for crop, size, offer in offers if (crop, size) in risky or _falls_short(offer)}
            lines = self._open_lines(cursor, sorted({crop for crop, _ in watched})) if watched else {}
            told: list[Entry] = []
            for pair, offer in watched.items():
                told += self._risks(cursor, book, offer, lines.get(pair, []), before.get(pair[0], 0), at)
        count = self._tell(told)
        self._remember(watched, lines, told)
        return count

    def _known_risks(self, cursor: Cursor) -> set[Pair]:
        if self._risky is None:
            every = self._open_lines(cursor, self._crops(cursor))
            self._risky = {pair for pair, lines in every.items() if any(line.risk for _, _, line in lines)}
        return self._risky

    def _remember(self, watched: Iterable[Pair], lines: dict[Pair, list[_OpenLine]], told: Sequence[Entry]) -> None:
        assert self._risky is not None, "it was looked up"
        changes = {(entry.promise, entry.line): entry for entry in told if isinstance(entry, PromiseAtRisk | PromiseSafe)}
        for pair in watched:
            states = [
                isinstance(entry, PromiseAtRisk) if (entry := changes.get((of.promise, of.number))) else bool(of.line.risk)
                for of in lines.get(pair, ())
            ]
            (self._risky.add if any(states) else self._risky.discard)(pair)

    def _open_lines(self, cursor: Cursor, crops: Sequence[str]) -> dict[Pair, list[_OpenLine]]:
        found: dict[Pair, list[_OpenLine]] = defaultdict(list)
        for promise, index, stored in cursor.execute(SQL["open_lines"], {"crops": list(crops)}):
            line = _line.decode(stored)
            found[line.crop, line.size].append(_OpenLine(UUID(promise), index, line))
        return found

    def _risks(
        self, cursor: Cursor, book: Book, offer: Offer, lines: Sequence[_OpenLine], after: int, at: datetime
    ) -> Iterator[PromiseAtRisk | PromiseSafe]:
        """Line by line, the earliest due and first granted first: are all covered? An offer leaves room for the next."""
        cumulative, page, causes = 0, book.fork(), None
        for promise, index, line in lines:
            pooled = offer.there.pooled.get(f"{promise}/{index}")
            cumulative += line.open - (pooled.units if pooled is not None else 0)
            short = cumulative - offer.covered(line.due, AT_RISK)
            chance = offer.chance(line.due, cumulative)
            named = f"{promise} {index} {store.head(cursor)} {at.isoformat()}"
            if short > 0:
                told = (chance, min(short, line.open))
                if line.risk is not None and (line.risk.chance, line.risk.short) == told:
                    continue
                causes = self._took_away(cursor, offer.there.crop, after) if causes is None else causes
                known = line.risk.because if line.risk is not None else ()
                yield PromiseAtRisk(
                    id=uuid5(_SPACE, f"at-risk {named}"),
                    occurred_at=at,
                    by=THE_LEDGER,
                    promise=promise,
                    line=index,
                    chance=told[0],
                    short=told[1],
                    because=list(dict.fromkeys((*known, *causes)))[-_MOST_CAUSES:],
                    offered=_offered(page, offer, line, at),
                )
            elif line.risk is not None and cumulative <= offer.covered(line.due, SAFE):
                yield PromiseSafe(
                    id=uuid5(_SPACE, f"safe {named}"),
                    occurred_at=at,
                    by=THE_LEDGER,
                    promise=promise,
                    line=index,
                    chance=min(100, chance),
                )

    def _took_away(self, cursor: Cursor, crop: str, after: int) -> list[UUID]:
        """The entries after a position that took plants of a crop away, the latest of them, in order."""
        rows = cursor.execute(SQL["took_away"], {"crop": crop, "after": after, "types": _TAKES})
        entries = [codec.decode(content, name, schema) for name, schema, content in rows]
        return [entry.told.id for entry in entries if _takes(entry)][-_MOST_CAUSES:]

    # --- what was there on its day ----------------------------------------------------------------------------

    def _check_due(self, at: datetime, today: date) -> int:
        """Check the lines whose day has passed, day by day."""
        with self._look() as cursor:
            head = store.head(cursor)
            rows = cursor.execute(SQL["unchecked"], {"today": today}).fetchall()
        told: list[Entry] = []
        for (day, crop, size), found in groupby(sorted(rows, key=itemgetter(2, 0, 1)), key=itemgetter(2, 0, 1)):
            rest = iter([DueLine(promise=UUID(promise), line=index) for *_, promise, index in found])
            while lines := list(islice(rest, _MOST_DUE_LINES)):
                name = f"due {crop} {size} {day} {head} {lines[0].promise} {lines[0].line}"
                told.append(
                    DueChecked(
                        id=uuid5(_SPACE, name), occurred_at=at, by=THE_LEDGER, crop=crop, size=size, day=day, lines=lines
                    )
                )
        rest_told = iter(told)
        count = 0
        while some := list(islice(rest_told, _AT_A_TIME)):
            count += self._tell(some)
        return count


def _changed(book: Book, crop: str, size: str, of: forecasts.SizeForecast) -> bool:
    """Whether more or fewer pots are asked for than a forecast knows, or the crop was stopped or cleared since."""
    there, held = book.shelf(crop, size), book.crop(crop)
    asked = {forecasts.ASKED + day: ask.pots for day, ask in there.asked.items() if not ask.answered}
    relied = {name: pots for name, pots in of.relied.items() if name.startswith(forecasts.ASKED)}
    counted = any(line.counted_on for line in there.lines.values()) and not (held is not None and held.stops)
    return bool(there.pooled) or asked != relied or counted != (len(of.relied) > len(relied))


def _falls_short(offer: Offer) -> bool:
    """Whether any line may be at risk: each is due with all lines of its day, and those of earlier days."""
    due, cumulative = offer.due(), 0
    for day in sorted(due):
        cumulative += due[day]
        if cumulative > offer.covered(day, AT_RISK):
            return True
    return False


def _offered(page: Book, offer: Offer, line: PromiseLine, at: datetime) -> date | None:
    """The first day on which all that is open of a line would be there if it moved; the page is as if it had."""
    crop, size = offer.there.crop, offer.there.size
    due = dict(page.shelf(crop, size).due)
    day = line.due.isoformat()
    due[day] = max(0, due.get(day, 0) - line.open)
    page.put(changed(page.shelf(crop, size), due=due))
    step = promises.offer_of(page, crop, size, at, timedelta(0)).ready_by(line.open, line.due)
    if step is not None:
        moved = step.on.isoformat()
        page.put(changed(page.shelf(crop, size), due=due | {moved: due.get(moved, 0) + line.open}))
    return step.on if step is not None else None


def _takes(entry: Recorded) -> bool:
    """Whether an entry took plants away that may have been counted on."""
    match entry.told:
        case Counted():
            return any(move.target == COUNT_DIFFERENCE for move in entry.moves)
        case PottingAnswered(because=because):
            return because is not None
        case Graded() | Rooted():
            return any(move.target.startswith(LOSS) or f"/{Stage.SECONDS}/" in move.target for move in entry.moves)
        case _:
            return True
