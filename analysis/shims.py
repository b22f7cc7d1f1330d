"""Which shims: the exact best stack from the box, or what to order.

The stack needed is ``fitted - error / g`` with g = +1 where a thicker shim moves the pinion away from the ring gear's axis and
-1 where it moves it toward.  Every allowed stack is looked at, so the choice is the optimum, not a guess.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from analysis.ruling import probability_within

Ints = NDArray[np.int64]


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
    effect: int,
    keep: int = 2,
) -> list[Choice]:
    """Best stacks, best first.

    Order: probability of being within tolerance (to a thousandth), then nearest to the aim, then fewest pieces, then fewest
    thin ones.

    Parameters
    ----------
    stock : sequence of StockPiece
        Each piece once per copy.
    needed : Fraction
        Stack wanted, exact.
    effect : {+1, -1}
        Sign of the change in distance for a thicker stack.
    piece_u_mm : float
        Standard uncertainty of one thickness; one micrometer measures all, so it adds up over a stack.
    """
    if not stock:
        return []
    denominator = _common(stock)
    values = np.array([int(p.thickness * denominator) for p in stock], dtype=np.int64)
    goal = int(needed * denominator)
    thin = np.array(
        [1 if limits.thin_limit is not None and p.thickness < limits.thin_limit else 0 for p in stock], dtype=np.int64
    )
    rows: list[tuple[tuple[float, int, int, int], tuple[int, ...], float | None]] = []
    for members, totals, thins in _levels(values, thin, limits.max_pieces):
        ok = thins <= limits.max_thin if limits.max_thin is not None else np.ones(totals.size, dtype=bool)
        if not ok.any():
            continue
        at = np.flatnonzero(ok)
        off = np.abs(totals[at] - goal)
        # Within one size of stack the probability falls with the distance, so only the nearest can win.
        order = np.lexsort((thins[at], off))[:keep]
        for i in at[order]:
            count = members.shape[1]
            error = float(Fraction(int(totals[i]) - goal, denominator) * effect) * float(mm_per_unit)
            p = None
            if tolerance_mm is not None:
                u = (u_mm**2 + (count * piece_u_mm) ** 2) ** 0.5
                p = probability_within(error, u, dof, tolerance_mm)
            key = (-round(p, 3) if p is not None else 0.0, int(abs(totals[i] - goal)), count, int(thins[i]))
            rows.append((key, tuple(int(x) for x in members[i]), p))
    rows.sort()
    out: list[Choice] = []
    for key, members_of, p in rows[:keep]:
        pieces = tuple(sorted((stock[i] for i in members_of), key=lambda x: -x.thickness))
        total = sum((x.thickness for x in pieces), Decimal(0))
        out.append(Choice(pieces, total, (Fraction(total) - needed) * effect, p, key[3]))
    return out


def _common(stock: Sequence[StockPiece]) -> int:
    """Denominator that makes thicknesses whole; the need is taken to a thousandth of that."""
    digits = max(max(0, -int(p.thickness.as_tuple().exponent)) for p in stock)
    return int(10 ** max(digits + 3, 7))


def _levels(values: Ints, thin: Ints, most: int) -> list[tuple[Ints, Ints, Ints]]:
    """All stacks of 1, 2, … pieces: member indices, totals, thin pieces."""
    n = values.size
    members = np.arange(n, dtype=np.int64)[:, None]
    totals, thins = values.copy(), thin.copy()
    out = [(members, totals, thins)]
    for _ in range(1, most):
        last = members[:, -1]
        more = n - 1 - last
        if more.sum() == 0:
            break
        rows = np.repeat(np.arange(members.shape[0]), more)
        start = np.cumsum(more) - more
        new = np.arange(rows.size) - np.repeat(start, more) + np.repeat(last + 1, more)
        members = np.concatenate([members[rows], new[:, None]], axis=1)
        totals = totals[rows] + values[new]
        thins = thins[rows] + thin[new]
        out.append((members, totals, thins))
    return out


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
