"""One stream's readings, taken as they come, and the set they make so far.

The same object serves a live capture, a replay and a batch, so all three give the same answer.
It keeps the readings around each bottom, not the whole stream.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from analysis import play as play_test
from analysis.averaging import at_rest
from analysis.bumps import across, is_bump, joined, on_two_rims
from analysis.geometry import DEFAULT_SWING_RADIUS_MM
from analysis.held import sent_once, times_sent
from analysis.pushpull import Episode, PlateauFinder, combine, judge
from analysis.readings import Reading, Scale
from analysis.repeatability import Bottoms, summarise
from analysis.results import BudgetLine, Gap, Heading, PlayFinding, Reason, SetStatistics, Sweep
from analysis.screen import Judged, enough_readings, judge_alone, judge_together
from analysis.sweeps import Cut, Period, RawSweep, SweepFinder
from analysis.valley import Bottom, Window, fit_bottoms
from analysis.windows import choose

if TYPE_CHECKING:
    from analysis.setup import Setup

Groups = dict[int, tuple[tuple[Window, ...], list[Bottom]]]

AIM_SHARE = 0.25
"""Half width of the interval aimed at, as a share of the tolerance: below that the measurement hardly narrows the job."""

TOGETHER = 60
"""Sweeps fitted at once: enough to share what hand and noise are, few enough to stay quick."""

NO_BOTTOM_MM = 0.5
"""Standard uncertainty from which a fitted bottom says nothing and is not given."""

BOTTOM_SPREAD_MM = 0.004
END_SPREAD_MM = 0.030
"""How bottoms and the ends of a swing repeat, in order of size: tells them apart where the display's direction is not stated."""

LIFTED_MM = 6.0
LIFTED_S = 0.7
"""Distance from the last bottom that no swing reaches (over 25°), and how long: the plunger has left the face."""

LONG_GAP_S = 3.0
"""Silence after which a sweep cannot be taken up again."""


