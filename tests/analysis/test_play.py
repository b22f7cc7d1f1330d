"""Bearing play from the sweeps.  Invented benches (tests/bench/hands.py); published tables are in tests/outside/test_play_tests.py."""

from __future__ import annotations

from dataclasses import replace

import pytest

from tests.bench.accuracy import run
from tests.bench.hands import FAMILIES, NO_PLAY, PLAY, STEADY, Case, make


@pytest.mark.parametrize("case", PLAY, ids=lambda c: c.name)
def test_play_is_found_with_its_size(case: Case) -> None:
    found = 0
    for seed in range(8):
        _, _, play = run(case, make(case, seed))
        found += play.finding in ("present", "suspected")
        if play.finding == "present":
            assert play.size_low_mm is not None
            assert play.size_high_mm is not None
            assert play.size_low_mm <= case.play_mm <= 1.2 * play.size_high_mm
            if case.play_kind == "heading":
                assert play.pattern == "heading"
    assert found >= 7


@pytest.mark.parametrize("case", NO_PLAY + FAMILIES, ids=lambda c: c.name)
def test_drift_lag_seating_and_coarse_steps_are_not_called_play(case: Case) -> None:
    for seed in range(4):
        _, _, play = run(case, make(case, seed))
        assert play.finding == "none", play
        assert play.size_high_mm is not None
        assert play.size_high_mm >= 0.004, "less would not have been called play"
        if case.drift_mm_per_min > 0.02:
            assert play.pattern == "drift"


def test_play_a_pinion_floats_in_is_as_large_as_said() -> None:
    """Places anywhere in the play: its scatter is the play over root 12, not half of it."""
    floats = replace(STEADY, name="floats", play_mm=0.01, play_kind="floats")
    found = [run(floats, make(floats, 300 + s))[2] for s in range(24)]
    sized = [f for f in found if f.finding == "present" and f.size_low_mm is not None and f.size_high_mm is not None]
    assert len(sized) >= 16
    assert sum((f.size_low_mm or 0.0) <= 0.01 <= (f.size_high_mm or 0.0) for f in sized) >= 0.85 * len(sized)
