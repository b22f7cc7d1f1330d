"""What one more term in the model would come to, given the fit: a lag, a cusp.

Each is one scoring step for an added column, with the hand free to answer it (the Schur complement of the fit's
information), so a shape the hand could have made is not counted.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from analysis.valley.lag import LAG_MOST_MM, LAG_PRIOR_MM, Lag, lag_column, lag_posterior
from analysis.valley.search import Search, State

Array = NDArray[np.float64]

LAG_TURNS, LAG_SETTLED_MM = 4, 0.0003
"""Times the turn at the bottom is fitted to the lag anew, and the change that is none."""

LAG_SLOWING = 3.0
"""Loss of pace over the bottom, as one over it, from which a sweep says nothing of the lag."""


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

    @property
    def picked_u(self) -> Array:
        """Scaled angles at the likeliest unevenness; (sweeps, readings)."""
        return np.asarray(self._u[self._rows, self._pick])

    def _term(self, column: Array, weight: Array, score: Array, slope: Array, cov: Array) -> tuple[Array, Array, Array]:
        """Size, its standard uncertainty, and what one unit of it does to the bottom; `column` (sweeps, any, readings)."""
        wc = weight * column
        a = self._search.against(wc, slope)
        ca = np.matmul(cov, a[..., None])[..., 0]
        schur = np.maximum((wc * column).sum(axis=-1) - (a * ca).sum(axis=-1), 1e-6)
        gain = (score * column).sum(axis=-1)
        return gain / schur, 1.0 / np.sqrt(schur), -ca[..., 0]

    def lag(self, slowing: Array, taken_mm: float = 0.0) -> Lag:
        """Plunger lag of the set, from how the rising flank hangs behind the falling one.

        Parameters
        ----------
        slowing : ndarray
            Loss of pace over the bottom, 0 to 1 per sweep: it looks much like a lag, and such sweeps hardly count.
        taken_mm : float
            Lag that has been taken out of the readings before they were fitted.
        """
        turn = max(taken_mm, LAG_PRIOR_MM)
        lag = self._lag(turn, slowing, taken_mm)
        for _ in range(LAG_TURNS):
            # Past the bottom the plunger waits until the face has come back by the lag itself.
            new = min(max(lag.mm + lag.u_mm, LAG_PRIOR_MM), LAG_MOST_MM)
            if abs(new - turn) < LAG_SETTLED_MM:
                break
            turn = new
            lag = self._lag(turn, slowing, taken_mm)
        return lag

    def _lag(self, turn_mm: float, slowing: Array, taken_mm: float) -> Lag:
        column = lag_column(self._u, turn_mm)
        size, u, tilt = self._term(column, self._weight, self._score, self._slope, self._cov)
        mean = (self._share * size).sum(axis=1)
        var = (self._share * (u**2 + (size - mean[:, None]) ** 2)).sum(axis=1)
        # Where the hand's freedom uses up most of the readings, a lag is what the spline could not follow.
        readings = self._search.pack.w.sum(axis=1)
        free = np.minimum(1.0, (1.0 - self._used / readings) * 1.6)
        w = free * np.clip(1.0 - LAG_SLOWING * slowing, 0.0, 1.0) / var
        cautious = free**4 * np.clip(1.0 - 4.0 * slowing, 0.0, 1.0) / var
        mm, u_mm = lag_posterior(mean + taken_mm, w, cautious)
        return Lag(mm, u_mm, (self._share * tilt).sum(axis=1))

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
