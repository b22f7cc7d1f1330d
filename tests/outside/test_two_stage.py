"""A set whose length is fixed by its first sweeps: two-stage estimation, which keeps its coverage whatever the scatter.

Stein 1945, rule and interval: value from memory.  Coverage and mean lengths: derived here by drawing.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.stopping import half_width, needed


def two_stages(first: int, scatter: float, sets: int = 20_000) -> tuple[float, float, float]:
    """Coverage of the stated interval, share of |error| <= aim, and mean length; aim = 1.

    The length comes from the function that tells a set how many more repeats it needs.
    """
    rng = np.random.default_rng([first, int(10 * scatter)])
    x = rng.normal(0, scatter, (sets, first))
    sd = x.std(axis=1, ddof=1)
    length = np.array([needed(float(s), 1.0, dof=first - 1, first=first) for s in sd])
    # the sum of the second stage, drawn at once
    rest = rng.normal(size=sets) * scatter * np.sqrt(length - first)
    error = np.abs((x.sum(axis=1) + rest) / length)
    stated = half_width(1.0, first - 1) * sd / np.sqrt(length)
    assert (stated <= 1.0 + 1e-12).all()
    return float((error <= stated).mean()), float((error <= 1.0).mean()), float(length.mean())


@pytest.mark.parametrize("first", [5, 10])
@pytest.mark.parametrize("scatter", [0.5, 1.0, 1.5, 2.0, 3.0, 5.0])
def test_two_stages_keep_their_coverage(first: int, scatter: float) -> None:
    covered, within, _ = two_stages(first, scatter)
    tol = 3.5 * math.sqrt(0.05 * 0.95 / 20_000)
    assert covered == pytest.approx(0.95, abs=tol)
    assert within > 0.95 - tol


def test_what_two_stages_cost() -> None:
    """At three times the aim: 70 sweeps from a first stage of 5, and 1.3 times the 35 of looking after each from one of 10."""
    assert two_stages(5, 3.0)[2] == pytest.approx(70, rel=0.02)
    assert two_stages(10, 3.0)[2] / 35 == pytest.approx(1.3, abs=0.05)
