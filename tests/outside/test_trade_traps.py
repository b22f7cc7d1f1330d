"""Traps of the trade: the wrong result each invites, and what must happen instead.

Figures invented, arithmetic derived here; conventions and limits: common practice, no source.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from analysis.backlash_ruling import judge_backlash
from analysis.carrier import backlash, pinch
from analysis.carrier_plan import carrier_for
from analysis.closure import compare
from analysis.conclusion import conclude
from analysis.marks import MarkError, shim_change_for_mark, target_from_deviation, target_from_two_decimals
from analysis.plausibility import as_found
from analysis.results import BudgetLine, PlayFinding, SetStatistics
from analysis.setup import SetupError, parse_setup
from analysis.shims import change_for_bearing
from analysis.torque import judge

D = Decimal
PLAY = PlayFinding("none", None, None, None, "none", None)


def readings(minimum: float, u: float = 0.001) -> SetStatistics:
    budget = (BudgetLine("seatings", u, "A", 2.0, "three seatings"),)
    return SetStatistics(12, 0, 3, minimum, None, u, None, u, 2.0, None, None, budget)


def retainer_side(sense: str = "adds", step: str = "0.01", moves: str = "away") -> dict[str, Any]:
    """Nominal 61.50, mark +14; master 60 at display 0, blade 0.10 on the pinion; stack 0.920."""
    return {
        "gearset": {
            "nominal": D("61.50"),
            "etched": "+14",
            "etched_step": D(step),
            "etched_sense": sense,
            "tolerance": D("0.03"),
        },
        "arbor": {
            "master": {"distance": 60, "reading": 0},
            "reading_sense": "grows",
            "bridge": {"thickness": D("0.10"), "on": "pinion"},
        },
        "shims": {"fitted": D("0.920"), "thicker_moves": moves},
    }


AS_FOUND, NEW_BEARINGS = readings(1.5507), readings(1.6325)


def concluded(data: dict[str, Any], stats: SetStatistics) -> tuple[dict[str, Any], dict[str, Any]]:
    depth, shim = conclude(parse_setup(data), stats, PLAY)
    return depth, shim or {}


def test_t1_sign_of_the_mark_reversed() -> None:
    data = retainer_side(sense="subtracts")
    depth, _ = concluded(data, AS_FOUND)
    assert depth["target_mm"] == pytest.approx(61.36, abs=1e-9)
    assert depth["error_mm"] == pytest.approx(0.29, abs=1e-3)
    found = as_found(parse_setup(data), depth["distance_mm"], True)
    assert found is not None
    assert not found.agrees
    assert found.readings == ("adds in steps of 0.01 mm",)
    assert "ran quietly" in found.say


def test_t2_unit_of_the_mark_wrong() -> None:
    data = retainer_side(step="0.0254")
    depth, _ = concluded(data, NEW_BEARINGS)
    assert depth["target_mm"] == pytest.approx(61.8556, abs=1e-9)
    assert depth["error_mm"] == pytest.approx(-0.1231, abs=1e-9)
    # The mark itself is doubted, and so is the unit that ran quietly.
    assert any("Check its unit" in n for n in depth["notes"])
    found = as_found(parse_setup(data), 61.6507, True)
    assert found is not None
    assert not found.agrees
    assert found.readings == ("adds in steps of 0.01 mm",)


def test_t2_a_mark_without_its_unit_is_refused() -> None:
    data = retainer_side()
    del data["gearset"]["etched_step"]
    with pytest.raises(SetupError, match="the length of one count of the mark"):
        parse_setup(data)


def test_t3_direction_of_the_shim_reversed() -> None:
    wrong, shim = concluded(retainer_side(moves="toward"), NEW_BEARINGS)
    assert shim["stack_mm"] == pytest.approx(1.0125, abs=1e-9)
    # Fitted, it really moves the pinion away by what was added.
    real = wrong["distance_mm"] + (1.0125 - 0.920)
    after, _ = concluded(retainer_side(moves="toward"), readings(real - 60.10))
    assert after["error_mm"] == pytest.approx(0.185, abs=1e-9)
    c = compare(
        wrong["distance_mm"],
        wrong["target_mm"],
        after["distance_mm"],
        before_u_mm=wrong["u_mm"],
        measured_u_mm=after["u_mm"],
        before_dof=2,
        measured_dof=2,
    )
    assert not c.agrees
    assert c.cause == "sign reversed"
    assert c.miss_mm == pytest.approx(2 * 0.0925, abs=1e-9)
    assert "shims.thicker_moves" in c.say


def mounting_distance(sense: str = "shrinks", on: str = "both") -> dict[str, Any]:
    """Etched 97.46 to the back face; master 59 at +0.250; blade 0.15."""
    return {
        "gearset": {"mark": "full-distance", "etched": "97.46", "head_height": D("38.0111"), "tolerance": D("0.03")},
        "arbor": {
            "master": {"distance": 59, "reading": D("0.250")},
            "reading_sense": sense,
            "bridge": {"thickness": D("0.15"), "on": on},
        },
        "shims": {"fitted": D("1.245"), "thicker_moves": "toward"},
    }


def test_t4_blade_on_both_is_not_added() -> None:
    depth, _ = concluded(mounting_distance(), readings(-0.218))
    assert depth["distance_mm"] == pytest.approx(59.468, abs=1e-9)
    assert any("it cancels" in s for s in depth["steps"])
    wrong, _ = concluded(mounting_distance(on="pinion"), readings(-0.218))
    assert wrong["distance_mm"] == pytest.approx(59.618, abs=1e-9)
    assert wrong["error_mm"] == pytest.approx(0.1691, abs=1e-9)


def test_t5_display_direction_wrong_asks_for_the_push_test() -> None:
    depth, shim = concluded(mounting_distance("grows"), readings(-0.218))
    assert depth["distance_mm"] == pytest.approx(58.532, abs=1e-9)
    assert depth["error_mm"] == pytest.approx(-0.9169, abs=1e-9)
    assert any("not plausible" in n and "Push the plunger in" in n for n in depth["notes"])
    assert shim["stack_mm"] is None
    assert "Push the plunger in" in shim["say"]


def test_t5_no_direction_no_distance() -> None:
    data = mounting_distance()
    del data["arbor"]["reading_sense"]
    depth, _ = concluded(data, readings(-0.218))
    assert depth["distance_mm"] is None
    assert "push the plunger in" in depth["reason"]


def test_t6_a_mark_ten_times_too_large_is_doubted() -> None:
    wrong = target_from_deviation(D(60), "+20", D("0.01"), "adds", D(1))
    assert wrong.deviation == D("0.20")
    assert "Check its unit" in wrong.warning
    assert target_from_deviation(D(60), "+20", D("0.001"), "adds", D(1)).warning == ""
    data = retainer_side()
    data["gearset"]["etched"] = "+20"
    assert any("Check its unit" in n for n in concluded(data, NEW_BEARINGS)[0]["notes"])


def test_t7_two_marks_are_not_averaged() -> None:
    data = retainer_side()
    data["gearset"]["etched"] = "m+8 (+3)"
    depth, _ = concluded(data, NEW_BEARINGS)
    assert depth["target_mm"] == pytest.approx(61.58, abs=1e-9)
    assert any("0.0762 mm, 0.0038 mm off" in s for s in depth["steps"])


@pytest.mark.parametrize(("text", "target"), [("98", "72.98"), ("03", "73.03")])
def test_t8_two_decimals_roll_over(text: str, target: str) -> None:
    assert target_from_two_decimals(D("73.00"), text).distance == D(target)


def test_t9_no_mark_is_unknown() -> None:
    data = retainer_side()
    for key in ("etched", "etched_step", "etched_sense"):
        del data["gearset"][key]
    depth, shim = concluded(data, NEW_BEARINGS)
    assert depth["target_mm"] is None
    assert depth["error_mm"] is None
    assert any("no mark is not 0" in n for n in depth["notes"])
    assert shim == {}
    with pytest.raises(MarkError):
        target_from_deviation(D(60), "", D("0.01"), "adds", D(1))


def test_t10_inches_are_kept_exact() -> None:
    setup = parse_setup({"units": "in", "shims": {"fitted": D("0.0322")}})
    assert setup.to_mm(setup.shims.fitted) == 0.81788
    data: dict[str, Any] = {
        "units": "in",
        "gearset": {"mark": "full-distance", "etched": "2.5"},
        "arbor": {"constant": D("2.5"), "reading_sense": "grows"},
        "shims": {"fitted": D("0.0322"), "thicker_moves": "away"},
    }
    _, shim = concluded(data, readings(0.0))
    assert shim["stack_mm"] == 0.81788


def test_t11_carrier_shim_under_a_flange() -> None:
    assert pinch(1.90, 1.86, 3.66, "more") - pinch(1.80, 1.86, 3.66, "more") == pytest.approx(0.10, abs=1e-9)
    assert pinch(1.90, 1.86, 3.66, "less") - pinch(1.80, 1.86, 3.66, "less") == pytest.approx(-0.10, abs=1e-9)
    # The sign is asked for, per side.
    out = carrier_for(parse_setup({"carrier": {"left": 1.9, "right": 1.86, "zero_play_sum": 3.66}}))
    assert out is not None
    assert out["pinch_mm"] is None
    assert "State carrier.preload_sign" in str(out["say"])


@pytest.mark.parametrize(("effect", "change"), [(-1, "0.003"), (1, "-0.003")])
def test_t12_change_of_mark(effect: int, change: str) -> None:
    assert shim_change_for_mark(D(2), D(-1), D("0.001"), "adds", effect) == D(change)


def test_t13_change_of_mark_where_plus_is_deeper() -> None:
    assert shim_change_for_mark(D(8), D(22), D("0.01"), "subtracts", -1) == D("0.14")


@pytest.mark.parametrize(("before", "after"), [("0", "0.012"), ("0", "-0.012"), ("0.250", "0.262")])
def test_t14_a_master_that_does_not_come_back(before: str, after: str) -> None:
    data = retainer_side()
    data["arbor"]["master"] = {"distance": 60, "reading": D(before), "reading_after": D(after)}
    depth, shim = concluded(data, NEW_BEARINGS)
    assert depth["distance_mm"] is None
    assert "void" in depth["reason"]
    assert "0.012" in depth["reason"]
    assert shim == {}


def test_t14_within_five_micrometres_holds() -> None:
    data = retainer_side()
    data["arbor"]["master"] = {"distance": 60, "reading": D("0.250"), "reading_after": D("0.255")}
    assert concluded(data, NEW_BEARINGS)[0]["distance_mm"] is not None


def test_t15_pound_feet_for_pound_inches() -> None:
    r = judge(19, "lb·ft", 16, 24, "lb·in")
    assert r.finding == "implausible"
    assert r.value_nm == pytest.approx(25.8, abs=0.05)
    assert "12 times" in r.say


@pytest.mark.parametrize(("effect", "change"), [(-1, "-0.076"), (1, "0.076")])
def test_t17_a_taller_bearing_stack(effect: int, change: str) -> None:
    """0.003 in more between head and seat, through the chain as well: the distance tells the same."""
    assert change_for_bearing(D("0.076"), effect) == D(change)
    moves = "away" if effect > 0 else "toward"
    data = retainer_side(moves=moves)
    # Taller bearings push the head away from the seat, toward the axis.
    _, before = concluded(data, readings(1.54))
    _, after = concluded(data, readings(1.54 - 0.076))
    assert after["stack_mm"] - before["stack_mm"] == pytest.approx(float(D(change)), abs=1e-9)


def test_t18_spread_before_mean() -> None:
    b = backlash([0.12, 0.19, 0.13, 0.20])
    assert b.mean == pytest.approx(0.16, abs=1e-9)
    assert b.spread == pytest.approx(0.08, abs=1e-9)
    r = judge_backlash(b, 0.15, 0.05, 0.05)
    assert r.finding == "uneven"
    assert "run-out first" in r.say
