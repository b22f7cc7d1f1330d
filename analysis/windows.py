"""Which readings of a sweep are fitted, and when they were really taken.

Arrival time is not measurement time: links delay readings and hand them over in bunches.
Where the arrivals fit a steady sampling clock, readings are put back on it.
"""

from __future__ import annotations

import math
from array import array
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.held import come_twice
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
    # Plain lists: for a score of readings they are quicker than arrays.
    t: list[float] = arrival.tolist()
    number = _numbers(t, period_s)
    for _ in range(4):
        slope, off = _line(number, t)
        spread = math.sqrt(sum(x * x for x in off) / n)
        missing = _missing_at(number, off, slope, t) if spread > 0.22 * slope else None
        if missing is None:
            break
        number[missing:] = [x + 1.0 for x in number[missing:]]
    doubt = min(spread, 0.05)
    if not 0.85 * period_s < slope < 1.15 * period_s:
        return arrival, doubt
    walk = max(abs(b - a) for a, b in pairwise(off))
    bunch = _bunch([b - a for a, b in pairwise(t)], slope)
    # A clock that slips by more than bunching can explain is not steady.
    if spread > max(1.2 * max(slope, 0.03), 0.4 * bunch) or walk > max(4.5 * max(slope, 0.03), 1.3 * bunch):
        return arrival, doubt
    return arrival - np.array(off), 0.003 * slope


