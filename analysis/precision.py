"""Precision of repeated readings, exact on display counts.

Counts are whole numbers, so sums of squares are formed without rounding and only the last division and root
round.  Everything takes counts (or decimals, or fractions) and gives answers in the same unit.

Sources: repeatability, reproducibility, outlier tests of laboratories (here: seatings) ISO 5725-2:1994
clause 7 (clause from memory); one-way analysis of variance GUM H.5.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

from analysis.distributions import f_quantile, f_sf, t_quantile

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
