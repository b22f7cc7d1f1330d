"""Range that readings of known repeatability keep within.

Source: ISO 5725-6 table 1, critical range factors (value from memory): the 95 % point of the range of n standard normal values.
"""

from __future__ import annotations

import math

from analysis.distributions import normal_sf


def range_sf(x: float, n: int) -> float:
    """P(range of `n` standard normal values > x)."""
    if x <= 0:
        return 1.0
    # The largest value lies at z, and not all others within x below it.  The integrand dies out on both sides,
    # where the trapezoid rule converges faster than any power of its step.
    total, step = 0.0, 1.0 / 32.0
    for i in range(-12 * 32, 12 * 32 + 1):
        z = i * step
        p = normal_sf(-z)
        below = normal_sf(x - z)
        lost = -math.expm1((n - 1) * math.log1p(-below / p)) if below < p else 1.0
        total += math.exp(-0.5 * z * z) * p ** (n - 1) * lost
    return n * total * step / math.sqrt(2.0 * math.pi)


def critical_range(n: int, sd: float = 1.0, level: float = 0.95) -> float:
    """Range that `n` readings of repeatability `sd` stay within with probability `level`; in the unit of `sd`, n >= 2."""
    low, high = 0.0, 20.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if range_sf(middle, n) > 1.0 - level else (low, middle)
    return 0.5 * (low + high) * sd
