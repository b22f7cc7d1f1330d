"""Still-surface study: how well the indicator repeats when nothing moves.

Hold the plunger on a still surface (a clamped block, the master) for half a minute.  What the display then does by itself is its
repeatability; the set-up's ``indicator.repeatability`` takes it.  Drift of the stand is taken out, readings that err together
count for fewer, and where the display step hides the noise the study says so instead of giving nought.

Sources: rounding adds step squared over twelve to the variance (Sheppard; used only for a noise of half a step or more, below that
the scatter may as well be nought); interval of a variance from chi-square, standard texts; worth of correlated readings from the sums
of their correlations and squared correlations, standard texts on time series (value from memory); interval on a coarse display
from the likelihood of rounded readings, standard texts.  Thresholds are our own, judged on simulated stretches.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import chi2_quantile, f_sf

Array = NDArray[np.float64]

FEWEST = 20
"""Readings without which nothing is said."""

FEWEST_WORTH = 8.0
"""Independent readings the stretch must be worth."""

SHEPPARD_FROM = 0.5
"""Noise, in display steps, from which the step's share is subtracted."""

COARSE = 2.0
"""Scatter, in display steps, below which the interval comes from the likelihood of rounded readings."""

MOST_LEFT_OUT = 0.03
"""Share of disturbed readings a still surface may have."""

WANDER = 5.0
"""Scatter over that of neighbours from which something moved."""

MOVING_MM = 0.02
"""Scatter that no indicator on a still surface has, three display steps apart."""

DRIFT_MM = 0.02
"""Drift over the stretch from which, three display steps apart, the surface is not still whatever else it shows."""

KNOWN_SHARE = 0.85
"""What the correlations and the trend, themselves found in the readings, leave of the degrees of freedom."""

HIGHEST_TREND = 3
TREND_P = 0.001
"""Highest power of time the drift may take, and the chance of taking one in vain."""


