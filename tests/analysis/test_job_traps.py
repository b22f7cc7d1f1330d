"""Traps of the trade in a job: what each invites, and what must happen instead.

Figures invented, arithmetic derived here; conventions and limits: common practice, no source.
"""

from __future__ import annotations

from typing import Any

import pytest

from analysis.job import JobEntryError, check_entry, job_as_dict, next_step
from analysis.job.redo import redo_list, void_list
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import changed, corrected, folded, shown

TO_AS_FOUND = s.ONE_START + s.ONE_AS_FOUND
TO_TRIAL = TO_AS_FOUND + s.ONE_TRIAL
TO_NEW = TO_TRIAL + s.ONE_BOX + s.ONE_DELIVERED + s.ONE_NEW


def test_t1_sign_of_the_mark_reversed() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", sense="subtracts"))
    assert v["depth"]["target_mm"] == pytest.approx(61.36, abs=1e-9)
    assert v["depth"]["error_mm"] == pytest.approx(0.29, abs=1e-3)
    assert v["as_found"]["agrees"] is False
    assert "adds in steps of 0.01 mm" in v["as_found"]["say"]
    step = next_step(folded(changed(TO_AS_FOUND + s.ONE_TRIAL[:2], "gearset", sense="subtracts")))
    assert step is not None
    assert step.name == "convention"


def test_t1_a_unit_that_did_not_run_quietly_says_nothing_of_the_mark() -> None:
    rows = changed(changed(TO_AS_FOUND + s.ONE_TRIAL[:2], "gearset", sense="subtracts"), "intake", ran_quietly="no")
    step = next_step(folded(rows))
    assert step is not None
    assert step.name != "convention"


def test_t2_unit_of_the_mark_wrong() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", count="0.001 in"))
    assert v["depth"]["target_mm"] == pytest.approx(61.8556, abs=1e-9)
    assert v["as_found"]["agrees"] is False
    assert any("Check its unit" in n for n in v["depth"]["notes"])


def test_t2_a_mark_without_its_unit_sets_no_target() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", count=None))
    assert v["depth"]["target_mm"] is None
    assert "count" in v["target_missing"]
    assert v["next"]["name"] == "marks"


def reversed_effect() -> list[s.Row]:
    """Scenario 1 with the shim's sign the wrong way round: 1.0125 is fitted and moves the pinion away."""
    rows = changed(TO_TRIAL, "family", shim_effect="-1", effect_basis="stated")
    real = "1.725 1.725 1.725"
    return [
        *rows,
        ("piece", {"id": "thick", "readings": ["1.0125", "1.0125", "1.0125"], "unit": "mm"}),
        ("fit", {"place": "depth", "pieces": ["thick"]}),
        ("state", {"nut": "torqued", "turns": 20}),
        *s.measured("trial", s.seated("mm", real, "1.724 1.724 1.724", "1.726 1.726 1.726"), s.ONE_ZERO, "0.000 mm"),
    ]


def test_t3_direction_of_the_shim_reversed() -> None:
    before = shown(changed(TO_TRIAL, "family", shim_effect="-1", effect_basis="stated"))
    assert before["shim"]["stack_mm"] == pytest.approx(1.0125, abs=1e-9)
    v = shown(reversed_effect())
    (p,) = v["predictions"]
    assert v["depth"]["error_mm"] == pytest.approx(0.185, abs=1e-9)
    assert p["closure"]["cause"] == "sign reversed"
    assert "what a thicker depth shim does" in v["alarm"]
    assert v["next"]["name"] == "closure"
    assert v["shim"]["held"] is True
    assert v["shim"]["stock"] is None
    assert v["shim_effect"]["learnt"]["moves"] == "away"


def test_t3_the_corrected_sign_settles_it() -> None:
    rows = reversed_effect()
    n = next(i for i, (k, _) in enumerate(rows, start=1) if k == "family")
    v = job_as_dict(corrected(rows, n, "family", {**rows[n - 1][1], "shim_effect": "+1", "effect_basis": "bench"}))
    assert v["alarm"] is None
    assert v["shim"]["stack_mm"] == pytest.approx(0.8275, abs=1e-9)
    written = [e for e in v["entries"] if e["kind"] == "family"]
    assert [e["data"]["shim_effect"] for e in written] == ["-1", "+1"]
    assert written[0]["corrected_by"] == [written[1]["n"]]


