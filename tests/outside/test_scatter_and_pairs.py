"""Tests of a variance, of two variances and of pairs: worked examples, powers, and what runs beside them.

e-handbook 1.3.5.8 and 1.3.5.9: value from memory.  Worked examples and powers: derived here, recomputed with a general statistics library.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
import scipy.stats as st

from analysis.distributions import chi2_quantile
from analysis.play import assess
from analysis.repeatability import Bottoms
from tests.outside.formulas.scatter import (
    paired_test,
    ratio_limits,
    ratio_test,
    scatter_limit,
    scatter_power,
    scatter_test,
)

# Chi-square: scatter against the indicator's own


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


def test_two_headings_of_a_set_are_the_two_sample_t() -> None:
    """The same readings, twice as far apart, as sweeps out and back: size and interval of the play are those of the unpaired comparison."""
    back, out = 2 * np.array(RETURN), 2 * np.array(FORWARD)
    both = np.ravel(np.column_stack([out, back]))
    n = both.size
    # known to what they scatter by within a heading, so that neither term outweighs the other
    own = 0.0022
    u = np.full(n, math.sqrt(own**2 - (0.0004 + 0.03 * 1e-6) ** 2) / 1.15)
    found = assess(Bottoms(both, u, np.arange(n) * 3.0, np.ones(n, np.int64), ("out", "back") * 8, 1e-6))
    low, high = st.ttest_ind(back, out).confidence_interval()
    assert found.finding == "present"
    assert found.pattern == "heading"
    assert found.size_mm == pytest.approx(0.008, abs=1e-9)
    assert (found.size_low_mm, found.size_high_mm) == pytest.approx((low, high), abs=1e-9)
    # The paired interval is the narrower one.
    paired = paired_test(list(out), list(back))
    assert low < paired.low < paired.high < high


def test_bad_scatter_is_refused() -> None:
    with pytest.raises(ValueError, match="2 repeats"):
        scatter_test(1.0, 1.0, 1)
    with pytest.raises(ValueError, match="above 0"):
        scatter_test(1.0, 0.0, 5)
    with pytest.raises(ValueError, match="both above 0"):
        ratio_test(0.0, 5, 1.0, 5)
