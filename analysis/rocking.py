"""Backlash from a stream: the ring gear is rocked between its two dead stops, place by place, the pinion locked.

At each place the gear is pushed against one stop, held, pushed against the other, held, and so on; the stops are levels in the
stream, found by `analysis.plateaus`.  Between places the plunger is lifted and the gear turned on.  The backlash of a place is the
difference of its two levels by paired comparison, a steady drift taken out, so neither the display's zero nor its direction has a part
in it.

What counts as a stop: the level is held (it hardly creeps) and comes again at the same reading.  A level that creeps or comes
elsewhere each time is soft: the pinion turns, the base gives, or the hand pushes harder and harder; such a place is refused.

Sources: least squares and Student's t, standard texts; GUM (JCGM 100) for the budget; the thresholds are our own and judged on
simulated streams (tests/bench/rocks.py).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from analysis.plateaus import FEWEST_TURNS, Episode, Plateau, PlateauFinder
from analysis.pushpull import load_reversal, rounding
from analysis.readings import Reading, Scale
from analysis.results import INFINITE_DOF, BudgetLine
from analysis.uncertainty import combine, rectangular

Array = NDArray[np.float64]

MOST_MM = 1.2
"""Difference of two levels that is no backlash: the plunger was lifted or slipped to another tooth."""

LEAST_MM = 0.008
LEAST_STEPS = 3.0
"""Difference below which two levels are one stop."""

TO_AND_FRO = 3
"""Stops by turns from which a stretch is taken for an attempt to rock; fewer are a gear that was moved once."""

TO_AND_FRO_MM = 0.03
"""Move from which a gear that is never held still is taken to be rocked."""

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

LONGEST_CHANGE_S = 4.0
"""Time between two stops of one place."""

ASTRAY_S = 0.25
"""Time the plunger may spend off the way between two stops: a knock, a wild reading."""

ONE_PLACE_S = 1.5
"""Two stretches with the same levels and less than this between them are one place that was knocked."""

REASONS = {
    "too-few-rocks": "rock to and fro twice at least, holding each stop for a second",
    "soft-stop": "the stop gives or comes elsewhere each time: lock the pinion, look at the indicator's base, push evenly",
    "held-too-short": "hold each stop for a second, so that it is seen to stand still",
    "moved": "both stops wander the same way: the gear or the indicator moved along",
}
"""Why a place is refused, and what to do."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place of the ring gear; lengths mm, at the plunger.

    Attributes
    ----------
    n : int
        Place, counted from 1 over all that were rocked at, refused ones included.
    stops : int
        Stops by turns that were compared.
    backlash_mm, u_mm, dof, U95_mm : float or None
        None where fewer than four stops were seen.
    reasons : tuple of str
        Why it is refused; see `REASONS`.
    budget : tuple of BudgetLine
        Largest first.
    """

    n: int
    start_s: float
    end_s: float
    stops: int
    held_s: float
    backlash_mm: float | None = None
    u_mm: float | None = None
    dof: float = INFINITE_DOF
    U95_mm: float | None = None
    scatter_mm: float = 0.0
    creep_mm: float = 0.0
    reasons: tuple[str, ...] = ()
    budget: tuple[BudgetLine, ...] = ()

    @property
    def accepted(self) -> bool:
        """Whether the place counts."""
        return self.backlash_mm is not None and not self.reasons


class RockingSession:
    """Takes a stream's readings, marks and link events; gives the backlash at each place.

    A mark "reseat" or "pinion-turned" says that the gear was turned to the next place; without one a lifted plunger does.

    Parameters
    ----------
    mpe_mm : float, optional
        Largest permitted error of the indicator over the travel used, where it is stated.
    """

    def __init__(self, mpe_mm: float | None = None) -> None:
        self.mpe_mm = mpe_mm
        self.readings = self.bad_frames = 0
        self._finder = PlateauFinder(most_mm=1e3, fewest_turns=1)
        self._stretches: list[list[Plateau]] = [[]]
        self._t: list[float] = []
        self._mm: list[float] = []
        self._scale: Scale | None = None
        self._scales: set[Scale] = set()
        self._marked = False

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        self.readings += 1
        if r.scale != self._scale:
            self._cut()
            self._scale = r.scale
            self._scales.add(r.scale)
        self._t.append(r.t)
        self._mm.append(r.mm)
        self._take(self._finder.push(r.t, r.mm, float(r.scale.step_mm)))

    def mark(self, t: float, mark: str) -> None:
        """Take a mark made by the user."""
        if not mark.startswith("note:"):
            self._cut()
            if mark in ("reseat", "pinion-turned"):
                self._marked = True
                self._stretches.append([])

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link."""
        if state == "lost":
            self._cut()

    def damaged(self, t: float, why: str) -> None:
        """Take note of bytes that made no reading."""
        self.bad_frames += 1

    def close(self) -> None:
        """The stream has ended."""
        self._cut()

    def _cut(self) -> None:
        self._take(self._finder.cut())

    def _take(self, e: Episode | None) -> None:
        if e is not None:
            self._stretches[-1] += e.plateaus

    @property
    def unit(self) -> str:
        """Unit of the display; "mm" where it changed on the way."""
        units = {s.unit for s in self._scales}
        return units.pop() if len(units) == 1 else "mm"

    @property
    def step_mm(self) -> float:
        """Display step, the coarser one where it changed on the way."""
        return max((float(s.step_mm) for s in self._scales), default=0.001)

    def places(self) -> list[Place]:
        """Every place that was rocked at, in order."""
        t, mm = np.array(self._t), np.array(self._mm)
        found: list[list[Plateau]] = []
        for plateaus in self._stretches:
            runs = [r for r in _runs(plateaus, t, mm, self.step_mm) if len(_turns_of(r, self.step_mm)) >= TO_AND_FRO]
            for run in runs:
                if found and run is not runs[0] and (self._marked or _same_place(found[-1], run, self.step_mm)):
                    found[-1] = [*found[-1], *run]
                else:
                    found.append(run)
        places = [judge_place(0, p, self.step_mm, (t, mm), self.mpe_mm) for p in found]
        places += _never_still(t, mm, [(p.start_s, p.end_s) for p in places])
        return [replace(p, n=n) for n, p in enumerate(sorted(places, key=lambda p: p.start_s), start=1)]


