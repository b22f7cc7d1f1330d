"""Cutting the stream of readings into sweeps, one reading at a time.

A sweep runs from the far side of one swing to the far side of the next, over the lowest
reading between them.  Turning points are found with a hysteresis: a fall or rise counts
once it is larger than the display and the noise could make.  Memory is bounded by
`KEEP_READINGS` whatever the hand does.

Lengths are millimetres of display reading turned so that the face's nearest point is the
smallest value (`sense` +1: the display grows as the face gets farther away).
"""

from __future__ import annotations

import math
from array import array
from collections import deque
from dataclasses import dataclass, field
from typing import Literal

KEEP_READINGS = 3000
"""Readings held for one sweep: a minute and a half at 33 a second, a hand asleep at the bottom included."""

SMALLEST_RISE_MM = 0.020
"""Rise that makes a turning point: below the 0.036 mm that a rock of ±2° makes, above any sound noise."""

EARLY_RISE_MM = 0.40
"""A sweep is handed on once the arbor has climbed this far; the rest of the swing adds nothing."""

HIGH_SHARE, HIGH_MOST_MM = 0.15, 0.06
"""Rise out of a turning point well above the last bottom without which it is none, as a share of its height, and the most that is asked for: far up
a flank a hand that trembles by a tenth of a degree makes 0.04 mm of it."""

FLOOR_S, FLOOR_MM = 30.0, 0.05
"""How long a bottom says where the face is, and how far the next ones lie from it: nothing is known of a face nobody comes back to."""

Cut = Literal["", "gap", "link-lost", "unit-changed"]


@dataclass(slots=True)
class RawSweep:
    """Readings of one sweep, before anything is fitted.

    Attributes
    ----------
    t : array of float
        Arrival times, s.
    z : array of float
        Readings in mm, smallest nearest the face.
    step_mm : float
        Display step.
    cut : str
        Why the sweep is incomplete, or "".
    fall_mm, rise_mm : float
        Height of the two flanks.
    lowest : int
        Index of the smallest (median-of-three) reading.
    gaps : list of (float, float)
        Stretches without readings inside it, s.
    """

    t: array[float]
    z: array[float]
    step_mm: float
    cut: Cut = ""
    fall_mm: float = 0.0
    rise_mm: float = 0.0
    lowest: int = 0
    gaps: list[tuple[float, float]] = field(default_factory=list)


