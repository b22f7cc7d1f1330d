"""Push-pull test, found in the stream: the arbor rests at the bottom while the pinion is pushed and pulled by turns.

A sound bearing gives one level, play gives two.  Readings that stand nearly still are plateaus; plateaus that go up and down by
turns, without the plunger leaving the levels in between, are an episode.  A swing passes below or beyond its own turning
points, a rest has one level, and an arbor lifted out goes far away, so none of them is taken for one.

The size is the difference of the two loads with everything else held the same, drift taken out (paired comparison); a coarse
display adds what its step hides.  Of all signs of play this is the strongest: the load is put on by hand.

Sources: least squares and Student's t, standard texts; rest of a rounded mean after the first term of its Fourier series, derived here;
the thresholds are our own and judged on simulated streams (tests/bench/plateaus.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from analysis.distributions import t_quantile, t_sf
from analysis.play import LEAST_MM, PRESENT_P, SUSPECTED_P
from analysis.results import Finding, PlayFinding

LEAST_STEPS = 1.5
"""Difference in display steps below which a display may just waver between two values."""

FEWEST_TURNS = 4
"""Levels by turns that make a test: push, pull, push, pull."""

SHORTEST_S = 0.25
FEWEST_READINGS = 3
"""Least a plateau lasts."""

LONGEST_S = 20.0
"""A plateau that lasts longer is a rest, not a load."""

LONGEST_CHANGE_S = 2.5
"""Time between two plateaus of one test."""

MOST_MM = 0.6
"""Difference between levels that is a move of the arbor."""

NEAR_MM = 0.4
"""Distance from the bottom, where it is known, at which the arbor is not held there."""

HAND_MM = 0.0015
HAND_DOF = 6.0
"""Scatter of a level under the same hand before any is seen, and how many levels that is worth: judged on simulated streams."""

CLEAR, FAIR = 6.0, 5.0
"""Difference of the loads, in standard deviations of the levels under either load, that proves and that lets suspect."""

HELD_S = 1.0
"""Each load is held at least this long, as a rule; a hand that swings or wanders passes sooner."""

BEND_MM = 0.0015
BEND_SHARE = 0.1
BEND_STEPS = 0.4
"""Bend of the levels toward each other up to which they are held and not swung through."""

CREEP_SHARE = 0.25
"""Creep of a level, as a share of the difference, up to which it is held."""

MOST_PLATEAUS = 80

_KEPT = 240


@dataclass(frozen=True, slots=True)
class Plateau:
    """Readings that stood still: level and scatter in mm, times in s."""

    start_s: float
    end_s: float
    level_mm: float
    sd_mm: float
    readings: int
    bend_mm: float = 0.0
    """Outer thirds less the middle: a level that is held has none, the bottom of a swing bends up."""
    creep_mm: float = 0.0
    """Last third less the first: a level that is held hardly creeps."""

    @property
    def seconds(self) -> float:
        """How long it was held."""
        return self.end_s - self.start_s


@dataclass(frozen=True, slots=True)
class Episode:
    """Plateaus in one stretch without a swing.

    Attributes
    ----------
    plateaus : tuple of Plateau
        Neighbours differ in level.
    step_mm : float
        Display step.
    asked : bool
        The user announced the test, so one single level is an answer too.
    """

    plateaus: tuple[Plateau, ...]
    step_mm: float
    asked: bool = False

    @property
    def start_s(self) -> float:
        """When the first load was on."""
        return self.plateaus[0].start_s

    @property
    def end_s(self) -> float:
        """When the last load was taken off."""
        return self.plateaus[-1].end_s

    @property
    def turns(self) -> tuple[Plateau, ...]:
        """Plateaus at which the level turned, highs and lows by turns; those in between (no load) are left out."""
        return _turns(self.plateaus, _threshold(self.step_mm))


class PlateauFinder:
    """Incremental search for push-pull tests; holds a bounded number of readings.

    Attributes
    ----------
    bottom_mm : float or None
        Display at the bottom, where a sweep has shown it: levels far from it are not the bottom.
    """

    def __init__(self) -> None:
        self.bottom_mm: float | None = None
        self._asked = False
        self._step = 0.0
        self._noise = 0.001
        self._band = 0.003
        self._t: list[float] = []
        self._v: list[float] = []
        self._in = False
        self._strays: list[tuple[float, float]] = []
        self._low, self._high = math.inf, -math.inf
        self._plateaus: list[Plateau] = []
        self._ready: Episode | None = None

    @property
    def turns(self) -> int:
        """Levels by turns seen so far in the stretch that is going on, to tell the person how it goes."""
        return len(_turns(self._plateaus, _threshold(self._step)))

    def expect(self) -> None:
        """The user has announced a push-pull test: the next still stretch is one, whatever it shows."""
        self._asked = True

    def push(self, t: float, mm: float, step_mm: float) -> Episode | None:
        """Take one reading; hand back an episode once it is over.

        Parameters
        ----------
        t : float
            Time of arrival, s.
        mm : float
            Reading as displayed, mm.
        step_mm : float
            Display step, mm.
        """
        if step_mm != self._step:
            self._cut()
            self._step = step_mm
            self._noise = max(0.001, 0.3 * step_mm)
            self._widen()
        v, band = self._v, self._band
        if self._in:
            self._inside(t, mm)
        elif v and not (-band <= mm - v[-1] <= band):
            self._moving(t, mm)
        else:
            self._t.append(t)
            v.append(mm)
            self._settling(t)
        if self._ready is None:
            return None
        found, self._ready = self._ready, None
        return found

    def cut(self) -> Episode | None:
        """End what goes on: the stream ended or broke off, or a mark was made."""
        self._cut()
        found, self._ready = self._ready, None
        return found

    # within

    def _widen(self) -> None:
        self._band = max(1.25 * self._step, 3.3 * self._noise, 0.003)

    def _cut(self) -> None:
        if self._in:
            self._leave()
        self._flush()
        self._t, self._v, self._in = [], [], False

    def _moving(self, t: float, mm: float) -> None:
        """Between two levels, or off on a swing."""
        self._between(self._v)
        self._t, self._v = [t], [mm]
        if self._plateaus and self._gone(t, mm):
            self._flush()

    def _settling(self, t: float) -> None:
        """The last readings may become a plateau."""
        v = self._v
        while max(v) - min(v) > 1.5 * self._band:
            self._between(v[:1])
            del v[0], self._t[0]
        if len(v) >= FEWEST_READINGS and t - self._t[0] >= SHORTEST_S:
            self._in = True
            self._strays = []

    def _inside(self, t: float, mm: float) -> None:
        v = self._v
        recent = sorted(v[-9:])
        near = recent[len(recent) // 2]
        if -self._band <= mm - near <= self._band:
            self._noise += 0.05 * (min(0.886 * abs(mm - v[-1]), 3.0 * self._noise) - self._noise)
            self._noise = max(self._noise, 0.0003, 0.1 * self._step)
            self._widen()
            self._t.append(t)
            v.append(mm)
            self._strays = []
            if len(v) > _KEPT:  # the middle of a long plateau says nothing more
                del v[: _KEPT // 2], self._t[1 : 1 + _KEPT // 2]
            if t - self._t[0] > LONGEST_S:
                self._cut()
            return
        strays = self._strays
        strays.append((t, mm))
        if len(strays) < 2:
            return  # one wild reading changes no level
        above = [x > near for _, x in strays[-2:]]
        if above[0] != above[1] and len(strays) < 4:
            return
        self._leave()
        self._t, self._v = [], []
        for s, x in strays:
            if self._v and abs(x - self._v[-1]) > self._band:
                self._between(self._v)
                self._t, self._v = [], []
            self._t.append(s)
            self._v.append(x)
        if self._plateaus and self._gone(t, mm):
            self._flush()

    def _between(self, values: Sequence[float]) -> None:
        for x in values:
            self._low, self._high = min(self._low, x), max(self._high, x)

    def _gone(self, t: float, mm: float) -> bool:
        """Whether the plunger has left the levels for good."""
        levels = [p.level_mm for p in self._plateaus]
        low, high = min(levels), max(levels)
        room = MOST_MM if len(levels) == 1 else max(1.5 * (high - low), 0.06)
        return not low - room <= mm <= high + room or t - self._plateaus[-1].end_s > LONGEST_CHANGE_S + 1.0

    def _leave(self) -> None:
        """The plateau that goes on is over."""
        self._in = False
        t, v = self._t, self._v
        n = len(v)
        # the ends belong to the change of load
        a, b = (round(0.2 * n), n - round(0.1 * n)) if n >= 5 else (0, n)
        x = np.array(v[a:b])
        third = max(1, x.size // 3)
        outer = 0.5 * float(x[:third].mean() + x[-third:].mean())
        bend = outer - float(x[third : x.size - third].mean()) if x.size >= 6 else 0.0
        creep = float(x[-third:].mean() - x[:third].mean()) if x.size >= 6 else 0.0
        self._next(Plateau(t[0], t[-1], float(x.mean()), float(x.std()), int(x.size), bend, creep))
        self._low, self._high = math.inf, -math.inf

    def _next(self, p: Plateau) -> None:
        if self.bottom_mm is not None and abs(p.level_mm - self.bottom_mm) > NEAR_MM:
            self._flush()
            return
        before = self._plateaus[-1] if self._plateaus else None
        if before is not None:
            change = abs(p.level_mm - before.level_mm)
            low, high = min(p.level_mm, before.level_mm), max(p.level_mm, before.level_mm)
            room = max(0.6 * change, 2.5 * self._step, 0.006)
            away = self._low < low - room or self._high > high + room
            if away or change > MOST_MM or p.start_s - before.end_s > LONGEST_CHANGE_S:
                self._flush()
            elif change <= max(1.25 * self._step, 0.6 * LEAST_MM):
                self._plateaus[-1] = _joined(before, p)
                return
        self._plateaus.append(p)
        if len(self._plateaus) >= MOST_PLATEAUS:
            self._flush()

    def _flush(self) -> None:
        """The stretch is over; it is an episode if the level went up and down by turns, or a test was announced."""
        plateaus, self._plateaus = self._plateaus, []
        if not plateaus:
            return
        e = Episode(tuple(plateaus), self._step, self._asked)
        if self._asked or len(e.turns) >= FEWEST_TURNS:
            self._asked = False
            self._ready = e


def _joined(a: Plateau, b: Plateau) -> Plateau:
    n = a.readings + b.readings
    level = (a.readings * a.level_mm + b.readings * b.level_mm) / n
    var = (
        a.readings * (a.sd_mm**2 + (a.level_mm - level) ** 2) + b.readings * (b.sd_mm**2 + (b.level_mm - level) ** 2)
    ) / n
    return Plateau(a.start_s, b.end_s, level, math.sqrt(var), n, 0.5 * (a.bend_mm + b.bend_mm), b.level_mm - a.level_mm)


def _threshold(step_mm: float) -> float:
    return max(0.8 * LEAST_MM, LEAST_STEPS * step_mm - 1e-9)


def _turns(plateaus: Sequence[Plateau], threshold: float) -> tuple[Plateau, ...]:
    """Highs and lows by turns: a level counts once the next has gone back by most of the whole difference."""
    if len(plateaus) < 2:
        return tuple(plateaus)
    levels = [p.level_mm for p in plateaus]
    back = max(threshold, 0.6 * (float(np.quantile(levels, 0.85)) - float(np.quantile(levels, 0.15))))
    low = high = plateaus[0]
    out: list[Plateau] = []
    way = 0
    for p in plateaus[1:]:
        if way >= 0 and p.level_mm > high.level_mm:
            high = p
        if way <= 0 and p.level_mm < low.level_mm:
            low = p
        if way >= 0 and high.level_mm - p.level_mm >= back:
            # what came before the first turn is the other end of it
            if way == 0 and high.level_mm - low.level_mm >= back and low.start_s < high.start_s:
                out.append(low)
            out.append(high)
            low, way = p, -1
        elif way <= 0 and p.level_mm - low.level_mm >= back:
            if way == 0 and high.level_mm - low.level_mm >= back and high.start_s < low.start_s:
                out.append(high)
            out.append(low)
            high, way = p, 1
    return (*out, low if way < 0 else high)


@dataclass(frozen=True, slots=True)
class Reversal:
    """Difference between the two loads of one episode; lengths mm."""

    size_mm: float
    low_mm: float
    high_mm: float
    p: float
    scatter_mm: float
    worst_mm: float
    """Scatter of the levels under the load that repeats less well."""
    held_s: float
    """How long the shorter of the two loads was held, as a rule."""
    bend_mm: float
    """How far the levels bend toward each other, as the turning points and bottoms of a swing do."""
    creep_mm: float
    """How far a level creeps while it is held, as a rule."""
    turns: int


def load_reversal(e: Episode, repeatability_mm: float | None = None) -> Reversal | None:
    """Paired comparison of the levels under the two loads, a steady drift taken out.

    Returns
    -------
    Reversal or None
        None with fewer than `FEWEST_TURNS` levels by turns.
    """
    turns = e.turns
    n = len(turns)
    if n < FEWEST_TURNS:
        return None
    level = np.array([p.level_mm for p in turns])
    t = np.array([0.5 * (p.start_s + p.end_s) for p in turns])
    up = level[0] > level[1]
    side = np.where((np.arange(n) % 2 == 0) == up, 0.5, -0.5)
    columns = np.column_stack([np.ones(n), side])
    if n > FEWEST_TURNS:
        columns = np.column_stack([columns, (t - t.mean()) / max(float(np.ptp(t)), 1e-9)])
    inverse = np.linalg.inv(columns.T @ columns)
    coefficients = inverse @ columns.T @ level
    rest = level - columns @ coefficients
    free = n - columns.shape[1]
    prior = max(HAND_MM, repeatability_mm or 0.0)
    dof = free + HAND_DOF
    scatter = math.sqrt((float((rest**2).sum()) + HAND_DOF * prior**2) / dof)
    se = scatter * math.sqrt(float(inverse[1, 1]))
    size = float(coefficients[1])
    within = float(np.median([p.sd_mm for p in turns]))
    hidden = math.sqrt(2.0) * _rounding(e.step_mm, within)
    half = math.hypot(t_quantile(0.975, dof) * se, 1.96 * hidden)
    p = min(1.0, 2.0 * t_sf(size / math.hypot(se, hidden), dof))
    groups = [[x for x, s in zip(turns, side, strict=True) if s == which] for which in (-0.5, 0.5)]
    worst = max(
        math.sqrt((float((rest[side == which] ** 2).sum()) + 2.0 * prior**2) / (len(g) + 1.0))
        for g, which in zip(groups, (-0.5, 0.5), strict=True)
    )
    held = min(float(np.median([x.seconds for x in g])) for g in groups)
    creep = float(np.median([abs(x.creep_mm) for x in turns]))
    bend = float(np.mean([x.bend_mm for x in groups[0]])) - float(np.mean([x.bend_mm for x in groups[1]]))
    return Reversal(size, max(0.0, size - half), size + half, p, scatter, worst, held, bend, creep, n)


def _rounding(step_mm: float, sd_mm: float) -> float:
    """Standard uncertainty a mean of rounded readings keeps, mm: step/√12 without noise, hardly any from half a step of noise on."""
    if sd_mm <= 0.0:
        return step_mm / math.sqrt(12.0)
    # the scatter seen holds the rounding's own share
    noise2 = max(0.0, (sd_mm / step_mm) ** 2 - 1.0 / 12.0)
    return step_mm * min(1.0 / math.sqrt(12.0), math.exp(-2.0 * math.pi**2 * noise2) / (math.pi * math.sqrt(2.0)))


@dataclass(frozen=True, slots=True)
class PushPull:
    """What the push-pull tests of a set say; lengths mm, None where none was made.

    Attributes
    ----------
    finding : str
        "present", "suspected", "none", or "not assessable" where no test was seen.
    size_mm, size_low_mm, size_high_mm : float or None
        Difference of the loads with its 95 % interval.
    p_value : float or None
        Chance of such a difference on a sound bearing.
    reversals : int
        Changes of load that were compared.
    say : str
        The finding in words.
    """

    finding: Finding
    size_mm: float | None
    size_low_mm: float | None
    size_high_mm: float | None
    p_value: float | None
    reversals: int
    say: str

    def as_play(self) -> PlayFinding:
        """The same in the terms of the play finding."""
        two = self.finding in ("present", "suspected")
        return PlayFinding(
            self.finding,
            self.size_mm if two else None,
            self.size_low_mm,
            self.size_high_mm,
            "two-level" if two else "none",
            self.p_value,
            self.say,
        )


NO_TEST = PushPull("not assessable", None, None, None, None, 0, "No push-pull test was seen.")


def judge(episodes: Sequence[Episode], repeatability_mm: float | None = None) -> PushPull:
    """Judge play from push-pull tests.

    Parameters
    ----------
    episodes : sequence of Episode
        Those of one set.
    repeatability_mm : float, optional
        The indicator's stated standard deviation on a still surface.
    """
    found = [(r, e) for e in episodes if (r := load_reversal(e, repeatability_mm)) is not None]
    # A swing or a wandering hand goes up and down by turns too: unless the test was announced, it is none.
    tests = [(r, e) for r, e in found if _held(r, e.step_mm)]
    if not tests:
        asked = [e for e in episodes if e.asked]
        return _unclear(asked[-1]) if asked else NO_TEST
    best, episode = max(tests, key=lambda x: (x[0].low_mm, x[0].size_mm))
    least = max(LEAST_MM, LEAST_STEPS * episode.step_mm - 1e-9)
    p = min(1.0, best.p * len(tests))
    finding: Finding = "none"
    if best.size_mm >= least and best.low_mm > 0.0:
        clear = best.size_mm / best.worst_mm
        if clear >= CLEAR and p < PRESENT_P:
            finding = "present"
        elif clear >= FAIR and p < SUSPECTED_P:
            finding = "suspected"
    if finding == "none" and not episode.asked:
        return NO_TEST
    reversals = best.turns - 1
    if finding == "none":
        high = max(least, best.high_mm)
        say = f"Pushed and pulled {reversals} times at the bottom: no play found; play above {high:.3f} mm would have shown."
        return PushPull("none", None, 0.0, high, p, reversals, say)
    word = "proven" if finding == "present" else "suspected"
    say = (
        f"Play {word} by push and pull: the face moves {best.size_mm:.3f} mm ({best.low_mm:.3f} to {best.high_mm:.3f}) "
        f"over {reversals} changes of load, the arbor held at the bottom. A few micrometres of it may be the give of sound parts "
        "under a heavy hand. A depth measured with play is not valid."
    )
    return PushPull(finding, best.size_mm, best.low_mm, best.high_mm, p, reversals, say)


def _held(r: Reversal, step_mm: float) -> bool:
    """Whether two loads were held, and no hand swung or wandered to and fro over the bottom."""
    bend = max(BEND_MM, BEND_SHARE * r.size_mm, BEND_STEPS * step_mm)
    creep = max(CREEP_SHARE * r.size_mm, BEND_STEPS * step_mm)
    return r.held_s >= HELD_S and r.bend_mm <= bend and r.creep_mm <= creep


def _unclear(e: Episode) -> PushPull:
    """An announced test without two held loads in it."""
    turns = e.turns
    if len(turns) >= FEWEST_TURNS:
        return PushPull(
            "not assessable",
            None,
            None,
            None,
            None,
            len(turns) - 1,
            "Push-pull test announced, but the level wanders. Hold the arbor still at the bottom, push and pull by turns, each for a "
            "second or two, four times or more.",
        )
    levels = [p.level_mm for p in e.plateaus]
    high = max(LEAST_MM, LEAST_STEPS * e.step_mm, max(levels) - min(levels))
    return PushPull(
        "none",
        None,
        0.0,
        high,
        None,
        0,
        "Push-pull test announced, and the reading did not go up and down by turns: if the pinion was pushed and pulled, there is no "
        f"play above {high:.3f} mm.",
    )


def combine(sweeps: PlayFinding, test: PushPull) -> PlayFinding:
    """One finding from the sweeps and the push-pull test; the test is the stronger evidence.

    A test that shows play proves it whatever the sweeps say.  One that shows none clears what the sweeps only suspected; where
    the sweeps had found play by themselves it stays suspected, for something moves.
    """
    if test.finding == "not assessable":
        return sweeps
    if test.finding in ("present", "suspected"):
        if test.finding == "suspected" and sweeps.finding == "present":
            return sweeps
        return test.as_play()
    if sweeps.finding == "present":
        return PlayFinding(
            "suspected",
            sweeps.size_mm,
            sweeps.size_low_mm,
            sweeps.size_high_mm,
            sweeps.pattern,
            sweeps.p_value,
            f"{sweeps.say} But: {test.say} Look for a loose indicator, arbor or seat, and repeat both.",
        )
    if sweeps.finding == "suspected":
        return PlayFinding("none", None, 0.0, test.size_high_mm, "none", sweeps.p_value, test.say)
    return PlayFinding("none", None, 0.0, test.size_high_mm, sweeps.pattern, test.p_value, test.say)
