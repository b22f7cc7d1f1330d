"""Two stacks from a box too large to weigh every pair: only the stacks nearest to each goal are paired, as many as it takes to be sure.

A stack that is not among the nearest of its size is no nearer than the last of them.  So the best pair of those listed is the best of all
once it is no farther off than the last stack of every list that was cut short; until then the lists are made longer.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.subsets import Found, Ints, Kinds, TooManyStacksError, nearest

LISTED = (32, 128, 512, 2048)
"""Stacks listed of each number of pieces, one attempt after the other."""


@dataclass(frozen=True, slots=True)
class _Side:
    """Stacks nearest to one goal: distance, pieces and use of each kind; `bound` is how near an unlisted one may still be."""

    found: Sequence[Found]
    off: Ints
    pieces: Ints
    uses: NDArray[np.int16]
    bound: float

    @classmethod
    def of(cls, kinds: Kinds, goal: int, most: int, max_thin: int | None, listed: int) -> _Side:
        sizes = nearest(kinds, goal, most, max_thin, listed)
        found = sorted((f for size in sizes for f in size), key=lambda f: (f.off, len(f.members)))
        uses = np.zeros((len(found), kinds.values.size), dtype=np.int16)
        for i, f in enumerate(found):
            np.add.at(uses[i], list(f.members), 1)
        bound = min((float(size[-1].off) for size in sizes if len(size) == listed), default=math.inf)
        off = np.array([f.off for f in found], dtype=np.int64)
        return cls(found, off, np.array([len(f.members) for f in found], dtype=np.int64), uses, bound)


def near_pairs(
    kinds: Kinds, goals: tuple[int, int], most: int, max_thin: int | None, keep: int
) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
    """The `keep` pairs of stacks of which the one farther from its goal is nearest, then fewest pieces; no piece on both sides.

    Parameters
    ----------
    goals : tuple of int
        Totals wanted left and right, in whole units.
    most : int
        Most pieces a side.

    Returns
    -------
    list of (kinds left, kinds right)
        The distance is the least there is.  Of pairs equally near the fewest pieces are those among the stacks that were listed.

    Raises
    ------
    TooManyStacksError
        If the box holds too many different pieces, or the longest lists do not settle it.
    """
    for listed in LISTED:
        left, right = (_Side.of(kinds, goal, most, max_thin, listed) for goal in goals)
        best = _best(left, right, kinds.available, keep)
        bound = min(left.bound, right.bound)
        if bound == math.inf or (len(best) == keep and best[-1][0] <= bound):
            return [(left.found[i].members, right.found[j].members) for _, _, i, j in best]
    raise TooManyStacksError(
        f"{kinds.values.size} different thicknesses in two stacks of {most} are too many to be sure of the best pair: allow fewer pieces a stack"
    )


def _best(left: _Side, right: _Side, available: Ints, keep: int) -> list[tuple[int, int, int, int]]:
    """Distance, pieces, and places of the best pairs."""
    best: list[tuple[int, int, int, int]] = []
    for i in range(len(left.found)):
        if len(best) == keep and int(left.off[i]) > best[-1][0]:
            break
        free = np.flatnonzero((right.uses <= available - left.uses[i]).all(axis=1))
        if not free.size:
            continue
        off = np.maximum(right.off[free], left.off[i])
        pieces = right.pieces[free] + left.pieces[i]
        for k in np.lexsort((pieces, off))[:keep].tolist():
            best.append((int(off[k]), int(pieces[k]), i, int(free[k])))
        best = sorted(best)[:keep]
    return best
