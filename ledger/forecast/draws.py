"""Draws of what gets ready, by fixed seeds: the lots of a crop's lines.

    centre = crop + month + season Z + s_batch u, given all that was seen of the batch; every plant: centre + s_within e
    a plant counts by a week if it comes through and its time is over; overdue ones count ever less (`log_unready`)
    Q_c(week) = the largest k with P(N >= k) >= c over the draws

Whatever is drawn has rows of random numbers that its own name picks, and what of a lot is ready by a week is the binomial
quantile of one of them, so that one plant more never lowers any draw and a refresh adds no noise. A draw says what is there
by each week; it is not the story of one plant through the weeks. Owns the draws; the beliefs come from `learning`.
"""

from __future__ import annotations

import hashlib
import math
from collections.abc import Iterable, Sequence
from datetime import date, timedelta
from functools import lru_cache
from struct import unpack
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import bdtr, betainc, expit, gammaln, ndtr, ndtri

from ledger.forecast.learning import StageBelief
from ledger.forecast.looks import came_through, sighted
from ledger.forecast.season import season_of
from ledger.forecast.stays import Lot, Stay
from ledger.forecast.survival import DISASTER_LEAVES, Share
from ledger.forecast.timing import CHECK_DAYS, NEVER_SHARE, Floats
from ledger.plants.entries import Stage
from ledger.plants.forecasts import CONFIDENCES, WEEKS, ByConfidence, Steps

DRAWS = 500
#: past this point of its time a batch counts nothing until somebody looks at it
SURELY_READY_Z = 2.576
_MOST_FOLLOWED = 1_000  # plants of one lot; a larger lot is followed by so many of its plants
_TOGETHER = 100  # plants of one table of binomial quantities; of a larger lot some are added up
_CHANCES, _LUCKS = 256, 125
_ROWS = 128
_FAR = 3.5
_FARTHEST, _FINE = 4.0, 400  # standard deviations that a table of normal chances goes to, and its cells in one
_NEARLY_ALL = 3.3  # beyond so many of them next to no plant gets ready
_SHARE_Z, _SHARE_CELLS = 4.8, 80
_SHARE_CENTRES = (np.arange(2 * _SHARE_CELLS) + 0.5) / _SHARE_CELLS * _SHARE_Z - _SHARE_Z
_NO_TIME = 1e-9
_WEEKLY = 7 * np.arange(WEEKS + 1)
_TELLS_NOTHING = 0.01
_GRID, _MEANS = 48, 16
_CENTRE_Z, _CENTRE_CELLS = 3.6, 40
_A_CELL = np.float32(_CENTRE_CELLS / _CENTRE_Z)
_CENTRE_SHARES = ndtr((np.arange(2 * _CENTRE_CELLS) + 0.5) / _CENTRE_CELLS * _CENTRE_Z - _CENTRE_Z)
_CENTRE, _STOOD, _PASSED, _STRUCK, _LEFT, _LUCK = range(6)  # what the rows of a name are for; of large lots some more for luck
_READY_Z = 2.054  # pots count as ready when 98 in 100 of the living are
_POTTED_IN = range(0, 56, 4)  # weeks
_FROM_POTTING = (7 * np.array(_POTTED_IN)[:, None], 7 * np.array(_POTTED_IN)[:, None] + _WEEKLY)
_TO_POT = "to-pot"
_ACROSS = np.linspace(-5, 5, 17)
_CONFIDENT_Z = ndtri(np.array(CONFIDENCES) / 100)

Singles = NDArray[np.float32]


def seed_of(name: str) -> int:
    """Of a name such as a crop's code: the same on every machine and on every day."""
    return int.from_bytes(hashlib.sha256(name.encode()).digest()[:6])


# --- random numbers --------------------------------------------------------------------------------------------


class _Pool(NamedTuple):
    """Rows of random numbers in (0, 1), one from each of so many equal parts, and the normals that they stand for; flat."""

    share: Singles
    normal: Singles


@lru_cache(maxsize=4)
def _pool(draws: int) -> _Pool:
    """Rows drawn once for all (McKay and others 1979, Technometrics 21:239), each twice over: it may begin anywhere."""
    rng = np.random.default_rng(draws)
    order = rng.permuted(np.tile(np.arange(draws), (_ROWS, 1)), axis=1)
    shares = (order + rng.random((_ROWS, draws))) / draws
    kept = (np.clip(shares, 1e-7, 1 - 1e-7), ndtri(shares))
    return _Pool(*(np.tile(values, 2).astype(np.float32).ravel() for values in kept))


