"""From the sweeps held to what is found: which count and why, the set they make, and bearing play."""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from analysis import play as play_test
from analysis.averaging import at_rest
from analysis.bumps import on_two_rims
from analysis.kept import Kept
from analysis.pushpull import Episode, combine, judge
from analysis.repeatability import Bottoms, summarise
from analysis.results import BudgetLine, Heading, PlayFinding, Reason, SetStatistics, Sweep
from analysis.screen import Judged, enough_readings, judge_alone, judge_together
from analysis.sweeps import RawSweep
from analysis.valley import Bottom, Window, fit_bottoms

Groups = dict[int, tuple[tuple[Window, ...], list[Bottom]]]

TOGETHER = 60
"""Sweeps fitted at once: enough to share what hand and noise are, few enough to stay quick."""

NO_BOTTOM_MM = 0.5
"""Standard uncertainty from which a fitted bottom says nothing and is not given."""

EXPLAINED = 0.003
"""Chance of the minima climbing so with the pace by scatter alone, below which a display that averages explains their scatter."""

BOTTOM_SPREAD_MM = 0.004
END_SPREAD_MM = 0.030
"""How bottoms and the ends of a swing repeat, in order of size: tells them apart where the display's direction is not stated."""


class Held(NamedTuple):
    """What a session holds at one moment.

    Attributes
    ----------
    found : mapping
        Sweeps by display direction, +1 or -1.
    end : mapping or None
        How many of them there were when the set ended.
    reseats : sequence of float
        Times of new seatings, s.
    notes : sequence of str
        What is to be said with the set.
    episodes : sequence of Episode
        Pushes and pulls.
    step_mm : float
        Display step, mm.
    """

    found: Mapping[int, tuple[Kept, ...]]
    end: Mapping[int, int] | None
    reseats: tuple[float, ...]
    notes: tuple[str, ...]
    episodes: tuple[Episode, ...]
    step_mm: float


class Seating(NamedTuple):
    """The seating that is being swept: its number, and the good sweeps in it."""

    number: int
    good: int


class Outcome(NamedTuple):
    """What was found; `judged` and `sweeps` are in one order."""

    sweeps: tuple[Sweep, ...]
    statistics: SetStatistics
    play: PlayFinding
    judged: list[Judged]
    sense: int
    seating: Seating


