"""What a job says to whoever writes it down: which fields there are, figures no finer than read, nothing asked that cannot be done."""

from __future__ import annotations

import re

import pytest

from analysis.job import JobEntryError, check_entry
from analysis.job.inches import with_inches
from analysis.job.steps import next_step
from analysis.torque import judge
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import changed, folded, shown


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


def test_what_the_pinch_lacks_is_named_and_nothing_that_is_there() -> None:
    rows: list[s.Row] = [
        ("limit", {"name": "carrier-pinch", "value": "0.20 mm", "page": "9"}),
        ("family", {"shim_effect": "unknown"}),
    ]
    more: list[tuple[list[s.Row], str]] = [
        ([], "the side shims that are in, left and right and the sum of both"),
        (
            [("fit", {"place": "left", "stack": "1.80 mm"}), ("fit", {"place": "right", "stack": "1.86 mm"})],
            "down the sum",
        ),
        (
            [("zero-play", {"sum": "3.46 mm"})],
            "write down whether a thicker side shim makes the preload higher or lower",
        ),
        ([("family", {"shim_effect": "unknown", "left_preload": "more", "right_preload": "more"})], ""),
    ]
    for added, said in more:
        rows += added
        missing = next(x["missing"] for x in shown(rows)["steps"] if x["step"] == "carrier-preload")
        assert (said in missing) if said else not missing, missing
        assert "limit" not in (missing or "")


def test_inches_stand_beside_every_length_of_a_job_that_is_worked_in_inches() -> None:
    # one shim of the shop in millimetres makes the set-up millimetres, and no sentence forgets the inches for that
    metric: s.Row = ("piece", {"id": "MM", "readings": ["1.20"] * 3, "unit": "mm", "place": "side"})
    v = shown([*s.TWO, metric])
    assert v["in_inches"]
    assert v["units"] == "mm"
    assert re.search(r"Left becomes|within 0\.\d+ to 0\.\d+ mm \(0\.\d+ to 0\.\d+ in\)", v["carrier"]["say"])
    for said in (v["carrier"]["say"], *v["depth"]["steps"], v["shim"]["say"], v["shim_effect"]["say"]):
        assert not re.search(r"\d mm(?! \()(?!\))", said), said
    assert v["stacks"]["depth"]["thickness"].endswith(" in"), "what programs read stays as it is"
    assert not shown(s.ONE)["in_inches"]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ("add 0.10 mm.", "add 0.10 mm (0.004 in)."),
        ("more than 0.130 to 0.200 mm:", "more than 0.130 to 0.200 mm (0.0051 to 0.0079 in):"),
        ("+0.0009 mm off", "+0.0009 mm (+0.00004 in) off"),
        ("take out 0.0055 in (0.140 mm): the", "take out 0.0055 in (0.140 mm): the"),
        ("outside (-0.1399 mm): put", "outside (-0.1399 mm (-0.00551 in)): put"),
        ("0.081 mm (0.0032 in) too far", "0.081 mm (0.0032 in) too far"),
        ("2.2 N·m, a 31 mm-thick 5 mmx", "2.2 N·m, a 31 mm (1.2 in)-thick 5 mmx"),
    ],
)
def test_with_inches(given: str, said: str) -> None:
    assert with_inches(given) == said


def test_a_torque_typed_in_pound_feet_is_not_taken_for_newton_metres() -> None:
    found = judge(14.0, "lb·ft", 16.0, 24.0, "lb·in", crush_sleeve=True)
    assert found.finding == "implausible"
    assert "newton" not in found.say
    assert "7 times the limit. Check the unit." in found.say
    assert judge(19.0, "lb·ft", 16.0, 24.0, "lb·in").say.count("pound-feet typed for pound-inches") == 1
    # a figure far above the limit spends no sleeve, whichever slip it was
    assert judge(40.0, "N·m", 1.8, 2.7, "N·m", crush_sleeve=True).finding == "implausible"


def _next(rows: list[s.Row]) -> str:
    step = next_step(folded(rows))
    assert step is not None
    return step.name


def test_a_crush_sleeve_is_brought_up_before_the_depth_is_read_again() -> None:
    lines = s.seated("mm", "1.536 1.535 1.537", "1.534 1.533 1.535", "1.537 1.536 1.538")
    rows: list[s.Row] = [
        *s.ONE_START,
        ("skip", {"step": "as-found", "reason": "stripped already"}),
        ("fit", {"place": "depth", "stack": "0.823 mm"}),
        ("state", {**s.BUILT, "nut": "nipped"}),
        *s.measured("trial", lines, s.ONE_ZERO, "0.000 mm"),
    ]
    rows = [(k, {**d, "preload_by": "crush sleeve"} if k == "family" else d) for k, d in rows]
    assert _next(rows) == "pinion-preload"
    bringing_up = [*rows, ("state", {"nut": "torqued", "nut_torque": "180 N·m", "turns": 20})]
    assert _next(bringing_up) == "pinion-preload", "and not the depth between two steps of the nut"
    low = ("preload", {"where": "pinion", "phase": "trial", "torque": "1.9 N·m"})
    right = ("preload", {"where": "pinion", "phase": "trial", "torque": "3.0 N·m"})
    assert _next([*bringing_up, low]) == "pinion-preload"
    assert _next([*bringing_up, low, right]) == "final-depth"
