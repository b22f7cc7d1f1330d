"""What only the whole set shows."""

from __future__ import annotations

from collections.abc import Sequence

from analysis.screen.judged import Judged
from analysis.screen.off_the_set import off_the_set
from analysis.screen.open_hole import open_hole
from analysis.screen.turned_back import above_the_rest, slow_and_high


def judge_together(
    judged: Sequence[Judged],
    seats: Sequence[int],
    swing_radius_mm: float,
    repeatability_mm: float | None,
    *,
    rims: bool = False,
) -> None:
    """Add what only the set shows: holes, half sweeps, sweeps off the set.

    `rims`: the bottoms come in pairs, on two rims of a hole.
    """
    open_hole(judged, swing_radius_mm, repeatability_mm, rims)
    slow_and_high(judged, seats)
    for _ in range(3):
        if not off_the_set(judged, seats):
            break
    above_the_rest(judged, seats)
