"""A centre hole or a flat tip: it belongs to the face, not to one pass, and only the set shows it."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.screen.judged import Judged
from analysis.valley import Bottom
from analysis.valley.fit import MOST
from analysis.valley.flat import flat_tip_gain
from analysis.valley.noise import PRIOR_MM as NOISE_MM

FLAT_TIP_GAIN = 4.2
"""Log evidence a sweep from which a set is taken to ride on the edge of a flat tip."""


def open_hole(judged: Sequence[Judged], swing_radius_mm: float, repeatability_mm: float | None, rims: bool) -> None:
    """Mark every sweep once the set shows a hole or a flat tip: it belongs to the face, not to one pass."""
    whole = [j for j in judged if j.bottom is not None and not j.raw.cut]
    spiked = sum(j.spiked for j in whole)
    if rims or (spiked >= 2 and spiked >= 0.5 * len(whole)) or _flat_tip(whole, swing_radius_mm, repeatability_mm):
        for j in whole:
            if "turned-back" not in j.reasons:
                j.reasons[:] = ["open-hole"]


def _flat_tip(judged: Sequence[Judged], swing_radius_mm: float, repeatability_mm: float | None) -> bool:
    """Whether the bottoms together carry a ridge between two false bottoms: a flat tip on its edge."""
    whole = [(j.window, j.bottom) for j in judged if j.bottom is not None]
    if len(whole) < 3:
        return False
    first = whole[0][1]
    # Only where a ridge seems to be there, or the fits leave more than any display's noise, is the set fitted anew.
    rough = first.noise_mm > 1.7 * max(repeatability_mm or NOISE_MM, 0.1 * whole[0][0].step_mm)
    # Where many sweeps seem bumped it may be the ridge that the fit took for bumps.
    bumped = sum("knock" in j.reasons for j in judged) >= max(2, 0.3 * len(judged))
    if not (rough or bumped or _ridge_seems_there([b for _, b in whole])):
        return False
    return flat_tip_gain([x for x, _ in whole], swing_radius_mm, repeatability_mm, MOST) > FLAT_TIP_GAIN


def _ridge_seems_there(bottoms: Sequence[Bottom]) -> bool:
    """First look: a common ``-|u|`` term over the sweeps; of coefficient b it lowers two false bottoms by b^2/4."""
    cusp = np.array([b.cusp for b in bottoms])
    u = np.array([b.u_cusp for b in bottoms])
    keep = u < 4.0 * np.median(u)
    cusp, u = cusp[keep], u[keep]
    w = 1.0 / (u**2 + np.median(u) ** 2)
    mean = float((w * cusp).sum() / w.sum())
    scatter = float(np.sqrt((w**2 * (cusp - mean) ** 2).sum()) / w.sum())
    sd = max(1.0 / math.sqrt(float((1 / u**2).sum())), scatter)
    return mean > 2.2 * sd and mean**2 / 4 > 0.001
