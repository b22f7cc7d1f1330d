"""Tests for play against published tables and worked examples, and the scatter test of a set.

Tables of chi-square and F: standard tables, recomputed.  e-handbook 1.3.5.8 and 1.3.5.9: value from memory.  Worked example: derived here.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.distributions import chi2_quantile, chi2_sf, f_quantile, f_sf
from analysis.play import assess
from analysis.repeatability import Bottoms

# Chi-square: scatter against what is known of it


@pytest.mark.parametrize(
    ("p", "dof", "value"),
    [
        (0.95, 2, 5.991), (0.95, 4, 9.488), (0.95, 7, 14.067), (0.95, 9, 16.919), (0.95, 14, 23.685),
        (0.95, 19, 30.144), (0.95, 29, 42.557), (0.99, 4, 13.277), (0.99, 9, 21.666), (0.99, 19, 36.191),
    ],
)  # fmt: skip
def test_chi_square_table(p: float, dof: int, value: float) -> None:
    assert chi2_quantile(p, dof) == pytest.approx(value, abs=5e-4)


def test_chi_square_handbook_1358() -> None:
    statistic = 99 * (0.006278908 / 0.1) ** 2
    assert statistic == pytest.approx(0.390304, abs=1e-4)
    assert (chi2_quantile(0.025, 99), chi2_quantile(0.975, 99)) == pytest.approx((73.361, 128.422), abs=5e-4)
    assert chi2_sf(statistic, 99) == pytest.approx(1.0)


BASE = np.array([-1.2, -0.7, -0.4, -0.1, 0.0, 0.2, 0.3, 0.6, 0.9, 1.3])
ORDER = [5, 1, 9, 3, 7, 0, 4, 8, 2, 6]
"""An order in which the values above neither rise nor fall, and do not go with the heading."""


def spread_out(sd_mm: float, known_mm: float) -> Bottoms:
    """Ten minima on one seating of that scatter, each known to `known_mm`; no two levels, no drift, no heading."""
    x = BASE[ORDER]
    step = 1e-9
    u = np.full(10, math.sqrt(known_mm**2 - 0.0004**2) / 1.15)
    heading = ("out", "back") * 5
    return Bottoms(
        60 + sd_mm * (x - x.mean()) / x.std(ddof=1), u, np.arange(10.0) * 3.0, np.ones(10, np.int64), heading, step
    )


def test_scatter_of_a_set_is_the_chi_square_test() -> None:
    """s = 6 um against 3 um, n = 10: T = 36, p = 3.9647e-5 (recomputed with the statistics library); three tests are made."""
    assert chi2_sf(36.0, 9) == pytest.approx(3.9647e-5, rel=1e-4)
    found = assess(spread_out(0.006, 0.003))
    assert found.p_value == pytest.approx(3 * 3.9647e-5, rel=1e-3)
    assert found.finding == "present"
    assert assess(spread_out(0.003, 0.003)).finding == "none"


# F: two variances


@pytest.mark.parametrize(
    ("dofs", "one", "two"),
    [((4, 4), 6.388, 9.605), ((9, 9), 3.179, 4.026), ((9, 19), 2.423, 2.880), ((19, 19), 2.168, 2.526)],
)
def test_f_table(dofs: tuple[int, int], one: float, two: float) -> None:
    assert f_quantile(0.95, *dofs) == pytest.approx(one, abs=5e-4)
    assert f_quantile(0.975, *dofs) == pytest.approx(two, abs=5e-4)


def test_f_handbook_1359() -> None:
    f = (65.54909 / 61.85425) ** 2
    assert f == pytest.approx(1.123037, abs=1e-6)
    low, high = f_quantile(0.025, 239, 239), f_quantile(0.975, 239, 239)
    assert (low, high) == pytest.approx((0.7756, 1.2894), abs=1e-4)
    assert low < f < high
    assert f_sf(f, 239, 239) > 0.025
