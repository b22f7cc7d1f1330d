"""A hand that stops and goes on a coarse display.  Invented benches (tests/bench/hands.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.repeatability import Bottoms, summarise
from tests.bench.accuracy import measure
from tests.bench.hands import STEADY

HALTING = replace(STEADY, name="halting", hand="halting", rate=30, step_mm=0.01)


def bottoms(step_mm: float, slowing: float, unsteady: float = 1.0) -> Bottoms:
    """Twelve sweeps of one seating."""
    n = 12
    return Bottoms(
        np.tile([0.4, 0.4004], n // 2),
        np.full(n, 0.0005),
        3.0 * np.arange(n),
        np.ones(n, dtype=np.int64),
        ("out", "back") * (n // 2),
        step_mm,
        slowing=np.full(n, slowing),
        unsteady=np.full(n, unsteady),
    )


def common(b: Bottoms) -> float:
    return {x.name: x.u_mm for x in summarise(b, 0).budget}["bottom of the sweep"]


@pytest.mark.parametrize(("slowing", "unsteady"), [(0.4, 1.0), (0.0, 1.5)])
def test_a_stopping_hand_leaves_more_of_a_coarse_step_in_common(slowing: float, unsteady: float) -> None:
    """Less than a still reading's step over root 12 (GUM F.2.2.1), more than half of it."""
    still = 0.01 / np.sqrt(12.0)
    assert 0.5 * still < common(bottoms(0.01, slowing, unsteady)) < still
    assert common(bottoms(0.01, 0.05)) < 0.2 * still
    assert common(bottoms(0.001, slowing, unsteady)) < 0.0004


def test_the_interval_of_a_halting_hand_on_a_coarse_display_holds_the_truth() -> None:
    """The bottom's place within the display's step moves all sweeps of a set alike: their scatter does not show it."""
    tallies = [t for t in (measure(HALTING, 300 + s) for s in range(30)) if t.set_error is not None]
    assert len(tallies) >= 28
    assert sum(t.set_covered for t in tallies) >= 0.9 * len(tallies)
