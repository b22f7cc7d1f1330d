"""Geometry of worn tips, leaning faces, plungers off their line and centre holes: closed forms, solids in space, and what runs on them.

Derived here; each closed form agrees with an independent three-dimensional solution.  D = 60 mm, tip radius 1.5 mm.
"""

from __future__ import annotations

import math
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.depth import measured_depth
from analysis.geometry import extension_mm
from analysis.results import BudgetLine, SetStatistics
from analysis.setup import parse_setup
from analysis.valley import Window, fit_bottoms
from capture.simulator.bench import _distances
from capture.simulator.hand import Swing
from capture.simulator.scenario import Scenario
from tests.bench import hands
from tests.bench.accuracy import run
from tests.bench.hands import STEADY, _extension
from tests.outside.formulas.contact import (
    angle_to_reach,
    flat_tip_extension_mm,
    flat_tip_minimum_mm,
    hole_minimum_mm,
    offset_plunger_minimum_mm,
    over_hole_mm,
    tilted_across_mm,
    tilted_in_sweep_mm,
)
from tests.outside.formulas.in_space import FLAT, RHO, UM, D, K, lowest, one, solved, vertex

Array = NDArray[np.float64]

# 6.3 flat-ended tip


@pytest.mark.parametrize(("a", "um"), [(0.5, -2.083), (1.0, -8.334), (1.5, -18.753)])
def test_flat_tip(a: float, um: float) -> None:
    assert (flat_tip_minimum_mm(D, a) - D) * UM == pytest.approx(um, abs=1e-3)
    assert one(lambda t: flat_tip_extension_mm(t, D, a), 0.0) == pytest.approx(D, abs=1e-12)
    for low, high in ((-12, 0), (0, 12)):
        at, value = lowest(lambda d: one(lambda t: flat_tip_extension_mm(t, D, a), d), low, high)
        assert value == pytest.approx(flat_tip_minimum_mm(D, a), abs=1e-9)
        assert abs(math.sin(math.radians(at))) == pytest.approx(a / D, abs=1e-6)


@pytest.mark.parametrize("degrees", [0.3, 2.0, 8.0])
def test_flat_tip_is_a_disc_in_space(degrees: float) -> None:
    """A rim of 20,000 points pushed along the plunger until the first meets the face."""
    t, a = math.radians(degrees), 1.0
    ring = np.linspace(0, 2 * math.pi, 20001)
    reach = a * np.cos(ring) * -math.sin(t)
    e = float(((D - reach) / math.cos(t)).min())
    assert one(lambda x: flat_tip_extension_mm(x, D, a), degrees) == pytest.approx(e, abs=1e-6)


# 6.4 tilt


@pytest.mark.parametrize(("degrees", "um"), [(0.1, -0.091), (0.5, -2.285), (1.0, -9.138)])
def test_tilt_within_the_sweep(degrees: float, um: float) -> None:
    t = math.radians(degrees)
    # The plane passes the pinion's axis at height D; the ball touches it at the tilt's own angle.
    normal = np.array([math.cos(t), math.sin(t), 0.0])
    at, value = lowest(lambda d: solved(d, normal))
    assert at == pytest.approx(degrees, abs=1e-4)
    assert (tilted_in_sweep_mm(D, t) - D) * UM == pytest.approx(um, abs=2e-3)
    assert value == pytest.approx(tilted_in_sweep_mm(D, t), abs=1e-9)


@pytest.mark.parametrize(
    ("degrees", "x", "um"), [(0.02, 10, 3.491), (0.05, 10, 8.726), (0.1, 2, 3.488), (0.1, 10, 17.451)]
)
def test_tilt_across_the_sweep(degrees: float, x: float, um: float) -> None:
    t = math.radians(degrees)
    e = tilted_across_mm(D, t, x, RHO)
    assert (e - D) * UM == pytest.approx(um, abs=2e-3)
    normal = np.array([math.cos(t), 0.0, -math.sin(t)])
    assert lowest(lambda d: solved(d, normal, along_arbor=x))[1] == pytest.approx(e, abs=1e-9)
    # Turned by 180 degrees the face leans the other way: the mean is free of it to second order.
    assert (e + tilted_across_mm(D, -t, x, RHO)) / 2 == pytest.approx(D - RHO * (1 / math.cos(t) - 1), abs=1e-12)


# 6.5 and 6.7 plunger off its line