def test_t3_an_unknown_direction_is_learnt_from_a_real_change() -> None:
    rows = changed(reversed_effect(), "family", shim_effect="unknown", effect_basis=None, page=None)
    before = shown(
        rows[: rows.index(("piece", {"id": "thick", "readings": ["1.0125", "1.0125", "1.0125"], "unit": "mm"}))]
    )
    assert before["shim"]["stack_mm"] is None
    assert "not known" in before["next"]["say"]
    v = shown(rows)
    assert v["shim_effect"]["moves"] == "away"
    assert v["shim"]["stack_mm"] == pytest.approx(0.8275, abs=1e-9)


def test_t4_blade_on_both_is_not_added() -> None:
    rows = s.THREE_START + s.THREE_COLD
    assert shown([*rows[: len(rows)]])["depth"] is None  # the state of the build is not stated yet
    rows = [*s.THREE_START, ("state", s.BUILT), *s.THREE_COLD]
    d = shown(rows)["depth"]
    assert d["distance_mm"] == pytest.approx(59.468, abs=1e-9)
    assert any("it cancels" in x for x in d["steps"])
    wrong = [(k, {**d, "blade_on": "pinion"} if k == "zeroing" and d["when"] == "before" else d) for k, d in rows]
    assert shown(wrong)["depth"]["distance_mm"] == pytest.approx(59.618, abs=1e-9)


def test_t5_display_direction_wrong_asks_for_the_push() -> None:
    rows = changed(
        [*s.THREE_START, ("state", s.BUILT), *s.THREE_COLD], "direction", pushed_in=None, stated="grows", basis="seen"
    )
    v = shown(rows)
    assert v["depth"]["error_mm"] == pytest.approx(-0.9169, abs=1e-9)
    assert v["shim"]["stack_mm"] is None
    assert "Push the plunger in" in v["shim"]["say"]


def test_t5_without_a_direction_there_is_no_distance() -> None:
    rows = [r for r in TO_AS_FOUND if r[0] != "direction"]
    v = shown(rows)
    assert v["depth"]["distance_mm"] is None
    assert v["next"]["name"] == "direction"


def test_t5_a_push_that_shows_the_other_way_voids_what_went_before() -> None:
    v = shown([*TO_AS_FOUND, ("direction", {"pushed_in": "rises"})])
    assert v["depth"] is None
    assert "the other way" in v["void"][0]["reasons"][0]["reason"]


def test_t6_a_mark_ten_times_too_large_is_doubted() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", mark="+20", second_reading="+20"))
    assert any("Check its unit" in n for n in v["depth"]["notes"])


def test_t7_two_marks_are_not_averaged() -> None:
    v = shown(changed(TO_AS_FOUND, "gearset", mark="m+8 (+3)", second_reading="m+8 (+3)"))
    assert v["depth"]["target_mm"] == pytest.approx(61.58, abs=1e-9)
    assert any("0.0038 mm off" in x for x in v["depth"]["steps"])
    assert v["gearset"]["mark"] == "m+8 (+3)"


@pytest.mark.parametrize(("mark", "target"), [("98", 72.98), ("03", 73.03)])
def test_t8_two_decimals_roll_over(mark: str, target: float) -> None:
    rows = changed(
        TO_AS_FOUND,
        "gearset",
        mark=mark,
        second_reading=mark,
        form="two-decimals",
        nominal="73.00 mm",
        count=None,
        sense=None,
    )
    assert shown(rows)["depth"]["target_mm"] == pytest.approx(target, abs=1e-9)


def test_t9_no_mark_is_unknown_and_needs_a_reason() -> None:
    with pytest.raises(JobEntryError) as e:
        check_entry("gearset", {"no_mark": True, "pinion_pair": "1", "ring_pair": "1"})
    assert e.value.problems[0].field == "gearset.reason"
    fields = dict.fromkeys(("mark", "form", "nominal", "count", "sense", "second_reading", "second_reader"))
    v = shown(changed(TO_AS_FOUND, "gearset", **fields, no_mark=True, reason="worn off"))
    assert v["depth"]["target_mm"] is None
    assert "no mark is not 0" in v["target_missing"]
    with_target = [
        *changed(TO_AS_FOUND, "gearset", **fields, no_mark=True, reason="worn off"),
        ("target", {"distance": "61.651 mm", "source": "as found, ran quietly"}),
    ]
    assert shown(with_target)["depth"]["error_mm"] == pytest.approx(-0.0003, abs=5e-5)


