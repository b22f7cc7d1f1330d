"""One normal against a mixture of two, by expectation-maximisation and the Bayesian information criterion.

Source: standard texts; held against the reference library.  Values and levels in one unit.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

CLEAR_GAIN = 6.0
"""Gain in the information criterion from which two levels are believed; above 0 alone, 18 % of sound sets of 10 would be."""


@dataclass(frozen=True, slots=True)
class Levels:
    """One normal against two.

    Attributes
    ----------
    one, two : float
        Bayesian information criterion of one normal and of the mixture; lower is better.
    gain : float
        `one` less `two`; two levels are believed from `CLEAR_GAIN` on.
    low, high : float
        The two levels.
    sds : (float, float)
        Scatter about each.
    share_high : float
        Share of values at the high level.
    """

    one: float
    two: float
    low: float
    high: float
    sds: tuple[float, float]
    share_high: float

    @property
    def gain(self) -> float:
        """How much better two levels describe the values than one."""
        return self.one - self.two

    @property
    def believed(self) -> bool:
        """Whether the gain is clear."""
        return self.gain > CLEAR_GAIN


def two_levels(values: Sequence[float], *, same_scatter: bool = True, floor: float | None = None) -> Levels:
    """Fit one normal and a mixture of two.

    Parameters
    ----------
    values : sequence of float
        Four or more, not all equal.
    same_scatter : bool
        Both levels scatter alike (4 parameters) or each by its own (5).  By its own, one sound set of 10 in four passes even
        `CLEAR_GAIN`: keep it for 20 readings and more.
    floor : float, optional
        Least scatter of a level, same unit; a thousandth of the whole scatter when left out.  Without it a level of a few equal
        readings would seem infinitely sure.
    """
    x = np.sort(np.asarray(values, dtype=float))
    n = x.size
    if n < 4 or not np.ptp(x) > 0:
        raise ValueError(
            f"{n} values spread over {float(np.ptp(x)) if n else 0.0}: two levels need 4 or more, not all equal"
        )
    whole = float(x.var())
    least = (floor if floor is not None else 1e-3 * math.sqrt(whole)) ** 2
    one = n * (math.log(2 * math.pi * max(whole, least)) + whole / max(whole, least)) + 2 * math.log(n)
    split = np.arange(2, n - 1)[:, None]  # every split of the ordered values as a start
    start = np.stack([np.arange(n) < split, np.arange(n) >= split], axis=1).astype(float)
    rough, weight, *_ = _climb(x, start, same_scatter, least, 1e-5)
    summit, _, means, variances, shares = _climb(x, weight[[int(np.argmax(rough))]], same_scatter, least, 1e-11)
    likelihood, mean, var, share = float(summit[0]), means[0], variances[0], shares[0]
    a, b = (0, 1) if mean[0] <= mean[1] else (1, 0)
    return Levels(
        one,
        -2.0 * likelihood + (4 if same_scatter else 5) * math.log(n),
        float(mean[a]),
        float(mean[b]),
        (math.sqrt(var[a]), math.sqrt(var[b])),
        float(share[b]),
    )


def _climb(x: Array, weight: Array, same: bool, least: float, gain: float) -> tuple[Array, Array, Array, Array, Array]:
    """Expectation-maximisation from starting weights (starts, 2, n), until no start gains more than `gain`.

    Gives log likelihoods, weights, means, variances and shares, a row for each start.
    """
    before = np.full(weight.shape[0], -math.inf)
    for _ in range(3000):
        count = np.maximum(weight.sum(axis=2), 1e-9)
        mean = (weight @ x) / count
        square = (weight * (x - mean[:, :, None]) ** 2).sum(axis=2)
        var = np.repeat(square.sum(axis=1, keepdims=True) / x.size, 2, axis=1) if same else square / count
        var = np.maximum(var, least)
        share = count / x.size
        log = np.log(share / np.sqrt(2 * np.pi * var))[:, :, None] - 0.5 * (x - mean[:, :, None]) ** 2 / var[:, :, None]
        top = log.max(axis=1, keepdims=True)
        each = np.exp(log - top)
        total = each.sum(axis=1, keepdims=True)
        likelihood = (top + np.log(total)).sum(axis=(1, 2))
        weight = each / total
        if bool((likelihood - before < gain).all()):
            break
        before = likelihood
    return likelihood, weight, mean, var, share
