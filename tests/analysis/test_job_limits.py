"""A limit that contradicts itself, another entry or another limit is not used until somebody has said which figure holds."""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job import JobEntryError, check_entry
from analysis.job.limits import also_disagrees
from tests.analysis.job_building import corrected, folded, shown

PRELOAD = {"name": "pinion-preload", "condition": "new", "page": "4-12"}
DEPTH = {"name": "depth-tolerance", "page": "4-10"}


def limit(**data: str) -> tuple[str, dict[str, Any]]:
    return "limit", data


# Figures printed in two units in car, plant and small-engine service texts (kinds of text as in the trade's collection of them).
@pytest.mark.parametrize(
    ("name", "low", "high", "also_low", "also_high"),
    [
        ("pinion-preload", "1.8 N·m", "3.6 N·m", "16 lb·in", "32 lb·in"),  # car service texts
        ("pinion-preload", "0.9 N·m", "1.7 N·m", "8 lb·in", "15 lb·in"),  # car service texts
        ("pinion-preload", "1.2 N·m", "1.9 N·m", "10 lb·in", "17 lb·in"),  # car service text
        ("pinion-preload", "1.4 N·m", "2.8 N·m", "12 lb·in", "25 lb·in"),  # car service text, solid spacer
        ("pinion-preload", "1.5 N·m", "2.0 N·m", "13 lb·in", "18 lb·in"),  # heavy-vehicle text
        ("backlash", "0.13 mm", "0.23 mm", "0.005 in", "0.009 in"),  # car service text
        ("backlash", "0.20 mm", "0.46 mm", "0.008 in", "0.018 in"),  # fork-lift text
        ("backlash", "0.03 mm", "0.15 mm", "0.001 in", "0.006 in"),  # small-engine text
    ],
)
def test_what_manuals_round_from_one_unit_into_the_other_agrees(
    name: str, low: str, high: str, also_low: str, also_high: str
) -> None:
    more = {"condition": "new"} if name == "pinion-preload" else {}
    data = {"name": name, "min": low, "max": high, "also_min": also_low, "also_max": also_high, "page": "1", **more}
    assert also_disagrees(check_entry("limit", data)) == ""


def test_the_misprint_that_was_seen_is_noticed_and_not_used() -> None:
    # Car service text: "16-29 lb·in" printed beside "23-37 N·m"; 1.8 to 3.3 N·m would be right.
    row = limit(**PRELOAD, min="16 lb·in", max="29 lb·in", also_min="23 N·m", also_max="37 N·m")
    v = shown([row])
    assert "pinion-preload" not in v["limits"]
    (doubt,) = v["limit_doubts"]
    assert "contradicts itself: 16 lb·in is 1.808 N·m, not 23 N·m." in doubt
    assert "confirm with the reason that entry 1 holds as it stands" in doubt
    assert next(s for s in v["steps"] if s["step"] == "limits")["missing"] == doubt
    told = folded([row, ("confirm", {"entry": 1, "what": "limit", "reason": "the pound-inches agree with page 4-30"})])
    assert told.limit_doubts == {}
    assert told.limits["pinion-preload"]["max"] == "29 lb·in"
    right = corrected([row], 1, "limit", {**row[1], "also_min": "1.8 N·m", "also_max": "3.3 N·m"})
    assert right.limit_doubts == {}


def test_the_figure_that_would_agree_is_offered() -> None:
    d = {"name": "depth-tolerance", "page": "1", "value": "0.05 mm", "also_value": "0.05 in"}
    assert also_disagrees(d) == "0.05 mm is 0.001969 in, not 0.05 in."
    d = {**PRELOAD, "min": "1.8 N·m", "max": "3.6 N·m", "also_min": "16 lb·ft", "also_max": "32 lb·ft"}
    assert "16 lb·in would agree" in also_disagrees(d)


