"""Distance, ruling and shim together: what is said, what is withheld, what is never filled in."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from decimal import Decimal
from typing import Any

import pytest

from analysis.conclusion import conclude, shim_for
from analysis.results import BudgetLine, Finding, PlayFinding, SetStatistics
from analysis.setup import Setup, parse_setup


def readings(minimum: float | None, u: float = 0.001, dof: float = 20.0) -> SetStatistics:
    budget = (BudgetLine("repeatability", u, "A", dof, "sweeps"),)
    return SetStatistics(9, 0, 3, minimum, 0.001, 0.001, 0.003, u, dof, None, None, budget)


def play(finding: Finding = "none") -> PlayFinding:
    return PlayFinding(finding, None, None, None, "none", None)


STOCK = [{"thickness": 0.60, "id": "A"}, {"thickness": 0.622, "id": "B"}, {"thickness": 0.30, "id": "C", "count": 2}]


def bench(*drop: str, **more: Any) -> Setup:
    """Target 60.03 ± 0.03, aim ± 0.015; stack 0.700, thicker moves away; `drop` leaves keys out, `more` adds sections."""
    data: dict[str, Any] = {
        "gearset": {
            "nominal": 60,
            "etched": "+3",
            "etched_step": Decimal("0.01"),
            "etched_sense": "adds",
            "tolerance": Decimal("0.03"),
            "aim": Decimal("0.015"),
        },
        "arbor": {"constant": 58, "reading_sense": "grows"},
        "shims": {
            "fitted": Decimal("0.700"),
            "thicker_moves": "away",
            "max_pieces": 2,
            "stock": STOCK,
            "order_grades": {"from": Decimal("0.50"), "to": Decimal("1.00"), "step": Decimal("0.02")},
        },
    }
    for key in drop:
        section, name = key.split(".")
        del data[section][name]
    for section, changes in more.items():
        data[section] = data.get(section, {}) | changes
    return parse_setup(data)


def run(
    setup: Setup, error: float, u: float = 0.001, finding: Finding = "none"
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Conclusion for a pinion this far from target 60.03."""
    depth, shim = conclude(setup, readings(2.03 + error, u), play(finding))
    json.dumps([depth, shim], allow_nan=False)
    return depth, shim or {}


def test_chain() -> None:
    depth, shim = run(bench(), 0.08)
    assert depth["distance_mm"] == pytest.approx(60.11, abs=1e-9)
    assert depth["target_mm"] == pytest.approx(60.03, abs=1e-9)
    assert depth["error_mm"] == pytest.approx(0.08, abs=1e-9)
    assert depth["ruling"] == "outside"
    assert shim["stack_mm"] == pytest.approx(0.62, abs=1e-9)
    assert shim["change_mm"] == pytest.approx(-0.08, abs=1e-9)
    assert [p["id"] for p in shim["stock"]["pieces"]] == ["B"]
    assert shim["stock"]["predicted_mm"] == pytest.approx(60.032, abs=1e-9)
    assert shim["stock"]["p_within"] > 0.99
    assert "too far out; it must go in" in shim["say"]
    assert "take out 0.080 mm" in shim["say"]
    assert shim["order"] == []


@pytest.mark.parametrize(
    ("moves", "error", "stack", "words"),
    [
        ("away", 0.05, 0.65, ("too far out", "moves it away from", "take out 0.050 mm")),
        ("away", -0.05, 0.75, ("too deep", "moves it away from", "add 0.050 mm")),
        ("toward", 0.05, 0.75, ("too far out", "moves it toward", "add 0.050 mm")),
        ("toward", -0.05, 0.65, ("too deep", "moves it toward", "take out 0.050 mm")),
    ],
)
def test_direction_in_numbers_and_words(moves: str, error: float, stack: float, words: tuple[str, ...]) -> None:
    _, shim = run(bench(shims={"thicker_moves": moves, "stock": []}), error)
    assert shim["stack_mm"] == pytest.approx(stack, abs=1e-9)
    for word in words:
        assert word in shim["say"]
    # The order is predicted with the same sign.
    total = next(g for g in shim["order"] if g["role"] == "total")
    sign = 1 if moves == "away" else -1
    assert total["predicted_error_mm"] == pytest.approx((total["thickness_mm"] - stack) * sign, abs=1e-9)


