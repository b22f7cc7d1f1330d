"""Sums of pieces from a box: exact, and quick enough to look at every stack.

Thicknesses are whole numbers of a small unit.  Pieces of equal thickness are one kind with a number available, so that no
partial stack is looked at twice.  To find the stacks nearest to a goal each stack is split in two halves by its number of pieces;
each half is met by its nearest complements among the sorted others, which leaves out nothing (meet in the middle).
"""

from __future__ import annotations

import math
from bisect import insort
from collections import Counter
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


def levels(kinds: Kinds, most: int) -> list[Level]:
    """All stacks of 0, 1, … `most` pieces, each once.

    Raises
    ------
    TooManyStacksError
        If there are more than `MOST_STACKS`.
    """
    if count_stacks(kinds.available.tolist(), most) > MOST_STACKS:
        raise TooManyStacksError(
            f"{kinds.values.size} different thicknesses are too many to look at every stack of that many: allow fewer pieces a stack"
        )
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
        If there are too many stacks of half as many pieces to look at.
    """
    parts = [_grouped(x) for x in levels(kinds, (most + 1) // 2)]
    # Two halves with more thin pieces than there are would be met in vain, every pair of them.
    thin_pieces = int(kinds.available[kinds.thin > 0].sum())
    most_thin = thin_pieces if max_thin is None else min(thin_pieces, max_thin)
    out: list[list[Found]] = []
    for count in range(1, most + 1):
        found: list[Found] = []
        less, more = count // 2, count - count // 2
        if more < len(parts):
            for thin_a, group_a in parts[less].items():
                for thin_b, group_b in parts[more].items():
                    if thin_a + thin_b <= most_thin:
                        found += _Meeting(group_a, group_b, goal, thin_a + thin_b, kinds.available).best(keep)
        found.sort(key=lambda f: (f.off, f.thin, f.members))
        out.append(_distinct(found)[:keep])
    return out


def _distinct(found: Sequence[Found]) -> list[Found]:
    """Each stack once: the thin pieces of one may be parted between its halves in several ways."""
    return list({f.members: f for f in found}.values())


@dataclass(frozen=True, slots=True)
class _Group:
    """Partial stacks with the same number of pieces and of thin ones, by total."""

    totals: Ints
    members: Shorts


def _grouped(level: Level) -> dict[int, _Group]:
    out: dict[int, _Group] = {}
    order = np.argsort(level.totals, kind="stable")
    totals, members, thins = level.totals[order], level.members[order], level.thins[order]
    for thin in range(int(thins.max(initial=0)) + 1):
        at = thins == thin
        if at.any():
            out[thin] = _Group(totals[at], members[at])
    return out


_FEW = 256
"""Candidates looked at one by one at a time."""


class _Meeting:
    """Partial stacks of two groups, put together nearest to the goal first.

    A stack can be parted into its halves in several ways and is met in each; a pair that would need a piece twice is passed over.
    For each partial stack of the first group its complements are walked outward from the goal, on either side, as long as they are
    nearer than the worst of the best found so far: farther ones are farther for good, so nothing is left out.
    """

    def __init__(self, a: _Group, b: _Group, goal: int, thin: int, available: Ints) -> None:
        self._a, self._b, self._goal, self._thin = a, b, goal, thin
        self._available = available.tolist()
        self._seen: set[tuple[int, ...]] = set()
        self._found: list[Found] = []

    def best(self, keep: int) -> list[Found]:
        """The `keep` nearest stacks, best first."""
        a, b = self._a, self._b
        at = np.searchsorted(b.totals, self._goal - a.totals)
        rows = np.arange(a.totals.size)
        walks = [(rows, at, 1), (rows, at - 1, -1)]
        while walks:
            on: list[tuple[Ints, Ints, int]] = []
            for row, column, way in walks:
                there = (column >= 0) & (column < b.totals.size)
                row, column = row[there], column[there]
                off = np.abs(a.totals[row] + b.totals[column] - self._goal)
                self._look(row, column, off, keep)
                if len(self._found) >= keep:
                    near = off < self._found[keep - 1].off
                    row, column = row[near], column[near]
                if row.size:
                    on.append((row, column + way, way))
            walks = on
        return self._found[:keep]

    def _look(self, row: Ints, column: Ints, off: Ints, keep: int) -> None:
        """Take in the candidates that are nearer than what is there."""
        few = _FEW
        while off.size:
            some = np.argpartition(off, few)[:few] if few < off.size else np.arange(off.size)
            for i in some[np.argsort(off[some], kind="stable")].tolist():
                if len(self._found) >= keep and off[i] >= self._found[keep - 1].off:
                    return
                self._take(int(row[i]), int(column[i]), int(off[i]))
            if few >= off.size:
                return
            few *= 8

    def _take(self, row: int, column: int, off: int) -> None:
        members = tuple(sorted([*self._a.members[row].tolist(), *self._b.members[column].tolist()]))
        if members in self._seen:
            return
        self._seen.add(members)
        if all(n <= self._available[kind] for kind, n in Counter(members).items()):
            insort(self._found, Found(off, self._thin, members), key=lambda f: (f.off, f.members))
