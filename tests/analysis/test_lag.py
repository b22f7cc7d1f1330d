"""Plunger lag: what the sweeps of a set say of it, and what is taken out.  Invented benches (tests/bench/hands.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from analysis.valley.lag import LAG_PRIOR_MM, lag_column, lag_posterior
from tests.bench.accuracy import measure, run
from tests.bench.hands import STEADY, make

WORN = replace(STEADY, name="worn", lag_mm=0.005)


def posterior(lag_mm: float, u_mm: float, n: int = 10, scatter: float = 0.0) -> tuple[float, float]:
    """Of `n` sweeps that all show `lag_mm`, each to within `u_mm`, and scatter by `scatter` beyond."""
    w = np.full(n, u_mm**-2.0)
    return lag_posterior(lag_mm + scatter * np.tile([1.0, -1.0], n // 2), w, w)


def test_the_column_is_a_play_of_one() -> None:
    """Derived: half the lag on the way down; on the way up the display waits until the face has come back by the lag, then hangs half below."""
    u = np.array([-0.3, -0.01, 0.0, np.sqrt(0.0025), np.sqrt(0.005), 0.3])
    assert lag_column(u, 0.005) == pytest.approx([0.5, 0.5, 0.5, 0.0, -0.5, -0.5])


def test_a_large_lag_seen_clearly_is_hardly_held_down_and_a_small_one_is() -> None:
    large, u = posterior(0.006, 0.003)
    assert large == pytest.approx(0.006, rel=0.05)
    assert 0.001 < u < 0.003
    small, _ = posterior(0.0006, 0.003)
    assert 0.0 < small < 0.0006


def test_a_display_never_runs_ahead() -> None:
    """A rising flank that seems to lead is the hand's: no more of it is believed than a good indicator's lag allows."""
    ahead, _ = posterior(-0.006, 0.004)
    behind, _ = posterior(0.006, 0.004)
    assert abs(ahead) < 0.8 * behind


def test_what_sweeps_differ_by_is_the_hand_and_not_lag() -> None:
    agreed, _ = posterior(0.005, 0.003)
    scattered, u = posterior(0.005, 0.003, scatter=0.012)
    assert scattered < 0.7 * agreed
    assert u > 0.0015, "next to nothing has been learnt"


def test_nothing_seen_leaves_what_was_thought() -> None:
    assert lag_posterior(np.full(4, 0.02), np.zeros(4), np.zeros(4)) == (0.0, LAG_PRIOR_MM)
    one, _ = lag_posterior(np.array([0.02]), np.array([0.005**-2.0]), np.array([0.005**-2.0]))
    assert one < 0.004, "one sweep alone cannot tell a lag from the hand"


def test_a_worn_indicator_leaves_no_bias_the_interval_does_not_hold() -> None:
    tallies = [measure(WORN, 300 + s) for s in range(24)]
    errors = np.array([t.set_error for t in tallies], dtype=float)
    assert abs(float(errors.mean())) < 0.0005
    assert sum(t.set_covered for t in tallies) >= 20


def test_a_good_indicator_is_not_taken_for_a_worn_one() -> None:
    for seed in range(8):
        lines = {b.name: b.u_mm for b in run(STEADY, make(STEADY, 300 + seed))[1].budget}
        assert lines["plunger lag"] < 0.0005
