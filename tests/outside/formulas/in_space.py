"""Ball, disc and plane in space, solved by root-finding: what every closed form of a sweep is held against.

Derived here; axes: x along the pinion, z along the arbor.  Lengths mm, angles degrees unless said otherwise.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq, minimize_scalar

Array = NDArray[np.float64]

D, RHO = 60.0, 1.5
"""Distance of the face and radius of the tip, mm, of all derived values."""

K = D - RHO
UM = 1e3

FLAT = np.array([1.0, 0.0, 0.0])
"""Normal of a face square to the pinion."""


def one(f: Callable[[Array], Array], degrees: float) -> float:
    """A function of an array of angles, at one angle in degrees."""
    return float(f(np.array([math.radians(degrees)]))[0])


def solved(
    degrees: float,
    normal: Array,
    offset: float = 0.0,
    along_arbor: float = 0.0,
    shift: float = 0.0,
    along_pinion: float = 0.0,
) -> float:
    """Extension at which a ball touches a plane through the pinion's axis at height `D`.

    The plunger's line passes the arbor's axis by `offset` and stands `along_arbor` from the pinion's axis; the arbor has moved by
    `shift` along y and by `along_pinion` away from the face.
    """
    t = math.radians(degrees)
    direction = np.array([math.cos(t), math.sin(t), 0.0])
    foot = np.array([-math.sin(t) * offset - along_pinion, math.cos(t) * offset + shift, along_arbor])
    face = np.array([D, 0.0, 0.0])

    def gap(s: float) -> float:
        return float(normal @ (face - (foot + s * direction))) - RHO

    return float(brentq(gap, 0.0, 200.0, xtol=1e-13, rtol=1e-15)) + RHO


def lowest(e: Callable[[float], float], low: float = -12.0, high: float = 12.0) -> tuple[float, float]:
    """Angle and value of the lowest extension."""
    r = minimize_scalar(e, bounds=(low, high), method="bounded", options={"xatol": 1e-9})
    return float(r.x), float(r.fun)


def vertex(x: Array, e: Array, degree: int = 2) -> float:
    """Lowest value of a fitted polynomial."""
    c = np.polynomial.Polynomial.fit(x, e, degree)
    return float(minimize_scalar(c, bounds=(float(x.min()), float(x.max())), method="bounded").fun)