def _numbers(t: list[float], period_s: float) -> list[float]:
    """First numbering: by the gaps where most are one period long, else one by one but for long silences."""
    gaps = [b - a for a, b in pairwise(t)]
    usual = sorted(gaps)[len(gaps) // 2]
    regular = sum(0.75 * usual < g < 1.25 * usual for g in gaps) > 0.6 * len(gaps) and usual > 0.5 * period_s
    silence = max(4.5 * period_s, 2.2 * _bunch(gaps, period_s))
    number = [0.0]
    for i, gap in enumerate(gaps):
        if regular:
            steps = max(1.0, round(gap / usual))
            # A late reading is followed by an early one: nothing is missing there.
            if steps > 1 and i + 1 < len(gaps) and gaps[i + 1] < 0.6 * usual:
                steps -= 1.0
        else:
            steps = 1.0 if gap <= silence else max(1.0, round(gap / period_s))
        number.append(number[-1] + steps)
    return number


def _bunch(gaps: list[float], period_s: float) -> float:
    """Time between two bunches where readings are handed over in bunches; else what nearly all gaps stay under."""
    together = sum(g < 0.3 * period_s for g in gaps) > 0.4 * len(gaps)
    return min(max(gaps), 0.5) if together else sorted(gaps)[int(0.95 * (len(gaps) - 1))]


def _line(number: list[float], arrival: list[float]) -> tuple[float, list[float]]:
    """Slope of arrival against number, and what is left over."""
    n = len(number)
    x0, y0 = sum(number) / n, sum(arrival) / n
    x = [v - x0 for v in number]
    y = [v - y0 for v in arrival]
    slope = _sumprod(x, y) / _sumprod(x, x)
    return slope, [b - slope * a for a, b in zip(x, y, strict=True)]


def _sumprod(x: list[float], y: list[float]) -> float:
    """Sum of products."""
    return sum(a * b for a, b in zip(x, y, strict=True))


def _missing_at(numbers: list[float], left: list[float], slope: float, t: list[float]) -> int | None:
    """Where one missing reading would explain most of what the steady clock leaves over, or None."""
    at = np.flatnonzero(np.diff(t) > 1.45 * slope) + 1
    if not at.size:
        return None
    number, off = np.array(numbers), np.array(left)
    h = (np.arange(off.size)[:, None] >= at[None, :]).astype(float)
    h -= h.mean(axis=0)
    x = number - number.mean()
    h -= x[:, None] * (x @ h) / (x * x).sum()
    saved = 2.0 * slope * (off @ h) - slope**2 * (h * h).sum(axis=0)
    best = int(np.argmax(saved))
    return int(at[best]) if saved[best] > 0.4 * float((off * off).sum()) else None


def choose(sweep: RawSweep, period_s: float | None) -> Window:
    """Readings around the bottom of a sweep.

    The window grows from `HEIGHT_MM` (or ten display steps) until it holds `ENOUGH` readings taken in motion
    or the flanks end.
    """
    low, n = sweep.lowest, len(sweep.z)
    base = sweep.z[low]
    height = max(HEIGHT_MM, 10.0 * sweep.step_mm)
    while True:
        left, right = _stretch(sweep.z, low, base + height)
        last = height >= HIGHEST_MM or (left == 0 and right == n)
        if right - left >= ENOUGH or last:
            at, z, middle = np.array(sweep.t[left:right]), np.array(sweep.z[left:right]), low - left
            if (again := come_twice(at, z, period_s)) is not None:
                middle -= int(np.count_nonzero(again[: middle + 1]))
                at, z = at[~again], z[~again]
            times, timing = steady_times(at, period_s)
            rest = rest_of(times, z, middle, sweep.step_mm)
            if last or rest is None or rest.moving(times) >= ENOUGH:
                return Window(times, z, sweep.step_mm, timing, rest)
        height *= 1.25


def rest_of(t: Array, z: Array, low: int, step_mm: float) -> Rest | None:
    """A rest of the hand at the bottom, or None.

    Each flank, straight in the root of its climb, is drawn on to the bottom; what lies between the two arrivals is rest.
    A hand that stops and goes on moves in jerks no smooth curve follows; with the rest taken out of the time the same curve
    serves, and the readings of the rest still count.
    """
    n = z.size
    if n < 8:
        return None
    heights: list[float] = z.tolist()
    times: list[float] = t.tolist()
    level = sorted(heights[max(0, low - 1) : low + 2])[1]
    climb = [h - level for h in heights]
    band = max(0.003, 1.2 * step_mm)
    a = next(i for i in range(n) if climb[i] <= band)
    b = next(i for i in range(n - 1, -1, -1) if climb[i] <= band)
    period = (times[-1] - times[0]) / (n - 1)
    if b - a < REST_PERIODS:
        return None
    fall, rise = (
        _arrival(times, climb, range(a - 1, max(-1, a - 6), -1), band),
        _arrival(times, climb, range(b + 1, min(n, b + 6)), band),
    )
    if fall is None or rise is None or fall[1] >= 0 or rise[1] <= 0:
        return None
    rest = rise[0] - fall[0]
    if rest < REST_PERIODS * period + REST_SHARE * (times[-1] - times[0] - rest):
        return None
    return Rest(fall[0], rise[0], 0.5 * (rise[1] - fall[1]) * period)


def _arrival(t: list[float], climb: list[float], outward: range, band: float) -> tuple[float, float] | None:
    """Time at which one flank, drawn on, reaches the bottom, and how fast the root of its climb changes."""
    at = [i for i in outward if climb[i] > band][:4]
    if len(at) < 2:
        return None
    u = [math.sqrt(climb[i]) for i in at]
    t0, u0 = sum(t[i] for i in at) / len(at), sum(u) / len(at)
    x = [t[i] - t0 for i in at]
    speed = _sumprod(x, u) / max(_sumprod(x, x), 1e-12)
    return (t0 - u0 / speed, speed) if speed else None


def _stretch(z: array[float], low: int, level: float) -> tuple[int, int]:
    """Unbroken stretch around `low` under `level`; one or two wild readings do not break it."""
    left, run, i = low, 0, low
    while i > 0 and run < 3:
        i -= 1
        run = run + 1 if z[i] > level else 0
        left = i if run == 0 else left
    right, run, i, end = low + 1, 0, low, len(z) - 1
    while i < end and run < 3:
        i += 1
        run = run + 1 if z[i] > level else 0
        right = i + 1 if run == 0 else right
    return left, right


def readings_within(window: Window, minimum_mm: float, climb_mm: float) -> int:
    """Readings of the window no more than `climb_mm` above the bottom."""
    return int(np.count_nonzero(window.z <= minimum_mm + climb_mm + 0.5 * window.step_mm))