class Rows:
    """The rows of one name, so many as it has use for: each begins at a place of the pool that a digest of the name picks."""

    def __init__(self, name: str, draws: int) -> None:
        self._words = unpack("<16I", hashlib.sha512(name.encode()).digest())
        self._draws, self._pool = draws, _pool(draws)

    def share(self, number: int) -> Singles:
        """Numbers in (0, 1)."""
        return self._row(self._pool.share, number)

    def normal(self, number: int) -> Singles:
        """Normal ones, in the same order."""
        return self._row(self._pool.normal, number)

    def _row(self, pool: Singles, number: int) -> Singles:
        word = self._words[number]
        begin = word % _ROWS * 2 * self._draws + word // _ROWS % self._draws
        return pool[begin : begin + self._draws]


@lru_cache(maxsize=_TOGETHER)
def _binomial(units: int) -> NDArray[np.uint8]:
    """How many of some units come of a chance (0 to _CHANCES) by a draw's luck (rows), flat: the quantiles of a binomial.

    The k-th unit is there if the chance of fewer than k, or k, is below the luck: so it is added from some luck on.
    """
    chance = np.clip(np.arange(_CHANCES + 1) / _CHANCES, 1e-12, 1 - 1e-12)
    few = np.arange(units)[:, None]
    ways = gammaln(units + 1) - gammaln(few + 1) - gammaln(units - few + 1)
    below = np.cumsum(np.exp(ways + few * np.log(chance) + (units - few) * np.log1p(-chance)), axis=0)
    begins = np.minimum(below * _LUCKS + 0.5, _LUCKS).astype(np.int64) * (_CHANCES + 1) + np.arange(_CHANCES + 1)
    added = np.bincount(begins.ravel(), minlength=(_LUCKS + 1) * (_CHANCES + 1)).reshape(_LUCKS + 1, _CHANCES + 1)
    return np.cumsum(added[:_LUCKS], axis=0, dtype=np.uint8).ravel()


#: the chance that a standard normal lies below, by steps from -_FARTHEST up
_BELOW = ndtr(np.arange(int(2 * _FARTHEST * _FINE) + 1) / _FINE - _FARTHEST).astype(np.float32)


def share_draws(shares: Sequence[Share], common: Singles, own: Singles) -> Singles:
    """The logs of beta draws of some shares (rows) that batches of one crop have partly in common, joined by a Gaussian copula.

    The log odds of a share, as a function of the normal that it is drawn by, are so nearly straight that a few points do.
    """
    mean, strength, shared = np.array([(share.mean, share.strength, share.shared) for share in shares]).T[:, :, None]
    a, b = mean * strength, (1 - mean) * strength
    middle = np.log(a / b) - 0.5 / a + 0.5 / b
    log_odds = middle + np.sqrt(1 / a + 1 / b + 0.5 / a**2 + 0.5 / b**2) * _ACROSS
    normal = ndtri(np.clip(betainc(a, b, expit(log_odds)), 1e-12, 1 - 1e-12))
    np.minimum(normal[:, 0], -_SHARE_Z, out=normal[:, 0])
    np.maximum(normal[:, -1], _SHARE_Z, out=normal[:, -1])
    apart = np.arange(len(mean))[:, None] * 20.0  # row after row, looked up all at once
    odds = np.interp((_SHARE_CENTRES + apart).ravel(), (normal + apart).ravel(), log_odds.ravel()).astype(np.float32)
    table = -np.log1p(np.exp(-odds))
    joined = np.sqrt(shared).astype(np.float32) * common
    joined += np.sqrt(1 - shared).astype(np.float32) * own
    joined *= np.float32(_SHARE_CELLS / _SHARE_Z)
    np.minimum(np.maximum(joined, 0.5 - _SHARE_CELLS, out=joined), _SHARE_CELLS - 0.5, out=joined)
    joined += ((2 * np.arange(len(mean)) + 1) * _SHARE_CELLS).astype(np.float32)[:, None]
    value: Singles = table.take(joined.astype(np.int32))
    return value


# --- a line and its lots ---------------------------------------------------------------------------------------


class Drawn(NamedTuple):
    """A lot as it is drawn, draw by draw: its centre, the chance of a unit to come through, and the luck of its units.

    amounts: the time that it has had by each week.
    """

    units: int
    amounts: Floats
    centre: Singles
    through: Singles
    numbers: Rows


