"""Statistical Reference Datasets (NIST), univariate: mean, standard deviation, lag-1 correlation.

Certified means and standard deviations: published.  Lag-1 values: value from memory, recomputed with 50 digits.
Checked twice: exact on display counts (`analysis.precision`) and in floating point as a set of sweeps is summarised.
"""

from __future__ import annotations

import math
from decimal import Decimal
from pathlib import Path

import numpy as np
import pytest

from analysis.precision import mean_and_sd
from analysis.repeatability import Bottoms, summarise
from analysis.still.drift import worths

DATA = Path(__file__).parent / "data"


def stored(name: str) -> list[Decimal]:
    return [Decimal(x) for x in (DATA / f"{name}.txt").read_text().split()]


def alternating(first: str, low: str, high: str) -> list[Decimal]:
    return [Decimal(first), *[Decimal(low), Decimal(high)] * 500]


CERTIFIED = {
    "numacc1": ([Decimal(10000001), Decimal(10000003), Decimal(10000002)], 10000002.0, 1.0, -0.5),
    "numacc2": (alternating("1.2", "1.1", "1.3"), 1.2, 0.1, -0.999),
    "numacc3": (alternating("1000000.2", "1000000.1", "1000000.3"), 1000000.2, 0.1, -0.999),
    "numacc4": (alternating("10000000.2", "10000000.1", "10000000.3"), 10000000.2, 0.1, -0.999),
    "mavro": (stored("mavro"), 2.00185600000000, 0.000429123454003053, 0.937989183438248),
    "michaelso": (stored("michaelso"), 299.852400000000, 0.0790105478190518, 0.535199668621283),
    "lew": (stored("lew"), -177.435000000000, 277.332168044316, -0.307304800605679),
    "lottery": (stored("lottery"), 518.958715596330, 291.699727470969, -0.120948622967393),
}

FLOAT_DIGITS = {"numacc2": 13.0, "numacc3": 8.9, "numacc4": 8.0}
"""Digits a double can carry where the decimals are not representable; 12 elsewhere."""


def digits(found: float, certified: float) -> float:
    """Agreeing digits (LRE)."""
    return 15.0 if found == certified else -math.log10(abs(found - certified) / abs(certified))


@pytest.mark.parametrize("name", CERTIFIED)
def test_exact_on_decimals_and_counts(name: str) -> None:
    values, mean, sd, _ = CERTIFIED[name]
    found_mean, found_sd = mean_and_sd(values)
    assert digits(found_mean, mean) >= 14
    assert digits(found_sd, sd) >= 14
    scale = 10 ** max(0, -min(int(v.as_tuple().exponent) for v in values))
    counts = [int(v * scale) for v in values]
    count_mean, count_sd = mean_and_sd(counts)
    assert digits(count_mean / scale, mean) >= 14
    assert digits(count_sd / scale, sd) >= 14


@pytest.mark.parametrize("name", CERTIFIED)
def test_as_the_minima_of_one_seating(name: str) -> None:
    """The floating-point path of a set; the textbook difference of squares gives 0 for numacc4 and fails here."""
    values, mean, sd, _ = CERTIFIED[name]
    x = np.array([float(v) for v in values])
    b = Bottoms(
        x, np.full(x.size, 1e-3), np.arange(x.size, dtype=float), np.ones(x.size, np.int64), ("out",) * x.size, 1e-4
    )
    s = summarise(b, 0)
    assert s.minimum_mm is not None
    assert s.sd_mm is not None
    assert digits(s.minimum_mm, mean) >= 13
    assert digits(s.sd_mm, sd) >= FLOAT_DIGITS.get(name, 12.0)


@pytest.mark.parametrize("name", CERTIFIED)
def test_correlation_of_neighbours_on_a_still_surface(name: str) -> None:
    """The lag-1 coefficient, in the floating point that the study of a still surface works in."""
    values, _, _, r1 = CERTIFIED[name]
    x = np.array([float(v) for v in values])
    assert digits(worths(x - x.mean(), 1)[2], r1) >= FLOAT_DIGITS.get(name, 12.0)


def test_series_lengths() -> None:
    lengths = {
        "numacc1": 3,
        "numacc2": 1001,
        "numacc3": 1001,
        "numacc4": 1001,
        "mavro": 50,
        "michaelso": 100,
        "lew": 200,
    }
    assert {n: len(CERTIFIED[n][0]) for n in lengths} == lengths
    assert len(CERTIFIED["lottery"][0]) == 218


def test_difference_of_squares_fails() -> None:
    """The textbook formula in doubles keeps no digit of numacc4, while deviations keep 8 (the tests above)."""
    x = [float(v) for v in CERTIFIED["numacc4"][0]]
    n = len(x)
    one_by_one = (sum(v * v for v in x) - sum(x) ** 2 / n) / (n - 1)
    in_pairs = float(np.mean(np.square(x)) - np.mean(x) ** 2)
    for variance in (one_by_one, in_pairs):
        assert digits(variance, 0.01) < 0.5


def test_one_value_has_no_standard_deviation() -> None:
    with pytest.raises(ValueError, match="at least 2 values, 1 given"):
        mean_and_sd([5])
