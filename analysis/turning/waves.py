"""The face's waves and the hand's way through the turns, fitted together."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

OVERTONES = 3
"""Waves a turn that are told apart from noise; a back face has hardly more."""

WAYS = 3
"""Waves over the whole way by which the hand's speed wanders."""


@dataclass(frozen=True, slots=True)
class Waves:
    """The fitted face and way; lengths mm.  `curve` is the face at 240 equal angles of one turn from the mark."""

    curve: Array
    total_u_mm: float
    wave_mm: float
    wave_u_mm: float
    noise_mm: float
    unknowns: int
    strain: float
    """How far the hand's way had to be bent, in standard deviations of what hands do."""
    backward: bool


def fit_waves(s: Array, y: Array, turns: int, step_mm: float) -> Waves:
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
    return Waves(
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
