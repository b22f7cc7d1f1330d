"""JCGM 100:2008 (GUM) examples H.1 to H.3 through a propagation and a least squares written out from its clauses, and the budgets that run.

H.1 budget and second-order terms, H.2 raw data and results, H.3 data and results: published (library documentation, published tests and
files).  Clause numbers: value from memory.
"""

from __future__ import annotations

import math
from decimal import Decimal

import GTC
import numpy as np
import pytest

from analysis.depth import measured_depth
from analysis.precision import mean_and_sd
from analysis.repeatability import Bottoms, summarise
from analysis.results import INFINITE_DOF, BudgetLine, SetStatistics
from analysis.setup import parse_setup
from analysis.still.drift import trend_of
from analysis.temperature import MATERIALS, STEEL, correction
from analysis.uncertainty import combine, rectangular
from tests.outside.formulas.least_squares import polynomial
from tests.outside.formulas.propagation import arcsine, propagate, triangular

# H.1 end gauge, nm and degrees Celsius

INPUTS = (50_000_623.0, 215.0, 0.0, -0.1, 11.5e-6, 0.0)
US = (
    75 / 3,
    math.sqrt(5.8**2 + 3.9**2 + 6.7**2),
    rectangular(1e-6),
    math.hypot(0.2, arcsine(0.5)),
    rectangular(2e-6),
    rectangular(0.05),
)


def end_gauge(ls: float, d: float, dalpha: float, theta: float, alpha: float, dtheta: float) -> float:
    return ls + d - ls * (dalpha * theta + alpha * dtheta)


def test_end_gauge_h1() -> None:
    p = propagate(end_gauge, INPUTS, US)
    assert p.value == 50_000_838
    assert p.u == pytest.approx(31.664, abs=0.01)
    parts = [abs(c) * u for c, u in zip(p.sensitivities, US, strict=True)]
    assert parts == pytest.approx([25.0, 9.682, 2.887, 0.0, 0.0, 16.599], abs=2e-3)
    # The budget that runs comes to the same.
    lines = [BudgetLine(str(i), x, "B", INFINITE_DOF, "published example") for i, x in enumerate(parts)]
    assert combine(lines).u_mm == pytest.approx(p.u, rel=1e-12)
    assert triangular(math.sqrt(6.0)) == pytest.approx(1.0)


def test_second_order_of_the_end_gauge_h17() -> None:
    """Published: 33.81, "34 nm"; the reference library's product to second order says 33.807 with 21.59 degrees of freedom."""
    p = propagate(end_gauge, INPUTS, US)
    assert p.second_order_u == pytest.approx(math.hypot(11.73, 1.67), abs=0.01)
    assert math.hypot(p.u, p.second_order_u) == pytest.approx(33.81, abs=0.01)
    ls, d = GTC.ureal(INPUTS[0], US[0], 18), GTC.ureal(INPUTS[1], US[1], 25.6)
    theta, alpha = GTC.ureal(INPUTS[3], US[3]), GTC.ureal(INPUTS[4], US[4])
    both = GTC.fn.mul2(GTC.ureal(0, US[2], 50), theta) + GTC.fn.mul2(alpha, GTC.ureal(0, US[5], 2))
    length = ls + d - ls * both
    assert GTC.uncertainty(length) == pytest.approx(33.807, abs=1e-3)
    assert GTC.dof(length) == pytest.approx(21.59, abs=0.02)
    assert math.hypot(p.u, p.second_order_u) == pytest.approx(GTC.uncertainty(length), abs=5e-3)


# H.2 correlated inputs

V = [Decimal(v) for v in ["5.007", "4.994", "5.005", "4.990", "4.999"]]
I_A = [Decimal(v) / 1000 for v in ["19.663", "19.639", "19.640", "19.685", "19.678"]]
PHI = [Decimal(v) for v in ["1.0456", "1.0438", "1.0468", "1.0428", "1.0433"]]


def test_results_that_share_correlated_inputs_h2() -> None:
    data = np.array([[float(x) for x in row] for row in (V, I_A, PHI)])
    r = np.corrcoef(data)
    assert (r[0, 1], r[0, 2], r[1, 2]) == pytest.approx((-0.3553, 0.8576, -0.6451), abs=1e-4)
    means = [mean_and_sd(x)[0] for x in (V, I_A, PHI)]
    us = [mean_and_sd(x)[1] / math.sqrt(5) for x in (V, I_A, PHI)]
    functions = {
        "R": lambda v, i, f: v / i * math.cos(f),
        "X": lambda v, i, f: v / i * math.sin(f),
        "Z": lambda v, i, f: v / i,
    }
    published = {"R": (127.7322, 0.07107), "X": (219.8465, 0.29558), "Z": (254.2597, 0.23634)}
    results = {name: propagate(f, means, us, r.tolist()) for name, f in functions.items()}
    for name, p in results.items():
        assert p.value == pytest.approx(published[name][0], rel=1e-6)
        assert p.u == pytest.approx(published[name][1], rel=1e-3)
    # Without the correlations R is wrong by more than a factor of two: the test can fail.
    assert propagate(functions["R"], means, us).u > 2 * published["R"][1]

    def between(a: str, b: str) -> float:
        ca, cb = (np.array(results[n].sensitivities) * us for n in (a, b))
        return float(ca @ r @ cb) / (results[a].u * results[b].u)

    assert between("R", "X") == pytest.approx(-0.588, abs=1e-3)
    assert between("R", "Z") == pytest.approx(-0.485, abs=1e-3)
    assert between("X", "Z") == pytest.approx(0.993, abs=1e-3)


