"""Three whole jobs, start to finish.  Figures invented, arithmetic derived here; conventions: common practice, no source.

Set statistic of the scenarios: median of the passes in each seating, then mean of the seating medians; its 95 % interval is
4.303 s / sqrt 3 from three seatings.
"""

from __future__ import annotations

import statistics
from decimal import Decimal
from typing import Any

import pytest

from analysis.carrier import learnt_ratio, transfer
from analysis.carrier_plan import carrier_for
from analysis.closure import compare
from analysis.conclusion import conclude
from analysis.plausibility import as_found
from analysis.results import BudgetLine, PlayFinding, SetStatistics
from analysis.setup import parse_setup
from analysis.torque import judge, to_newton_metres

PLAY = PlayFinding("none", None, None, None, "none", None)
IN = 25.4
D = Decimal


def seatings(*passes: list[float], mm: float = 1.0) -> SetStatistics:
    """Statistic of the scenarios, from passes in units of `mm` millimetres."""
    medians = [statistics.median(p) * mm for p in passes]
    s = statistics.stdev(medians)
    u = s / len(medians) ** 0.5
    budget = (BudgetLine("seatings", u, "A", len(medians) - 1.0, "three seatings"),)
    n = sum(len(p) for p in passes)
    return SetStatistics(
        n, 0, len(medians), statistics.fmean(medians), None, s, None, u, len(medians) - 1.0, None, None, budget
    )


def concluded(data: dict[str, Any], stats: SetStatistics) -> tuple[dict[str, Any], dict[str, Any]]:
    depth, shim = conclude(parse_setup(data), stats, PLAY)
    return depth, shim or {}


def ids(choice: dict[str, Any]) -> list[str]:
    return [p["id"] for p in choice["pieces"]]


def ordered(shim: dict[str, Any]) -> list[tuple[str, str]]:
    return [(g["thickness"], g["role"]) for g in shim["order"]]


def closed(before: dict[str, Any], predicted: float, after: dict[str, Any]) -> float:
    """Miss of a re-measurement that agrees, mm."""
    c = compare(
        before["distance_mm"],
        predicted,
        after["distance_mm"],
        before_u_mm=before["u_mm"],
        measured_u_mm=after["u_mm"],
        before_dof=2,
        measured_dof=2,
    )
    assert c.agrees, c.say
    return c.miss_mm


# 1: transaxle, spiral bevel, shim on the retainer side, metric

ONE: dict[str, Any] = {
    "gearset": {
        "nominal": D("61.50"),
        "etched": "+14",
        "etched_step": D("0.01"),
        "etched_sense": "adds",
        "tolerance": D("0.03"),
        "aim": D("0.02"),
    },
    "arbor": {
        "master": {"distance": 60, "reading": 0, "reading_after": 0},
        "reading_sense": "grows",
        "bridge": {"thickness": D("0.10"), "on": "pinion"},
    },
    "housing": {"material": "cast aluminium", "temperature": 21, "arbor_temperature": 21},
    "shims": {
        "fitted": D("0.920"),
        "thicker_moves": "away",
        "max_pieces": 1,
        "stock": [{"thickness": D("0.801"), "id": "0.80"}, {"thickness": D("0.861"), "id": "0.86"}],
        "order_grades": {"from": D("0.60"), "to": D("1.20"), "step": D("0.02")},
    },
}
AS_FOUND = seatings([1.553, 1.551, 1.554, 1.552], [1.548, 1.549, 1.547, 1.549], [1.551, 1.552, 1.550, 1.551])
NEW_BEARINGS = seatings([1.634, 1.633, 1.635, 1.634], [1.631, 1.630, 1.632, 1.630], [1.633, 1.634, 1.632, 1.633])
NEW_SHIM = seatings([1.536, 1.535, 1.537, 1.536], [1.534, 1.533, 1.535, 1.534], [1.537, 1.536, 1.538, 1.537])


def test_one_as_found_supports_the_mark() -> None:
    depth, _ = concluded(ONE, AS_FOUND)
    assert depth["target_mm"] == pytest.approx(61.64, abs=1e-9)
    assert depth["distance_mm"] == pytest.approx(61.6507, abs=5e-5)
    assert depth["error_mm"] == pytest.approx(0.0107, abs=5e-5)
    found = as_found(parse_setup(ONE), depth["distance_mm"], True)
    assert found is not None
    assert found.agrees


