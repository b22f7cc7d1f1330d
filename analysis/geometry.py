"""What the face and the arbor make of an angle: exact, no small-angle shortcuts.

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


def rise_mm(u: Array, swing_radius_mm: float) -> Array:
    """Climb above the bottom, mm, for the scaled angle ``u = theta * sqrt(swing_radius / 2)`` (mm^0.5).

    To leading order the climb is ``u**2``.
    """
    theta = u * math.sqrt(2.0 / swing_radius_mm)
    return np.asarray(2.0 * swing_radius_mm * np.sin(0.5 * theta) ** 2 / np.cos(theta))


def rise_slope(u: Array, swing_radius_mm: float) -> Array:
    """Derivative of `rise_mm` with respect to `u`, mm^0.5."""
    c = math.sqrt(2.0 / swing_radius_mm)
    theta = u * c
    cos = np.cos(theta)
    return np.asarray(swing_radius_mm * c * np.sin(theta) / cos**2)


def climb_and_slope(u: Array, swing_radius_mm: float) -> tuple[Array, Array]:
    """`rise_mm` and `rise_slope` at once, from one secant; rounding stays below 1e-12 mm."""
    c = math.sqrt(2.0 / swing_radius_mm)
    sec = 1.0 / np.cos(u * c)
    return swing_radius_mm * (sec - 1.0), swing_radius_mm * c * np.copysign(sec * np.sqrt(sec * sec - 1.0), u)


def scaled_angle(rise: Array, swing_radius_mm: float) -> Array:
    """Inverse of `rise_mm` on the positive branch; `rise` in mm, not negative."""
    theta = np.arccos(1.0 / (1.0 + rise / swing_radius_mm))
    return np.asarray(theta / math.sqrt(2.0 / swing_radius_mm))
