"""Backlash against a shift along the axis: handbook relations, an independent solution in space, workshop ratios.

Handbook relations and their example (8 to 31 teeth, 20 degrees): value from memory, text not seen; figures recomputed.  Facets
in space and the full three-dimensional tooth check they are compared with: derived here.  Workshop ratios: common practice, no
source.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.carrier import at_radius, backlash, ratios_from_gears
from tests.outside.formulas.carrier import hypoid_ratio, square_to_flank, taper

Vector = NDArray[np.float64]


def test_cones_of_8_to_31() -> None:
    r = ratios_from_gears(8, 31, 20, 0)
    assert (r.pinion_cone_deg, r.ring_cone_deg) == pytest.approx((14.47029, 75.52971), abs=1e-5)


@pytest.mark.parametrize(
    ("spiral", "ring", "pinion"), [(0, 0.70485, 0.18190), (35, 0.86046, 0.22205)], ids=["straight", "spiral"]
)
def test_8_to_31(spiral: float, ring: float, pinion: float) -> None:
    r = ratios_from_gears(8, 31, 20, spiral)
    assert r.ring_along == pytest.approx(ring, abs=1e-5)
    assert r.pinion_along == pytest.approx(pinion, abs=1e-5)
    assert r.ring_square == pytest.approx(0.66234, abs=1e-5)
    assert r.pinion_along / r.ring_along == pytest.approx(8 / 31, rel=1e-12)


@pytest.mark.parametrize(
    ("teeth", "pressure", "along", "square"),
    [
        ((11, 41), 20, {0: 0.7031, 30: 0.8118, 35: 0.8583}, 0.6607),
        ((8, 31), 22.5, {0: 0.8021, 30: 0.9262, 35: 0.9792}, 0.7411),
    ],
)
def test_other_sets(teeth: tuple[int, int], pressure: float, along: dict[int, float], square: float) -> None:
    for spiral, value in along.items():
        r = ratios_from_gears(*teeth, pressure, spiral)
        assert r.ring_along == pytest.approx(value, abs=1e-4)
        assert r.ring_square == pytest.approx(square, abs=1e-4)


def about(axis: Vector, angle: float, point: Vector) -> Vector:
    """`point` turned about an axis through the origin."""
    c, s = math.cos(angle), math.sin(angle)
    return point * c + np.cross(axis, point) * s + axis * float(axis @ point) * (1 - c)


def play_after_shift(cone: float, spiral: float, drive: float, coast: float, shift: float, mean_radius: float) -> float:
    """Two rigid flank planes of the other gear, a ring tooth between them: turn until each touches (bisection).

    Solved in space, with nothing of the formula: a point of the tooth is moved along the axis and turned about it.
    """
    d, b = math.radians(cone), math.radians(spiral)
    axis = np.array([0.0, 0.0, 1.0])
    point = np.array([mean_radius, 0.0, 0.0])
    along_cone = np.array([math.sin(d), 0.0, math.cos(d)])
    circle = np.array([0.0, 1.0, 0.0])
    outward = np.cross(circle, along_cone)
    across = math.cos(b) * circle - math.sin(b) * along_cone
    touch: list[float] = []
    for sign, pressure in ((1.0, drive), (-1.0, coast)):
        a = math.radians(pressure)
        normal = sign * math.cos(a) * across + math.sin(a) * outward

        def gap(angle: float, normal: Vector = normal) -> float:
            return float(normal @ (about(axis, angle, point + shift * axis) - point))

        low, high = -0.01, 0.01
        rising = gap(high) > gap(low)
        for _ in range(80):
            middle = 0.5 * (low + high)
            low, high = (low, middle) if (gap(middle) > 0) == rising else (middle, high)
        touch.append(low)
    return abs(touch[0] - touch[1]) * mean_radius / abs(shift)


@pytest.mark.parametrize("spiral", [0.0, 20.0, 35.0, 45.0])
@pytest.mark.parametrize("teeth", [(8, 31), (11, 41), (20, 20)])
def test_facets_in_space(teeth: tuple[int, int], spiral: float) -> None:
    r = ratios_from_gears(*teeth, 20, spiral)
    # The shift is small: what the turned circle adds is of second order.
    solved = play_after_shift(r.ring_cone_deg, spiral, 20, 20, 1e-6, 75.0)
    assert r.ring_along == pytest.approx(solved, rel=1e-6)


def test_facets_in_space_with_unlike_flanks() -> None:
    """Hypoid-like: cone 77, spiral 31, flanks 19 and 23 degrees."""
    ours = hypoid_ratio(77, 19, 23, 31)
    assert ours == pytest.approx(0.87392, abs=1e-5)
    assert ours == pytest.approx(play_after_shift(77, 31, 19, 23, 1e-6, 75.0), rel=1e-6)


def test_hypoid_formula_becomes_the_bevel_one() -> None:
    r = ratios_from_gears(8, 31, 20, 35)
    assert hypoid_ratio(r.ring_cone_deg, 20, 20, 35) == pytest.approx(r.ring_along, rel=1e-12)


@pytest.mark.parametrize(("spiral", "low", "high"), [(0, 0.680, 0.728), (35, 0.842, 0.862)])
def test_full_tooth_check_brackets_the_formula(spiral: float, low: float, high: float) -> None:
    """Ring shift, conjugate crowned teeth in space: the two clean straight phases, and the mean over the mesh at 35 degrees."""
    assert low <= ratios_from_gears(8, 31, 20, spiral).ring_along <= high


def test_taper_between_two_phases_of_a_straight_set() -> None:
    """pi sin cos / z2 = 0.02452 per unit shift either way: 0.680 and 0.728 seen in the full tooth check."""
    r = ratios_from_gears(8, 31, 20, 0)
    by = taper(r.ring_cone_deg, 31)
    assert by == pytest.approx(0.02452, abs=1e-5)
    assert (r.ring_along - by, r.ring_along + by) == pytest.approx((0.680, 0.728), abs=2e-3)


def test_what_one_phase_of_the_mesh_may_show() -> None:
    """At 35 degrees the full tooth check gave 0.81 to 0.90 by phase; the ring's taper and the formula lie within it."""
    r = ratios_from_gears(8, 31, 20, 35)
    by = taper(r.ring_cone_deg, 31)
    assert 0.81 < r.ring_along - by < r.ring_along + by < 0.90


