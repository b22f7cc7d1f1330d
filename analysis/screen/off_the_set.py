"""Sweeps that stand apart from the others of their seating."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.screen.judged import Judged

Array = NDArray[np.float64]

ENOUGH_SWEEPS = 5
"""Sweeps of one seating from which its scatter can be told."""

THIRD = math.sqrt(2.0) * 0.4307
"""Third of the way up the differences of two values of a normal distribution of standard deviation 1."""

TURNED_MM = 0.02
"""Height above the lowest that sweeps which turned back reach in the middle; less may be play or a rough hand."""


def off_the_set(judged: Sequence[Judged], seats: Sequence[int]) -> bool:
    """One round of set tests; True if a sweep was marked.

    Each sweep is held against the middle of its seating.  The scale is the median absolute deviation, so several bad
    sweeps cannot hide one another.  Seatings of fewer than five sweeps are judged together, each from its own middle; a small one by itself
    only shows what stands off by more than 30 µm.
    """
    groups = [
        [j for j, s in zip(judged, seats, strict=True) if s == seat and j.accepted and j.bottom is not None]
        for seat in sorted(set(seats))
    ]
    small = [g for g in groups if 3 <= len(g) < ENOUGH_SWEEPS]
    together = len(small) > 1 and sum(map(len, small)) >= 2 * ENOUGH_SWEEPS - 1
    found = _off_together(small) if together else False
    for group in groups:
        if len(group) < 3 or (together and len(group) < ENOUGH_SWEEPS):
            continue
        m, u = _minima(group)
        own = float(np.median(u))
        lowest_few = _lowest_that_agree(m, own)
        centre = _low_centre(m) if lowest_few is None else lowest_few
        near = np.abs(m - centre)
        scale = max(1.4826 * float(np.median(near)), own, 0.0005)
        if lowest_few is not None:
            scale = max(own, 0.0005)
        limit = max(4.5 * scale, 0.003) if len(group) >= ENOUGH_SWEEPS else max(8.0 * scale, 0.030)
        found = _mark_off(group, m - centre, limit, u, most_may=lowest_few is not None) or found
    return found


def _off_together(groups: Sequence[Sequence[Judged]]) -> bool:
    """Small seatings as one: what sweeps of one seating differ by is the same in all of them."""
    apart, pairs = [], []
    for group in groups:
        m, _ = _minima(group)
        apart.append(m - _low_centre(m))
        pairs.append(np.abs(m[:, None] - m[None, :])[np.triu_indices(m.size, 1)])
    sweeps = [j for group in groups for j in group]
    u = _minima(sweeps)[1]
    # The smallest third of the differences between two sweeps: three in ten may be bad and it still tells the scatter of the good.
    scale = max(float(np.quantile(np.concatenate(pairs), 1 / 3)) / THIRD, float(np.median(u)), 0.0005)
    return _mark_off(sweeps, np.concatenate(apart), max(6.0 * scale, 0.004), u, together=True)


def _minima(group: Sequence[Judged]) -> tuple[Array, Array]:
    bottoms = [j.bottom for j in group if j.bottom is not None]
    return np.array([b.minimum_mm for b in bottoms]), np.array([b.u_mm for b in bottoms])


def _mark_off(
    group: Sequence[Judged], apart: Array, limit: float, u: Array, *, most_may: bool = False, together: bool = False
) -> bool:
    """Mark what stands `apart` by more than `limit`, unless it is a second level or, where not `most_may`, most of them.

    Where seatings are judged `together` their middles blur a second level, and may lie on either.
    """
    bar = np.maximum(limit, 4.0 * u)
    far = np.flatnonzero(np.abs(apart) > bar)
    if far.size == 0:
        return False
    # Two levels that each repeat are bearing play, not bad sweeps; those that just miss the bar belong to the second level too.
    second = np.flatnonzero(np.abs(apart) > 0.6 * bar)
    own = float(np.median(u))
    if together:
        if second.size >= 2 and _second_level(np.abs(apart[second]), 1.5 * own):
            return False
    elif _second_level(apart[second], own) and second.size >= max(2, 0.2 * len(group)):
        return False
    if far.size > 0.5 * len(group) and not most_may:
        return False
    for i in far:
        group[int(i)].reasons.append("turned-back" if apart[i] > 0 else "off-the-set")
    return True


def _low_centre(m: Array) -> float:
    """Centre of the densest half of the values: half sweeps and knocks are a scattered minority."""
    x = np.sort(m)
    half = x.size // 2 + 1
    widths = x[half - 1 :] - x[: x.size - half + 1]
    at = int(np.argmin(widths))
    return float(np.median(x[at : at + half]))


def _lowest_that_agree(m: Array, own_u: float) -> float | None:
    """Level of the lowest few where they agree and most others are scattered far above; else None.

    An arbor that turns back stands too high, each time elsewhere, and never too low: however many turned back, those that went
    across agree with each other.
    """
    x = np.sort(m)
    agree = int(np.count_nonzero(x < x[0] + max(8.0 * own_u, 0.004)))
    above = x[agree:]
    if agree < 3 or above.size <= agree or float(np.median(above)) < x[0] + TURNED_MM:
        return None
    # Levels that repeat are play, however many there are.
    return float(np.median(x[:agree])) if np.median(np.diff(above)) > 2.0 * own_u else None


def _second_level(m: Array, own_u: float) -> bool:
    return bool(m.size >= 2 and float(np.ptp(m)) < max(8.0 * own_u, 0.004))