def test_two_pages_that_disagree_are_asked_about() -> None:
    rows = [limit(**DEPTH, value="0.05 mm"), limit(**DEPTH | {"page": "9-3"}, value="0.03 mm")]
    v = shown(rows)
    assert "depth-tolerance" not in v["limits"]
    assert "0.05 mm on page 4-10 (entry 1) and 0.03 mm on page 9-3 (entry 2)" in v["limit_doubts"][0]
    for n, value in ((1, "0.05 mm"), (2, "0.03 mm")):
        told = folded([*rows, ("confirm", {"entry": n, "what": "limit", "reason": "this unit's serial number"})])
        assert told.limit_doubts == {}
        assert told.limits["depth-tolerance"]["value"] == value
    left = folded([*rows, ("withdraw", {"entry": 2, "reason": "of the other gearbox"})])
    assert (left.limit_doubts, left.limits["depth-tolerance"]["value"]) == ({}, "0.05 mm")
    again = folded([*rows, ("confirm", {"entry": 1, "what": "limit", "reason": "r"}), limit(**DEPTH, value="0.04 mm")])
    assert again.limit_doubts, "what comes to light after the answer is asked about again"


def test_the_same_limit_twice_is_no_contradiction() -> None:
    rows = [limit(**PRELOAD, min="16 lb·in", max="24 lb·in"), limit(**PRELOAD, min="1.8 N·m", max="2.7 N·m")]
    told = folded(rows)
    assert (told.limit_doubts, told.limits["pinion-preload"]["min"]) == ({}, "1.8 N·m")
    band = {"name": "backlash", "page": "7"}
    told = folded([limit(**band, value="0.18 mm", tolerance="0.03 mm"), limit(**band, min="0.15 mm", max="0.21 mm")])
    assert told.limit_doubts == {}
    told = folded([limit(**DEPTH, value="0.03 mm"), limit(**DEPTH, value="0.031 mm")])
    assert told.limit_doubts, "in the same unit nothing was rounded"


def test_the_shop_may_change_its_own_mind() -> None:
    aim = {"name": "depth-aim", "page": "shop"}
    told = folded([limit(**DEPTH, value="0.05 mm"), limit(**aim, value="0.02 mm"), limit(**aim, value="0.01 mm")])
    assert (told.limit_doubts, told.limits["depth-aim"]["value"]) == ({}, "0.01 mm")


def test_an_aim_wider_than_the_tolerance_is_not_used() -> None:
    v = shown([limit(**DEPTH, value="0.0020 in"), limit(name="depth-aim", page="shop", value="0.10 mm")])
    assert list(v["limits"]) == ["depth-tolerance"]
    assert "is wider than the tolerance" in v["limit_doubts"][0]


def test_limits_for_new_and_for_used_bearings_stand_beside_each_other() -> None:
    rows = [
        limit(**PRELOAD, min="1.8 N·m", max="3.6 N·m"),
        limit(**PRELOAD | {"condition": "used"}, min="0.9 N·m", max="1.7 N·m"),
        ("state", {"bearings": "new", "seal": "out", "nut": "torqued", "turns": 20, "bearings_seated": True}),
        ("preload", {"where": "pinion", "phase": "trial", "torque": "2.4 N·m"}),
    ]
    assert shown(rows)["readings"][0]["torque"]["finding"] == "within"
    turned = [rows[1], rows[0], *rows[2:]]
    assert shown(turned)["readings"][0]["torque"]["finding"] == "within"
    used = [*rows[:2], ("state", {**rows[2][1], "bearings": "used"}), rows[3]]
    assert shown(used)["readings"][0]["torque"]["finding"] == "above"
    odd = shown(
        [limit(**PRELOAD, min="0.9 N·m", max="1.7 N·m"), limit(**rows[1][1] | {"min": "1.8 N·m", "max": "3 N·m"})]
    )
    assert "lies above that for new ones" in odd["limit_doubts"][0]


@pytest.mark.parametrize(
    ("also", "at", "said"),
    [
        ({"also_min": "16 lb·in"}, "also_max", "also_max and also_min"),
        ({"also_min": "1.8 N·m", "also_max": "3.6 N·m"}, "also_max", "in the other unit"),
        ({"also_min": "16 lb·in", "also_max": "2.7 lb·ft"}, "also_max", "all in the same one"),
        ({"also_min": "16", "also_max": "32 lb·in"}, "also_min", "unit with the figure"),
    ],
)
def test_the_other_unit_is_given_whole(also: dict[str, str], at: str, said: str) -> None:
    with pytest.raises(JobEntryError) as e:
        check_entry("limit", {**PRELOAD, "min": "1.8 N·m", "max": "3.6 N·m", **also})
    (problem,) = e.value.problems
    assert (problem.field, said in problem.allowed) == (f"limit.{at}", True)
