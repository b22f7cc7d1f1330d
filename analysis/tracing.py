"""A session that also keeps the fit of every sweep, for figures and studies."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.results import Sweep
from analysis.screen import Judged
from analysis.session import Session

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

    @property
    def traces(self) -> tuple[Trace, ...]:
        """One trace a sweep, in the order of `sweeps`."""
        o = self._outcome()
        return tuple(_trace(s, j, o.sense) for s, j in zip(o.sweeps, o.judged, strict=True))

    def trace(self, n: int) -> Trace | None:
        """The trace of sweep number `n` as the set was last judged, or None; judges nothing anew."""
        cache = self._cache
        if cache is None or not 1 <= n <= len(cache[1].sweeps):
            return None
        o = cache[1]
        return _trace(o.sweeps[n - 1], o.judged[n - 1], o.sense)


def _trace(sweep: Sweep, j: Judged, sense: int) -> Trace:
    clock, z = j.window.clock, j.window.z
    b = j.bottom
    if b is None or sweep.minimum_mm is None:
        return Trace(sweep, clock, sense * z, None, None, None)
    return Trace(sweep, clock, sense * z, sense * (z - b.residual), sense * b.residual, b.noise_mm)
