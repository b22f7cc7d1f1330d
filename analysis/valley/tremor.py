"""A hand that trembles, told from a display that is noisy.

Trembling moves the angle, so its readings scatter by the slope of the climb: not at all at the bottom, by micrometres far up the flanks.  Taken for
noise of the display it would weaken the very readings that say most of the bottom.

Source: variance as a line in the square of the slope, by likelihood over a grid: standard texts on heteroscedastic regression.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.valley.search import Search, State

Array = NDArray[np.float64]

SHOWN = 8.0
"""Log likelihood gained from which a hand is taken to tremble."""

FEWEST = 40
"""Readings of a set without which nothing is said."""

_NOISES = np.geomspace(0.25, 1.1, 12)
_TREMORS = np.geomspace(0.0015, 0.03, 14)
"""Noise tried, as a share of what plain noise comes to, and trembling tried, mm^0.5: 0.015 to 0.3 degrees at 60 mm."""

_KEPT = 0.5
"""Probability of being sound from which a reading is looked at."""


def tremor_of(search: Search, st: State, share: Array, used: Array, sigma: float) -> tuple[float, float]:
    """Trembling of the hand, mm^0.5, and the noise beside it, mm; (0, `sigma`) where none shows.

    Parameters
    ----------
    share, used : ndarray
        Weights over the grid, and readings' worth used up by each fit.
    sigma : float
        Noise of a reading, mm, were all of it the display's.
    """
    rows, pick = np.arange(search.s), share.argmax(axis=1)
    p = search.pack
    moving = (p.w > 0) & (p.resting == 0)
    # What the curve takes up of the scatter it takes up everywhere alike.
    free = np.maximum(1.0 - used[rows, pick] / np.maximum(p.w.sum(axis=1), 1.0), 0.3)
    r2 = (p.z - st.mu[rows, pick]) ** 2 * p.count / free[:, None]
    slope2 = st.slope[rows, pick] ** 2
    step2 = np.broadcast_to((p.half_step**2 / 3.0)[:, None], r2.shape)
    # A bump or a garbled value far up a flank is no trembling.
    sound = moving & (st.told.keep[rows, pick] > _KEPT)
    if np.count_nonzero(sound) < FEWEST:
        return 0.0, sigma
    r2, slope2, step2 = r2[sound], slope2[sound], step2[sound]
    plain = max(float(r2.mean() - step2.mean()), 1e-10)
    noises = (plain * _NOISES**2)[:, None, None]

    def likely(tremor2: Array) -> Array:
        var = noises + tremor2[None, :, None] * slope2 + step2
        return np.asarray(-0.5 * (np.log(var) + r2 / var).sum(axis=-1))

    none, some = likely(np.zeros(1)).max(), likely(_TREMORS**2)
    if some.max() < none + SHOWN:
        return 0.0, sigma
    at = np.unravel_index(int(some.argmax()), some.shape)
    return float(_TREMORS[at[1]]), float(np.sqrt(plain) * _NOISES[at[0]])
