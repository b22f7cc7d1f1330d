"""Combining sources of uncertainty after the GUM.

Source: JCGM 100:2008, clauses 5.1.2 (combined standard uncertainty), 5.2.2 (correlated inputs), G.4 (effective degrees of
freedom, Welch-Satterthwaite), note to 5.1.2 (second-order terms).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from analysis.distributions import t_quantile
from analysis.results import INFINITE_DOF, BudgetLine


@dataclass(frozen=True, slots=True)
class Combined:
    """A combined uncertainty.

    Attributes
    ----------
    u_mm : float
        Combined standard uncertainty.
    dof : float
        Effective degrees of freedom.
    k, U_mm : float
        Coverage factor (Student's t at the effective degrees of freedom, not truncated) and expanded uncertainty.
    lines : tuple of BudgetLine
        Largest first.
    """

    u_mm: float
    dof: float
    k: float
    U_mm: float
    lines: tuple[BudgetLine, ...]


def effective_dof(parts: Sequence[tuple[float, float]]) -> float:
    """Welch-Satterthwaite degrees of freedom of (standard uncertainty, dof) pairs; GUM G.2b."""
    total = sum(u * u for u, _ in parts)
    below = sum(u**4 / dof for u, dof in parts if math.isfinite(dof) and u > 0)
    return total**2 / below if below > 0 else INFINITE_DOF


def combine(lines: Sequence[BudgetLine], *, level: float = 0.95) -> Combined:
    """Combine independent budget lines.

    Parameters
    ----------
    lines : sequence of BudgetLine
        Standard uncertainties with their sensitivities, mm.
    level : float
        Coverage probability of the expanded uncertainty.

    Notes
    -----
    The t quantile is taken at the effective degrees of freedom as they come, without cutting them to a whole
    number (GUM G.4.1 allows interpolation).
    """
    u = math.sqrt(sum(x.u_mm**2 for x in lines))
    dof = effective_dof([(x.u_mm, x.dof) for x in lines])
    k = t_quantile(0.5 + 0.5 * level, dof) if u > 0 else t_quantile(0.5 + 0.5 * level, INFINITE_DOF)
    ordered = tuple(sorted(lines, key=lambda x: -x.u_mm))
    return Combined(u, dof, k, k * u, ordered)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a rectangular distribution of the given half width (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


def triangular(half_width: float) -> float:
    """Standard uncertainty of a symmetric triangular distribution (GUM 4.3.9)."""
    return half_width / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """Standard uncertainty of a U-shaped (arcsine) distribution (GUM H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a display step: rectangular, one step wide (GUM F.2.2.1)."""
    return step / math.sqrt(12.0)


@dataclass(frozen=True, slots=True)
class Propagated:
    """Result of propagating inputs through a function."""

    value: float
    u: float
    sensitivities: tuple[float, ...]
    second_order_u: float


def propagate(
    function: Callable[..., float],
    values: Sequence[float],
    us: Sequence[float],
    correlation: Sequence[Sequence[float]] | None = None,
) -> Propagated:
    """First-order propagation with correlation, and the size of the second-order terms.

    Parameters
    ----------
    function : callable
        Takes as many floats as there are inputs.
    values, us : sequence of float
        Estimates and standard uncertainties.
    correlation : matrix, optional
        Correlation coefficients; independent inputs when left out.

    Notes
    -----
    Derivatives are central differences over a tenth of a standard uncertainty.  The second-order part is that of the
    note to GUM 5.1.2: half the squared second derivatives plus first times third, for independent normal inputs.
    """
    n = len(values)
    x0 = [float(v) for v in values]
    f0 = function(*x0)

    def at(shifts: dict[int, float]) -> float:
        return function(*[x0[i] + shifts.get(i, 0.0) for i in range(n)])

    h = [0.1 * u if u > 0 else 0.0 for u in us]
    c = [0.0 if not h[i] else (at({i: h[i]}) - at({i: -h[i]})) / (2 * h[i]) for i in range(n)]
    var = 0.0
    for i in range(n):
        for j in range(n):
            r = 1.0 if i == j else (correlation[i][j] if correlation is not None else 0.0)
            var += r * c[i] * us[i] * c[j] * us[j]
    second = 0.0
    wide = [u if u > 0 else 0.0 for u in us]
    for i in range(n):
        for j in range(n):
            if not wide[i] or not wide[j]:
                continue
            a, b = wide[i], wide[j]
            if i == j:
                d2 = (at({i: a}) - 2 * f0 + at({i: -a})) / a**2
                d3 = (at({i: 2 * a}) - 2 * at({i: a}) + 2 * at({i: -a}) - at({i: -2 * a})) / (2 * a**3)
            else:
                d2 = (at({i: a, j: b}) - at({i: a, j: -b}) - at({i: -a, j: b}) + at({i: -a, j: -b})) / (4 * a * b)
                plus = at({i: a, j: b}) - 2 * at({i: a}) + at({i: a, j: -b})
                minus = at({i: -a, j: b}) - 2 * at({i: -a}) + at({i: -a, j: -b})
                d3 = (plus - minus) / (2 * a * b**2)
            second += (0.5 * d2**2 + c[i] * d3) * (us[i] * us[j]) ** 2
    return Propagated(f0, math.sqrt(max(var, 0.0)), tuple(c), math.sqrt(max(second, 0.0)))