def _turns_of(run: Sequence[Plateau], step_mm: float) -> tuple[Plateau, ...]:
    """Stops by turns of a run; none where its levels are one."""
    turns = Episode(tuple(run), step_mm).turns
    two = _two(turns)
    return turns if two is not None and two[1] - two[0] >= max(LEAST_MM, LEAST_STEPS * step_mm - 1e-9) else ()


def _runs(plateaus: Sequence[Plateau], t: Array, mm: Array, step_mm: float) -> list[list[Plateau]]:
    """Plateaus that follow each other directly, without the plunger going elsewhere in between."""
    out: list[list[Plateau]] = []
    for p in plateaus:
        if out and _direct(out[-1][-1], p, t, mm, step_mm):
            out[-1].append(p)
        else:
            out.append([p])
    return [part for run in out for part in _levels_that_recur(run)]


def _direct(a: Plateau, b: Plateau, t: Array, mm: Array, step_mm: float) -> bool:
    change = abs(b.level_mm - a.level_mm)
    if change > MOST_MM or b.start_s - a.end_s > LONGEST_CHANGE_S:
        return False
    i, j = int(np.searchsorted(t, a.end_s, "right")), int(np.searchsorted(t, b.start_s, "left"))
    if j <= i:
        return True
    low, high = min(a.level_mm, b.level_mm), max(a.level_mm, b.level_mm)
    room = max(0.6 * change, 3.0 * step_mm, 0.02)
    astray = (mm[i:j] < low - room) | (mm[i:j] > high + room)
    return bool(astray.sum() * (b.start_s - a.end_s) / (j - i + 1) <= ASTRAY_S)


def _two(turns: Sequence[Plateau]) -> tuple[float, float] | None:
    """The two levels, low and high, mm; None where there is only one."""
    levels = sorted(p.level_mm for p in turns)
    if len(levels) < 2:
        return None
    half = len(levels) // 2
    return float(np.median(levels[:half])), float(np.median(levels[-half:]))


def _never_still(t: Array, mm: Array, known: Sequence[tuple[float, float]]) -> list[Place]:
    """Stretches in which the gear went to and fro without any stop being held still: they are places too, refused."""
    out: list[Place] = []
    run: list[tuple[float, float]] = []
    for at, value in [*_extremes(t, mm), (math.inf, math.inf)]:
        taken = any(a - ONE_PLACE_S <= at <= b + ONE_PLACE_S for a, b in known)
        if run and (taken or at - run[-1][0] > LONGEST_CHANGE_S or abs(value - run[-1][1]) > MOST_MM):
            run = _alike(run)
            if len(run) >= FEWEST_TURNS:
                out.append(Place(0, run[0][0], run[-1][0], len(run), 0.0, reasons=("soft-stop",)))
            run = []
        if not taken and math.isfinite(at):
            run.append((at, value))
    return out


