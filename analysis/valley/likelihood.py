"""What one reading says of the level it was taken at."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_SQRT2PI = math.sqrt(2 * math.pi)
_WILD = 0.01


def _phi(x: Array) -> Array:
    return np.asarray(np.exp(-0.5 * x * x) / _SQRT2PI)


def _cdf(x: Array) -> Array:
    """Normal distribution function, absolute error below 1.2e-7 (value from memory: a published rational
    approximation of erfc); ample inside a likelihood that is then differentiated exactly elsewhere."""
    z = np.abs(x) / math.sqrt(2)
    t = 1.0 / (1.0 + 0.5 * z)
    poly = np.full_like(t, 0.17087277)
    for c in (-0.82215223, 1.48851587, -1.13520398, 0.27886807, -0.18628806, 0.09678418, 0.37409196, 1.00002368):
        poly = poly * t + c
    erfc = t * np.exp(-z * z - 1.26551223 + t * poly)
    return np.asarray(np.where(x > 0, 1.0 - 0.5 * erfc, 0.5 * erfc))


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
        lo, hi = c - h, c + h
        p = np.maximum(_cdf(-lo) - _cdf(-hi), 1e-300)
        flo, fhi = _phi(lo), _phi(hi)
        d1 = np.sign(r) * (flo - fhi) / (p * sd)
        d2 = d1**2 - (lo * flo - hi * fhi) / (p * sd**2)
        far = p < 1e-290
        d1 = np.where(far, r / sd**2, d1)
        d2 = np.where(far, 1.0 / sd**2, np.maximum(d2, 0.0))
        logp = np.where(far, -0.5 * c * c - 600.0, np.log(p / (2 * half)))
        second = sd**2 * (1.0 - np.where(far, 0.0, (hi * fhi - lo * flo) / p))
        second = np.where(far, r**2, np.maximum(second, 0.0))
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
