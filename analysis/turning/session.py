"""A stream's readings, taken one at a time; the run-out when asked."""

from __future__ import annotations

import numpy as np

from analysis.readings import Reading, Scale
from analysis.turning.judging import run_out
from analysis.turning.turned import Turned


class TurningSession:
    """Takes a stream's readings; gives the run-out.

    Parameters
    ----------
    turns : int
        Whole turns that were made, as stated.
    teeth : int, optional
        Teeth of the ring gear, where the plunger ran over them.
    """

    def __init__(self, turns: int, teeth: int | None = None) -> None:
        self.turns, self.teeth = turns, teeth
        self.bad_frames = 0
        self._t: list[float] = []
        self._mm: list[float] = []
        self._scales: set[Scale] = set()

    @property
    def readings(self) -> int:
        """Readings taken."""
        return len(self._t)

    @property
    def unit(self) -> str:
        """Unit of the display; "mm" where it changed on the way."""
        units = {s.unit for s in self._scales}
        return units.pop() if len(units) == 1 else "mm"

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        self._scales.add(r.scale)
        self._t.append(r.t)
        self._mm.append(r.mm)

    def mark(self, t: float, mark: str) -> None:
        """Marks have no part in it."""

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link: what was read before a loss is no whole turn."""
        if state == "lost":
            self._t.clear()
            self._mm.clear()

    def damaged(self, t: float, why: str) -> None:
        """Take note of bytes that made no reading."""
        self.bad_frames += 1

    def close(self) -> None:
        """The stream has ended."""

    def found(self) -> Turned:
        """The run-out."""
        step = max((float(s.step_mm) for s in self._scales), default=0.001)
        return run_out(np.array(self._t), np.array(self._mm), self.turns, step, self.teeth)