def test_an_aim_is_never_invented() -> None:
    """Without one the tolerance itself is the limit, and said to be."""
    stock = [{"thickness": Decimal("0.645"), "id": "D"}]
    assert run(bench(shims={"stock": stock}), 0.08)[1]["stock"] is None
    _, shim = run(bench("gearset.aim", shims={"stock": stock}), 0.08)
    assert shim["stock"]["predicted_error_mm"] == pytest.approx(0.025, abs=1e-9)
    _, shim = run(bench("gearset.aim", shims={"stock": [{"thickness": 0.7}]}), 0.08)
    assert "reaches the tolerance" in shim["say"]
    assert "aim" not in shim["say"]


def test_a_fallback_is_inside_the_tolerance_and_outside_the_aim() -> None:
    for thickness, fallback in (("0.645", True), ("0.651", False)):
        _, shim = run(bench(shims={"stock": [{"thickness": Decimal(thickness), "id": "D"}]}), 0.08)
        assert shim["stock"] is None
        assert (shim["fallback"] is not None) == fallback
        assert "nearest: D" in shim["say"]
    _, shim = run(bench("gearset.tolerance", shims={"stock": [{"thickness": Decimal("0.645")}]}), 0.08)
    assert shim["fallback"] is None


def test_a_choice_that_would_not_be_proven_says_so() -> None:
    stock = [{"thickness": Decimal("0.648"), "id": "D"}]
    _, shim = run(bench("gearset.aim", shims={"stock": stock}), 0.08, u=0.003)
    assert shim["stock"]["p_within"] < 0.95
    assert "not proven" in shim["say"]
    assert "not proven" not in run(bench(), 0.08)[1]["say"]


def test_without_aim_and_tolerance_nothing_is_good_enough_or_ruled() -> None:
    depth, shim = run(bench("gearset.aim", "gearset.tolerance"), 0.08)
    assert depth["ruling"] == "not proven"
    assert depth["p_within"] is None
    assert any("never filled in" in n for n in depth["notes"])
    assert shim["stock"] is None
    assert "no stack can be called good enough" in shim["say"]
    assert shim["order"][0]["thickness"] == "0.62"


def test_limits_are_compared_exactly() -> None:
    """0.015 is inside an aim of 0.015; a picometre more is not."""
    on = [{"thickness": Decimal("0.635"), "id": "on"}]
    beyond = [{"thickness": Decimal("0.635000000001"), "id": "beyond"}]
    assert run(bench(shims={"stock": on}), 0.08)[1]["stock"] is not None
    assert run(bench(shims={"stock": beyond}), 0.08)[1]["stock"] is None


def test_pieces_nobody_limited_are_said() -> None:
    _, shim = run(bench("shims.max_pieces", shims={"stock": [{"thickness": 0.31, "count": 2}]}), 0.08)
    assert len(shim["stock"]["pieces"]) == 2
    assert "shims.max_pieces is not stated" in shim["say"]
    assert "max_pieces" not in run(bench(), 0.08)[1]["say"]


def test_within_leaves_the_stack_alone() -> None:
    depth, shim = run(bench(), 0.004)
    assert depth["ruling"] == "within"
    assert "within the aim: the stack may stay" in shim["say"]
    assert not re.search(r"must go|add|take out", shim["say"]), "nothing is to be moved"
    assert shim["stock"] is None
    assert shim["order"] == []
    # Within the tolerance but outside the aim it does not stay.
    depth, shim = run(bench(), 0.02)
    assert depth["ruling"] == "within"
    assert "may stay" not in shim["say"]
    assert "may stay" in run(bench("gearset.aim"), 0.02)[1]["say"]


@pytest.mark.parametrize("finding", ["present", "suspected"])
def test_play_keeps_a_distance_from_being_ruled_within(finding: Finding) -> None:
    depth, shim = run(bench(), 0.0, finding=finding)
    assert depth["ruling"] == "not proven"
    assert any("bearing play" in n for n in depth["notes"])
    assert "may stay" not in shim["say"]
    assert ("First put the bearing play right" in shim["say"]) == (finding == "present")
    assert run(bench(), 0.2, finding=finding)[0]["ruling"] == "outside"


