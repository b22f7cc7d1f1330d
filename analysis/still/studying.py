"""The study: what is used of a stretch, what its scatter is worth, and what that says of the indicator."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from analysis.distributions import chi2_quantile
from analysis.precision import LIMIT_FACTOR
from analysis.still.drift import powers_of_time, trend_of, worths
from analysis.still.found import NotStillError, StillStudy, with_sentence
from analysis.still.rounded import rounded_interval

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
        high = rounded_interval(y, np.zeros_like(y), float(y.size))[1] * step_mm
        say = (
            f"All {y.size} readings are equal: the noise is below the display step of {step_mm:.4g} mm (at most {high:.4f} mm, 95 %). "
            f"The step itself leaves {floor:.4f} mm on every still reading, however often it is repeated."
        )
        return StillStudy(
            int(y.size), left_out, seconds, step_mm, 0.0, None, floor, 0.0, max(high, floor), floor, math.inf, 1.0, 0.0, 0.0, True, say
        )  # fmt: skip
    trend, power = trend_of(x, y)
    rest = y - trend
    local = float(np.sqrt(np.mean(np.diff(rest) ** 2) / 2.0))
    spread = float(rest.std())
    if spread > WANDER * max(local, 0.3) or spread > max(MOVING_MM / step_mm, 3.0) or _stepped(x, y, rest, local):
        raise NotStillError(
            f"The readings wander over {np.ptp(y) * step_mm:.4f} mm while neighbours agree within {LIMIT_FACTOR * local * step_mm:.4f} mm: "
            "something moved. Clamp the indicator and the surface, and repeat."
        )
    drifted = float(np.ptp(trend))
    if drifted > max(DRIFT_MM / step_mm, 3.0):
        raise NotStillError(
            f"The readings drift by {drifted * step_mm:.4f} mm in {seconds:.0f} s: something is warming, settling or creeping in its clamp. "
            "Wait until the display stands, and repeat."
        )
    once, squared, first = worths(rest, power + 1)
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
        low, high = rounded_interval(y, trend, dof)
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
    return with_sentence(out)


def _sound(x: Array, y: Array) -> NDArray[np.bool_]:
    """Readings that do not jump away from their neighbours."""
    width = min(11, y.size // 2 * 2 - 1)
    padded = np.pad(y, width // 2, mode="reflect")
    level = np.median(np.lib.stride_tricks.sliding_window_view(padded, width), axis=1)
    off = np.abs(y - level)
    limit = max(7.0 * 1.4826 * float(np.median(off)), 3.0 * float(np.sqrt(np.mean(np.minimum(off, 2.0) ** 2))), 2.5)
    return np.asarray(off <= limit)


def _stepped(x: Array, y: Array, rest: Array, local: float) -> bool:
    """Whether one jump of the level, beside a straight drift, describes the stretch far better than a smooth drift does."""
    n = y.size
    line = powers_of_time(x, 1)
    line, _ = np.linalg.qr(line)
    at = np.unique(np.linspace(n // 10 + 2, n - n // 10 - 3, 60).astype(int))
    step = (np.arange(n)[:, None] >= at).astype(float)
    step -= line @ (line.T @ step)
    left = y - line @ (line.T @ y)
    size = (left @ step) / (step**2).sum(axis=0)
    rss = float((left**2).sum()) - size**2 * (step**2).sum(axis=0)
    best = int(np.argmin(rss))
    return bool(abs(size[best]) > max(2.5, 4.0 * local) and rss[best] < 0.6 * float((rest**2).sum()))
