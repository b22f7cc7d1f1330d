"""Backlash of one place from its stops, and what speaks against it."""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.plateaus import Episode, Plateau
from analysis.pushpull import load_reversal, rounding
from analysis.results import INFINITE_DOF, BudgetLine
from analysis.rocking.place import Place
from analysis.rocking.runs import TO_AND_FRO
from analysis.uncertainty import combine, rectangular

Array = NDArray[np.float64]

HAND_MM = 0.002
HAND_DOF = 4.0
"""Scatter of a stop under a hand before any is seen, and how many stops that is worth."""

GIVE_MM = 0.003
"""What sound parts give under the hand, less what the plunger lags behind, at most (judged on simulated streams)."""

SOFT_MM = 0.005
SOFT_SHARE = 0.06
SOFT_STEPS = 0.7
"""Scatter of the same stop up to which it is dead: mm, share of the backlash, display steps."""

CREEP_MM = 0.003
CREEP_SHARE = 0.025
CREEP_STEPS = 0.18
"""The same for how far the levels go on moving apart while they are held, on the mean of all."""

HELD_S = 0.6
"""Time a stop is seen to stand still, as a rule, at least."""

SLOW_S = 0.5
"""Time a level takes over the last stretch to where it stays, from which the stop gives: a dead one is there at once."""

SLOW_FROM_MM, SLOW_FROM_SHARE = 0.025, 0.12
SLOW_TO_MM, SLOW_TO_STEPS = 0.004, 0.8
"""That last stretch: from this far inside the level to this near."""

MOVED_SHARE = 0.5
"""Shift of both stops together over a place, as a share of the backlash, that is no rocking in place."""


def judge_place(
    n: int, plateaus: Sequence[Plateau], step_mm: float, trace: tuple[Array, Array], mpe_mm: float | None = None
) -> Place:
    """Backlash of one place.

    Parameters
    ----------
    n : int
        Its number.
    plateaus : sequence of Plateau
        Levels seen at this place, in order.
    step_mm : float
        Display step.
    trace : tuple of array
        Times (s) and readings (mm) of the stream.
    mpe_mm : float, optional
        As for `RockingSession`.
    """
    turns = _stops(Episode(tuple(plateaus), step_mm).turns, step_mm)
    whole = Episode(turns, step_mm)
    start, end = turns[0].start_s, turns[-1].end_s
    held = float(np.median([p.seconds for p in turns]))
    r = load_reversal(whole, HAND_MM, hand_dof=HAND_DOF)
    if r is None:
        return Place(n, start, end, len(turns), held, reasons=("too-few-rocks",))
    within = float(np.median([p.sd_mm for p in turns]))
    apart = _apart(turns)
    lines = [
        BudgetLine("stops", r.se_mm, "A", r.dof, f"{len(turns)} stops by turns, steady drift taken out"),
        BudgetLine(
            "display step", math.sqrt(2.0) * rounding(step_mm, within), "B", INFINITE_DOF, f"{step_mm:g} mm, twice"
        ),
        BudgetLine(
            "give and lag", rectangular(GIVE_MM), "B", INFINITE_DOF, f"up to {GIVE_MM:g} mm: parts give, a plunger lags"
        ),
        BudgetLine("creep of the stops", rectangular(abs(apart)), "B", INFINITE_DOF, "levels moving apart while held"),
    ]
    if mpe_mm:
        lines.append(
            BudgetLine("indicator", rectangular(mpe_mm), "B", INFINITE_DOF, f"largest permitted error {mpe_mm:g} mm")
        )
    total = combine(lines)
    return Place(
        n,
        start,
        end,
        len(turns),
        held,
        r.size_mm,
        total.u_mm,
        total.dof,
        total.U_mm,
        r.worst_mm,
        apart,
        _faults(turns, r.worst_mm, apart, r.size_mm, step_mm, _slow_s(turns, r.size_mm, step_mm, *trace)),
        total.lines,
    )


def _stops(turns: tuple[Plateau, ...], step_mm: float) -> tuple[Plateau, ...]:
    """Turns without a rest before the first stop or after the last: the gear lay between its stops."""
    for first in (True, False):
        while len(turns) > TO_AND_FRO:
            end, rest = (turns[0], turns[1:]) if first else (turns[-1], turns[:-1])
            same, other = rest[1 if first else -2 :: 2 if first else -2], rest[0 if first else -1 :: 2 if first else -2]
            level, far = (float(np.median([p.level_mm for p in x])) for x in (same, other))
            inward = (end.level_mm - level) * (1.0 if far > level else -1.0)
            if inward <= max(SOFT_MM, SOFT_SHARE * abs(far - level), SOFT_STEPS * step_mm):
                break
            turns = rest
    return turns


def _apart(turns: Sequence[Plateau]) -> float:
    """How far the two levels go on moving apart while they are held, on the mean of all stops; mm for both together."""
    up = turns[0].level_mm > turns[1].level_mm
    outward = [p.creep_mm if (k % 2 == 0) == up else -p.creep_mm for k, p in enumerate(turns)]
    return 2.0 * math.fsum(outward) / len(outward)


def _slow_s(turns: Sequence[Plateau], size_mm: float, step_mm: float, t: Array, mm: Array) -> float:
    """Time a level takes over the last stretch to where it stays, as a rule, s."""
    near, far = max(SLOW_TO_MM, SLOW_TO_STEPS * step_mm), max(SLOW_FROM_MM, SLOW_FROM_SHARE * size_mm, 4.0 * step_mm)
    out = []
    for a, b in pairwise(turns):
        i, j, k = (int(np.searchsorted(t, x, "right")) for x in (a.end_s, b.start_s, b.end_s))
        end = float(np.median(mm[j + (k - j) // 2 : k])) if k - j >= 2 else b.level_mm
        inside = (end - mm[i:k]) * (1.0 if b.level_mm > a.level_mm else -1.0)
        enters = int(np.argmax(inside < far))
        stays = enters + int(np.argmax(inside[enters:] <= near))
        out.append(float(t[i + stays] - t[i + enters]))
    return float(np.median(out))


def _faults(
    turns: Sequence[Plateau], worst_mm: float, apart_mm: float, size_mm: float, step_mm: float, slow_s: float
) -> tuple[str, ...]:
    out = []
    if float(np.median([p.seconds for p in turns])) < HELD_S:
        out.append("held-too-short")
    soft = max(SOFT_MM, SOFT_SHARE * size_mm, SOFT_STEPS * step_mm)
    creeps = abs(apart_mm) > max(CREEP_MM, CREEP_SHARE * size_mm, CREEP_STEPS * step_mm)
    if worst_mm > soft or creeps or slow_s > SLOW_S:
        out.append("soft-stop")
    moved = [max(x) - min(x) for x in ([p.level_mm for p in turns[k::2]] for k in (0, 1))]
    if min(moved) > max(MOVED_SHARE * size_mm, 2.0 * soft):
        out.append("moved")
    return tuple(out)
