"""A job against what service texts print: directions of shims, states, preloads, units.

Sources: kinds of service text as named beside each check (car, heavy-vehicle and small-engine service manuals, textbooks); facts marked
common practice have no source.  Figures of units and readings are invented.
"""

from __future__ import annotations

from typing import Any

import pytest

from analysis.distributions import t_quantile
from analysis.job.quantities import quantity
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import folded, shown

BASE = s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL


def with_fields(rows: list[s.Row], kind: str, **new: Any) -> list[s.Row]:
    return [(k, {**d, **new} if k == kind else d) for k, d in rows]


@pytest.mark.parametrize(
    ("effect", "sense", "thicker"),
    [
        ("-1", "adds", False),  # shim at the head, "+" = further out: less shim (car and heavy-vehicle manuals)
        ("+1", "adds", True),  # pack under a retainer or bearing cage, "+": thicker pack (heavy-vehicle manual, twice)
        ("-1", "subtracts", True),  # check value says how deep, +0.22 for +0.08: add shim (car manual)
        ("+1", "subtracts", False),  # derived here
    ],
)
def test_direction_of_the_shim_for_a_more_positive_mark(effect: str, sense: str, thicker: bool) -> None:
    rows = with_fields(with_fields(BASE, "family", shim_effect=effect, effect_basis="stated"), "gearset", sense=sense)
    less, more = (
        shown(with_fields(rows, "gearset", mark=m, second_reading=m))["shim"]["stack_mm"] for m in ("+8", "+22")
    )
    assert (more > less) is thicker
    assert abs(more - less) == pytest.approx(0.14, abs=1e-9)
    starter = shown([*rows, ("starter", {"old_mark": "+8", "new_mark": "+22"})])["starter"]
    assert starter["change_mm"] == pytest.approx(0.14 if thicker else -0.14, abs=1e-12)


@pytest.mark.parametrize(
    ("low_nm", "high_nm", "low_lb", "high_lb", "rounding"),
    [
        (1.8, 3.6, 16, 32, 0.03),  # car and light axle, new bearings (car manuals)
        (0.9, 1.7, 8, 15, 0.06),  # the same, used
        (1.2, 1.9, 10, 17, 0.08),  # smaller axle, new
        (0.6, 1.0, 5, 9, 0.06),  # the same, used
        (1.4, 2.8, 12, 25, 0.05),  # solid spacer and shim
        (1.5, 2.0, 13, 18, 0.05),  # heavy-vehicle axle
    ],
)
def test_preload_tables_print_the_same_in_both_units(
    low_nm: float, high_nm: float, low_lb: float, high_lb: float, rounding: float
) -> None:
    """Both columns of one table, rounded as printed; 0.113 N·m in a pound-force inch."""
    for nm, lb in ((low_nm, low_lb), (high_nm, high_lb)):
        assert quantity(f"{lb} lb·in", "torque").newton_metres == pytest.approx(nm, abs=rounding)


def test_a_misprinted_pair_of_units_is_not_believed() -> None:
    """A car manual prints 16-29 lb·in beside 23-37 N·m; 1.8-3.3 N·m would be right."""
    limit: s.Row = (
        "limit",
        {"name": "pinion-preload", "min": "23 N·m", "max": "37 N·m", "condition": "new", "page": "9"},
    )
    rows = [limit if k == "limit" and d["name"] == "pinion-preload" else (k, d) for k, d in s.TWO_START]
    v = shown([*rows, ("preload", {"where": "pinion", "phase": "trial", "torque": "20 lb·in"})])
    assert v["readings"][-1]["torque"]["finding"] == "implausible"
    v = shown([*s.TWO_START, ("preload", {"where": "pinion", "phase": "trial", "torque": "23 N·m"})])
    assert v["readings"][-1]["torque"]["finding"] == "implausible"


