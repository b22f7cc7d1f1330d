"""Prediction against re-measurement, and what a miss of a certain size means."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.closure import Closure, compare, effect_shown


def closure(
    measured: float, *, before: float = 61.7325, predicted: float = 61.64, u: float = 0.001, dof: float = 2.0
) -> Closure:
    """A loop of three seatings each time."""
    return compare(
        before, predicted, measured, before_u_mm=u, measured_u_mm=u, before_dof=dof, measured_dof=dof, stack_u_mm=0.001
    )


def test_inside_both_uncertainties() -> None:
    c = closure(61.6402)
    assert c.agrees
    assert c.cause == "none"
    assert c.miss_mm == pytest.approx(0.0002, abs=1e-9)


def test_limit_is_the_expanded_uncertainty_of_the_difference() -> None:
    """Two parts of 3 um and 4 um, plenty of readings: 1.96 * 5 um; common 3 um goes out of both (derived here)."""
    c = compare(60.0, 60.0, 60.0, before_u_mm=0.003, measured_u_mm=0.004)
    assert c.U_mm == pytest.approx(1.959964 * 0.005, rel=1e-6)
    c = compare(60.0, 60.0, 60.0, before_u_mm=0.005, measured_u_mm=0.005, common_u_mm=0.003, stack_u_mm=0.002)
    assert c.U_mm == pytest.approx(1.959964 * 0.006, rel=1e-6)
    edge = 0.009799
    assert compare(60.0, 60.0, 60.0 + edge, before_u_mm=0.003, measured_u_mm=0.004).agrees
    assert not compare(60.0, 60.0, 60.0 + edge + 2e-6, before_u_mm=0.003, measured_u_mm=0.004).agrees


def test_twice_the_change_names_a_reversed_sign() -> None:
    c = closure(61.825)
    assert c.cause == "sign reversed"
    assert not c.agrees
    assert c.miss_mm == pytest.approx(0.185, abs=1e-9)
    assert "shims.thicker_moves" in c.say


def test_once_the_change_names_a_change_that_did_not_happen() -> None:
    assert closure(61.7330).cause == "nothing changed"
    assert "old stack" in closure(61.7330).say


def test_any_other_miss_names_the_usual_causes() -> None:
    c = closure(61.68)
    assert c.cause == "unexplained"
    assert "race not home" in c.say
    assert "wrong piece" in c.say


def test_a_change_smaller_than_its_uncertainty_accuses_nobody() -> None:
    assert compare(60.0, 60.001, 59.98, before_u_mm=0.004, measured_u_mm=0.004).cause == "unexplained"


@pytest.mark.parametrize("kwargs", [{"before_u_mm": -0.001}, {"stack_u_mm": -1.0}, {"common_u_mm": 0.002}])
def test_impossible_uncertainties_are_refused(kwargs: dict[str, float]) -> None:
    with pytest.raises(ValueError, match="uncertainty"):
        compare(60, 60, 60, **({"before_u_mm": 0.001, "measured_u_mm": 0.001} | kwargs))


@given(st.floats(-0.3, 0.3), st.floats(1e-4, 0.01), st.sampled_from([2.0, 8.0, math.inf]))
def test_a_reversed_sign_is_found_wherever_the_change_can_be_seen(change: float, u: float, dof: float) -> None:
    c = compare(60.0, 60.0 + change, 60.0 - change, before_u_mm=u, measured_u_mm=u, before_dof=dof, measured_dof=dof)
    if abs(change) > c.U_mm:
        assert c.cause == "sign reversed"
    else:
        assert c.cause != "nothing changed" or abs(change) * 2 > c.U_mm
    assert c.agrees == (abs(c.miss_mm) <= c.U_mm)


def test_direction_proven_on_the_bench() -> None:
    assert effect_shown(0.098, 0.10, 0.002).moves == "away"
    assert effect_shown(-0.101, 0.10, 0.002).moves == "toward"
    assert effect_shown(-0.101, -0.10, 0.002).moves == "away"
    assert effect_shown(0.098, 0.10, 0.002).say.endswith('shims.thicker_moves = "away".')


@pytest.mark.parametrize(("distance", "stack", "u"), [(0.05, 0.10, 0.002), (0.0, 0.10, 0.002), (0.005, 0.005, 0.01)])
def test_direction_not_shown_by_too_little(distance: float, stack: float, u: float) -> None:
    assert effect_shown(distance, stack, u).moves == "not shown"


def test_no_change_shows_nothing() -> None:
    with pytest.raises(ValueError, match="not changed"):
        effect_shown(0.1, 0.0, 0.001)
