"""The plunger off the face and back on it.  Invented displays; what a hand does is common practice, no source."""

from __future__ import annotations

import math

import numpy as np
import pytest

from analysis.lifted import JUMP_MM, LiftFinder

BOTTOM = 2.0


def _times_back(mm: np.ndarray, rate: float, step: float = 0.001, pace: float = math.nan) -> list[float]:
    lifts = LiftFinder()
    lifts.pace = pace
    seen = []
    for i, z in enumerate(np.round(mm / step) * step):
        # as the session does
        if lifts.idle and abs(z - BOTTOM) <= JUMP_MM:
            if i / rate >= lifts.next_s:
                lifts.note(i / rate, float(z))
        elif lifts.push(i / rate, float(z), BOTTOM, step, 1 / rate):
            seen.append(i / rate)
    return seen


def _lift(rate: float, stop: float, on_stop_s: float = 1.5, sign: float = 1.0) -> np.ndarray:
    """Rest 0.9 mm above the bottom, up to the stop within 0.15 s, rest there, back down, rest."""
    t = np.arange(0.0, 3.0 + on_stop_s, 1 / rate)
    up = np.interp(t, [0, 1.0, 1.15, 1.15 + on_stop_s, 1.3 + on_stop_s, 9], [0.9, 0.9, stop, stop, 0.9, 0.9])
    noise = np.random.default_rng(int(rate)).normal(0.0, 0.001, t.size)
    return BOTTOM + sign * up + noise


@pytest.mark.parametrize("sign", [1.0, -1.0])
@pytest.mark.parametrize("rate", [5.0, 10.0, 33.0, 100.0])
@pytest.mark.parametrize("stop", [2.6, 4.0, 8.0])
def test_a_plunger_that_jumps_to_its_stop_and_back_was_lifted(stop: float, rate: float, sign: float) -> None:
    seen = _times_back(_lift(rate, stop, sign=sign), rate)
    assert len(seen) == 1
    assert seen[0] == pytest.approx(2.8, abs=0.1 + 2.5 / rate)


def test_a_moment_off_the_face_is_no_seating() -> None:
    assert _times_back(_lift(20.0, 4.0, on_stop_s=0.4), 20.0) == []


@pytest.mark.parametrize("rate", [5.0, 10.0, 33.0, 100.0])
def test_swings_are_no_lift_nor_are_rests_at_their_ends(rate: float) -> None:
    """12° either side of the bottom in 1.5 s, held dead still for a second at both ends."""
    t = np.arange(0.0, 40.0, 1 / rate)
    half = np.minimum(t % 2.5, 1.5) / 1.5
    angle = np.where((t // 2.5) % 2 == 0, 1.0, -1.0) * np.cos(np.pi * half) * np.radians(12.0)
    assert _times_back(BOTTOM + 58.5 / np.cos(angle) - 58.5, rate) == []


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_a_swing_that_carries_the_plunger_to_its_stop_is_no_lift(rate: float) -> None:
    t = np.arange(0.0, 40.0, 1 / rate)
    angle = np.cos(np.pi * t / 2.0) * np.radians(16.0)
    assert _times_back(np.minimum(BOTTOM + 58.5 / np.cos(angle) - 58.5, BOTTOM + 1.6), rate) == []


@pytest.mark.parametrize("at", [12, 25, 28])
def test_one_garbled_value_makes_and_ends_no_lift(at: int) -> None:
    rest = np.full(60, BOTTOM + 3.9)
    rest[at] = BOTTOM
    assert _times_back(rest, 10.0) == []
    lift = _lift(10.0, 4.0)
    lift[at - 6] += 3.0
    assert len(_times_back(lift, 10.0)) <= 1


@pytest.mark.parametrize("rate", [5.0, 10.0, 33.0, 100.0])
@pytest.mark.parametrize("wide_deg", [26.0, 29.0])
def test_a_swing_wider_than_most_is_no_lift(rate: float, wide_deg: float) -> None:
    t = np.arange(0.0, 40.0, 1 / rate)
    angle = np.cos(np.pi * t / 3.5) * np.radians(wide_deg)
    assert _times_back(BOTTOM + 58.5 / np.cos(angle) - 58.5, rate) == []


@pytest.mark.parametrize("stop", [8.0, 12.0])
def test_an_arbor_lifted_slowly_is_told_by_its_height_or_by_a_plunger_that_stands(stop: float) -> None:
    """Two seconds up, three at the stop, two down: slower than a hand swings wide."""
    t = np.arange(0.0, 10.0, 0.05)
    up = np.interp(t, [0, 1.0, 3.0, 6.0, 8.0, 10.0], [0.9, 0.9, stop, stop, 0.9, 0.9])
    # The stop left and the face neared may both be seen: a seating in which nothing is swept is none.
    assert len(_times_back(BOTTOM + up, 20.0)) in (1, 2)


@pytest.mark.parametrize("rate", [10.0, 33.0])
def test_a_plunger_let_out_and_taken_back_slowly_was_lifted_too(rate: float) -> None:
    """Three millimetres in six tenths of a second, on a display noisy by 2 µm; the hand swings over the bottom in a second."""
    t = np.arange(0.0, 5.5, 1 / rate)
    up = np.interp(t, [0, 1.0, 1.6, 3.6, 4.2, 9], [0.9, 0.9, 3.9, 3.9, 0.9, 0.9])
    noise = np.random.default_rng(5).normal(0.0, 0.002, t.size)
    assert len(_times_back(BOTTOM + up + noise, rate, pace=0.6)) == 1


def test_a_swing_as_fast_as_the_one_over_the_bottom_is_no_lift() -> None:
    """Swung to 15 degrees at the pace of the bottom and held dead still: 1.7 mm within a third of a second."""
    t = np.arange(0.0, 30.0, 0.01)
    part = np.minimum(t % 3.0, 1.0)
    angle = np.where((t // 3.0) % 2 == 0, 1.0, -1.0) * np.radians(15.0) * (1.0 - 2.0 * part)
    z = BOTTOM + 58.5 / np.cos(angle) - 58.5
    pace = np.radians(30.0) * math.sqrt(58.5 / 2.0)
    assert len(_times_back(z, 100.0)) > 0
    assert _times_back(z, 100.0, pace=float(pace)) == []
