"""How many come through: shares that differ from batch to batch, and the weekly losses of plants that wait.

Batches differ more than coins do, so a batch's share is a draw from a beta distribution, with a pooled mean and strength.
Owns that distribution, its fit over crops and groups, and the weekly hazard. Knows nothing of time.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray
from scipy.special import betainc, betaln, expit, gammaln, logit, psi, zeta

from ledger.forecast.timing import Floats, Ints, summed

#: what a disaster leaves of a batch that it strikes, from least to most (even chances between); an assumption
DISASTER_LEAVES = (0.10, 0.67)
#: disasters are assumed at 1 in 100 batches, as if 100 batches had been seen, until the nursery's own say otherwise
_ASSUMED_DISASTERS, _AMONG = 1.0, 100.0
_STRENGTHS = np.geomspace(4.0, 400.0, 16)
_USUAL_STRENGTH = 25.0
_CROP_STRENGTHS = np.geomspace(8.0, 800.0, 12)
_RECIPE_WORTH = 10.0  # so many independent plants does the grower's own opinion weigh against a group's
_ENOUGH_TO_TELL = 8  # fewer plants are no disaster
#: a fit keeps log odds and log strength within so much of 0, goes no further at once, and ends where it climbs by less
_FAR, _STRIDE, _FLAT, _MOST_STEPS = 16.0, 2.0, 1e-9, 100
_NEAR = 0.02  # shares are kept this far from 0 and 1 as expectations: nothing is certain


# --- one sample of batches -------------------------------------------------------------------------------------


def log_beta_binomial(successes: Floats, trials: Floats, mean: Floats | float, strength: Floats | float) -> Floats:
    """Log chance of so many of so many, the binomial coefficient included; mean m and strength k: Beta(m k, (1-m) k).

    Skellam 1948, J. R. Stat. Soc. B 10:257-261. Trials may be fractions (plants seen through a part of a stage).
    """
    a, b = np.asarray(mean) * strength, (1 - np.asarray(mean)) * strength
    ways = gammaln(trials + 1) - gammaln(successes + 1) - gammaln(trials - successes + 1)
    value: Floats = ways + betaln(successes + a, trials - successes + b) - betaln(a, b)
    return value


class BetaBinomial(NamedTuple):
    """A fit: pooled mean, correlation of two plants of one batch rho = 1 / (1 + strength), log likelihood."""

    mean: float
    rho: float
    log_likelihood: float


def fit_beta_binomial(successes: Sequence[int], trials: Sequence[int]) -> BetaBinomial:
    """Maximum likelihood over several batches with one mean and one rho (Crowder 1978, Applied Statistics 27:34-37)."""
    one = np.zeros(len(trials), dtype=np.int64)
    return fit_beta_binomials(one, np.asarray(successes), np.asarray(trials), np.ones(len(trials)))[0]


def fit_beta_binomials(group: Ints, successes: Ints, trials: Ints, times: Ints | Floats) -> list[BetaBinomial]:
    """The same for many groups of batches at once; `times`: how many batches of a group had the same successes of trials.

    Newton's method in log odds of the mean and log strength, each group with a step of its own that is cut until it climbs.
    """
    y, n, weight = successes.astype(np.float64), trials.astype(np.float64), times.astype(np.float64)
    groups = int(group.max(initial=-1)) + 1
    share = summed(group, weight * y, groups) / np.maximum(summed(group, weight * n, groups), 1.0)
    best = np.stack([logit(np.clip(share, _NEAR, 1 - _NEAR)), np.full(groups, np.log(9.0))])
    height, step = np.full(groups, -np.inf), np.zeros_like(best)
    climbing = np.arange(groups)
    for _ in range(_MOST_STEPS):
        place = np.full(groups, -1)
        place[climbing] = np.arange(len(climbing))
        parts = np.flatnonzero(place[group] >= 0)
        tried = np.clip(best[:, climbing] + step[:, climbing], -_FAR, _FAR)
        reached, newton = _climb(tried, place[group[parts]], y[parts], n[parts], weight[parts])
        gained = reached - height[climbing]
        up = gained >= 0
        on, back = climbing[up], climbing[~up]
        best[:, on], height[on], step[:, on] = tried[:, up], reached[up], newton[:, up]
        step[:, back] /= 4
        climbing = climbing[~(np.abs(gained) < _FLAT)]
        if not climbing.size:
            break
    mean, rho = expit(best[0]), 1 / (1 + np.exp(best[1]))
    height += summed(group, weight * (gammaln(n + 1) - gammaln(y + 1) - gammaln(n - y + 1)), groups)
    return [BetaBinomial(float(m), float(r), float(h)) for m, r, h in zip(mean, rho, height, strict=True)]


def _climb(at: Floats, group: Ints, y: Floats, n: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """The log likelihood of each group but for the ways, and the step to where its slope should be level."""
    mean, strength = expit(at[0]), np.exp(at[1])
    a, b = mean * strength, (1 - mean) * strength
    groups, left = at.shape[1], n - y

    def total(of_parts: Floats) -> Floats:
        return summed(group, weight * of_parts, groups)

    seen = total(np.ones_like(y))
    height = total(betaln(y + a[group], left + b[group])) - seen * betaln(a, b)
    both = seen * psi(strength) - total(psi(n + strength[group]))
    by_a, by_b = total(psi(y + a[group])) - seen * psi(a) + both, total(psi(left + b[group])) - seen * psi(b) + both
    both = seen * zeta(2, strength) - total(zeta(2, n + strength[group]))  # zeta(2, .) is the slope of psi
    by_aa = total(zeta(2, y + a[group])) - seen * zeta(2, a) + both
    by_bb = total(zeta(2, left + b[group])) - seen * zeta(2, b) + both
    q, odd = mean * b, by_a - by_b
    slope = np.stack([q * odd, a * by_a + b * by_b])
    bend_mean = q * q * (by_aa - 2 * both + by_bb) + q * (1 - 2 * mean) * odd
    bend_both = q * (a * by_aa + (b - a) * both - b * by_bb) + q * odd
    bend_strength = a * a * by_aa + 2 * a * b * both + b * b * by_bb + slope[1]
    bends, ways = np.linalg.eigh(np.stack([[bend_mean, bend_both], [bend_both, bend_strength]]).transpose(2, 0, 1))
    along = np.einsum("gij,ig->gj", ways, slope) / np.maximum(np.abs(bends), 1e-12)
    newton: Floats = np.einsum("gij,gj->ig", ways, np.clip(along, -_STRIDE, _STRIDE))
    return height, newton


def worth(trials: Floats | float, strength: Floats | float) -> Floats:
    """So many independent plants tell as much as so many of one batch: n (k + 1) / (n + k). 144 at k = 20 tell 18.4."""
    value: Floats = np.asarray(trials) * (np.asarray(strength) + 1) / np.maximum(np.asarray(trials) + strength, 1e-12)
    return value


# --- the share of one crop -------------------------------------------------------------------------------------


class Share(Struct, frozen=True, kw_only=True):
    """What is expected of the next batch: its share is Beta(mean x strength, (1 - mean) x strength).

    shared: the part of the variance that all batches of the crop have in common (how well the crop itself is known);
    disaster: the chance of a loss beyond the beta distribution.
    """

    mean: float
    strength: float
    shared: float
    disaster: float = 0.0

    def given(self, successes: float, trials: float) -> Share:
        """The same of a batch that has shown so many of so many already."""
        strength = self.strength + trials
        return Share(
            mean=(self.mean * self.strength + successes) / strength,
            strength=strength,
            shared=self.shared * self.strength / strength,
            disaster=self.disaster,
        )


def believed(mean: float, known: float, strength: float, disaster: float = 0.0) -> Share:
    """A share whose mean is known as if from `known` independent plants and whose batches differ with `strength`."""
    common = 1 / (known + 1)
    own = (1 - common) / (strength + 1)
    return Share(mean=mean, strength=1 / (common + own) - 1, shared=common / (common + own), disaster=disaster)


# --- over all crops --------------------------------------------------------------------------------------------


class Shares(Struct, frozen=True, kw_only=True):
    """The fit of one kind of share over a nursery, arrays by crop: mean, `known` and strength as `believed` takes them."""

    mean: Floats
    known: Floats
    strength: Floats
    disaster: float

    def share(self, crop: int) -> Share:
        return believed(float(self.mean[crop]), float(self.known[crop]), float(self.strength[crop]), self.disaster)


class Batches(NamedTuple):
    """Successes of trials by batch, and the crop of each."""

    crop: Ints
    successes: Floats
    trials: Floats

    def without(self, some: NDArray[np.bool_]) -> Batches:
        return Batches(self.crop[~some], self.successes[~some], self.trials[~some])


def fit_shares(batches: Batches, group_of: Ints, recipe: Floats) -> Shares:
    """Empirical Bayes, crop -> group -> recipe, of means and of strengths.

    group_of: the group of each crop; recipe: the share that the grower expects of each. A group's own batches move all its
    crops away from their recipes by as much (on the log-odds scale), a crop's own batches move it away from its group.
    """
    expected = np.clip(recipe, _NEAR, 1 - _NEAR)
    kept, disasters = batches, 0.0
    mean, known = expected, np.full(len(expected), _CROP_STRENGTHS[0])
    strength = np.full(len(expected), _USUAL_STRENGTH)
    for _ in range(3):
        mean, known = _means(kept, group_of, expected, strength)
        strength = _strengths(kept, group_of, mean)
        struck = _disasters(batches, mean, strength)
        kept, disasters = batches.without(struck), float(struck.sum())
    share = (disasters + _ASSUMED_DISASTERS) / (len(batches.trials) + _AMONG)
    return Shares(mean=mean, known=known, strength=strength, disaster=share)


def _means(batches: Batches, group_of: Ints, recipe: Floats, strength: Floats) -> tuple[Floats, Floats]:
    """Each crop's mean and what it is worth in independent plants."""
    crops, groups = len(group_of), int(group_of.max(initial=-1)) + 1
    tells = worth(batches.trials, strength[batches.crop])
    seen = summed(batches.crop, tells, crops)
    good = summed(batches.crop, tells * batches.successes / np.maximum(batches.trials, 1e-12), crops)
    group_seen = summed(group_of, seen, groups)
    group_hoped = summed(group_of, seen * recipe, groups) / np.maximum(group_seen, 1e-12)
    group_hoped = np.where(group_seen > 0, group_hoped, 0.5)
    group_mean = (summed(group_of, good, groups) + _RECIPE_WORTH * group_hoped) / (group_seen + _RECIPE_WORTH)
    moved = logit(np.clip(group_mean, _NEAR, 1 - _NEAR)) - logit(np.clip(group_hoped, _NEAR, 1 - _NEAR))
    prior = np.clip(expit(logit(recipe) + moved[group_of]), _NEAR, 1 - _NEAR)
    likelihoods = [log_beta_binomial(good, seen, prior, worth_of).sum() for worth_of in _CROP_STRENGTHS]
    between = np.where(group_seen > 0, _CROP_STRENGTHS[int(np.argmax(likelihoods))], _CROP_STRENGTHS[0])[group_of]
    return (good + between * prior) / (seen + between), seen + between