def test_one_new_bearings_old_shim() -> None:
    depth, shim = concluded(ONE, NEW_BEARINGS)
    assert depth["distance_mm"] == pytest.approx(61.7325, abs=5e-5)
    assert depth["error_mm"] == pytest.approx(0.0925, abs=5e-5)
    assert depth["U95_mm"] == pytest.approx(0.0045, abs=5e-5)
    assert depth["ruling"] == "outside"
    assert shim["stack_mm"] == pytest.approx(0.8275, abs=5e-5)
    assert "too far out; it must go in" in shim["say"]
    assert "A thicker shim moves it away from the axis here, so take out 0.09" in shim["say"]


def test_one_nothing_in_the_box_so_order() -> None:
    _, shim = concluded(ONE, NEW_BEARINGS)
    assert shim["stock"] is None
    assert ids(shim["fallback"]) == ["0.80"]
    assert shim["fallback"]["predicted_mm"] == pytest.approx(61.6135, abs=5e-5)
    assert shim["fallback"]["predicted_error_mm"] == pytest.approx(-0.0265, abs=5e-5)
    assert ids(shim["runner_up"]) == ["0.86"]
    assert shim["runner_up"]["predicted_error_mm"] == pytest.approx(0.0335, abs=5e-5)
    assert ordered(shim) == [("0.82", "total"), ("0.80", "one thinner"), ("0.84", "one thicker")]


def test_one_the_dirty_seating_would_have_cost() -> None:
    dirty = seatings([1.634, 1.633, 1.635, 1.634], [1.631, 1.630, 1.632, 1.630], [1.679, 1.662, 1.655, 1.671])
    depth, shim = concluded(ONE, dirty)
    assert dirty.minimum_mm == pytest.approx(1.6437, abs=5e-5)
    assert depth["U95_mm"] == pytest.approx(0.049, abs=5e-4)
    assert shim["stack_mm"] == pytest.approx(0.8163, abs=5e-5)
    # The spread gives it away: the wrong shim it picks is not called proven.
    assert depth["U95_mm"] > 10 * concluded(ONE, NEW_BEARINGS)[0]["U95_mm"]
    assert ids(shim["stock"]) == ["0.80"]
    assert shim["stock"]["p_within"] < 0.95
    assert "not proven" in shim["say"]


def test_one_the_delivered_shim_closes_the_loop() -> None:
    before, shim = concluded(ONE, NEW_BEARINGS)
    predicted = before["distance_mm"] + (0.823 - 0.920)
    assert predicted == pytest.approx(61.6355, abs=5e-5)
    boxed = ONE | {"shims": ONE["shims"] | {"stock": [{"thickness": D("0.823"), "id": "0.82"}]}}
    _, shim = concluded(boxed, NEW_BEARINGS)
    assert ids(shim["stock"]) == ["0.82"]
    assert shim["stock"]["predicted_mm"] == pytest.approx(predicted, abs=1e-9)
    after, shim = concluded(ONE | {"shims": ONE["shims"] | {"fitted": D("0.823")}}, NEW_SHIM)
    assert after["distance_mm"] == pytest.approx(61.6357, abs=5e-5)
    assert after["error_mm"] == pytest.approx(-0.0043, abs=5e-5)
    assert after["ruling"] == "within"
    assert "the stack may stay" in shim["say"]
    assert closed(before, predicted, after) == pytest.approx(0.0002, abs=5e-5)


ONE_CARRIER: dict[str, Any] = {
    "carrier": {
        "left": D("1.80"),
        "right": D("1.86"),
        "zero_play_sum": D("3.46"),
        "preload_pinch": D("0.20"),
        "sign": {"left": "toward", "right": "away"},
        "preload_sign": {"left": "more", "right": "more"},
        "step": D("0.01"),
        "backlash": {
            "places": [D("0.27"), D("0.28"), D("0.26"), D("0.27")],
            "target": D("0.18"),
            "tolerance": D("0.03"),
            "spread_limit": D("0.05"),
            "ratio": D("0.70"),
        },
    }
}


def carried(data: dict[str, Any]) -> dict[str, Any]:
    out = carrier_for(parse_setup(data))
    assert out is not None
    return out


