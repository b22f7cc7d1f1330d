"""A display that averages: the faster the pass, the higher the bottom it shows.

A display whose value is a mean over the last moments (or that settles slowly) rounds the bottom off.  With the climb ``u**2`` and the
pace ``v = du/dt`` at the bottom, a mean weighted in time with variance ``s**2`` shows the bottom too high by ``v**2 * s**2``; a plain mean over
``T`` seconds has ``s**2 = T**2 / 12``.  A hand never keeps one pace, so the sweeps of a set tell ``s**2`` by how their minima climb with
``v**2``, and the bottom at rest lies where that line meets nought.  One sweep cannot tell: it is a bottom like any other.

Most displays do not average, and a few sweeps may climb with their pace by chance: both are weighed.  Where averaging is the likelier by far
its shift is taken out, less what chance may have added; else it is doubt.

Source: derived here (second moment of the averaging about its delay); weighted least squares, Student's t, mixture of two models: standard
texts; the prior and the thresholds are our own and judged on simulated sets.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import t_sf
from analysis.repeatability import Bottoms

Array = NDArray[np.float64]

SHARE = 0.1
"""Share of displays thought to average, before the sweeps have shown anything."""

TOLD, TAKEN = 0.2, 0.9
"""Probability of averaging, given the sweeps, below which nothing is done, and from which its shift is taken out; in between it is doubt."""

LEAST_MM = 0.0007
"""Doubt from which it is worth a word."""

SHORTEST_S, LONGEST_S = 0.03, 1.0
"""Lengths of averaging thought of, every octave as likely: less does no harm, beyond it something else is at work."""

FIT_DOF = 6.0
"""What the fits' own uncertainties are worth against the scatter, in sweeps: judged on simulated sets."""

EXCESS = 2.0
"""Scatter that the pace leaves, as a ratio of variances to the fits' own, from which the scatter alone counts: something else is at work,
bearing play for one."""

SURE, PLAUSIBLE_S = 3e-3, 0.45
"""Where that is so: chance by scatter alone below which, and length up to which, a shift is taken out."""

_VARIANCES = np.geomspace(SHORTEST_S**2, LONGEST_S**2, 700) / 12.0
"""Variances in time, s^2, spaced by a hundredth."""


@dataclass(frozen=True, slots=True)
class Averaging:
    """What a set shows of a display that averages.

    Attributes
    ----------
    bottoms : Bottoms
        The sweeps at rest: minima less the shift, `u` with the doubt about it.
    seconds : float
        Length of a plain mean that would shift as much.
    shift_mm, u_mm, dof : float
        Mean shift taken out, its standard uncertainty and degrees of freedom; the sweeps have it in common.
    explained : Bottoms
        The sweeps less all of the shift, as if it were sure that the display averages.
    chance : float
        Chance of such a line, or a steeper one, by scatter alone.
    say : str
        What was done, in a sentence; "" where it is too little for a word.
    """

    bottoms: Bottoms
    seconds: float
    shift_mm: float
    u_mm: float
    dof: float
    explained: Bottoms
    chance: float
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
    w = 1.0 / np.sqrt(np.maximum(b.u**2 - b.lag**2, 0.1 * b.u**2))
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
    rest = float(((r - slope * x) ** 2).sum())
    # A hand that rests over the bottom has no pace there to go by.
    share = SHARE * (1.0 - float(b.slowing.mean()))
    if rest > EXCESS * left:
        scale, dof = rest / left, float(left)
    else:
        scale, dof = (FIT_DOF + rest) / (FIT_DOF + left), FIT_DOF + left
    p, mean, sd = _variance_of_averaging(slope, math.sqrt(scale / sxx), dof, share)
    if p < TOLD:
        return None
    over = float(square.mean())
    seconds = math.sqrt(12.0 * mean)
    chance = t_sf(slope * math.sqrt(sxx / max(rest / left, 1.0)), left)
    given = mean / p
    explained = replace(b, minimum=b.minimum - sense * given * square, u=np.hypot(b.u, sd * (square - over)))
    # Seatings nobody marked, or play, go with the pace by chance more often than noise does.
    doubtful = rest > EXCESS * left and (chance > SURE or seconds > PLAUSIBLE_S)
    if p < TAKEN or doubtful:
        u = math.hypot(mean, sd) * over
        say = (
            f"The faster sweeps stand higher, perhaps by chance, perhaps because the display averages over about {seconds:.2f} s: "
            f"{u:.4f} mm of doubt. Sweep slowly, or switch the averaging off."
        )
        return Averaging(b, seconds, 0.0, u, dof, b if doubtful else explained, chance, say if u >= LEAST_MM else "")
    shift, u = mean * over, sd * over
    say = (
        f"The faster a sweep, the higher its minimum: the display averages over about {seconds:.2f} s. "
        f"{shift:.4f} mm was taken out of the set; sweep slowly, or switch the averaging off, and it need not be."
    )
    settled = replace(b, minimum=b.minimum - sense * mean * square, u=np.hypot(b.u, sd * (square - over)))
    return Averaging(settled, seconds, shift, u, dof, explained, chance, say)


def _variance_of_averaging(slope: float, se: float, dof: float, share: float) -> tuple[float, float, float]:
    """Probability that the display averages; mean and standard deviation of the variance in time, s^2, none of it included.

    `slope` and `se` are the line's; its likelihood is Student's t.  `share` is the probability of averaging beforehand.
    """

    def likely(variance: Array) -> Array:
        return np.asarray((1.0 + ((slope - variance) / se) ** 2 / dof) ** (-0.5 * (dof + 1.0)))

    weight = share / _VARIANCES.size * likely(_VARIANCES)
    none = (1.0 - share) * float(likely(np.zeros(1))[0])
    total = float(weight.sum()) + none
    mean = float((weight * _VARIANCES).sum()) / total
    square = float((weight * _VARIANCES**2).sum()) / total
    return 1.0 - none / total, mean, math.sqrt(max(square - mean**2, 0.0))
