"""Propagation of inputs through any function, to first order with correlation and to second without.

Sources: JCGM 100:2008 (GUM) 5.1.2 with its note, 5.2.2, H.1.3.4; JCGM 101:2008 6.4.3 and 6.4.9, values from memory.
Standard uncertainties in the unit of the half width given.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from analysis.uncertainty import rectangular


def triangular(half_width: float) -> float:
    """Symmetric triangular distribution (GUM 4.3.9)."""
    return half_width / math.sqrt(6.0)


def arcsine(half_width: float) -> float:
    """U-shaped distribution of a value that goes up and down (GUM H.1.3.4)."""
    return half_width / math.sqrt(2.0)


def curved_trapezoid(half_width: float, known_to: float) -> float:
    """Rectangular value whose half width is itself known to ``known_to`` only (JCGM 101, 6.4.3)."""
    return math.hypot(rectangular(half_width), known_to / 3.0)


def scaled_t(u: float, dof: float) -> float:
    """Standard deviation of a scaled and shifted t value (JCGM 101, 6.4.9); more than 2 degrees of freedom."""
    return u * math.sqrt(dof / (dof - 2))


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
