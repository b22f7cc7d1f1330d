"""The search for episodes in the stream, one reading at a time, in bounded memory."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from analysis.plateaus.levels import Episode, Plateau, joined, threshold_mm, turns_of
from analysis.play import LEAST_MM

FEWEST_TURNS = 4
"""Levels by turns that make a test: push, pull, push, pull."""

SHORTEST_S = 0.25
FEWEST_READINGS = 3
"""Least a plateau lasts."""

LONGEST_S = 20.0
"""A plateau that lasts longer is a rest, not a load."""

LONGEST_CHANGE_S = 2.5
"""Time between two plateaus of one test."""

MOST_MM = 0.6
"""Difference between levels that is a move of the arbor."""

NEAR_MM = 0.4
"""Distance from the bottom, where it is known, at which the arbor is not held there."""

MOST_PLATEAUS = 80

_KEPT = 240


class PlateauFinder:
    """Incremental search for push-pull tests; holds a bounded number of readings.

    Parameters
    ----------
    most_mm : float
        Difference between levels that is something else: by default a move of the arbor.
    fewest_turns : int
        Levels by turns that make an episode.

    Attributes
    ----------
    bottom_mm : float or None
        Display at the bottom, where a sweep has shown it: levels far from it are not the bottom.
    """

    def __init__(self, *, most_mm: float = MOST_MM, fewest_turns: int = FEWEST_TURNS) -> None:
        self._most_mm, self._fewest_turns = most_mm, fewest_turns
        self.bottom_mm: float | None = None
        self._asked = False
        self._step = 0.0
        self._noise = 0.001
        self._band = 0.003
        self._t: list[float] = []
        self._v: list[float] = []
        self._in = False
        self._strays: list[tuple[float, float]] = []
        self._low, self._high = math.inf, -math.inf
        self._plateaus: list[Plateau] = []
        self._ready: Episode | None = None

    @property
    def turns(self) -> int:
        """Levels by turns seen so far in the stretch that is going on, to tell the person how it goes."""
        return len(turns_of(self._plateaus, threshold_mm(self._step)))

    def expect(self) -> None:
        """The user has announced a push-pull test: the next still stretch is one, whatever it shows."""
        self._asked = True

    def push(self, t: float, mm: float, step_mm: float) -> Episode | None:
        """Take one reading; hand back an episode once it is over.

        Parameters
        ----------
        t : float
            Time of arrival, s.
        mm : float
            Reading as displayed, mm.
        step_mm : float
            Display step, mm.
        """
        if step_mm != self._step:
            self._cut()
            self._step = step_mm
            self._noise = max(0.001, 0.3 * step_mm)
            self._widen()
        v, band = self._v, self._band
        if self._in:
            self._inside(t, mm)
        elif v and not (-band <= mm - v[-1] <= band):
            if self._plateaus:
                self._moving(t, mm)
            elif len(v) == 1:  # amid a swing: nothing is kept of it
                self._t[0], v[0] = t, mm
            else:
                self._t, self._v = [t], [mm]
        else:
            self._t.append(t)
            v.append(mm)
            self._settling(t)
        if self._ready is None:
            return None
        found, self._ready = self._ready, None
        return found

    def cut(self) -> Episode | None:
        """End what goes on: the stream ended or broke off, or a mark was made."""
        self._cut()
        found, self._ready = self._ready, None
        return found

    # within

    def _widen(self) -> None:
        self._band = max(1.25 * self._step, 3.3 * self._noise, 0.003)

    def _cut(self) -> None:
        if self._in:
            self._leave()
        self._flush()
        self._t, self._v, self._in = [], [], False

    def _moving(self, t: float, mm: float) -> None:
        """Between two levels, or off on a swing."""
        self._between(self._v)
        self._t, self._v = [t], [mm]
        if self._gone(t, mm):
            self._flush()

    def _settling(self, t: float) -> None:
        """The last readings may become a plateau."""
        v = self._v
        while max(v) - min(v) > 1.5 * self._band:
            self._between(v[:1])
            del v[0], self._t[0]
        if len(v) >= FEWEST_READINGS and t - self._t[0] >= SHORTEST_S:
            self._in = True
            self._strays = []

    def _inside(self, t: float, mm: float) -> None:
        v = self._v
        recent = sorted(v[-9:])
        near = recent[len(recent) // 2]
        if -self._band <= mm - near <= self._band:
            self._noise += 0.05 * (min(0.886 * abs(mm - v[-1]), 3.0 * self._noise) - self._noise)
            self._noise = max(self._noise, 0.0003, 0.1 * self._step)
            self._widen()
            self._t.append(t)
            v.append(mm)
            self._strays = []
            if len(v) > _KEPT:  # the middle of a long plateau says nothing more
                del v[: _KEPT // 2], self._t[1 : 1 + _KEPT // 2]
            if t - self._t[0] > LONGEST_S:
                self._cut()
            return
        strays = self._strays
        strays.append((t, mm))
        if len(strays) < 2:
            return  # one wild reading changes no level
        above = [x > near for _, x in strays[-2:]]
        if above[0] != above[1] and len(strays) < 4:
            return
        self._leave()
        self._t, self._v = [], []
        for s, x in strays:
            if self._v and abs(x - self._v[-1]) > self._band:
                self._between(self._v)
                self._t, self._v = [], []
            self._t.append(s)
            self._v.append(x)
        if self._plateaus and self._gone(t, mm):
            self._flush()

    def _between(self, values: Sequence[float]) -> None:
        for x in values:
            self._low, self._high = min(self._low, x), max(self._high, x)

    def _gone(self, t: float, mm: float) -> bool:
        """Whether the plunger has left the levels for good."""
        levels = [p.level_mm for p in self._plateaus]
        low, high = min(levels), max(levels)
        room = self._most_mm if len(levels) == 1 else max(1.5 * (high - low), 0.06)
        return not low - room <= mm <= high + room or t - self._plateaus[-1].end_s > LONGEST_CHANGE_S + 1.0

    def _leave(self) -> None:
        """The plateau that goes on is over."""
        self._in = False
        t, v = self._t, self._v
        n = len(v)
        # the ends belong to the change of load
        a, b = (round(0.2 * n), n - round(0.1 * n)) if n >= 5 else (0, n)
        x = np.array(v[a:b])
        third = max(1, x.size // 3)
        outer = 0.5 * float(x[:third].mean() + x[-third:].mean())
        bend = outer - float(x[third : x.size - third].mean()) if x.size >= 6 else 0.0
        creep = float(x[-third:].mean() - x[:third].mean()) if x.size >= 6 else 0.0
        self._next(Plateau(t[0], t[-1], float(x.mean()), float(x.std()), int(x.size), bend, creep))
        self._low, self._high = math.inf, -math.inf

    def _next(self, p: Plateau) -> None:
        if self.bottom_mm is not None and abs(p.level_mm - self.bottom_mm) > NEAR_MM:
            self._flush()
            return
        before = self._plateaus[-1] if self._plateaus else None
        if before is not None:
            change = abs(p.level_mm - before.level_mm)
            low, high = min(p.level_mm, before.level_mm), max(p.level_mm, before.level_mm)
            room = max(0.6 * change, 2.5 * self._step, 0.006)
            away = self._low < low - room or self._high > high + room
            if away or change > self._most_mm or p.start_s - before.end_s > LONGEST_CHANGE_S:
                self._flush()
            elif change <= max(1.25 * self._step, 0.6 * LEAST_MM):
                self._plateaus[-1] = joined(before, p)
                return
        self._plateaus.append(p)
        if len(self._plateaus) >= MOST_PLATEAUS:
            self._flush()

    def _flush(self) -> None:
        """The stretch is over; it is an episode if the level went up and down by turns, or a test was announced."""
        plateaus, self._plateaus = self._plateaus, []
        if not plateaus:
            return
        e = Episode(tuple(plateaus), self._step, self._asked)
        if self._asked or len(e.turns) >= self._fewest_turns:
            self._asked = False
            self._ready = e
