"""Drift of the stand, and how many independent readings those that err together are worth."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import f_sf

Array = NDArray[np.float64]

HIGHEST_TREND = 3
TREND_P = 0.001
"""Highest power of time the drift may take, and the chance of taking one in vain."""


def trend_of(x: Array, y: Array) -> tuple[Array, int]:
    """Drift as a polynomial of time, and its power; correlated noise makes no trend."""
    best, power = np.full_like(y, y.mean()), 0
    for next_power in range(1, HIGHEST_TREND + 1):
        fit = _fitted(x, y, next_power)
        rest = y - fit
        rss0, rss1 = float(((y - best) ** 2).sum()), float((rest**2).sum())
        once = worths(rest, next_power + 1)[0]
        free = y.size / once - next_power - 1
        if free < 3 or rss1 <= 0:
            break
        # a line that a curve hides is found with the curve: both are tried against what stands
        f = max(rss0 - rss1, 0.0) / (next_power - power) / (rss1 / (y.size - next_power - 1) * once)
        if f_sf(f, next_power - power, free) < TREND_P:
            best, power = fit, next_power
    return best, power


def _fitted(x: Array, y: Array, power: int) -> Array:
    columns = powers_of_time(x, power)
    return np.asarray(columns @ np.linalg.lstsq(columns, y, rcond=None)[0])


def powers_of_time(x: Array, power: int) -> Array:
    """Powers of time up to `power`, one a column, over the stretch from -1 to 1 and square to each other."""
    span = max(float(x[-1] - x[0]), 1e-9)
    return np.polynomial.legendre.legvander(2.0 * (x - x[0]) / span - 1.0, power)


def worths(rest: Array, terms: int) -> tuple[float, float, float]:
    """Readings that are worth one for a mean and for a variance, and the correlation of neighbours."""
    n = rest.size
    whole = float((rest**2).sum())
    if whole <= 0:
        return 1.0, 1.0, 0.0
    once = squared = 1.0
    first = 0.0
    for k in range(1, max(2, n // 4)):
        r = float((rest[k:] * rest[:-k]).sum()) / whole
        if k == 1:
            first = r
        # taking out `terms` of a trend pulls every correlation down a little
        r += terms / n
        if r < 2.0 / math.sqrt(n):
            break
        once += 2.0 * (1.0 - k / n) * r
        squared += 2.0 * (1.0 - k / n) * r * r
    near = min(first + terms / n, 0.97)
    if near > 2.0 / math.sqrt(n):
        # what the sum misses by stopping where the correlations drown: at least those of an autoregressive series
        once = max(once, (1.0 + near) / (1.0 - near))
        squared = max(squared, (1.0 + near**2) / (1.0 - near**2))
    return once, squared, first