class SetJudge:
    """Judges the sweeps of one set, again and again as it grows.

    Parameters
    ----------
    radius_mm : float
        Distance from the axis to the tip, nearly.
    repeatability_mm : float or None
        Stated standard deviation of the indicator on a still surface.
    """

    def __init__(self, radius_mm: float, repeatability_mm: float | None) -> None:
        self._radius, self._repeatability = radius_mm, repeatability_mm
        # Full groups of sweeps: a long set is not fitted anew with every sweep.
        self._groups: Groups = {}

    def judge(self, held: Held) -> Outcome:
        """Everything there is to say of these sweeps."""
        end, reseats, notes = held.end, held.reseats, held.notes
        later = {s: kept[end[s] :] if end else () for s, kept in held.found.items()}
        found = {s: list(kept[: end[s]] if end else kept) for s, kept in held.found.items()}
        # What was pushed and pulled between two levels is no sweep, however far the levels lie apart.
        tests = [e for e in held.episodes if judge([e], self._repeatability).finding != "not assessable"]
        found = {s: [k for k in kept if not _within(k.raw, tests)] for s, kept in found.items()}
        sense, sure = sense_of(found, held.step_mm)
        judged = self._alone(found[sense], self._groups)
        seats = _ranked([bisect_right(reseats, j.raw.t[j.raw.lowest]) for j in judged])
        rims = on_two_rims([x for k in found[sense] for x in k.shares])
        judge_together(judged, seats, self._radius, self._repeatability, rims=rims)
        accepted = sum(j.accepted for j in judged)
        few = len(held.found) > 1 and len(judged) >= 4 and 4 * accepted <= len(judged)
        if (not sure and accepted < 3) or (few and _mostly_too_fast(judged)):
            # Which turning points are bottoms and which the ends of the swing cannot be told: no answer is better than a wrong one.
            for j in judged:
                if j.accepted:
                    j.reasons.append("too-fast")
        late = self._late(later[sense], tests)
        shown = judged + late
        # A later seating ranks behind those of the set, so these keep their numbers.
        all_seats = _ranked([bisect_right(reseats, j.raw.t[j.raw.lowest]) for j in shown])
        headings = _headings(shown)
        sweeps = tuple(
            _as_sweep(i, j, sense, seat, heading)
            for i, (j, seat, heading) in enumerate(zip(shown, all_seats, headings, strict=True), start=1)
        )
        good = [i for i, j in enumerate(judged) if j.accepted]
        columns = Bottoms(
            minimum=np.array([sense * (judged[i].bottom or _NO).minimum_mm for i in good]),
            u=np.array([(judged[i].bottom or _NO).u_mm for i in good]),
            t=np.array([(judged[i].bottom or _NO).bottom_s for i in good]),
            seat=np.array([seats[i] for i in good], dtype=np.int64),
            heading=tuple(headings[i] for i in good),
            step_mm=held.step_mm,
            slowing=np.array([(judged[i].bottom or _NO).slowing for i in good]),
            lag=np.array([(judged[i].bottom or _NO).lag_share for i in good]),
            unsteady=np.array([(judged[i].bottom or _NO).unsteady for i in good]),
            pace=np.array([(judged[i].bottom or _NO).pace for i in good]),
        )
        common: tuple[BudgetLine, ...] = ()
        for_play = columns
        averaging = at_rest(columns, sense)
        if averaging is not None:
            columns, notes = averaging.bottoms, (*notes, averaging.say) if averaging.say else notes
            taken = f", {averaging.shift_mm:.4f} mm taken out" if averaging.shift_mm else ""
            source = f"minima against the pace of the hand{taken}"
            # Bearing play that goes with the pace by chance must not be explained away: there it takes more.
            for_play = averaging.explained if averaging.chance < EXPLAINED else for_play
            common = (BudgetLine("display that averages", averaging.u_mm, "A", averaging.dof, source, "t"),)
        statistics = summarise(columns, len(judged) - len(good), self._repeatability, notes, common)
        play = play_test.assess(replace(for_play, u=for_play.u / for_play.unsteady), self._basis(judged))
        for j in judged:
            if j.reasons == ["off-the-set"] and j.bottom is not None and columns.minimum.size:
                drop = sense * float(np.median(columns.minimum)) - j.bottom.minimum_mm
                play = play_test.one_apart(play, drop, j.bottom.u_mm, held.step_mm)
        apart = [
            abs(sense * float(np.median(columns.minimum)) - j.bottom.minimum_mm)
            for j in judged
            if j.reasons in (["off-the-set"], ["turned-back"]) and j.bottom is not None and columns.minimum.size
        ]
        play = play_test.several_apart(play, apart, columns.minimum.size, held.step_mm)
        if tests:
            play = combine(play, judge(tests, self._repeatability))
        places = [bisect_right(reseats, judged[i].raw.t[judged[i].raw.lowest]) for i in good]
        seating = Seating(len(set(places) - {len(reseats)}) + 1, places.count(len(reseats)))
        return Outcome(sweeps, statistics, play, shown, sense, seating)

    def _alone(self, kept: Sequence[Kept], groups: Groups) -> list[Judged]:
        """Sweeps with their fits, each judged by itself."""
        judged = self._fit(kept, groups)
        for k, j in zip(kept, judged, strict=True):
            judge_alone(j, k.period_s)
            if k.parted is not None:
                fewer: list[Reason] = [r for r in j.reasons if r in ("too-fast", "too-few-samples")]
                j.reasons[:] = fewer or ["knock"]
                j.spiked = j.bottom is not None
        return judged

    def _late(self, kept: Sequence[Kept], tests: list[Episode]) -> list[Judged]:
        """Sweeps after the end of the set, fitted for themselves: they touch nothing that was found."""
        judged = self._alone([k for k in kept if not _within(k.raw, tests)], {})
        for j in judged:
            j.reasons.insert(0, "after-the-end")
        return judged

    def _basis(self, judged: list[Judged]) -> str:
        """What play is judged against, in words."""
        if self._repeatability is not None:
            return f" Judged against the stated repeatability of {self._repeatability:.4f} mm and what the sweeps show."
        noise = next((j.bottom.noise_mm for j in judged if j.bottom is not None), None)
        if noise is None:
            return ""
        return f" No indicator.repeatability is stated: judged against the {noise:.4f} mm of noise these sweeps show."

    def _fit(self, kept: Sequence[Kept], groups: Groups) -> list[Judged]:
        judged = [Judged(k.raw, k.window, None) for k in kept]
        able = [i for i, k in enumerate(kept) if enough_readings(k.window) and not k.raw.cut]
        for start in range(0, len(able), TOGETHER):
            part = able[start : start + TOGETHER]
            windows = tuple(kept[i].window for i in part)
            done = groups.get(start)
            if done is not None and done[0] == windows:
                bottoms = done[1]
            else:
                bottoms = fit_bottoms(windows, swing_radius_mm=self._radius, repeatability_mm=self._repeatability)
                if len(part) == TOGETHER:
                    groups[start] = (windows, bottoms)
            for i, b in zip(part, bottoms, strict=True):
                judged[i].bottom = b
        return judged