class NotStillError(ValueError):
    """The stretch cannot be used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class StillStudy:
    """What a still surface showed; lengths mm.

    Attributes
    ----------
    readings, left_out : int
        Readings used, and those left out as disturbed.
    seconds : float
        Length of the stretch.
    step_mm : float
        Display step.
    sd_mm : float
        Standard deviation of the displayed readings about the drift; 0 when all are equal.
    noise_mm : float or None
        The same with the display step's share taken out; None where the step hides it.
    repeatability_mm : float
        Standard deviation to state for the indicator: `noise_mm`, or where the step hides it the larger of `sd_mm` and the
        resolution floor.
    low_mm, high_mm : float
        95 % interval of the noise.
    floor_mm : float
        Standard uncertainty of one still reading from the step alone, step/√12: no repetition removes it.
    dof : float
        Degrees of freedom the scatter is worth.
    worth : float
        Independent readings a mean of all is worth.
    correlation : float
        Of each reading with the next.
    drift_mm_per_min : float
        Mean drift taken out.
    all_equal : bool
        Not one reading differed.
    say : str
        The finding in a sentence or two.
    """

    readings: int
    left_out: int
    seconds: float
    step_mm: float
    sd_mm: float
    noise_mm: float | None
    repeatability_mm: float
    low_mm: float
    high_mm: float
    floor_mm: float
    dof: float
    worth: float
    correlation: float
    drift_mm_per_min: float
    all_equal: bool
    say: str


def study(t: Sequence[float] | Array, counts: Sequence[int] | Array, step_mm: float) -> StillStudy:
    """Repeatability from a stretch of readings on a still surface.

    Parameters
    ----------
    t : sequence of float, shape (n,)
        Times of arrival, s, not decreasing.
    counts : sequence of int, shape (n,)
        Readings as whole display steps.
    step_mm : float
        Display step, mm, above 0.

    Raises
    ------
    NotStillError
        If readings are too few or worth too little, or something moved.
    ValueError
        If the columns differ in length or the step is not above 0.
    """
    x, y = np.asarray(t, dtype=float), np.asarray(counts, dtype=float)
    if x.shape != y.shape or x.ndim != 1 or not step_mm > 0:
        raise ValueError(f"{x.shape} times, {y.shape} counts, step {step_mm}: as many of each, and a step above 0")
    if y.size < FEWEST:
        raise NotStillError(f"{y.size} readings: hold still for at least {FEWEST}, better half a minute.")
    y = y - np.round(np.median(y))
    keep = _sound(x, y)
    left_out = int(y.size - keep.sum())
    if left_out > MOST_LEFT_OUT * y.size:
        raise NotStillError(
            f"{left_out} of {y.size} readings jump away from the rest: the surface was knocked. Repeat."
        )
    x, y = x[keep], y[keep]
    seconds = float(x[-1] - x[0])
    floor = step_mm / math.sqrt(12.0)
    if np.ptp(y) == 0:
        high = _rounded_interval(y, np.zeros_like(y), float(y.size))[1] * step_mm
        say = (
            f"All {y.size} readings are equal: the noise is below the display step of {step_mm:.4g} mm (at most {high:.4f} mm, 95 %). "
            f"The step itself leaves {floor:.4f} mm on every still reading, however often it is repeated."
        )
        return StillStudy(
            int(y.size), left_out, seconds, step_mm, 0.0, None, floor, 0.0, max(high, floor), floor, math.inf, 1.0, 0.0, 0.0, True, say
        )  # fmt: skip
    trend, power = _trend(x, y)
    rest = y - trend
    local = float(np.sqrt(np.mean(np.diff(rest) ** 2) / 2.0))
    spread = float(rest.std())
    if spread > WANDER * max(local, 0.3) or spread > max(MOVING_MM / step_mm, 3.0) or _stepped(x, y, rest, local):
        raise NotStillError(
            f"The readings wander over {np.ptp(y) * step_mm:.4f} mm while neighbours agree within {2.8 * local * step_mm:.4f} mm: "
            "something moved. Clamp the indicator and the surface, and repeat."
        )
    drifted = float(np.ptp(trend))
    if drifted > max(DRIFT_MM / step_mm, 3.0):
        raise NotStillError(
            f"The readings drift by {drifted * step_mm:.4f} mm in {seconds:.0f} s: something is warming, settling or creeping in its clamp. "
            "Wait until the display stands, and repeat."
        )
    once, squared, first = _worths(rest, power + 1)
    worth = y.size / once
    if worth < FEWEST_WORTH:
        raise NotStillError(
            f"{y.size} readings hang together so closely that they are worth {worth:.0f}: hold still for longer."
        )
    free = y.size - (power + 1) * once
    dof = max(KNOWN_SHARE * free / (1.0 + 1.3 * (squared - 1.0)), 1.0)
    s2 = float((rest**2).sum()) / free
    sd = math.sqrt(s2)
    noise2 = s2 - 1.0 / 12.0
    noise = math.sqrt(noise2) if noise2 >= SHEPPARD_FROM**2 else None
    if sd < COARSE:
        low, high = _rounded_interval(y, trend, dof)
        if noise is None and power > 0:
            # A drift across coarse steps is known no better than the steps: it may be all there is.
            low = 0.0
    else:
        bounds = [dof * s2 / chi2_quantile(p, dof) for p in (0.975, 0.025)]
        low, high = (math.sqrt(max(b - 1.0 / 12.0, 0.0)) for b in bounds)
    value = noise if noise is not None else max(sd, 1.0 / math.sqrt(12.0))
    if noise is not None:
        low, high = min(low, noise), max(high, noise)
    drift = float(trend[-1] - trend[0]) / max(seconds, 1e-9) * 60.0
    q = step_mm
    out = StillStudy(
        readings=int(y.size),
        left_out=left_out,
        seconds=seconds,
        step_mm=step_mm,
        sd_mm=sd * q,
        noise_mm=None if noise is None else noise * q,
        repeatability_mm=value * q,
        low_mm=low * q,
        high_mm=high * q,
        floor_mm=floor,
        dof=dof,
        worth=worth,
        correlation=first,
        drift_mm_per_min=drift * q,
        all_equal=False,
        say="",
    )
    return _said(out)


def _said(s: StillStudy) -> StillStudy:
    """The same with its sentence."""
    from dataclasses import replace

    parts = []
    if s.noise_mm is None:
        parts.append(
            f"The display step of {s.step_mm:.4g} mm hides the indicator's own noise (at most {s.high_mm:.4f} mm, 95 %): "
            f"state {s.repeatability_mm:.4f} mm. A finer indicator would show more."
        )
    else:
        parts.append(
            f"The indicator repeats to {s.repeatability_mm:.5f} mm (standard deviation; {s.low_mm:.5f} to {s.high_mm:.5f} mm, 95 %)."
        )
    if s.worth < 0.7 * s.readings:
        parts.append(f"Neighbouring readings err together: {s.readings} are worth {s.worth:.0f}.")
    if abs(s.drift_mm_per_min) * s.seconds / 60.0 > max(s.sd_mm, 0.5 * s.step_mm):
        parts.append(f"A drift of {s.drift_mm_per_min:+.4f} mm a minute was taken out: let the stand settle.")
    if s.left_out:
        parts.append(f"{s.left_out} disturbed reading{'s' * (s.left_out > 1)} left out.")
    return replace(s, say=" ".join(parts))


def _sound(x: Array, y: Array) -> NDArray[np.bool_]:
    """Readings that do not jump away from their neighbours."""
    width = min(11, y.size // 2 * 2 - 1)
    padded = np.pad(y, width // 2, mode="reflect")
    level = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    off = np.abs(y - level)
    limit = max(7.0 * 1.4826 * float(np.median(off)), 3.0 * float(np.sqrt(np.mean(np.minimum(off, 2.0) ** 2))), 2.5)
    return np.asarray(off <= limit)


def _powers(x: Array, power: int) -> Array:
    span = max(float(x[-1] - x[0]), 1e-9)
    return np.polynomial.legendre.legvander(2.0 * (x - x[0]) / span - 1.0, power)


def _fitted(x: Array, y: Array, power: int) -> Array:
    columns = _powers(x, power)
    return np.asarray(columns @ np.linalg.lstsq(columns, y, rcond=None)[0])


def _trend(x: Array, y: Array) -> tuple[Array, int]:
    """Drift as a polynomial of time, and its power; correlated noise makes no trend."""
    best, power = np.full_like(y, y.mean()), 0
    for next_power in range(1, HIGHEST_TREND + 1):
        fit = _fitted(x, y, next_power)
        rest = y - fit
        rss0, rss1 = float(((y - best) ** 2).sum()), float((rest**2).sum())
        once = _worths(rest, next_power + 1)[0]
        free = y.size / once - next_power - 1
        if free < 3 or rss1 <= 0:
            break
        # a line that a curve hides is found with the curve: both are tried against what stands
        f = max(rss0 - rss1, 0.0) / (next_power - power) / (rss1 / (y.size - next_power - 1) * once)
        if f_sf(f, next_power - power, free) < TREND_P:
            best, power = fit, next_power
    return best, power


def _worths(rest: Array, terms: int) -> tuple[float, float, float]:
    """Readings that are worth one for a mean and for a variance, and the correlation of neighbours."""
    n = rest.size
    whole = float((rest**2).sum())
    if whole <= 0:
        return 1.0, 1.0, 0.0
    once = squared = 1.0
    first = 0.0
    for k in range(1, max(2, n // 4)):
        r = float((rest[k:] * rest[:-k]).sum()) / whole
        if k == 1:
            first = r
        # taking out `terms` of a trend pulls every correlation down a little
        r += terms / n
        if r < 2.0 / math.sqrt(n):
            break
        once += 2.0 * (1.0 - k / n) * r
        squared += 2.0 * (1.0 - k / n) * r * r
    near = min(first + terms / n, 0.97)
    if near > 2.0 / math.sqrt(n):
        # what the sum misses by stopping where the correlations drown: at least those of an autoregressive series
        once = max(once, (1.0 + near) / (1.0 - near))
        squared = max(squared, (1.0 + near**2) / (1.0 - near**2))
    return once, squared, first


def _stepped(x: Array, y: Array, rest: Array, local: float) -> bool:
    """Whether one jump of the level, beside a straight drift, describes the stretch far better than a smooth drift does."""
    n = y.size
    line = _powers(x, 1)
    line, _ = np.linalg.qr(line)
    at = np.unique(np.linspace(n // 10 + 2, n - n // 10 - 3, 60).astype(int))
    step = (np.arange(n)[:, None] >= at).astype(float)
    step -= line @ (line.T @ step)
    left = y - line @ (line.T @ y)
    size = (left @ step) / (step**2).sum(axis=0)
    rss = float((left**2).sum()) - size**2 * (step**2).sum(axis=0)
    best = int(np.argmin(rss))
    return bool(abs(size[best]) > max(2.5, 4.0 * local) and rss[best] < 0.6 * float((rest**2).sum()))


def _rounded_interval(y: Array, trend: Array, dof: float) -> tuple[float, float]:
    """95 % interval of the noise in steps from the likelihood of rounded readings, weakened to what they are worth."""
    from scipy.special import ndtr

    rest = y - trend
    if np.ptp(trend) > 0 and y.size > 200:
        rest = rest[np.linspace(0, y.size - 1, 200).astype(int)]
    off, weight = np.unique(np.round(rest - rest.mean(), 2), return_counts=True)
    about = float(rest.std())
    sizes = np.geomspace(0.3 * about, 3.0 * about, 50) if about > 0.7 else np.geomspace(0.02, 3.0, 110)
    shift = np.linspace(-0.6, 0.6, 31 if about > 0.7 else 61)[:, None, None]
    d = np.abs(off - shift) / sizes[None, :, None]
    h = 0.5 / sizes[None, :, None]
    p = ndtr(h - d) - ndtr(-h - d)
    each = (np.log(np.maximum(p, 1e-300)) * weight).sum(axis=2)
    profile = each.max(axis=0) * (dof / float(weight.sum()))
    level = profile.max() - 0.5 * chi2_quantile(0.95, 1.0)
    inside = np.flatnonzero(profile >= level)
    i, j = int(inside[0]), int(inside[-1])
    low = 0.0 if i == 0 else float(np.interp(level, profile[i - 1 : i + 1], sizes[i - 1 : i + 1]))
    high = sizes[-1] if j == sizes.size - 1 else np.interp(-level, -profile[j : j + 2], sizes[j : j + 2])
    return low, float(high)
