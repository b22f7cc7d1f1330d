"""From the reading to the distance: signs, blade, temperature, and what is said to be missing."""

from __future__ import annotations

import math
from typing import Any

import pytest

from analysis.depth import DepthUnknownError, measured_depth
from analysis.results import BudgetLine, SetStatistics
from analysis.setup import parse_setup
from analysis.temperature import MATERIALS, TEMPERATURE_HALF_WIDTH_K, correction


def readings(minimum: float | None, u: float | None = 0.001, dof: float = 8.0) -> SetStatistics:
    """A set whose type A part is one line."""
    budget = () if u is None else (BudgetLine("repeatability", u, "A", dof, "sweeps"),)
    return SetStatistics(9, 0, 3, minimum, 0.001, 0.001, 0.003, u, dof, None, None, budget)


def arbor(**more: Any) -> dict[str, Any]:
    """An arbor set on a 60 mm master at display 0.2."""
    return {"master": {"distance": 60, "reading": 0.2, "u": 0.001}, "reading_sense": "grows"} | more


def test_both_display_directions() -> None:
    grows = measured_depth(parse_setup({"arbor": arbor()}), readings(0.5))
    shrinks = measured_depth(parse_setup({"arbor": arbor(reading_sense="shrinks")}), readings(0.5))
    assert grows.distance_mm == pytest.approx(60.3, abs=1e-12)
    assert shrinks.distance_mm == pytest.approx(59.7, abs=1e-12)


@pytest.mark.parametrize(("on", "distance"), [("pinion", 60.4), ("both", 60.3), ("master", 60.2)])
def test_blade(on: str, distance: float) -> None:
    bridge = {"thickness": 0.1, "u": 0.0005, "on": on}
    d = measured_depth(parse_setup({"arbor": arbor(bridge=bridge)}), readings(0.5))
    assert d.distance_mm == pytest.approx(distance, abs=1e-12)
    assert ("bridge blade" in [x.name for x in d.combined.lines]) == (on != "both")


def test_inches_are_converted_once() -> None:
    setup = parse_setup({"units": "in", "arbor": {"constant": 0.8125, "reading_sense": "shrinks"}})
    d = measured_depth(setup, readings(-1.678231 * 25.4))
    assert d.distance_mm == pytest.approx(2.490731 * 25.4, abs=1e-9)


@pytest.mark.parametrize(
    ("data", "stats", "word"),
    [
        ({"arbor": {"constant": 60}}, readings(0.5), "reading_sense"),
        ({"arbor": {"reading_sense": "grows"}}, readings(0.5), "arbor.master"),
        ({"arbor": arbor()}, readings(None, None), "No good sweep"),
        ({"arbor": arbor(), "housing": {"temperature": 38, "arbor_temperature": 22}}, readings(0.5), "too far apart"),
    ],
)
def test_no_distance_without_what_it_needs(data: dict[str, Any], stats: SetStatistics, word: str) -> None:
    with pytest.raises(DepthUnknownError, match=word):
        measured_depth(parse_setup(data), stats)


HOUSING: dict[str, Any] = {"material": "magnesium", "temperature": 30, "bore_to_seat": 110}


def temperature_line(housing: dict[str, Any]) -> tuple[float, BudgetLine]:
    """Correction and budget line, mm."""
    d = measured_depth(parse_setup({"arbor": arbor(), "housing": housing}), readings(0.5))
    line = next(x for x in d.combined.lines if x.name == "temperature")
    return d.distance_mm - 60.3, line


def test_one_thermometer_reading_serves_both() -> None:
    mm, line = temperature_line(HOUSING)
    c = correction(110, 60.3, MATERIALS["magnesium"], 10, 10, arbor_half_width_k=0.0)
    assert (mm, line.u_mm) == pytest.approx((c.mm, c.u_mm), abs=1e-12)
    assert mm == pytest.approx(-0.01595, abs=1e-6)
    assert "gradient in the casting ±0.5 K" in line.source
    assert "read apart" not in line.source


@pytest.mark.parametrize("degrees", [30, 28])
def test_an_arbor_thermometer_brings_its_own_error_even_where_both_read_the_same(degrees: int) -> None:
    mm, line = temperature_line(HOUSING | {"arbor_temperature": degrees})
    c = correction(110, 60.3, MATERIALS["magnesium"], 10, degrees - 20, arbor_half_width_k=TEMPERATURE_HALF_WIDTH_K)
    assert (mm, line.u_mm) == pytest.approx((c.mm, c.u_mm), abs=1e-12)
    assert line.u_mm > temperature_line(HOUSING)[1].u_mm
    assert "gradient in the casting ±0.5 K" in line.source
    assert "arbor read apart ±1 K" in line.source


@pytest.mark.parametrize(
    ("housing", "word"),
    [
        ({}, "Temperatures are not stated"),
        ({"arbor_temperature": 28, "material": "magnesium", "bore_to_seat": 110}, "Only the arbor's temperature"),
        ({"temperature": 30, "material": "magnesium"}, "housing.bore_to_seat is not stated"),
        ({"temperature": 30, "bore_to_seat": 110}, "housing.material or housing.expansion is not stated"),
        ({"temperature": 30, "bore_to_seat": 110, "material": "tinplate"}, '"tinplate" has no expansion here'),
        (
            {"temperature": 30, "bore_to_seat": 110, "material": "cast iron"},
            'cast iron is "grey iron" or "ductile iron", as the manual or a mark on the casting says',
        ),
    ],
)
def test_a_missing_temperature_is_never_filled_in(housing: dict[str, Any], word: str) -> None:
    d = measured_depth(parse_setup({"arbor": arbor(), "housing": housing}), readings(0.5))
    assert d.distance_mm == pytest.approx(60.3, abs=1e-12)
    assert any(word in n for n in d.notes), d.notes
    assert "temperature" not in [x.name for x in d.combined.lines]


def test_what_is_not_stated_is_listed() -> None:
    d = measured_depth(parse_setup({"arbor": {"constant": 60, "reading_sense": "grows"}}), readings(0.5))
    for key in ("arbor.constant_u", "indicator.mpe", "Temperatures"):
        assert any(key in n for n in d.notes), key


def test_budget_holds_every_stated_part_and_adds_up() -> None:
    data = {
        "arbor": arbor(bridge={"thickness": 0.1, "u": 0.0005, "on": "pinion"}),
        "indicator": {"resolution": 0.001, "mpe": 0.003},
        "housing": HOUSING,
    }
    c = measured_depth(parse_setup(data), readings(0.5)).combined
    names = [x.name for x in c.lines]
    assert set(names) == {"repeatability", "master", "bridge blade", "indicator", "display step at zero", "temperature"}
    assert [x.u_mm for x in c.lines] == sorted((x.u_mm for x in c.lines), reverse=True)
    assert c.u_mm == pytest.approx(math.sqrt(sum(x.u_mm**2 for x in c.lines)), rel=1e-12)
    assert c.U_mm == pytest.approx(c.k * c.u_mm, rel=1e-12)


def test_a_step_seen_in_the_stream_stands_in_for_one_not_stated() -> None:
    setup = parse_setup({"arbor": arbor()})
    line = next(
        x for x in measured_depth(setup, readings(0.5), 0.01).combined.lines if x.name == "display step at zero"
    )
    assert line.u_mm == pytest.approx(0.01 / math.sqrt(12), rel=1e-12)
    assert "display step at zero" not in [x.name for x in measured_depth(setup, readings(0.5)).combined.lines]
