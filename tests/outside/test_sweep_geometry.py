"""Geometry of a sweep: closed forms against a ball and a plane in space, solved by root-finding.

Derived here; each closed form agrees with an independent three-dimensional solution.  D = 60 mm, tip radius 1.5 mm.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.geometry import climb_and_slope, extension_mm, scaled_angle
from tests.bench.hands import STEADY, _extension
from tests.outside.formulas.in_space import FLAT, RHO, UM, D, K, lowest, one, solved, vertex

Array = NDArray[np.float64]


def tessellated_ball(n: int) -> Array:
    """Points on a unit ball, by the golden angle."""
    i = np.arange(n) + 0.5
    z = 1 - 2 * i / n
    a = math.pi * (1 + math.sqrt(5)) * i
    r = np.sqrt(1 - z * z)
    return np.stack([r * np.cos(a), r * np.sin(a), z], axis=1)


# 6.1 the swing itself

TABLE = {0: 0, 0.5: 2.228, 1: 8.911, 2: 35.658, 3: 80.282, 5: 223.460, 8: 574.913, 10: 902.457, 12: 1306.925}
PARABOLA = {0.5: 2.228, 1: 8.910, 2: 35.640, 3: 80.191, 5: 222.751, 8: 570.244, 10: 891.006, 12: 1283.049}


@pytest.mark.parametrize(("degrees", "um"), TABLE.items())
@pytest.mark.parametrize("side", [1, -1])
def test_table(degrees: float, um: float, side: int) -> None:
    e = one(lambda t: extension_mm(t, K, RHO), side * degrees)
    assert (e - D) * UM == pytest.approx(um, abs=1e-3)
    assert e == pytest.approx(solved(side * degrees, FLAT), abs=1e-9)


@pytest.mark.parametrize(("degrees", "um"), PARABOLA.items())
def test_parabola_is_only_the_beginning(degrees: float, um: float) -> None:
    assert K * math.radians(degrees) ** 2 / 2 * UM == pytest.approx(um, abs=1e-3)
    assert UM * K * math.radians(1) ** 2 / 2 == pytest.approx(8.9101, abs=1e-4)


def test_a_tessellated_ball_touches_where_the_formula_says() -> None:
    """200,000 points of the tip: within its own coarseness of the formula, and never beyond the face."""
    points = tessellated_ball(200_000) * RHO
    for degrees in (0.0, 1.0, 5.0, 12.0):
        t = math.radians(degrees)
        reach = float(points[:, 0].max())
        centre = (D - reach) / math.cos(t)
        assert centre + RHO == pytest.approx(one(lambda t: extension_mm(t, K, RHO), degrees), abs=2e-5)


@pytest.mark.parametrize("degrees", [0.01, 0.5, 2.0, 12.0])
def test_rise_in_scaled_angle_is_the_same_curve(degrees: float) -> None:
    u = np.array([math.radians(degrees) * math.sqrt(K / 2)])
    climb = one(lambda t: extension_mm(t, K, RHO), degrees) - D
    a, b = climb_and_slope(u, K)
    assert float(a[0]) == pytest.approx(climb, abs=1e-11)
    h = 1e-4
    numeric = (
        one(lambda t: extension_mm(t, K, RHO), degrees + h) - one(lambda t: extension_mm(t, K, RHO), degrees - h)
    ) / (2 * math.radians(h) * math.sqrt(K / 2))
    assert float(b[0]) == pytest.approx(numeric, rel=1e-5)
    assert float(scaled_angle(a, K)[0]) == pytest.approx(float(u[0]), abs=1e-7)


# 6.2 what a polynomial makes of it


def swing(degrees: float, n: int = 2001) -> tuple[Array, Array]:
    t = np.radians(np.linspace(-degrees, degrees, n))
    return t, extension_mm(t, K, RHO)


@pytest.mark.parametrize(("degrees", "um"), [(12, -2.085), (8, -0.411), (5, -0.063), (3, -0.007)])
def test_bias_of_a_parabola(degrees: float, um: float) -> None:
    assert (vertex(*swing(degrees)) - D) * UM == pytest.approx(um, rel=0.05, abs=1e-3)


def test_bias_of_a_quartic_and_of_the_secant() -> None:
    t, e = swing(12)
    assert abs(vertex(t, e, 4) - D) * UM < 0.03
    a = np.stack([1 / np.cos(t), np.ones_like(t)], axis=1)
    k, rho = np.linalg.lstsq(a, e, rcond=None)[0]
    assert k + rho == pytest.approx(D, abs=1e-9)


@pytest.mark.parametrize(
    ("share", "window", "um"),
    [(0.2, 5, 1.40), (0.5, 5, 10.1), (0.2, 3, 0.18), (0.5, 3, 1.23), (0.2, 2, 0.04), (0.5, 2, 0.23)],
)
def test_a_hand_that_changes_speed_biases_a_parabola_in_time(share: float, window: float, um: float) -> None:
    """Speed grows in proportion to the angle by `share` over 5 degrees each way; the fit sees only the window."""
    q = share / 5.0
    first, last = math.log1p(-q * window) / q, math.log1p(q * window) / q
    time = np.linspace(first, last, 20001)
    degrees = np.expm1(q * time) / q
    e = extension_mm(np.radians(degrees), K, RHO)
    assert (vertex(time, e) - D) * UM == pytest.approx(um, rel=0.05, abs=6e-3)


# 6.3 flat-ended tip and 6.8 hole: the benches that the accuracy tables stand on make them as the solid bodies do


@pytest.mark.parametrize(("a", "um"), [(0.5, -2.083), (1.0, -8.334), (1.5, -18.753)])
def test_flat_tip_of_the_bench(a: float, um: float) -> None:
    """A rim of 20,000 points pushed along the plunger until the first meets the face; lowest at ``sin(theta) = a / D``."""
    bench = replace(STEADY, distance_mm=D, flat_tip_mm=a)
    ring = np.linspace(0, 2 * math.pi, 20001)
    for degrees in (0.3, 2.0, 8.0):
        t = math.radians(degrees)
        e = float(((D - a * np.cos(ring) * -math.sin(t)) / math.cos(t)).min())
        assert one(lambda x: _extension(bench, x), degrees) == pytest.approx(e, abs=1e-6)
    for low, high in ((-12, 0), (0, 12)):
        at, value = lowest(lambda d: one(lambda t: _extension(bench, t), d), low, high)
        assert (value - D) * UM == pytest.approx(um, abs=1e-3)
        assert abs(math.sin(math.radians(at))) == pytest.approx(a / D, abs=1e-6)


@pytest.mark.parametrize(("radius", "rim"), [(1.5, 18.75), (3.0, 74.96), (6.0, 299.25)])
def test_open_hole_of_the_bench(radius: float, rim: float) -> None:
    """A ball lowered on points of the real surface, plane with a bore; its rim stands ``hypot(D, R) - D`` above the face."""
    tip = 1.0 + radius / 2
    bench = replace(STEADY, distance_mm=D, tip_mm=tip, bore_mm=2 * radius)
    y = np.linspace(-12, 12, 60001)
    surface = np.stack([np.where(np.abs(y) < radius, D + 2.5 * radius, D), y], axis=1)
    for degrees in (0.0, 0.4, 1.0, 1.5, 2.2, 3.5, 6.5, 9.0):
        t = math.radians(degrees)
        along = surface @ np.array([math.cos(t), math.sin(t)])
        across = surface @ np.array([-math.sin(t), math.cos(t)])
        near = np.abs(across) < tip
        stop = float((along[near] - np.sqrt(tip**2 - across[near] ** 2)).min())
        # the points lie 0.4 µm apart, and the last one before the rim misses it by up to as much
        assert one(lambda t: _extension(bench, t), degrees) == pytest.approx(stop + tip, abs=5e-4)
    at, value = lowest(lambda d: one(lambda t: _extension(bench, t), d), 0.4 * radius, 12)
    assert (value - D) * UM == pytest.approx(rim, abs=0.01)
    assert math.radians(at) == pytest.approx(math.atan(radius / D), abs=1e-6)


# 6.5 to 6.7 arbor and plunger off their lines


def test_arbor_moved_square_to_the_pinion_changes_only_the_angle() -> None:
    # A plane face looks the same from beside: the ball comes down 10 um farther along it.
    _, value = lowest(lambda d: solved(d, FLAT, shift=0.010))
    assert value == pytest.approx(D, abs=1e-9)
    assert math.degrees(0.010 / K) == pytest.approx(0.0098, abs=1e-4)


def test_arbor_moved_along_the_pinion_counts_in_full() -> None:
    """Clearance in the bores, sag, an eccentric arbor: 10 um of it are 10 um of distance, and half a turn of an eccentric arbor shows them."""
    for away in (0.010, -0.004):
        at, value = lowest(lambda d, away=away: solved(d, FLAT, along_pinion=away))
        assert value == pytest.approx(D + away, abs=1e-9)
        assert at == pytest.approx(0.0, abs=1e-3)
    eccentric = [solved(0.0, FLAT, along_pinion=0.010 * math.cos(turn)) for turn in (0.0, math.pi)]
    assert eccentric[0] - eccentric[1] == pytest.approx(0.020, abs=1e-9)
    assert sum(eccentric) / 2 == pytest.approx(D, abs=1e-9)


@pytest.mark.parametrize("along", [0.0, 4.0, 15.0])
def test_arbor_misplaced_along_itself_changes_nothing_on_a_square_face(along: float) -> None:
    assert solved(0.0, FLAT, along_arbor=along) == pytest.approx(D, abs=1e-12)
    assert solved(7.0, FLAT, along_arbor=along) == pytest.approx(solved(7.0, FLAT), abs=1e-12)


@pytest.mark.parametrize("offset", [0.0, 20.0, 35.0])
def test_hypoid_offset_leaves_the_lowest_reading_alone(offset: float) -> None:
    """The face is a plane; what changes is that the nearest point lies `offset` from the pinion's axis."""
    _, value = lowest(lambda d: solved(d, FLAT, shift=offset))
    assert value == pytest.approx(D, abs=1e-9)


# 6.10 spacing of the readings


@pytest.mark.parametrize(("spacing", "mean", "most"), [(1.2, 1.07, 3.21), (0.6, 0.27, 0.80), (0.16, 0.02, 0.06)])
def test_spacing(spacing: float, mean: float, most: float) -> None:
    """24 degrees in 2 s at 10 and 20 readings a second; 50 a second over 3 s: the lowest of evenly spaced readings lies too high."""
    phase = (np.arange(2000) + 0.5) / 2000 - 0.5
    lowest_sample = climb_and_slope(np.radians(phase * spacing) * math.sqrt(K / 2), K)[0] * UM
    assert float(lowest_sample.mean()) == pytest.approx(mean, rel=0.01, abs=5.1e-3)
    assert float(lowest_sample.max()) == pytest.approx(most, rel=0.01, abs=5.1e-3)
    square = K * math.radians(spacing) ** 2 * UM
    assert (float(lowest_sample.mean()), float(lowest_sample.max())) == pytest.approx(
        (square / 24, square / 8), rel=0.01
    )
