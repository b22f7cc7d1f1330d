"""What a worn tip, a leaning face, a plunger off the axis or a centre hole make of the lowest extension.

Derived here; each form is held against a ball, a disc and a surface in space.  Lengths in mm, angles in radians.
"""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


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
