"""Which readings of a sweep are fitted, and when they were really taken.

Arrival time is not measurement time: links delay readings and hand them over in bunches.
Where the arrivals fit a steady sampling clock, readings are put back on it.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.sweeps import RawSweep
from analysis.valley import Rest, Window

Array = NDArray[np.float64]

HEIGHT_MM = 0.10
"""Climb aimed at on both flanks; grown while it holds too few readings."""

HIGHEST_MM = 0.9
"""Largest window: 10° of swing at 60 mm."""

REST_PERIODS = 1.5
REST_SHARE = 0.25
"""A rest shorter than these many readings and this share of the motion is left to the curve."""

ENOUGH = 15
"""Readings below which the window grows."""


def steady_times(arrival: Array, period_s: float | None) -> tuple[Array, float]:
    """Sampling times recovered from arrival times.

    Readings are numbered on the device's own clock: each takes the next number unless the elapsed time shows that some are missing.

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
    number = np.arange(n, dtype=float)
    number[1:] += np.cumsum(np.where(gaps > 4.5 * period_s, np.round(gaps / period_s) - 1, 0.0))
    for _ in range(4):
        slope, off = _line(number, arrival)
        spread = float(off.std())
        missing = _missing_at(number, off, slope, gaps) if spread > 0.22 * slope else None
        if missing is None:
            break
        number[missing:] += 1.0
    if not 0.85 * period_s < slope < 1.15 * period_s:
        return arrival, 0.0
    walk = float(np.abs(np.diff(off, prepend=off[0])).max())
    # A clock that slips by more than bunching can explain is not steady.
    if spread > 1.2 * max(slope, 0.03) or walk > 4.5 * max(slope, 0.03):
        return arrival, min(spread, 0.05)
    return arrival - off, 0.003 * slope


def _line(number: Array, arrival: Array) -> tuple[float, Array]:
    """Slope of arrival against number, and what is left over."""
    x, y = number - number.mean(), arrival - arrival.mean()
    slope = float((x * y).sum() / (x * x).sum())
    return slope, y - slope * x


def _missing_at(number: Array, off: Array, slope: float, gaps: Array) -> int | None:
    """Where one missing reading would explain most of what the steady clock leaves over, or None."""
    at = np.flatnonzero(gaps > 1.45 * slope) + 1
    if not at.size:
        return None
    h = (np.arange(off.size)[:, None] >= at[None, :]).astype(float)
    h -= h.mean(axis=0)
    x = number - number.mean()
    h -= x[:, None] * (x @ h) / (x * x).sum()
    saved = 2.0 * slope * (off @ h) - slope**2 * (h * h).sum(axis=0)
    best = int(np.argmax(saved))
    return int(at[best]) if saved[best] > 0.4 * float((off * off).sum()) else None


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
        last = height >= HIGHEST_MM or (left == 0 and right == z.size)
        if right - left >= ENOUGH or last:
            times, timing = steady_times(t[left:right], period_s)
            rest = rest_of(times, z[left:right], low - left, sweep.step_mm)
            if last or rest is None or rest.moving(times) >= ENOUGH:
                return Window(times, z[left:right], sweep.step_mm, timing, rest)
        height *= 1.25


def rest_of(t: Array, z: Array, low: int, step_mm: float) -> Rest | None:
    """A rest of the hand at the bottom, or None.

    Each flank, straight in the root of its climb, is drawn on to the bottom; what lies between the two arrivals is rest.
    A hand that stops and goes on moves in jerks no smooth curve follows; with the rest taken out of the time the same curve
    serves, and the readings of the rest still count.
    """
    if z.size < 8:
        return None
    level = float(np.sort(z[max(0, low - 1) : low + 2])[1])
    band = max(0.003, 1.2 * step_mm)
    inside = np.flatnonzero(z <= level + band)
    a, b = int(inside[0]), int(inside[-1])
    fall, climb = _arrival(t, z - level, a, -1, band), _arrival(t, z - level, b, 1, band)
    if fall is None or climb is None:
        return None
    rest = climb[0] - fall[0]
    period = float(t[-1] - t[0]) / (t.size - 1)
    if rest < REST_PERIODS * period + REST_SHARE * (float(t[-1] - t[0]) - rest):
        return None
    return Rest(fall[0], climb[0], 0.5 * (fall[1] + climb[1]) * period)


def _arrival(t: Array, climb: Array, edge: int, way: int, band: float) -> tuple[float, float] | None:
    """Time at which one flank, drawn on, reaches the bottom, and how fast the root of the climb goes."""
    i = np.arange(edge + way, edge + 6 * way, way)
    i = i[(i >= 0) & (i < t.size)]
    i = i[climb[i] > band]
    if i.size < 2:
        return None
    i = i[:4]
    u = np.sqrt(climb[i])
    x, y = t[i] - t[i].mean(), u - u.mean()
    speed = float((x * y).sum()) / max(float((x * x).sum()), 1e-12)
    if way * speed <= 0:
        return None
    return float(t[i].mean() - u.mean() / speed), abs(speed)


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
