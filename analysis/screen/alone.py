"""What a sweep shows by itself: too few readings, too fast, a gap, a plunger that stuck."""

from __future__ import annotations

import numpy as np

from analysis.screen.judged import Judged
from analysis.screen.knock import bumped, spiked, wild_readings
from analysis.sweeps import RawSweep
from analysis.valley import Bottom, Window
from analysis.valley.pack import COARSE_MM, lowest
from analysis.windows import HIGHEST_MM, readings_within

FEW_AT_BOTTOM = 5
"""Readings within 0.1 mm below which a bottom is taken only if its own uncertainty is small."""

BLUNT_MM = 0.0035
"""Standard uncertainty of one bottom that is too large to call it measured."""

NO_NOISE_MM = 0.008
"""Noise, besides half a display step, that no indicator has (noisy ones have 0.005): a hand that went to and fro over the bottom left it."""


def enough_readings(window: Window) -> bool:
    """Whether a bottom can be fitted at all: five readings, some on either flank."""
    if window.clock.size < 5:
        return False
    low = lowest(window.z)[0]
    return low >= 1 and window.clock.size - 1 - low >= 1


def judge_alone(j: Judged, period_s: float | None) -> None:
    """Add what the sweep shows by itself."""
    if j.raw.cut:
        j.reasons.append(j.raw.cut)
        return
    if _stuck(j.raw):
        j.reasons.append("plunger-stuck")
    b = j.bottom
    if b is None:
        j.reasons.append("too-few-samples")
        return
    w = j.window
    near = readings_within(w, b.minimum_mm, 0.1)
    wild = wild_readings(w, b)
    j.spiked = near >= FEW_AT_BOTTOM and spiked(wild, b)
    if bumped(wild, b, w):
        j.reasons.append("too-fast" if near < FEW_AT_BOTTOM else "knock")
    hole = _hole_at_bottom(w, b)
    if period_s and hole > max(3.5 * period_s, 0.2) and _straddle(w, b) > 0.02:
        j.reasons.append("gap")
    blunt = BLUNT_MM + 0.25 * w.step_mm
    # On a coarse display so few readings fit many hands, and one that fits well looks sure of itself.
    sure = b.u_mm <= 0.5 * blunt and w.step_mm <= COARSE_MM
    if not j.reasons and ((near < FEW_AT_BOTTOM and not sure) or near < 3 or b.u_mm > blunt):
        j.reasons.append("too-fast")
        j.uneven = near >= 2 * FEW_AT_BOTTOM
    if not j.reasons and b.noise_mm > NO_NOISE_MM + 0.5 * w.step_mm:
        j.reasons.append("too-fast")
        j.uneven = True


def _hole_at_bottom(w: Window, b: Bottom) -> float:
    """Longest time without a reading across the bottom, s."""
    after = int(np.searchsorted(w.clock, b.bottom_s))
    if after == 0 or after >= w.clock.size:
        return 0.0
    return float(w.clock[after] - w.clock[after - 1])


def _straddle(w: Window, b: Bottom) -> float:
    """Climb of the lower of the two readings either side of the bottom, mm."""
    after = int(np.searchsorted(w.clock, b.bottom_s))
    if after == 0 or after >= w.clock.size:
        return 0.0
    return float(max(w.z[after - 1], w.z[after]) - b.minimum_mm)


def _stuck(raw: RawSweep) -> bool:
    """A run of equal readings that ends in a jump the following readings do not go on with.

    Only where a sweep is fitted: a plunger that hangs in the air before the arbor is laid in stands as still, and falls as far.
    """
    z = np.asarray(raw.z)
    away = np.flatnonzero(z[: raw.lowest] > z[raw.lowest] + HIGHEST_MM)
    z = z[away[-1] + 1 :] if away.size else z
    if z.size < 8:
        return False
    d = np.diff(z)
    still = np.abs(d) <= 0.5 * raw.step_mm
    run = 0
    for i in range(d.size):
        if still[i]:
            run += 1
            continue
        if run >= 4:
            jump = abs(float(d[i]))
            after = np.abs(d[i + 1 : i + 4])
            usual = float(after.max()) if after.size else 0.0
            if jump > max(0.025, 6 * raw.step_mm) and jump > 3.0 * usual and after.size >= 2:
                return True
        run = 0
    return False
