"""Readings no hand and no noise explains: a bump, a hole the tip fell into, or one garbled value."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.valley import Bottom, Window

NEAR_BOTTOM = math.sqrt(0.03)
"""Scaled angle within which a bump shifts the bottom, mm^0.5: 30 µm of climb."""


def wild_readings(w: Window, b: Bottom) -> NDArray[np.bool_]:
    """Readings no hand and no noise explains."""
    # High on a flank a small jerk of the hand moves a reading far: ask for more there.
    climb = np.maximum(w.z - b.residual - b.minimum_mm, 0.0)
    least = np.maximum(0.008, np.where(climb < 0.25, 0.15, 0.35) * climb)
    # The display may be half a step off without anything being wrong; what is left must be noise.
    half = 0.5 * w.step_mm
    noise = np.sqrt(np.maximum(b.sd**2 - half**2 / 3.0, b.noise_mm**2))
    off = np.abs(b.residual)
    return np.asarray((np.maximum(off - half, 0.0) > 5.5 * noise) & (off > least))


def spiked(wild: NDArray[np.bool_], b: Bottom) -> bool:
    """Whether the tip went farther in right at the bottom: the sign of a centre hole."""
    at = np.abs(b.u[wild])
    return bool(at.size and (b.residual[wild] > 0).all() and at.min() < math.sqrt(0.08))


def bumped(wild: NDArray[np.bool_], b: Bottom, w: Window) -> bool:
    """One odd reading by itself is left out of the fit; several are a bump."""
    hits = np.flatnonzero(wild)
    if hits.size == 0:
        return False
    # A bump takes its time: neighbours, or one after another.
    if hits.size > 2 or (np.diff(hits) <= 2).any():
        return True
    return any(not _garbled(int(i), b, w) for i in hits)


def _garbled(i: int, b: Bottom, w: Window) -> bool:
    """Whether one odd reading is a garbled value, which the fit leaves out, and not a bump caught by one reading only.

    A bump rings on into the next reading; near the bottom a small one that does not is given no benefit of the doubt.
    """
    size = abs(float(b.residual[i]))
    around = [abs(float(b.residual[j])) for j in (i - 1, i + 1) if 0 <= j < b.residual.size]
    quiet = max(around, default=0.0) < max(2.5 * b.noise_mm + 0.5 * w.step_mm, 0.04 * size)
    near = abs(float(b.u[i])) < NEAR_BOTTOM
    return quiet and (not near or size > 0.06)
