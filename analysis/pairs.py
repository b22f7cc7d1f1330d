"""Two stacks from one box at once: the left and the right side shim of a carrier.

The sum sets the preload, the difference the backlash, and no piece can be on both sides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analysis.near_pairs import near_pairs
from analysis.shims import Limits, StockPiece
from analysis.subsets import Ints, Kinds, common_denominator, count_stacks, levels, whole

_CHUNK = 4096

MOST_CELLS = 20_000_000
"""Stacks by kinds of piece up to which every pair is weighed; beyond it the nearest stacks are listed."""


@dataclass(frozen=True, slots=True)
class JointChoice:
    """Left and right stack from one box.

    `off` is the distance of the sum from the sum wanted plus that of the difference from the difference wanted, exact.
    """

    left: tuple[StockPiece, ...]
    right: tuple[StockPiece, ...]
    off: Fraction

    @property
    def totals(self) -> tuple[Decimal, Decimal]:
        """Thickness of each side."""
        return _total(self.left), _total(self.right)


def joint_choices(
    stock: Sequence[StockPiece], total: Fraction, difference: Fraction, limits: Limits, *, keep: int = 2
) -> list[JointChoice]:
    """Best pairs of stacks, best first; none when the box cannot fill both sides.

    Least ``|left + right - total| + |left - right - difference|``, then fewest pieces.  Every pair is weighed: the two distances
    together equal twice the larger of what each side is off by itself, so either side alone can rule a pair out.  In a large box
    `near_pairs` finds the same.

    Parameters
    ----------
    stock : sequence of StockPiece
        Each piece once per copy.
    total, difference : Fraction
        Wanted sum, and left less right.
    limits : Limits
        Rules for each side.
    keep : int
        Pairs wanted; each has other thicknesses on a side than those before it.

    Raises
    ------
    TooManyStacksError
        If the box holds too many different pieces for stacks of that many.
    """
    boxes: dict[Decimal, list[StockPiece]] = {}
    for p in stock:
        boxes.setdefault(p.thickness, []).append(p)
    by_kind = [boxes[t] for t in sorted(boxes, reverse=True)]
    if len(stock) < 2:
        return []
    wanted = ((total + difference) / 2, (total - difference) / 2)
    lengths = [Fraction(b[0].thickness) for b in by_kind]
    denominator = common_denominator([*lengths, *wanted], 2 * limits.max_pieces)
    kinds = Kinds(
        np.array([whole(x, denominator) for x in lengths], dtype=np.int64),
        np.array(
            [int(limits.thin_limit is not None and b[0].thickness < limits.thin_limit) for b in by_kind], dtype=np.int64
        ),
        np.array([len(b) for b in by_kind], dtype=np.int64),
        denominator,
    )
    out: list[JointChoice] = []
    goals = whole(wanted[0], denominator), whole(wanted[1], denominator)
    if count_stacks(kinds.available.tolist(), limits.max_pieces) * kinds.values.size > MOST_CELLS:
        for one, other in near_pairs(kinds, goals, limits.max_pieces, limits.max_thin, keep):
            left, right = _pieces(by_kind, _uses(one, len(by_kind)), _uses(other, len(by_kind)))
            a, b = Fraction(_total(left)), Fraction(_total(right))
            out.append(JointChoice(left, right, abs(a + b - total) + abs(a - b - difference)))
        return out
    box = _Stacks.of(kinds, limits)
    seen: set[tuple[int, int]] = set()
    while len(out) < keep:
        pair = _best_pair(box, kinds.available, *goals, frozenset(seen))
        if pair is None:
            break
        seen.add(pair)
        left, right = _pieces(by_kind, box.uses[pair[0]].tolist(), box.uses[pair[1]].tolist())
        a, b = Fraction(_total(left)), Fraction(_total(right))
        out.append(JointChoice(left, right, abs(a + b - total) + abs(a - b - difference)))
    return out


def _total(pieces: tuple[StockPiece, ...]) -> Decimal:
    return sum((p.thickness for p in pieces), Decimal(0))


@dataclass(frozen=True, slots=True)
class _Stacks:
    """Every allowed stack: total, number of pieces, pieces of each kind."""

    totals: Ints
    pieces: Ints
    uses: NDArray[np.uint8]

    @classmethod
    def of(cls, kinds: Kinds, limits: Limits) -> _Stacks:
        totals: list[Ints] = []
        pieces: list[Ints] = []
        uses: list[NDArray[np.uint8]] = []
        for level in levels(kinds, limits.max_pieces)[1:]:
            ok = np.flatnonzero(level.thins <= (level.thins.max() if limits.max_thin is None else limits.max_thin))
            members = level.members[ok]
            use = np.zeros((ok.size, kinds.values.size), dtype=np.uint8)
            for column in range(members.shape[1]):
                use[np.arange(ok.size), members[:, column]] += 1
            totals.append(level.totals[ok])
            pieces.append(np.full(ok.size, members.shape[1], dtype=np.int64))
            uses.append(use)
        return cls(np.concatenate(totals), np.concatenate(pieces), np.concatenate(uses))


def _best_pair(
    box: _Stacks, available: Ints, left: int, right: int, seen: frozenset[tuple[int, int]] = frozenset()
) -> tuple[int, int] | None:
    off_left, off_right = np.abs(box.totals - left), np.abs(box.totals - right)
    by_left, by_right = np.lexsort((box.pieces, off_left)), np.lexsort((box.pieces, off_right))
    off_sorted, pieces_sorted, uses_sorted = off_right[by_right], box.pieces[by_right], box.uses[by_right]
    best: tuple[int, int] | None = None
    pair: tuple[int, int] | None = None
    for i in by_left.tolist():
        own = int(off_left[i])
        if best is not None and own > best[0]:
            break
        room = available - box.uses[i]
        known = [j for a, j in seen if a == i]
        end = off_sorted.size if best is None else int(np.searchsorted(off_sorted, best[0], "right"))
        for start in range(0, end, _CHUNK):
            if best is not None and int(off_sorted[start]) > best[0]:
                break
            part = slice(start, min(start + _CHUNK, end))
            fits = (uses_sorted[part] <= room).all(axis=1)
            if known:
                fits &= ~np.isin(by_right[part], known)
            free = np.flatnonzero(fits) + start
            if free.size == 0:
                continue
            worse = np.maximum(off_sorted[free], own)
            j = int(free[np.lexsort((pieces_sorted[free], worse))[0]])
            key = (max(own, int(off_sorted[j])), int(box.pieces[i] + pieces_sorted[j]))
            if best is None or key < best:
                best, pair = key, (i, int(by_right[j]))
    return pair


def _pieces(
    by_kind: list[list[StockPiece]], left_uses: Sequence[int], right_uses: Sequence[int]
) -> tuple[tuple[StockPiece, ...], tuple[StockPiece, ...]]:
    left = tuple(p for kind, n in zip(by_kind, left_uses, strict=True) for p in kind[:n])
    right = tuple(p for kind, n, m in zip(by_kind, left_uses, right_uses, strict=True) for p in kind[n : n + m])
    return left, right


def _uses(members: tuple[int, ...], kinds: int) -> list[int]:
    return [members.count(kind) for kind in range(kinds)]
