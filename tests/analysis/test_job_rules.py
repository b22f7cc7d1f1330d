"""Rules of the trade in a job that are no trap of their own: pairs, readers, shims, limits, corrections, sleeves, marks on housings.

Figures invented, arithmetic derived here; conventions and limits: common practice, no source.
"""

from __future__ import annotations

import math
import re
from typing import Any

import pytest

from analysis.job import JobEntryError, check_entry, job_as_dict, next_step
from analysis.job.admission import admit
from analysis.job.response import loops
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import changed, corrected, entries, folded, shown

TO_AS_FOUND = s.ONE_START + s.ONE_AS_FOUND
TO_TRIAL = TO_AS_FOUND + s.ONE_TRIAL
TO_NEW = TO_TRIAL + s.ONE_BOX + s.ONE_DELIVERED + s.ONE_NEW


def test_pair_numbers_must_match() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", ring_pair="418"))
    assert "not a pair, stop" in v["target_missing"]
    assert v["depth"]["error_mm"] is None


def test_pair_numbers_that_nobody_wrote_down_set_no_target() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", ring_pair=None, pinion_pair=None))
    assert v["depth"]["error_mm"] is None
    assert "pair numbers" in v["target_missing"]


def test_two_readers_who_differ_set_no_target() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", second_reading="+11"))
    assert "read the mark differently" in v["target_missing"]
    assert v["depth"]["error_mm"] is None


def test_a_shim_that_varies_is_rejected_and_not_offered() -> None:
    rows = [*TO_TRIAL, ("piece", {"id": "wavy", "readings": ["0.821", "0.835", "0.828"], "unit": "mm"})]
    v = shown(rows)
    wavy = next(p for p in v["stock"] if p["id"] == "wavy")
    assert "differ by 0.014 mm" in wavy["rejected"]
    assert v["shim"]["stock"] is None
    assert (
        shown([*rows[:-1], ("piece", {"id": "flat", "readings": ["0.827", "0.828", "0.829"], "unit": "mm"})])["shim"][
            "stock"
        ]["pieces"][0]["id"]
        == "flat"
    )


def test_a_stack_thicker_than_its_pieces_is_doubted() -> None:
    rows = [
        ("piece", {"id": "a", "readings": ["0.5", "0.5", "0.5"], "unit": "mm"}),
        ("piece", {"id": "b", "readings": ["0.3", "0.3", "0.3"], "unit": "mm"}),
    ]
    assert shown([*rows, ("fit", {"place": "depth", "pieces": ["a", "b"], "stack": "0.810 mm"})])["problems"] == []
    v = shown([*rows, ("fit", {"place": "depth", "pieces": ["a", "b"], "stack": "0.811 mm"})])
    assert "burrs" in v["problems"][0]


def test_a_large_change_stops_and_asks() -> None:
    rows = changed(TO_TRIAL, "gearset", mark="-20", second_reading="-20")
    v = shown(rows)
    assert v["shim"]["held"] is True
    assert "Stop: a change of" in v["shim"]["say"]
    n = v["readings"][-1]["entry"]
    v = shown([*rows, ("confirm", {"entry": n, "what": "large change", "reason": "mark read twice more"})])
    assert v["shim"]["held"] is False


def test_a_stack_outside_the_grades_stops_and_asks() -> None:
    v = shown(changed(TO_TRIAL, "family", grades_from="0.90 mm"))
    assert "outside the grades made" in v["shim"]["say"]
    assert v["shim"]["order"] == []


@pytest.mark.parametrize(("rule", "first"), [("nearest", "0.82"), ("nearest not above", "0.82"), ("next up", "0.84")])
def test_the_familys_rounding_rule(rule: str, first: str) -> None:
    v = shown(changed(TO_TRIAL, "family", rounding=rule))
    assert v["shim"]["order"][0]["thickness"] == first
    assert v["shim"]["order"][0]["predicted_error_mm"] == pytest.approx(float(first) - 0.8275, abs=1e-9)
    assert first in v["shim"]["say"]


def test_limits_for_other_bearings_do_not_rule() -> None:
    rows = [(k, {**d, "bearings": "used"} if k == "state" and "bearings" in d else d) for k, d in s.TWO_START]
    v = shown([*rows, ("preload", {"where": "pinion", "phase": "trial", "torque": "19 lb·in"})])
    assert v["readings"][-1]["torque"]["finding"] == "not ruled"


