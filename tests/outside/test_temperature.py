"""Temperature: expansion values and the correction to 20 degrees Celsius.

Reference temperature ISO 1: value from memory.  Expansion values: published handbook of materials (appendix of
room-temperature values citing alloy handbooks).  Gauge steel 11.5 +- 1: GUM H.1, published.  Corrections: derived here.
"""

from __future__ import annotations

import math

import pytest

from analysis.temperature import MATERIALS, STEEL, correction
from analysis.uncertainty import rectangular
from tests.outside.formulas.carrier import growth_apart

MG, AL, IRON = MATERIALS["magnesium"], MATERIALS["cast aluminium"], MATERIALS["grey iron"]


@pytest.mark.parametrize(
    ("name", "per_million"),
    [
        ("steel 1020", 11.7),
        ("steel 1040", 11.3),
        ("steel 4140", 12.3),
        ("steel 4340", 12.3),
        ("grey iron", 11.4),
        ("ductile iron 60-40-18", 11.2),
        ("ductile iron 80-55-06", 10.6),
        ("aluminium 356.0", 21.5),
        ("magnesium az91d", 26.0),
        ("magnesium az31b", 26.0),
    ],
)
def test_handbook_values(name: str, per_million: float) -> None:
    assert MATERIALS[name] == pytest.approx(per_million * 1e-6, rel=1e-12)
    assert name == name.lower()


def test_names_without_a_grade_have_a_handbook_value() -> None:
    assert MATERIALS["steel"] == MATERIALS["steel 1020"]
    assert MATERIALS["ductile iron"] == MATERIALS["ductile iron 60-40-18"]
    assert MATERIALS["cast aluminium"] == MATERIALS["cast aluminum"] == MATERIALS["aluminium 356.0"]
    assert MATERIALS["magnesium"] == MATERIALS["magnesium az91d"]
    assert MATERIALS["grey iron"] == MATERIALS["gray iron"]
    assert pytest.approx(11.5e-6) == STEEL


@pytest.mark.parametrize(
    ("expansion", "exact", "linear"),
    [(MG, 62.990867, -9.135e-3), (AL, 62.993701, -6.300e-3), (IRON, 63.000063, +0.063e-3)],
)
def test_63_mm_at_30_degrees(expansion: float, exact: float, linear: float) -> None:
    """All housing: the exact ratio R (1 + as dT) / (1 + ah dT); ours is its first order, 2 nm off."""
    assert 63.0 * (1 + STEEL * 10) / (1 + expansion * 10) == pytest.approx(exact, abs=1e-6)
    c = correction(63.0, 63.0, expansion, 10.0, 10.0)
    assert c.mm == pytest.approx(linear, abs=1e-6)
    assert 63.0 + c.mm == pytest.approx(exact, abs=3e-6)


@pytest.mark.parametrize(("expansion", "u"), [(MG, 1.08e-3), (AL, 0.97e-3)])
def test_uncertainty_with_gradient(expansion: float, u: float) -> None:
    """63 mm, +10 K: coefficients +-2 and +-1 in a million, temperature +-1 K, gradient +-0.5 K, all rectangular."""
    assert correction(63.0, 63.0, expansion, 10.0, 10.0).u_mm == pytest.approx(u, abs=5e-6)


@pytest.mark.parametrize(("expansion", "mm"), [(MG, -15.95e-3), (AL, -11.00e-3), (IRON, +0.11e-3)])
def test_length_of_casting_counts_not_the_distance(expansion: float, mm: float) -> None:
    """H = 110 mm of casting, 47 mm of steel in it, D = 63 mm: the steel cancels against the arbor."""
    assert correction(110.0, 63.0, expansion, 10.0, 10.0).mm == pytest.approx(mm, abs=1e-6)


def test_exact_chain_of_housing_steel_and_arbor() -> None:
    """Warm lengths written out one by one (derived here); arbor at its own temperature."""
    h20, d20, th, ta = 110.0, 63.0, 10.0, 7.0
    warm = h20 * (1 + MG * th) - (h20 - d20) * (1 + STEEL * th)
    reads = warm / (1 + STEEL * ta)
    assert reads + correction(h20, reads, MG, th, ta).mm == pytest.approx(d20, abs=8e-6)


def test_worked_budget_lines() -> None:
    """H = 110 mm, +10 K, magnesium: 1.27017, 0.63509 and 0.92087 um from coefficients and temperature (derived here)."""
    assert 110 * 10 * rectangular(2e-6) == pytest.approx(1.27017e-3, rel=1e-5)
    three = (1.27017e-3, 0.63509e-3, 0.92087e-3)
    gradient = 110 * MG * rectangular(0.5)
    second = 110 * math.hypot(rectangular(2e-6), rectangular(1e-6)) * rectangular(1.0)
    c = correction(110.0, 60.0, MG, 10.0, 10.0)
    assert c.mm == pytest.approx(-0.015950, abs=1e-6)
    assert c.u_mm == pytest.approx(math.hypot(*three, gradient, second), rel=1e-4)


def test_arbor_temperature_has_its_own_uncertainty() -> None:
    """A second thermometer: its +-1 K moves the arbor by D as / sqrt 3, and no longer cancels in the housing's."""
    together = correction(63.0, 63.0, MG, 10.0, 10.0)
    apart = correction(63.0, 63.0, MG, 10.0, 10.0, arbor_half_width_k=1.0)
    assert apart.mm == together.mm
    steel, ut = 63 * STEEL, rectangular(1.0)
    swing = 63 * (MG - STEEL)
    more = (steel * ut) ** 2 + ((swing + steel) ** 2 - swing**2) * ut**2
    assert apart.u_mm**2 - together.u_mm**2 == pytest.approx(more, rel=1e-9)
    # Temperatures that differ were read apart; the same figure twice may be one reading.
    assert (
        correction(63.0, 63.0, MG, 10.0, 9.0).u_mm > correction(63.0, 63.0, MG, 10.0, 9.0, arbor_half_width_k=0.0).u_mm
    )
    assert correction(63.0, 63.0, MG, 10.0, 9.0).mm == pytest.approx(together.mm - 63 * STEEL, abs=1e-12)


def test_at_the_reference_temperature_nothing_is_corrected_but_not_nothing_known() -> None:
    c = correction(63.0, 63.0, MG, 0.0, 0.0)
    assert c.mm == 0.0
    assert 0.5e-3 < c.u_mm < 1.08e-3


@pytest.mark.parametrize(("expansion", "mm"), [(MG, 0.157), (AL, 0.108)])
def test_warm_housing_takes_the_pinch_away(expansion: float, mm: float) -> None:
    """Steel carrier 180 mm long, +60 K (derived here)."""
    assert growth_apart(180.0, expansion, STEEL, 60.0) == pytest.approx(mm, abs=5e-4)
