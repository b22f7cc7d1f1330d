"""Dip of a sample: its distance from the nearest distribution with one mode.

Source: Hartigan and Hartigan's definition and algorithm (1985), value from memory; `by_program` solves the definition itself.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linprog

Array = NDArray[np.float64]


def _hull(x: Array, y: Array, below: bool) -> list[int]:
    """Places of the greatest convex minorant (`below`) or the least concave majorant of points ordered by x."""
    sign = 1.0 if below else -1.0
    knots: list[int] = []
    for i in range(x.size):
        while len(knots) > 1:
            a, b = knots[-2], knots[-1]
            turn = (y[b] - y[a]) * (x[i] - x[a]) - (y[i] - y[a]) * (x[b] - x[a])
            if sign * turn >= 0:
                knots.pop()
            else:
                break
        knots.append(i)
    return knots


def dip(values: Sequence[float]) -> float:
    """Dip of two or more values that all differ."""
    x = np.sort(np.asarray(values, dtype=float))
    n = x.size
    before, after = np.arange(n) / n, np.arange(1, n + 1) / n  # left and right limits of the distribution of the sample
    first, last, twice = 0, n - 1, 1.0 / n
    while True:
        part = slice(first, last + 1)
        lower = [first + i for i in _hull(x[part], before[part], True)]
        upper = [first + i for i in _hull(x[part], after[part], False)]
        convex = np.interp(x, x[lower], before[lower])
        concave = np.interp(x, x[upper], after[upper])
        at_lower = max(lower, key=lambda i: concave[i] - before[i])
        at_upper = max(upper, key=lambda i: after[i] - convex[i])
        if concave[at_lower] - before[at_lower] >= after[at_upper] - convex[at_upper]:
            apart = concave[at_lower] - before[at_lower]
            low, high = at_lower, min(i for i in upper if i >= at_lower)
        else:
            apart = after[at_upper] - convex[at_upper]
            low, high = max(i for i in lower if i <= at_upper), at_upper
        if apart <= twice:
            return twice / 2
        left, right = slice(first, low + 1), slice(high, last + 1)
        twice = max(twice, float((after[left] - convex[left]).max()), float((concave[right] - before[right]).max()))
        if (low, high) == (first, last):
            return twice / 2
        first, last = low, high


def by_program(values: Sequence[float]) -> float:
    """The same by linear programs, one for each place of the mode: convex before it, concave after, a jump allowed at it."""
    x = np.sort(np.asarray(values, dtype=float))
    return min(_with_mode(x, k) for k in range(x.size))


def _with_mode(x: Array, k: int) -> float:
    """Least distance with the mode at place `k`; unknowns: heights at 0..k (left limit at k), k..n-1 (right limit at k), distance."""
    n = x.size
    rows: list[Array] = []
    limits: list[float] = []

    def at_most(places: dict[int, float], limit: float) -> None:
        row = np.zeros(n + 2)
        for place, weight in places.items():
            row[place] += weight
        rows.append(row)
        limits.append(limit)

    far = n + 1
    for i in range(n):
        if i <= k:
            at_most({i: 1, far: -1}, i / n)  # not above the sample's left limit by more than the distance
            at_most({i: -1, far: -1}, -(i / n if i == k else (i + 1) / n))
        if i >= k:
            at_most({i + 1: -1, far: -1}, -(i + 1) / n)
            at_most({i + 1: 1, far: -1}, (i + 1) / n if i == k else i / n)
    at_most({k: 1, k + 1: -1}, 0.0)
    for places, sign in ((range(k + 1), 1.0), (range(k, n), -1.0)):
        shift = 0 if sign > 0 else 1
        at = list(places)
        for a, b in itertools.pairwise(at):
            at_most({a + shift: 1, b + shift: -1}, 0.0)
        for a, b, c in zip(at, at[1:], at[2:], strict=False):
            one, two = 1 / (x[b] - x[a]), 1 / (x[c] - x[b])
            at_most({a + shift: -sign * one, b + shift: sign * (one + two), c + shift: -sign * two}, 0.0)
    cost = np.zeros(n + 2)
    cost[far] = 1.0
    r = linprog(cost, A_ub=np.array(rows), b_ub=np.array(limits), bounds=[(0, 1)] * (n + 1) + [(0, None)])
    if not r.success:
        raise ValueError(f"mode at {k}: {r.message}")
    return float(r.fun)
