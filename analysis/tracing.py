"""A session that also keeps the fit of every sweep, for figures and studies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.results import Sweep
from analysis.screen import Judged
from analysis.session import Session, _Kept

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings around one bottom and the curve fitted to them.

    Attributes
    ----------
    sweep : Sweep
        What was found.
    t : ndarray, shape (n,)
        Times, s, on the stream's clock.
    mm : ndarray, shape (n,)
        Readings as displayed, mm.
    fit : ndarray, shape (n,), or None
        Curve at those times, mm; None where no bottom could be fitted.
    residual : ndarray, shape (n,), or None
        Readings less curve, mm.
    noise_mm : float or None
        Standard deviation of a reading about the curve, display step left out.
    """

    sweep: Sweep
    t: Array
    mm: Array
    fit: Array | None
    residual: Array | None
    noise_mm: float | None


class TracingSession(Session):
    """A session whose `traces` can be drawn; what it finds is the same."""

    _fitted: list[Judged]

    def _fit(self, kept: list[_Kept]) -> list[Judged]:
        self._fitted = super()._fit(kept)
        return self._fitted

    @property
    def traces(self) -> tuple[Trace, ...]:
        """One trace a sweep, in the order of `sweeps`."""
        found = self.sweeps
        sense = self._sense()[0]
        return tuple(_trace(s, j, sense) for s, j in zip(found, self._fitted, strict=True)) if found else ()


def _trace(sweep: Sweep, j: Judged, sense: int) -> Trace:
    clock, z = j.window.clock, j.window.z
    b = j.bottom
    if b is None or sweep.minimum_mm is None:
        return Trace(sweep, clock, sense * z, None, None, None)
    return Trace(sweep, clock, sense * z, sense * (z - b.residual), sense * b.residual, b.noise_mm)
