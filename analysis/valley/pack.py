"""Windows of many sweeps as arrays of one shape."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import scaled_angle
from analysis.valley.spline import TERMS, basis, basis_slope
from analysis.valley.types import Window

Array = NDArray[np.float64]

COARSE_MM = 0.003
"""Display step from which the likelihood of the step's interval is used."""

EXTRA = 1
"""Columns beside the splines: how far the hand had got after a rest."""

REST_HEIGHT_MM = 0.0007
REST_SPREAD_MM = 0.002
"""How high above the bottom a hand rests, and how far that may vary: a quarter of a degree is 0.5 µm (from the geometry), the spread is
our own judgement."""


@dataclass(slots=True)
class Pack:
    """Windows padded to one length; arrays (sweeps, readings) unless said otherwise."""

    t: Array
    z: Array
    w: Array  # 1 for a reading, 0 for padding
    count: Array  # readings averaged into each entry
    half_step: Array  # (sweeps,)
    timing: Array  # (sweeps,), share of the window
    start: Array  # (sweeps,)
    span: Array  # (sweeps,)
    columns: Array  # (sweeps, readings, TERMS + EXTRA)
    slopes: Array  # the same for the derivative in t
    slack: Array  # (sweeps,): how far the hand may have got unseen
    resting: Array  # 1 where the hand rested
    entries: NDArray[np.int64]  # (sweeps,)
    u0: Array
    low: Array  # (sweeps,)
    height: Array  # (sweeps,)

    @property
    def coarse(self) -> bool:
        """Whether the display step is not small against the noise."""
        return bool(2.0 * self.half_step.max() > COARSE_MM)

    def less(self, level: Array) -> None:
        """Take `level` (sweeps, readings), mm, out of the readings; a search over them goes on with what is left."""
        self.z -= level


def columns_at(x: Array, after: Array) -> Array:
    """Splines at times `x` (…, n) of the window, and the column of a rest; `after` (…, n)."""
    return np.concatenate([basis(x), after[..., None]], axis=-1)


def rest_columns(window: Window) -> Array:
    """(n, 2): 1 while the hand rested, 1 after the rest."""
    out = np.zeros((window.clock.size, 2))
    if window.rest is not None:
        out[:, 0] = (window.clock > window.rest.begin) & (window.clock <= window.rest.end)
        out[:, 1] = window.clock > window.rest.end
    return out


def lowest(z: Array) -> tuple[int, float]:
    """Middle of the lowest readings and their level, safe against one wild reading."""
    if z.size >= 5:
        m3 = np.sort(np.stack([z[:-2], z[1:-1], z[2:]]), axis=0)[1]
        level = float(m3.min())
        at = np.flatnonzero(m3 <= level + 1e-12) + 1
    else:
        level = float(z.min())
        at = np.flatnonzero(z <= level + 1e-12)
    return int(at[at.size // 2]), level


def pack(windows: Sequence[Window], radius_mm: float, most: int) -> Pack:
    """Pack windows; neighbours are averaged (fine display) or thinned (coarse) to about `most` entries."""
    parts = [_grouped(w, most) for w in windows]
    s, n = len(parts), max(p[0].size for p in parts)
    t, z, w, count = np.zeros((s, n)), np.zeros((s, n)), np.zeros((s, n)), np.ones((s, n))
    u0, start, span, height, low = np.zeros((s, n)), np.zeros(s), np.ones(s), np.ones(s), np.zeros(s)
    rest, slack = np.zeros((s, n, 2)), np.ones(s)
    for j, (tj, zj, cj, rj) in enumerate(parts):
        k = tj.size
        start[j], span[j] = tj[0], max(float(tj[-1] - tj[0]), 1e-6)
        t[j, :k] = (tj - tj[0]) / span[j]
        z[j, :k], w[j, :k], count[j, :k], rest[j, :k] = zj, 1.0, cj, rj
        at, low[j] = lowest(zj)
        rise = np.maximum(zj - low[j], 0.0)
        height[j] = max(float(np.sort(rise)[int(0.9 * (k - 1))]), 1e-3)
        root = scaled_angle(rise, radius_mm)
        u0[j, :k] = np.where(np.arange(k) < at, -root, root)
        if (found := windows[j].rest) is not None:
            slack[j] = max(found.slack, 0.005)
    return Pack(
        t=t,
        z=z,
        w=w,
        count=count,
        half_step=np.array([0.5 * x.step_mm for x in windows]),
        timing=np.array([x.timing_s for x in windows]) / span,
        start=start,
        span=span,
        columns=columns_at(t, rest[..., 1]),
        slopes=np.concatenate([basis_slope(t), np.zeros((s, n, EXTRA))], axis=-1),
        slack=slack,
        resting=rest[..., 0],
        entries=np.array([p[0].size for p in parts]),
        u0=u0,
        low=low,
        height=height,
    )


def _grouped(window: Window, most: int) -> tuple[Array, Array, Array, Array]:
    """Times, readings, readings in each entry, rest columns."""
    t, z, n, rest = window.t, window.z, window.clock.size, rest_columns(window)
    if n <= most:
        return t, z, np.ones(n), rest
    if window.step_mm > COARSE_MM:
        keep = _telling(z, most)
        return t[keep], z[keep], np.ones(keep.size), rest[keep]
    per = math.ceil(n / most)
    height = float(z.max() - z.min())
    edges = [0]
    first = 0
    values = z.tolist()
    for i in range(1, n):
        if i - first >= per or abs(values[i] - values[first]) > height / 10:
            edges.append(i)
            first = i
    if len(edges) > 2 * most:
        # A display that only flickers for minutes: the heights part nothing, and every entry costs.
        edges = list(range(0, n, per))
    starts = np.array(edges, dtype=np.int64)
    counts = np.diff(np.append(starts, n)).astype(float)
    mean = np.add.reduceat(np.column_stack([t, z, rest]), starts) / counts[:, None]
    return mean[:, 0], mean[:, 1], counts, mean[:, 2:]


def _telling(z: Array, most: int) -> NDArray[np.int64]:
    """Readings of a coarse display worth keeping: inside a run of equal values one says nothing its neighbours do not."""
    same = np.zeros(z.size, dtype=bool)
    same[1:-1] = (z[1:-1] == z[:-2]) & (z[1:-1] == z[2:])
    keep = np.flatnonzero(~same)
    if keep.size > 2 * most:
        keep = keep[np.linspace(0, keep.size - 1, 2 * most).astype(np.int64)]
    spare = np.flatnonzero(same)
    room = max(0, 2 * most - keep.size)
    if spare.size and room:
        spare = spare[np.linspace(0, spare.size - 1, min(room, spare.size)).astype(np.int64)]
        keep = np.sort(np.concatenate([keep, spare]))
    return keep


__all__ = ["EXTRA", "TERMS", "Pack", "columns_at", "lowest", "pack", "rest_columns"]
