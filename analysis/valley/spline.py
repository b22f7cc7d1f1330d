"""Uniform cubic B-splines on [0, 1] with a penalty on third differences."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

TERMS = 14
"""Splines over the window: finer than any hand speed that ten readings could show."""

_D3 = np.diff(np.eye(TERMS), n=3, axis=0)

PENALTY: Array = _D3.T @ _D3
RANK = TERMS - 3


def _cells(x: Array) -> tuple[NDArray[np.int64], Array, int]:
    segments = TERMS - 3
    s = x * segments
    cell = np.clip(np.floor(s), 0, segments - 1).astype(np.int64)
    return cell, s - cell, segments


def basis(x: Array) -> Array:
    """Splines at `x` (…, n); gives (…, n, TERMS)."""
    cell, f, _ = _cells(x)
    g = 1.0 - f
    w = np.stack([g**3 / 6, (3 * f**3 - 6 * f**2 + 4) / 6, (3 * g**3 - 6 * g**2 + 4) / 6, f**3 / 6], axis=-1)
    out = np.zeros((*x.shape, TERMS))
    np.put_along_axis(out, cell[..., None] + np.arange(4), w, axis=-1)
    return out


def basis_slope(x: Array) -> Array:
    """Derivatives of the splines at `x`; the same shape as `basis`."""
    cell, f, segments = _cells(x)
    w = np.stack([0.5 * (1 - f) ** 2, 0.5 + f - f * f, 0.5 * f * f], axis=-1) * segments
    inner = np.zeros((*x.shape, TERMS - 1))
    np.put_along_axis(inner, cell[..., None] + np.arange(3), w, axis=-1)
    out = np.zeros((*x.shape, TERMS))
    out[..., 1:] += inner
    out[..., :-1] -= inner
    return out
