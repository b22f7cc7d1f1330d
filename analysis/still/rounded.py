"""The noise behind rounded readings."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import chi2_quantile

Array = NDArray[np.float64]


def rounded_interval(y: Array, trend: Array, dof: float) -> tuple[float, float]:
    """95 % interval of the noise in steps from the likelihood of rounded readings, weakened to what they are worth."""
    from scipy.special import ndtr

    rest = y - trend
    if np.ptp(trend) > 0 and y.size > 200:
        rest = rest[np.linspace(0, y.size - 1, 200).astype(int)]
    off, weight = np.unique(np.round(rest - rest.mean(), 2), return_counts=True)
    about = float(rest.std())
    sizes = np.geomspace(0.3 * about, 3.0 * about, 50) if about > 0.7 else np.geomspace(0.02, 3.0, 110)
    shift = np.linspace(-0.6, 0.6, 31 if about > 0.7 else 61)[:, None, None]
    d = np.abs(off - shift) / sizes[None, :, None]
    h = 0.5 / sizes[None, :, None]
    p = ndtr(h - d) - ndtr(-h - d)
    each = (np.log(np.maximum(p, 1e-300)) * weight).sum(axis=2)
    profile = each.max(axis=0) * (dof / float(weight.sum()))
    level = profile.max() - 0.5 * chi2_quantile(0.95, 1.0)
    inside = np.flatnonzero(profile >= level)
    i, j = int(inside[0]), int(inside[-1])
    low = 0.0 if i == 0 else float(np.interp(level, profile[i - 1 : i + 1], sizes[i - 1 : i + 1]))
    high = sizes[-1] if j == sizes.size - 1 else np.interp(-level, -profile[j : j + 2], sizes[j : j + 2])
    return low, float(high)
