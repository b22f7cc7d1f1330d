"""A mounting distance needs the head's height: at several spots, with its spread and its uncertainty in the ruling."""

from __future__ import annotations

import math
from typing import Any

import pytest
from scipy import stats

from analysis.job import JobEntryError, check_entry
from analysis.job.head import head_of
from analysis.job.mark_reading import read_mark
from analysis.job.remarks import remarks
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import folded, shown

SPOTS = ["38.011", "38.014", "38.008"]
WHOLE = {
    "pinion_pair": "5",
    "ring_pair": "5",
    "mark": "97.46",
    "mark_unit": "mm",
    "form": "full-distance",
    "face": "back",
}


def measured(spots: list[str], unit: str = "mm", *, micrometer_u: str | None = None) -> list[s.Row]:
    """Scenario 3 of the trade's worked examples, its head height measured at spots."""
    rows: list[s.Row] = []
    for kind, data in s.THREE_START + s.THREE_HOT + s.THREE_COLD:
        if kind == "gearset":
            data = {k: v for k, v in data.items() if k != "head_height"} | {"head_heights": spots, "unit": unit}
        rows.append((kind, data))
    if micrometer_u is not None:
        rows.insert(1, ("instrument", {"id": "MIC", "type": "micrometer", "u": micrometer_u}))
    return rows


def test_mean_spread_and_uncertainty_of_the_spots() -> None:
    # JCGM 100:2008, 4.2.1 and 4.2.3: arithmetic mean, experimental standard deviation of the mean; 38.011 ± 0.003 at the ends gives s = 0.003.
    head = head_of({"head_heights": SPOTS, "unit": "mm"})
    assert (str(head.height), str(head.spread), head.dof) == ("38.011 mm", "0.006 mm", 2.0)
    assert head.u_mm == pytest.approx(0.003 / math.sqrt(3), abs=1e-12)
    # G.4.1, Welch-Satterthwaite: the micrometer's own error is the same at every spot and is not divided.
    both = head_of({"head_heights": SPOTS, "unit": "mm"}, 0.002)
    assert both.u_mm == pytest.approx(math.hypot(0.003 / math.sqrt(3), 0.002), abs=1e-12)
    assert both.dof == pytest.approx(both.u_mm**4 / ((0.003 / math.sqrt(3)) ** 4 / 2), rel=1e-9)
    inch = head_of({"head_heights": ["1.4965", "1.4966", "1.4964"], "unit": "in"})
    assert float(inch.height.mm) == pytest.approx(38.0111, abs=1e-4)
    assert inch.u_mm == pytest.approx(0.00254 / math.sqrt(3), abs=1e-9)


def test_spots_that_agree_to_the_last_digit_are_not_known_for_certain() -> None:
    # F.2.2.1: half a digit each way, rectangular.
    head = head_of({"head_heights": ["38.01"] * 3, "unit": "mm"})
    assert head.u_mm == pytest.approx(0.01 / math.sqrt(12), abs=1e-12)


def test_it_comes_into_the_ruling_and_not_into_the_distance() -> None:
    one = shown(s.THREE_START + s.THREE_HOT + s.THREE_COLD)["depth"]
    three = shown(measured(SPOTS, micrometer_u="0.004 mm"))["depth"]
    assert three["target_mm"] == pytest.approx(97.46 - 38.011, abs=1e-9)
    assert (three["distance_mm"], three["u_mm"]) == (one["distance_mm"], one["u_mm"])
    assert three["target_u_mm"] == pytest.approx(math.hypot(0.003 / math.sqrt(3), 0.004), abs=1e-9)
    assert "head height" in " ".join(three["notes"])
    # JCGM 106:2012, 7.4: the probability of conformity, here of a scaled t with the joint standard uncertainty and its degrees of freedom.
    ua, um = 0.003 / math.sqrt(3), 0.004
    u = math.hypot(three["u_mm"], ua, um)
    dof = u**4 / (three["u_mm"] ** 4 / three["dof"] + ua**4 / 2)
    inside = stats.t.cdf((0.03 - three["error_mm"]) / u, dof) - stats.t.cdf((-0.03 - three["error_mm"]) / u, dof)
    assert three["p_within"] == pytest.approx(inside, abs=1e-6)
    assert abs(three["p_within"] - one["p_within"]) > 1e-3


def test_a_head_that_is_not_parallel_or_a_turn_of_the_thimble_is_asked_about() -> None:
    def said(spots: list[str]) -> str:
        job = folded([("gearset", {**WHOLE, "head_heights": spots, "unit": "mm"})])
        return " ".join(remarks(job, job.entries[-1]))

    assert said(SPOTS) == ""
    assert "differ by 0.015 mm, more than 0.01 mm: clean both faces" in said(["38.011", "38.020", "38.005"])
    assert "one turn of the thimble" in said(["38.011", "38.511", "38.010"])
    problems = shown(measured(["38.011", "38.020", "38.005"]))["problems"]
    assert any("clean both faces" in p for p in problems)


def test_the_marks_reader_says_what_the_spots_give() -> None:
    given = {k: v for k, v in WHOLE.items() if not k.endswith("pair")}
    out = read_mark({**given, "head_heights": SPOTS, "unit": "mm"}, "-1")
    assert out["target"] == "59.449 mm"
    assert "mean of 3 spots that differ by 0.006 mm" in " ".join(out["say"])
    assert "one figure" in " ".join(read_mark({**given, "head_height": "38.011 mm"}, "-1")["say"])
    assert "measure the head's height at 3 spots" in read_mark({**given, "head_heights": SPOTS}, "-1")["say"][0]
    odd = read_mark({**given, "head_heights": ["1.5 in", "1.5 in", "1.5 in"], "unit": "mm"}, "-1")
    assert odd["target"] is None


@pytest.mark.parametrize(
    ("more", "at"),
    [
        ({"head_heights": SPOTS}, "unit"),
        ({"head_heights": SPOTS[:2], "unit": "mm"}, "head_heights"),
        ({"head_heights": SPOTS, "unit": "mm", "head_height": "38.011 mm"}, "head_height"),
        ({"head_heights": ["38.011 in", *SPOTS[1:]], "unit": "mm"}, "head_heights"),
        ({}, "head_heights"),
    ],
)
def test_what_is_not_a_head_height_is_refused(more: dict[str, Any], at: str) -> None:
    with pytest.raises(JobEntryError) as e:
        check_entry("gearset", {**WHOLE, **more})
    assert e.value.problems[0].field == f"gearset.{at}"