def test_pattern_against_the_numbers() -> None:
    rows = s.ONE[: s.ONE.index(s.ONE_END[0])]
    high: s.Row = ("pattern", {"phase": "final", "drive": ["high", "heel"], "coast": ["high", "toe"]})
    v = shown([*rows, high])
    assert v["readings"][-1]["pattern"]["agrees"] is False
    assert "Do not split the difference" in v["next"]["say"]
    v = shown([*rows, ("pattern", {"phase": "final", "drive": ["centre"], "coast": ["centre"], "wanders": True})])
    assert "run-out first" in v["next"]["say"]
    with pytest.raises(JobEntryError):
        check_entry("pattern", {"phase": "final", "drive": ["high", "low"], "coast": ["centre"]})


def test_run_out_one_wave_a_turn() -> None:
    v = shown(s.ONE[: s.ONE.index(s.ONE_CARRIER[-1])])
    r = v["readings"][-1]["run_out"]
    assert r["total_mm"] == pytest.approx(0.03, abs=1e-12)
    assert r["finding"] == "within"
    # The readings are alike on both sides of the middle, so the wave peaks there; both halves together give its height.
    half = sum(x * math.cos(math.radians(a)) for x, a in ((0.03, 22.5), (0.02, 67.5), (0.01, 112.5), (0.0, 157.5)))
    assert r["first_harmonic_mm"] == pytest.approx(2 * 2 / 8 * 2 * half, abs=1e-12)
    assert r["rest_mm"] < 0.003


def test_skipping_needs_a_reason() -> None:
    with pytest.raises(JobEntryError, match=r"skip\.reason"):
        check_entry("skip", {"step": "pattern"})
    v = shown([("skip", {"step": "intake", "reason": "known unit"})])
    assert v["next"]["name"] == "limits"
    assert v["skips"] == {"intake": "known unit"}


def test_a_correction_leaves_both_in_sight() -> None:
    rows = TO_TRIAL
    n = next(i for i, (k, d) in enumerate(rows, start=1) if k == "fit")
    job = corrected(rows, n, "fit", {"place": "depth", "stack": "0.930 mm"})
    v = job_as_dict(job)
    assert v["shim"]["stack_mm"] == pytest.approx(0.8375, abs=5e-5)
    assert v["entries"][n - 1]["data"] == {"place": "depth", "pieces": ["old"]}
    assert v["entries"][n - 1]["corrected_by"] == [len(rows) + 1]
    assert len(job.entries) == len(rows) + 1


def test_a_withdrawn_entry_is_not_used_and_stays() -> None:
    n = len(TO_TRIAL) - 1
    v = shown([*TO_TRIAL, ("withdraw", {"entry": n, "reason": "wrong unit on the bench"})])
    assert all(r["entry"] != n for r in v["readings"])
    assert "wrong unit" in v["entries"][n - 1]["withdrawn"]


def test_entries_of_a_later_version_are_kept() -> None:
    from analysis.job import Entry, fold

    e = entries(s.ONE_START)
    job = fold([*e, Entry(len(e) + 1, "2027-01-01T00:00:00Z", "AB", "ultrasound", {"depth": 3}, None, {"later": 1})])
    v = job_as_dict(job)
    assert v["entries"][-1]["kind"] == "ultrasound"
    assert "does not know (ultrasound)" in v["problems"][0]


def test_a_master_measured_anew_does_not_change_what_it_measured_before() -> None:
    v = shown([*TO_TRIAL, ("instrument", {"id": "M60", "type": "master", "distance": "60.010 mm"})])
    assert v["depth"]["distance_mm"] == pytest.approx(61.7325, abs=5e-5)
    n = next(i for i, (k, d) in enumerate(TO_TRIAL, start=1) if k == "instrument" and d["id"] == "M60")
    # Put right, it was so from the beginning.
    v = job_as_dict(corrected(TO_TRIAL, n, "instrument", {"id": "M60", "type": "master", "distance": "60.010 mm"}))
    assert v["depth"]["distance_mm"] == pytest.approx(61.7425, abs=5e-5)


def _sleeve(*torques: dict[str, Any]) -> list[s.Row]:
    family = next(d for k, d in s.ONE_START if k == "family") | {"preload_by": "crush sleeve"}
    rows = [(k, family if k == "family" else d) for k, d in s.ONE_START] + s.ONE_AS_FOUND + s.ONE_TRIAL
    return rows + [
        ("preload", {"where": "pinion", "phase": "trial", **t}) if "torque" in t else ("state", t) for t in torques
    ]


