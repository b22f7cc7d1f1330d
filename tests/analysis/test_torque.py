"""Turning torque against limits; a slip of unit shows.  Common practice, no source."""

from __future__ import annotations

import pytest

from analysis.torque import judge, to_newton_metres


@pytest.mark.parametrize(
    ("value", "unit", "finding"),
    [
        (19, "lb·in", "within"),
        (16, "lb·in", "within"),
        (24, "lb·in", "within"),
        (2.15, "N·m", "within"),
        (215, "N·cm", "within"),
        (15.9, "lb·in", "below"),
        (31, "lb·in", "above"),
        (19, "lb·ft", "implausible"),
        (1.6, "lb·in", "implausible"),
        (215, "N·m", "implausible"),
        (19, "N·m", "implausible"),
        (2.15, "N·cm", "implausible"),
        (100, "N·m", "implausible"),
    ],
)
def test_against_16_to_24_pound_inches(value: float, unit: str, finding: str) -> None:
    r = judge(value, unit, 16, 24, "lb·in")
    assert r.finding == finding, r.say
    assert r.value_nm == pytest.approx(to_newton_metres(value, unit), rel=1e-12)


def test_pound_feet_for_pound_inches_is_named() -> None:
    r = judge(19, "lb·ft", 16, 24, "lb·in")
    assert r.value_nm == pytest.approx(25.8, abs=0.05)
    assert "12 times too much" in r.say


def test_an_overshot_crush_sleeve() -> None:
    assert "never back the nut off" in judge(31, "lb·in", 16, 24, "lb·in", crush_sleeve=True).say
    assert "nut" not in judge(31, "lb·in", 16, 24, "lb·in").say
    assert "nut" not in judge(15, "lb·in", 16, 24, "lb·in", crush_sleeve=True).say


@pytest.mark.parametrize(("value", "unit"), [(0, "N·m"), (-1, "N·m"), (float("nan"), "N·m"), (1, "kg·m")])
def test_no_torque(value: float, unit: str) -> None:
    with pytest.raises(ValueError, match="torque"):
        judge(value, unit, 1, 2, "N·m")
