"""Values sent again before the indicator has measured anew.

Many a link sends faster than the indicator measures: each value comes twice or five times.  On a flank, where every new value differs by many
steps, equal neighbours can come from nothing else.  Taken as measured when they were sent they make stairs of the sweep, so all but the first of each are left out.

Source: our own; the thresholds are judged on simulated sets.
"""

from __future__ import annotations

import bisect
from array import array
from itertools import islice, pairwise
from operator import eq

import numpy as np
from numpy.typing import NDArray

from analysis.sweeps import RawSweep

LOWEST_MM = 0.03
HIGHEST_SHARE = 0.7
"""Part of a flank on which a hand surely moves: above the bottom and below the far side."""

LEAST_SHARE = 0.35
"""Share of equal neighbours in the whole sweep below which nothing is looked at: where each value comes twice it is a half."""

LEAST_STEPS = 5
"""Typical change from value to value, in display steps, from which two equal values are one."""

FEWEST, FEWEST_AGAIN = 2, 4
"""Values sent again that must be seen on the flanks of one sweep, and how often all of them together."""

AT_ONCE = 0.2
"""Share of the time between readings within which an equal value is the same one, come twice."""

USUAL, MOSTLY = (0.55, 1.45), 0.6
"""Shares of the time between readings that the waits before and after it then keep within, and how many of all waits keep within half as much of it: where
readings come late or in bunches, two that come at once are two."""


def times_sent(raw: RawSweep) -> int:
    """How often each value is sent, as the flanks show it; 1 where nothing is sent again."""
    z, low = raw.z, raw.z[raw.lowest]
    if sum(map(eq, z, islice(z, 1, None))) < LEAST_SHARE * len(z):
        return 1
    runs: list[int] = []
    jumps: list[float] = []
    for flank, height in ((range(raw.lowest, -1, -1), raw.fall_mm), (range(raw.lowest, len(z)), raw.rise_mm)):
        values = [z[i] for i in flank if low + LOWEST_MM < z[i] < low + HIGHEST_SHARE * height]
        changes = [i for i, (a, b) in enumerate(pairwise(values), start=1) if a != b]
        # the runs at either end are cut by the heights, so only those between two changes count
        runs += [b - a for a, b in pairwise(changes)]
        jumps += [abs(values[i] - values[i - 1]) for i in changes]
    again = sum(n > 1 for n in runs)
    if again < FEWEST or again < 0.7 * len(runs) or sum(n - 1 for n in runs) < FEWEST_AGAIN:
        return 1
    runs.sort()
    jumps.sort()
    usual = runs[len(runs) // 2]
    # a plunger that sticks holds one value long, not every value as long
    if runs[-1] > 2 * usual + 1 or jumps[len(jumps) // 2] < LEAST_STEPS * raw.step_mm:
        return 1
    return usual


def sent_once(raw: RawSweep, often: int) -> RawSweep:
    """The sweep with one of every `often` equal neighbours."""
    keep: list[int] = []
    first = 0
    for i in range(1, len(raw.z) + 1):
        if i == len(raw.z) or raw.z[i] != raw.z[first]:
            # a value may be sent once more or once less where the two clocks drift past each other
            keep += [first + k * often for k in range(max(1, round((i - first) / often))) if first + k * often < i]
            first = i
    lowest = max(0, bisect.bisect_right(keep, raw.lowest) - 1)
    t, z = array("d", (raw.t[i] for i in keep)), array("d", (raw.z[i] for i in keep))
    return RawSweep(t, z, raw.step_mm, raw.cut, raw.fall_mm, raw.rise_mm, lowest, raw.gaps)


def come_twice(t: NDArray[np.float64], z: NDArray[np.float64], period_s: float | None) -> NDArray[np.bool_] | None:
    """Which of these readings came a second time, at once after the first; None for none.

    Parameters
    ----------
    t, z : ndarray
        Arrival times, s, and readings.
    period_s : float or None
        Time between readings, s.
    """
    if not period_s or t.size < 6:
        return None
    wait = np.diff(t)
    again = (wait < AT_ONCE * period_s) & (z[1:] == z[:-1])
    if not again.any():
        return None
    usual = float(np.median(wait))
    half = 0.5 * (USUAL[1] - 1.0) * usual
    if abs(usual - period_s) > half or np.count_nonzero(np.abs(wait - usual) < half) < MOSTLY * wait.size:
        return None
    before, after = np.concatenate([[usual], wait[:-1]]), np.concatenate([wait[1:], [usual]])
    again &= (before < USUAL[1] * usual) & (after > USUAL[0] * usual)
    # Three readings take three turns however they were handed over; with one come twice they take two.
    again &= before + wait + after < 2.5 * period_s
    return np.concatenate([[False], again]) if again.any() else None