def test_t10_inches_are_kept_exact() -> None:
    v = shown([*s.TWO_START[:-6], ("fit", {"place": "depth", "stack": "0.0322 in"})])
    assert v["stacks"]["depth"]["thickness"] == "0.0322 in"
    assert v["stacks"]["depth"]["thickness_mm"] == 0.81788


def test_t11_a_side_shim_under_a_flange_takes_preload_off() -> None:
    flange: dict[str, Any] = {
        "left_moves": "away",
        "right_moves": "toward",
        "left_preload": "less",
        "right_preload": "less",
    }
    thicker = [("fit", {"place": "left", "stack": "1.90 mm"}) if r == s.ONE_CARRIER[0] else r for r in s.ONE_CARRIER]
    inside = [shown(TO_NEW + s.ONE_FINAL + c)["carrier"]["pinch_mm"] for c in (s.ONE_CARRIER, thicker)]
    assert inside[1] - inside[0] == pytest.approx(0.10, abs=1e-9)
    base = changed(TO_NEW + s.ONE_FINAL, "family", **flange)
    under = [shown(base + c)["carrier"]["pinch_mm"] for c in (s.ONE_CARRIER, thicker)]
    assert under[1] - under[0] == pytest.approx(-0.10, abs=1e-9)


def test_t11_signs_that_no_carrier_can_have_are_refused() -> None:
    family = next(d for k, d in s.ONE_START if k == "family")
    with pytest.raises(JobEntryError, match="shims placed alike"):
        check_entry("family", {**family, "right_moves": "toward"})


@pytest.mark.parametrize(("effect", "change"), [("-1", 0.0762), ("+1", -0.0762)])
def test_t12_change_of_mark(effect: str, change: float) -> None:
    rows = changed(s.TWO_START, "family", shim_effect=effect)
    v = shown([*rows, ("starter", {"old_mark": "+2", "new_mark": "-1"})])
    assert v["starter"]["change_mm"] == pytest.approx(change, abs=1e-12)


def test_t13_change_of_mark_where_plus_is_deeper() -> None:
    rows = changed(changed(TO_TRIAL, "gearset", sense="subtracts"), "family", shim_effect="-1")
    v = shown([*rows, ("starter", {"old_mark": "+8", "new_mark": "+22"})])
    assert v["starter"]["change_mm"] == pytest.approx(0.14, abs=1e-12)
    assert v["starter"]["stack_mm"] == pytest.approx(1.06, abs=1e-12)


@pytest.mark.parametrize(("effect", "change"), [("-1", -0.0762), ("+1", 0.0762)])
def test_t17_a_taller_bearing_stack(effect: str, change: float) -> None:
    v = shown([*changed(TO_TRIAL, "family", shim_effect=effect), ("starter", {"taller": "0.003 in"})])
    assert v["starter"]["change_mm"] == pytest.approx(change, abs=1e-12)
    unknown = changed(TO_TRIAL, "family", shim_effect="unknown", effect_basis=None)
    assert shown([*unknown, ("starter", {"taller": "0.003 in"})])["starter"]["change_mm"] is None


@pytest.mark.parametrize("after", ["0.012 mm", "-0.012 mm", "0.0051 mm", "0.0003 in"])
def test_t14_a_master_that_does_not_come_back(after: str) -> None:
    rows = [*TO_AS_FOUND[:-1], ("zeroing", {"when": "after", "reading": after})]
    v = shown(rows)
    assert v["depth"] is None
    assert v["readings"][-1]["status"] == "void"
    assert "everything measured since" in v["void"][0]["reasons"][0]["reason"]


@pytest.mark.parametrize("after", ["0.005 mm", "-0.005 mm", "0.0001 in"])
def test_t14_within_the_limit_holds(after: str) -> None:
    v = shown([*TO_AS_FOUND[:-1], ("zeroing", {"when": "after", "reading": after})])
    assert v["readings"][-1]["status"] == "valid"