@pytest.mark.parametrize(("spiral", "low", "high"), [(0, 0.087, 0.276), (35, -0.06, 0.32)])
def test_pinion_shift_is_an_order_of_magnitude(spiral: float, low: float, high: float) -> None:
    """Taper of the pinion, 0.095 per unit shift, is half the effect itself; the full tooth check gave this range."""
    r = ratios_from_gears(8, 31, 20, spiral)
    by = taper(r.pinion_cone_deg, 8)
    assert by == pytest.approx(0.095, abs=5e-4)
    assert by > 0.4 * r.pinion_along
    assert low <= r.pinion_along - by + 1e-3
    assert r.pinion_along + by <= high + 1.5e-3


# An indicator at its own radius and angle (derived here)


def test_indicator_at_its_radius_and_angle() -> None:
    assert at_radius(0.18, 86, 86, 15) == pytest.approx(0.186350, abs=1e-6)
    mean = at_radius(0.18, 86, 72.6, 15)
    assert mean == pytest.approx(0.157314, abs=1e-6)
    assert at_radius(0.18, 86, 84, 15) == pytest.approx(0.182016, abs=1e-6)
    assert square_to_flank(mean, 20, 35) == pytest.approx(0.121092, abs=1e-6)
    assert math.degrees(at_radius(0.18, 86, 86, 15) / 86) * 60 == pytest.approx(7.4491, abs=1e-4)


def test_the_same_through_a_set_of_readings() -> None:
    b = backlash([0.18], 86, 72.6, 15)
    assert b.mean == pytest.approx(0.157314, abs=1e-6)


def test_workshop_ratios_are_those_square_to_the_flank() -> None:
    """0.03 for 0.05 of shim moved, and 7 for 10: common practice, no source."""
    r = ratios_from_gears(11, 41, 20, 35)
    assert 0.03 / 0.05 < r.ring_square < 0.7
    assert r.ring_along > 0.8
