"""Sums of pieces from a box: exact, and quick enough to look at every stack.

Thicknesses are whole numbers of a small unit.  Pieces of equal thickness are one kind with a number available, so that no
stack is looked at twice.  To find the stacks nearest to a goal the kinds are split in two halves; each partial stack
of one half is met by its nearest complements in the sorted other half, which leaves out nothing (meet in the middle).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

Ints = NDArray[np.int64]
Shorts = NDArray[np.int16]

MOST_STACKS = 3_000_000
"""Partial stacks held at once; more would take gigabytes."""

_FITS = 2**62


class TooManyStacksError(ValueError):
    """A box too large for stacks of that many pieces."""


@dataclass(frozen=True, slots=True)
class Kinds:
    """Kinds of piece in a box.

    Attributes
    ----------
    values : ndarray of int64
        Thickness in units of ``1 / denominator``.
    thin : ndarray of int64
        1 where the kind counts as thin.
    available : ndarray of int64
        Pieces of the kind.
    denominator : int
    """

    values: Ints
    thin: Ints
    available: Ints
    denominator: int

    def part(self, index: Ints) -> Kinds:
        """Some of the kinds."""
        return Kinds(self.values[index], self.thin[index], self.available[index], self.denominator)


@dataclass(frozen=True, slots=True)
class Level:
    """All stacks of one number of pieces: kinds in them (n × pieces), totals, thin pieces."""

    members: Shorts
    totals: Ints
    thins: Ints


@dataclass(frozen=True, slots=True)
class Found:
    """A stack: distance from the goal (whole units), thin pieces, kinds in it."""

    off: int
    thin: int
    members: tuple[int, ...]


def common_denominator(lengths: Sequence[Fraction], most: int) -> int:
    """Denominator that makes all lengths whole and their sums fit 64 bits.

    Lengths with more digits than fit are later rounded at the last digit that does, far below a picometre.
    """
    exact = math.lcm(*(x.denominator for x in lengths))
    largest = max([abs(x) for x in lengths] + [Fraction(1)]) * (most + 1)
    if largest * exact < _FITS:
        return exact
    return int(10 ** math.floor(math.log10(_FITS / largest)))


def whole(length: Fraction, denominator: int) -> int:
    """A length in units of ``1 / denominator``, to the nearest."""
    return round(length * denominator)


def count_stacks(available: Sequence[int], most: int) -> int:
    """Number of stacks of 0 to `most` pieces."""
    ways = [1] + [0] * most
    for n in available:
        ways = [sum(ways[c - k] for k in range(min(n, c) + 1)) for c in range(most + 1)]
    return sum(ways)


def _refuse_if_too_many(parts: Sequence[Kinds], most: int) -> None:
    if max(count_stacks([int(x) for x in k.available], most) for k in parts) > MOST_STACKS:
        size = sum(int(k.values.size) for k in parts)
        raise TooManyStacksError(
            f"{size} different thicknesses in stacks of {most} are too many to look at every one: allow fewer pieces a stack"
        )


def levels(kinds: Kinds, most: int) -> list[Level]:
    """All stacks of 0, 1, … `most` pieces, each once.

    Raises
    ------
    TooManyStacksError
        If there are more than `MOST_STACKS`.
    """
    _refuse_if_too_many([kinds], most)
    n = kinds.values.size
    members = np.zeros((1, 0), dtype=np.int16)
    totals, thins = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
    last, run = np.zeros(1, dtype=np.int64), np.zeros(1, dtype=np.int64)
    out = [Level(members, totals, thins)]
    for _ in range(most):
        more = n - last
        rows = np.repeat(np.arange(totals.size), more)
        new = np.arange(rows.size) - np.repeat(np.cumsum(more) - more, more) + last[rows]
        # A kind already last in the stack may come again only while copies are left.
        runs = np.where(new == last[rows], run[rows], 0) + 1
        ok = runs <= kinds.available[new]
        rows, new, run = rows[ok], new[ok], runs[ok]
        if rows.size == 0:
            break
        members = np.concatenate([members[rows], new[:, None].astype(np.int16)], axis=1)
        totals, thins = totals[rows] + kinds.values[new], thins[rows] + kinds.thin[new]
        last = new
        out.append(Level(members, totals, thins))
    return out


def nearest(kinds: Kinds, goal: int, most: int, max_thin: int | None, keep: int) -> list[list[Found]]:
    """For each number of pieces 1 to `most`, the `keep` stacks nearest to the goal, then fewest thin; best first.

    Raises
    ------
    TooManyStacksError
        If there are too many stacks to look at.
    """
    index = np.arange(kinds.values.size)
    sides = (index[::2], index[1::2])
    halves = [kinds.part(s) for s in sides]
    _refuse_if_too_many(halves, most)
    left, right = ([_grouped(x, s) for x in levels(half, most)] for half, s in zip(halves, sides, strict=True))
    out: list[list[Found]] = []
    for count in range(1, most + 1):
        found: list[Found] = []
        for a in range(count + 1):
            if a >= len(left) or count - a >= len(right):
                continue
            for thin_a, group_a in left[a].items():
                for thin_b, group_b in right[count - a].items():
                    if max_thin is None or thin_a + thin_b <= max_thin:
                        found += _meet(group_a, group_b, goal, thin_a + thin_b, keep)
        found.sort(key=lambda f: (f.off, f.thin, f.members))
        out.append(found[:keep])
    return out


@dataclass(frozen=True, slots=True)
class _Group:
    """Partial stacks with the same number of pieces and of thin ones, by total."""

    totals: Ints
    members: Shorts


def _grouped(level: Level, kinds: Ints) -> dict[int, _Group]:
    out: dict[int, _Group] = {}
    order = np.argsort(level.totals, kind="stable")
    totals, members, thins = level.totals[order], kinds.astype(np.int16)[level.members[order]], level.thins[order]
    for thin in range(int(thins.max(initial=0)) + 1):
        at = thins == thin
        if at.any():
            out[thin] = _Group(totals[at], members[at])
    return out


def _meet(a: _Group, b: _Group, goal: int, thin: int, keep: int) -> list[Found]:
    rows: list[Ints] = []
    columns: list[Ints] = []
    at = np.searchsorted(b.totals, goal - a.totals)
    # Of a run of complements on one side of the goal only the nearest `keep` can be among the best `keep`.
    for shift in range(-keep, keep):
        column = at + shift
        row = np.flatnonzero((column >= 0) & (column < b.totals.size))
        rows.append(row)
        columns.append(column[row])
    row, column = np.concatenate(rows), np.concatenate(columns)
    off = np.abs(a.totals[row] + b.totals[column] - goal)
    best = np.argpartition(off, keep - 1)[:keep] if off.size > keep else np.arange(off.size)
    return [
        Found(int(off[i]), thin, tuple(sorted([*a.members[row[i]].tolist(), *b.members[column[i]].tolist()])))
        for i in best.tolist()
    ]