def _alike(run: list[tuple[float, float]]) -> list[tuple[float, float]]:
    """A run of turns without smaller moves at its ends; nothing where there are such amid it."""
    while len(run) >= FEWEST_TURNS:
        sizes = [abs(b[1] - a[1]) for a, b in pairwise(run)]
        least = 0.5 * float(np.median(sizes))
        if min(sizes) > least:
            return run
        if sizes[0] > least and sizes[-1] > least:
            break
        run = run[1:] if sizes[0] <= least else run[:-1]
    return []


def _extremes(t: Array, mm: Array) -> list[tuple[float, float]]:
    """Where the reading turned, by turns high and low, after a move of `TO_AND_FRO_MM` at least."""
    out: list[tuple[float, float]] = []
    low = high = 0
    way = 0
    for i in range(1, mm.size):
        high, low = (i if mm[i] > mm[high] else high), (i if mm[i] < mm[low] else low)
        if way >= 0 and mm[high] - mm[i] > TO_AND_FRO_MM:
            out.append((float(t[high]), float(mm[high])))
            low, way = i, -1
        elif way <= 0 and mm[i] - mm[low] > TO_AND_FRO_MM:
            out.append((float(t[low]), float(mm[low])))
            high, way = i, 1
    return out


def _levels_that_recur(run: list[Plateau]) -> list[list[Plateau]]:
    """A run without the levels far outside the two that come again: the plunger set down, or lifted a little."""
    while len(run) > TO_AND_FRO:
        two = _two(run)
        assert two is not None
        room = 0.5 * (two[1] - two[0]) + 0.02
        for k in (0, len(run) - 1):
            if not two[0] - room <= run[k].level_mm <= two[1] + room:
                run = run[:k] + run[k + 1 :]
                break
        else:
            break
    return [run]


def _same_place(a: Sequence[Plateau], b: Sequence[Plateau], step_mm: float) -> bool:
    """A knock broke a place in two: the same levels, hardly any time between."""
    x, y = _two(a), _two(b)
    assert x is not None
    assert y is not None
    room = max(0.1 * (x[1] - x[0]), 2.0 * step_mm)
    near = abs(x[0] - y[0]) <= room and abs(x[1] - y[1]) <= room
    return near and b[0].start_s - a[-1].end_s <= ONE_PLACE_S


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


def summary(places: Iterable[Place]) -> dict[str, object]:
    """Places as plain data, lengths in mm at the plunger."""
    rows = list(places)
    good = [p for p in rows if p.accepted]
    return {
        "places": [place_as_dict(p) for p in rows],
        "accepted": len(good),
        "refused": len(rows) - len(good),
        "say": _say(rows, good),
    }


def place_as_dict(p: Place) -> dict[str, object]:
    """One place as plain data."""
    return {
        "n": p.n,
        "start_s": round(p.start_s, 3),
        "end_s": round(p.end_s, 3),
        "stops": p.stops,
        "held_s": round(p.held_s, 3),
        "backlash_mm": p.backlash_mm,
        "u_mm": p.u_mm,
        "dof": None if math.isinf(p.dof) else p.dof,
        "U95_mm": p.U95_mm,
        "scatter_mm": p.scatter_mm,
        "creep_mm": p.creep_mm,
        "accepted": p.accepted,
        "reasons": list(p.reasons),
        "budget": [{"name": b.name, "u_mm": b.u_mm, "kind": b.kind, "source": b.source} for b in p.budget],
    }


def _say(rows: Sequence[Place], good: Sequence[Place]) -> str:
    if not rows:
        return (
            "No rocking between two stops was found: lock the pinion, push the ring gear against one stop and hold it for a second, then "
            "against the other, to and fro twice at least, and so on place by place."
        )
    parts = []
    if good:
        values = [p.backlash_mm for p in good if p.backlash_mm is not None]
        widest = max(p.U95_mm or 0.0 for p in good)
        at = "1 place" if len(good) == 1 else f"{len(good)} places"
        parts.append(
            f"Backlash at the plunger at {at}: {min(values):.3f} to {max(values):.3f} mm, each ±{widest:.3f} mm or better (95 %)."
        )
    for p in rows:
        if not p.accepted:
            parts.append(f"Place {p.n} is refused: {'; '.join(REASONS[r] for r in p.reasons)}.")
    return " ".join(parts)