def test_one_carrier() -> None:
    """Left is the ring side."""
    out = carried(ONE_CARRIER)
    assert out["pinch_mm"] == pytest.approx(0.20, abs=1e-9)
    assert out["backlash"]["mean_mm"] == pytest.approx(0.270, abs=1e-9)
    assert out["backlash"]["spread_mm"] == pytest.approx(0.02, abs=1e-9)
    assert (out["left_mm"], out["right_mm"]) == pytest.approx((1.93, 1.73), abs=1e-9)
    assert out["left_mm"] + out["right_mm"] == pytest.approx(3.66, abs=1e-9)
    assert out["predicted_mm"] == pytest.approx(0.179, abs=1e-9)
    after = ONE_CARRIER["carrier"] | {
        "left": D("1.93"),
        "right": D("1.73"),
        "backlash": ONE_CARRIER["carrier"]["backlash"] | {"places": [D("0.18"), D("0.19"), D("0.17"), D("0.18")]},
    }
    done = carried({"carrier": after})
    assert done["backlash"]["finding"] == "within"
    assert done["backlash"]["smallest_mm"] == pytest.approx(0.17, abs=1e-9)
    assert done["ring_toward_mm"] is None
    assert learnt_ratio(0.270, done["backlash"]["mean_mm"], 0.13) == pytest.approx(0.692, abs=5e-4)


def test_one_pinion_preload() -> None:
    assert judge(2.8, "N·m", 2.0, 4.0, "N·m").finding == "within"


# 2: axle, hypoid, shim at the head, inch, display negative when extended

TWO: dict[str, Any] = {
    "units": "in",
    "gearset": {
        "nominal": D("2.5000"),
        "etched": "-3",
        "etched_step": D("0.001"),
        "etched_sense": "adds",
        "tolerance": D("0.0020"),
        "aim": D("0.0010"),
    },
    "arbor": {"constant": D("0.8125"), "reading_sense": "shrinks"},
    "shims": {
        "fitted": D("0.0385"),
        "thicker_moves": "toward",
        "max_pieces": 3,
        "thin_limit": D("0.005"),
        "max_thin": 1,
        "stock": [{"thickness": D(t), "id": t} for t in ("0.0251", "0.0119", "0.0061", "0.0040", "0.0029")],
        "order_grades": {"from": D("0.020"), "to": D("0.045"), "step": D("0.001")},
    },
}


def two(*passes: list[float]) -> SetStatistics:
    """Seatings as displayed, inches; one whose readings are over 10 was taken in millimetres."""
    return seatings(*[[x / IN if abs(x) > 10 else x for x in p] for p in passes], mm=IN)


OLD_STACK = two(
    [-1.6782, -1.6785, -1.6780, -1.6783], [-42.640, -42.633, -42.637, -42.633], [-1.6778, -1.6781, -1.6779, -1.6779]
)
DELIVERED = two(
    [-1.6847, -1.6849, -1.6846, -1.6848], [-1.6845, -1.6847, -1.6846, -1.6846], [-1.6848, -1.6850, -1.6849, -1.6848]
)


def test_two_old_stack() -> None:
    depth, shim = concluded(TWO, OLD_STACK)
    assert depth["target_mm"] / IN == pytest.approx(2.4970, abs=1e-9)
    assert depth["distance_mm"] / IN == pytest.approx(2.490731, abs=1e-6)
    assert depth["U95_mm"] / IN == pytest.approx(0.0008, abs=5e-5)
    assert depth["error_mm"] / IN == pytest.approx(-0.00627, abs=5e-6)
    assert depth["ruling"] == "outside"
    assert shim["stack_mm"] / IN == pytest.approx(0.0322, abs=5e-5)
    assert shim["stack_mm"] == pytest.approx(0.819, abs=5e-4)
    assert "too deep; it must go out" in shim["say"]
    assert "A thicker shim moves it toward the axis here, so take out 0.0063 in" in shim["say"]


