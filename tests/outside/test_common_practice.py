"""A set-up as workshops do it: common practice, no source."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from analysis.conclusion import conclude
from analysis.results import BudgetLine, PlayFinding, SetStatistics
from analysis.setup import Setup, parse_setup

PLAY = PlayFinding("none", None, None, None, "none", None)


def bench(thicker_moves: str = "toward") -> Setup:
    """Nominal 66.30, mark 24 in hundredths that adds, tolerance ± 0.03; arbor set on a master at the nominal distance."""
    return parse_setup(
        {
            "gearset": {
                "nominal": Decimal("66.30"),
                "etched": "24",
                "etched_step": Decimal("0.01"),
                "etched_sense": "adds",
                "tolerance": Decimal("0.03"),
            },
            "arbor": {"master": {"distance": Decimal("66.30"), "reading": 0}, "reading_sense": "grows"},
            "shims": {"fitted": Decimal("1.20"), "thicker_moves": thicker_moves},
        }
    )


def measured(distance: float) -> SetStatistics:
    budget = (BudgetLine("seatings", 0.002, "A", 8.0, "three seatings"),)
    return SetStatistics(9, 0, 3, distance - 66.30, 0.002, 0.002, 0.006, 0.002, 8.0, None, None, budget)


@pytest.mark.parametrize(("moves", "change"), [("toward", -0.10), ("away", 0.10)])
def test_pinion_goes_back_by_what_it_stands_too_near(moves: str, change: float) -> None:
    depth, shim = conclude(bench(moves), measured(66.44), PLAY)
    assert depth["target_mm"] == pytest.approx(66.54, abs=1e-9)
    assert depth["distance_mm"] == pytest.approx(66.44, abs=1e-9)
    assert depth["error_mm"] == pytest.approx(-0.10, abs=1e-9)
    assert depth["ruling"] == "outside"
    assert shim is not None
    assert shim["change_mm"] == pytest.approx(change, abs=1e-9)
    assert "0.100 mm (0.0039 in) too deep; it must go out, away from the ring gear's axis" in str(shim["say"])


def test_within_on_target_and_not_proven_at_the_edge() -> None:
    assert conclude(bench(), measured(66.54), PLAY)[0]["ruling"] == "within"
    assert conclude(bench(), measured(66.511), PLAY)[0]["ruling"] == "not proven"


def test_shim_behind_the_head() -> None:
    """Target 60.00 + 0.03, measured 60.11: pinion 0.080 toward the axis; the shim behind the head grows from 1.50 to 1.58."""
    data: dict[str, Any] = {
        "gearset": {"nominal": 60, "etched": "+3", "etched_step": Decimal("0.01"), "etched_sense": "adds"},
        "arbor": {"constant": 60, "reading_sense": "grows"},
        "shims": {"fitted": Decimal("1.50"), "thicker_moves": "toward"},
    }
    budget = (BudgetLine("seatings", 0.002, "A", 8.0, "three seatings"),)
    stats = SetStatistics(9, 0, 3, 0.11, 0.002, 0.002, 0.006, 0.002, 8.0, None, None, budget)
    depth, shim = conclude(parse_setup(data), stats, PLAY)
    assert depth["error_mm"] == pytest.approx(0.080, abs=1e-9)
    assert shim is not None
    assert shim["stack_mm"] == pytest.approx(1.58, abs=1e-9)
    assert "too far out; it must go in" in str(shim["say"])
    # The same mark read the other way round is an explicit input and gives another target.
    data["gearset"]["etched_sense"] = "subtracts"
    assert conclude(parse_setup(data), stats, PLAY)[0]["target_mm"] == pytest.approx(59.97, abs=1e-9)
