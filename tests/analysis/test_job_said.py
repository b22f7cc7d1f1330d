"""What a job says to whoever writes it down: which fields there are, figures no finer than read, nothing asked that cannot be done."""

from __future__ import annotations

import re

import pytest

from analysis.job import JobEntryError, check_entry
from tests.analysis import job_scenarios as s
from tests.analysis.test_job_traps import changed, shown


@pytest.mark.parametrize(
    ("name", "given", "says"),
    [
        (
            "depth-tolerance",
            {"tolerance": "0.03 mm"},
            'for the limit depth-tolerance: value="… mm" (the one figure); given: tolerance',
        ),
        ("run-out", {"max": "0.05 mm"}, 'for the limit run-out: value="… mm" (the one figure); given: max'),
        ("pinion-preload", {"value": "2 N·m", "condition": "new"}, 'min="… N·m" and max="… N·m"; given: value'),
        ("backlash", {}, 'min="… mm" and max="… mm" or value="… mm" and tolerance="… mm"'),
    ],
)
def test_a_limit_in_the_wrong_fields_says_which_it_has(name: str, given: dict[str, str], says: str) -> None:
    with pytest.raises(JobEntryError) as e:
        check_entry("limit", {"name": name, "page": "1", **given})
    assert says in str(e.value)
    assert "given nothing; allowed: value" not in str(e.value)


def test_an_as_found_torque_is_written_down_and_not_cured() -> None:
    rows: list[s.Row] = [
        *s.ONE_START,
        ("preload", {"where": "pinion", "phase": "as-found", "torque": "0.9 N·m"}),
    ]
    t = shown(changed(rows, "family", preload_by="solid spacer"))["readings"][-1]["torque"]
    assert (t["finding"], t["value_nm"]) == ("not ruled", 0.9)
    assert t["say"] == "0.9 N·m as found. The limit that is stated is for new bearings and says nothing of these."
    used = [(k, {**d, "condition": "used"} if k == "limit" and "condition" in d else d) for k, d in rows]
    t = shown(changed(used, "family", preload_by="solid spacer"))["readings"][-1]["torque"]
    assert t["finding"] == "below"
    assert t["say"] == "Too little: 0.9 N·m against 2 to 4 N·m.", "no cure for a unit as it came, and no figure twice"


def test_a_mean_in_a_sentence_has_no_more_places_than_a_micrometer_reads() -> None:
    sides = ["1.94", "1.941", "1.94"], ["1.72", "1.72", "1.721"]
    pieces: list[s.Row] = [
        ("piece", {"id": n, "readings": r, "unit": "mm", "place": "side"})
        for n, r in zip(("L2", "R2"), sides, strict=True)
    ]
    rows: list[s.Row] = [
        *s.ONE_START,
        ("fit", {"place": "left", "stack": "1.80 mm"}),
        ("fit", {"place": "right", "stack": "1.86 mm"}),
        ("state", {"carrier": "in", "covers": "torqued"}),
        ("preload", {"where": "carrier", "phase": "trial", "torque": "0.5 N·m"}),
        *pieces,
        ("fit", {"place": "left", "pieces": ["L2"]}),
        ("fit", {"place": "right", "pieces": ["R2"]}),
    ]
    said = " ".join(v["reason"] for r in shown(rows)["readings"] for v in r["void"])
    assert "sum of the side shims 3.66 mm to 3.6607 mm" in said
    assert not re.search(r"\d\.\d{5}", said)


def test_side_shims_in_the_box_ask_how_many_may_lie_on_each_other() -> None:
    rows: list[s.Row] = [
        ("limit", {"name": "backlash", "min": "0.13 mm", "max": "0.20 mm", "page": "9"}),
        (
            "family",
            {
                "shim_effect": "unknown",
                "left_moves": "toward",
                "right_moves": "away",
                "left_preload": "more",
                "right_preload": "more",
                "backlash_ratio": "0.7",
            },
        ),
        ("state", {"carrier": "in", "covers": "torqued"}),
        ("fit", {"place": "left", "stack": "1.80 mm"}),
        ("fit", {"place": "right", "stack": "1.86 mm"}),
        ("backlash", {"places": ["0.27"] * 4, "unit": "mm", "phase": "trial"}),
        ("piece", {"id": "L2", "readings": ["1.94"] * 3, "unit": "mm", "place": "side"}),
    ]
    assert "how many side shims the family allows" in shown(rows)["carrier"]["say"]


@pytest.mark.parametrize(
    ("right", "words"), [("1.864 mm", "near enough to the +0.200 mm wanted"), ("1.87 mm", "take out 0.010 mm")]
)
def test_a_pinch_is_not_sent_after_a_micrometre(right: str, words: str) -> None:
    rows: list[s.Row] = [
        ("limit", {"name": "carrier-pinch", "value": "0.20 mm", "page": "9"}),
        ("family", {"shim_effect": "unknown", "left_preload": "more", "right_preload": "more"}),
        ("zero-play", {"sum": "3.46 mm"}),
        ("fit", {"place": "left", "stack": "1.80 mm"}),
        ("fit", {"place": "right", "stack": right}),
    ]
    assert words in shown(rows)["carrier"]["say"]
