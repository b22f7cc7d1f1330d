"""Bottoms well above what other sweeps went down to: the arbor turned back before the nearest point."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.screen.judged import Judged

ABOVE_MM = 0.05
"""Height above the other sweeps' lowest readings that no play and no knock makes."""

AGREE_MM = 0.03
"""Width within which the lowest readings of sweeps that went across lie, play and a coarse display included."""

SAME_MM = 0.006
"""Width within which three bottoms lie that are one level and not three chances."""

SEATED_ELSEWHERE_MM = 0.5
"""Height above the rest of the set that no seating makes: a blade forgotten or grit is less, an arbor that never came near is more."""


def above_the_rest(judged: Sequence[Judged], seats: Sequence[int]) -> None:
    """A bottom well above what other sweeps of its seating went down to, rejected ones included, is no bottom.

    Nor is one that no seating explains: on a seating of its own it is held against those of the whole set.
    """
    whole = [j for j in judged if not j.raw.cut]
    for seat in set(seats):
        _none_above([j for j, s in zip(judged, seats, strict=True) if s == seat and not j.raw.cut], ABOVE_MM)
    _none_above(whole, SEATED_ELSEWHERE_MM)


def _none_above(group: Sequence[Judged], above_mm: float) -> None:
    lows = sorted(j.raw.z[j.raw.lowest] for j in group)
    if len(lows) < 4:
        return
    # Those that went across agree, however many a trembling hand turned back on the way.
    agree = [x for x, third in zip(lows, lows[2:], strict=False) if third < x + AGREE_MM]
    centre = min(lows[len(lows) // 2], agree[0] + AGREE_MM if agree else math.inf)
    above = [
        (j, b.minimum_mm)
        for j in group
        if j.accepted and (b := j.bottom) is not None and b.minimum_mm > centre + above_mm + 4.0 * b.u_mm
    ]
    if _a_level([m for _, m in above]):
        # Turned back three times to the same micrometres is no hand: the zero key, or the indicator slipped in its clamp.
        return
    for j, _ in above:
        j.reasons.append("turned-back")


def _a_level(m: Sequence[float]) -> bool:
    """Whether three of them agree as bottoms do."""
    x = sorted(m)
    return any(third - first < SAME_MM for first, third in zip(x, x[2:], strict=False))
