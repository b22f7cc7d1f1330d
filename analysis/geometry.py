"""How far the plunger reaches at an angle: exact, no small-angle shortcuts.

With the pinion's end face `D` from the axis and a ball tip of radius `rho` on a plunger that
swings about the axis, the extension at angle `theta` from the face's normal is
``e = (D - rho) / cos(theta) + rho``.  Derived from sphere-plane tangency; checked against an
independent three-dimensional solution in the tests.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

DEFAULT_SWING_RADIUS_MM = 60.0
"""Used when no set-up states the distance.  Only the fourth-order term of the swing depends on it:
0.14 µm at 0.1 mm of rise, and the free hand speed of the fit takes that up."""


def extension_mm(theta_rad: Array, swing_radius_mm: float, tip_radius_mm: float) -> Array:
    """Distance from axis to tip contact along the plunger.

    Parameters
    ----------
    theta_rad : ndarray
        Angle from the face's normal, radians, within ±pi/2.
    swing_radius_mm : float
        ``D - rho``: axis to face less tip radius, mm.
    tip_radius_mm : float
        Radius of the ball tip, mm.
    """
    return np.asarray(swing_radius_mm / np.cos(theta_rad) + tip_radius_mm)


def climb_and_slope(u: Array, swing_radius_mm: float) -> tuple[Array, Array]:
    """Climb above the bottom and its derivative, from one secant; rounding stays below 1e-12 mm.

    Parameters
    ----------
    u : ndarray
        Scaled angle ``theta * sqrt(swing_radius / 2)``, mm^0.5: to leading order the climb is ``u**2``.
    swing_radius_mm : float
        ``D - rho``, mm.

    Returns
    -------
    climb, slope : ndarray
        mm, and mm^0.5.
    """
    c = math.sqrt(2.0 / swing_radius_mm)
    sec = 1.0 / np.cos(u * c)
    return swing_radius_mm * (sec - 1.0), swing_radius_mm * c * np.copysign(sec * np.sqrt(sec * sec - 1.0), u)


def scaled_angle(rise: Array, swing_radius_mm: float) -> Array:
    """Scaled angle, mm^0.5 and not negative, at which the climb is `rise`, mm and not negative."""
    theta = np.arccos(1.0 / (1.0 + rise / swing_radius_mm))
    return np.asarray(theta / math.sqrt(2.0 / swing_radius_mm))