def _strengths(batches: Batches, group_of: Ints, mean: Floats) -> Floats:
    """Each crop's strength: its own batches shrunk to its group's, the group's to the nursery's, on a grid of log strength."""
    crops, groups, log_grid = len(group_of), int(group_of.max(initial=-1)) + 1, np.log(_STRENGTHS)
    fits = np.zeros((len(_STRENGTHS), crops))
    for row, strength in enumerate(_STRENGTHS):
        fit = log_beta_binomial(batches.successes, batches.trials, mean[batches.crop], strength)
        fits[row] = summed(batches.crop, fit, crops)
    in_group = np.stack([summed(group_of, row, groups) for row in fits])
    usual = _expected(fits.sum(axis=1, keepdims=True), log_grid, np.log([_USUAL_STRENGTH]))
    of_group = _expected(in_group, log_grid, np.repeat(usual, groups))
    strengths: Floats = np.exp(_expected(fits, log_grid, of_group[group_of]))
    return strengths


def _expected(fits: Floats, log_grid: Floats, around: Floats) -> Floats:
    """The expected log strength of each column of log likelihoods, with a normal prior around what is usual."""
    weighed = fits - 0.5 * ((log_grid[:, None] - around) / 0.5) ** 2
    weights = np.exp(weighed - weighed.max(axis=0))
    value: Floats = (weights * log_grid[:, None]).sum(axis=0) / weights.sum(axis=0)
    return value