def _torque_findings(rows: list[s.Row]) -> list[str]:
    return [r["torque"]["finding"] for r in shown(rows)["readings"] if r["kind"] == "pinion-preload"]


def test_an_overshot_crush_sleeve_is_not_forgotten() -> None:
    over, good = {"torque": "5.0 N·m"}, {"torque": "3.0 N·m"}
    assert _torque_findings(_sleeve(over, good)) == ["above", "sleeve spent"]
    assert _torque_findings(_sleeve(over, good | {"sleeve": "2"})) == ["above", "within"]
    slip = {"torque": "30 lb·ft"}
    assert _torque_findings(_sleeve(slip, good)) == ["implausible", "within"]
    step = next_step(folded(_sleeve(over, good)))
    assert step is not None
    assert step.name != "final-depth"


def test_a_crush_sleeve_let_go_is_spent() -> None:
    good = {"torque": "3.0 N·m"}
    loose, again = {"nut": "loose"}, {"nut": "torqued", "turns": 20}
    assert _torque_findings(_sleeve(good, loose, again, good)) == ["within", "sleeve spent"]
    assert _torque_findings(_sleeve(good, loose, again, good | {"sleeve": "2"})) == ["within", "within"]


def test_a_solid_spacer_may_be_taken_apart() -> None:
    rows = _sleeve({"torque": "5.0 N·m"}, {"torque": "3.0 N·m"})
    rows = changed(rows, "family", preload_by="solid spacer")
    assert _torque_findings(rows) == ["above", "within"]


@pytest.mark.parametrize(
    ("readings", "unit", "word"),
    [
        (["1.301", "1.300", "1.301"], "mm", "0.5 mm"),
        (["0.0565", "0.0565", "0.0565"], "in", "0.025 in"),
        (["0.84", "0.84", "0.84"], "mm", "more than a shim differs"),
        (["0.0315", "0.0315", "0.0315"], "mm", "was it 0.0315 in?"),
    ],
)
def test_a_shim_unlike_its_marking_is_measured_again(readings: list[str], unit: str, word: str) -> None:
    # a thimble one turn out is 0.5 mm or 0.025 in
    piece = {"id": "x", "readings": readings, "unit": unit, "marked": "0.80 mm"}
    v = shown([*TO_TRIAL, ("piece", piece)])
    row = next(p for p in v["stock"] if p["id"] == "x")
    assert word in row["rejected"]


def test_a_shim_ten_micrometres_off_its_marking_is_usual() -> None:
    # 2.609 on a "2.60": seen by an owner
    v = shown([*TO_TRIAL, ("piece", {"id": "x", "readings": ["2.609"] * 3, "unit": "mm", "marked": "2.60 mm"})])
    assert not next(p for p in v["stock"] if p["id"] == "x")["rejected"]


def test_a_mark_with_a_point_is_a_length() -> None:
    # one family writes +3 in 0.001 in and +.03 in mm (heavy-vehicle service text)
    mark = {"mark": "+.03", "second_reading": "+.03"}
    v = shown(changed(TO_AS_FOUND, "gearset", **mark, count="1 mm"))
    assert v["depth"]["target_mm"] == pytest.approx(61.53, abs=1e-9)
    with pytest.raises(JobEntryError, match="a length itself"):
        entries(changed(TO_AS_FOUND, "gearset", **mark))


def _miss_limit(pieces: list[str], stack: str | None) -> float:
    box: list[s.Row] = [
        ("instrument", {"id": "mic", "type": "micrometer", "u": "0.010 mm"}),
        *[("piece", {"id": p, "readings": ["0.2743"] * 3, "unit": "mm"}) for p in pieces],
        ("fit", {"place": "depth", "pieces": pieces} | ({} if stack is None else {"stack": stack})),
        ("state", {"nut": "torqued", "turns": 25}),
    ]
    found = folded(TO_TRIAL + box + s.ONE_NEW)
    closure = loops(found)[-1].closure
    assert closure is not None
    return closure.U_mm


