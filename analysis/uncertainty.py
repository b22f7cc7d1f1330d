"""Combining sources of uncertainty after the GUM.

Source: JCGM 100:2008, clauses 5.1.2 (combined standard uncertainty), 5.2.2 (correlated inputs), G.4 (effective degrees of
freedom, Welch-Satterthwaite).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import t_quantile
from analysis.results import INFINITE_DOF, BudgetLine

Array = NDArray[np.float64]


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


Correlated = tuple[int, int, float]
"""Two budget lines by their place, and the correlation of what they contribute to the result."""


def combine(lines: Sequence[BudgetLine], *, level: float = 0.95, correlated: Sequence[Correlated] = ()) -> Combined:
    """Combine budget lines, independent except for the pairs stated.

    Parameters
    ----------
    lines : sequence of BudgetLine
        Standard uncertainties with their sensitivities, mm.
    level : float
        Coverage probability of the expanded uncertainty.
    correlated : sequence of (int, int, float), optional
        Places of two lines and the correlation of their contributions, -1 to 1.  The same error entering twice is 1
        where both push the result the same way (one micrometer, several shims), -1 where they oppose (one blade under
        both readings).

    Raises
    ------
    ValueError
        If a pair names a missing line or one line twice, is stated twice, or the correlations contradict each other.

    Notes
    -----
    The t quantile is taken at the effective degrees of freedom as they come, without cutting them to a whole
    number (GUM G.4.1 allows interpolation).  Welch-Satterthwaite holds for independent parts only: lines that
    are correlated enter it as one part with the fewest degrees of freedom among them.
    """
    parts = [(x.u_mm, x.dof) for x in lines]
    if correlated:
        parts = _joined(parts, _correlation(len(lines), correlated))
    u = math.sqrt(sum(x * x for x, _ in parts))
    dof = effective_dof(parts)
    k = t_quantile(0.5 + 0.5 * level, dof) if u > 0 else t_quantile(0.5 + 0.5 * level, INFINITE_DOF)
    ordered = tuple(sorted(lines, key=lambda x: -x.u_mm))
    return Combined(u, dof, k, k * u, ordered)


def _correlation(n: int, pairs: Sequence[Correlated]) -> Array:
    """Correlation matrix of the stated pairs, checked."""
    r = np.eye(n)
    seen: set[frozenset[int]] = set()
    for i, j, value in pairs:
        if i == j or not (0 <= i < n and 0 <= j < n):
            raise ValueError(f"correlated lines {i} and {j}: there are lines 0 to {n - 1}, and the two must differ")
        if not -1.0 <= value <= 1.0:
            raise ValueError(f"correlation {value} of lines {i} and {j}: it must lie between -1 and 1")
        if frozenset((i, j)) in seen:
            raise ValueError(f"correlation of lines {i} and {j} is stated twice: state each pair once")
        seen.add(frozenset((i, j)))
        r[i, j] = r[j, i] = value
    if float(np.linalg.eigvalsh(r)[0]) < -1e-9:
        raise ValueError(
            "the correlations contradict each other: if the first line goes with the second and the second with the third, "
            "state how the first goes with the third"
        )
    return r


def _joined(parts: Sequence[tuple[float, float]], r: Array) -> list[tuple[float, float]]:
    """Correlated lines taken as one part each."""
    left = set(range(len(parts)))
    out: list[tuple[float, float]] = []
    while left:
        group, found = set[int](), {min(left)}
        while found:
            group |= found
            found = {j for i in found for j in left if r[i, j] != 0.0} - group
        left -= group
        variance = sum(r[i, j] * parts[i][0] * parts[j][0] for i in group for j in group)
        out.append((math.sqrt(max(float(variance), 0.0)), min(parts[i][1] for i in group)))
    return out


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a rectangular distribution of the given half width (GUM 4.3.7)."""
    return half_width / math.sqrt(3.0)


def resolution(step: float) -> float:
    """Standard uncertainty of a display step: rectangular, one step wide (GUM F.2.2.1)."""
    return step / math.sqrt(12.0)