def test_two_the_box_is_refused_by_a_hair_and_by_the_thin_rule() -> None:
    _, shim = concluded(TWO, OLD_STACK)
    assert shim["stock"] is None
    assert ids(shim["fallback"]) == ["0.0251", "0.0061"]
    assert shim["fallback"]["predicted_mm"] / IN == pytest.approx(2.498031, abs=1e-6)
    outside_by = shim["fallback"]["predicted_error_mm"] / IN - 0.0010
    assert outside_by == pytest.approx(0.00003, abs=5e-6)
    assert ids(shim["runner_up"]) == ["0.0251", "0.0061", "0.0029"]
    assert shim["runner_up"]["predicted_error_mm"] / IN == pytest.approx(-0.00187, abs=5e-6)
    assert ordered(shim) == [("0.032", "total"), ("0.031", "one thinner"), ("0.033", "one thicker")]
    # Without the rule on thin pieces the third stack would have served.
    loose = TWO | {"shims": TWO["shims"] | {"max_thin": 2}}
    _, shim = concluded(loose, OLD_STACK)
    assert ids(shim["stock"]) == ["0.0251", "0.0040", "0.0029"]
    assert shim["stock"]["predicted_error_mm"] / IN == pytest.approx(0.00023, abs=5e-6)


def test_two_the_delivered_shim_closes_the_loop() -> None:
    before, _ = concluded(TWO, OLD_STACK)
    predicted = before["distance_mm"] - (0.0321 - 0.0385) * IN
    assert predicted / IN == pytest.approx(2.497131, abs=1e-6)
    after, shim = concluded(TWO | {"shims": TWO["shims"] | {"fitted": D("0.0321")}}, DELIVERED)
    assert after["distance_mm"] / IN == pytest.approx(2.497233, abs=1e-6)
    assert after["error_mm"] / IN == pytest.approx(0.00023, abs=5e-6)
    assert after["ruling"] == "within"
    assert "the stack may stay" in shim["say"]
    assert closed(before, predicted, after) / IN == pytest.approx(0.0001, abs=5e-6)


def test_two_pinion_preload() -> None:
    steps = [judge(x, "lb·in", 16, 24, "lb·in", crush_sleeve=True).finding for x in (4, 9, 14, 19)]
    assert steps[-1] == "within"
    assert "within" not in steps[:-1]
    over = judge(31, "lb·in", 16, 24, "lb·in", crush_sleeve=True)
    assert over.finding == "above"
    assert over.value_nm == pytest.approx(3.50, abs=5e-3)
    assert "never back the nut off" in over.say


def test_two_carrier() -> None:
    bl = {
        "places": [D("0.0125"), D("0.0130"), D("0.0120"), D("0.0128")],
        "target": D("0.0075"),
        "tolerance": D("0.0015"),
        "ratio": D("0.65"),
    }
    data: dict[str, Any] = {
        "units": "in",
        "carrier": {
            "left": D("0.2420"),
            "right": D("0.2510"),
            "sign": {"left": "toward", "right": "away"},
            "step": D("0.002"),
            "backlash": bl,
        },
    }
    out = carried(data)
    assert out["backlash"]["mean_mm"] / IN == pytest.approx(0.012575, abs=1e-9)
    assert out["backlash"]["spread_mm"] / IN == pytest.approx(0.0010, abs=1e-9)
    assert out["ring_toward_mm"] / IN == pytest.approx(0.0080, abs=1e-9)
    assert (out["left_mm"] / IN, out["right_mm"] / IN) == pytest.approx((0.2500, 0.2430), abs=1e-9)
    assert out["predicted_mm"] / IN == pytest.approx(0.007375, abs=1e-9)
    data["carrier"]["backlash"] = bl | {"places": [D("0.0074"), D("0.0078"), D("0.0070"), D("0.0076")]}
    done = carried(data)
    assert done["backlash"]["finding"] == "within"
    assert done["backlash"]["mean_mm"] / IN == pytest.approx(0.00745, abs=1e-9)
    assert learnt_ratio(0.012575, 0.00745, 0.0080) == pytest.approx(0.641, abs=5e-4)


# 3: transaxle, hypoid, two packs at constant sum, mark is the whole mounting distance

HEAD_HEIGHT = (D("1.4965") * D("25.4")).quantize(D("0.0001"))
THREE: dict[str, Any] = {
    "gearset": {
        "mark": "full-distance",
        "etched": "97.46",
        "head_height": HEAD_HEIGHT,
        "tolerance": D("0.03"),
        "aim": D("0.015"),
    },
    "arbor": {
        "master": {"distance": 59, "reading": D("0.250")},
        "reading_sense": "shrinks",
        "bridge": {"thickness": D("0.15"), "on": "both"},
    },
    "housing": {"material": "magnesium", "temperature": 22, "arbor_temperature": 22},
    "shims": {
        "fitted": D("1.245"),
        "thicker_moves": "toward",
        "max_pieces": 1,
        "stock": [{"thickness": D(t), "id": t} for t in ("1.262", "1.271", "1.243")],
    },
}
COLD = seatings(
    [-0.218, -0.216, -0.219, -0.217, -0.218],
    [-0.222, -0.221, -0.223, -0.222, -0.221],
    [-0.214, -0.215, -0.213, -0.216, -0.214],
)
FINAL = seatings(
    [-0.201, -0.200, -0.202, -0.201, -0.201],
    [-0.204, -0.203, -0.205, -0.204, -0.204],
    [-0.198, -0.199, -0.197, -0.198, -0.198],
)


