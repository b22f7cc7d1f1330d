"""Two stacks from a box too large to weigh every pair: only the stacks nearest to each goal are paired, as many as it takes to be sure.

A stack that is not among the nearest of its size is no nearer than the last of them.  So the best pair of those listed is the best of all
once no stack left out of a list that was cut short could make a nearer pair, nor one as near of fewer pieces; until then the lists are
made longer.
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
    """Stacks nearest to one goal: distance, pieces and use of each kind.

    `bounds` and `firsts` go by number of pieces, from 1: how near an unlisted stack may still be, and how near the nearest is.
    """

    found: Sequence[Found]
    off: Ints
    pieces: Ints
    uses: NDArray[np.int16]
    bounds: Sequence[float]
    firsts: Sequence[float]

    @classmethod
    def of(cls, kinds: Kinds, goal: int, most: int, max_thin: int | None, listed: int) -> _Side:
        sizes = nearest(kinds, goal, most, max_thin, listed)
        found = sorted((f for size in sizes for f in size), key=lambda f: (f.off, len(f.members)))
        uses = np.zeros((len(found), kinds.values.size), dtype=np.int16)
        for i, f in enumerate(found):
            np.add.at(uses[i], list(f.members), 1)
        bounds = [float(size[-1].off) if len(size) == listed else math.inf for size in sizes]
        firsts = [float(size[0].off) if size else math.inf for size in sizes]
        off = np.array([f.off for f in found], dtype=np.int64)
        return cls(found, off, np.array([len(f.members) for f in found], dtype=np.int64), uses, bounds, firsts)

    def fewest(self, off: float) -> float:
        """Pieces of the smallest stack that is no farther off."""
        return next((n for n, first in enumerate(self.firsts, start=1) if first <= off), math.inf)

    def settles(self, other: _Side, off: float, pieces: int) -> tuple[bool, bool]:
        """Whether no unlisted stack makes a pair nearer than `off`, and none one as near of fewer than `pieces`."""
        near = all(bound >= off for bound in self.bounds)
        few = all(bound > off or n + other.fewest(off) >= pieces for n, bound in enumerate(self.bounds, start=1))
        return near, near and few


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
        The distance is the least there is, and so is the number of pieces of pairs that near, unless the longest lists are full of
        stacks equally near that all need the same piece.

    Raises
    ------
    TooManyStacksError
        If the box holds too many different pieces, or the longest lists do not settle it.
    """
    for listed in LISTED:
        left, right = (_Side.of(kinds, goal, most, max_thin, listed) for goal in goals)
        best = _best(left, right, kinds.available, keep)
        everything = all(bound == math.inf for side in (left, right) for bound in side.bounds)
        if not everything and len(best) < keep:
            continue
        near = few = True
        if not everything:
            off, pieces = float(best[-1][0]), best[-1][1]
            (near, few), (near_too, few_too) = left.settles(right, off, pieces), right.settles(left, off, pieces)
            near, few = near and near_too, few and few_too
        if few or (near and listed == LISTED[-1]):
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