class LineDraws:
    """The draws of one crop (and size) in one stage, summed up lot by lot; what its lots have in common is drawn once.

    outlasts: the share of the ready that is still there when it is wanted.
    """

    def __init__(self, belief: StageBelief, day: date, seed: int, name: str, draws: int, outlasts: float) -> None:
        self.belief, self.day, self.draws, self.outlasts = belief, day, draws, outlasts
        self._seed, self._name = seed, name
        self._numbers = self.rows("line")
        self._seasons: dict[int, Singles] = {}
        self._there = np.zeros((WEEKS + 1, draws), dtype=np.int32)
        self._last = 0  # the last week in which any come: later rows of _there are not filled yet
        self._rising = np.zeros(WEEKS + 1, dtype=np.bool_)  # weeks in which any come

    def rows(self, name: str) -> Rows:
        """Random numbers of their own for everything that has a name."""
        return Rows(f"{self._seed}/{self._name}/{name}", self.draws)

    @property
    def common(self) -> tuple[Singles, Singles]:
        """What the lots have in common: of the share that stands, and of the share then found good."""
        return self._numbers.normal(_STOOD), self._numbers.normal(_PASSED)

    @property
    def there(self) -> NDArray[np.int32]:
        """Units that are there by each week (rows), draw by draw."""
        return self._filled(WEEKS)

    def _filled(self, last: int) -> NDArray[np.int32]:
        """The rows up to a week at least: what is there stays."""
        if last > self._last:
            self._there[self._last + 1 : last + 1] = self._there[self._last]
            self._last = last
        return self._there

    def season(self, entered: date) -> Singles:
        """Draws of a season's effect, the same for all lots that entered in it."""
        number = season_of(entered)
        if number not in self._seasons:
            shares = self.rows(f"season-{number}").share(0)
            self._seasons[number] = self.belief.season(entered).quantiles(shares)
        return self._seasons[number]

    def expected(self, entered: date) -> Singles:
        """Draws of the centre that a batch entering on a day would have, if batches did not differ."""
        month = entered.month - 1
        value = self._numbers.normal(_CENTRE) * np.float32(self.belief.sd[month])
        value += np.float32(self.belief.by_month[month])
        value += self.season(entered)
        return value

    def curve(self) -> ByConfidence:
        """Cumulative quantities by week and confidence of all that was added so far: the largest k with P(N >= k) >= c."""
        weeks = np.flatnonzero(self._rising)
        ranked = self._there[weeks]
        ranked.sort(axis=1)
        reached = ranked[:, [self.draws - place for place in _places(self.draws)]].T.tolist()
        return tuple(_steps(zip(weeks.tolist(), by_week, strict=True)) for by_week in reached)

    def add_waiting(self, units: int) -> None:
        """Plants that are ready now, less those that will not be there when wanted: all in week 0."""
        followed = min(units, _MOST_FOLLOWED)
        if followed:
            chances = bdtr(np.arange(followed), followed, self.outlasts)
            found = np.searchsorted(chances, self._numbers.share(_LUCK)) * units // followed
            self._there[: self._last + 1] += found.astype(np.int32)
            self._rising[0] = True

    def add(self, lots: Sequence[Lot]) -> None:
        """Units of some lots that get ready and stay there."""
        for drawn in together([(self, lots)])[0]:
            self.count(drawn)

    def amounts(self, stay: Stay) -> Floats:
        """The time that a stay has had at its last weekly look by each week, week 0 first, in the clock's units."""
        known = stay.looks[-1].on if stay.looks else stay.started_on
        since_look = (self.day - known).days % CHECK_DAYS
        ends = self.day.toordinal() - since_look + _WEEKLY
        return self.belief.clock.between(_entered(stay).toordinal(), ends)

    def overdue(self, stay: Stay, had: float) -> bool:
        """Past the 99.5 % point of its time, and nobody has looked at it since."""
        entered, belief = _entered(stay), self.belief
        season, month = belief.season(entered), entered.month - 1
        spread = math.sqrt(belief.sd[month] ** 2 + season.sd**2 + belief.batch**2 + belief.within**2)
        limit = math.exp(belief.by_month[month] + season.mean + SURELY_READY_Z * spread)
        if had <= limit:
            return False
        looked = stay.looks[-1].on.toordinal() if stay.looks else entered.toordinal()
        return bool(belief.clock.between(entered.toordinal(), looked) <= limit)

    def counted(self, lots: Sequence[Drawn]) -> ByConfidence:
        """The curve with some lots more."""
        for drawn in lots:
            self.count(drawn)
        return self.curve()

    def count(self, drawn: Drawn) -> None:
        """Add what of a lot is ready by each week and stays there.

        A plant unready at the time had is ready by t with chance through (1-never) (Phi(t) - Phi(had)) / unready(had).
        """
        within, had = self.belief.within, float(drawn.amounts[0])
        if drawn.amounts[-1] <= had:
            return
        logs = np.log(np.maximum(drawn.amounts, _NO_TIME))
        farthest = _NEARLY_ALL * within
        ends = [float(drawn.centre.min()) - farthest, float(drawn.centre.max()) + farthest]
        first, last = np.clip(np.searchsorted(logs, ends), 1, WEEKS).tolist()
        fine = _FINE / within
        cells = (drawn.centre * np.float32(fine)).astype(np.int32) - int(_FARTHEST * _FINE)
        by_week = (logs * fine).astype(np.int32)
        ready = _BELOW.take(np.subtract.outer(by_week[first : last + 1], cells), mode="clip")
        chance = drawn.through * np.float32((1 - NEVER_SHARE) * _CHANCES)
        if had > 0:
            before = _BELOW.take(by_week[0] - cells, mode="clip")
            ready -= before
            chance /= 1 - np.float32(1 - NEVER_SHARE) * before
        ready *= chance
        found = _quantities(drawn, ready)
        self._filled(last)[first : last + 1] += found
        self._there[last + 1 : self._last + 1] += found[-1]
        self._rising[first : last + 1] = True

    # --- pots not potted yet ---

    def from_potting(self, drawn: Drawn) -> tuple[ByConfidence, tuple[tuple[int, int], ...]]:
        """Weeks until pots are ready by the week of potting, and the share of them that is good by then; by confidence.

        drawn: a pot of today (`pot`).
        """
        potted = [self.day + timedelta(weeks=week) for week in _POTTED_IN]
        amounts = self.belief.clock.between(*(self.day.toordinal() + days for days in _FROM_POTTING))
        limits = self._log_ready(potted)
        weeks = np.array([had.searchsorted(needed) for had, needed in zip(amounts, np.exp(limits), strict=True)])
        worse = np.maximum(weeks[:-1], weeks[1:]).T.tolist()
        ready = tuple(_steps(zip(_POTTED_IN[:-1], column, strict=True)) for column in worse)
        fine = _FINE / self.belief.within
        cells = (drawn.centre * np.float32(fine)).astype(np.int32) - int(_FARTHEST * _FINE)
        in_time = _BELOW.take(np.subtract.outer((limits[0] * fine).astype(np.int32), cells), mode="clip")
        return ready, _as_betas(drawn.through * in_time * np.float32(1 - NEVER_SHARE))

    def _log_ready(self, potted: Sequence[date]) -> Floats:
        """By day of potting and confidence, the log time at which nearly all plants of a batch are ready."""
        belief = self.belief
        told = [(belief.by_month[day.month - 1], belief.sd[day.month - 1], belief.season(day)) for day in potted]
        middle = np.array([log + known.mean for log, _, known in told])
        variance = np.array([sd**2 + known.sd**2 for _, sd, known in told])
        spread = np.sqrt(variance + belief.batch**2)
        value: Floats = (middle + _READY_Z * belief.within)[:, None] + np.multiply.outer(spread, _CONFIDENT_Z)
        return value