def test_a_micrometers_error_adds_up_in_full_over_a_stack() -> None:
    # JCGM 100:2008, 5.2.2: the same error in each of k pieces is k·u, not √k·u; the old stack is one piece
    sum_of_three, as_a_stack = _miss_limit(["a", "b", "c"], None), _miss_limit(["a", "b", "c"], "0.8229 mm")
    u = 0.010 * 1.959964
    assert sum_of_three > u * math.sqrt(9 + 1)
    assert sum_of_three == pytest.approx(u * math.sqrt(9 + 1), rel=0.03)
    assert as_a_stack == pytest.approx(u * math.sqrt(1 + 1), rel=0.06)


@pytest.mark.parametrize(("sense", "target"), [("adds", 61.61), ("subtracts", 61.67), ("unknown", None)])
def test_a_mark_on_the_housing_enters_with_its_own_sign(sense: str, target: float | None) -> None:
    # one formula of the same maker subtracts the case's mark and another adds it (small-engine service texts)
    housing = {"housing_mark": "-3", "housing_count": "0.01 mm", "housing_sense": sense}
    v = shown(changed(TO_AS_FOUND, "gearset", **housing))
    if target is None:
        assert v["depth"]["target_mm"] is None
        assert "housing_sense" in v["target_missing"]
    else:
        assert v["depth"]["target_mm"] == pytest.approx(target, abs=1e-9)
        assert any("on the housing" in n for n in v["depth"]["notes"])


def test_a_housings_mark_beside_two_decimals() -> None:
    # the decimals are read beside the printed nominal first: 72.98 and not 73.98, then the housing's 0.04
    gear = {"mark": "98", "second_reading": "98", "form": "two-decimals", "nominal": "73.00 mm"}
    gear |= {"count": None, "sense": None}
    housing = {"housing_mark": "+4", "housing_count": "0.01 mm", "housing_sense": "subtracts"}
    v = shown(changed(TO_AS_FOUND, "gearset", **gear, **housing))
    assert v["depth"]["target_mm"] == pytest.approx(72.94, abs=1e-9)


@pytest.mark.parametrize(("housing", "target"), [({}, "2.48"), ({"housing_mark": "+4"}, "2.476")])
def test_two_decimals_of_an_inch_in_a_job_that_has_millimetres_too(housing: dict[str, str], target: str) -> None:
    # 48 beside 2.50 in is 2.48 in; read beside the same nominal in millimetres it would be 63.48 mm, half a millimetre off
    gear = {"mark": "48", "second_reading": "48", "form": "two-decimals", "nominal": "2.50 in", "mark_unit": "in"}
    if housing:
        housing |= {"housing_count": "0.001 in", "housing_sense": "subtracts"}
    gear |= {"count": None, "sense": None}
    v = shown(changed(TO_AS_FOUND, "gearset", **gear, **housing))
    assert v["depth"]["target_mm"] == pytest.approx(float(target) * 25.4, abs=1e-9)
    assert any("48 nearest to the nominal 2.50 in give 2.48 in" in n for n in v["depth"]["notes"])


def test_a_housings_mark_beside_a_full_distance() -> None:
    gear = {"mark": "97.46", "second_reading": "97.46", "form": "full-distance", "mark_unit": "mm", "face": "back"}
    gear |= {"head_height": "38.00 mm", "count": None, "sense": None, "nominal": None}
    housing = {"housing_mark": "+2", "housing_count": "0.001 in", "housing_sense": "adds"}
    v = shown(changed(TO_AS_FOUND, "gearset", **gear, **housing))
    assert v["depth"]["target_mm"] == pytest.approx(97.46 - 38.0 + 0.0508, abs=1e-9)


def test_a_housings_mark_that_cannot_be_read_is_refused() -> None:
    with pytest.raises(JobEntryError, match="housing_mark"):
        entries(changed(TO_AS_FOUND, "gearset", housing_mark="II", housing_count="0.01 mm", housing_sense="adds"))
    with pytest.raises(JobEntryError, match="housing_mark"):
        entries(changed(TO_AS_FOUND, "gearset", housing_sense="adds"))


@pytest.mark.parametrize(("stack", "word"), [("1.92 mm", "+1.000 mm"), ("0.53 mm", "-0.390 mm")])
def test_a_large_change_that_is_written_down_stops_and_asks(stack: str, word: str) -> None:
    rows = [*TO_TRIAL, ("fit", {"place": "depth", "stack": stack}), ("state", {"nut": "torqued", "turns": 20})]
    step = next_step(folded(rows))
    assert step is not None
    assert step.name == "trial"
    assert "Stop" in step.say
    assert word in step.say
    base = next(r.n for r in reversed(folded(rows).readings) if r.kind == "depth")
    answered = [*rows, ("confirm", {"entry": base, "what": "large change", "reason": "somebody left a shim out"})]
    step = next_step(folded(answered))
    assert step is not None
    assert "Stop" not in step.say
    # Once a set was measured on it, the prediction speaks instead.
    step = next_step(folded(rows + s.ONE_NEW))
    assert step is not None
    assert step.name == "closure"


