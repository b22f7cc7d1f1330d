"""Bottoms well above what other sweeps went down to: the arbor turned back before the nearest point."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

from analysis.screen.judged import Judged
from analysis.valley import Bottom

ABOVE_MM = 0.05
"""Height above the other sweeps' lowest readings that no play and no knock makes."""

AGREE_MM = 0.03
"""Width within which the lowest readings of sweeps that went across lie, play and a coarse display included."""

SAME_MM = 0.006
"""Width within which three bottoms lie that are one level and not three chances."""

SEATED_ELSEWHERE_MM = 0.5
"""Height above the rest of the set that no seating makes: a blade forgotten or grit is less, an arbor that never came near is more."""

WENT_ON = 0.15
"""Loss of pace over the bottom below which a hand went on at its pace: most of those that rock, and 99 in 100 uneven ones, stay well below it."""

TURNED = 0.2
"""The same from which it may have stopped and gone back: where it comes back to the same side there is no pace left."""

HIGH_MM = 0.002
"""Height above those that went on that counts as such, besides four standard uncertainties."""


def slow_and_high(judged: Sequence[Judged], seats: Sequence[int]) -> None:
    """A bottom over which the hand slowed down, above those of its seating over which it did not, is where the arbor turned back.

    By itself each sign is none: a hand may rest at the bottom, and a bearing may have play.  Nor is anything said where most sweeps slow down, or of
    a seating in which fewer than two went on.
    """
    held = [(b, j, seat) for j, seat in zip(judged, seats, strict=True) if j.accepted and (b := j.bottom) is not None]
    if 2 * sum(b.slowing < WENT_ON for b, _, _ in held) <= len(held):
        return
    for seat in set(seats):
        own: list[tuple[Bottom, Judged]] = [(b, j) for b, j, s in held if s == seat]
        went_on = sorted(b.minimum_mm for b, _ in own if b.slowing < WENT_ON)
        if len(went_on) < 2:
            continue
        # Of those that went on, too, some may stand high: the lower half says where the face is.
        level = went_on[(len(went_on) - 1) // 2]
        for b, j in own:
            room = max(HIGH_MM, 4.0 * b.u_mm)
            # A level on which the hand went on too is play, or the face.
            if (
                b.slowing > TURNED
                and b.minimum_mm > level + room
                and not any(abs(x - b.minimum_mm) < room for x in went_on)
            ):
                j.reasons.append("turned-back")


def above_the_rest(judged: Sequence[Judged], seats: Sequence[int]) -> None:
    """A bottom well above what other sweeps of its seating went down to, rejected ones included, is no bottom.

    Nor is one that no seating explains: on a seating of its own it is held against those of the whole set.
    """
    whole = [j for j in judged if not j.raw.cut]
    for seat in set(seats):
        _none_above([j for j, s in zip(judged, seats, strict=True) if s == seat and not j.raw.cut], ABOVE_MM, whole)
    _none_above(whole, SEATED_ELSEWHERE_MM, whole)


def _none_above(group: Sequence[Judged], above_mm: float, whole: Sequence[Judged]) -> None:
    lows = sorted(j.raw.z[j.raw.lowest] for j in group)
    if len(lows) < 4:
        return
    # Those that went across agree, however many a trembling hand turned back on the way.
    agree = [x for x, third in zip(lows, lows[2:], strict=False) if third < x + AGREE_MM]
    centre = min(lows[len(lows) // 2], agree[0] + AGREE_MM if agree else math.inf)

    def high(j: Judged) -> bool:
        b = j.bottom
        return b is not None and b.minimum_mm > centre + above_mm + 4.0 * b.u_mm

    above = [j for j in group if j.accepted and high(j)]
    # Before and after: a hand that rests and trembles at the far side makes levels too, but between sweeps that went across.
    changes = sum(a != b for a, b in pairwise(high(j) for j in whole if j.accepted))
    if changes <= 1 and _a_level([j.bottom.minimum_mm for j in above if j.bottom is not None]):
        # Turned back three times to the same micrometres is no hand: the zero key, or the indicator slipped in its clamp.
        return
    for j in above:
        j.reasons.append("turned-back")


def _a_level(m: Sequence[float]) -> bool:
    """Whether three of them agree as bottoms do."""
    x = sorted(m)
    return any(third - first < SAME_MM for first, third in zip(x, x[2:], strict=False))
