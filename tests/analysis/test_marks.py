"""Marks as they are written, and the target they set.

Forms and traps: common practice, no source.  Arithmetic: derived here.
"""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.marks import (
    MarkError,
    count_of,
    shim_change_for_mark,
    target_from_deviation,
    target_from_full_distance,
    target_from_two_decimals,
)

MM = Decimal(1)
HUNDREDTH, THOUSANDTH_IN = Decimal("0.01"), Decimal("0.0254")


@pytest.mark.parametrize(
    ("text", "count"),
    [
        ("+14", "14"),
        ("-3", "-3"),
        ("24", "24"),
        (" + 7 ", "7"),
        ("m+8", "8"),
        ("+8m", "8"),
        ("m-2", "-2"),
        ("0", "0"),
        ("+2,5", "2.5"),
        ("m+8 (+3)", "8"),
        ("+3 (m+8)", "3"),
        ("\N{MINUS SIGN}5", "-5"),
        ("\N{EN DASH}5", "-5"),
        ("\N{FULLWIDTH PLUS SIGN}3", "3"),
    ],
)
def test_counts(text: str, count: str) -> None:
    assert count_of(text) == Decimal(count)


@pytest.mark.parametrize("text", ["", "  ", "none", "+", "--3", "+1 4", "m+8 +3", "+3 (", "1e3", "±3", "+3mm", "0x1"])
def test_no_count(text: str) -> None:
    with pytest.raises(MarkError):
        count_of(text)


def test_no_mark_is_not_nought() -> None:
    with pytest.raises(MarkError, match="not the same as 0"):
        count_of(" ")


def test_sense() -> None:
    n = Decimal("61.50")
    assert target_from_deviation(n, "+14", HUNDREDTH, "adds", MM).distance == Decimal("61.64")
    assert target_from_deviation(n, "+14", HUNDREDTH, "subtracts", MM).distance == Decimal("61.36")
    assert target_from_deviation(n, "-14", HUNDREDTH, "subtracts", MM).distance == Decimal("61.64")
    assert target_from_deviation(
        Decimal("2.5000"), "-3", Decimal("0.001"), "adds", Decimal("25.4")
    ).distance == Decimal("2.4970")


@pytest.mark.parametrize("text", ["m+8 (+3)", "+3 (m+8)", "+8m (+3)"])
def test_of_two_marks_the_one_in_the_stated_step_is_used(text: str) -> None:
    """0.08 and 0.0762 mm, each rounded for itself: never the mean 0.0781, never one converted."""
    metric = target_from_deviation(Decimal(60), text, HUNDREDTH, "adds", MM)
    assert metric.deviation == Decimal("0.08")
    assert "0.0762 mm, 0.0038 mm off" in metric.say
    inch = target_from_deviation(Decimal(60), text, THOUSANDTH_IN, "adds", MM)
    assert inch.deviation == Decimal("0.0762")
    assert "0.0800 mm, 0.0038 mm off" in inch.say
    in_inches = target_from_deviation(Decimal("2.5"), text, Decimal("0.001"), "adds", Decimal("25.4"))
    assert in_inches.deviation == Decimal("0.003")


def test_of_two_marks_without_a_flag_the_first_is_used() -> None:
    t = target_from_deviation(Decimal(60), "+8 (+3)", HUNDREDTH, "subtracts", MM)
    assert t.deviation == Decimal("-0.08")
    assert "0.0762 mm, 0.0038 mm off" in t.say


@pytest.mark.parametrize(
    ("text", "step", "warns"),
    [
        ("+20", "0.01", True),
        ("+20", "0.001", False),
        ("-15", "0.01", True),
        ("+14", "0.01", False),
        ("+6", "0.0254", True),
        ("+5", "0.0254", False),
    ],
)
def test_a_deviation_of_0_15_mm_is_doubted(text: str, step: str, warns: bool) -> None:
    t = target_from_deviation(Decimal(60), text, Decimal(step), "adds", MM)
    assert bool(t.warning) == warns
    assert ("Check its unit" in t.warning) == warns


@pytest.mark.parametrize(
    ("text", "step", "warns"), [("+.03", "0.01", True), ("-0.05", "0.001", True), ("+.03", "1", False)]
)
def test_a_mark_written_as_a_length_is_not_taken_for_a_count_in_silence(text: str, step: str, warns: bool) -> None:
    """Both are written in one family, +3 and +.03 (heavy-vehicle service text)."""
    t = target_from_deviation(Decimal(60), text, Decimal(step), "adds", MM)
    assert ("etched_step = 1" in t.warning) == warns


def test_the_doubt_is_the_same_in_inches() -> None:
    assert target_from_deviation(Decimal("2.5"), "+6", Decimal("0.001"), "adds", Decimal("25.4")).warning
    assert not target_from_deviation(Decimal("2.5"), "+5", Decimal("0.001"), "adds", Decimal("25.4")).warning


@pytest.mark.parametrize(
    ("nominal", "text", "target"),
    [
        ("73.00", "98", "72.98"),
        ("73.00", "03", "73.03"),
        ("73.00", "00", "73.00"),
        ("72.97", "02", "73.02"),
        ("73.49", ".50", "73.50"),
        ("73.01", "50", "73.50"),
    ],
)
def test_two_decimals_roll_over(nominal: str, text: str, target: str) -> None:
    assert target_from_two_decimals(Decimal(nominal), text).distance == Decimal(target)


def test_two_decimals_half_way_are_not_guessed() -> None:
    with pytest.raises(MarkError, match=r"72\.5 .*73\.5"):
        target_from_two_decimals(Decimal("73.00"), "50")


@pytest.mark.parametrize("text", ["", "5", "123", "-50", "5O", "1.5"])
def test_not_two_decimals(text: str) -> None:
    with pytest.raises(MarkError):
        target_from_two_decimals(Decimal(73), text)


@given(st.integers(3000, 12000), st.integers(-49, 49))
def test_two_decimals_give_back_what_was_etched(nominal: int, deviation: int) -> None:
    true = Decimal(nominal + deviation) / 100
    assert target_from_two_decimals(Decimal(nominal) / 100, f"{(nominal + deviation) % 100:02d}").distance == true


def test_full_distance() -> None:
    assert target_from_full_distance("97,46", None).distance == Decimal("97.46")
    t = target_from_full_distance("97.46", Decimal("38.0111"))
    assert t.distance == Decimal("59.4489")
    assert "head height" in t.say


@pytest.mark.parametrize(("text", "height"), [("+97.46", None), ("97.46 mm", None), ("0", None), ("38", Decimal(38))])
def test_not_a_full_distance(text: str, height: Decimal | None) -> None:
    with pytest.raises(MarkError):
        target_from_full_distance(text, height)


def test_change_of_mark_alone() -> None:
    """Both tables exist in print: less shim at the head, more behind the retainer, or the reverse (derived here)."""
    step = Decimal("0.001")
    assert shim_change_for_mark(Decimal(2), Decimal(-1), step, "adds", -1) == Decimal("0.003")
    assert shim_change_for_mark(Decimal(2), Decimal(-1), step, "adds", 1) == Decimal("-0.003")
    assert shim_change_for_mark(Decimal(8), Decimal(22), HUNDREDTH, "subtracts", -1) == Decimal("0.14")
    assert shim_change_for_mark(Decimal(8), Decimal(22), HUNDREDTH, "subtracts", 1) == Decimal("-0.14")
