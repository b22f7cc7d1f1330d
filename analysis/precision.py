"""Precision of repeated readings, exact on display counts.

Counts are whole numbers, so sums of squares are formed without rounding and only the last division and root
round.  Everything takes counts (or decimals, or fractions) and gives answers in the same unit.

Sources: repeatability, reproducibility, outlier tests of laboratories (here: seatings) ISO 5725-2:1994
clause 7 (clause from memory); critical range ISO 5725-6 (table from memory); one-way analysis of variance GUM H.5;
least squares GUM H.3.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from itertools import pairwise

from analysis.distributions import f_quantile, f_sf, range_quantile, t_quantile

Exact = int | Decimal | Fraction
"""A number that is what it says: a display count, a decimal as printed, a ratio."""

LIMIT_FACTOR = 2.8
"""Repeatability limit in standard deviations: 1.96 times root 2, rounded as in ISO 5725-6."""


def _root(x: Fraction) -> float:
    """Square root, correct to the last digit or so however large the terms of the fraction are."""
    if x <= 0:
        return 0.0
    shift = max(0, 120 - (x.numerator.bit_length() - x.denominator.bit_length()))
    shift += shift % 2
    whole = math.isqrt((x.numerator << shift) // x.denominator)
    return float(Fraction(whole, 1 << (shift // 2)))


def _centred(values: Sequence[Exact]) -> tuple[Fraction, list[Fraction]]:
    x = [Fraction(v) for v in values]
    mean = sum(x, Fraction(0)) / len(x)
    return mean, [v - mean for v in x]


def mean_and_sd(values: Sequence[Exact]) -> tuple[float, float]:
    """Mean and standard deviation (n - 1).

    Raises
    ------
    ValueError
        With fewer than two values.
    """
    if len(values) < 2:
        raise ValueError(f"a standard deviation needs at least 2 values, {len(values)} given")
    mean, d = _centred(values)
    return float(mean), _root(sum((v * v for v in d), Fraction(0)) / (len(d) - 1))


def lag_one(values: Sequence[Exact]) -> float:
    """Correlation of each value with the next (full-sample mean and denominator); 0 where all are equal."""
    _, d = _centred(values)
    below = sum((v * v for v in d), Fraction(0))
    return float(sum((a * b for a, b in pairwise(d)), Fraction(0)) / below) if below else 0.0


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance.

    Attributes
    ----------
    mean : float
        Mean of all values.
    ms_between, ms_within : float
        Mean squares.
    dof_between, dof_within : int
    f, p : float
        Ratio of the mean squares (inf where nothing varies within the groups) and its upper tail.
    sd_within, sd_between : float
        Standard deviation inside a group, and of the groups' true levels (0 where it comes out negative).
    mean_size : float
        Values per group, weighted as in ISO 5725-2 where groups differ in size.
    """

    mean: float
    ms_between: float
    ms_within: float
    dof_between: int
    dof_within: int
    f: float
    p: float
    sd_within: float
    sd_between: float
    mean_size: float

    @property
    def sd_total(self) -> float:
        """Within and between together: reproducibility when the groups are seatings."""
        return math.hypot(self.sd_within, self.sd_between)

    @property
    def repeatability_limit(self) -> float:
        """Difference two readings of one group keep within in 95 of 100 cases."""
        return LIMIT_FACTOR * self.sd_within

    @property
    def reproducibility_limit(self) -> float:
        """Difference two readings of different groups keep within in 95 of 100 cases."""
        return LIMIT_FACTOR * self.sd_total


def one_way(groups: Sequence[Sequence[Exact]]) -> OneWay:
    """Analysis of variance of groups (seatings), which may differ in size.

    Raises
    ------
    ValueError
        With fewer than two groups, an empty group, or no group with two values.
    """
    x = [[Fraction(v) for v in g] for g in groups]
    sizes = [len(g) for g in x]
    total = sum(sizes)
    if len(x) < 2 or min(sizes) < 1 or total <= len(x):
        raise ValueError(f"groups of {sizes}: at least 2 groups are needed, none empty, one with 2 values or more")
    means = [sum(g, Fraction(0)) / len(g) for g in x]
    grand = sum((n * m for n, m in zip(sizes, means, strict=True)), Fraction(0)) / total
    between = sum((n * (m - grand) ** 2 for n, m in zip(sizes, means, strict=True)), Fraction(0))
    within = sum(((v - m) ** 2 for g, m in zip(x, means, strict=True) for v in g), Fraction(0))
    return _table(grand, between, within, sizes)


def one_way_of_means(means: Sequence[Exact], sds: Sequence[Exact], size: int) -> OneWay:
    """The same from the means and standard deviations of groups of equal size."""
    if len(means) != len(sds) or len(means) < 2 or size < 2:
        raise ValueError(f"{len(means)} means, {len(sds)} standard deviations, size {size}: as many of each, 2 or more")
    grand, d = _centred(means)
    between = size * sum((v * v for v in d), Fraction(0))
    within = (size - 1) * sum((Fraction(s) ** 2 for s in sds), Fraction(0))
    return _table(grand, between, within, [size] * len(means))


