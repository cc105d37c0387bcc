"""The one factor that a season puts on the times of all crops, and what has been learned of it so far.

A season is a quarter from December on. Its factor is Student-t with 4 degrees of freedom, since some seasons are far out.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import date

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from ledger.forecast.timing import Floats

FREEDOM = 4
_DECEMBER = 12
_QUARTER = 3
_NODES = 41
_CLOSER = 3
_PARTS = 1_000
_WIDEST = 9.0  # scales; a Student-t(4) lies outside once in 1,200 draws
_SPEEDS = (0.0, 0.1, 0.2, 0.35, 0.5, 0.8)
_WORTH_A_SPEED = 2.0
_ASSUMED_SCALE, _SEASONS_SEEN = 0.07, 4.0


def season_of(day: date) -> int:
    """The season of a day, seasons numbered in turn; December opens the next year's first."""
    return (day.year + day.month // _DECEMBER) * 4 + day.month % _DECEMBER // _QUARTER


def log_density(x: Floats) -> Floats:
    """Of Student's t with 4 degrees of freedom, but for a constant."""
    value: Floats = -0.5 * (FREEDOM + 1) * np.log1p(x * x / FREEDOM)
    return value


class Belief(Struct, frozen=True, kw_only=True):
    """A season's effect on log time: `weights` on `nodes`, summing to 1; their mean and standard deviation.

    even: the nodes in the middle of each of so many equal parts of the belief.
    """

    nodes: Floats
    weights: Floats
    mean: float
    sd: float
    even: NDArray[np.float32]

    def quantiles(self, shares: NDArray[np.float32]) -> NDArray[np.float32]:
        """The nodes at shares between 0 and 1 of the belief."""
        return self.even.take((shares * np.float32(_PARTS)).astype(np.int32), mode="clip")


def believed(nodes: Floats, logs: Floats) -> Belief:
    """The belief with these log weights, but for a constant."""
    weights = np.exp(logs - logs.max())
    weights /= weights.sum()
    mean = float(weights @ nodes)
    even = nodes[np.minimum(np.searchsorted(np.cumsum(weights), (np.arange(_PARTS) + 0.5) / _PARTS), len(nodes) - 1)]
    sd = float(np.sqrt(weights @ (nodes - mean) ** 2))
    return Belief(nodes=nodes, weights=weights, mean=mean, sd=sd, even=even.astype(np.float32))


class Prior(Struct, frozen=True, kw_only=True):
    """A season of which nothing is known yet: `level` + `scale` x Student-t(4)."""

    level: float = 0.0
    scale: float = _ASSUMED_SCALE

    @property
    def belief(self) -> Belief:
        nodes = self.level + self.scale * np.linspace(-_WIDEST, _WIDEST, _NODES)
        return believed(nodes, self._log(nodes))

    def learned(self, log_likelihood: Callable[[Floats], Floats]) -> Belief:
        """The posterior, given the log likelihood of effects (an array of nodes): a wide grid, then closer to where it lies."""
        nodes = self.belief.nodes
        for _ in range(_CLOSER):
            belief = believed(nodes, self._log(nodes) + log_likelihood(nodes))
            spread = max(belief.sd, 0.5 * float(nodes[1] - nodes[0]))
            nodes = belief.mean + spread * np.linspace(-5, 5, _NODES)
        return believed(nodes, self._log(nodes) + log_likelihood(nodes))

    def _log(self, nodes: Floats) -> Floats:
        return log_density((nodes - self.level) / self.scale)


class Levels(Struct, frozen=True, kw_only=True):
    """What each past season could have been expected to be, and what the next one is."""

    before: Floats
    next: Prior


def follow(effects: Sequence[float] | Floats, variances: Sequence[float] | Floats) -> Levels:
    """What seasons in turn, each with its estimated effect and variance, say of the next: its level, and how far it may lie.

    Exponential smoothing from 0, at the speed that foretells best. Speed 0 (no drift) unless another is clearly better.
    """
    found, noise = np.asarray(effects, dtype=np.float64), np.asarray(variances, dtype=np.float64)
    tried = [_smoothed(found, noise, speed) for speed in _SPEEDS]
    best = max(range(len(tried)), key=lambda at: tried[at][0] - (_WORTH_A_SPEED if at else 0.0))
    _, levels, scale = tried[best]
    return Levels(before=levels[:-1], next=Prior(level=float(levels[-1]), scale=scale))


def _smoothed(found: Floats, noise: Floats, speed: float) -> tuple[float, Floats, float]:
    """Log likelihood of the one-step errors, the levels (one more than seasons), the scale of the errors."""
    levels = np.zeros(len(found) + 1)
    for at, effect in enumerate(found):
        levels[at + 1] = levels[at] + speed * (effect - levels[at])
    errors = found - levels[:-1]
    square = _ASSUMED_SCALE**2
    for _ in range(12):  # the scale of a Student-t sample, by the weights of its scale mixture
        weights = (FREEDOM + 1) / (FREEDOM + (errors**2 + noise) / square)
        assumed = _SEASONS_SEEN * _ASSUMED_SCALE**2
        square = (float((weights * (errors**2 + noise)).sum()) + assumed) / (len(found) + _SEASONS_SEEN)
    scale = float(np.sqrt(square))
    return float((log_density(errors / scale)).sum() - len(found) * np.log(scale)), levels, scale
