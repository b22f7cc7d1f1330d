"""One distance through the whole chain, with its budget: sweeps, master, blade, offset plunger, warm housing.

Derived here; the combined uncertainty and its degrees of freedom agree with a general-purpose uncertainty library (3.59802 um,
5946.87), the interval with a Monte Carlo propagation (half-width 7.117 to 7.123 um over four runs of four million).
Scaled t in the Monte Carlo run: JCGM 101, 6.4.9, value from memory.
"""

from __future__ import annotations

import math
from decimal import Decimal

import GTC as gtc
import numpy as np
import pytest

from analysis.depth import measured_depth
from analysis.distributions import t_quantile
from analysis.results import INFINITE_DOF, BudgetLine, SetStatistics
from analysis.setup import parse_setup
from analysis.temperature import MATERIALS, STEEL
from analysis.uncertainty import Combined, combine, rectangular, resolution

SWEEPS = [0.1132, 0.1118, 0.1125, 0.1141, 0.1109, 0.1127, 0.1136, 0.1120]
MASTER = [0.0004, -0.0006, 0.0002]
H, WARM = 110.0, 10.0
MAGNESIUM = MATERIALS["magnesium"]
OFFSET_WIDTH = 0.3**2 / (2 * 58.5)
UM = 1e3


def mean_u(values: list[float]) -> tuple[float, float, float]:
    """Mean, its standard uncertainty, degrees of freedom."""
    a = np.array(values)
    return float(a.mean()), float(a.std(ddof=1) / math.sqrt(a.size)), float(a.size - 1)


def budget() -> list[BudgetLine]:
    """The lines of the worked example, mm."""
    _, um, dm = mean_u(SWEEPS)
    _, uz, dz = mean_u(MASTER)
    b = [
        ("master", 0.002 / 2, 50.0),
        ("mean of sweeps", um, dm),
        ("mean on the master", uz, dz),
        ("indicator", rectangular(0.003), INFINITE_DOF),
        ("step, face", resolution(0.001), INFINITE_DOF),
        ("step, master", resolution(0.001), INFINITE_DOF),
        ("arbor in its bores", rectangular(0.004), INFINITE_DOF),
        ("blade", 0.001 / 2, 50.0),
        ("face tilt", rectangular(2.0) * rectangular(math.radians(0.02)), INFINITE_DOF),
        ("plunger past the axis", rectangular(OFFSET_WIDTH / 2), INFINITE_DOF),
        ("expansion of the housing", H * WARM * rectangular(2e-6), INFINITE_DOF),
        ("expansion of steel", H * WARM * rectangular(1e-6), INFINITE_DOF),
        ("temperature", H * (MAGNESIUM - STEEL) * rectangular(1.0), INFINITE_DOF),
    ]
    return [BudgetLine(name, u, "A" if math.isfinite(dof) and dof < 50 else "B", dof, "") for name, u, dof in b]


PRINTED_UM = [
    1.0,
    0.36645,
    0.30551,
    1.73205,
    0.28868,
    0.28868,
    2.30940,
    0.5,
    0.23271,
    0.22206,
    1.27017,
    0.63509,
    0.92087,
]


def test_each_line() -> None:
    assert [x.u_mm * UM for x in budget()] == pytest.approx(PRINTED_UM, abs=1e-5 * 1.01)
    assert pytest.approx(0.7692, abs=1e-4) == OFFSET_WIDTH * UM


def distance() -> float:
    """Through set-up and depth: before what the plunger's offset adds."""
    setup = parse_setup(
        {
            "arbor": {
                "master": {
                    "distance": 60,
                    "reading": Decimal(str(round(mean_u(MASTER)[0], 12))),
                    "u": Decimal("0.001"),
                },
                "reading_sense": "grows",
                "bridge": {"thickness": Decimal("0.5"), "u": Decimal("0.0005"), "on": "pinion"},
            },
            "housing": {"material": "magnesium", "temperature": 30, "bore_to_seat": 110},
        }
    )
    m, u, dof = mean_u(SWEEPS)
    stats = SetStatistics(8, 0, 1, m, 0.00103648, None, None, u, dof, None, None)
    return measured_depth(setup, stats).distance_mm


