"""Run-out from a stream: the ring gear is turned by hand, whole turns without a stop, the plunger on its back face.

The hand's speed is not known and wanders, so where the gear stands is worked out with the face: one wave a turn, its second and third
overtone, a steady drift, and a smooth way of the angle through the turns.  The turns are stated; whether they were whole shows in the
reading coming back to where it began and in the turns agreeing.  What is left after the fit is noise, or, where it is stated that the
plunger runs over teeth, theirs: a wave of so many a turn is far from the three that are taken for the face.

Sources: harmonic analysis by least squares, standard texts; the thresholds are our own and judged on simulated streams
(tests/bench/turns.py).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import t_quantile
from analysis.readings import Reading, Scale
from analysis.uncertainty import resolution

Array = NDArray[np.float64]

OVERTONES = 3
"""Waves a turn that are told apart from noise; a back face has hardly more."""

WAYS = 3
"""Waves over the whole way by which the hand's speed wanders."""

STILL_S = 0.8
"""Rest at the beginning and at the end by which the turning is known."""

FEWEST = 40
"""Readings of a turn at least."""

BACK_SHARE, BACK_MM = 0.12, 0.004
"""How far from where it began the reading may end, as a share of the run-out and in mm."""

FEWEST_TURNS = 2
"""Turns from which the hand's way and the face can be told apart."""

MISFIT = 2.2
"""Times the noise between neighbouring readings that the fit may leave."""

STRAIN = 1.45
"""Bend of the hand's way, in standard deviations of what hands do, from which it is not the hand but the number of turns that is wrong."""

SPEED_TOTAL, SPEED_WAVE = (0.0004, 0.012), (0.0006, 0.07)
"""What the hand's unknown speed leaves uncertain, mm and share of the run-out: of the whole, and of the wave of one a turn."""

REASONS = {
    "one-turn": "make two turns at least: from one alone the hand's speed cannot be told from the face",
    "no-turn": "turn the gear by hand through whole turns, resting a second before and after at the same mark",
    "too-few-readings": "turn more slowly: forty readings a turn at least",
    "not-whole": "the reading does not come back to where it began: begin and end at the same mark, and state how many turns it were",
    "turns-differ": "the turns do not agree: a bearing that gives, a plunger that slips, not the number of turns that is stated, or teeth under the plunger",
}
"""Why a stream gives no run-out, and what to do."""


@dataclass(frozen=True, slots=True)
class Turned:
    """Run-out of a turned ring gear; lengths mm.

    Attributes
    ----------
    total_mm, total_U95_mm : float or None
        Highest less lowest over a turn, noise left out; None where it is refused.
    wave_mm, wave_U95_mm : float
        Part of it that is one wave a turn: seat, case or bearing.
    heights_mm : tuple of float
        The face at equal angles from the mark, less its mean.
    noise_mm : float
        Standard deviation of the readings round the fit.
    tooth_mm : float or None
        What is left round the fit taken for the wave of one a tooth, highest less lowest; None where no teeth are stated.
    returned_mm : float
        Where the reading ended less where it began.
    """

    readings: int
    turns: int
    seconds: float
    reasons: tuple[str, ...]
    total_mm: float | None = None
    total_U95_mm: float | None = None
    wave_mm: float | None = None
    wave_U95_mm: float | None = None
    heights_mm: tuple[float, ...] = ()
    noise_mm: float | None = None
    tooth_mm: float | None = None
    returned_mm: float | None = None

    @property
    def accepted(self) -> bool:
        """Whether it counts."""
        return self.total_mm is not None and not self.reasons

    @property
    def say(self) -> str:
        """The finding in a sentence."""
        if not self.accepted or self.total_mm is None:
            return "No run-out comes out of this: " + "; ".join(REASONS[r] for r in self.reasons) + "."
        tooth = "" if not self.tooth_mm else f" The teeth make {self.tooth_mm:.3f} mm besides, left out."
        return (
            f"Run-out {self.total_mm:.3f} ± {self.total_U95_mm:.3f} mm over {self.turns} turns, {self.wave_mm:.3f} ± {self.wave_U95_mm:.3f} mm of it one "
            f"wave a turn; noise {1000 * (self.noise_mm or 0.0):.1f} µm.{tooth}"
        )


PLACES = 24
"""Equal angles at which the face is given: between them a wave of one a turn is missed by less than 1 %."""


