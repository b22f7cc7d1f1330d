"""What a unit has shown of itself is used: the response to a change of shim, and the backlash ratio, each with its uncertainty."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.analysis import job_scenarios as s
from tests.analysis.job_building import shown

Row = s.Row


def built(stack: str, minimum: float, first: bool = False) -> list[Row]:
    """A build with this stack and what it measures: three seatings round a minimum."""
    lines = [f"{minimum + d:.4f} {minimum + d:.4f} {minimum + d:.4f}" for d in (-0.006, 0.0, 0.006)]
    fit: list[Row] = [("fit", {"place": "depth", "stack": stack})]
    state: list[Row] = [("state", s.BUILT if first else {"nut": "torqued", "turns": 20})]
    return fit + state + s.measured("trial", s.seated("mm", *lines), s.ONE_ZERO, "0.000 mm")


def of_builds(*rows: tuple[str, float]) -> dict[str, Any]:
    jobs = list(s.ONE_START)
    for n, (stack, minimum) in enumerate(rows):
        jobs += built(stack, minimum, n == 0)
    return shown(jobs)


def test_one_change_is_shown_and_not_yet_used() -> None:
    v = of_builds(("1.000 mm", 1.700), ("0.900 mm", 1.610))
    r = v["shim_effect"]["response"]
    assert (r["loops"], r["used"]) == (1, False)
    assert "From 2 changes on" in r["say"]
    # Not used: the stack needed is fitted - error, unscaled (TRADE's formula).
    assert v["shim"]["stack_mm"] == pytest.approx(0.900 - (60.0 + 1.610 + 0.10 - 61.64), abs=1e-9)


def test_from_two_changes_on_it_is_used() -> None:
    v = of_builds(("1.000 mm", 1.700), ("0.900 mm", 1.606), ("1.100 mm", 1.794))
    r = v["shim_effect"]["response"]
    assert (r["loops"], r["used"]) == (2, True)
    # By an independent weighted fit through the origin (numpy least squares), drawn to 1 with SOUND = 0.05.
    moved, change = np.array([-0.094, 0.188]), np.array([-0.1, 0.2])
    seen = float(np.linalg.lstsq(change[:, None], moved, rcond=None)[0][0])
    assert seen == pytest.approx(0.94, abs=1e-6)
    assert 1.0 > r["response"] > seen
    assert 0 < r["u"] < 0.05
    error = 60.0 + 1.794 + 0.10 - 61.64
    assert v["shim"]["change_mm"] == pytest.approx(-error / round(r["response"], 4), abs=1e-6)
    assert "reckoned with" in v["shim"]["say"]
    told = shown([*s.ONE_START, *_rows(), ("fit", {"place": "depth", "stack": "0.850 mm"})])
    assert told["predictions"][-1]["predicted_mm"] is not None


def _rows() -> list[Row]:
    out: list[Row] = []
    for n, (stack, minimum) in enumerate((("1.000 mm", 1.700), ("0.900 mm", 1.606), ("1.100 mm", 1.794))):
        out += built(stack, minimum, n == 0)
    return out


def test_the_prediction_written_down_reckons_with_it() -> None:
    from analysis.job.quantities import quantity
    from analysis.job.records import Stack
    from analysis.job.response import learnt_response, prediction
    from tests.analysis.job_building import folded

    job = folded([*s.ONE_START, *_rows()])
    told = prediction(job, Stack(99, quantity("0.850 mm", "length")))
    learnt = learnt_response(job)
    assert told is not None
    assert learnt is not None
    assert told["response"] == round(learnt.response, 4)
    assert told["predicted_mm"] == pytest.approx(60.0 + 1.794 + 0.10 - 0.250 * round(learnt.response, 4), abs=1e-9)


def sprung(*rows: tuple[str, float]) -> list[Row]:
    """Builds whose seatings lie within 0.001 mm, so that what gives shows at once."""
    out = list(s.ONE_START)
    for n, (stack, minimum) in enumerate(rows):
        lines = [f"{minimum + d:.4f} {minimum + d:.4f} {minimum + d:.4f}" for d in (-0.0005, 0.0, 0.0005)]
        out += [("fit", {"place": "depth", "stack": stack})]
        out += [("state", s.BUILT if n == 0 else {"nut": "torqued", "turns": 20})]
        out += s.measured("trial", s.seated("mm", *lines), s.ONE_ZERO, "0.000 mm")
    return out


def _last_set(rows: list[Row]) -> int:
    return max(n for n, (kind, _) in enumerate(rows, start=1) if kind == "set")


def _looked(rows: list[Row]) -> Row:
    reason = "pieces measured again, races home by the feeler, nut and covers at torque: nothing found"
    return "confirm", {"entry": _last_set(rows), "what": "response", "reason": reason}


def test_a_unit_that_gives_asks_what_was_looked_at_and_goes_on_with_what_it_showed() -> None:
    one, two, three = ("1.000 mm", 1.700), ("0.900 mm", 1.612), ("1.020 mm", 1.7176)
    first = sprung(one, two)
    v = shown(first)
    assert v["next"]["name"] == "closure"
    assert f"confirm it at set {_last_set(first)}, with what was looked at" in v["alarm"]
    assert v["shim"]["held"]
    answered = [*first, _looked(first)]
    v = shown(answered)
    assert (v["alarm"], v["shim"]["held"], v["next"]["name"]) == (None, False, "depth")
    assert not v["shim_effect"]["response"]["used"], "one change may still be a wrong piece"

    again = [*answered, *sprung(one, two, three)[len(first) :]]
    v = shown(again)
    assert v["next"]["name"] == "closure", "asked again: no skip and no answer given before covers another change"
    assert "2 changes on this unit 0.88 reached the pinion, alike each time" in v["alarm"]
    assert "0.04 mm feeler" in v["alarm"]
    go_on = [*again, _looked(again)]
    v = shown(go_on)
    r = v["shim_effect"]["response"]
    assert (v["alarm"], v["next"]["name"], r["used"]) == (None, "depth", True)
    error = 60.0 + 1.7176 + 0.10 - 61.64
    assert v["shim"]["change_mm"] == pytest.approx(-error / round(r["response"], 4), abs=1e-6)


def test_a_reversed_sign_is_no_property_of_a_unit() -> None:
    wrong = sprung(("1.000 mm", 1.700), ("0.900 mm", 1.800))
    v = shown([*wrong, _looked(wrong)])
    assert "sign is reversed" in v["alarm"]
    assert "confirm" not in v["alarm"]
    old = sprung(("1.000 mm", 1.700), ("0.900 mm", 1.700))
    assert "did not happen" in shown([*old, _looked(old)])["alarm"]


def test_too_much_give_is_a_fault_whatever_is_answered() -> None:
    rows = sprung(("1.000 mm", 1.700), ("0.900 mm", 1.650))
    v = shown([*rows, _looked(rows)])
    assert v["alarm"]
    assert "confirm" not in v["alarm"]


def test_a_response_far_from_one_is_a_fault_and_not_used() -> None:
    v = of_builds(("1.000 mm", 1.700), ("0.900 mm", 1.640), ("1.100 mm", 1.760))
    r = v["shim_effect"]["response"]
    assert r is None or not r["used"]


def ring(places: str, phase: str = "trial") -> Row:
    return ("backlash", {"phase": phase, "places": places.split(), "unit": "mm"})


def moved(left: str, right: str) -> list[Row]:
    return [("fit", {"place": "left", "stack": left}), ("fit", {"place": "right", "stack": right})]


def test_the_learnt_ratio_has_an_uncertainty_and_later_moves_refine_it() -> None:
    rows = [
        *s.ONE_START,
        ("state", {"carrier": "in", "covers": "torqued"}),
        *moved("1.80 mm", "1.86 mm"),
        ring("0.27 0.28 0.26 0.27"),
    ]
    first = shown([*rows, *moved("1.93 mm", "1.73 mm"), ring("0.18 0.19 0.17 0.19")])
    (row,) = first["ring_moves"]
    # Loss at each place 0.09 0.09 0.09 0.08: mean 0.0875, sd 0.005, over 0.13 of movement.
    assert row["learnt_ratio"] == pytest.approx(0.0875 / 0.13, abs=1e-9)
    assert row["learnt_u"] == pytest.approx(0.005 / 2 / 0.13, abs=1e-9)
    second = shown(
        [
            *rows,
            *moved("1.93 mm", "1.73 mm"),
            ring("0.18 0.19 0.17 0.19"),
            *moved("1.83 mm", "1.83 mm"),
            ring("0.25 0.26 0.24 0.26"),
        ]
    )
    a, b = second["ring_moves"]
    assert b["ratio"] == pytest.approx(a["learnt_ratio"])
    assert b["ratio_source"] == "learnt"
    assert second["carrier"]["ratio_u"] < a["learnt_u"]
    weights = np.array([1 / a["learnt_u"] ** 2, 1 / b["learnt_u"] ** 2])
    mean = float(np.average([a["learnt_ratio"], b["learnt_ratio"]], weights=weights))
    assert second["carrier"]["ratio"] == pytest.approx(mean, abs=1e-6)


def test_the_ratio_of_other_places_has_no_uncertainty() -> None:
    rows = [
        *s.ONE_START,
        ("state", {"carrier": "in", "covers": "torqued"}),
        *moved("1.80 mm", "1.86 mm"),
        ring("0.27 0.28 0.26 0.27"),
    ]
    v = shown([*rows, *moved("1.93 mm", "1.73 mm"), ring("0.18 0.19 0.17")])
    assert v["ring_moves"][0]["learnt_u"] is None
    assert v["carrier"].get("ratio_u") is None