def test_three_target_from_the_back_face() -> None:
    assert pytest.approx(38.0111, abs=1e-9) == float(HEAD_HEIGHT)
    target = parse_setup(THREE).target
    assert target is not None
    assert target.distance == D("59.4489")


def test_three_hot_housing_is_void() -> None:
    hot = THREE | {"housing": THREE["housing"] | {"temperature": 38}}
    depth, shim = concluded(hot, seatings([-0.260], [-0.260], [-0.260]))
    assert depth["distance_mm"] is None
    assert "too far apart" in depth["reason"]
    assert shim == {}
    # What it would have cost: 140 mm of magnesium against 80 mm of steel, 16 K.
    assert pytest.approx(0.043, abs=1e-3) == 140 * 26e-6 * 16 - 80 * 11.5e-6 * 16


def test_three_cold() -> None:
    depth, shim = concluded(THREE, COLD)
    assert COLD.minimum_mm == pytest.approx(-0.218, abs=1e-9)
    assert depth["distance_mm"] == pytest.approx(59.468, abs=1e-9)
    assert depth["U95_mm"] == pytest.approx(0.010, abs=1e-4)
    assert depth["error_mm"] == pytest.approx(0.0191, abs=1e-9)
    assert shim["stack_mm"] == pytest.approx(1.2641, abs=1e-9)
    assert ids(shim["stock"]) == ["1.262"]
    assert shim["stock"]["predicted_mm"] == pytest.approx(59.451, abs=1e-9)
    assert shim["stock"]["predicted_error_mm"] == pytest.approx(0.0021, abs=1e-9)
    assert shim["order"] == []
    assert "too far out; it must go in" in shim["say"]
    assert "so add 0.019 mm" in shim["say"]


def test_three_the_other_pack_takes_what_the_first_gives() -> None:
    packs = transfer(1.245, 1.130, 0.0191, "toward", "away")
    assert (packs.left, packs.right) == pytest.approx((1.2641, 1.1109), abs=1e-9)
    assert packs.left + packs.right == pytest.approx(2.375, abs=1e-9)


def test_three_final() -> None:
    before, shim = concluded(THREE, COLD)
    after, shim_after = concluded(THREE | {"shims": THREE["shims"] | {"fitted": D("1.262")}}, FINAL)
    assert after["distance_mm"] == pytest.approx(59.451, abs=1e-9)
    assert after["error_mm"] == pytest.approx(0.0021, abs=1e-9)
    assert after["U95_mm"] == pytest.approx(0.0075, abs=1e-4)
    assert after["ruling"] == "within"
    assert "the stack may stay" in shim_after["say"]
    assert closed(before, shim["stock"]["predicted_mm"], after) == pytest.approx(0.0, abs=1e-9)


def test_three_torque_and_backlash() -> None:
    assert to_newton_metres(290, "N·cm") == pytest.approx(2.9, abs=1e-9)
    assert to_newton_metres(25.7, "lb·in") == pytest.approx(2.9, abs=5e-3)
    assert judge(2.9, "N·m", 2.0, 4.0, "N·m").finding == "within"
    out = carried(
        {
            "carrier": {
                "backlash": {
                    "places": [D("0.113"), D("0.116"), D("0.110"), D("0.114")],
                    "radius": 62,
                    "tooth_radius": 88,
                    "target": D("0.16"),
                    "tolerance": D("0.03"),
                }
            }
        }
    )
    b = out["backlash"]
    assert b["places_mm"] == pytest.approx([0.160, 0.165, 0.156, 0.162], abs=5e-4)
    assert b["mean_mm"] == pytest.approx(0.161, abs=5e-4)
    assert b["spread_mm"] == pytest.approx(0.009, abs=5e-4)
    assert b["finding"] == "within"