def _table(grand: Fraction, between: Fraction, within: Fraction, sizes: Sequence[int]) -> OneWay:
    groups, total = len(sizes), sum(sizes)
    dof1, dof2 = groups - 1, total - groups
    msb, msw = between / dof1, within / dof2
    f = float(msb / msw) if msw else (math.inf if msb else 0.0)
    mean_size = (total - Fraction(sum(n * n for n in sizes), total)) / dof1
    return OneWay(
        mean=float(grand),
        ms_between=float(msb),
        ms_within=float(msw),
        dof_between=dof1,
        dof_within=dof2,
        f=f,
        p=0.0 if math.isinf(f) else f_sf(f, dof1, dof2),
        sd_within=_root(msw),
        sd_between=_root(max(Fraction(0), (msb - msw) / mean_size)),
        mean_size=float(mean_size),
    )


def cochran(sds: Sequence[float]) -> tuple[float, int]:
    """Largest variance over the sum of all, and whose it is."""
    v = [s * s for s in sds]
    at = max(range(len(v)), key=v.__getitem__)
    return (v[at] / sum(v) if sum(v) > 0 else 0.0), at


def cochran_limit(groups: int, size: int, alpha: float = 0.05) -> float:
    """Value Cochran's statistic stays below by chance (an approximation that errs to the safe side by up to 0.001)."""
    p = groups
    return 1.0 / (1.0 + (p - 1) / f_quantile(1.0 - alpha / p, size - 1, (p - 1) * (size - 1)))


def grubbs(values: Sequence[Exact]) -> tuple[float, float]:
    """Distance of the highest and of the lowest value from the mean, in standard deviations; 0 where all are equal."""
    _, sd = mean_and_sd(values)
    _, d = _centred(values)
    return (float(max(d)) / sd, -float(min(d)) / sd) if sd > 0 else (0.0, 0.0)


def grubbs_limit(n: int, alpha: float = 0.05, *, two_sided: bool = True) -> float:
    """Value Grubbs' statistic stays below by chance.

    Parameters
    ----------
    n : int
        Values, 3 or more.  With 3 the statistic never exceeds 1.1547: three sweeps give practically no outlier test.
    alpha : float
        Chance of a false word of outlier.
    two_sided : bool
        Both ends looked at (ISO 5725-2), or one named beforehand.
    """
    if n < 3:
        raise ValueError(f"an outlier test needs at least 3 values, {n} given")
    t2 = t_quantile(1.0 - alpha / ((2 if two_sided else 1) * n), n - 2) ** 2
    return (n - 1) / math.sqrt(n) * math.sqrt(t2 / (n - 2 + t2))


def critical_range(n: int, sd: float = 1.0, level: float = 0.95) -> float:
    """Range that `n` readings of known repeatability `sd` keep within."""
    return sd * range_quantile(level, n)


@dataclass(frozen=True, slots=True)
class Fit:
    """Least-squares coefficients, their covariance over the residual variance, and the residual scatter."""

    coefficients: tuple[float, ...]
    u: tuple[float, ...]
    unscaled: tuple[tuple[float, ...], ...]
    sd: float
    dof: int

    def correlation(self, i: int, j: int) -> float:
        """Correlation of two coefficients."""
        return self.unscaled[i][j] / math.sqrt(self.unscaled[i][i] * self.unscaled[j][j])

    def u_of(self, row: Sequence[float]) -> float:
        """Standard uncertainty of the fitted value at a row of the columns."""
        v = sum(a * b * self.unscaled[i][j] for i, a in enumerate(row) for j, b in enumerate(row))
        return self.sd * math.sqrt(max(0.0, v))


def least_squares(columns: Sequence[Sequence[Exact]], y: Sequence[Exact]) -> Fit:
    """Least squares by normal equations in exact fractions: no digit is lost to ill conditioning.

    Raises
    ------
    ValueError
        If columns and values differ in length, there are no more values than columns, or columns depend on each other.
    """
    a = [[Fraction(v) for v in c] for c in columns]
    b = [Fraction(v) for v in y]
    k, n = len(a), len(b)
    if any(len(c) != n for c in a) or n <= k:
        raise ValueError(f"{n} values, columns of {[len(c) for c in a]}: equal lengths and more values than columns")
    rows = [[_dot(a[i], c) for c in a] + [Fraction(int(i == j)) for j in range(k)] + [_dot(a[i], b)] for i in range(k)]
    for i in range(k):
        pivot = next((r for r in range(i, k) if rows[r][i]), None)
        if pivot is None:
            raise ValueError(f"column {i} depends on the columns before it")
        rows[i], rows[pivot] = rows[pivot], rows[i]
        rows[i] = [v / rows[i][i] for v in rows[i]]
        for r in range(k):
            if r != i and rows[r][i]:
                f = rows[r][i]
                rows[r] = [v - f * w for v, w in zip(rows[r], rows[i], strict=True)]
    solution = [row[-1] for row in rows]
    rest = [v - sum((s * c[m] for s, c in zip(solution, a, strict=True)), Fraction(0)) for m, v in enumerate(b)]
    variance = _dot(rest, rest) / (n - k)
    unscaled = tuple(tuple(float(v) for v in row[k : 2 * k]) for row in rows)
    u = tuple(_root(variance * rows[i][k + i]) for i in range(k))
    return Fit(tuple(float(s) for s in solution), u, unscaled, _root(variance), n - k)


def polynomial(x: Sequence[Exact], y: Sequence[Exact], degree: int) -> Fit:
    """Polynomial in `x`, lowest power first."""
    return least_squares([[Fraction(v) ** power for v in x] for power in range(degree + 1)], y)


def _dot(a: Sequence[Fraction], b: Sequence[Fraction]) -> Fraction:
    return sum((v * w for v, w in zip(a, b, strict=True)), Fraction(0))
