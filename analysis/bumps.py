"""Two bottoms that are one pass of the arbor: a bump, a small hole, or the two rims of an open one.

A hand slows down and stops at the far side of a swing.  What lies between two rims is crossed at full speed, as deep as the
hole lets the tip fall; so the pace across such a peak stands out against the pace on the outer flanks, and over an open hole it does so at
every other peak.  A rim repeats perfectly and stands above the face by the square of the hole's radius over twice the distance: hundredths to tenths of a millimetre.

Source: geometry, derived here; the thresholds are our own and judged on simulated sets.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from analysis.sweeps import RawSweep

LONGEST_BUMP_S = 1.0
"""Time between two bottoms that no bump takes up."""

RIMS_LOG = 1.5
"""Median step of the logarithm of the pace across neighbouring peaks from which every other peak is no end of a swing: 0.1 to 1.0 for hands."""

SWUNG_TO = 1.2
"""Pace across a peak, as a share of the slower outer flank's, below which the arbor was swung to it: a hand that rocks farther to one side of the
bottom than to the other makes low peaks by turns."""

FEWEST_PEAKS = 4
"""Peaks without which nothing is said of rims."""


def is_bump(a: RawSweep, b: RawSweep) -> bool:
    """Whether the peak between two bottoms is no swing of the arbor but a bump or a hole in the face.

    A hand slows down and stops at the far side, so a true peak is climbed more slowly than the outer flanks.
    """
    if a.cut or b.cut or a.rise_mm <= 0 or not a.t or not b.t:
        return False
    between = b.t[b.lowest] - a.t[a.lowest]
    if between >= LONGEST_BUMP_S:
        return False
    outside = (a.t[a.lowest] - a.t[0]) + (b.t[-1] - b.t[b.lowest])
    level = abs(a.z[a.lowest] - b.z[b.lowest]) < 0.6 * min(a.fall_mm, b.rise_mm)
    low_peak = a.rise_mm < 0.5 * min(a.fall_mm, b.rise_mm)
    if low_peak and level and between < 1.2 * outside and not across(a, b) < SWUNG_TO:
        return True
    # Pieces that came in one breath bear one time.
    inner = 2.0 * a.rise_mm**0.5 / between if between > 0 else math.inf
    outer = min(pace(a, -1), pace(b, 1))
    return level and inner > 1.9 * outer > 0.0


def pace(raw: RawSweep, way: int) -> float:
    """Root of climb per second on one flank, from the bottom out to half its height."""
    low, base = raw.lowest, raw.z[raw.lowest]
    height = 0.5 * (raw.fall_mm if way < 0 else raw.rise_mm)
    i = low
    while 0 <= i + way < len(raw.z) and raw.z[i] < base + height:
        i += way
    took = abs(raw.t[i] - raw.t[low])
    return float(max(raw.z[i] - base, 0.0) ** 0.5 / took) if took > 0 else float("inf")


def joined(a: RawSweep, b: RawSweep) -> RawSweep:
    """Two bottoms of one pass as one sweep."""
    keep = sum(1 for t in a.t if t < b.t[0])
    t, z = a.t[:keep] + b.t, a.z[:keep] + b.z
    lowest = a.lowest if a.z[a.lowest] <= b.z[b.lowest] and a.lowest < keep else keep + b.lowest
    return RawSweep(t, z, a.step_mm, "", a.fall_mm, b.rise_mm, lowest, a.gaps + b.gaps)


def across(a: RawSweep, b: RawSweep) -> float:
    """Pace over the peak between two bottoms, as a share of the slower outer flank's."""
    between = b.t[b.lowest] - a.t[a.lowest]
    outer = min(pace(a, -1), pace(b, 1))
    # `a` may have been handed on before its peak: the fall after it tells how high that was
    peak = max(a.rise_mm, b.fall_mm, 0.0)
    return 2.0 * math.sqrt(peak) / between / outer if between > 0 and 0 < outer < math.inf else math.nan


def on_two_rims(shares: Sequence[float]) -> bool:
    """Whether every other peak is crossed and not swung to.

    Parameters
    ----------
    shares : sequence of float
        `across` for each pair of neighbouring bottoms, in order; nan where it is not known.
    """
    steps = [abs(math.log(x / y)) for x, y in pairwise(shares) if x > 0 and y > 0]
    return len(steps) >= FEWEST_PEAKS - 1 and sorted(steps)[len(steps) // 2] > RIMS_LOG
