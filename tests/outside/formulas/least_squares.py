"""Least squares in exact fractions, so that nothing but the last step rounds; what fits in floating point is held against it.

Source: normal equations with their covariance, JCGM 100:2008 (GUM) H.3, value from memory.  Unit of every answer: that of the values given.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from analysis.precision import Exact


def _root(x: Fraction) -> float:
    """Square root, rounded once: the integer root of a numerator with 40 digits to spare."""
    scale = 10**40
    return float(Fraction(math.isqrt(x.numerator * x.denominator * scale * scale), x.denominator * scale))


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
