"""A stream's readings, marks and link events, taken one at a time; the places when asked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from analysis.plateaus import Episode, Plateau, PlateauFinder
from analysis.readings import Reading, Scale
from analysis.rocking.judging import judge_place
from analysis.rocking.place import Place
from analysis.rocking.runs import TO_AND_FRO, runs_of, same_place, turns_of
from analysis.rocking.unheld import never_still


class RockingSession:
    """Takes a stream's readings, marks and link events; gives the backlash at each place.

    A mark "reseat" or "pinion-turned" says that the gear was turned to the next place; without one a lifted plunger does.

    Parameters
    ----------
    mpe_mm : float, optional
        Largest permitted error of the indicator over the travel used, where it is stated.
    """

    def __init__(self, mpe_mm: float | None = None) -> None:
        self.mpe_mm = mpe_mm
        self.readings = self.bad_frames = 0
        self._finder = PlateauFinder(most_mm=1e3, fewest_turns=1)
        self._stretches: list[list[Plateau]] = [[]]
        self._t: list[float] = []
        self._mm: list[float] = []
        self._scale: Scale | None = None
        self._scales: set[Scale] = set()
        self._marked = False

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        self.readings += 1
        if r.scale != self._scale:
            self._cut()
            self._scale = r.scale
            self._scales.add(r.scale)
        self._t.append(r.t)
        self._mm.append(r.mm)
        self._take(self._finder.push(r.t, r.mm, float(r.scale.step_mm)))

    def mark(self, t: float, mark: str) -> None:
        """Take a mark made by the user."""
        if not mark.startswith("note:"):
            self._cut()
            if mark in ("reseat", "pinion-turned"):
                self._marked = True
                self._stretches.append([])

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link."""
        if state == "lost":
            self._cut()

    def damaged(self, t: float, why: str) -> None:
        """Take note of bytes that made no reading."""
        self.bad_frames += 1

    def close(self) -> None:
        """The stream has ended."""
        self._cut()

    def _cut(self) -> None:
        self._take(self._finder.cut())

    def _take(self, e: Episode | None) -> None:
        if e is not None:
            self._stretches[-1] += e.plateaus

    @property
    def unit(self) -> str:
        """Unit of the display; "mm" where it changed on the way."""
        units = {s.unit for s in self._scales}
        return units.pop() if len(units) == 1 else "mm"

    @property
    def step_mm(self) -> float:
        """Display step, the coarser one where it changed on the way."""
        return max((float(s.step_mm) for s in self._scales), default=0.001)

    def places(self) -> list[Place]:
        """Every place that was rocked at, in order."""
        t, mm = np.array(self._t), np.array(self._mm)
        found: list[list[Plateau]] = []
        for plateaus in self._stretches:
            runs = [r for r in runs_of(plateaus, t, mm, self.step_mm) if len(turns_of(r, self.step_mm)) >= TO_AND_FRO]
            for run in runs:
                if found and run is not runs[0] and (self._marked or same_place(found[-1], run, self.step_mm)):
                    found[-1] = [*found[-1], *run]
                else:
                    found.append(run)
        places = [judge_place(0, p, self.step_mm, (t, mm), self.mpe_mm) for p in found]
        places += never_still(t, mm, [(p.start_s, p.end_s) for p in places])
        return [replace(p, n=n) for n, p in enumerate(sorted(places, key=lambda p: p.start_s), start=1)]
