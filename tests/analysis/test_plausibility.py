"""Checks that catch a wrong sign, unit or convention; limits are common practice, no source."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest

from analysis.plausibility import as_found, direction_doubt, large_error
from analysis.results import SetStatistics
from analysis.setup import Setup, parse_setup

MARK: dict[str, Any] = {
    "nominal": Decimal("61.50"),
    "etched": "+14",
    "etched_step": Decimal("0.01"),
    "etched_sense": "adds",
}


def gears(**changes: Any) -> Setup:
    """A set-up with this mark."""
    return parse_setup({"gearset": MARK | changes})


def test_a_quiet_unit_on_target_supports_the_mark() -> None:
    r = as_found(gears(), 61.6507, True)
    assert r is not None
    assert r.agrees
    assert r.error_mm == pytest.approx(0.0107, abs=1e-9)
    assert r.readings == ()


def test_a_quiet_unit_far_off_names_the_readings_that_would_agree() -> None:
    r = as_found(gears(etched_sense="subtracts"), 61.6507, True)
    assert r is not None
    assert not r.agrees
    assert r.readings == ("adds in steps of 0.01 mm",)
    assert "adds in steps of 0.01 mm" in r.say


def test_in_inches() -> None:
    setup = parse_setup(
        {"units": "in", "gearset": MARK | {"nominal": Decimal("2.5"), "etched": "-8", "etched_step": Decimal("0.001")}}
    )
    r = as_found(setup, 2.508 * 25.4, True)
    assert r is not None
    assert r.error_mm == pytest.approx(0.016 * 25.4, abs=1e-9)
    assert r.readings[0] == "subtracts in steps of 0.001 in"


def test_a_noisy_unit_proves_nothing() -> None:
    r = as_found(gears(), 61.9, False)
    assert r is not None
    assert not r.agrees
    assert "may be the fault itself" in r.say


def test_other_marks_and_no_mark() -> None:
    full = parse_setup({"gearset": {"mark": "full-distance", "etched": "61.64"}})
    r = as_found(full, 61.90, True)
    assert r is not None
    assert (r.agrees, r.readings) == (False, ())
    assert as_found(parse_setup({}), 61.9, True) is None


def statistics(minimum: float) -> SetStatistics:
    return SetStatistics(9, 0, 3, minimum, 0.001, 0.001, 0.003, 0.001, 8.0, None, None)


def bench(**arbor: Any) -> Setup:
    """Master 59.000 at +0.250, target 59.4489."""
    base = {"master": {"distance": 59, "reading": Decimal("0.25")}, "reading_sense": "grows"}
    return parse_setup(
        {
            "gearset": {"mark": "full-distance", "etched": "97.46", "head_height": Decimal("38.0111")},
            "arbor": base | arbor,
        }
    )


def test_a_display_that_runs_the_other_way_is_asked_about() -> None:
    say = direction_doubt(bench(), statistics(-0.218), -0.9169)
    assert "Push the plunger in" in say
    assert "+0.019" in say


def test_no_question_where_it_would_not_help() -> None:
    assert direction_doubt(bench(sense_checked=True), statistics(-0.218), -0.9169) == ""
    assert direction_doubt(bench(reading_sense="shrinks"), statistics(-0.218), 0.0191) == ""
    # Far off either way: not the display's direction.
    assert direction_doubt(bench(), statistics(5.0), 4.3) == ""


@pytest.mark.parametrize(("error", "warns"), [(0.30, False), (-0.30, False), (0.301, True), (-0.4, True)])
def test_large_error(error: float, warns: bool) -> None:
    assert bool(large_error(error)) == warns
