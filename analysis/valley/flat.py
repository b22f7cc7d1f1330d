"""Whether the bottoms of a set are those of a ball on a plane, or the two false ones of a flat tip's edge.

A flat tip rides on its edge: the climb gets a ``-|u|`` term, a ridge at the nearest point and a false bottom either side, which repeat
perfectly and are micrometres to tens of micrometres too near.  Both shapes are fitted with the hand free, and their evidence is compared over the whole set: a hand that
slows down over the bottom can flatten one sweep, but not put the same ridge into all of them.

Source: edge contact of a flat-ended tip, derived here (``e = (D - a |sin|) / cos``); evidence as in `analysis.valley`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from analysis.valley.noise import prior_for
from analysis.valley.pack import pack
from analysis.valley.search import Search
from analysis.valley.types import Window

Array = NDArray[np.float64]

RIDGES: Array = np.array([0.13, 0.19, 0.29])
"""Ridges tried, mm^0.5: false bottoms 4 to 21 µm deep.  Shallower ones look like a hand that slows down, and do little harm."""

MOST = 24
"""Sweeps looked at: a flat tip shows in every one."""


MOST_EACH = 10.0
"""Log evidence one sweep may bring: a sweep neither shape fits must not decide for all."""


def flat_tip_gain(windows: Sequence[Window], radius_mm: float, repeatability_mm: float | None, most: int) -> float:
    """Log evidence a sweep, over the set, of the best ridge against none.

    Parameters
    ----------
    windows : sequence of Window
    radius_mm : float
        Swing radius, mm.
    repeatability_mm : float or None
        The indicator's stated standard deviation on a still surface.
    most : int
        Readings per window before neighbours are averaged.

    Returns
    -------
    float
        Above 0 where a ridge explains the set better.
    """
    looked_at = list(windows)[:MOST]
    packed = pack(looked_at, radius_mm, most)
    # Between two false bottoms a hand seems to rest: with a ridge in the model that rest is none.
    unrested = pack([replace(w, rest=None) for w in looked_at], radius_mm, most)
    # The noise known beforehand: the plain fit's own would be what it leaves of the ridge.
    prior = prior_for(2.0 * float(packed.half_step.max()), packed.coarse, repeatability_mm)
    sigma = max(prior.sd_mm, prior.floor_mm)
    plain = _evidence(Search(packed, radius_mm), sigma)
    gains = [_evidence(Search(unrested, radius_mm, float(b)), sigma) - plain for b in RIDGES]
    return max(float(np.clip(g, -MOST_EACH, MOST_EACH).mean()) for g in gains)


def _evidence(search: Search, sigma: float) -> Array:
    """Log evidence of each sweep, all values of the grid alike."""
    st = search.spread_out(search.anchor(sigma), sigma)
    st = search.again(st.x, sigma, 8)
    e = search.evidence(st)
    top = e.max(axis=1, keepdims=True)
    return np.asarray(top[:, 0] + np.log(np.exp(e - top).mean(axis=1)))