class Session:
    """Takes readings, marks and link events; gives the result of the set so far.

    Parameters
    ----------
    setup : Setup, optional
        Without it sweeps are found and judged, but no depth is given.
    """

    def __init__(self, setup: Setup | None = None) -> None:
        self.version = 0
        self._setup = setup
        self._radius = DEFAULT_SWING_RADIUS_MM
        self._repeatability: float | None = None
        sense: str | None = None
        if setup is not None:
            self._radius = setup.swing_radius_mm or DEFAULT_SWING_RADIUS_MM
            self._repeatability = setup.indicator_repeatability_mm
            sense = setup.reading_sense
        senses = {"grows": (1,), "shrinks": (-1,)}.get(sense or "", (1, -1))
        self._finders = {s: SweepFinder(s) for s in senses}
        self._pushes = tuple((s, finder.push) for s, finder in self._finders.items())
        self._found: dict[int, list[_Kept]] = {s: [] for s in senses}
        self._period = Period()
        self._plateaus = PlateauFinder()
        self._episodes: list[Episode] = []
        self._readings = 0
        self._bad = 0
        self._gaps: list[Gap] = []
        self._last_t: float | None = None
        self._scale: Scale | None = None
        self._step = 0.0
        self._reseats: list[float] = []
        self._bottom_mm: float | None = None
        self._lifted_since: float | None = None
        self._lifted_last = 0.0
        self._notes: list[str] = []
        self._cache: tuple[int, _Outcome] | None = None
        # Sweeps found when the set ended, by display direction: those that come later stay out of it.
        self._end: dict[int, int] | None = None
        self._went_on = False
        # Full groups of sweeps: a long set is not fitted anew with every sweep.
        self._groups: Groups = {}

    # what comes in

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        t, counts, scale = r
        if scale is not self._scale and scale != self._scale:
            if self._scale is not None and scale.unit != self._scale.unit:
                self._cut("unit-changed")
            self._scale = scale
            self._step = float(scale.step_mm)
        period, last = self._period, self._last_t
        if last is not None and t - last > 0.5 and period.seconds is not None and t - last > 4.0 * period.seconds:
            self._gap(last, t, "no readings")
        self._last_t = t
        self._readings += 1
        period.add(t)
        mm = counts * self._step if -(1 << 40) < counts < 1 << 40 else scale.counts_to_mm(counts)
        if self._bottom_mm is not None and (self._lifted_since is not None or abs(mm - self._bottom_mm) > LIFTED_MM):
            self._lift(t, mm)
        step = self._step
        episode = self._plateaus.push(t, mm, step)
        if episode is not None:
            self._episodes.append(episode)
            self.version += 1
        for sense, push in self._pushes:
            found = push(t, mm, step)
            if found is not None:
                self._keep(sense, found)

    def mark(self, t: float, mark: str) -> None:
        """Take a mark made by the user."""
        if mark == "reseat":
            self._reseats.append(t)
            self._cut("")
        elif mark.startswith("note:"):
            return
        elif mark in ("zero", "master", "pinion-turned", "push-pull"):
            self._cut("")
            if mark == "push-pull":
                self._plateaus.expect()
        elif mark == "set-end" and not self.ended:
            # The swing that goes on is left to itself: what was found so far is the set.
            self._end = {s: len(kept) for s, kept in self._found.items()}
        elif mark == "go-on":
            self._end, self._went_on = None, True
        self.version += 1

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link."""
        del t, why
        if state == "lost":
            self._cut("link-lost")

    def damaged(self, t: float, why: str) -> None:
        """Count a frame that could not be read."""
        del t, why
        self._bad += 1

    def close(self) -> None:
        """The stream has ended: finish an open sweep."""
        self._cut("")

    # what comes out

    @property
    def period_s(self) -> float | None:
        """Time between readings as seen, s."""
        return self._period.seconds

    @property
    def ended(self) -> bool:
        """A mark has ended the set: later sweeps are shown and do not count."""
        return self._end is not None

    @property
    def went_on(self) -> bool:
        """The user has taken up the set again after its end."""
        return self._went_on

    @property
    def sweeps(self) -> tuple[Sweep, ...]:
        """Sweeps so far, rejected ones included."""
        return self._outcome().sweeps

    @property
    def statistics(self) -> SetStatistics:
        """The set so far."""
        return self._outcome().statistics

    @property
    def play(self) -> PlayFinding:
        """What the set says of bearing play."""
        return self._outcome().play

    def result(self) -> dict[str, object]:
        """Everything known so far, ready for JSON (the contract of ``analyse --json``)."""
        from analysis.rendering import result_as_dict

        o = self._outcome()
        depth: dict[str, object] = {
            "distance_mm": None,
            "reason": "No set-up file was given: the distance needs the arbor's constant or a master.",
        }
        shim: dict[str, object] | None = None
        if self._setup is not None:
            from analysis.conclusion import conclude

            depth, shim = conclude(self._setup, o.statistics, o.play, self._step or None)
        result = result_as_dict(
            self._readings, self._bad, tuple(self._gaps), o.sweeps, o.statistics, o.play, depth, shim
        )
        return result | {"enough": self._enough(o.statistics)}

    def step(self) -> dict[str, object]:
        """What to do now: ``{"do", "seating", "left", "seatings", "ended"}``.

        `do` is "sweep" (`left` more good ones in seating number `seating`), "seat-again" (`seatings` more at the least), "read-answer" or
        "called-off" (the aim will not be reached).
        """
        from analysis.stopping import SEATINGS, SWEEPS_A_SEATING

        o = self._outcome()
        enough = self._enough(o.statistics)
        number, good = o.seating
        left, do = max(0, SWEEPS_A_SEATING - good), "sweep"
        if enough is not None and enough["stop"] and not self._went_on:
            do = "read-answer" if enough["reached"] else "called-off"
        elif left == 0:
            # Without a tolerance nothing says how good is good enough: three seatings of three sweeps is the least.
            do = "read-answer" if enough is None and number >= SEATINGS else "seat-again"
        more = max(1, SEATINGS - number)
        return {"do": do, "seating": number, "left": left, "seatings": more, "ended": self.ended}

    def _enough(self, statistics: SetStatistics) -> dict[str, object] | None:
        """Whether the set may end; None where no tolerance says how good is good enough."""
        if self._setup is None or self._setup.tolerance_mm is None:
            return None
        from analysis.stopping import decide

        aim = AIM_SHARE * self._setup.tolerance_mm
        d = decide(statistics, aim)
        early = self.ended and not d.stop
        say = f"The set was ended here. {d.say}" if early else d.say
        return {
            "stop": d.stop or early,
            "reached": d.reached,
            "half_width_mm": d.half_width_mm,
            "aim_mm": aim,
            "say": say,
        }

    # within

    def _lift(self, t: float, mm: float) -> None:
        """Follow the plunger off the face; the arbor that comes back after that was seated again."""
        assert self._bottom_mm is not None
        away = abs(mm - self._bottom_mm) > LIFTED_MM
        if away:
            self._lifted_since = t if self._lifted_since is None else self._lifted_since
            self._lifted_last = t
        elif self._lifted_since is not None:
            # From its own readings: one garbled value before a silence is no plunger in the air.
            long = self._lifted_last - self._lifted_since >= LIFTED_S
            self._lifted_since = None
            if long:
                self._cut("")
                self._reseats.append(t)
                if not self.ended:
                    self._notes.append(f"The plunger left the face until {t:.1f} s: taken as seating the arbor again.")
                self.version += 1

    def _gap(self, start: float, end: float, why: str) -> None:
        self._gaps.append(Gap(start, end, why))
        for finder in self._finders.values():
            finder.gap(start, end)
        if end - start > LONG_GAP_S:
            self._cut("gap")

    def _cut(self, why: Cut) -> None:
        episode = self._plateaus.cut()
        if episode is not None:
            self._episodes.append(episode)
            self.version += 1
        for sense, finder in self._finders.items():
            found = finder.cut(why)
            if found is not None:
                self._keep(sense, found)

    def _keep(self, sense: int, raw: RawSweep) -> None:
        kept = self._found[sense]
        often = times_sent(raw)
        period = self._period.seconds
        if often > 1:
            raw = sent_once(raw, often)
            period = period * often if period is not None else None
        self._bottom_mm = self._plateaus.bottom_mm = sense * raw.z[raw.lowest]
        last = kept[-1] if len(kept) > (self._end or {}).get(sense, 0) else None
        pair = () if last is None or last.raw.cut or raw.cut else ((last.parted or last.raw, raw),)
        if last is not None and is_bump(last.raw, raw):
            kept[-1] = _Kept(joined(last.raw, raw), period, (*last.pairs, *pair), parted=raw)
        else:
            kept.append(_Kept(raw, period, pair))
        self.version += 1

    def _sense(self, found: dict[int, list[_Kept]] | None = None) -> tuple[int, bool]:
        """The display direction, and whether it is sure: stated, or the one whose turning points repeat like bottoms.

        Bottoms repeat within micrometres, whatever the swing; its ends lie where the hand stops.  Each direction is scored as if its turning points were
        bottoms (a heavy-tailed spread, so that half sweeps do not decide) and the other's were ends.
        """
        found = self._found if found is None else found
        if len(found) == 1:
            return next(iter(found)), True
        cost: dict[int, float] = {}
        count: dict[int, int] = {}
        width = max(BOTTOM_SPREAD_MM, self._step)
        for sense, kept in found.items():
            lows = [k.raw.z[k.raw.lowest] for k in kept]
            middle = sorted(lows)[len(lows) // 2] if lows else 0.0
            count[sense] = len(lows)
            cost[sense] = sum(math.log1p(((z - middle) / width) ** 2) for z in lows)
        an_end = math.log1p((END_SPREAD_MM / width) ** 2)
        score = {s: cost[s] + an_end * max(0, count[-s] - 1) for s in cost}
        best = min(score, key=lambda s: (score[s], -count[s], -s))
        return best, min(count.values()) < 2 or score[-best] - score[best] > 3.0

    def _outcome(self) -> _Outcome:
        cache, version = self._cache, self.version
        if cache is None or cache[0] != version:
            cache = self._cache = (version, self._judge())
        return cache[1]

    def _judge(self) -> _Outcome:
        # Readings may go on arriving in another thread: all of it is judged as it stood at one moment.
        end = self._end
        found = {s: list(kept) for s, kept in self._found.items()}
        later = {s: kept[end[s] :] if end else [] for s, kept in found.items()}
        found = {s: kept[: end[s]] if end else kept for s, kept in found.items()}
        reseats, notes = list(self._reseats), tuple(self._notes)
        # What was pushed and pulled between two levels is no sweep, however far the levels lie apart.
        tests = [e for e in list(self._episodes) if judge([e], self._repeatability).finding != "not assessable"]
        found = {s: [k for k in kept if not _within(k.raw, tests)] for s, kept in found.items()}
        sense, sure = self._sense(found)
        judged = self._alone(found[sense], self._groups)
        seats = _ranked([bisect_right(reseats, j.raw.t[j.raw.lowest]) for j in judged])
        rims = on_two_rims([x for k in found[sense] for x in k.shares])
        judge_together(judged, seats, self._radius, self._repeatability, rims=rims)
        accepted = sum(j.accepted for j in judged)
        few = len(self._found) > 1 and len(judged) >= 4 and 4 * accepted <= len(judged)
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
            step_mm=self._step,
            slowing=np.array([(judged[i].bottom or _NO).slowing for i in good]),
            lag=np.array([(judged[i].bottom or _NO).lag_share for i in good]),
            pace=np.array([(judged[i].bottom or _NO).pace for i in good]),
        )
        common: tuple[BudgetLine, ...] = ()
        averaging = at_rest(columns, sense)
        if averaging is not None:
            columns, notes = averaging.bottoms, (*notes, averaging.say)
            taken = f", {averaging.shift_mm:.4f} mm taken out" if averaging.shift_mm else ""
            source = f"minima against the pace of the hand{taken}"
            common = (BudgetLine("display that averages", averaging.u_mm, "A", averaging.dof, source, "t"),)
        statistics = summarise(columns, len(judged) - len(good), self._repeatability, notes, common)
        unsteady = np.array([(judged[i].bottom or _NO).unsteady for i in good])
        play = play_test.assess(replace(columns, u=columns.u / unsteady), self._basis(judged))
        for j in judged:
            if j.reasons == ["off-the-set"] and j.bottom is not None and columns.minimum.size:
                drop = sense * float(np.median(columns.minimum)) - j.bottom.minimum_mm
                play = play_test.one_apart(play, drop, j.bottom.u_mm, self._step)
        apart = [
            abs(sense * float(np.median(columns.minimum)) - j.bottom.minimum_mm)
            for j in judged
            if j.reasons in (["off-the-set"], ["turned-back"]) and j.bottom is not None and columns.minimum.size
        ]
        play = play_test.several_apart(play, apart, columns.minimum.size, self._step)
        if tests:
            play = combine(play, judge(tests, self._repeatability))
        places = [bisect_right(reseats, judged[i].raw.t[judged[i].raw.lowest]) for i in good]
        seating = Seating(len(set(places) - {len(reseats)}) + 1, places.count(len(reseats)))
        return _Outcome(sweeps, statistics, play, shown, sense, seating)

    def _alone(self, kept: list[_Kept], groups: Groups) -> list[Judged]:
        """Sweeps with their fits, each judged by itself."""
        judged = self._fit(kept, groups)
        for k, j in zip(kept, judged, strict=True):
            judge_alone(j, k.period_s)
            if k.parted is not None:
                fewer: list[Reason] = [r for r in j.reasons if r in ("too-fast", "too-few-samples")]
                j.reasons[:] = fewer or ["knock"]
                j.spiked = j.bottom is not None
        return judged

    def _late(self, kept: list[_Kept], tests: list[Episode]) -> list[Judged]:
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

    def _fit(self, kept: list[_Kept], groups: Groups) -> list[Judged]:
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


def _within(raw: RawSweep, tests: list[Episode]) -> bool:
    at = raw.t[raw.lowest]
    return any(e.start_s <= at <= e.end_s for e in tests)


def _mostly_too_fast(judged: list[Judged]) -> bool:
    return 2 * sum(not {"too-fast", "too-few-samples"}.isdisjoint(j.reasons) for j in judged) > len(judged)


def _ranked(places: list[int]) -> list[int]:
    """Seatings counted from 1; one in which nothing was swept is none."""
    rank = {place: n for n, place in enumerate(sorted(set(places)), start=1)}
    return [rank[p] for p in places]


class _Kept:
    """A sweep as it is held: its window, not its whole swing.

    `pairs` are the bottoms either side of each peak before and in it; `parted` its last bottom, where bumps were joined.
    """

    def __init__(
        self,
        raw: RawSweep,
        period_s: float | None,
        pairs: tuple[tuple[RawSweep, RawSweep], ...],
        *,
        parted: RawSweep | None = None,
    ) -> None:
        self.raw = raw
        self.period_s = period_s
        self.pairs = pairs
        self.parted = parted
        self._window: Window | None = None
        self._shares: tuple[float, ...] | None = None

    @property
    def shares(self) -> tuple[float, ...]:
        """Pace over each peak, as a share of the outer flanks'; nan for none."""
        if self._shares is None:
            self._shares = tuple(across(a, b) for a, b in self.pairs) or (math.nan,)
        return self._shares

    @property
    def window(self) -> Window:
        """Readings around the bottom, chosen when they are first asked for: of the two display directions only one is."""
        if self._window is None:
            self._window = choose(self.raw, self.period_s)
        return self._window


class Seating(NamedTuple):
    """The seating that is being swept: its number, and the good sweeps in it."""

    number: int
    good: int


class _Outcome(NamedTuple):
    sweeps: tuple[Sweep, ...]
    statistics: SetStatistics
    play: PlayFinding
    judged: list[Judged]
    sense: int
    seating: Seating


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
