"""Tests for play against published tables, worked examples and reference libraries.

Tables of chi-square and F: standard tables, recomputed.  e-handbook 1.3.5.8 and 1.3.5.9: value from memory.  Worked examples,
powers and false alarms: derived here.  A dip test is left out of the project on purpose, and so are its rows.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats as st
from sklearn.mixture import GaussianMixture

from analysis.distributions import chi2_quantile, f_quantile
from analysis.playtests import (
    CLEAR_GAIN,
    paired_test,
    ratio_limits,
    ratio_test,
    scatter_limit,
    scatter_power,
    scatter_test,
    two_levels,
)

# Chi-square: scatter against the indicator's own


@pytest.mark.parametrize(
    ("p", "dof", "value"),
    [
        (0.95, 2, 5.991), (0.95, 4, 9.488), (0.95, 7, 14.067), (0.95, 9, 16.919), (0.95, 14, 23.685),
        (0.95, 19, 30.144), (0.95, 29, 42.557), (0.99, 4, 13.277), (0.99, 9, 21.666), (0.99, 19, 36.191),
    ],
)  # fmt: skip
def test_chi_square_table(p: float, dof: int, value: float) -> None:
    assert chi2_quantile(p, dof) == pytest.approx(value, abs=5e-4)


@pytest.mark.parametrize(("n", "limit"), [(3, 1.731), (5, 1.540), (8, 1.418), (10, 1.371), (20, 1.260)])
def test_scatter_limit(n: int, limit: float) -> None:
    assert scatter_limit(n) == pytest.approx(limit, abs=5e-4)
    assert scatter_test(limit + 0.001, 1.0, n).p < 0.05 < scatter_test(limit - 0.001, 1.0, n).p


def test_scatter_example() -> None:
    """s = 6 against 3, n = 10: T = 36, p = 3.9647e-5, 95 % interval 4.127 to 10.954."""
    r = scatter_test(6.0, 3.0, 10)
    assert r.statistic == pytest.approx(36.0, abs=1e-4)
    assert r.p == pytest.approx(3.9647e-5, rel=1e-4)
    assert (r.low, r.high) == pytest.approx((4.127, 10.954), abs=5e-4)
    assert r.dof == 9


def test_scatter_handbook_1358() -> None:
    r = scatter_test(0.006278908, 0.1, 100)
    assert r.statistic == pytest.approx(0.390304, abs=1e-4)
    assert (chi2_quantile(0.025, 99), chi2_quantile(0.975, 99)) == pytest.approx((73.361, 128.422), abs=5e-4)
    assert r.statistic < chi2_quantile(0.025, 99)
    assert r.p == pytest.approx(1.0)


@pytest.mark.parametrize(("n", "power"), [(5, 0.668), (8, 0.833), (10, 0.896), (15, 0.968)])
def test_scatter_power(n: int, power: float) -> None:
    assert scatter_power(2.0, n) == pytest.approx(power, abs=5e-4)
    assert scatter_power(1.0, n) == pytest.approx(0.05, abs=1e-9)


def test_scatter_power_drawn() -> None:
    rng = np.random.default_rng(10)
    sd = rng.normal(0, 2, (20_000, 10)).std(axis=1, ddof=1)
    assert float((sd > scatter_limit(10)).mean()) == pytest.approx(0.896, abs=0.008)


# F: two sets


@pytest.mark.parametrize(
    ("dofs", "one", "two"),
    [((4, 4), 6.388, 9.605), ((9, 9), 3.179, 4.026), ((9, 19), 2.423, 2.880), ((19, 19), 2.168, 2.526)],
)
def test_f_table(dofs: tuple[int, int], one: float, two: float) -> None:
    assert f_quantile(0.95, *dofs) == pytest.approx(one, abs=5e-4)
    assert f_quantile(0.975, *dofs) == pytest.approx(two, abs=5e-4)


def test_ratio_example_flips_between_one_and_two_sides() -> None:
    r = ratio_test(5.2, 10, 2.6, 10)
    assert r.f == pytest.approx(4.0)
    assert r.p_more == pytest.approx(0.025502, abs=1e-6)
    assert r.p_differ == pytest.approx(0.051003, abs=1e-6)
    assert r.p_more < 0.05 < r.p_differ
    turned = ratio_test(2.6, 10, 5.2, 10)
    assert turned.p_differ == pytest.approx(r.p_differ, rel=1e-12)
    assert turned.p_more == pytest.approx(1 - r.p_more, rel=1e-12)


def test_ratio_handbook_1359() -> None:
    r = ratio_test(65.54909, 240, 61.85425, 240)
    assert r.f == pytest.approx(1.123037, abs=1e-6)
    low, high = ratio_limits(240, 240)
    assert (low, high) == pytest.approx((0.7756, 1.2894), abs=1e-4)
    assert low < r.f < high
    assert r.p_differ > 0.05


# Forward and return

FORWARD = [60.012, 60.014, 60.011, 60.013, 60.015, 60.012, 60.014, 60.013]
RETURN = [60.016, 60.017, 60.016, 60.016, 60.019, 60.017, 60.017, 60.018]


def test_paired_example() -> None:
    r = paired_test([x * 1000 for x in FORWARD], [x * 1000 for x in RETURN])
    assert r.mean == pytest.approx(4.000, abs=1e-4)
    assert r.sd == pytest.approx(0.92582, abs=1e-4)
    assert r.t == pytest.approx(12.2202, abs=1e-4)
    assert r.dof == 7
    assert r.p == pytest.approx(5.627e-6, rel=1e-3)
    assert (r.low, r.high) == pytest.approx((3.226, 4.774), abs=5e-4)
    assert (r.high - r.mean) / (r.sd / math.sqrt(8)) == pytest.approx(2.3646, abs=1e-4)
    own = st.ttest_rel(RETURN, FORWARD)
    assert r.t == pytest.approx(float(own.statistic), rel=1e-6)
    assert r.p == pytest.approx(float(own.pvalue), rel=1e-6)


def test_pairing_matters() -> None:
    """Taken as two separate sets the same readings give t = 6.693 only."""
    separate = st.ttest_ind(RETURN, FORWARD)
    assert float(separate.statistic) == pytest.approx(6.693, abs=1e-3)
    assert paired_test(FORWARD, RETURN).t > 1.8 * float(separate.statistic)


def test_pairs_at_the_edges() -> None:
    same = paired_test([1.0, 2.0, 3.0], [1.0, 2.0, 3.0])
    assert (same.mean, same.t, same.p) == (0.0, 0.0, 1.0)
    shifted = paired_test([1.0, 2.0, 3.0], [1.5, 2.5, 3.5])
    assert (shifted.low, shifted.high, shifted.p) == (0.5, 0.5, 0.0)
    with pytest.raises(ValueError, match="2 forward and 3 back"):
        paired_test([1.0, 2.0], [1.0, 2.0, 3.0])


# Two levels

BASE = [-1.2, -0.7, -0.4, -0.1, 0.0, 0.2, 0.3, 0.6, 0.9, 1.3]
BIMODAL = BASE + [v + 8 for v in BASE]
UNIMODAL = BASE + [1.1 * v + 0.05 for v in BASE]


@pytest.mark.parametrize(
    ("values", "one", "free", "tied"), [(BIMODAL, 118.8173, 85.6351, 82.6394), (UNIMODAL, 50.9504, 54.1576, 56.6529)]
)
def test_information_criteria(values: list[float], one: float, free: float, tied: float) -> None:
    a, b = two_levels(values, same_scatter=False), two_levels(values)
    assert (a.one, a.two, b.two) == pytest.approx((one, free, tied), abs=1e-4)
    assert (a.gain, b.gain) == pytest.approx((one - free, one - tied), abs=2e-4)
    assert b.believed == (values is BIMODAL)


@pytest.mark.parametrize("values", [BIMODAL, UNIMODAL])
@pytest.mark.parametrize(("same", "kind"), [(False, "spherical"), (True, "tied")])
def test_mixture_agrees_with_the_reference_library(values: list[float], same: bool, kind: str) -> None:
    x = np.array(values)[:, None]
    m = GaussianMixture(2, covariance_type=kind, tol=1e-12, max_iter=20_000, n_init=20, random_state=0, reg_covar=1e-12)
    m.fit(x)
    own = two_levels(values, same_scatter=same)
    assert own.two == pytest.approx(float(m.bic(x)), abs=1e-6)
    assert (own.low, own.high) == pytest.approx(sorted(m.means_.ravel()), abs=1e-3)
    one = GaussianMixture(1).fit(x)
    assert own.one == pytest.approx(float(one.bic(x)), abs=1e-4)


def test_the_two_levels_themselves() -> None:
    r = two_levels(BIMODAL)
    assert (r.low, r.high, r.share_high) == pytest.approx((0.09, 8.09, 0.5), abs=1e-6)
    assert r.sds == pytest.approx((float(np.std(BASE)),) * 2, abs=1e-6)
    assert two_levels([-v for v in BIMODAL]).two == pytest.approx(r.two, abs=1e-6)
    assert two_levels([1e-3 * v + 60 for v in BIMODAL]).gain == pytest.approx(r.gain, abs=1e-5)


@pytest.mark.parametrize(("n", "above_zero", "power"), [(10, 0.18, 0.16), (20, 0.07, 0.31)])
def test_false_alarms_and_power(n: int, above_zero: float, power: float) -> None:
    """Why the gain must exceed 6, and why 20 sweeps or fewer hardly show two levels four standard deviations apart."""
    rng = np.random.default_rng(n)
    sets = 400
    sound = np.array([two_levels(list(v)).gain for v in rng.normal(size=(sets, n))])
    side = rng.uniform(size=(sets, n)) < 0.5
    split = np.array([two_levels(list(v)).gain for v in rng.normal(size=(sets, n)) + 4.0 * side])
    assert float((sound > 0).mean()) == pytest.approx(above_zero, abs=0.055)
    assert float((sound > CLEAR_GAIN).mean()) < 0.03
    assert float((split > CLEAR_GAIN).mean()) == pytest.approx(power, abs=0.075)


def test_equal_readings_at_two_levels_do_not_run_away() -> None:
    r = two_levels([0.48] * 5 + [0.49] * 5, same_scatter=False, floor=0.001)
    assert math.isfinite(r.two)
    assert (r.low, r.high) == pytest.approx((0.48, 0.49), abs=1e-6)
    assert r.sds == pytest.approx((0.001, 0.001))
    assert r.believed


@pytest.mark.parametrize("values", [[1.0, 2.0, 3.0], [5.0] * 8, []])
def test_too_little_for_two_levels(values: list[float]) -> None:
    with pytest.raises(ValueError, match="4 or more, not all equal"):
        two_levels(values)


def test_bad_scatter_is_refused() -> None:
    with pytest.raises(ValueError, match="2 repeats"):
        scatter_test(1.0, 1.0, 1)
    with pytest.raises(ValueError, match="above 0"):
        scatter_test(1.0, 0.0, 5)
    with pytest.raises(ValueError, match="both above 0"):
        ratio_test(0.0, 5, 1.0, 5)
