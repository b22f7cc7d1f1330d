"""Statistical Reference Datasets (NIST), regression: the drift of a set and that of a still surface.

Norris and Pontius: published data and certified values.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from numpy.typing import NDArray

from analysis.repeatability import Bottoms, summarise
from analysis.still.drift import _fitted, trend_of

Array = NDArray[np.float64]

DATA = Path(__file__).parent / "data"

PONTIUS = """
.11019 .21956 .32949 .43899 .54803 .65694 .76562 .87487 .98292 1.09146
1.20001 1.30822 1.41599 1.52399 1.63194 1.73947 1.84646 1.95392 2.06128 2.16844
.11052 .22018 .32939 .43886 .54798 .65739 .76596 .87474 .98300 1.09150
1.20004 1.30818 1.41613 1.52408 1.63159 1.73965 1.84696 1.95445 2.06177 2.16829
"""


def norris() -> tuple[Array, Array]:
    rows = [r.split() for r in (DATA / "norris.txt").read_text().splitlines()]
    return np.array([float(x) for _, x in rows]), np.array([float(y) for y, _ in rows])


def test_norris_as_the_drift_of_a_set() -> None:
    """The slope a set reports (per minute), in floating point, and its p value against zero."""
    x, y = norris()
    n = len(x)
    b = Bottoms(y, np.full(n, 0.5), x, np.ones(n, np.int64), ("out",) * n, 0.1)
    s = summarise(b, 0)
    assert s.drift_mm_per_min == pytest.approx(60 * 1.00211681802045, rel=1e-12)
    assert s.drift_p == pytest.approx(0.0, abs=1e-60)


def test_norris_as_the_drift_of_a_still_surface() -> None:
    x, y = norris()
    fitted, power = trend_of(x, y)
    assert power == 1
    assert fitted == pytest.approx(-0.262323073774029 + 1.00211681802045 * x, rel=1e-12, abs=1e-12)
    assert residual_sd(y, fitted, power) == pytest.approx(0.884796396144373, rel=1e-12)


def test_pontius_as_a_curved_drift() -> None:
    """The fit of the second power; a load cell's readings, far finer beside their curve than any indicator's."""
    x = np.array([150000.0 * i for i in range(1, 21)] * 2)
    y = np.array([float(v) for v in PONTIUS.split()])
    fitted = _fitted(x, y, 2)
    curve = 0.673565789473684e-03 + 0.732059160401003e-06 * x - 0.316081871345029e-14 * x**2
    assert fitted == pytest.approx(curve, rel=1e-12)
    assert residual_sd(y, fitted, 2) == pytest.approx(0.205177424076185e-03, rel=1e-9)


def residual_sd(y: Array, fitted: Array, power: int) -> float:
    return float(np.sqrt(((y - fitted) ** 2).sum() / (y.size - power - 1)))
