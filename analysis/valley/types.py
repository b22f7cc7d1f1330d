"""What goes into the fit of a bottom, and what comes out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Rest:
    """A rest of the hand near the bottom.

    Attributes
    ----------
    begin, end : float
        When the flanks, drawn on, reach the bottom, s.
    slack : float
        Way of the hand between two readings, mm^0.5 of scaled angle: how far off the bottom it may rest unseen.
    """

    begin: float
    end: float
    slack: float

    def taken_out(self, t: Array) -> Array:
        """Times with the rest taken out."""
        spare = self.end - self.begin
        return np.where(t <= self.begin, t, np.where(t <= self.end, self.begin, t - spare))

    def moving(self, t: Array) -> int:
        """Readings taken while the hand moved."""
        return int(np.count_nonzero((t <= self.begin) | (t > self.end)))


@dataclass(frozen=True, slots=True, eq=False)
class Window:
    """Readings around one bottom, ready to be fitted.

    Attributes
    ----------
    clock : ndarray
        Times, s.
    z : ndarray
        Readings, mm, smallest nearest the face.
    step_mm : float
        Display step.
    timing_s : float
        Standard deviation of the times, s.
    rest : Rest or None
        Rest of the hand.
    """

    clock: Array
    z: Array
    step_mm: float
    timing_s: float = 0.0
    rest: Rest | None = None

    @property
    def t(self) -> Array:
        """Times with the rest taken out, s."""
        return self.clock if self.rest is None else self.rest.taken_out(self.clock)


@dataclass(frozen=True, slots=True)
class Bottom:
    """Fitted bottom of one sweep.

    Attributes
    ----------
    minimum_mm, u_mm : float
        Reading at the nearest point and its standard uncertainty (fit and noise).
    bottom_s : float
        Time of the nearest point.
    noise_mm : float
        Standard deviation of a reading about the fit, display step excluded.
    residual : ndarray
        Readings minus fit, mm, one per reading of the window.
    u : ndarray
        Scaled angle at each reading, mm^0.5 (negative before the bottom).
    sd : ndarray
        Expected standard deviation of each residual, mm.
    lag_share : float
        Part of `u_mm` that the doubt about plunger lag gives; the sweeps of a set have it in common, mm.
    cusp, u_cusp : float
        Coefficient of a ``-|u|`` term (a flat tip or a bridged hole) and its standard uncertainty.
    readings : int
        Readings used.
    slowing : float
        How much slower the hand went over the bottom than over the window, 0 (not at all) to 1 (it rested there).
    pace : float
        Change of the scaled angle over the bottom, mm^0.5 per second, over `PACE_S` either side of it.
    unsteady : float
        Factor in `u_mm` for a hand the curve could not follow.  Play inside a sweep looks the same, so the test for play leaves it out.
    """

    minimum_mm: float
    u_mm: float
    bottom_s: float
    noise_mm: float
    residual: Array
    u: Array
    sd: Array
    lag_share: float
    cusp: float
    u_cusp: float
    readings: int
    slowing: float = 0.0
    pace: float = 0.0
    unsteady: float = 1.0
