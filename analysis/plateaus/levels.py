"""Levels that were held, and how they go up and down by turns."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.play import LEAST_MM

LEAST_STEPS = 1.5
"""Difference in display steps below which a display may just waver between two values."""


@dataclass(frozen=True, slots=True)
class Plateau:
    """Readings that stood still: level and scatter in mm, times in s."""

    start_s: float
    end_s: float
    level_mm: float
    sd_mm: float
    readings: int
    bend_mm: float = 0.0
    """Outer thirds less the middle: a level that is held has none, the bottom of a swing bends up."""
    creep_mm: float = 0.0
    """Last third less the first: a level that is held hardly creeps."""

    @property
    def seconds(self) -> float:
        """How long it was held."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Episode:
    """Plateaus in one stretch without a swing.

    Attributes
    ----------
    plateaus : tuple of Plateau
        Neighbours differ in level.
    step_mm : float
        Display step.
    asked : bool
        The user announced the test, so one single level is an answer too.
    """

    plateaus: tuple[Plateau, ...]
    step_mm: float
    asked: bool = False

    @property
    def start_s(self) -> float:
        """When the first load was on."""
        return self.plateaus[0].start_s

    @property
    def end_s(self) -> float:
        """When the last load was taken off."""
        return self.plateaus[-1].end_s

    @property
    def turns(self) -> tuple[Plateau, ...]:
        """Plateaus at which the level turned, highs and lows by turns; those in between (no load) are left out."""
        return turns_of(self.plateaus, threshold_mm(self.step_mm))


def joined(a: Plateau, b: Plateau) -> Plateau:
    """Two plateaus at one level as one."""
    n = a.readings + b.readings
    level = (a.readings * a.level_mm + b.readings * b.level_mm) / n
    var = (
        a.readings * (a.sd_mm**2 + (a.level_mm - level) ** 2) + b.readings * (b.sd_mm**2 + (b.level_mm - level) ** 2)
    ) / n
    return Plateau(a.start_s, b.end_s, level, math.sqrt(var), n, 0.5 * (a.bend_mm + b.bend_mm), b.level_mm - a.level_mm)


def threshold_mm(step_mm: float) -> float:
    """Difference from which two levels are two, mm."""
    return max(0.8 * LEAST_MM, LEAST_STEPS * step_mm - 1e-9)


def turns_of(plateaus: Sequence[Plateau], threshold: float) -> tuple[Plateau, ...]:
    """Highs and lows by turns: a level counts once the next has gone back by most of the whole difference."""
    if len(plateaus) < 2:
        return tuple(plateaus)
    levels = [p.level_mm for p in plateaus]
    back = max(threshold, 0.6 * (float(np.quantile(levels, 0.85)) - float(np.quantile(levels, 0.15))))
    low = high = plateaus[0]
    out: list[Plateau] = []
    way = 0
    for p in plateaus[1:]:
        if way >= 0 and p.level_mm > high.level_mm:
            high = p
        if way <= 0 and p.level_mm < low.level_mm:
            low = p
        if way >= 0 and high.level_mm - p.level_mm >= back:
            # what came before the first turn is the other end of it
            if way == 0 and high.level_mm - low.level_mm >= back and low.start_s < high.start_s:
                out.append(low)
            out.append(high)
            low, way = p, -1
        elif way <= 0 and p.level_mm - low.level_mm >= back:
            if way == 0 and high.level_mm - low.level_mm >= back and high.start_s < low.start_s:
                out.append(high)
            out.append(low)
            high, way = p, 1
    return (*out, low if way < 0 else high)
