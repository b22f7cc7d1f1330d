"""ISO 5725-6 critical range and the estimators of ISO 5725-2 beside others.

Table 1 of part 6: value from memory, recomputed.  Data of annex B example 1: published; the figure of the other estimator recomputed
with a general statistics library.
"""

from __future__ import annotations

import math
import warnings

import numpy as np
import pandas as pd
import pytest
import scipy.stats as st
import statsmodels.formula.api as smf

from analysis.precision import LIMIT_FACTOR, one_way
from analysis.repeatability import Bottoms, summarise
from tests.outside.formulas.ranges import critical_range
from tests.outside.test_iso5725 import level


@pytest.mark.parametrize(
    ("n", "factor", "printed"),
    [
        (2, 2.772, 2.8), (3, 3.314, 3.3), (4, 3.633, 3.6), (5, 3.858, 3.9), (6, 4.030, 4.0),
        (7, 4.170, 4.2), (8, 4.286, 4.3), (9, 4.387, 4.4), (10, 4.474, 4.5),
    ],
)  # fmt: skip
def test_critical_range(n: int, factor: float, printed: float) -> None:
    """ISO 5725-6 table 1 (value from memory)."""
    assert critical_range(n) == pytest.approx(factor, abs=5e-4)
    assert round(critical_range(n), 1) == printed
    assert critical_range(n) == pytest.approx(float(st.studentized_range.ppf(0.95, n, 1e7)), abs=1e-5)


def test_critical_range_example() -> None:
    """s_r = 2.0 um: five sweeps within 7.72 um, two within 5.6 um (derived here)."""
    assert critical_range(5, 2.0) == pytest.approx(7.72, abs=5e-3)
    assert critical_range(2) == pytest.approx(1.959964 * math.sqrt(2), abs=1e-5)
    assert critical_range(2) == pytest.approx(2.77181, abs=1e-5)


def test_the_limit_of_a_set_is_the_critical_range_of_two() -> None:
    """What a set states as its repeatability limit is the critical range of two readings, rounded up by 1 % as the standard does."""
    m = 60 + np.array([0.0, 2.0, 4.0]) * 1e-3
    s = summarise(Bottoms(m, np.full(3, 1e-3), np.arange(3.0), np.ones(3, np.int64), ("out",) * 3, 1e-4), 0)
    assert s.repeatability_limit_mm is not None
    assert s.repeatability_limit_mm == pytest.approx(critical_range(2, 2.0e-3), rel=0.0105)
    assert s.repeatability_limit_mm == pytest.approx(LIMIT_FACTOR * 2.0e-3, rel=1e-9)
    assert s.repeatability_limit_mm > critical_range(2, 2.0e-3)


@pytest.mark.parametrize("n", [2, 5, 10])
def test_critical_range_drawn(n: int) -> None:
    """Readings of known scatter pass it in 5 of 100 sets (derived here by drawing)."""
    x = np.random.default_rng(57256 + n).normal(size=(60_000, n))
    assert float((np.ptp(x, axis=1) > critical_range(n)).mean()) == pytest.approx(0.05, abs=0.004)


def test_maximum_likelihood_is_another_estimator() -> None:
    """Level 3, unbalanced: restricted maximum likelihood gives s_R 0.03559, the standard's moments 0.03477; never test one by the other."""
    rows = [(i, float(v) / 100) for i, g in enumerate(level(3)) for v in g]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the library's own making: the variances are small beside 1
        fit = smf.mixedlm("y ~ 1", d := pd.DataFrame(rows, columns=["lab", "y"]), groups=d["lab"]).fit(reml=True)
    other = math.sqrt(float(fit.cov_re.iloc[0, 0]) + float(fit.scale))
    assert other == pytest.approx(0.03559, abs=5e-5)
    assert one_way(level(3)).sd_total / 100 == pytest.approx(0.03477, abs=2e-5)
