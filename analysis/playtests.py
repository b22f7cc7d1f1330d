"""Single tests for bearing play, each with an interval: variance, two variances, pairs, two levels.

Judge the size against the limit, not the p value against a habit.  With 20 sweeps or fewer two levels four standard
deviations apart are seen in about three sets of ten at best; the pushed-and-pulled pair is the test that finds play.

Sources: chi-square and F tests of variances, e-handbook 1.3.5.8 and 1.3.5.9 (value from memory); paired t, standard texts;
normal mixture by expectation-maximisation with the Bayesian information criterion, standard texts.  A dip test is left out on
purpose: with so few sweeps it would not find them often either (about one set in four).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import chi2_quantile, chi2_sf, f_quantile, f_sf, t_quantile, t_sf

Array = NDArray[np.float64]

CLEAR_GAIN = 6.0
"""Gain in the information criterion from which two levels are believed; above 0 alone, 18 % of sound sets of 10 would be."""


@dataclass(frozen=True, slots=True)
class VarianceTest:
    """A standard deviation against a known one.

    `statistic` is chi-square on `dof`; `p` the chance of as much scatter or more; `low`, `high` the interval of the true
    standard deviation.
    """

    statistic: float
    dof: int
    p: float
    low: float
    high: float


def scatter_test(sd: float, known_sd: float, n: int, level: float = 0.95) -> VarianceTest:
    """Whether `n` repeats scatter more than the indicator does.

    Parameters
    ----------
    sd : float
        Standard deviation of the repeats, not negative.
    known_sd : float
        The indicator's own, above 0, in the same unit.
    n : int
        Repeats, 2 or more.
    """
    if n < 2 or not known_sd > 0 or not sd >= 0:
        raise ValueError(
            f"scatter {sd} of {n} repeats against {known_sd}: 2 repeats, scatter of 0 or more against above 0"
        )
    dof = n - 1
    statistic = dof * (sd / known_sd) ** 2
    tail = 0.5 - 0.5 * level
    return VarianceTest(
        statistic,
        dof,
        chi2_sf(statistic, dof),
        sd * math.sqrt(dof / chi2_quantile(1.0 - tail, dof)),
        sd * math.sqrt(dof / chi2_quantile(tail, dof)),
    )


def scatter_limit(n: int, level: float = 0.95) -> float:
    """Ratio of scatter to the indicator's own that sound bearings keep within."""
    return math.sqrt(chi2_quantile(level, n - 1) / (n - 1))


def scatter_power(ratio: float, n: int, level: float = 0.95) -> float:
    """Chance that `n` repeats show a true scatter of `ratio` times the indicator's own."""
    return chi2_sf(chi2_quantile(level, n - 1) / ratio**2, n - 1)


@dataclass(frozen=True, slots=True)
class RatioTest:
    """Two standard deviations: `f` the ratio of variances, one- and two-sided p.

    They flip the verdict easily: one-sided only where it was said beforehand which set should scatter more.
    """

    f: float
    p_more: float
    p_differ: float


def ratio_test(sd1: float, n1: int, sd2: float, n2: int) -> RatioTest:
    """Whether the first set scatters more than the second, or differs from it."""
    if n1 < 2 or n2 < 2 or not sd1 > 0 or not sd2 > 0:
        raise ValueError(f"scatters {sd1} ({n1}) and {sd2} ({n2}): both above 0, from 2 repeats or more")
    f = (sd1 / sd2) ** 2
    more = f_sf(f, n1 - 1, n2 - 1)
    less = f_sf(1.0 / f, n2 - 1, n1 - 1)
    return RatioTest(f, more, min(1.0, 2.0 * min(more, less)))


def ratio_limits(n1: int, n2: int, level: float = 0.95) -> tuple[float, float]:
    """Lower and upper two-sided limits of the ratio of variances."""
    tail = 0.5 - 0.5 * level
    return f_quantile(tail, n1 - 1, n2 - 1), f_quantile(1.0 - tail, n1 - 1, n2 - 1)


@dataclass(frozen=True, slots=True)
class PairedTest:
    """Mean difference of pairs with its interval; `t` on `dof`, `p` two-sided."""

    mean: float
    sd: float
    t: float
    dof: int
    p: float
    low: float
    high: float


def paired_test(forward: Sequence[float], back: Sequence[float], level: float = 0.95) -> PairedTest:
    """Whether forward and return sweeps, or pushed and pulled readings, differ: back less forward.

    Raises
    ------
    ValueError
        If the two are not paired, or there are fewer than two pairs.
    """
    if len(forward) != len(back) or len(forward) < 2:
        raise ValueError(f"{len(forward)} forward and {len(back)} back: as many of each, 2 or more")
    d = np.asarray(back, dtype=float) - np.asarray(forward, dtype=float)
    n = d.size
    mean, sd = float(d.mean()), float(d.std(ddof=1))
    se = sd / math.sqrt(n)
    t = mean / se if se > 0 else (math.copysign(math.inf, mean) if mean else 0.0)
    half = t_quantile(0.5 + 0.5 * level, n - 1) * se
    p = 0.0 if math.isinf(t) else min(1.0, 2.0 * t_sf(abs(t), n - 1))
    return PairedTest(mean, sd, t, n - 1, p, mean - half, mean + half)


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
