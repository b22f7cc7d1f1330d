"""A display that averages: the faster the pass, the higher the bottom it shows.

A display whose value is a mean over the last moments (or that settles slowly) rounds the bottom off.  With the climb ``u**2`` and the
pace ``v = du/dt`` at the bottom, a mean weighted in time with variance ``s**2`` shows the bottom too high by ``v**2 * s**2``; a plain mean over
``T`` seconds has ``s**2 = T**2 / 12``.  A hand never keeps one pace, so the sweeps of a set tell ``s**2`` by how their minima climb with
``v**2``, and the bottom at rest lies where that line meets nought.  One sweep cannot tell: it is a bottom like any other.

Source: derived here (second moment of the averaging about its delay); weighted least squares and Student's t, standard texts;
the thresholds are our own and judged on simulated sets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np

from analysis.distributions import t_sf
from analysis.repeatability import Bottoms

CHANCE = 0.001
PERHAPS = 0.02
"""Chance of seeing an averaging display where there is none: below the first its shift is taken out, below the second it is doubt."""

LEAST_MM = 0.0007
"""Mean shift below which nothing is done."""

LONGEST_S = 1.0
"""Length of averaging beyond which something else is at work."""


@dataclass(frozen=True, slots=True)
class Averaging:
    """What a set shows of a display that averages.

    Attributes
    ----------
    bottoms : Bottoms
        The sweeps at rest: minima less the shift.
    seconds : float
        Length of a plain mean that would shift as much.
    shift_mm, u_mm, dof : float
        Mean shift taken out, its standard uncertainty and degrees of freedom; the sweeps have it in common.
    say : str
        What was done, in a sentence.
    """

    bottoms: Bottoms
    seconds: float
    shift_mm: float
    u_mm: float
    dof: float
    say: str


def at_rest(b: Bottoms, sense: int) -> Averaging | None:
    """The sweeps less what an averaging display added, or the doubt that it may have; None where the set shows no such thing.

    Parameters
    ----------
    b : Bottoms
        Accepted sweeps, with their pace.
    sense : {+1, -1}
        +1 if the display grows as the face gets farther away.
    """
    n = b.minimum.size
    if n < 6 or b.pace.size != n:
        return None
    square = b.pace**2
    out = np.array([1.0 if h == "out" else -1.0 for h in b.heading])
    # What else may go with the pace is left free: seating, heading, drift.
    columns = [np.asarray(b.seat == s, dtype=float) for s in np.unique(b.seat)]
    columns += [x for x in (out - out.mean(), b.t - b.t.mean()) if float(np.abs(x).max()) > 0]
    free = np.stack(columns, axis=1)
    left = n - free.shape[1] - 1
    if left < 3:
        return None
    w = 1.0 / b.u
    y = sense * b.minimum
    y = y - y.mean()
    base, _ = np.linalg.qr(free * w[:, None])
    x = square * w
    x = x - base @ (base.T @ x)
    r = y * w
    r = r - base @ (base.T @ r)
    sxx = float(x @ x)
    if sxx <= 1e-9:
        return None
    slope = float(x @ r) / sxx
    rest = r - slope * x
    # the fits' own uncertainties are a floor: a few sweeps may agree by luck
    se = math.sqrt(max(float(rest @ rest) / left, 1.0) / sxx)
    shift = slope * float(square.mean())
    seconds = math.sqrt(12.0 * max(slope, 0.0))
    p = t_sf(slope / se, left) if slope > 0 else 1.0
    if p > PERHAPS or shift < LEAST_MM or seconds > LONGEST_S:
        return None
    if p > CHANCE:
        say = (
            f"The faster sweeps stand higher, perhaps by chance, perhaps because the display averages over about {seconds:.2f} s: "
            f"{shift:.4f} mm of doubt. Sweep slowly, or switch the averaging off."
        )
        return Averaging(b, seconds, 0.0, shift, float(left), say)
    say = (
        f"The faster a sweep, the higher its minimum: the display averages over about {seconds:.2f} s. "
        f"{shift:.4f} mm was taken out of the set; sweep slowly, or switch the averaging off, and it need not be."
    )
    settled = replace(b, minimum=b.minimum - sense * slope * square)
    return Averaging(settled, seconds, shift, se * float(square.mean()), float(left), say)