# --- lots ------------------------------------------------------------------------------------------------------


class _Begun(NamedTuple):
    """A lot of a line, the time that it has had by each week, and its own random numbers."""

    line: LineDraws
    lot: Lot
    amounts: Floats
    numbers: Rows

    @property
    def had(self) -> float:
        return float(self.amounts[0])


def pot(day: date) -> Lot:
    """One pot of a batch that is potted on a day and of which nothing is known."""
    return Lot(stay=Stay(batch=_TO_POT, crop="", stage=Stage.POTTED, started_on=day, units=0), units=1)


def together(parts: Sequence[tuple[LineDraws, Sequence[Lot]]]) -> list[list[Drawn]]:
    """The lots of some lines of one day, drawn all at once, which is quicker; without those that count nothing."""
    begun: list[_Begun] = []
    belongs: list[int] = []
    for at, (line, lots) in enumerate(parts):
        for lot in lots:
            amounts = line.amounts(lot.stay)
            if lot.units > 0 and not line.overdue(lot.stay, float(amounts[0])):
                begun.append(_Begun(line, lot, amounts, line.rows(lot.stay.batch)))
                belongs.append(at)
    drawn: list[list[Drawn]] = [[] for _ in parts]
    if begun:
        centres = _centres(begun)
        for at, one, centre, through in zip(belongs, begun, centres, _come_through(begun, centres), strict=True):
            drawn[at].append(Drawn(one.lot.units, one.amounts, centre, through, one.numbers))
    return drawn


