"""Rocking in which no stop was held still, seen in the readings themselves."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.plateaus import FEWEST_TURNS
from analysis.rocking.place import Place
from analysis.rocking.runs import LONGEST_CHANGE_S, MOST_MM, ONE_PLACE_S

Array = NDArray[np.float64]

TO_AND_FRO_MM = 0.03
"""Move from which a gear that is never held still is taken to be rocked."""


def never_still(t: Array, mm: Array, known: Sequence[tuple[float, float]]) -> list[Place]:
    """Stretches in which the gear went to and fro without any stop being held still: they are places too, refused."""
    out: list[Place] = []
    run: list[tuple[float, float]] = []
    for at, value in [*_extremes(t, mm), (math.inf, math.inf)]:
        taken = any(a - ONE_PLACE_S <= at <= b + ONE_PLACE_S for a, b in known)
        if run and (taken or at - run[-1][0] > LONGEST_CHANGE_S or abs(value - run[-1][1]) > MOST_MM):
            run = _alike(run)
            if len(run) >= FEWEST_TURNS:
                out.append(Place(0, run[0][0], run[-1][0], len(run), 0.0, reasons=("soft-stop",)))
            run = []
        if not taken and math.isfinite(at):
            run.append((at, value))
    return out


def _alike(run: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A run of turns without smaller moves at its ends; nothing where there are such amid it."""
    while len(run) >= FEWEST_TURNS:
        sizes = [abs(b[1] - a[1]) for a, b in pairwise(run)]
        least = 0.5 * float(np.median(sizes))
        if min(sizes) > least:
            return run
        if sizes[0] > least and sizes[-1] > least:
            break
        run = run[1:] if sizes[0] <= least else run[:-1]
    return []


def _extremes(t: Array, mm: Array) -> list[tuple[float, float]]:
    """Where the reading turned, by turns high and low, after a move of `TO_AND_FRO_MM` at least."""
    out: list[tuple[float, float]] = []
    low = high = 0
    way = 0
    for i in range(1, mm.size):
        high, low = (i if mm[i] > mm[high] else high), (i if mm[i] < mm[low] else low)
        if way >= 0 and mm[high] - mm[i] > TO_AND_FRO_MM:
            out.append((float(t[high]), float(mm[high])))
            low, way = i, -1
        elif way <= 0 and mm[i] - mm[low] > TO_AND_FRO_MM:
            out.append((float(t[low]), float(mm[low])))
            high, way = i, 1
    return out
