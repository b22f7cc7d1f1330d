"""Carrier arithmetic that the program has no input for: flanks that differ, a scale's error, stiffness of the sides, warmth.

Sources: handbook relation of backlash and axial shift (value from memory, text not seen); the rest derived here, the work itself
common practice, no source.  Lengths mm, angles degrees, torques N·m, forces N.
"""

from __future__ import annotations

import math

from analysis.uncertainty import rectangular


def hypoid_ratio(pitch_cone_deg: float, drive_deg: float, coast_deg: float, ring_spiral_deg: float) -> float:
    """Backlash along the circumference per shift of a hypoid ring gear; flank angles as generated, in the pitch plane."""
    flanks = math.tan(math.radians(drive_deg)) + math.tan(math.radians(coast_deg))
    return math.sin(math.radians(pitch_cone_deg)) * flanks / math.cos(math.radians(ring_spiral_deg))


def square_to_flank(along: float, pressure_deg: float, spiral_deg: float) -> float:
    """Backlash square to the flank from that along the circumference."""
    return along * math.cos(math.radians(pressure_deg)) * math.cos(math.radians(spiral_deg))


def taper(cone_deg: float, teeth: int) -> float:
    """What tooth taper adds to or takes from the ratio at one phase of the mesh, per unit shift."""
    d = math.radians(cone_deg)
    return math.pi * math.sin(d) * math.cos(d) / teeth


def string_u(force_n: float, radius_m: float, force_half_width: float, radius_half_width: float) -> float:
    """Standard uncertainty, N·m, of a force on a string round a drum, both errors rectangular."""
    return math.hypot(radius_m * rectangular(force_half_width), force_n * rectangular(radius_half_width))


def share_of(side_stiffness: float, other_stiffness: float) -> float:
    """Share of the pinch by which one side gives way; half where both are equally stiff."""
    return other_stiffness / (side_stiffness + other_stiffness)


def one_sided_move(change: float, side_stiffness: float = 1.0, other_stiffness: float = 1.0) -> float:
    """Movement of the ring gear when only one side changes, of bearings already under preload."""
    return change * side_stiffness / (side_stiffness + other_stiffness)


def from_end_play(
    left: float, right: float, end_play: float, wanted_pinch: float, ring_toward: float, held: str
) -> tuple[float, float]:
    """Inside shims, left and right, from a trial build with end play, the carrier `held` against one side while backlash was read."""
    total = left + right + end_play + wanted_pinch
    at = left if held == "left" else left + end_play
    new_left = at + ring_toward + 0.5 * wanted_pinch
    return new_left, total - new_left


def growth_apart(length_mm: float, housing_expansion: float, steel_expansion: float, rise_k: float) -> float:
    """How much farther a housing grows than the steel inside it: over the carrier's length, the bearing pinch that warmth takes away."""
    return length_mm * (housing_expansion - steel_expansion) * rise_k
