"""Push-pull test, found in the stream: the arbor rests at the bottom while the pinion is pushed and pulled by turns.

A sound bearing gives one level, play gives two.  `PlateauFinder` takes the stream and hands over episodes of levels by turns;
`judge` says what they prove.  Hands that swing or wander give levels by turns too, but do not hold them.

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
from analysis.plateaus import FEWEST_TURNS, LEAST_STEPS, Episode, Plateau, PlateauFinder
from analysis.play import LEAST_MM, PRESENT_P, SUSPECTED_P
from analysis.results import Finding, PlayFinding

__all__ = [
    "NO_TEST",
    "Episode",
    "Plateau",
    "PlateauFinder",
    "PushPull",
    "Reversal",
    "combine",
    "judge",
    "load_reversal",
]

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
    se_mm: float = 0.0
    dof: float = math.inf
    """Standard error of the size from the scatter alone, and its degrees of freedom."""


def load_reversal(e: Episode, repeatability_mm: float | None = None, *, hand_dof: float = HAND_DOF) -> Reversal | None:
    """Paired comparison of the levels under the two loads, a steady drift taken out.

    Parameters
    ----------
    e : Episode
    repeatability_mm : float, optional
        Scatter of a level that is expected at least, before any is seen.
    hand_dof : float
        How many levels that expectation is worth.

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
    dof = free + hand_dof
    scatter = math.sqrt((float((rest**2).sum()) + hand_dof * prior**2) / dof)
    se = scatter * math.sqrt(float(inverse[1, 1]))
    size = float(coefficients[1])
    within = float(np.median([p.sd_mm for p in turns]))
    hidden = math.sqrt(2.0) * rounding(e.step_mm, within)
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
    return Reversal(size, max(0.0, size - half), size + half, p, scatter, worst, held, bend, creep, n, se, dof)


def rounding(step_mm: float, sd_mm: float) -> float:
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
