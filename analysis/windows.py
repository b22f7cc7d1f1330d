"""Which readings of a sweep are fitted, and when they were really taken.

Arrival time is not measurement time: links delay readings and hand them over in bunches.
Where the arrivals fit a steady sampling clock, readings are put back on it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.sweeps import RawSweep
from analysis.valley import Window

Array = NDArray[np.float64]

HEIGHT_MM = 0.10
"""Climb aimed at on both flanks; grown while it holds too few readings."""

HIGHEST_MM = 0.9
"""Largest window: 10° of swing at 60 mm."""

ENOUGH = 15
"""Readings below which the window grows."""


def steady_times(arrival: Array, period_s: float | None) -> tuple[Array, float]:
    """Sampling times recovered from arrival times.

    Readings are numbered on the device's own clock: each takes the next number unless the
    elapsed time demands a jump.  The clock's period is refined by the early edge of the
    arrivals, which delays cannot precede.

    Parameters
    ----------
    arrival : ndarray
        Arrival times of consecutive readings, s, not decreasing.
    period_s : float or None
        Rough time between readings.

    Returns
    -------
    times : ndarray
        Times on the device's clock, s, or the arrivals when no steady clock is found.
    timing_s : float
        Standard deviation of what remains unknown in each time, s.
    """
    n = arrival.size
    if n < 6 or not period_s:
        return arrival, 0.0
    gaps = np.diff(arrival)
    jumps = np.where(gaps > 4.5 * period_s, np.round(gaps / period_s) - 1, 0)
    number = np.arange(n) + np.concatenate([[0.0], np.cumsum(jumps)])
    slope, start = np.polyfit(number, arrival, 1)
    if not 0.85 * period_s < slope < 1.15 * period_s:
        return arrival, 0.0
    off = arrival - (start + slope * number)
    spread = float(off.std())
    walk = float(np.abs(np.diff(off, prepend=off[0])).max())
    # A clock that slips by more than bunching can explain is not steady.
    if spread > 1.2 * max(slope, 0.03) or walk > 4.5 * max(slope, 0.03):
        return arrival, min(spread, 0.05)
    return start + slope * number, 0.003 * slope


def choose(sweep: RawSweep, period_s: float | None) -> Window:
    """Readings around the bottom of a sweep.

    The window grows from `HEIGHT_MM` (or ten display steps) until it holds `ENOUGH` readings
    or the flanks end.
    """
    z = np.asarray(sweep.z)
    t = np.asarray(sweep.t)
    low = sweep.lowest
    base = float(z[low])
    height = max(HEIGHT_MM, 10.0 * sweep.step_mm)
    while True:
        left, right = _stretch(z, low, base + height)
        if right - left >= ENOUGH or height >= HIGHEST_MM or (left == 0 and right == z.size):
            break
        height *= 1.25
    left, right = max(0, left), min(z.size, right)
    times, timing = steady_times(t[left:right], period_s)
    near = z[left:right]
    return Window(times, without_rest(times, near, low - left, sweep.step_mm), near, sweep.step_mm, timing)


def without_rest(t: Array, z: Array, low: int, step_mm: float) -> Array:
    """Times with a rest of the hand at the bottom shortened to what the flanks' speed would have taken.

    A hand that stops and goes on moves in jerks no smooth curve follows; with the rest taken out the same curve serves,
    and the readings of the rest still count.  Times keep their order.
    """
    level = float(np.sort(z[max(0, low - 1) : low + 2])[min(1, z.size - 1)]) if z.size else 0.0
    band = max(0.003, 1.2 * step_mm)
    high = min(0.06 + 6 * step_mm, float(min(z[0], z[-1]) - level))
    if z.size < 8 or high < 2.5 * band:
        return t
    inside = np.flatnonzero(z <= level + band)
    a, b = int(inside[0]), int(inside[-1])
    outer_a = np.flatnonzero(z[:a] >= level + high)
    outer_b = np.flatnonzero(z[b + 1 :] >= level + high)
    if not outer_a.size or not outer_b.size or a == b:
        return t
    i, j = int(outer_a[-1]), b + 1 + int(outer_b[0])
    root = math.sqrt(band)
    fall = (math.sqrt(max(float(z[i]) - level, high)) - root) / max(float(t[a] - t[i]), 1e-6)
    climb = (math.sqrt(max(float(z[j]) - level, high)) - root) / max(float(t[j] - t[b]), 1e-6)
    usual = root / fall + root / climb
    period = float(t[-1] - t[0]) / (t.size - 1)
    rest = float(t[b] - t[a])
    if rest < 2.5 * usual + 3.0 * period:
        return t
    squeeze = usual / rest
    out = t.copy()
    out[a : b + 1] = t[a] + (t[a : b + 1] - t[a]) * squeeze
    out[b + 1 :] = t[b + 1 :] - (rest - usual)
    return out


def _stretch(z: Array, low: int, level: float) -> tuple[int, int]:
    """Unbroken stretch around `low` under `level`; one or two wild readings do not break it."""
    above = z > level
    left = low
    while left > 0 and not (above[left - 1] and above[max(0, left - 3) : left].all()):
        left -= 1
    right = low + 1
    while right < z.size and not (above[right] and above[right : right + 3].all()):
        right += 1
    return left, right


def readings_within(window: Window, minimum_mm: float, climb_mm: float) -> int:
    """Readings of the window no more than `climb_mm` above the bottom."""
    return int(np.count_nonzero(window.z <= minimum_mm + climb_mm + 0.5 * window.step_mm))


def finite(x: float) -> bool:
    """True for an ordinary number."""
    return math.isfinite(x)
