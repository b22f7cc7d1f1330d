"""Run-out from the readings between two rests, and what speaks against it."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import t_quantile
from analysis.turning.turned import Turned
from analysis.turning.waves import fit_waves
from analysis.uncertainty import resolution

Array = NDArray[np.float64]

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

PLACES = 24
"""Equal angles at which the face is given: between them a wave of one a turn is missed by less than 1 %."""


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
    fit = fit_waves((x - x[0]) / seconds, y, turns, step_mm)
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