def test_a_stack_outside_the_grades_that_is_written_down_asks() -> None:
    rows = changed(TO_TRIAL, "family", grades_from="0.90 mm", grades_to="1.20 mm")
    step = next_step(folded([*rows, ("fit", {"place": "depth", "stack": "0.83 mm"})]))
    assert step is not None
    assert "outside the grades" in step.say


@pytest.mark.parametrize(
    ("by", "torque", "words"),
    [
        # solid spacer: more shim, less preload (heavy-vehicle service text, textbook)
        ("solid spacer", "5.0 N·m", "add shim there for less"),
        ("solid spacer", "1.0 N·m", "take shim out there for more"),
        # crush sleeve: small steps, never backed off (car service texts)
        ("crush sleeve", "1.0 N·m", "small steps"),
        ("crush sleeve", "5.0 N·m", "never back the nut off"),
        # two packs: the sum sets the preload, the split the depth (car service text)
        ("pack sum", "5.0 N·m", "far pack alone"),
    ],
)
def test_how_a_preload_is_set_right(by: str, torque: str, words: str) -> None:
    v = shown(changed(_sleeve({"torque": torque}), "family", preload_by=by))
    assert words in v["readings"][-1]["torque"]["say"]
    within = shown(changed(_sleeve({"torque": "3.0 N·m"}), "family", preload_by=by))["readings"][-1]["torque"]["say"]
    assert words not in within


def test_what_is_accepted_is_accepted_of_one_reading_only() -> None:
    accept = {"what": "old ring", "allowed_by": "CD", "reason": "owner told"}
    n = len(TO_TRIAL) - 1  # the set; the zeroing after it is the last
    assert entries(TO_TRIAL)[n - 1].kind == "set"

    def following(**more: Any) -> str:
        step = next_step(folded([*TO_TRIAL, ("deviation", accept | more)]))
        assert step is not None
        return step.name

    # Something else that was accepted, before or after, says nothing of a depth outside its tolerance.
    assert following() == "depth"
    assert following(entry=n - 2) == "depth"
    assert following(entry=n) == "pinion-preload"


def test_a_run_out_that_is_accepted_does_not_hold_the_job_up() -> None:
    rows = s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL + s.ONE_BOX + s.ONE_DELIVERED + s.ONE_NEW + s.ONE_FINAL
    rows = rows + s.ONE_CARRIER[:4]
    wide = (
        "run-out",
        {"phase": "trial", "readings": ["0", "0.02", "0.04", "0.06", "0.06", "0.04", "0.02", "0"], "unit": "mm"},
    )
    n = len(rows) + 1
    step = next_step(folded([*rows, wide]))
    assert step is not None
    assert step.name == "run-out"
    accepted = ("deviation", {"entry": n, "what": "run-out 0.06", "allowed_by": "CD", "reason": "old ring"})
    step = next_step(folded([*rows, wide, accepted]))
    assert step is not None
    assert step.name == "backlash"


@pytest.mark.parametrize("kind", ["fit", "reserve"])
def test_a_shim_that_was_thrown_away_does_not_come_back(kind: str) -> None:
    job = folded([*TO_TRIAL, *s.ONE_BOX, ("discard", {"piece": "0.80", "reason": "torn"})])
    data = {"place": "depth", "pieces": ["0.80"]} if kind == "fit" else {"piece": "0.80"}
    found = admit(job, kind, data, "AB")
    assert [p.allowed for p in found] == ["a shim that was not discarded; this one was: torn"]
    other = {"place": "depth", "pieces": ["0.86"]} if kind == "fit" else {"piece": "0.86"}
    assert admit(job, kind, other, "AB") == []


def test_several_figures_in_one_text_are_told_how_a_list_is_written() -> None:
    with pytest.raises(JobEntryError, match=re.escape('several of them as a list, such as ["first", "second"]')):
        check_entry("backlash", {"phase": "trial", "places": "0.12,0.19,0.13,0.20", "unit": "mm"})
