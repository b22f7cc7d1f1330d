"""The plain distribution functions against the statistics library."""

from __future__ import annotations

import math

import pytest
import scipy.stats as st

from analysis import distributions as d

DOFS = [1, 2, 2.5, 3, 4, 7, 9, 16.75, 30, 120, 5946.87]
PS = [0.0005, 0.005, 0.025, 0.16, 0.5, 0.8, 0.95, 0.975, 0.995, 0.9995]


@pytest.mark.parametrize("dof", DOFS)
def test_student_t_agrees_with_scipy(dof: float) -> None:
    for p in PS:
        assert d.t_quantile(p, dof) == pytest.approx(st.t.ppf(p, dof), rel=1e-10, abs=1e-12)
    for x in (-8.0, -1.0, 0.0, 0.3, 2.0, 5.0, 40.0):
        assert d.t_sf(x, dof) == pytest.approx(st.t.sf(x, dof), rel=1e-10, abs=1e-300)
        assert d.t_cdf(x, dof) == pytest.approx(st.t.cdf(x, dof), rel=1e-10, abs=1e-300)


@pytest.mark.parametrize("dof", DOFS[:-1])
def test_chi_square_agrees_with_scipy(dof: float) -> None:
    for p in PS:
        assert d.chi2_quantile(p, dof) == pytest.approx(st.chi2.ppf(p, dof), rel=1e-9)
    for x in (0.01, 0.5, 1.0, 5.0, 20.0, 80.0):
        assert d.chi2_sf(x, dof) == pytest.approx(st.chi2.sf(x, dof), rel=1e-9, abs=1e-15)
        assert d.chi2_cdf(x, dof) == pytest.approx(st.chi2.cdf(x, dof), rel=1e-9, abs=1e-15)


@pytest.mark.parametrize("pair", [(1, 5), (4, 4), (9, 40), (19, 19), (2.5, 7.5)])
def test_f_agrees_with_scipy(pair: tuple[float, float]) -> None:
    for p in PS:
        assert d.f_quantile(p, *pair) == pytest.approx(st.f.ppf(p, *pair), rel=1e-9)
    for x in (0.05, 0.5, 1.0, 3.0, 12.0):
        assert d.f_sf(x, *pair) == pytest.approx(st.f.sf(x, *pair), rel=1e-10)


def test_normal_agrees_with_scipy() -> None:
    for x in (-6.0, -1.96, 0.0, 0.5, 3.0, 8.0):
        assert d.normal_sf(x) == pytest.approx(st.norm.sf(x), rel=1e-12)
    assert d.normal_quantile(0.975) == pytest.approx(st.norm.ppf(0.975), rel=1e-12)
    assert d.t_quantile(0.975, math.inf) == d.normal_quantile(0.975)


def test_out_of_range_is_refused() -> None:
    with pytest.raises(ValueError, match="between 0 and 1"):
        d.t_quantile(1.0, 5)
    with pytest.raises(ValueError, match="above 0"):
        d.t_quantile(0.9, 0)


@pytest.mark.parametrize("dof", [1e4, 1e6, 1e8])
def test_many_degrees_of_freedom_lose_no_digits(dof: float) -> None:
    for x in (0.5, 2.0, 5.0, 8.0):
        assert d.t_sf(x, dof) == pytest.approx(st.t.sf(x, dof), rel=5e-9)
    assert d.t_quantile(0.975, dof) == pytest.approx(st.t.ppf(0.975, dof), rel=1e-9)


def test_small_tails_keep_their_digits() -> None:
    assert d.t_quantile(1e-20, 3) == pytest.approx(st.t.ppf(1e-20, 3), rel=1e-10)
    assert d.t_quantile(1e-9, 16.75) == pytest.approx(st.t.ppf(1e-9, 16.75), rel=1e-10)
    assert d.f_cdf(1e-9, 4, 4) == pytest.approx(st.f.cdf(1e-9, 4, 4), rel=1e-10)
    assert d.f_sf(1e6, 4, 9) == pytest.approx(st.f.sf(1e6, 4, 9), rel=1e-10)
    assert d.chi2_sf(300.0, 4) == pytest.approx(st.chi2.sf(300.0, 4), rel=1e-10)
    assert d.chi2_cdf(1e-12, 3) == pytest.approx(st.chi2.cdf(1e-12, 3), rel=1e-10)
    assert d.f_sf(1.0 + 1e-9, 1, 5) == pytest.approx(st.f.sf(1.0 + 1e-9, 1, 5), rel=1e-10)


def test_f_with_one_variance_known() -> None:
    assert d.f_quantile(0.95, 3, math.inf) == pytest.approx(st.chi2.ppf(0.95, 3) / 3, rel=1e-10)
    assert d.f_quantile(0.95, math.inf, 7) == pytest.approx(7 / st.chi2.ppf(0.05, 7), rel=1e-10)
    assert d.f_sf(2.0, 3, math.inf) == pytest.approx(st.chi2.sf(6.0, 3), rel=1e-10)
    assert d.f_cdf(0.5, 3, math.inf) == pytest.approx(st.chi2.cdf(1.5, 3), rel=1e-10)
    assert d.f_sf(2.0, math.inf, 7) == pytest.approx(st.chi2.cdf(3.5, 7), rel=1e-10)
    assert d.f_quantile(0.975, 9, 1e7) == pytest.approx(st.f.ppf(0.975, 9, 1e7), rel=1e-9)
    assert d.f_sf(0.9, math.inf, math.inf) == 1.0
    assert d.f_quantile(0.3, math.inf, math.inf) == 1.0


def test_quantiles_say_what_is_wrong() -> None:
    with pytest.raises(ValueError, match="F quantile"):
        d.f_quantile(0.95, 0, 4)
    with pytest.raises(ValueError, match="chi-square quantile"):
        d.chi2_quantile(0.0, 4)
