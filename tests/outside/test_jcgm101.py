"""JCGM 101:2008 (Monte Carlo supplement) examples against our combination and a propagation written out from the guide.

The chain here combines standard uncertainties instead of drawing; these checks say how far that stays from the
drawn answers.  Marks: "published" or "value from memory" beside each.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.results import INFINITE_DOF, BudgetLine
from analysis.uncertainty import combine, rectangular
from tests.outside.formulas.propagation import arcsine, curved_trapezoid, propagate, scaled_t

INF = INFINITE_DOF


def line(u: float, dof: float = INF) -> BudgetLine:
    return BudgetLine("input", u, "B", dof, "published example")


def test_four_normal_inputs_922() -> None:
    """9.2.2 (published): u = 2, 95 % +-3.920."""
    c = combine([line(1.0)] * 4)
    assert c.u_mm == pytest.approx(2.0)
    assert c.U_mm == pytest.approx(3.920, abs=5e-4)


def test_four_rectangular_inputs_923() -> None:
    """9.2.3 (published test): +-3.88 drawn, 3.8794 exactly (sum of four rectangular values); ours errs to the safe side by 1 %."""
    half = math.sqrt(3.0)
    c = combine([line(rectangular(half))] * 4)
    assert c.u_mm == pytest.approx(2.0)

    def outside(y: float) -> float:  # P(|sum| > y) of four values on +-half, y in the outermost piece
        return 2 * (4 * half - y) ** 4 / (24 * (2 * half) ** 4)

    exactly = 4 * half - (0.05 * 12 * (2 * half) ** 4) ** 0.25
    assert outside(exactly) == pytest.approx(0.05)
    assert exactly == pytest.approx(3.8794, abs=1e-4)
    assert exactly < c.U_mm < 1.011 * exactly


# 9.5 gauge block (value from memory), nm


def gauge(
    ls: float, d0: float, d1: float, d2: float, dalpha: float, theta0: float, delta: float, alpha: float, dtheta: float
) -> float:
    return ls + d0 + d1 + d2 - ls * (dalpha * (theta0 + delta) + alpha * dtheta)


VALUES = (50_000_623.0, 215.0, 0.0, 0.0, 0.0, -0.1, 0.0, 11.5e-6, 0.0)


US = (
    scaled_t(25.0, 18),
    scaled_t(5.8, 24),
    scaled_t(3.9, 5),
    scaled_t(6.7, 8),
    curved_trapezoid(1e-6, 0.1e-6),
    0.2,
    arcsine(0.5),
    rectangular(2e-6),
    curved_trapezoid(0.050, 0.025),
)


def test_gauge_block_95() -> None:
    p = propagate(gauge, VALUES, US)
    assert p.value == pytest.approx(838.0 + 50_000_000)
    whole = math.hypot(p.u, p.second_order_u)
    assert whole == pytest.approx(35.75, abs=0.15)
    assert round(whole) == 36
    # Plain first order gives 32: the example's point.
    plain = propagate(
        gauge, VALUES, (25.0, 5.8, 3.9, 6.7, rectangular(1e-6), 0.2, arcsine(0.5), US[7], rectangular(0.05))
    )
    assert round(plain.u) == 32


def test_gauge_block_95_drawn() -> None:
    """A draw of our own: standard deviation and the 99 % interval [745, 932] against the combined answer."""
    rng = np.random.default_rng(101)
    n = 400_000

    def trapezoid(a: float, d: float) -> np.ndarray:
        return rng.uniform(-1, 1, n) * rng.uniform(a - d, a + d, n)

    y = gauge(
        50_000_623.0 + 25.0 * rng.standard_t(18, n),
        215.0 + 5.8 * rng.standard_t(24, n),
        3.9 * rng.standard_t(5, n),
        6.7 * rng.standard_t(8, n),
        trapezoid(1e-6, 0.1e-6),
        rng.normal(-0.1, 0.2, n),
        0.5 * np.sin(rng.uniform(0, 2 * np.pi, n)),
        11.5e-6 + rng.uniform(-2e-6, 2e-6, n),
        trapezoid(0.050, 0.025),
    )
    y = np.asarray(y) - 50_000_000
    assert float(y.mean()) == pytest.approx(838.0, abs=0.3)
    assert float(y.std()) == pytest.approx(35.75, abs=0.3)  # printed 36
    p = propagate(gauge, VALUES, US)
    assert math.hypot(p.u, p.second_order_u) == pytest.approx(float(y.std()), abs=0.3)
    low, high = np.quantile(y, [0.005, 0.995])
    assert (low, high) == pytest.approx((744.4, 931.6), abs=1.5)
    # Our interval: t at the effective degrees of freedom, second-order terms as one more line.
    c = combine(
        [line(25.0, 18), line(5.8, 24), line(3.9, 5), line(6.7, 8), line(2.89, 50), line(16.6, 2), line(11.85)],
        level=0.99,
    )
    assert (high - low) / 2 - 1.0 < c.U_mm < (high - low) / 2 + 4.0


def test_logarithm_of_a_wide_input() -> None:
    """y = ln x, x rectangular on [0.1, 1.1] (published test citing a guide to uncertainty software).

    First order -0.511, u 0.481; drawn -0.665, u 0.606, shortest 95 % [-1.895, 0.095].  No budget of first order can be
    right here; the second-order part is what tells.
    """
    p = propagate(math.log, (0.6,), (rectangular(0.5),))
    assert p.value == pytest.approx(-0.511, abs=5e-4)
    assert p.u == pytest.approx(0.481, abs=5e-3)
    mean = 1.1 * math.log(1.1) - 0.1 * math.log(0.1) - 1.0
    square = sum(s * x * (math.log(x) ** 2 - 2 * math.log(x) + 2) for s, x in ((1, 1.1), (-1, 0.1)))
    assert mean == pytest.approx(-0.665, abs=5e-4)
    assert math.sqrt(square - mean**2) == pytest.approx(0.606, abs=5e-4)
    assert math.log(0.15) == pytest.approx(-1.895, abs=5e-3)
    assert math.log(1.1) == pytest.approx(0.095, abs=5e-4)
    assert p.second_order_u > 0.3 * p.u
    assert math.hypot(p.u, p.second_order_u) > 0.606 * 0.9
