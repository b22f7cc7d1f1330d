"""How noisy the display is, from what the fits leave over."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.valley.search import Search, State

Array = NDArray[np.float64]

PRIOR_MM = 0.0012
PRIOR_DOF = 3.0
"""Display noise assumed before any sweep has been seen, and how many readings that is worth."""


@dataclass(frozen=True, slots=True)
class NoisePrior:
    """What is thought of the noise before the readings: mm, worth in readings, and the least it may be."""

    sd_mm: float
    dof: float
    floor_mm: float


def prior_for(step_mm: float, coarse: bool, repeatability_mm: float | None) -> NoisePrior:
    """Prior for a display step and, where stated, the indicator's standard deviation on a still surface."""
    sd, dof = (PRIOR_MM, PRIOR_DOF) if repeatability_mm is None else (max(repeatability_mm, 1e-4), 12.0)
    if coarse and repeatability_mm is None:
        # A coarse display hides the noise; what little it shows may not overrule what indicators are known to do.
        sd, dof = max(sd, 0.10 * step_mm), 20.0
    return NoisePrior(sd, dof, 0.06 * step_mm)


def noise_mm(
    search: Search, st: State, cov: Array, share: Array, used: Array, sigma: float, prior: NoisePrior
) -> float:
    """Noise of a reading as the slow part of the fit feels it, mm.

    Only what a reading tells counts: a value in the middle of a coarse step tells nothing of the
    noise.  Neighbouring readings that err together weaken the fit as if the noise were larger by
    ``sqrt((1 + r) / (1 - r))``, r their correlation (value from memory: the effective number of readings of an autoregressive series).
    """
    w = search.pack.w[:, None, :]
    sound = st.told.keep * w
    known = np.where(sound > 0, np.clip(st.told.weight * w * st.var, 0.0, 1.0) / np.maximum(sound, 1e-9), 0.0)
    squares = (sound * np.maximum(st.told.second - (1.0 - known) * st.var, 0.0) / st.var).sum(axis=-1)
    worth = (sound * known).sum(axis=-1)
    left = float((share * np.maximum(worth - used, 0.1)).sum())
    total = float((share * squares).sum()) * sigma**2
    new2 = (total + prior.dof * prior.sd_mm**2) / (left + prior.dof)
    if not search.coarse:
        new2 *= _together(_neighbours(search, st, cov, share, bottom=search.tremor > 0.0), left)
    return max(math.sqrt(new2), prior.floor_mm, 0.2 * prior.sd_mm)


def trembling_together(search: Search, st: State, cov: Array, share: Array, used: Array) -> float:
    """How much larger the variance of a trembling hand is to be taken, since neighbouring readings err together."""
    left = float((share * np.maximum(search.pack.w.sum(axis=1)[:, None] - used, 0.1)).sum())
    return _together(_neighbours(search, st, cov, share, bottom=False), left)


def _together(r1: float, left: float) -> float:
    r1 = min(max(1.3 * r1 * left / (left + 15.0), 0.0), 0.75)
    return (1 + r1) / (1 - r1)


def _neighbours(search: Search, st: State, cov: Array, share: Array, *, bottom: bool) -> float:
    """Correlation of neighbouring residuals, less what the fit itself leaves between them when the noise is independent; `bottom`: without those the
    hand's trembling makes."""
    rows = np.arange(search.s)
    pick = share.argmax(axis=1)
    scale = np.sqrt(st.told.weight[rows, pick] * search.pack.w)
    if bottom:
        scale = scale * (np.abs(st.slope[rows, pick]) * search.tremor < math.sqrt(float(st.var.min())))
    r = (search.pack.z - st.mu[rows, pick]) * scale
    slope = st.slope[rows, pick]
    ones, rest = np.ones((*slope.shape, 1)), search.pack.resting[..., None]
    g = np.concatenate([ones, slope[..., None] * search.pack.columns, rest], axis=2) * scale[..., None]
    left = np.eye(search.n) - np.matmul(np.matmul(g, cov[rows, pick]), g.transpose(0, 2, 1))
    here = (scale > 0).astype(float)
    own = float(((left * left).sum(axis=2) * here).sum())
    next_to = float(((left[:, 1:] * left[:, :-1]).sum(axis=2) * here[:, 1:] * here[:, :-1]).sum())
    return float((r[:, 1:] * r[:, :-1]).sum() / max(float((r * r).sum()), 1e-12)) - next_to / max(own, 1e-12)
