"""What one reading says of the level it was taken at."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SQRT2PI = math.sqrt(2 * math.pi)
_WILD = 0.01


def _upper_tail(x: Array) -> tuple[Array, Array]:
    """P(X > x) of the standard normal and its density; absolute error below 8e-8 (value from memory: a published
    approximation of the error function by five terms), ample inside a likelihood of one reading among many."""
    e = np.exp(-0.5 * x * x)
    t = 1.0 / (1.0 + (0.3275911 / math.sqrt(2.0)) * np.abs(x))
    poly = t * (0.254829592 + t * (-0.284496736 + t * (1.421413741 + t * (-1.453152027 + t * 1.061405429))))
    half = 0.5 * poly * e
    return np.where(x < 0, 1.0 - half, half), e / _SQRT2PI


class Told(NamedTuple):
    """Per reading: log likelihood, its slope and information in the level, E[(y - level)^2], probability of being sound."""

    loglik: Array
    score: Array
    weight: Array
    second: Array
    keep: Array


def told(mu: Array, sd: Array, z: Array, half: Array, coarse: bool, spread: Array) -> Told:
    """What readings `z` say of levels `mu`.

    Parameters
    ----------
    sd : ndarray
        Standard deviation of the noise (of noise and step together on a fine display), mm.
    half : ndarray
        Half the display step, mm.
    coarse : bool
        Use the likelihood of the display's interval.
    spread : ndarray
        One reading in a hundred may be anything within `spread` (mm): a knock or a garbled value.
    """
    r = z - mu
    if coarse:
        c = np.abs(r) / sd
        h = half / sd
        edges = np.stack([c - h, c + h])
        (above_lo, above_hi), (flo, fhi) = _upper_tail(edges)
        lo, hi = edges
        p = np.maximum(above_lo - above_hi, 1e-12)
        d1 = (flo - fhi) / p
        # Far out the tail formula takes over before its differences lose their digits.
        far = c - h > 5.0
        d1 = np.where(far, c, d1)
        bend = (hi * fhi - lo * flo) / p
        d2 = np.where(far, 1.0, np.maximum(d1 * d1 + bend, 0.0)) / sd**2
        logp = np.where(far, -0.5 * (c - h) ** 2 - 3.0, np.log(p)) - np.log(2 * half)
        second = np.where(far, r * r, np.maximum(sd**2 * (1.0 - bend), 0.0))
        d1 = np.copysign(d1, r) / sd
    else:
        d2 = 1.0 / sd**2
        d1 = r * d2
        second = r * r
        logp = -0.5 * second * d2 - np.log(sd * _SQRT2PI)
    # A sum of two densities; the wild one is flat, so neither slope nor information comes from it.
    wild = _WILD / (2 * spread)
    good = (1.0 - _WILD) * np.exp(np.maximum(logp, -700.0))
    total = good + wild
    keep = good / total
    return Told(np.log(total), keep * d1, keep * d2, second, keep)
