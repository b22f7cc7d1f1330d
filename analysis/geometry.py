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


# What a worn tip, a leaning face, a plunger off the axis or a centre hole make of the lowest extension


def flat_tip_extension_mm(theta_rad: Array, distance_mm: float, flat_radius_mm: float) -> Array:
    """Extension of a flat-ended tip of radius `flat_radius_mm`: its edge touches, on either side of the bottom.

    The bottom turns into a cusp between two minima, `flat_tip_minimum_mm` at ``sin(theta) = ±a / D``: a W, not a V.
    """
    return np.asarray((distance_mm - flat_radius_mm * np.abs(np.sin(theta_rad))) / np.cos(theta_rad))


def flat_tip_minimum_mm(distance_mm: float, flat_radius_mm: float) -> float:
    """Lowest extension of a flat-ended tip; below the distance by about ``a**2 / (2 D)``."""
    return math.sqrt(distance_mm**2 - flat_radius_mm**2)


def tilted_in_sweep_mm(distance_mm: float, tilt_rad: float) -> float:
    """Lowest extension on a face tilted within the plane of the sweep; reached at the tilt's angle."""
    return distance_mm * math.cos(tilt_rad)


def tilted_across_mm(distance_mm: float, tilt_rad: float, off_axis_mm: float, tip_radius_mm: float) -> float:
    """Lowest extension on a face tilted along the arbor, or under an arbor not square to the pinion's axis.

    Parameters
    ----------
    off_axis_mm : float
        Distance of the plunger from the pinion's axis along the arbor; the effect is of first order in it and goes out of the
        mean of two readings with the pinion turned by 180°.
    """
    return distance_mm + off_axis_mm * math.tan(tilt_rad) - tip_radius_mm * (1.0 / math.cos(tilt_rad) - 1.0)


def offset_plunger_minimum_mm(distance_mm: float, tip_radius_mm: float, offset_mm: float) -> float:
    """Lowest extension where the plunger's line passes the arbor's axis by `offset_mm`; the same on a master of equal height."""
    return math.sqrt((distance_mm - tip_radius_mm) ** 2 - offset_mm**2) + tip_radius_mm


def angle_to_reach(distance_mm: float, offset_mm: float) -> float:
    """Angle, radians, the plunger swings from the nearest point to a point of the face `offset_mm` away (hypoid offset)."""
    return math.atan2(offset_mm, distance_mm)


def hole_minimum_mm(distance_mm: float, hole_radius_mm: float) -> float:
    """Lowest extension seen beside a centre hole: at its rim, above the distance by about ``R**2 / (2 D)``, every time."""
    return math.hypot(distance_mm, hole_radius_mm)


def over_hole_mm(
    theta_rad: Array,
    distance_mm: float,
    tip_radius_mm: float,
    hole_radius_mm: float,
    half_angle_rad: float = math.pi / 6.0,
) -> Array:
    """Extension of a ball tip swept through the middle of a conical centre hole.

    Parameters
    ----------
    theta_rad : ndarray
        Angle from the face's normal, radians.
    hole_radius_mm : float
        Radius of the hole at the face, mm.
    half_angle_rad : float
        Half the angle of the cone; 30° for the usual centre.

    Notes
    -----
    The tip stops at whatever it meets first: the face, the rim, or a flank of the cone.
    """
    theta = np.abs(np.asarray(theta_rad, dtype=np.float64))
    sin, cos = np.sin(theta), np.cos(theta)
    d, rho, r = distance_mm, tip_radius_mm, hole_radius_mm
    face = (d - rho) / cos
    stops = [np.where(face * sin >= r, face, np.inf)]
    for side in (1.0, -1.0):
        # Rim: the ball's centre comes within its radius of the rim's point.
        along, across = d * cos + side * r * sin, side * r * cos - d * sin
        room = rho**2 - across**2
        stops.append(np.where(room >= 0, along - np.sqrt(np.maximum(room, 0.0)), np.inf))
        # Flank: the ball's centre comes within its radius of the cone, below the rim.
        t, c = math.tan(half_angle_rad), math.cos(half_angle_rad)
        closing = t * cos + side * sin
        flank = np.where(closing > 0, (r + d * t - rho / c) / np.where(closing > 0, closing, 1.0), np.inf)
        depth = flank * cos + rho * math.sin(half_angle_rad)
        stops.append(np.where(depth >= d, flank, np.inf))
    return np.asarray(np.minimum.reduce(stops) + rho)


def spacing_bias_mm(swing_radius_mm: float, spacing_rad: float) -> tuple[float, float]:
    """How far the lowest of evenly spaced readings lies above the bottom: mean and largest, mm."""
    square = swing_radius_mm * spacing_rad**2
    return square / 24.0, square / 8.0