# H.3 a thermometer's calibration line

T = [
    Decimal(v)
    for v in [
        "21.521",
        "22.012",
        "22.512",
        "23.003",
        "23.507",
        "23.999",
        "24.513",
        "25.002",
        "25.503",
        "26.010",
        "26.511",
    ]
]
B = [
    Decimal(v)
    for v in ["-.171", "-.169", "-.166", "-.159", "-.164", "-.165", "-.156", "-.157", "-.159", "-.161", "-.160"]
]


def test_calibration_line_h3() -> None:
    fit = polynomial([x - 20 for x in T], B, 1)
    assert fit.coefficients == pytest.approx((-0.17120, 0.002183), abs=1e-5)
    assert fit.coefficients[1] == pytest.approx(0.002183, abs=1e-6)
    assert fit.u[0] == pytest.approx(0.00288, abs=1e-5)
    assert fit.u[1] == pytest.approx(0.000668, abs=1e-6)
    assert fit.correlation(0, 1) == pytest.approx(-0.9304, abs=1e-4)
    assert fit.sd == pytest.approx(0.003498, abs=1e-6)
    assert fit.dof == 9
    assert fit.coefficients[0] + 10 * fit.coefficients[1] == pytest.approx(-0.14938, abs=1e-5)
    assert fit.u_of([1, 10]) == pytest.approx(0.00414, abs=1e-5)
    # The same through the coefficients and their correlation.
    r = [[1.0, fit.correlation(0, 1)], [fit.correlation(0, 1), 1.0]]
    p = propagate(lambda y1, y2: y1 + 10 * y2, fit.coefficients, fit.u, r)
    assert p.u == pytest.approx(fit.u_of([1, 10]), rel=1e-6)


def test_drifts_that_run_come_to_that_line() -> None:
    """The slope of a set, and the trend of a still surface where the line is plain to see: the data twice over and the scatter a tenth."""
    fit = polynomial([x - 20 for x in T], B, 1)
    x, y = np.array([float(v) for v in T]), np.array([float(v) for v in B])
    n = x.size
    s = summarise(Bottoms(y, np.full(n, 1e-3), x, np.ones(n, np.int64), ("out",) * n, 1e-4), 0)
    assert s.drift_mm_per_min == pytest.approx(60 * fit.coefficients[1], rel=1e-10)
    line = fit.coefficients[0] + fit.coefficients[1] * (x - 20)
    calm = line + 0.1 * (y - line)
    fitted, power = trend_of(x, calm)
    assert power == 1
    assert fitted == pytest.approx(line, abs=1e-12)


# The budgets that run, against the model itself


def test_budget_of_a_distance_is_its_model_propagated() -> None:
    """Master, mean on the face, blade, indicator and step (derived here): the program's budget and the propagated model agree."""
    setup = parse_setup(
        {
            "indicator": {"mpe": Decimal("0.003"), "resolution": Decimal("0.001")},
            "arbor": {
                "master": {"distance": 60, "reading": Decimal("0.0004"), "u": Decimal("0.001")},
                "reading_sense": "shrinks",
                "bridge": {"thickness": Decimal("0.5"), "u": Decimal("0.0005"), "on": "pinion"},
            },
        }
    )
    lines = (BudgetLine("sweeps", 0.00036645, "A", 7.0, "eight sweeps"),)
    d = measured_depth(setup, SetStatistics(8, 0, 1, -0.1123, 0.001, None, 0.003, 0.00036645, 7.0, None, None, lines))
    p = propagate(
        lambda master, low, zero, blade, indicator: master - (low - zero) + blade + indicator,
        (60.0, -0.1123, 0.0004, 0.5, 0.0),
        (0.001, 0.00036645, 0.001 / math.sqrt(12), 0.0005, rectangular(0.003)),
    )
    assert d.distance_mm == pytest.approx(p.value, abs=1e-12)
    assert d.combined.u_mm == pytest.approx(p.u, rel=1e-9)


@pytest.mark.parametrize(("arbor_k", "own"), [(10.0, 0.0), (7.0, 1.0)])
@pytest.mark.parametrize("housing_k", [10.0, 0.0])
def test_temperature_budget_is_its_model_propagated(housing_k: float, arbor_k: float, own: float) -> None:
    """Lengths at 20 degrees from what is read at temperature, written out exactly (derived here), to first and second order."""
    h, d, magnesium = 110.0, 63.0, MATERIALS["magnesium"]
    arbor_k += housing_k - 10.0

    def correct(ah: float, steel: float, housing: float, gradient: float, apart: float) -> float:
        # What is read is on the arbor's scale; the steel inside the casting is as warm as the casting.  One thermometer reading for
        # both errs for both alike, two err each for itself.
        arbor = arbor_k + apart if own else housing + (arbor_k - housing_k)
        read = d * (1 + steel * arbor)
        casting = h * ah * (housing + gradient)
        inside = (h - d) * steel * housing
        return read - casting + inside - d

    c = correction(h, d, magnesium, housing_k, arbor_k, arbor_half_width_k=own)
    us = (rectangular(2e-6), rectangular(1e-6), rectangular(1.0), rectangular(0.5), rectangular(own))
    p = propagate(correct, (magnesium, STEEL, housing_k, 0.0, 0.0), us)
    assert c.mm == pytest.approx(p.value, abs=1e-9)
    assert c.u_mm == pytest.approx(math.hypot(p.u, p.second_order_u), rel=2e-3)