class TurningSession:
    """Takes a stream's readings; gives the run-out.

    Parameters
    ----------
    turns : int
        Whole turns that were made, as stated.
    teeth : int, optional
        Teeth of the ring gear, where the plunger ran over them.
    """

    def __init__(self, turns: int, teeth: int | None = None) -> None:
        self.turns, self.teeth = turns, teeth
        self.bad_frames = 0
        self._t: list[float] = []
        self._mm: list[float] = []
        self._scales: set[Scale] = set()

    @property
    def readings(self) -> int:
        """Readings taken."""
        return len(self._t)

    @property
    def unit(self) -> str:
        """Unit of the display; "mm" where it changed on the way."""
        units = {s.unit for s in self._scales}
        return units.pop() if len(units) == 1 else "mm"

    def reading(self, r: Reading) -> None:
        """Take one reading."""
        self._scales.add(r.scale)
        self._t.append(r.t)
        self._mm.append(r.mm)

    def mark(self, t: float, mark: str) -> None:
        """Marks have no part in it."""

    def link(self, t: float, state: str, why: str = "") -> None:
        """Take a change of the link: what was read before a loss is no whole turn."""
        if state == "lost":
            self._t.clear()
            self._mm.clear()

    def damaged(self, t: float, why: str) -> None:
        """Take note of bytes that made no reading."""
        self.bad_frames += 1

    def close(self) -> None:
        """The stream has ended."""

    def found(self) -> Turned:
        """The run-out."""
        step = max((float(s.step_mm) for s in self._scales), default=0.001)
        return run_out(np.array(self._t), np.array(self._mm), self.turns, step, self.teeth)