class Period:
    """Running estimate of the time between readings, from the last readings only.

    Bunched arrivals are expected, so the mean over a stretch is used, leaving out
    stretches that hold a pause.
    """

    def __init__(self) -> None:
        self._times: deque[float] = deque(maxlen=65)
        self._pause = math.inf
        self.seconds: float | None = None
        """Seconds between readings, or None while fewer than 4 have come."""

    def add(self, t: float) -> None:
        """Take the arrival time of one more reading."""
        times = self._times
        if times and t - times[-1] > self._pause:
            times.clear()
        times.append(t)
        n = len(times)
        if n >= 4 and t > times[0]:
            self.seconds = (t - times[0]) / (n - 1)
            self._pause = max(8.0 * self.seconds, 1.0)


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
        self._t: list[float] = []
        self._z: list[float] = []
        self._gaps: list[tuple[float, float]] = []
        self._step = 0.0
        self._turn = smallest_rise_mm
        # the two readings before the last, for the median of three
        self._first = self._second = math.nan
        self._seen = 0
        self._falling = False
        self._low_seen = False
        self._handed_on = False
        self._top = 0.0
        self._low = 0.0
        self._peak_after = 0.0
        # where the face was last met, and when
        self._floor, self._floor_s = math.inf, 0.0
        # where in the buffer the bottom and the peak after it lie
        self._low_at = self._peak_at = 0

    def push(self, t: float, mm: float, step_mm: float) -> RawSweep | None:
        """Take one reading; hand back a sweep once its bottom is certain.

        Parameters
        ----------
        t : float
            Arrival time, s.
        mm : float
            Reading as displayed, mm.
        step_mm : float
            Display step, mm.
        """
        z = mm if self.sense > 0 else -mm
        if step_mm != self._step:
            self._step = step_mm
            # Two steps: one step of flicker is what a still display does by itself.
            self._turn = max(self._rise0, 2.0 * step_mm) - 1e-9
        self._t.append(t)
        self._z.append(z)
        a, b = self._first, self._second
        self._first, self._second = b, z
        if self._seen < 2:
            self._seen += 1
            return None
        # The median of three keeps one wild reading from making a turning point.
        if a > b:
            a, b = b, a
        m = a if z < a else b if z > b else z
        if len(self._z) > KEEP_READINGS + 500:
            del self._t[:500], self._z[:500]
            self._low_at, self._peak_at = max(0, self._low_at - 500), max(0, self._peak_at - 500)
        if self._falling:
            if m < self._low:
                self._low, self._low_at = m, len(self._z) - 2
            elif m >= self._low + self._turn:
                if self._low > self._floor and self._trembles(t, m):
                    return None
                self._falling, self._low_seen = False, True
                self._peak_after, self._peak_at = m, len(self._z) - 2
            return None
        if self._low_seen:
            return self._beyond(m)
        # waiting on a flank or at the far side
        if self._seen == 2:
            self._seen = 3
            self._top = self._low = self._peak_after = m
        if m >= self._top:
            self._top = m
            del self._t[:-3], self._z[:-3]
        elif m <= self._top - self._turn:
            self._falling = True
            self._low, self._low_at = m, len(self._z) - 2
        return None

    def gap(self, start_s: float, end_s: float) -> None:
        """Note a stretch without readings inside the current sweep."""
        self._gaps.append((start_s, end_s))

    def cut(self, why: Cut) -> RawSweep | None:
        """End the current sweep here; hand it back if it had started."""
        found: RawSweep | None = None
        if self._seen == 3 and not self._handed_on:
            whole = self._low_seen and self._peak_after - self._low >= 0.6 * min(0.1, self._top - self._low)
            if whole:
                found = self._take("")
            elif why and (self._low_seen or (self._falling and self._top - self._low > 4 * self._turn)):
                found = self._take(why)
        self._t.clear()
        self._z.clear()
        self._gaps = []
        self._seen = 0
        self._falling = self._low_seen = self._handed_on = False
        self._floor = math.inf
        return found

    def _trembles(self, t: float, m: float) -> bool:
        """Whether this rise is too small for a turning point so far above the face; back at the far side, the sweep has not begun."""
        if t > self._floor_s + FLOOR_S:
            self._floor = math.inf
            return False
        if m >= self._low + min(HIGH_SHARE * (self._low - self._floor), HIGH_MOST_MM):
            return False
        if m >= self._top:
            self._falling = False
            self._top = m
            del self._t[:-3], self._z[:-3]
        return True

    def _beyond(self, m: float) -> RawSweep | None:
        """Past the bottom: farther out, back below it, or over the far side into the next sweep."""
        here = len(self._z) - 2
        if m < self._low:  # the hand went back and lower
            self._low = self._peak_after = m
            self._low_at = self._peak_at = here
            self._handed_on = self._low_seen = False
            self._falling = True
            return None
        if m > self._peak_after:
            self._peak_after, self._peak_at = m, here
        found: RawSweep | None = None
        if not self._handed_on and m >= self._low + EARLY_RISE_MM:
            found = self._take("")
            self._handed_on = True
        if m <= self._peak_after - self._turn:
            if not self._handed_on:
                found = self._take("")
            self._next_from_peak(m)
        return found

    def _take(self, cut: Cut) -> RawSweep:
        # What lies beyond the peak belongs to the next sweep.
        end = self._peak_at + 2 if self._low_seen else len(self._z)
        if not cut and self._low < self._floor + FLOOR_MM:
            self._floor, self._floor_s = self._low, self._t[self._low_at]
        # Arrays: a long set holds many sweeps, and lists take four times the room.
        t, z = array("d", self._t[:end]), array("d", self._z[:end])
        return RawSweep(
            t=t,
            z=z,
            step_mm=self._step,
            cut=cut,
            fall_mm=self._top - self._low,
            rise_mm=(self._peak_after - self._low) if self._low_seen else 0.0,
            lowest=_middle(z, self._low_at),
            gaps=[g for g in self._gaps if g[1] > t[0]],
        )

    def _next_from_peak(self, m: float) -> None:
        """Start the next sweep at the highest reading since the last bottom."""
        start = self._peak_at
        del self._t[:start], self._z[:start]
        self._gaps = [g for g in self._gaps if g[1] > self._t[0]]
        self._top = self._peak_after
        self._low, self._low_at = m, len(self._z) - 2
        self._falling = True
        self._low_seen = self._handed_on = False


def _middle(z: array[float], i: int) -> int:
    """Which of the three readings about `i` is the middle one: the median was taken over them, and `i` itself may be wild."""
    about = [j for j in (i - 1, i, i + 1) if 0 <= j < len(z)]
    return sorted(about, key=lambda j: z[j])[len(about) // 2]
