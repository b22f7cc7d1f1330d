"""Preload and the split of side shims: common practice, no source; the arithmetic is derived here."""

from __future__ import annotations

import pytest

from analysis.carrier import pinch, sum_for
from analysis.torque import POUND_INCH_NM, from_string, to_newton_metres


def test_torque_by_a_spring_scale_on_a_string() -> None:
    assert from_string(12, 0.035) == pytest.approx(0.420, abs=1e-9)
    assert from_string(18, 0.0825) == pytest.approx(1.485, abs=1e-9)
    # The string lies on the drum: half its 1 mm counts.
    assert from_string(12, 0.035 + 0.0005) == pytest.approx(0.426, abs=1e-9)


def test_units() -> None:
    assert pytest.approx(8.85075, abs=1e-5) == 1 / POUND_INCH_NM
    assert to_newton_metres(19, "lb·in") == pytest.approx(2.15, abs=5e-3)
    assert to_newton_metres(31, "lb.in") == pytest.approx(3.50, abs=5e-3)
    assert to_newton_metres(290, "N·cm") == pytest.approx(2.9, abs=1e-12)
    assert to_newton_metres(1, "lb·ft") == pytest.approx(1.3558179, abs=1e-7)


# Trial build: left 1.20 (back of the ring gear), right 1.35, end play 0.06, held against left; wanted pinch 0.10;
# backlash 0.32, wanted 0.18, ratio 0.86.
ZERO = 1.20 + 1.35 + 0.06
MOVE = (0.32 - 0.18) / 0.86


def test_sum_and_difference() -> None:
    assert sum_for(ZERO, 0.10, "more") == pytest.approx(2.710, abs=1e-9)
    assert pytest.approx(0.162791, abs=1e-6) == MOVE
    # Shims worked out for that trial build: the ring gear moves by as much as the backlash asks, each side giving way by half the pinch.
    left = 1.20 + MOVE + 0.05
    assert left == pytest.approx(1.412791, abs=1e-6)
    assert pinch(left, sum_for(ZERO, 0.10, "more") - left, ZERO, "more") == pytest.approx(0.10, abs=1e-9)


@pytest.mark.parametrize(
    ("left", "right", "squeeze", "play"), [(1.40, 1.30, 0.09, 0.18670), (1.42, 1.30, 0.11, 0.17810)]
)
def test_what_stock_sizes_give(left: float, right: float, squeeze: float, play: float) -> None:
    """Steps of 0.05 and of 0.02: each side gives way by half the pinch."""
    p = pinch(left, right, ZERO, "more")
    assert p == pytest.approx(squeeze, abs=1e-9)
    moved = left - 0.5 * p - 1.20
    assert 0.32 - 0.86 * moved == pytest.approx(play, abs=1e-6)