def test_distance() -> None:
    m, z = mean_u(SWEEPS)[0], mean_u(MASTER)[0]
    assert 60 + m - z + 0.5 == pytest.approx(60.612600, abs=1e-6)
    thermal = -H * (MAGNESIUM - STEEL) * WARM
    assert thermal == pytest.approx(-0.015950, abs=1e-6)
    assert distance() == pytest.approx(60.612600 + thermal, abs=1e-6)
    assert distance() + OFFSET_WIDTH / 2 == pytest.approx(60.597035, abs=1e-6)


@pytest.fixture(scope="module")
def combined() -> Combined:
    return combine(budget())


def test_combined(combined: Combined) -> None:
    assert combined.u_mm * UM == pytest.approx(3.5980, abs=1e-3)
    assert combined.dof == pytest.approx(5947, abs=3)
    assert 2 * combined.u_mm * UM == pytest.approx(7.196, abs=2e-3)
    assert combined.U_mm * UM == pytest.approx(7.053, abs=2e-3)
    assert t_quantile(0.975, 5946) * combined.u_mm * UM == pytest.approx(7.053, abs=2e-3)
    assert combined.lines[0].name == "arbor in its bores"


def test_against_a_general_purpose_library(combined: Combined) -> None:
    total = sum(
        (gtc.ureal(0.0, x.u_mm * UM, x.dof if math.isfinite(x.dof) else gtc.inf) for x in budget()), gtc.ureal(0, 0)
    )
    assert gtc.uncertainty(total) == pytest.approx(3.59802, abs=1e-5)
    assert gtc.dof(total) == pytest.approx(5946.87, abs=0.01)
    assert combined.u_mm * UM == pytest.approx(gtc.uncertainty(total), rel=1e-9)
    assert combined.dof == pytest.approx(gtc.dof(total), rel=1e-6)


def test_monte_carlo(combined: Combined) -> None:
    """A million runs of the model itself, fixed seed.  Quantiles only: with three master readings the scaled t has no variance."""
    r = np.random.default_rng(20260302)
    n = 1_000_000
    m, um, dm = mean_u(SWEEPS)
    z, uz, dz = mean_u(MASTER)
    k50 = 50

    def rect(middle: float, half: float) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
        return r.uniform(middle - half, middle + half, n)

    d = 60 + 0.001 * r.standard_t(k50, n)
    d += m + um * r.standard_t(dm, n) - (z + uz * r.standard_t(dz, n))
    d += 0.5 + 0.0005 * r.standard_t(k50, n)
    d += rect(0, 0.003) + rect(0, 0.0005) + rect(0, 0.0005) + rect(0, 0.004)
    d += rect(0, 2.0) * rect(0, math.radians(0.02))
    d += rect(OFFSET_WIDTH / 2, OFFSET_WIDTH / 2)
    d -= H * (rect(MAGNESIUM, 2e-6) - rect(STEEL, 1e-6)) * rect(WARM, 1.0)
    low, high = np.quantile(d, [0.025, 0.975])
    assert (high - low) / 2 * UM == pytest.approx(7.120, abs=0.03)
    assert float(np.median(d)) == pytest.approx(60.597035, abs=2e-5)
    # The analytic interval is that of the propagation, to a tenth of a micrometre.
    assert combined.U_mm * UM == pytest.approx((high - low) / 2 * UM, abs=0.1)


@pytest.mark.parametrize(("n", "factor"), [(4, 1.7321), (5, 1.4142), (6, 1.2910), (8, 1.1832), (10, 1.1339)])
def test_scaled_t_of_few_readings(n: int, factor: float) -> None:
    """JCGM 101, 6.4.9, value from memory: standard deviation sqrt((n - 1) / (n - 3)); and our t quantiles by their mean distance."""
    nu = n - 1
    assert math.sqrt(nu / (nu - 2)) == pytest.approx(factor, abs=5e-5)
    # E|T| from our quantiles against its closed form: the whole distribution, not only the tail, is right.
    p = (np.arange(4000) + 0.5) / 4000 / 2 + 0.5
    mean_abs = float(np.mean([t_quantile(float(x), nu) for x in p]))
    exact = (
        2 * math.sqrt(nu) / ((nu - 1) * math.exp(math.lgamma(0.5) + math.lgamma(nu / 2) - math.lgamma((nu + 1) / 2)))
    )
    assert mean_abs == pytest.approx(exact, rel=2e-3)