def test_t14_the_shop_may_be_stricter_but_not_laxer() -> None:
    strict = [("limit", {"name": "zero-drift", "value": "0.002 mm", "page": "shop"}), *TO_AS_FOUND[:-1]]
    v = shown([*strict, ("zeroing", {"when": "after", "reading": "0.003 mm"})])
    assert v["readings"][-1]["status"] == "void"
    with pytest.raises(JobEntryError, match=r"at most 0\.005 mm"):
        check_entry("limit", {"name": "zero-drift", "value": "0.01 mm", "page": "shop"})


def test_t15_pound_feet_for_pound_inches() -> None:
    v = shown([*s.TWO_START, ("preload", {"where": "pinion", "phase": "trial", "torque": "19 lb·ft"})])
    t = v["readings"][-1]["torque"]
    assert t["finding"] == "implausible"
    assert "12 times" in t["say"]


def test_t15_a_string_on_a_drum() -> None:
    v = shown(
        [*s.TWO_START, ("preload", {"where": "pinion", "phase": "trial", "force": "42.934 N", "radius": "50 mm"})]
    )
    assert v["readings"][-1]["torque"]["value_nm"] == pytest.approx(2.1467, abs=1e-9)
    assert v["readings"][-1]["torque"]["finding"] == "within"


def test_t16_nut_retorqued_after_the_depth_reading() -> None:
    assert shown(TO_NEW)["depth"]["status"] == "valid"
    job = folded([*TO_NEW, ("state", {"nut": "torqued", "nut_torque": "220 N·m"})])
    assert job.latest("depth") is None
    last = void_list(job)[-1]
    assert last["status"] == "void"
    assert "nut torqued (220 N·m)" in last["reasons"][-1]["reason"]
    redo = redo_list(job)
    assert [r["kind"] for r in redo] == ["depth"]
    step = next_step(job)
    assert step is not None
    assert step.say.startswith("Measure the depth again: entry")
    assert job_as_dict(job)["shim"] is None


@pytest.mark.parametrize(
    ("given", "word"),
    [
        ({"bearings_replaced": "pinion", "bearings": "new"}, "bearing"),
        ({"retainer": "torqued"}, "retainer"),
        ({"covers": "torqued"}, "covers"),
        ({"nut": "loose"}, "nut"),
    ],
)
def test_t16_other_changes_void_the_depth(given: dict[str, Any], word: str) -> None:
    job = folded([*TO_NEW, ("state", given)])
    assert job.latest("depth") is None
    assert word in void_list(job)[-1]["reasons"][-1]["reason"]


def test_t16_warming_within_one_zeroing() -> None:
    at = len(TO_TRIAL) - 1
    rows = [*TO_TRIAL[:at], ("state", {"arbor_temperature": "26 °C"}), TO_TRIAL[at]]
    assert "warmed" in void_list(folded(rows))[-1]["reasons"][0]["reason"]
    # After the master was read again the set stands.
    assert folded([*TO_TRIAL, ("state", {"arbor_temperature": "26 °C"})]).latest("depth") is not None


def test_t16_a_knock_before_the_master_was_read_again() -> None:
    rows = [*TO_TRIAL[:-1], ("incident", {"instrument": "I1", "what": "knock"})]
    assert "can no longer be checked" in void_list(folded(rows))[-1]["reasons"][0]["reason"]


def test_t16_a_shim_change_asks_for_backlash_again() -> None:
    rows = s.ONE[: s.ONE.index(s.ONE_END[0])]
    assert redo_list(folded(rows)) == []
    again = folded([*rows, ("fit", {"place": "depth", "stack": "0.830 mm"})])
    assert {r["kind"] for r in redo_list(again)} == {"depth", "pinion-preload", "backlash"}


def test_t16_a_preload_change_asks_for_depth_again() -> None:
    rows = s.ONE[: s.ONE.index(s.ONE_CARRIER[0])]
    again = folded([*rows, ("state", {"nut": "torqued", "turns": 20})])
    assert {r["kind"] for r in redo_list(again)} == {"depth", "pinion-preload"}