def _disasters(batches: Batches, mean: Floats, strength: Floats) -> NDArray[np.bool_]:
    """Batches with less than two thirds of what is usual, which the beta distribution gives less than once in 500."""
    m, k = mean[batches.crop], strength[batches.crop]
    rate = batches.successes / np.maximum(batches.trials, 1e-12)
    unlikely = betainc(m * k, (1 - m) * k, np.clip(rate, 0.0, 1.0)) < 1 / 500
    struck: NDArray[np.bool_] = (batches.trials >= _ENOUGH_TO_TELL) & (rate < DISASTER_LEAVES[1] * m) & unlikely
    return struck


# --- plants that wait ------------------------------------------------------------------------------------------

#: a plant that waits is assumed to die in one week of 200, as if 200 weeks of one plant had been seen
_ASSUMED_LOST, _WEEKS_SEEN = 1.0, 200.0
#: how long a finished plant or a plug is assumed to wait, as if 20 had been seen to leave
_ASSUMED_WAIT_WEEKS, _LEFT_SEEN = 4.0, 20.0


class Waiting(Struct, frozen=True, kw_only=True):
    """Plants in holding or finished: the share lost a week, and how many weeks one usually waits before it leaves."""

    weekly_hazard: float
    weeks: float

    @property
    def outlasts(self) -> float:
        """The share of those that wait which is there when it is wanted."""
        return float((1 - self.weekly_hazard) ** self.weeks)


def waiting(unit_weeks: float, lost: float, left: float, among: Waiting | None = None) -> Waiting:
    """The gamma-Poisson estimate from so many weeks of waiting plants, shrunk to those `among` which they stand."""
    hazard = among.weekly_hazard if among else _ASSUMED_LOST / _WEEKS_SEEN
    weeks = among.weeks if among else _ASSUMED_WAIT_WEEKS
    return Waiting(
        weekly_hazard=min(0.5, (lost + hazard * _WEEKS_SEEN) / (unit_weeks + _WEEKS_SEEN)),
        weeks=(unit_weeks + weeks * _LEFT_SEEN) / (left + lost + _LEFT_SEEN),
    )