@pytest.mark.parametrize(("b", "um"), [(0.1, -0.085), (0.5, -2.137), (1.0, -8.548), (2.0, -34.198)])
def test_plunger_past_the_axis(b: float, um: float) -> None:
    e = offset_plunger_minimum_mm(D, RHO, b)
    assert (e - D) * UM == pytest.approx(um, abs=1e-3)
    at, value = lowest(lambda d: solved(d, FLAT, offset=b))
    assert value == pytest.approx(e, abs=1e-9)
    assert math.sin(math.radians(at)) == pytest.approx(-b / K, abs=1e-6)


def test_plunger_past_the_axis_cancels_on_a_master() -> None:
    """Master of 59 mm, D = 60: what remains of 1 mm of offset is a seventh of a micrometre."""
    on_master = offset_plunger_minimum_mm(59.0, RHO, 1.0) - 59.0
    assert abs(offset_plunger_minimum_mm(D, RHO, 1.0) - D - on_master) * UM < 0.16


def test_a_plunger_rarely_meets_the_face_of_an_offset_pinion() -> None:
    """Hypoid offset 35 mm: to reach the pinion's own axis the tip would have to swing by 30.3 degrees; a plate wider than that is needed."""
    reach = math.degrees(angle_to_reach(D, 35.0))
    assert reach == pytest.approx(30.3, abs=0.05)
    assert D * math.tan(math.radians(reach)) == pytest.approx(35.0, abs=1e-9)


# 6.8 centre hole


@pytest.mark.parametrize(
    ("radius", "rim", "dip", "parabola"), [(1, 8.33, 382, -2.7), (2, 33.32, 1964, -3.3), (3, 74.96, 3696, -4.2)]
)
def test_centre_hole(radius: float, rim: float, dip: float, parabola: float) -> None:
    assert (hole_minimum_mm(D, radius) - D) * UM == pytest.approx(rim, abs=0.01)
    assert radius**2 / (2 * D) * UM == pytest.approx(rim, rel=1e-3, abs=0.05)
    at, value = lowest(lambda d: one(lambda t: over_hole_mm(t, D, RHO, radius), d), 0.4 * radius, 12)
    assert value == pytest.approx(hole_minimum_mm(D, radius), abs=1e-9)
    assert math.radians(at) == pytest.approx(math.atan(radius / D), abs=1e-6)
    assert (one(lambda t: over_hole_mm(t, D, RHO, radius), 0.0) - D) * UM == pytest.approx(dip, abs=0.5)
    # Leave out the hole and the exact curve finds the face again; a parabola does not quite.
    t = np.radians(np.linspace(-12, 12, 2001))
    t = t[np.abs(t) > math.atan(radius / K) + math.radians(0.3)]
    e = over_hole_mm(t, D, RHO, radius)
    k, rest = np.linalg.lstsq(np.stack([1 / np.cos(t), np.ones_like(t)], axis=1), e, rcond=None)[0]
    assert k + rest == pytest.approx(D, abs=1e-9)
    assert abs(vertex(t, e, 4) - D) * UM < 0.03
    assert (vertex(t, e) - D) * UM == pytest.approx(parabola, abs=0.06)


@pytest.mark.parametrize("radius", [1.0, 2.0, 3.0])
def test_centre_hole_in_space(radius: float) -> None:
    """A ball lowered on points of the real surface: plane with a 60 degree cone, to the coarseness of the points."""
    y = np.linspace(-8, 8, 40001)
    depth = np.where(np.abs(y) < radius, D + (radius - np.abs(y)) / math.tan(math.radians(30)), D)
    surface = np.stack([depth, y], axis=1)
    for degrees in (0.0, 0.4, 1.0, 1.5, 2.2, 3.5, 5.0):
        t = math.radians(degrees)
        direction = np.array([math.cos(t), math.sin(t)])
        along = surface @ direction
        across = surface @ np.array([-direction[1], direction[0]])
        near = np.abs(across) < RHO
        stop = float((along[near] - np.sqrt(RHO**2 - across[near] ** 2)).min())
        ours = one(lambda t: over_hole_mm(t, D, RHO, radius), degrees)
        assert ours == pytest.approx(stop + RHO, abs=2e-5)


def test_hole_is_symmetric_and_far_from_it_there_is_no_hole() -> None:
    t = np.radians(np.linspace(0, 12, 500))
    e = over_hole_mm(t, D, RHO, 2.0)
    assert np.array_equal(e, over_hole_mm(-t, D, RHO, 2.0))
    far = t > math.atan(2.0 / K)
    assert np.allclose(e[far], extension_mm(t[far], K, RHO), atol=1e-12)


# What runs, on such sweeps


def found_on(e: Array) -> float:
    """Bottom that the program's estimator gives for extensions, mm, over one swing of +-4 degrees in 2.7 s."""
    t = np.arange(e.size) * (2.7 / e.size)
    b = fit_bottoms([Window(t, np.round(e - D, 4), 1e-4, 0.0)], swing_radius_mm=K)[0]
    return D + b.minimum_mm


