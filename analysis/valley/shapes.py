"""What one more term in the model would come to, given the fit: a lag, a cusp.

Each is one scoring step for an added column, with the hand free to answer it (the Schur complement of the fit's
information), so a shape the hand could have made is not counted.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.valley.search import Search, State

Array = NDArray[np.float64]

LAG_PRIOR_MM = 0.002
"""Plunger lag (hysteresis) thought likely before the flanks have shown it: a good indicator has 1 to 3 µm
(common practice, no source)."""


class Shapes:
    """Added terms for one state of a search.

    Parameters
    ----------
    cov, share, used : ndarray
        From `Search.posterior` and the weights over the grid.
    """

    def __init__(self, search: Search, st: State, cov: Array, share: Array, used: Array) -> None:
        self._search, self._cov, self._share = search, cov, share
        self._used = (share * used).sum(axis=1)
        self._u, self._slope = st.u, st.slope
        w = search.pack.w[:, None, :]
        self._weight, self._score = st.told.weight * w, st.told.score * w
        self._rows = np.arange(search.s)
        self._pick = share.argmax(axis=1)

    def _term(self, column: Array, weight: Array, score: Array, slope: Array, cov: Array) -> tuple[Array, Array, Array]:
        """Size, its standard uncertainty, and what one unit of it does to the bottom; `column` (sweeps, any, readings)."""
        wc = weight * column
        a = self._search.against(wc, slope)
        ca = np.matmul(cov, a[..., None])[..., 0]
        schur = np.maximum((wc * column).sum(axis=-1) - (a * ca).sum(axis=-1), 1e-6)
        gain = (score * column).sum(axis=-1)
        return gain / schur, 1.0 / np.sqrt(schur), -ca[..., 0]

    def lag(self, slowing: Array) -> tuple[float, float, Array]:
        """Plunger lag of the set, mm, from how the rising flank hangs behind the falling one.

        A hand that loses pace over the bottom looks much like a lag: such sweeps (`slowing`, 0 to 1) hardly count.

        Returns its value and standard uncertainty, prior included, and the bottom's answer to it per sweep.
        """
        value, u, answer = self._lag(LAG_PRIOR_MM, slowing)
        for _ in range(2):
            # Past the bottom the plunger waits until the face has come back by the lag itself.
            if abs(value) <= LAG_PRIOR_MM:
                break
            value, u, answer = self._lag(abs(value), slowing)
        return value, u, answer

    def _lag(self, turn_mm: float, slowing: Array) -> tuple[float, float, Array]:
        column = np.where(self._u < 0, 0.5, 0.5 - np.minimum(1.0, self._u**2 / turn_mm))
        size, u, tilt = self._term(column, self._weight, self._score, self._slope, self._cov)
        mean = (self._share * size).sum(axis=1)
        var = (self._share * (u**2 + (size - mean[:, None]) ** 2)).sum(axis=1)
        # Where the hand's freedom uses up most of the readings, a lag is what the spline could not follow.
        readings = self._search.pack.w.sum(axis=1)
        w = np.minimum(1.0, (1.0 - self._used / readings) * 1.6) ** 4 * np.clip(1.0 - 4.0 * slowing, 0.0, 1.0) / var
        precision = float(w.sum()) + 1.0 / LAG_PRIOR_MM**2
        return float((w * mean).sum()) / precision, 1.0 / math.sqrt(precision), (self._share * tilt).sum(axis=1)

    def _picked(self, column: Array) -> tuple[Array, Array]:
        """Size and uncertainty at the likeliest unevenness; `column` (sweeps, any, readings)."""
        r, p = self._rows, self._pick
        size, u, _ = self._term(
            column,
            self._weight[r, p][:, None],
            self._score[r, p][:, None],
            self._slope[r, p][:, None],
            self._cov[r, p][:, None],
        )
        return size, u

    def cusp(self) -> tuple[Array, Array]:
        """Coefficient of ``-|u|`` per sweep, mm^0.5, and its standard uncertainty."""
        size, u = self._picked(-np.abs(self._u[self._rows, self._pick])[:, None])
        return size[:, 0], u[:, 0]
