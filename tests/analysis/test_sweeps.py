"""Cutting the stream into sweeps.  Invented streams; the rules are derived here."""

from __future__ import annotations

import numpy as np
import pytest

from analysis.sweeps import KEEP_READINGS, Period, RawSweep, SweepFinder


def _swings(n: int, amplitude: float = 0.8, rate: float = 20.0, seconds: float = 2.0) -> tuple[np.ndarray, np.ndarray]:
    t = np.arange(0, n * seconds, 1 / rate)
    return t, amplitude * np.cos(np.pi * t / seconds) ** 2


def _all(finder: SweepFinder, t: np.ndarray, mm: np.ndarray, step: float = 0.001) -> list[RawSweep]:
    found = [s for a, b in zip(t.tolist(), mm.tolist(), strict=True) if (s := finder.push(a, b, step)) is not None]
    last = finder.cut("")
    return found + ([last] if last is not None else [])


@pytest.mark.parametrize("sense", [1, -1])
def test_every_swing_gives_one_sweep_in_either_display_direction(sense: int) -> None:
    t, z = _swings(7)
    found = _all(SweepFinder(sense), t, sense * z + 3.0)
    assert len(found) == 7
    for n, s in enumerate(found):
        assert s.t[s.lowest] == pytest.approx(1.0 + 2.0 * n, abs=0.06)
        assert list(s.t) == sorted(s.t)
        assert s.cut == ""


def test_a_still_display_gives_none_however_long() -> None:
    rng = np.random.default_rng(1)
    t = np.arange(0, 600, 0.1)
    assert _all(SweepFinder(1), t, 2.0 + rng.normal(0, 0.001, t.size)) == []


def test_one_wild_reading_makes_no_turning_point() -> None:
    t, z = _swings(5)
    z[33] += 0.5
    z[71] -= 0.5
    assert len(_all(SweepFinder(1), t, z)) == 5


def test_a_coarse_display_that_flickers_by_a_step_makes_none_either() -> None:
    t = np.arange(0, 60, 0.1)
    flicker = 0.0127 * (np.arange(t.size) // 3 % 2)
    assert _all(SweepFinder(1), t, 1.0 + flicker, step=0.0127) == []


def test_a_rock_of_two_degrees_counts() -> None:
    t, z = _swings(6, amplitude=0.036)
    assert len(_all(SweepFinder(1), t, np.round(z, 3))) == 6


def test_a_hand_that_trembles_far_from_the_bottom_makes_no_sweeps() -> None:
    """Derived: at 12 degrees a tenth of a degree either way is 0.045 mm of climb, more than a rock of two degrees makes."""
    t = np.arange(0, 40, 1 / 50)
    part = (t % 4.0) / 4.0
    # two seconds across, two seconds of rest at the far side
    half = np.clip(part * 2.0, 0.0, 1.0)
    side = np.where((t // 4.0) % 2 == 0, 1.0, -1.0)
    angle = np.radians(side * 12.0 * np.cos(np.pi * half) + 0.1 * np.sin(2 * np.pi * 5.3 * t))
    z = np.round(58.5 / np.cos(angle) - 58.5, 3)
    found = _all(SweepFinder(1), t, z)
    # until the face has been met once nothing is known
    assert [round(s.t[s.lowest] - 1.0, 0) % 4 for s in found if s.t[s.lowest] > 2.0] == [0.0] * 9


def test_a_small_rock_far_above_the_last_bottom_counts_once_that_is_long_ago() -> None:
    t, z = _swings(6, amplitude=0.036)
    found = _all(SweepFinder(1), np.concatenate([t, t + 45.0]), np.concatenate([z, z + 2.0]))
    assert sum(s.t[s.lowest] > 44.0 for s in found) >= 5


def test_memory_is_bounded_when_the_hand_falls_asleep() -> None:
    finder = SweepFinder(1)
    t = np.arange(0, 2000, 0.1)
    z = np.where(t < 1, 0.5 - 0.5 * t, 0.0)
    for a, b in zip(t.tolist(), z.tolist(), strict=True):
        finder.push(a, b, 0.001)
        assert len(finder._z) <= KEEP_READINGS + 501


def test_a_sweep_cut_off_by_the_link_says_so() -> None:
    finder = SweepFinder(1)
    t, z = _swings(1)
    for a, b in zip(t[:18].tolist(), z[:18].tolist(), strict=True):
        finder.push(a, b, 0.001)
    cut = finder.cut("link-lost")
    assert cut is not None
    assert cut.cut == "link-lost"
    assert finder.cut("link-lost") is None, "and only once"


def test_the_period_is_found_through_bunches_and_pauses() -> None:
    period = Period()
    for i in range(40):
        period.add(round(i / 3) * 0.1)
    assert period.seconds == pytest.approx(1 / 30, rel=0.1)
    period.add(500.0)
    for i in range(1, 30):
        period.add(500.0 + 0.1 * i)
    assert period.seconds == pytest.approx(0.1, rel=0.05), "a pause is not spread over the readings"
