"""Preload and the split of side shims: common practice, no source; the arithmetic is derived here."""

from __future__ import annotations

import pytest

from analysis.carrier import pinch, sum_for
from analysis.torque import POUND_INCH_NM, at_pinion, from_string, to_newton_metres
from tests.outside.formulas.carrier import from_end_play, one_sided_move, share_of, string_u


def test_torque_by_a_spring_scale_on_a_string() -> None:
    assert from_string(12, 0.035) == pytest.approx(0.420, abs=1e-9)
    assert from_string(18, 0.0825) == pytest.approx(1.485, abs=1e-9)
    # The string lies on the drum: half its 1 mm counts.
    assert from_string(12, 0.035 + 0.0005) == pytest.approx(0.426, abs=1e-9)


def test_its_uncertainty() -> None:
    """±0.5 N and ±0.5 mm, rectangular, at 12 N and 35 mm: 0.01068 N·m."""
    assert string_u(12, 0.035, 0.5, 0.0005) == pytest.approx(0.01068, abs=1e-5)


def test_units() -> None:
    assert pytest.approx(8.85075, abs=1e-5) == 1 / POUND_INCH_NM
    assert to_newton_metres(19, "lb·in") == pytest.approx(2.15, abs=5e-3)
    assert to_newton_metres(31, "lb.in") == pytest.approx(3.50, abs=5e-3)
    assert to_newton_metres(290, "N·cm") == pytest.approx(2.9, abs=1e-12)
    assert to_newton_metres(1, "lb·ft") == pytest.approx(1.3558179, abs=1e-7)


def test_with_the_carrier_in() -> None:
    assert at_pinion(1.8, 1.2, 11, 41) == pytest.approx(2.12195, abs=1e-5)


# Trial build: left 1.20 (back of the ring gear), right 1.35, end play 0.06, held against left; wanted pinch 0.10;
# backlash 0.32, wanted 0.18, ratio 0.86.
ZERO = 1.20 + 1.35 + 0.06
MOVE = (0.32 - 0.18) / 0.86


def test_sum_and_difference() -> None:
    assert sum_for(ZERO, 0.10, "more") == pytest.approx(2.710, abs=1e-9)
    assert pytest.approx(0.162791, abs=1e-6) == MOVE
    left, right = from_end_play(1.20, 1.35, 0.06, 0.10, MOVE, "left")
    assert left == pytest.approx(1.412791, abs=1e-6)
    assert right == pytest.approx(1.297209, abs=1e-6)
    assert pinch(left, right, ZERO, "more") == pytest.approx(0.10, abs=1e-9)
    # The same place of the carrier, told from the other end.
    assert from_end_play(1.20, 1.35, 0.06, 0.10, MOVE - 0.06, "right") == pytest.approx((left, right), abs=1e-12)


@pytest.mark.parametrize(
    ("left", "right", "squeeze", "play"), [(1.40, 1.30, 0.09, 0.18670), (1.42, 1.30, 0.11, 0.17810)]
)
def test_what_stock_sizes_give(left: float, right: float, squeeze: float, play: float) -> None:
    """Steps of 0.05 and of 0.02: each side gives way by half the pinch."""
    p = pinch(left, right, ZERO, "more")
    assert p == pytest.approx(squeeze, abs=1e-9)
    moved = left - 0.5 * p - 1.20
    assert 0.32 - 0.86 * moved == pytest.approx(play, abs=1e-6)


def test_unequal_stiffness() -> None:
    """Two to one with a pinch of 0.1: the stiff side gives way by a third, not half; 16.67 um off, backlash 14.33 um."""
    assert share_of(1, 1) == 0.5
    off = (0.5 - share_of(2, 1)) * 0.1
    assert off * 1e3 == pytest.approx(16.67, abs=5e-3)
    assert off * 0.86 * 1e3 == pytest.approx(14.33, abs=5e-3)
    assert share_of(2, 1) + share_of(1, 2) == pytest.approx(1.0, abs=1e-12)


def test_one_side_changed_moves_half() -> None:
    assert one_sided_move(0.10) == pytest.approx(0.05, abs=1e-12)
    assert one_sided_move(0.10, 2, 1) == pytest.approx(0.2 / 3, abs=1e-12)


def springs(left: float, right: float, zero: float, k_left: float, k_right: float) -> float:
    """Position of a carrier between two springs: forces balance (independent of the functions above)."""
    squeeze = left + right - zero
    force = squeeze / (1 / k_left + 1 / k_right)
    return left - force / k_left


@pytest.mark.parametrize("stiffness", [(1.0, 1.0), (2.0, 1.0), (1.0, 5.0)])
def test_against_two_springs(stiffness: tuple[float, float]) -> None:
    k = stiffness
    start = springs(1.40, 1.31, ZERO, *k)
    assert springs(1.43, 1.28, ZERO, *k) - start == pytest.approx(0.03, abs=1e-9)
    assert springs(1.43, 1.31, ZERO, *k) - start == pytest.approx(one_sided_move(0.03, *k), abs=1e-9)
    assert 1.40 - start == pytest.approx(share_of(*k) * 0.10, abs=1e-9)