def test_measured_without_seal_and_after_twenty_turns() -> None:
    """ "Measure without seal" (car manuals, small-engine manual); 10, 20, "20 or more" turns (car and small-engine manuals)."""
    at = next(i for i, (k, d) in enumerate(BASE) if k == "state" and d.get("bearings_replaced"))
    for given, status in (({}, "valid"), ({"seal": "in"}, "wrong state"), ({"turns": 19}, "wrong state")):
        rows = [*BASE[:at], ("state", {**BASE[at][1], **given}), *BASE[at + 1 :]]
        assert folded(rows).readings[-1].status == status


def test_a_crush_sleeve_overshot() -> None:
    """Overshot: new sleeve, never back the nut off (car manuals); a solid spacer knows no such rule (heavy-vehicle manual, textbook)."""
    over: s.Row = ("preload", {"where": "pinion", "phase": "trial", "torque": "30 lb·in"})
    sleeve = shown([*s.TWO_START, over])["readings"][-1]["torque"]
    assert "never back the nut off" in sleeve["say"]
    spacer = shown([*with_fields(s.TWO_START, "family", preload_by="solid spacer"), over])["readings"][-1]["torque"]
    assert spacer["finding"] == "above"
    assert "back the nut off" not in spacer["say"]
    assert "sleeve" not in spacer["say"]
    # Nut at full torque, adding shim gives less preload (heavy-vehicle manual, textbook).
    assert "nut stays at its full torque" in spacer["say"]
    assert "add shim there for less" in spacer["say"]


def test_published_transfer_gives_its_backlash() -> None:
    """0.001 in of backlash for 0.002 in moved from one side to the other, a ratio of one half to six tenths (car manual)."""
    upto = s.TWO[: s.TWO.index(s.TWO_MOVED[0])]
    rows = with_fields(upto, "family", backlash_ratio="0.5")
    c = shown(rows)["carrier"]
    assert c["ring_toward_mm"] / 25.4 == pytest.approx(0.010, abs=1e-9)
    assert c["predicted_mm"] / 25.4 == pytest.approx(0.012575 - 0.005, abs=1e-9)


def test_two_marks_rounded_for_themselves() -> None:
    """ "m+8 (+3)": 0.08 mm and 0.003 in = 0.0762 mm are one mark rounded twice (car and heavy-vehicle manuals)."""
    both = with_fields(BASE, "gearset", mark="m+8 (+3)", second_reading="m+8 (+3)")
    metric = shown(both)["depth"]["target_mm"]
    inch = shown(with_fields(both, "gearset", count="0.001 in"))["depth"]["target_mm"]
    assert metric == pytest.approx(61.58, abs=1e-9)
    assert inch == pytest.approx(61.5762, abs=1e-9)


def test_units_are_exact_by_definition() -> None:
    """International inch 25.4 mm, pound 0.45359237 kg, standard gravity 9.80665 m/s²; Fahrenheit by its two fixed points."""
    assert str(quantity("0.0322 in", "length").mm) == "0.81788"
    assert str(quantity("1 lbf", "force").newtons.normalize()) == "4.4482216152605"
    assert quantity("12 lb·in", "torque").newton_metres == pytest.approx(
        quantity("1 lb·ft", "torque").newton_metres, rel=1e-15
    )
    assert quantity("290 N·cm", "torque").newton_metres == pytest.approx(2.9, rel=1e-15)
    assert quantity("212 °F", "temperature").celsius == 100
    assert quantity("-40 °F", "temperature").celsius == -40


def test_interval_of_three_seatings() -> None:
    """4.303 s / sqrt 3 (Student's t for two degrees of freedom, any table)."""
    v = shown(BASE)
    medians = [x["median_mm"] for x in v["readings"][-1]["seatings"] if not x["left_out"]]
    mean = sum(medians) / 3
    sd = (sum((m - mean) ** 2 for m in medians) / 2) ** 0.5
    assert t_quantile(0.975, 2) == pytest.approx(4.303, abs=5e-4)
    assert v["depth"]["U95_mm"] == pytest.approx(4.3027 * sd / 3**0.5, rel=1e-4)