@pytest.mark.parametrize(
    ("sweeps", "error", "ruling"), [(1, 0.0, ""), (2, 0.0, ""), (2, 0.2, ""), (3, 0.0, "within"), (3, 0.2, "outside")]
)
def test_nothing_is_ruled_from_one_or_two_sweeps(sweeps: int, error: float, ruling: str) -> None:
    depth, _ = conclude(bench(), replace(readings(2.03 + error), accepted=sweeps), play())
    assert depth["ruling"] == (ruling or "not proven")
    assert any("fewer than 3 good sweeps" in n for n in _notes(depth)) == (not ruling)


def _notes(depth: dict[str, Any]) -> list[str]:
    return list(depth["notes"])


def test_too_wide_an_uncertainty_says_it_can_never_be_proven() -> None:
    depth, _ = run(bench(), 0.0, u=0.02)
    assert depth["ruling"] == "not proven"
    assert any("cannot be proven" in n for n in depth["notes"])


def test_no_mark_is_not_nought() -> None:
    depth, shim = conclude(
        bench("gearset.etched", "gearset.etched_step", "gearset.etched_sense"), readings(2.0), play()
    )
    assert depth["distance_mm"] == pytest.approx(60.0, abs=1e-9)
    assert depth["target_mm"] is None
    assert depth["error_mm"] is None
    assert depth["ruling"] == "not proven"
    notes = depth["notes"]
    assert isinstance(notes, list)
    assert any("no mark is not 0" in n for n in notes)
    assert shim is None


def test_no_distance_gives_a_reason_and_nothing_else() -> None:
    depth, shim = conclude(bench("arbor.reading_sense"), readings(2.0), play())
    assert depth == {"distance_mm": None, "reason": depth["reason"]}
    assert "reading_sense" in str(depth["reason"])
    assert shim is None


@pytest.mark.parametrize(
    ("drop", "shims", "word"),
    [
        (["shims.fitted"], {}, "shims.fitted is not stated"),
        (["shims.thicker_moves"], {}, "measure again: if the distance grew, thicker moves it away"),
        ([], {"thicker_moves": "unknown"}, "measure again: if the distance grew, thicker moves it away"),
        ([], {"fitted": Decimal("0.05")}, "No stack can be that thin"),
    ],
)
def test_no_shim_without_what_it_needs(drop: list[str], shims: dict[str, Any], word: str) -> None:
    _, shim = run(bench(*drop, shims=shims), 0.08)
    assert word in shim["say"]
    assert shim["stack_mm"] is None
    assert shim["change_mm"] is None
    assert shim["stock"] is None
    assert shim["order"] == []


def test_nothing_about_shims_gives_no_shim() -> None:
    setup = bench("shims.fitted", "shims.thicker_moves", "shims.stock", "shims.order_grades")
    assert conclude(setup, readings(2.1), play())[1] is None


def test_order_without_grades_asks_for_them() -> None:
    _, shim = run(bench("shims.order_grades", shims={"stock": []}), 0.08)
    assert "State shims.order_grades" in shim["say"]


def test_no_grade_that_thick_and_grades_too_coarse() -> None:
    grades = {"from": Decimal("0.90"), "to": Decimal("1.00"), "step": Decimal("0.02")}
    assert (
        "No single grade from 0.90 to 1.00 mm"
        in run(bench(shims={"stock": [], "order_grades": grades}), 0.08)[1]["say"]
    )
    grades = {"from": Decimal("0.50"), "to": Decimal("1.00"), "step": Decimal("0.1")}
    _, shim = run(bench(shims={"stock": [], "order_grades": grades}), 0.05)
    assert "outside the aim: combine pieces" in shim["say"]
    assert len(shim["order"]) == 3


def test_a_box_too_large_still_gives_the_order() -> None:
    stock = [{"thickness": Decimal(t) / 1000} for t in range(100, 500)]
    _, shim = run(bench(shims={"stock": stock, "max_pieces": 6}), 0.08)
    assert "The box was not searched" in shim["say"]
    assert shim["order"][0]["thickness"] == "0.62"


