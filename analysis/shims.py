"""Which shims: the exact best stack from the box, or what to order.

The stack needed is ``fitted - error / g`` with g = +1 where a thicker shim moves the pinion away from the ring gear's axis and
-1 where it moves it toward.  Every allowed stack is looked at, so the choice is the optimum, not a guess.
"""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np

from analysis.ruling import probability_within
from analysis.subsets import Found, Kinds, common_denominator, nearest, whole


@dataclass(frozen=True, slots=True)
class StockPiece:
    """One shim in the box, as measured."""

    id: str
    thickness: Decimal


@dataclass(frozen=True, slots=True)
class Limits:
    """Rules for a stack; None where the manual sets none."""

    max_pieces: int
    thin_limit: Decimal | None = None
    max_thin: int | None = None


@dataclass(frozen=True, slots=True)
class Choice:
    """A stack from the box.

    `error` is the predicted error left, exact, in the set-up's unit.
    """

    pieces: tuple[StockPiece, ...]
    total: Decimal
    error: Fraction
    p_within: float | None
    thin: int


def stacks(
    stock: Sequence[StockPiece],
    needed: Fraction,
    limits: Limits,
    *,
    u_mm: float,
    dof: float,
    tolerance_mm: float | None,
    piece_u_mm: float,
    mm_per_unit: Decimal,
    effect: int | Fraction,
    limit: Fraction | None = None,
    keep: int = 2,
) -> list[Choice]:
    """Best stacks, best first.

    Order: those no farther off than `limit`, where one is given; then probability of being within tolerance (to a thousandth),
    then nearest to the aim, then fewest pieces, then fewest thin ones.

    Parameters
    ----------
    stock : sequence of StockPiece
        Each piece once per copy.
    needed : Fraction
        Stack wanted, exact.
    effect : int or Fraction
        Change in distance for a thicker stack: +1 or -1, or what the unit was seen to do.
    limit : Fraction, optional
        Error the shop accepts, in the unit of the thicknesses.
    tolerance_mm : float or None
        None ranks by distance from the stack needed alone.
    piece_u_mm : float
        Standard uncertainty of one thickness; one micrometer measures all, so it adds up over a stack.

    Raises
    ------
    TooManyStacksError
        If the box holds too many different pieces for stacks of that many.

    Notes
    -----
    Stacks of the same thicknesses count once: the runner-up is a different stack.
    """
    if not stock:
        return []
    boxes = _by_thickness(stock)
    most = min(limits.max_pieces, len(stock))
    kinds = _kinds(boxes, needed, limits, most)
    goal = whole(needed, kinds.denominator)
    share = abs(Fraction(effect))
    farthest = math.inf if limit is None else limit * kinds.denominator / share
    rows: list[tuple[tuple[bool, float, int, int, int], Found, float | None]] = []
    # Within one size of stack the probability falls with the distance from the goal, so only the nearest can win.
    for count, found in enumerate(nearest(kinds, goal, most, limits.max_thin, keep), start=1):
        for f in found:
            p = None
            if tolerance_mm is not None:
                u = math.hypot(u_mm, count * piece_u_mm)
                p = probability_within(
                    f.off / kinds.denominator * float(share) * float(mm_per_unit), u, dof, tolerance_mm
                )
            likely = -round(p, 3) if p is not None else 0.0
            rows.append(((f.off > farthest, likely, f.off, count, f.thin), f, p))
    rows.sort(key=lambda row: (row[0], row[1].members))
    return [_choice(boxes, f, p, needed, effect) for _, f, p in rows[:keep]]


def _by_thickness(stock: Sequence[StockPiece]) -> list[list[StockPiece]]:
    """Pieces of equal thickness together, thickest first: they are interchangeable."""
    boxes: dict[Decimal, list[StockPiece]] = {}
    for p in stock:
        boxes.setdefault(p.thickness, []).append(p)
    return [boxes[t] for t in sorted(boxes, reverse=True)]


def _kinds(boxes: list[list[StockPiece]], needed: Fraction, limits: Limits, most: int) -> Kinds:
    lengths = [Fraction(b[0].thickness) for b in boxes]
    denominator = common_denominator([*lengths, needed], most)
    limit = limits.thin_limit
    return Kinds(
        np.array([whole(x, denominator) for x in lengths], dtype=np.int64),
        np.array([int(limit is not None and b[0].thickness < limit) for b in boxes], dtype=np.int64),
        np.array([len(b) for b in boxes], dtype=np.int64),
        denominator,
    )


def _choice(
    boxes: list[list[StockPiece]], f: Found, p: float | None, needed: Fraction, effect: int | Fraction
) -> Choice:
    taken: Counter[int] = Counter()
    pieces: list[StockPiece] = []
    for kind in f.members:
        pieces.append(boxes[kind][taken[kind]])
        taken[kind] += 1
    total = sum((x.thickness for x in pieces), Decimal(0))
    return Choice(tuple(pieces), total, (Fraction(total) - needed) * effect, p, f.thin)


def change_for_bearing(taller: Decimal, effect: int) -> Decimal:
    """Change of the stack that makes up for a bearing stack taller by `taller` between head and seat.

    Where a thicker shim moves the pinion away from the ring gear's axis (`effect` +1) the taller bearing has moved it the
    other way, and the stack grows with it; where it moves the pinion toward the axis (-1), the stack shrinks.
    """
    return taller * effect


@dataclass(frozen=True, slots=True)
class Grade:
    """A thickness to order."""

    thickness: Decimal
    role: str


def order(needed: Fraction, first: Decimal, last: Decimal, step: Decimal) -> list[Grade]:
    """Grade nearest to the stack needed and one neighbour each side; empty when no single grade reaches it."""
    f, l, s = Fraction(first), Fraction(last), Fraction(step)
    if needed < f - s / 2 or needed > l + s / 2:
        return []
    count = (l - f) // s
    n = min(max(0, _nearest((needed - f) / s)), int(count))
    grades = [Grade(first + step * n, "total")]
    if n > 0:
        grades.append(Grade(first + step * (n - 1), "one thinner"))
    if n < count:
        grades.append(Grade(first + step * (n + 1), "one thicker"))
    return grades


def _nearest(x: Fraction) -> int:
    return int((x + Fraction(1, 2)) // 1) if x >= 0 else 0