def _centres(some: Sequence[_Begun]) -> Singles:
    """Draws of the centres of batches (rows), given what was seen of them."""
    means = np.stack([one.line.expected(_entered(one.lot.stay)) for one in some])
    batch = np.array([one.line.belief.batch for one in some])
    earliest = means.min(axis=1) - _FAR * batch
    seen = [at for at, one in enumerate(some) if _tells(one, float(earliest[at]))]
    centres = means + batch.astype(np.float32)[:, None] * np.stack([one.numbers.normal(_CENTRE) for one in some])
    if seen:
        within = np.array([some[at].line.belief.within for at in seen])
        clocks = [some[at].line.belief.clock for at in seen]
        told = sighted([_moved(some[at].lot.stay) for at in seen], clocks, np.zeros(len(seen)), some[0].line.day)
        firsts = np.searchsorted(told.of, np.arange(len(seen)))
        latest = means[seen].max(axis=1) + _FAR * batch[seen]
        grids = np.linspace(
            np.minimum(earliest[seen], np.minimum.reduceat(told.high, firsts)),
            np.maximum(latest, np.maximum.reduceat(told.low, firsts) + _FAR * within),
            _GRID,
        )
        logs = told.log_likelihood(grids, within)
        normal = np.stack([some[at].numbers.normal(_CENTRE) for at in seen])
        centres[seen] = _drawn(grids.T, logs.T, means[seen], batch[seen], normal)
    return centres


def _tells(one: _Begun, earliest: float) -> bool:
    """Whether anything was seen of a batch that says where its centre is."""
    stay, had = one.lot.stay, one.had
    if had <= 0 or stay.finished:
        return bool(stay.finished)
    below = 0.5 * math.erfc((earliest - math.log(had)) / one.line.belief.within / math.sqrt(2))
    return stay.units * below >= _TELLS_NOTHING


def _drawn(grid: Floats, logs: Floats, mean: Singles, sd: Floats, normal: Singles) -> Singles:
    """One draw for each mean from the normal prior around it times a likelihood on a grid, linear between its points.

    All by batch. The quantiles are worked out for a few means and taken linearly between them.
    """
    least, step = mean.min(axis=1), grid[:, 1] - grid[:, 0]
    apart = np.maximum(mean.max(axis=1) - least, 1e-6) / (_MEANS - 1)
    means = least[:, None] + apart[:, None] * np.arange(_MEANS)
    weights = logs[:, None] - (0.5 / sd**2)[:, None, None] * (grid[:, None] - means[:, :, None]) ** 2
    np.exp(weights - weights.max(axis=2, keepdims=True), out=weights)
    below = np.zeros((*means.shape, _GRID + 1))
    np.cumsum(weights, axis=2, out=below[..., 1:])
    below /= below[..., -1:]
    rows = 2.0 * np.arange(means.size).reshape(*means.shape, 1)  # row after row, looked up all at once
    edges = grid[:, :1] + step[:, None] * (np.arange(_GRID + 1) - 0.5)
    edges_of = np.broadcast_to(edges[:, None], below.shape)
    quantiles = np.interp((_CENTRE_SHARES + rows).ravel(), (below + rows).ravel(), edges_of.ravel()).astype(np.float32)
    place = (mean - least[:, None]) / apart.astype(np.float32)[:, None]
    row = np.minimum(place.astype(np.int32), _MEANS - 2)
    place -= row
    row += np.arange(0, means.size, _MEANS, dtype=np.int32)[:, None]
    cell = np.minimum(np.maximum((normal + np.float32(_CENTRE_Z)) * _A_CELL, 0), 2 * _CENTRE_CELLS - 1).astype(np.int32)
    cell += row * (2 * _CENTRE_CELLS)
    lower, upper = quantiles.take(cell), quantiles.take(cell + 2 * _CENTRE_CELLS)
    value: Singles = lower + (upper - lower) * place
    return value


