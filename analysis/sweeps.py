"""Cutting the stream of readings into sweeps, one reading at a time.

A sweep runs from the far side of one swing to the far side of the next, over the lowest
reading between them.  Turning points are found with a hysteresis: a fall or rise counts
once it is larger than the display and the noise could make.  Memory is bounded by
`KEEP_READINGS` whatever the hand does.

Lengths are millimetres of display reading turned so that the face's nearest point is the
smallest value (`sense` +1: the display grows as the face gets farther away).
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Literal

from analysis.readings import Reading

KEEP_READINGS = 3000
"""Readings held for one sweep: a minute and a half at 33 a second, a hand asleep at the bottom included."""

SMALLEST_RISE_MM = 0.020
"""Rise that makes a turning point: below the 0.036 mm that a rock of ±2° makes, above any sound noise."""

EARLY_RISE_MM = 0.40
"""A sweep is handed on once the arbor has climbed this far; the rest of the swing adds nothing."""

LIFTED_MM = 6.0
"""Climb no swing of an arbor makes (over 25°): the plunger has left the face."""

Cut = Literal["", "gap", "link-lost", "unit-changed"]


@dataclass(slots=True)
class RawSweep:
    """Readings of one sweep, before anything is fitted.

    Attributes
    ----------
    t : list of float
        Arrival times, s.
    z : list of float
        Readings in mm, smallest nearest the face.
    step_mm : float
        Display step.
    seat : int
        Seating, counted from 1.
    cut : str
        Why the sweep is incomplete, or "".
    fall_mm, rise_mm : float
        Height of the two flanks.
    lowest : int
        Index of the smallest (median-of-three) reading.
    gaps : list of (float, float)
        Stretches without readings inside it, s.
    lifted_after : bool
        The plunger left the face before the next sweep.
    """

    t: list[float]
    z: list[float]
    step_mm: float
    seat: int
    cut: Cut = ""
    fall_mm: float = 0.0
    rise_mm: float = 0.0
    lowest: int = 0
    gaps: list[tuple[float, float]] = field(default_factory=list)


@dataclass(slots=True)
class _Point:
    t: float
    z: float


class Period:
    """Running estimate of the time between readings, from the last readings only.

    Bunched arrivals are expected, so the mean over a stretch is used, leaving out
    stretches that hold a pause.
    """

    def __init__(self) -> None:
        self._times: deque[float] = deque(maxlen=65)
        self._value: float | None = None

    @property
    def seconds(self) -> float | None:
        """Seconds between readings, or None while fewer than 4 have come."""
        return self._value

    def add(self, t: float) -> None:
        """Take the arrival time of one more reading."""
        times = self._times
        if times and self._value is not None and t - times[-1] > max(8 * self._value, 1.0):
            times.clear()
        times.append(t)
        if len(times) >= 4 and times[-1] > times[0]:
            self._value = (times[-1] - times[0]) / (len(times) - 1)


class SweepFinder:
    """Incremental search for sweeps in one display direction.

    Parameters
    ----------
    sense : {+1, -1}
        +1 if the display grows as the face gets farther away.
    smallest_rise_mm : float
        Smallest climb out of a bottom that makes a turning point.
    """

    def __init__(self, sense: int, smallest_rise_mm: float = SMALLEST_RISE_MM) -> None:
        self.sense = sense
        self._rise0 = smallest_rise_mm
        self._recent: deque[_Point] = deque(maxlen=3)
        self._buffer: deque[_Point] = deque(maxlen=KEEP_READINGS)
        self._gaps: list[tuple[float, float]] = []
        self._step = 0.0
        self._falling = False
        self._low_seen = False
        self._handed_on = False
        self._top = 0.0
        self._low = 0.0
        self._peak_after = 0.0
        self._started = False

    def push(self, reading: Reading, mm: float, step_mm: float, seat: int) -> RawSweep | None:
        """Take one reading; hand back a sweep once its bottom is certain."""
        del seat
        z = self.sense * mm
        point = _Point(reading.t, z)
        self._step = step_mm
        self._recent.append(point)
        self._buffer.append(point)
        # The median of three keeps one wild reading from making a turning point.
        if len(self._recent) < 3:
            return None
        a, b, c = (p.z for p in self._recent)
        return self._turning(sorted((a, b, c))[1])

    def gap(self, start_s: float, end_s: float) -> None:
        """Note a stretch without readings inside the current sweep."""
        self._gaps.append((start_s, end_s))

    def cut(self, why: Cut) -> RawSweep | None:
        """End the current sweep here; hand it back if it had started."""
        found: RawSweep | None = None
        if self._started and not self._handed_on:
            whole = self._low_seen and self._peak_after - self._low >= 0.6 * min(0.1, self._top - self._low)
            if whole:
                found = self._take("")
            elif why and (self._low_seen or (self._falling and self._top - self._low > 4 * self._threshold())):
                found = self._take(why)
        self._reset()
        return found

    def _threshold(self) -> float:
        # Two steps: one step of flicker is what a still display does by itself.
        return max(self._rise0, 2.0 * self._step) - 1e-9

    def _reset(self) -> None:
        self._recent.clear()
        self._buffer.clear()
        self._gaps = []
        self._falling = self._low_seen = self._handed_on = self._started = False

    def _turning(self, z: float) -> RawSweep | None:
        h = self._threshold()
        if not self._started:
            self._started = True
            self._top = self._low = self._peak_after = z
        if not self._falling and not self._low_seen:
            # waiting on a flank or at the far side
            if z >= self._top:
                self._top = z
                self._forget_before_last(3)
            elif z <= self._top - h:
                self._falling = True
                self._low = z
            return None
        if self._falling and not self._low_seen:
            if z < self._low:
                self._low = z
            if z >= self._low + h:
                self._low_seen = True
                self._peak_after = z
            return None
        # beyond the bottom
        if z < self._low:  # the hand went back and lower
            self._low = z
            self._peak_after = z
            if self._handed_on:
                self._handed_on = False
            self._low_seen = False
            return None
        self._peak_after = max(self._peak_after, z)
        found: RawSweep | None = None
        if not self._handed_on and z >= self._low + EARLY_RISE_MM:
            found = self._take("")
            self._handed_on = True
        if z <= self._peak_after - h:
            if not self._handed_on:
                found = self._take("")
            self._next_from_peak(z)
        return found

    def _take(self, cut: Cut) -> RawSweep:
        t = [p.t for p in self._buffer]
        zs = [p.z for p in self._buffer]
        lowest = min(range(len(zs)), key=lambda i: _median3(zs, i))
        return RawSweep(
            t=t,
            z=zs,
            step_mm=self._step,
            seat=0,
            cut=cut,
            fall_mm=self._top - self._low,
            rise_mm=(self._peak_after - self._low) if self._low_seen else 0.0,
            lowest=lowest,
            gaps=[g for g in self._gaps if g[1] > t[0]],
        )

    def _next_from_peak(self, z: float) -> None:
        """Start the next sweep at the highest reading since the last bottom."""
        points = list(self._buffer)
        low_at = min(range(len(points)), key=lambda i: points[i].z)
        tail = points[low_at:]
        start = (
            max(range(len(tail)), key=lambda i: _median3([p.z for p in tail], i))
            if len(tail) < 60
            else max(range(len(tail)), key=lambda i: tail[i].z)
        )
        kept = tail[start:]
        self._buffer.clear()
        self._buffer.extend(kept)
        self._gaps = [g for g in self._gaps if kept and g[1] > kept[0].t]
        self._top = self._peak_after
        self._low = z
        self._falling = True
        self._low_seen = self._handed_on = False

    def _forget_before_last(self, keep: int) -> None:
        while len(self._buffer) > keep:
            self._buffer.popleft()


def _median3(z: list[float], i: int) -> float:
    if 0 < i < len(z) - 1:
        return sorted((z[i - 1], z[i], z[i + 1]))[1]
    return z[i]