def run_out(t: Array, mm: Array, turns: int, step_mm: float, teeth: int | None = None) -> Turned:
    """Run-out of a ring gear that was turned by hand between two rests at the same mark.

    Parameters
    ----------
    t, mm : ndarray, shape (n,)
        Times, s, and readings, mm.
    turns : int
        Whole turns between the two rests.
    step_mm : float
        Display step.
    teeth : int, optional
        Teeth under the plunger.
    """
    if turns < FEWEST_TURNS:
        return Turned(t.size, turns, 0.0, ("one-turn",))
    stretch = _stretch(t, mm, step_mm)
    if stretch is None:
        return Turned(t.size, turns, 0.0, ("no-turn",))
    first, last, began, ended = stretch
    x, y = t[first:last], _without_wild(mm[first:last])
    seconds = float(x[-1] - x[0])
    if x.size < FEWEST * turns:
        return Turned(t.size, turns, seconds, ("too-few-readings",), returned_mm=ended - began)
    fit = _fit((x - x[0]) / seconds, y, turns, step_mm)
    reasons = []
    size = float(np.ptp(fit.curve))
    if abs(ended - began) > max(BACK_SHARE * size, BACK_MM, 1.5 * step_mm):
        reasons.append("not-whole")
    near = float(np.std(np.diff(y, 2))) / math.sqrt(6.0)
    # Teeth under the plunger are no noise of neighbouring readings; where they are known to be there, they may stay in the rest.
    left = teeth is None and fit.noise_mm > MISFIT * max(near, 0.45 * step_mm, 0.0006)
    if left or fit.noise_mm > 0.25 * size or fit.backward or fit.strain > STRAIN:
        reasons.append("turns-differ")
    k = t_quantile(0.975, max(1.0, x.size - fit.unknowns))
    still = resolution(step_mm) * math.sqrt(2.0) if fit.noise_mm < 0.4 * step_mm else 0.0
    return Turned(
        t.size,
        turns,
        seconds,
        tuple(reasons),
        size,
        math.hypot(k * fit.total_u_mm, 1.96 * still, 1.96 * (SPEED_TOTAL[0] + SPEED_TOTAL[1] * size)),
        2.0 * fit.wave_mm,
        math.hypot(k * 2.0 * fit.wave_u_mm, 1.96 * still, 1.96 * (SPEED_WAVE[0] + SPEED_WAVE[1] * size)),
        tuple(fit.curve[:: fit.curve.size // PLACES].tolist()),
        fit.noise_mm,
        None if teeth is None else 2.0 * math.sqrt(2.0) * fit.noise_mm,
        ended - began,
    )


def _stretch(t: Array, mm: Array, step_mm: float) -> tuple[int, int, float, float] | None:
    """First and last reading of the turning, and the levels before and after; None without a rest at either end and a move between."""
    if t.size < 20:
        return None
    band = max(1.3 * step_mm, 0.0035)

    def rest(order: NDArray[np.intp], level: float) -> int:
        off = np.abs(mm[order] - level) > band
        two = off[:-1] & off[1:]
        return int(np.argmax(two)) if two.any() else -1

    forward, backward = np.arange(t.size), np.arange(t.size)[::-1]
    head, tail = t <= t[0] + STILL_S, t >= t[-1] - STILL_S
    began, ended = float(np.median(mm[head])), float(np.median(mm[tail]))
    i, j = rest(forward, began), rest(backward, ended)
    if i < int(head.sum()) - 1 or j < int(tail.sum()) - 1:
        return None
    last = t.size - j
    return (i, last, began, ended) if last - i >= 20 else None


def _without_wild(y: Array) -> Array:
    """Readings that stand alone far from their neighbours are put among them."""
    out = y.copy()
    if y.size >= 5:
        pad = np.concatenate([y[:2], y, y[-2:]])
        middle = np.median(np.stack([pad[i : i + y.size] for i in range(5)]), axis=0)
        off = np.abs(y - middle)
        wild = off > max(6.0 * float(np.median(off)), 0.02)
        out[wild] = middle[wild]
    return out


@dataclass(frozen=True, slots=True)
class _Fit:
    curve: Array
    total_u_mm: float
    wave_mm: float
    wave_u_mm: float
    noise_mm: float
    unknowns: int
    strain: float
    """How far the hand's way had to be bent, in standard deviations of what hands do."""
    backward: bool


def _fit(s: Array, y: Array, turns: int, step_mm: float) -> _Fit:
    """Waves a turn and the hand's way through the turns, together, by Gauss and Newton's steps."""
    count = WAYS * turns + 3
    k = np.arange(1, count + 1)
    bends = np.concatenate([s[:, None], np.sin(np.pi * s[:, None] * k)], axis=1)
    # A hand's speed wanders by a third or so; where it began and ended turning is known to a quarter of a radian.
    prior = np.concatenate([[0.35], 2.0 * np.pi * turns * 0.35 / (np.pi * k)])
    way = np.zeros(count + 1)
    orders = range(1, OVERTONES + 1)
    sigma = max(0.3 * step_mm, 0.0005)
    for _ in range(12):
        angle = 2.0 * np.pi * turns * s + bends @ way
        base = _waves(angle, s, orders)
        weights = np.asarray(np.linalg.lstsq(base, y, rcond=None)[0])
        slope = _slope(angle, weights, orders)
        both = np.concatenate([base, slope[:, None] * bends], axis=1)
        ridge = np.concatenate([np.zeros(base.shape[1]), sigma / prior])
        rest = np.concatenate([y - base @ weights, -(sigma / prior) * way])
        system = np.concatenate([both, np.diag(ridge)[base.shape[1] :]])
        move = np.linalg.lstsq(system, rest, rcond=None)[0]
        change = move[base.shape[1] :]
        way = way + np.clip(change, -0.6, 0.6)
        sigma = max(float(np.std(y - base @ weights)), 0.25 * step_mm, 0.0003)
        if float(np.abs(change).max()) < 1e-4:
            break
    angle = 2.0 * np.pi * turns * s + bends @ way
    base = _waves(angle, s, orders)
    weights = np.asarray(np.linalg.lstsq(base, y, rcond=None)[0])
    noise = y - base @ weights
    sd = math.sqrt(float((noise**2).sum()) / max(1, y.size - base.shape[1] - count))
    # Noise of neighbouring readings goes together: fewer of them count.
    rho = float(np.clip((noise[1:] * noise[:-1]).mean() / max(float((noise**2).mean()), 1e-12), 0.0, 0.95))
    slope = _slope(angle, weights, orders)
    both = np.concatenate([base, slope[:, None] * bends], axis=1)
    stiff = np.concatenate([np.zeros(base.shape[1]), sd / prior])
    spread = np.linalg.pinv(both.T @ both + np.diag(stiff**2)) * sd**2 * (1.0 + rho) / (1.0 - rho)
    grid = 2.0 * np.pi * np.arange(240) / 240
    shape = np.zeros((grid.size, both.shape[1]))
    for n, order in enumerate(orders):
        shape[:, 2 + 2 * n], shape[:, 3 + 2 * n] = np.cos(order * grid), np.sin(order * grid)
    curve = shape[:, : base.shape[1]] @ weights
    high, low = int(np.argmax(curve)), int(np.argmin(curve))
    difference = shape[high] - shape[low]
    c, d = weights[2], weights[3]
    wave = math.hypot(c, d)
    along = np.zeros(both.shape[1])
    along[2:4] = np.array([c, d]) / max(wave, 1e-9)
    return _Fit(
        curve,
        math.sqrt(max(0.0, float(difference @ spread @ difference))),
        wave,
        math.sqrt(max(0.0, float(along @ spread @ along))),
        sd,
        base.shape[1] + count,
        float(np.sqrt(np.mean((way / prior) ** 2))),
        bool(np.diff(angle).min() < -0.5 * 2.0 * np.pi * turns / s.size),
    )


def _waves(angle: Array, s: Array, orders: Sequence[int]) -> Array:
    columns = [np.ones_like(s), s - 0.5]
    for n in orders:
        columns += [np.cos(n * angle), np.sin(n * angle)]
    return np.stack(columns, axis=1)


def _slope(angle: Array, weights: NDArray[Any], orders: Sequence[int]) -> Array:
    out = np.zeros_like(angle)
    for i, n in enumerate(orders):
        out += n * (weights[3 + 2 * i] * np.cos(n * angle) - weights[2 + 2 * i] * np.sin(n * angle))
    return out
