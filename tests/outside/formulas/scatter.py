"""Single tests of scatter, each with an interval: a variance, two variances, pairs.

Sources: chi-square and F tests of variances, e-handbook 1.3.5.8 and 1.3.5.9 (value from memory); paired t, standard texts.
One unit throughout.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.distributions import chi2_quantile, chi2_sf, f_quantile, f_sf, t_quantile, t_sf


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
