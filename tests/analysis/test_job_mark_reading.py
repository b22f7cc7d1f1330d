"""The sentence a mark implies while it is written down.  Forms and directions: service texts; the figures are invented."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job.mark_reading import read_mark

DEVIATION = {"mark": "+14", "form": "deviation", "count": "0.01 mm", "sense": "adds", "nominal": "61.50 mm"}


def read(effect: str = "+1", **changed: Any) -> dict[str, Any]:
    return read_mark({k: v for k, v in (DEVIATION | changed).items() if v is not None}, effect)


def test_a_deviation_in_hundredths() -> None:
    out = read()
    assert out["target"] == "61.64 mm"
    assert out["say"][0] == "+14 in counts of 0.01 mm is 0.14 mm (0.00551 in)."
    assert "further OUT, away from" in out["say"][1]
    assert out["say"][2] == "Target: 61.50 + 0.14 = 61.64 mm (2.42677 in), axis to end face."
    assert out["warning"] is None


@pytest.mark.parametrize(
    ("sense", "effect", "shim"),
    [("adds", "-1", "LESS"), ("adds", "+1", "MORE"), ("subtracts", "-1", "MORE"), ("subtracts", "+1", "LESS")],
)
def test_more_or_less_shim_for_a_more_positive_mark(sense: str, effect: str, shim: str) -> None:
    """Source: service texts of cars and heavy vehicles; each of the four stands in print."""
    out = read(effect, sense=sense)
    assert f"takes {shim} shim" in out["say"][-1]
    assert out["shim"] == shim.lower()


def test_a_negative_mark_of_the_reversed_kind_stands_out() -> None:
    out = read(mark="-3", sense="subtracts")
    assert out["plus"] == "in"
    assert "further OUT" in out["say"][1]
    assert out["target"] == "61.53 mm"


def test_the_unit_of_a_count_is_asked_for() -> None:
    out = read(count=None)
    assert out["target"] is None
    assert "0.14 mm in 0.01 mm, 0.014 mm in 0.001 mm, 0.3556 mm in 0.001 in" in out["say"][0]


def test_a_count_in_thousandths_of_an_inch_with_an_inch_nominal() -> None:
    out = read(mark="-3", count="0.001 in", nominal="2.5000 in")
    assert out["target"] == "2.4970 in"
    assert out["target_mm"] == pytest.approx(63.4238)


def test_two_marks_of_which_one_is_used() -> None:
    out = read(mark="m+8 (+3)")
    assert out["target"] == "61.58 mm"
    assert "was rounded for itself and is not used" in " ".join(out["say"])


@pytest.mark.parametrize(("mark", "target"), [("98", "72.98 mm"), ("03", "73.03 mm")])
def test_two_decimals_roll_over(mark: str, target: str) -> None:
    assert read(mark=mark, form="two-decimals", nominal="73.00 mm", count=None)["target"] == target


def test_a_full_distance_to_the_back_face_wants_the_heads_height() -> None:
    whole = {"mark": "97.46", "form": "full-distance", "mark_unit": "mm", "count": None, "nominal": None}
    assert "end face or to the back face is not stated" in read(**whole)["say"][0]
    assert "measure the head's height" in read(**whole, face="back")["say"][0]
    out = read(**whole, face="back", head_height="1.4965 in")
    assert out["target"] == "59.44890 mm"
    assert read(**whole, face="end")["target"] == "97.46 mm"


def test_no_mark_is_not_zero() -> None:
    assert "No mark is not 0" in read_mark({"no_mark": True}, "+1")["say"][0]


def test_a_mark_that_cannot_be_read_is_named_and_nothing_is_worked_out() -> None:
    out = read(mark="x4")
    assert out["target"] is None
    assert out["problems"][0]["field"] == "gearset.mark"
    assert "write it as it stands" in out["problems"][0]["allowed"]


def test_a_field_that_cannot_be_taken_counts_as_not_stated() -> None:
    out = read(nominal="61.50")
    assert out["problems"][0]["field"] == "gearset.nominal"
    assert "nominal distance is not stated yet" in out["say"][-2]


def test_an_absurd_deviation_warns() -> None:
    assert "more than marks usually are" in read(mark="+20")["warning"]


def test_an_unknown_shim_and_an_unknown_sign_promise_nothing() -> None:
    out = read("unknown")
    assert out["shim"] is None
    assert "does not say more or less shim" in out["say"][-1]
    out = read(sense="unknown")
    assert out["target"] is None
    assert out["plus"] is None


def test_the_housings_mark_is_said_and_is_in_the_target() -> None:
    gear = {"mark": "+14", "form": "deviation", "nominal": "61.50 mm", "count": "0.01 mm", "sense": "adds"}
    both = gear | {"housing_mark": "-3", "housing_count": "0.01 mm", "housing_sense": "adds"}
    found = read_mark(both, "+1")
    assert found["target_mm"] == pytest.approx(61.61, abs=1e-9)
    assert any("on the housing" in x for x in found["say"])
    assert read_mark(both | {"housing_sense": "unknown"}, "+1")["target_mm"] is None


def test_a_mark_with_a_point_could_be_millimetres_or_inches() -> None:
    said = " ".join(read_mark({"mark": "+.03", "form": "deviation"}, "+1")["say"])
    assert "0.03 mm" in said
    assert "0.762 mm" in said
