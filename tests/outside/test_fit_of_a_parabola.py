"""A parabola through the readings near the bottom: variance at its middle, what it makes of the true curve, and of noisy swings.

Derived here: exact least squares, smoothing weights of a general numerical library, drawing.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import savgol_coeffs

from analysis.geometry import climb_and_slope
from analysis.valley import Window, fit_bottoms
from tests.outside.formulas.least_squares import polynomial

Array = NDArray[np.float64]

K = 58.5
"""Swing radius of the derived values, mm."""


def climb(degrees: Array) -> Array:
    return climb_and_slope(np.radians(degrees) * math.sqrt(K / 2), K)[0]


@pytest.mark.parametrize(("n", "sd"), [(5, 0.6969), (7, 0.5774), (9, 0.5054), (11, 0.4555), (21, 0.3280)])
def test_variance_at_the_middle_of_a_quadratic(n: int, sd: float) -> None:
    x = [i - n // 2 for i in range(n)]
    fit = polynomial(x, [v * v for v in x], 2)
    exactly = 3 * (3 * n * n - 7) / (4 * n * (n * n - 4))
    assert fit.unscaled[0][0] == pytest.approx(exactly, rel=1e-15)
    assert math.sqrt(exactly) == pytest.approx(sd, abs=5e-5)
    weights = savgol_coeffs(n, 2)
    assert float((weights**2).sum()) == pytest.approx(fit.unscaled[0][0], rel=1e-12)
    assert fit.coefficients == (0.0, 0.0, 1.0)


def test_vertex_fit_over_five_degrees() -> None:
    """Quadratic in the angle over +-5 degrees: model bias -0.063 um, and -0.04 to -0.08 with its vertex read off."""
    x = [i * 5 for i in range(-100, 101)]  # hundredths of a degree
    z = [round(v * 1e9) for v in climb(np.array(x) / 100)]
    a, b, c = polynomial(x, z, 2).coefficients
    vertex_um = (a - b * b / (4 * c)) * 1e-6
    assert vertex_um == pytest.approx(-0.063, rel=0.05)
    assert -0.08 < vertex_um < -0.04


@pytest.mark.parametrize("sigma", [0.5, 1.0, 3.0])
@pytest.mark.parametrize("spacing", [0.05, 0.2, 0.6])
def test_parabola_on_noisy_swings(spacing: float, sigma: float) -> None:
    """Over +-5 degrees, um: bias of the model alone whatever the rate, scatter between 0.055 and 1.16; and ours beside it.

    The scatter is what the variance of the middle says: 9/4 of the noise's over the number of readings.
    """
    rng = np.random.default_rng([int(100 * spacing), int(10 * sigma)])
    low, windows = [], []
    for i in range(1500):
        degrees = np.arange(-5.0, 5.0 + 1e-9, spacing) + rng.uniform(-0.5, 0.5) * spacing
        z = 1e3 * climb(degrees) + rng.normal(0, sigma, degrees.size)
        c = np.polynomial.Polynomial.fit(degrees, z, 2).convert().coef
        low.append(c[0] - c[1] ** 2 / (4 * c[2]))
        if i < 40:
            windows.append(Window(np.arange(z.size) * 0.02, np.round(z / 1e3, 4), 1e-4, 0.0))
    n = 10 / spacing + 1
    sd = float(np.std(low))
    assert sd == pytest.approx(sigma * math.sqrt(9 / (4 * n)), rel=0.08)
    assert 0.05 < sd < 1.2
    assert float(np.mean(low)) == pytest.approx(-0.063, abs=0.03 + 3 * sd / math.sqrt(1500))
    ours = np.array([b.minimum_mm for b in fit_bottoms(windows, swing_radius_mm=K)]) * 1e3
    assert float(ours.mean()) == pytest.approx(0.0, abs=0.1 + 4 * float(ours.std(ddof=1)) / math.sqrt(40))
