"""Seeing that the plunger has left the face, and come back: the arbor was seated again.

Two signs.  A display farther from the last bottom than any swing reaches.  Or, since a plunger has often no more than a few millimetres
left, a display that jumps to its stop, stands there as no hand stands, and jumps back.
"""

from __future__ import annotations

import math
from collections import deque

LIFTED_MM = 6.0
LIFTED_S = 0.7
"""Distance from the last bottom that few swings reach (over 25°), and how long: the plunger has left the face."""

WIDEST_MM = 10.0
"""Distance no swing reaches (over 30°).  Nearer than that a hand that swings wide is known by its way there, which takes longer than
`JUMP_S` from half of `LIFTED_MM`, and by never standing still."""

JUMP_MM = 1.5
JUMP_S = 0.35
"""A jump onto the stop and off it: 20° a second at the far side of a swing, and dead still the next moment, is no hand."""

SLOW_S, FASTER, SWUNG = 0.8, 2.0, 1.3
"""The same of a plunger that is let out slowly, how much faster than the hand over the bottom its tip then goes, in the root of the climb, and how fast the
hand itself may go on: a swing slows down toward the far side."""

STILL_MM = 0.012
"""Width within which a plunger on its stop stands, a noisy display included; two display steps where that is more."""


NOTE_S = 0.07
"""How often the display near the bottom is noted: a few times within a jump are enough."""


class LiftFinder:
    """Follows the display, one reading at a time.

    Attributes
    ----------
    idle : bool
        Nothing is going on: a reading within `JUMP_MM` of the bottom need only be noted, from `next_s` on.
    next_s : float
        When to note the next one, s.
    pace : float
        How fast the hand goes over the bottom, mm^0.5 of the root of the climb per second; nan while nobody knows.
    """

    def __init__(self) -> None:
        self.idle = True
        self.next_s = 0.0
        self.pace = math.nan
        self._far_since: float | None = None
        self._far_last = 0.0
        self._no_swing = False
        self._recent: deque[tuple[float, float]] = deque()
        self._level = self._since = self._last = 0.0
        self._jumped = False
        # the stop the plunger stood on until a moment ago, and how many readings off it have come
        self._stop: tuple[float, float] | None = None
        self._off = 0

    def note(self, t: float, mm: float) -> None:
        """Take a reading near the bottom while nothing is going on."""
        recent = self._recent
        while recent and recent[0][0] < t - 1.0:
            recent.popleft()
        recent.append((t, mm))
        self.next_s = t + NOTE_S

    def push(self, t: float, mm: float, bottom_mm: float, step_mm: float, period_s: float | None) -> bool:
        """Take one reading; True once the plunger is back on the face.

        Parameters
        ----------
        t : float
            Arrival time, s.
        mm : float
            Reading, mm.
        bottom_mm : float
            The last sweep's lowest reading, mm.
        step_mm : float
            Display step, mm.
        period_s : float or None
            Time between readings, s.
        """
        if self.idle:
            # readings that were only noted lie between this one and the last
            self._level = math.nan
        jump_s = max(JUMP_S, 3.5 * (period_s or 0.0))
        afar = self._from_afar(t, mm, bottom_mm, max(JUMP_S, 1.5 * (period_s or 0.0)))
        stop = self._from_stop(t, mm, bottom_mm, step_mm, jump_s)
        if afar:
            # one return, seen by both signs
            self._stop = None
        self.idle = self._far_since is None and self._stop is None and not self._jumped
        return afar or stop

    def _from_afar(self, t: float, mm: float, bottom_mm: float, jump_s: float) -> bool:
        away = abs(mm - bottom_mm)
        if away > LIFTED_MM:
            if self._far_since is None:
                self._far_since = t
                self._no_swing = any(u >= t - jump_s and abs(z - bottom_mm) < 0.5 * LIFTED_MM for u, z in self._recent)
            self._no_swing = (
                self._no_swing or away > WIDEST_MM or self._last - max(self._since, self._far_since) >= LIFTED_S
            )
            self._far_last = t
        elif self._far_since is not None:
            # From its own readings: one garbled value before a silence is no plunger in the air.
            long = self._far_last - self._far_since >= LIFTED_S
            self._far_since = None
            return long and self._no_swing
        return False

    def _from_stop(self, t: float, mm: float, bottom_mm: float, step_mm: float, jump_s: float) -> bool:
        recent = self._recent
        while recent and recent[0][0] < t - max(jump_s, SLOW_S):
            recent.popleft()
        back = False
        if abs(mm - self._level) <= max(STILL_MM, 2.0 * step_mm):
            self._last = t
        else:
            if self._jumped and self._last - self._since >= LIFTED_S:
                self._stop, self._off = (self._last, self._level), 0
            self._level, self._since, self._last = mm, t, t
            self._jumped = self._came(t, mm, bottom_mm, jump_s)
        if self._stop is not None:
            left, level = self._stop
            # Two readings: one garbled value is no plunger on the face.
            self._off += abs(level - mm) >= JUMP_MM and abs(level - bottom_mm) > abs(mm - bottom_mm)
            if self._off >= 2:
                self._stop, back = None, True
            elif t - left > max(jump_s, SLOW_S):
                self._stop = None
        recent.append((t, mm))
        return back

    def _came(self, t: float, mm: float, bottom_mm: float, jump_s: float) -> bool:
        """Whether the display was well nearer the bottom a moment ago, and no swing took it away."""
        away = abs(mm - bottom_mm)
        if away <= JUMP_MM:
            return False
        for at, z in self._recent:
            before = abs(z - bottom_mm)
            if away - before < JUMP_MM or t <= at:
                continue
            faster = (math.sqrt(away) - math.sqrt(before)) / (t - at) / self.pace
            # while the hand is unknown only the jump speaks
            if faster > FASTER or (at >= t - jump_s and not faster < SWUNG):
                return True
        return False