@pytest.mark.parametrize("offset", [0.0, 0.5, 1.0, 2.0])
def test_the_estimator_reads_a_plunger_past_the_axis(offset: float) -> None:
    """What it reports is the lowered bottom: only a master of the same geometry takes it out."""
    angles = np.linspace(-4.1, 3.9, 180)
    e = np.array([solved(d, FLAT, offset=offset) for d in angles])
    assert (found_on(e) - offset_plunger_minimum_mm(D, RHO, offset)) * UM == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize(("degrees", "x"), [(0.05, 10.0), (0.1, 10.0), (-0.1, 10.0), (0.1, 2.0)])
def test_the_estimator_reads_a_leaning_face(degrees: float, x: float) -> None:
    t = math.radians(degrees)
    across = np.array([math.cos(t), 0.0, -math.sin(t)])
    within = np.array([math.cos(t), math.sin(t), 0.0])
    angles = np.linspace(-4.1, 3.9, 180)
    e = np.array([solved(d, across, along_arbor=x) for d in angles])
    assert (found_on(e) - tilted_across_mm(D, t, x, RHO)) * UM == pytest.approx(0.0, abs=0.3)
    e = np.array([solved(d, within) for d in angles])
    assert (found_on(e) - tilted_in_sweep_mm(D, t)) * UM == pytest.approx(0.0, abs=0.3)


@pytest.mark.parametrize("flat", [0.5, 1.0, 1.5])
def test_the_simulated_benches_swing_that_tip(flat: float) -> None:
    """The demonstration's bench and that of the accuracy tables, against the closed form."""
    angles = np.linspace(-12, 12, 97)
    e = flat_tip_extension_mm(np.radians(angles), D, flat)
    swing = Swing(angles, 0.0, None, 1, False)
    shown = _distances(Scenario(name="flat tip", distance=D, flat_tip=flat), swing, np.random.default_rng(0))
    assert shown == pytest.approx(e, abs=1e-12)
    assert _extension(replace(STEADY, distance_mm=D, flat_tip_mm=flat), np.radians(angles)) == pytest.approx(
        e, abs=1e-12
    )


@pytest.mark.parametrize(("diameter", "rate"), [(2.0, 20), (4.0, 20), (6.0, 20), (2.0, 100), (4.0, 10), (6.0, 10)])
def test_no_sweep_over_a_centre_hole_counts(diameter: float, rate: float, monkeypatch: pytest.MonkeyPatch) -> None:
    """A ball swung through the middle of a 60 degree centre, through the whole program: nothing of it becomes a depth.

    Not reached at 10 readings a second with 2 mm and less, where a reading or two fall into the hole: sweeps were left in in 4 of 24
    sets (1.0, 1.5 and 2.0 mm), up to 11 um high.
    """
    case = replace(STEADY, rate=rate)
    monkeypatch.setattr(hands, "_extension", lambda case, t: over_hole_mm(t, case.distance_mm, RHO, diameter / 2))
    for seed in (1, 2, 3):
        sweeps, stats, _ = run(case, hands.make(case, seed))
        assert sweeps
        assert stats.accepted == 0
        assert {r for s in sweeps for r in s.reasons} == {"open-hole"}


# 6.9 what lies on the face


@pytest.mark.parametrize("sense", ["grows", "shrinks"])
def test_a_blade_on_the_face_and_a_burr_under_it(sense: str) -> None:
    """A blade of 0.5 mm: D = e_min + t, 59.5 + 0.5.  A burr or a bow of 0.02 mm under it shortens the distance by as much."""
    setup = parse_setup(
        {
            "arbor": {
                "master": {"distance": 60, "reading": 0},
                "reading_sense": sense,
                "bridge": {"thickness": Decimal("0.5"), "on": "pinion"},
            }
        }
    )
    lines = (BudgetLine("sweeps", 0.001, "A", 7.0, "eight sweeps"),)
    p = 1.0 if sense == "grows" else -1.0
    for burr in (0.0, 0.02):
        e = lowest(lambda d, burr=burr: solved(d, FLAT, along_pinion=-0.5 - burr))[1]
        stats = SetStatistics(8, 0, 1, p * (e - 60.0), 0.001, None, 0.003, 0.001, 7.0, None, None, lines)
        assert e == pytest.approx(59.5 - burr, abs=1e-9)
        assert measured_depth(setup, stats).distance_mm == pytest.approx(60.0 - burr, abs=1e-9)
