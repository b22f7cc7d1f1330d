"""Plunger lag (hysteresis): what is thought of it beforehand, and what the sweeps of a set make of that.

The display hangs behind the plunger by the same amount in every sweep, so a set tells it much better than one sweep.  Most indicators
have little of it; a worn, dirty or dry one has several times as much, and a single narrow prior would hold that down.  The prior is
therefore a mixture, and the wide part of it is of one sign: a display hangs behind, it never runs ahead.

Source: normal mixtures, standard texts on Bayesian computation; the sizes are our own, common practice, no source.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

LAG_PRIOR_MM = 0.002
"""Plunger lag (hysteresis) thought likely before the flanks have shown it: a good indicator has 1 to 3 µm
(common practice, no source)."""

LAG_WORN_MM, LAG_WORN_SHARE = 0.008, 0.5
"""The same for a worn or dry one, and how many are."""

LAG_MOST_MM = 0.010
"""Lag up to which the turn at the bottom is followed."""

LAG_SHAPE = 0.35
"""Share of a large lag that stays in doubt because nobody knows how the display comes round at the bottom: judged on simulated sets."""

_FEW, _FEW_SHARE, _MANY_SHARE = 4.0, 0.3, 0.6
"""Sweeps beyond the first, and shares of all of them, from which they begin to speak for a worn indicator, and from which they do so in full: one
alone cannot tell it from the hand, and of a hand that slows down in most sweeps the others are no witnesses."""

_CLEAR_MM, _VAGUE_MM = 0.002, 0.004
"""Standard uncertainty of what the sweeps show up to which they speak in full, and from which they say nothing."""


class Lag(NamedTuple):
    """Lag of a set and its standard uncertainty, mm, and how much each sweep's bottom moves with it."""

    mm: float
    u_mm: float
    tilt: Array


def lag_column(u: Array, turn_mm: float) -> Array:
    """What a lag of 1 adds to the readings at scaled angles `u`: half of it until the bottom, then less until the face has come back by `turn_mm`."""
    return np.where(u < 0, 0.5, 0.5 - np.minimum(1.0, u**2 / turn_mm))


def lag_posterior(sizes: Array, w: Array, cautious: Array) -> tuple[float, float]:
    """Lag and standard uncertainty, mm, from the sweeps' own, prior included.

    Parameters
    ----------
    sizes : ndarray
        Lag each sweep shows, mm.
    w, cautious : ndarray
        Their weights, 1/mm^2, as the fit has them, and as they are where a little lag may be the hand's.
    """
    total = float(w.sum())
    if total < 1e-3 / LAG_PRIOR_MM**2:
        return 0.0, LAG_PRIOR_MM
    mean = float((w * sizes).sum()) / total
    count = total**2 / float((w * w).sum())
    # A lag is the same in every sweep; what the sweeps differ by beyond their own doubt is the hand.
    apart = max(1.0, float((w * (sizes - mean) ** 2).sum()) / (count - 1.0)) if count > 1.5 else 1.0
    var = apart / total
    precision = float(cautious.sum()) / apart + LAG_PRIOR_MM**-2.0
    small, small_var = float((cautious * sizes).sum()) / apart / precision, 1.0 / precision
    many = min(1.0, (count - 1.0) / _FEW) * (count / sizes.size - _FEW_SHARE) / (_MANY_SHARE - _FEW_SHARE)
    clear = (_VAGUE_MM - math.sqrt(var)) / (_VAGUE_MM - _CLEAR_MM)
    heard = min(max(many, 0.0), 1.0) * min(max(clear, 0.0), 1.0)
    worn = LAG_WORN_SHARE * heard if mean > 0 else 0.0
    narrow, wide = var + LAG_PRIOR_MM**2, var + LAG_WORN_MM**2
    odds = (
        worn
        / (1.0 - worn)
        * math.sqrt(narrow / wide)
        * math.exp(min(0.5 * mean**2 * (1.0 / narrow - 1.0 / wide), 50.0))
    )
    p = odds / (1.0 + odds)
    large = mean * LAG_WORN_MM**2 / wide
    large_var = var * LAG_WORN_MM**2 / wide + (LAG_SHAPE * large) ** 2
    mm = (1.0 - p) * small + p * large
    u2 = (1.0 - p) * (small_var + (small - mm) ** 2) + p * (large_var + (large - mm) ** 2)
    return mm, math.sqrt(u2)
