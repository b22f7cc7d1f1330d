"""Statistical Reference Datasets (NIST), regression, exact: the least squares that floating-point fits are held against.

Pontius, Norris and Longley: published data and certified values.  Wampler: coefficients follow from the construction;
standard errors value from memory, recomputed with 50 digits.
"""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
import scipy.stats
import statsmodels.api
import statsmodels.datasets

from tests.outside.formulas.least_squares import least_squares, polynomial

DATA = Path(__file__).parent / "data"

E = [
    759, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 1838, -2048, 2048,
    -2048, 1838, -2048, 2048, -2048, 2523, -2048, 2048, -2048, 759,
]  # fmt: skip
X = list(range(21))
SE3 = (2152.3262467817, 2363.55173469681, 779.343524331583, 101.47550755035, 5.64566512170752, 0.112324854679312)


def test_wampler_1_and_2() -> None:
    one = polynomial(X, [sum(x**k for k in range(6)) for x in X], 5)
    assert one.coefficients == (1.0,) * 6
    assert one.sd == 0.0
    two = polynomial(X, [sum(Fraction(x, 10) ** k for k in range(6)) for x in X], 5)
    assert two.coefficients == (1.0, 0.1, 0.01, 0.001, 1e-4, 1e-5)


@pytest.mark.parametrize("factor", [1, 100, 10000])
def test_wampler_3_to_5(factor: int) -> None:
    fit = polynomial(X, [sum(x**k for k in range(6)) + factor * e for x, e in zip(X, E, strict=True)], 5)
    assert fit.coefficients == (1.0,) * 6
    assert fit.sd == pytest.approx(2360.14502379268 * factor, rel=1e-14)
    assert fit.u == pytest.approx([s * factor for s in SE3], rel=1e-12)
    assert fit.dof == 15


@pytest.mark.parametrize(
    ("factor", "scale", "error"), [(0, 1, 1e-8), (0, 10, 1e-12), (1, 1, 1e-8), (100, 1, 1e-7), (10000, 1, 1e-5)]
)
def test_floating_point_on_wampler(factor: int, scale: int, error: float) -> None:
    """What a general numerical library's polynomial keeps of it in doubles."""
    x = np.array(X, dtype=float)
    y = np.array(
        [float(sum(Fraction(v, scale) ** k for k in range(6)) + factor * e) for v, e in zip(X, E, strict=True)]
    )
    exactly = np.array([1 / scale**k for k in range(6)])
    assert np.abs(np.polyfit(x, y, 5)[::-1] - exactly).max() < error


PONTIUS = """
.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146
1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
.11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150
1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829
"""


def test_pontius_quadratic() -> None:
    """The nearest of these sets to the bottom of a sweep."""
    x = [150000 * i for i in range(1, 21)] * 2
    fit = polynomial(x, [Decimal(v) for v in PONTIUS.split()], 2)
    assert fit.coefficients == pytest.approx(
        (0.673565789473684e-03, 0.732059160401003e-06, -0.316081871345029e-14), rel=2e-15, abs=0
    )
    assert fit.u == pytest.approx(
        (0.107938612033077e-03, 0.157817399981659e-09, 0.486652849992036e-16), rel=4e-15, abs=0
    )
    assert fit.sd == pytest.approx(0.205177424076185e-03, rel=3e-15)


def norris() -> tuple[list[Decimal], list[Decimal]]:
    rows = [r.split() for r in (DATA / "norris.txt").read_text().splitlines()]
    return [Decimal(x) for _, x in rows], [Decimal(y) for y, _ in rows]


def test_norris_line() -> None:
    x, y = norris()
    fit = polynomial(x, y, 1)
    assert fit.coefficients == pytest.approx((-0.262323073774029, 1.00211681802045), rel=5e-15)
    assert fit.u == pytest.approx((0.232818234301152, 0.429796848199937e-03), rel=5e-15)
    assert fit.sd == pytest.approx(0.884796396144373, rel=5e-15)


LONGLEY = (
    -3482258.63459582, 15.0618722713733, -0.0358191792925910, -2.02022980381683,
    -1.03322686717359, -0.0511041056535807, 1829.15146461355,
)  # fmt: skip


def test_longley_seven_columns() -> None:
    data = statsmodels.datasets.longley.load_pandas().data
    names = ["GNPDEFL", "GNP", "UNEMP", "ARMED", "POP", "YEAR"]
    columns = [[1] * len(data), *[[Decimal(repr(float(v))) for v in data[n]] for n in names]]
    fit = least_squares(columns, [int(v) for v in data["TOTEMP"]])
    assert fit.coefficients == pytest.approx(LONGLEY, rel=1e-14)
    assert fit.sd == pytest.approx(304.854073561965, rel=1e-14)


def test_what_cannot_be_fitted_is_refused() -> None:
    with pytest.raises(ValueError, match="more values than columns"):
        polynomial([1, 2, 3], [1, 2, 3], 2)
    with pytest.raises(ValueError, match="column 1 depends"):
        polynomial([5, 5, 5, 5], [1, 2, 3, 4], 1)


def digits(found: float, certified: float) -> float:
    return -math.log10(max(abs(found - certified), 1e-300) / abs(certified))


def test_floating_point_on_pontius_norris_and_longley() -> None:
    """Agreeing digits of a general library in doubles: more than 11, 12, and 8 or more."""
    x = np.array([150000.0 * i for i in range(1, 21)] * 2)
    curve = np.polyfit(x, np.array([float(v) for v in PONTIUS.split()]), 2)[::-1]
    exact = polynomial([150000 * i for i in range(1, 21)] * 2, [Decimal(v) for v in PONTIUS.split()], 2)
    assert min(digits(float(a), b) for a, b in zip(curve, exact.coefficients, strict=True)) > 11
    xs, ys = norris()
    line = scipy.stats.linregress([float(v) for v in xs], [float(v) for v in ys])
    assert digits(float(line.slope), 1.00211681802045) > 12
    assert digits(float(line.intercept), -0.262323073774029) > 12
    data = statsmodels.datasets.longley.load_pandas()
    design = np.column_stack([np.ones(len(data.endog)), data.exog.to_numpy()])
    found = statsmodels.api.OLS(data.endog.to_numpy(), design).fit().params
    assert min(digits(float(a), b) for a, b in zip(found, LONGLEY, strict=True)) >= 8