def test_a_typed_distance_has_no_probability() -> None:
    """Nothing is known of its uncertainty, so none is filled in."""
    shim = shim_for(bench(), None, 0.08)
    assert shim is not None
    assert shim["stack_mm"] == pytest.approx(0.62, abs=1e-9)
    stock: Any = shim["stock"]
    assert [p["id"] for p in stock["pieces"]] == ["B"]
    assert stock["p_within"] is None
    known: Any = shim_for(bench(), None, 0.08, 0.001)
    assert known["stock"]["p_within"] > 0.99


def test_an_implausible_distance_asks_for_the_push_test() -> None:
    depth, shim = run(bench(arbor={"constant": 60}), -1.93)
    assert depth["distance_mm"] == pytest.approx(60.10, abs=1e-9)
    assert "Push" not in json.dumps(depth)
    setup = bench(arbor={"constant": Decimal("60.5"), "reading_sense": "shrinks"})
    depth, shim = conclude(setup, readings(-0.43), play())  # type: ignore[assignment]
    assert depth["error_mm"] == pytest.approx(0.90, abs=1e-9)
    assert "Push the plunger in" in json.dumps(depth["notes"])
    assert shim["stack_mm"] is None
    assert "Push the plunger in" in shim["say"]
    checked = bench(
        arbor={"constant": Decimal("60.5"), "reading_sense": "shrinks", "sense_checked": True},
        shims={"fitted": Decimal("1.7")},
    )
    _, shim = conclude(checked, readings(-0.43), play())  # type: ignore[assignment]
    assert shim["stack_mm"] == pytest.approx(0.80, abs=1e-9)
    assert "Stop and look for an error first" in shim["say"]


def test_a_master_that_did_not_come_back_voids_the_distance() -> None:
    master = {"distance": 60, "reading": 0, "reading_after": Decimal("0.005")}
    depth, _ = conclude(bench("arbor.constant", arbor={"master": master}), readings(0.03), play())
    assert depth["distance_mm"] == pytest.approx(60.03, abs=1e-9)
    budget: Any = depth["budget"]
    line = next(x for x in budget if x["name"] == "return to the master")
    assert line["u_mm"] == pytest.approx(0.005 / 3**0.5, rel=1e-9)
    master["reading_after"] = Decimal("0.0051")
    depth, shim = conclude(bench("arbor.constant", arbor={"master": master}), readings(0.03), play())
    assert depth["distance_mm"] is None
    assert "void" in str(depth["reason"])
    assert shim is None


def test_inches_in_the_sentence_and_millimetres_in_the_numbers() -> None:
    setup = parse_setup(
        {
            "units": "in",
            "gearset": {"mark": "full-distance", "etched": "2.4970", "tolerance": Decimal("0.002")},
            "arbor": {"constant": Decimal("0.8125"), "reading_sense": "shrinks"},
            "shims": {"fitted": Decimal("0.0385"), "thicker_moves": "toward"},
        }
    )
    depth, shim = conclude(setup, readings(-1.6782 * 25.4), play())
    assert depth["tolerance_mm"] == pytest.approx(0.0508, abs=1e-12)
    assert shim is not None
    assert "0.0063 in (0.160 mm) too deep" in str(shim["say"])
    assert shim["stack_mm"] == pytest.approx(0.0322 * 25.4, abs=1e-9)


@pytest.mark.parametrize("error", [0.0925, 0.09250000000000114, 0.09249999999999403])
def test_the_error_and_the_change_of_shim_round_alike(error: float) -> None:
    """Half a digit with the noise of the arithmetic: 0.093 too far out, take out 0.092, was said in one sentence."""
    setup = parse_setup(
        {
            "gearset": {"mark": "full-distance", "etched": "61.64", "tolerance": Decimal("0.03")},
            "arbor": {"constant": Decimal("60"), "reading_sense": "grows"},
            "shims": {"fitted": Decimal("0.920"), "thicker_moves": "away"},
        }
    )
    shim = shim_for(setup, None, error)
    assert shim is not None
    say = str(shim["say"])
    assert say.split(" too far out")[0].removeprefix("The pinion stands ") in say.split("take out ")[1]
