"""Results as plain data: every key of the contract, nothing JSON cannot hold."""

from __future__ import annotations

import json
import math

from analysis.rendering import budget_line, number, result_as_dict
from analysis.results import BudgetLine, Gap, PlayFinding, SetStatistics, Sweep


def test_infinite_and_undefined_become_null() -> None:
    assert number(math.inf) is None
    assert number(-math.inf) is None
    assert number(math.nan) is None
    assert number(None) is None
    assert number(0.5) == 0.5


def test_unlimited_degrees_of_freedom_are_null() -> None:
    line = budget_line(BudgetLine("indicator", 0.001, "B", math.inf, "indicator.mpe", "rectangular"))
    assert line == {
        "name": "indicator",
        "u_mm": 0.001,
        "kind": "B",
        "dof": None,
        "source": "indicator.mpe",
        "distribution": "rectangular",
    }


def test_whole_result_holds_the_contract() -> None:
    sweep = Sweep(1, 0.0, 0.5, 1.0, "out", 1, 0.4781, 0.0009, False, ("knock",), "swing again")
    stats = SetStatistics(1, 1, 1, 0.478, None, None, None, 0.001, math.inf, None, None)
    play = PlayFinding("not assessable", None, None, None, "none", None, "one sweep")
    out = result_as_dict(12, 1, [Gap(1.0, 3.0, "link-lost")], [sweep], stats, play, {"distance_mm": None}, None)
    assert json.loads(json.dumps(out, allow_nan=False, ensure_ascii=False)) == out
    assert list(out) == ["readings", "bad_frames", "gaps", "sweeps", "set", "play", "depth", "shim"]
    assert out["gaps"] == [{"start_s": 1.0, "end_s": 3.0, "why": "link-lost"}]
    sweeps, found, whole = out["sweeps"], out["play"], out["set"]
    assert isinstance(sweeps, list)
    assert isinstance(found, dict)
    assert isinstance(whole, dict)
    assert set(sweeps[0]) >= {
        *("n", "start_s", "bottom_s", "end_s", "heading", "seat", "minimum_mm", "u_mm", "accepted", "reasons")
    }
    assert sweeps[0]["reasons"] == ["knock"]
    assert set(found) >= {"finding", "size_mm", "size_low_mm", "size_high_mm", "pattern", "p_value"}
    assert set(whole) >= {
        *("accepted", "rejected", "minimum_mm", "sd_mm", "seat_sd_mm", "repeatability_limit_mm", "u_mm", "dof"),
        *("drift_mm_per_min", "drift_p"),
    }
    assert whole["dof"] is None