def test_t16_closing_the_covers_over_the_carrier_leaves_the_depth() -> None:
    rows = s.ONE[: s.ONE.index(s.ONE_CARRIER[0])]
    assert folded([*rows, ("state", {"carrier": "in", "covers": "torqued"})]).latest("depth") is not None


@pytest.mark.parametrize(
    ("wrong", "word"),
    [
        ({"seal": "in"}, "the seal: in, must be out"),
        ({"turns": 5}, "turns of the shaft since it was last touched: 5"),
        ({"covers": "loose"}, "caps or side covers: loose, must be torqued"),
        ({"bearings_seated": False}, "each race home"),
        ({"nut": "loose"}, "the pinion nut: loose"),
        ({"carrier": "in"}, "the carrier: in"),
    ],
)
def test_t16_a_reading_in_a_wrong_state_is_kept_and_not_used(wrong: dict[str, Any], word: str) -> None:
    at = next(i for i, (k, d) in enumerate(TO_TRIAL) if k == "state" and d.get("bearings_replaced"))
    rows = [*TO_TRIAL[:at], ("state", {**TO_TRIAL[at][1], **wrong}), *TO_TRIAL[at + 1 :]]
    v = shown(rows)
    r = v["readings"][-1]
    assert r["status"] == "wrong state"
    assert any(word in x for x in r["wrong"])
    assert r["depth"]["distance_mm"] == pytest.approx(61.7325, abs=5e-5)
    assert v["depth"] is None
    assert v["shim"] is None
    v = shown([*rows, ("allow", {"entry": r["entry"], "reason": "seal cut away, no drag"})])
    assert v["depth"]["distance_mm"] == pytest.approx(61.7325, abs=5e-5)
    assert v["readings"][-1]["wrong"]
    assert "seal cut away" in v["readings"][-1]["allowed"]


def test_t16_a_state_that_is_not_stated_is_not_assumed() -> None:
    rows = [r for r in TO_TRIAL if r[0] != "state"]
    r = shown(rows)["readings"][-1]
    assert r["status"] == "wrong state"
    said = [x for x in r["wrong"] if "not stated" in x]
    assert all(any(name in x for x in said) for name in ("nut", "covers", "seal", "bearings", "turns"))


def test_what_a_depth_reading_would_lack_is_said_before_it_is_taken() -> None:
    rows = [*TO_AS_FOUND, *(r for r in s.ONE_TRIAL if r[0] != "state")]
    at = max(i for i, (k, d) in enumerate(rows) if k == "zeroing" and d["when"] == "before")
    say = next_step(folded(rows[:at])).say  # type: ignore[union-attr]
    assert "Read the master before it." in say
    assert "To be put right first: the pinion nut: as found, must be torqued or nipped" in say
    assert "Still to be written down, or it does not count: " in say
    assert "each race home, turns of the shaft, at least 20 both ways seat the rollers" in say
    ready = next_step(folded(TO_TRIAL[: max(i for i, (k, _) in enumerate(TO_TRIAL) if k == "set")]))
    assert ready is not None
    assert "does not count" not in ready.say
    assert "Read the master" not in ready.say


def test_an_as_found_depth_in_a_wrong_state_is_still_asked_for_before_anything_is_loosened() -> None:
    rows: list[s.Row] = [(k, {**d, "covers": "loose"} if k == "state" else d) for k, d in TO_AS_FOUND]
    step = next(x for x in shown(rows)["steps"] if x["step"] == "as-found")
    assert "the depth, carrier out, nut not yet loosened" in step["missing"]
    assert "caps or side covers: loose, must be torqued" in step["missing"]
    loosened = shown([*rows, ("state", {"nut": "loose"})])
    assert next(x for x in loosened["steps"] if x["step"] == "as-found")["missing"] is None, (
        "there is no other any more"
    )


def test_t18_spread_before_mean() -> None:
    rows = s.ONE[: s.ONE.index(s.ONE_CARRIER[-1])]
    v = shown([*rows, ("backlash", {"phase": "trial", "places": ["0.12", "0.19", "0.13", "0.20"], "unit": "mm"})])
    assert v["carrier"]["backlash"]["finding"] == "uneven"
    assert "run-out first" in v["carrier"]["say"]
    assert v["next"]["name"] == "backlash"


# what the gear set and the people say
