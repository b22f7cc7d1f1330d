"""Which levels of a stream belong to one place: those that follow each other directly and come again."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.plateaus import Episode, Plateau

Array = NDArray[np.float64]

MOST_MM = 1.2
"""Difference of two levels that is no backlash: the plunger was lifted or slipped to another tooth."""

LEAST_MM = 0.008
LEAST_STEPS = 3.0
"""Difference below which two levels are one stop."""

TO_AND_FRO = 3
"""Stops by turns from which a stretch is taken for an attempt to rock; fewer are a gear that was moved once."""

LONGEST_CHANGE_S = 4.0
"""Time between two stops of one place."""

ASTRAY_S = 0.25
"""Time the plunger may spend off the way between two stops: a knock, a wild reading."""

ONE_PLACE_S = 1.5
"""Two stretches with the same levels and less than this between them are one place that was knocked."""


def turns_of(run: Sequence[Plateau], step_mm: float) -> tuple[Plateau, ...]:
    """Stops by turns of a run; none where its levels are one."""
    turns = Episode(tuple(run), step_mm).turns
    two = _two(turns)
    return turns if two is not None and two[1] - two[0] >= max(LEAST_MM, LEAST_STEPS * step_mm - 1e-9) else ()


def runs_of(plateaus: Sequence[Plateau], t: Array, mm: Array, step_mm: float) -> list[list[Plateau]]:
    """Plateaus that follow each other directly, without the plunger going elsewhere in between."""
    out: list[list[Plateau]] = []
    for p in plateaus:
        if out and _direct(out[-1][-1], p, t, mm, step_mm):
            out[-1].append(p)
        else:
            out.append([p])
    return [part for run in out for part in _levels_that_recur(run)]


def _direct(a: Plateau, b: Plateau, t: Array, mm: Array, step_mm: float) -> bool:
    change = abs(b.level_mm - a.level_mm)
    if change > MOST_MM or b.start_s - a.end_s > LONGEST_CHANGE_S:
        return False
    i, j = int(np.searchsorted(t, a.end_s, "right")), int(np.searchsorted(t, b.start_s, "left"))
    if j <= i:
        return True
    low, high = min(a.level_mm, b.level_mm), max(a.level_mm, b.level_mm)
    room = max(0.6 * change, 3.0 * step_mm, 0.02)
    astray = (mm[i:j] < low - room) | (mm[i:j] > high + room)
    return bool(astray.sum() * (b.start_s - a.end_s) / (j - i + 1) <= ASTRAY_S)


def _two(turns: Sequence[Plateau]) -> tuple[float, float] | None:
    """The two levels, low and high, mm; None where there is only one."""
    levels = sorted(p.level_mm for p in turns)
    if len(levels) < 2:
        return None
    half = len(levels) // 2
    return float(np.median(levels[:half])), float(np.median(levels[-half:]))


def _levels_that_recur(run: list[Plateau]) -> list[list[Plateau]]:
    """A run without the levels far outside the two that come again: the plunger set down, or lifted a little."""
    while len(run) > TO_AND_FRO:
        two = _two(run)
        assert two is not None
        room = 0.5 * (two[1] - two[0]) + 0.02
        for k in (0, len(run) - 1):
            if not two[0] - room <= run[k].level_mm <= two[1] + room:
                run = run[:k] + run[k + 1 :]
                break
        else:
            break
    return [run]


def same_place(a: Sequence[Plateau], b: Sequence[Plateau], step_mm: float) -> bool:
    """A knock broke a place in two: the same levels, hardly any time between."""
    x, y = _two(a), _two(b)
    assert x is not None
    assert y is not None
    room = max(0.1 * (x[1] - x[0]), 2.0 * step_mm)
    near = abs(x[0] - y[0]) <= room and abs(x[1] - y[1]) <= room
    return near and b[0].start_s - a[-1].end_s <= ONE_PLACE_S
