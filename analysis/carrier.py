"""The carrier's side shims: their sum sets the bearing preload, their difference the backlash.

Signs are data, one per side: which way a thicker shim moves the ring gear, and whether it adds preload (inside, against the
race) or takes it off (under a bolted flange).  Derived here; radius and angle of an indicator are plain geometry.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

Move = Literal["toward", "away"]
"""What a thicker side shim does to the ring gear, seen from the pinion."""

PreloadEffect = Literal["more", "less"]


class SignError(ValueError):
    """Signs of the two sides that contradict each other."""


def _sign(move: Move) -> int:
    return 1 if move == "toward" else -1


@dataclass(frozen=True, slots=True)
class Backlash:
    """Backlash at several places, at the radius of the teeth.

    Attributes
    ----------
    places : tuple of float
        Each place, at the tooth.
    mean, spread, smallest, largest : float
    tight_spot : int
        Place of the smallest value, counted from 1.
    """

    places: tuple[float, ...]
    mean: float
    spread: float
    smallest: float
    largest: float
    tight_spot: int


def at_radius(reading: float, measured_radius: float, wanted_radius: float, plunger_deg: float = 0.0) -> float:
    """Backlash along the circumference at another radius.

    Parameters
    ----------
    reading : float
        Indicator reading at `measured_radius`.
    plunger_deg : float
        Angle between the plunger and the line of motion, degrees below 90; an indicator that leans reads low.
    """
    return reading / math.cos(math.radians(plunger_deg)) * wanted_radius / measured_radius


def backlash(
    readings: Sequence[float],
    measured_radius: float | None = None,
    tooth_radius: float | None = None,
    plunger_deg: float = 0.0,
) -> Backlash:
    """Backlash readings taken together; scaled to the tooth where both radii are given.

    Raises
    ------
    ValueError
        If there is no reading, or only one of the two radii is given.
    """
    if not readings:
        raise ValueError("no backlash reading: measure at 3 or 4 equally spaced places")
    if (measured_radius is None) != (tooth_radius is None):
        raise ValueError("one radius without the other: give the radius of the indicator and that of the teeth")
    r, w = measured_radius or 1.0, tooth_radius or 1.0
    places = tuple(at_radius(x, r, w, plunger_deg) for x in readings)
    low, high = min(places), max(places)
    return Backlash(places, math.fsum(places) / len(places), high - low, low, high, places.index(low) + 1)


# What a shift along the axis does to the backlash


@dataclass(frozen=True, slots=True)
class Ratios:
    """Change in backlash per shift along the gear's own axis.

    `along` is read along the circumference at the mean tooth, `square` square to the flank.
    """

    ring_along: float
    ring_square: float
    pinion_along: float
    pinion_square: float
    ring_cone_deg: float
    pinion_cone_deg: float


def ratios_from_gears(pinion_teeth: int, ring_teeth: int, pressure_deg: float, spiral_deg: float) -> Ratios:
    """Backlash ratios of a bevel set with its shafts at a right angle.

    Parameters
    ----------
    pressure_deg, spiral_deg : float
        Normal pressure angle and mean spiral angle, degrees.

    Notes
    -----
    Right on average within about 2 %, at one mesh position within about 6 %: take the mean of several places.  The
    pinion's figures give the order of magnitude only, tooth taper being half their size.  A hypoid set has no such formula here:
    its ratio is learnt from the unit (`learnt_ratio`).
    """
    ring, pinion = math.atan2(ring_teeth, pinion_teeth), math.atan2(pinion_teeth, ring_teeth)
    a, b = math.radians(pressure_deg), math.radians(spiral_deg)
    along, square = 2.0 * math.tan(a) / math.cos(b), 2.0 * math.sin(a)
    return Ratios(
        along * math.sin(ring),
        square * math.sin(ring),
        along * math.sin(pinion),
        square * math.sin(pinion),
        math.degrees(ring),
        math.degrees(pinion),
    )


def learnt_ratio(before: float, after: float, ring_toward: float) -> float:
    """Backlash ratio this unit showed: loss of mean backlash per ring movement toward the pinion.

    Raises
    ------
    ValueError
        If the ring was not moved, or the backlash went the wrong way: then a sign is reversed or something else moved.
    """
    if ring_toward == 0:
        raise ValueError("the ring gear was not moved: nothing to learn the ratio from")
    ratio = (before - after) / ring_toward
    if ratio <= 0:
        raise ValueError(
            f"backlash went from {before} to {after} when the ring gear should have moved {ring_toward:+} toward the pinion: "
            "check which way each side shim moves it"
        )
    return ratio


def ring_movement(mean: float, wanted: float, ratio: float, step: float | None = None) -> float:
    """Movement of the ring gear toward the pinion that brings the mean backlash to `wanted`; rounded to `step`."""
    move = (mean - wanted) / ratio
    return move if step is None else math.floor(move / step + 0.5) * step


# Side shims


@dataclass(frozen=True, slots=True)
class Sides:
    """Left and right side shim."""

    left: float
    right: float


def check_signs(left: Move, right: Move, left_preload: PreloadEffect, right_preload: PreloadEffect) -> None:
    """Refuse signs that no carrier can have.

    A shim that adds preload pushes the carrier away from its own side; the two sides push against each other.

    Raises
    ------
    SignError
    """
    if (left == right) == (left_preload == right_preload):
        raise SignError(
            f"thicker left moves the ring {left} with {left_preload} preload, thicker right {right} with {right_preload}: shims placed alike "
            "(both inside or both under a flange) move the ring opposite ways, shims placed differently move it the same way"
        )


def transfer(left: float, right: float, ring_toward: float, left_moves: Move, right_moves: Move) -> Sides:
    """Side shims after moving the ring gear, preload kept.

    Both sides change by the movement.  Placed alike, what one gains the other loses and the sum stays; placed differently
    (one inside, one under a flange) both change alike and the difference stays.

    Raises
    ------
    ValueError
        If a shim would vanish.
    """
    sides = Sides(left + _sign(left_moves) * ring_toward, right + _sign(right_moves) * ring_toward)
    _must_exist(sides)
    return sides


def _must_exist(sides: Sides) -> None:
    if min(sides.left, sides.right) <= 0:
        raise ValueError(
            f"left {sides.left:.4f} and right {sides.right:.4f}: a side shim cannot be that thin, look for a wrong sign or reading"
        )


def pinch(left: float, right: float, zero_play_sum: float, thicker: PreloadEffect) -> float:
    """Squeeze on the carrier bearings; negative is end play.

    Parameters
    ----------
    zero_play_sum : float
        Sum of both shims at which play just vanishes.
    thicker : {"more", "less"}
        What a thicker shim does to the preload, on both sides.
    """
    over = left + right - zero_play_sum
    return over if thicker == "more" else -over


def sum_for(zero_play_sum: float, wanted_pinch: float, thicker: PreloadEffect) -> float:
    """Sum of both shims that gives a pinch."""
    return zero_play_sum + (wanted_pinch if thicker == "more" else -wanted_pinch)