def sense_of(found: Mapping[int, Sequence[Kept]], step_mm: float) -> tuple[int, bool]:
    """The display direction, and whether it is sure: stated, or the one whose turning points repeat like bottoms.

    Bottoms repeat within micrometres, whatever the swing; its ends lie where the hand stops.  Each direction is scored as if its turning points were
    bottoms (a heavy-tailed spread, so that half sweeps do not decide) and the other's were ends.
    """
    if len(found) == 1:
        return next(iter(found)), True
    cost: dict[int, float] = {}
    count: dict[int, int] = {}
    width = max(BOTTOM_SPREAD_MM, step_mm)
    for sense, kept in found.items():
        lows = [k.raw.z[k.raw.lowest] for k in kept]
        middle = sorted(lows)[len(lows) // 2] if lows else 0.0
        count[sense] = len(lows)
        cost[sense] = sum(math.log1p(((z - middle) / width) ** 2) for z in lows)
    an_end = math.log1p((END_SPREAD_MM / width) ** 2)
    score = {s: cost[s] + an_end * max(0, count[-s] - 1) for s in cost}
    best = min(score, key=lambda s: (score[s], -count[s], -s))
    return best, min(count.values()) < 2 or score[-best] - score[best] > 3.0


def _within(raw: RawSweep, tests: list[Episode]) -> bool:
    at = raw.t[raw.lowest]
    return any(e.start_s <= at <= e.end_s for e in tests)


def _mostly_too_fast(judged: list[Judged]) -> bool:
    return 2 * sum(not {"too-fast", "too-few-samples"}.isdisjoint(j.reasons) for j in judged) > len(judged)


def _ranked(places: list[int]) -> list[int]:
    """Seatings counted from 1; one in which nothing was swept is none."""
    rank = {place: n for n, place in enumerate(sorted(set(places)), start=1)}
    return [rank[p] for p in places]


_NO = Bottom(0.0, 0.0, 0.0, 0.0, np.zeros(0), np.zeros(0), np.zeros(0), 0.0, 0.0, 1.0, 0)


def _headings(judged: list[Judged]) -> list[Heading]:
    """Out and back by turns; a sweep that turned back leaves the arbor on the side it came from."""
    out: list[Heading] = []
    now: Heading = "out"
    for j in judged:
        out.append(now)
        if "turned-back" not in j.reasons:
            now = "back" if now == "out" else "out"
    return out


def _as_sweep(n: int, j: Judged, sense: int, seat: int, heading: Heading) -> Sweep:
    b, raw = j.bottom, j.raw
    if b is not None and b.u_mm > NO_BOTTOM_MM:
        b = None
    return Sweep(
        n=n,
        start_s=raw.t[0],
        bottom_s=b.bottom_s if b is not None else raw.t[raw.lowest],
        end_s=raw.t[-1],
        heading=heading,
        seat=seat,
        minimum_mm=sense * b.minimum_mm if b is not None else None,
        u_mm=b.u_mm if b is not None else None,
        accepted=j.accepted,
        reasons=tuple(j.reasons),
        advice=j.advice,
    )