def _come_through(some: Sequence[_Begun], centres: Singles) -> Singles:
    """Draws of the chance that a unit standing now will be there when wanted, given what was seen of its batch."""
    beliefs = [one.line.belief for one in some]
    told = [
        came_through(one.lot.stay, one.line.belief.clock, typical, one.line.day)
        for one, typical in zip(some, np.exp(centres.mean(axis=1)).tolist(), strict=True)
    ]
    given = [belief.stood.given(stood, of) for belief, (stood, of, _, _) in zip(beliefs, told, strict=True)]
    given += [belief.passed.given(good, looked_over) for belief, (_, _, good, looked_over) in zip(beliefs, told, strict=True)]
    common = [one.line.common[part] for part in (0, 1) for one in some]
    own = [one.numbers.normal(part) for part in (_STOOD, _PASSED) for one in some]
    lived, passed = np.split(share_draws(given, np.stack(common), np.stack(own)), 2)
    to_go = 1 - np.minimum(_column([one.had for one in some]) * np.exp(-centres), 1)
    through: Singles = np.exp(lived * to_go + passed)
    through *= _column([one.line.outlasts for one in some])
    struck = to_go * _column([belief.stood.disaster for belief in beliefs])
    struck += _column([belief.passed.disaster for belief in beliefs])
    least, most = DISASTER_LEAVES
    for one, chance, hit in zip(some, through, [one.numbers.share(_STRUCK) for one in some] < struck, strict=True):
        where = hit.nonzero()[0]
        chance[where] *= np.float32(least) + np.float32(most - least) * one.numbers.share(_LEFT)[where]
    return through


def _column(values: Sequence[float]) -> Singles:
    return np.array(values, dtype=np.float32)[:, None]


def _quantities(drawn: Drawn, chances: Singles) -> NDArray[Any]:
    """How many of a lot's units come of their chances (in _CHANCES), week by week and draw by draw, each by its own luck."""
    followed, found = min(drawn.units, _MOST_FOLLOWED), None
    for part, begun in enumerate(range(0, followed, _TOGETHER)):
        luck = (drawn.numbers.share(_LUCK + part) * np.float32(_LUCKS)).astype(np.int32) * (_CHANCES + 1)
        at = (chances + (luck.astype(np.float32) + np.float32(0.5))).astype(np.int32)
        some = _binomial(min(_TOGETHER, followed - begun)).take(at, mode="clip")
        found = some if found is None else np.add(found, some, dtype=np.int32)
    assert found is not None, "a lot has units"
    return found if followed == drawn.units else (found.astype(np.int64) * drawn.units // followed).astype(np.int32)


def _entered(stay: Stay) -> date:
    return stay.started_on + timedelta(days=stay.days_added) if stay.days_added else stay.started_on


def _moved(stay: Stay) -> Stay:
    """A stay with readiness moved: looks before the move tell nothing of the time from it."""
    if not stay.days_added:
        return stay
    return Stay(
        batch=stay.batch, crop=stay.crop, size=stay.size, stage=stay.stage, started_on=_entered(stay),
        units=stay.units, running=stay.running,
    )  # fmt: skip


# --- quantiles -------------------------------------------------------------------------------------------------


@lru_cache(maxsize=8)
def _places(draws: int) -> tuple[int, ...]:
    """By confidence, how many of the draws must reach a quantity."""
    return tuple(-(-percent * draws // 100) for percent in CONFIDENCES)


def _steps(values: Iterable[tuple[int, int]]) -> Steps:
    """Only where a value changes, a first 0 left out; of two values for one week the later counts."""
    changes: list[tuple[int, int]] = []
    for week, value in values:
        if value != (changes[-1][1] if changes else 0):
            changes.append((week, value))
    return tuple(changes)


def _as_betas(shares: Singles) -> tuple[tuple[int, int], ...]:
    """For each row of draws the beta distribution with its mean and variance: (mean in 1/10,000, strength), rounded down."""
    mean, square = shares.mean(axis=1, dtype=np.float64), np.einsum("ij,ij->i", shares, shares) / shares.shape[1]
    variance = np.maximum(square - mean**2, 1e-9)
    strength = np.clip(mean * (1 - mean) / variance - 1, 1, 100_000)
    return tuple((int(share * 10_000), int(alike)) for share, alike in zip(mean.tolist(), strength.tolist(), strict=True))
