"""The set-up's model: what it reads exactly, and what it refuses, section by section."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.setup import SetupError, SetupProblem, parse_setup

MARK: dict[str, Any] = {"nominal": 60, "etched": "+3", "etched_step": Decimal("0.01"), "etched_sense": "adds"}
TORQUE: dict[str, Any] = {"min": 1, "max": 2, "unit": "N·m", "condition": "new"}
GEARS: dict[str, Any] = {
    "pinion_teeth": 8,
    "ring_teeth": 31,
    "pressure_angle": 20,
    "spiral_angle": 35,
    "indicator": "along",
}


def problems(data: Any) -> list[SetupProblem]:
    """What is wrong with a set-up; nothing comes of it."""
    with pytest.raises(SetupError) as e:
        parse_setup(data)
    assert str(e.value) == "\n".join(str(p) for p in e.value.problems)
    return e.value.problems


def only(data: Any) -> SetupProblem:
    """The one thing wrong."""
    found = problems(data)
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize(
    ("data", "key", "nearest"),
    [
        ({"gearsett": {}}, "gearsett", "gearset"),
        ({"unit": "mm"}, "unit", "units"),
        ({"gearset": {"nominall": 60}}, "gearset.nominall", "nominal"),
        ({"arbor": {"reading_sence": "grows"}}, "arbor.reading_sence", "reading_sense"),
        ({"arbor": {"master": {"distance": 60, "reading": 0, "uu": 1}}}, "arbor.master.uu", "u"),
        (
            {"arbor": {"bridge": {"thickness": 1, "on": "pinion", "thicknes": 1}}},
            "arbor.bridge.thicknes",
            "thickness",
        ),
        ({"indicator": {"resolutoin": 1}}, "indicator.resolutoin", "resolution"),
        ({"housing": {"temperatur": 20}}, "housing.temperatur", "temperature"),
        ({"decision": {"rules": "expanded"}}, "decision.rules", "rule"),
        ({"shims": {"max_piece": 2}}, "shims.max_piece", "max_pieces"),
        ({"shims": {"stock": [{"thickness": 1}, {"thickness": 1, "cuont": 2}]}}, "shims.stock.2.cuont", "count"),
        ({"shims": {"order_grades": {"from": 1, "to": 2, "step": 1, "form": 1}}}, "shims.order_grades.form", "from"),
        ({"carrier": {"lef": 1}}, "carrier.lef", "left"),
        ({"carrier": {"sign": {"rihgt": "away"}}}, "carrier.sign.rihgt", "right"),
        ({"carrier": {"preload_sign": {"letf": "more"}}}, "carrier.preload_sign.letf", "left"),
        ({"carrier": {"backlash": {"place": [1]}}}, "carrier.backlash.place", "places"),
        ({"carrier": {"gears": GEARS | {"ring_tooth": 1}}}, "carrier.gears.ring_tooth", "ring_teeth"),
        ({"preload": {"pinon": TORQUE}}, "preload.pinon", "pinion"),
        ({"preload": {"pinion": TORQUE | {"conditon": "new"}}}, "preload.pinion.conditon", "condition"),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_name(data: Any, key: str, nearest: str) -> None:
    p = only(data)
    assert p.key == key
    assert p.nearest == nearest
    assert nearest in p.allowed
    assert str(p).endswith(f"nearest valid name: {nearest}")


def test_a_key_like_nothing_lists_what_there_is() -> None:
    p = only({"decision": {"zzzz": 1}})
    assert p.nearest is None
    assert p.allowed == "one of rule"


@pytest.mark.parametrize(
    ("data", "key", "given_", "allowed"),
    [
        ({"units": "cm"}, "units", '"cm"', '"mm" or "in"'),
        ({"gearset": 3}, "gearset", "3", "a table of keys"),
        ({"shims": []}, "shims", "a list", "a table of keys"),
        ({"gearset": {"nominal": "60"}}, "gearset.nominal", '"60"', "a number"),
        ({"gearset": {"nominal": True}}, "gearset.nominal", "true", "a number"),
        ({"gearset": {"nominal": float("nan")}}, "gearset.nominal", "nan", "an ordinary number"),
        ({"gearset": {"nominal": float("inf")}}, "gearset.nominal", "inf", "an ordinary number"),
        ({"gearset": {"etched": 3}}, "gearset.etched", "3", "text in quotes"),
        ({"gearset": {"mark": "diff"}}, "gearset.mark", '"diff"', '"deviation", "full-distance" or "two-decimals"'),
        ({"arbor": {"reading_sense": "up"}}, "arbor.reading_sense", '"up"', '"grows" or "shrinks"'),
        ({"arbor": {"master": 60}}, "arbor.master", "60", "a table of keys"),
        ({"arbor": {"sense_checked": "yes"}}, "arbor.sense_checked", '"yes"', "true or false"),
        ({"arbor": {"bridge": {"thickness": 1, "on": "ring"}}}, "arbor.bridge.on", '"ring"', '"pinion", "master" or'),
        ({"indicator": {"mpe": [1]}}, "indicator.mpe", "a list", "a number"),
        ({"housing": {"material": 7}}, "housing.material", "7", "text in quotes"),
        ({"decision": {"rule": "2u"}}, "decision.rule", '"2u"', '"one-sided" or "expanded"'),
        ({"shims": {"thicker_moves": "in"}}, "shims.thicker_moves", '"in"', '"away", "toward" or "unknown"'),
        ({"shims": {"stock": {"thickness": 1}}}, "shims.stock", "a table", "a list"),
        ({"shims": {"stock": [{"count": 1}]}}, "shims.stock.1.thickness", "nothing", "must be given"),
        ({"shims": {"max_pieces": 2.5}}, "shims.max_pieces", "2.5", "a whole number"),
        ({"shims": {"max_pieces": True}}, "shims.max_pieces", "true", "a whole number"),
        ({"carrier": {"sign": {"left": "in"}}}, "carrier.sign.left", '"in"', '"away", "toward" or "unknown"'),
        ({"carrier": {"preload_sign": {"left": 1}}}, "carrier.preload_sign.left", "1", '"more", "less" or "unknown"'),
        ({"carrier": {"backlash": {"places": 0.15}}}, "carrier.backlash.places", "0.15", "a list"),
        ({"carrier": {"gears": GEARS | {"ring_teeth": 30.5}}}, "carrier.gears.ring_teeth", "30.5", "a whole number"),
        ({"preload": {"pinion": TORQUE | {"unit": "ft"}}}, "preload.pinion.unit", '"ft"', '"N·m"'),
    ],
)
def test_a_value_of_the_wrong_kind(data: Any, key: str, given_: str, allowed: str) -> None:
    p = only(data)
    assert p.key == key
    assert p.given == given_
    assert allowed in p.allowed


@pytest.mark.parametrize(
    ("data", "key", "allowed"),
    [
        ({"gearset": {"nominal": 0}}, "gearset.nominal", "above 0"),
        ({"gearset": {"tolerance": -0.03}}, "gearset.tolerance", "above 0"),
        ({"gearset": {"tolerance": 0.03, "aim": 0.04}}, "gearset.aim", "not more than the tolerance 0.03"),
        ({"gearset": {"nominal": 2.5, "tolerance": 2.5}}, "gearset.tolerance", "less than the nominal"),
        ({"gearset": MARK | {"etched": ""}}, "gearset.etched", "no mark is not the same as 0"),
        ({"gearset": MARK | {"etched": "+3mm"}}, "gearset.etched", "write it as it stands"),
        ({"gearset": MARK | {"etched": "-6000"}}, "gearset.etched", "smaller than the nominal"),
        ({"gearset": MARK | {"nominal": None}}, "gearset.nominal", "deviates from"),
        ({"gearset": MARK | {"etched_step": None}}, "gearset.etched_step", "from the manual"),
        ({"gearset": MARK | {"etched_sense": None}}, "gearset.etched_sense", "never assumed"),
        ({"gearset": {"etched": "98", "mark": "two-decimals"}}, "gearset.nominal", "to place the two decimals"),
        ({"gearset": {"etched": "50", "mark": "two-decimals", "nominal": 73}}, "gearset.etched", "as near to"),
        ({"gearset": {"etched": "37", "mark": "full-distance", "head_height": 38}}, "gearset.etched", "head height"),
        ({"arbor": {"constant": 60, "master": {"distance": 60, "reading": 0}}}, "arbor.constant", "one of the two"),
        ({"arbor": {"bridge": {"thickness": 1, "on": "both"}}}, "arbor.bridge.on", "state the master"),
        ({"arbor": {"tip_radius": -1}}, "arbor.tip_radius", "not below 0"),
        ({"indicator": {"resolution": 0}}, "indicator.resolution", "above 0"),
        ({"housing": {"expansion": 21.5}}, "housing.expansion", "not above 0.0001"),
        ({"housing": {"temperature": -273.2}}, "housing.temperature", "not below -50"),
        ({"housing": {"arbor_temperature": 293}}, "housing.arbor_temperature", "not above 200"),
        ({"shims": {"max_pieces": 0}}, "shims.max_pieces", "not below 1"),
        ({"shims": {"max_pieces": 7}}, "shims.max_pieces", "not above 6"),
        ({"shims": {"stock": [{"thickness": 0}]}}, "shims.stock.1.thickness", "above 0"),
        ({"shims": {"stock": [{"thickness": 1, "count": 0}]}}, "shims.stock.1.count", "not below 1"),
        ({"shims": {"order_grades": {"from": 2, "to": 1, "step": 0.1}}}, "shims.order_grades.to", "not less than"),
        ({"shims": {"order_grades": {"from": 1, "to": 2, "step": 0}}}, "shims.order_grades.step", "above 0"),
        ({"carrier": {"backlash": {"places": [0.1, 0]}}}, "carrier.backlash.places.2", "above 0"),
        ({"carrier": {"backlash": {"tooth_radius": 88}}}, "carrier.backlash.radius", "the indicator stood at"),
        ({"carrier": {"backlash": {"plunger_angle": 90}}}, "carrier.backlash.plunger_angle", "below 90"),
        ({"carrier": {"gears": GEARS | {"pinion_teeth": 0}}}, "carrier.gears.pinion_teeth", "not below 1"),
        ({"preload": {"pinion": TORQUE | {"max": 0.5}}}, "preload.pinion.max", "not less than min"),
    ],
)
def test_an_impossible_value(data: Any, key: str, allowed: str) -> None:
    p = only(data)
    assert p.key == key
    assert allowed in p.allowed


def test_every_fault_is_told_at_once() -> None:
    found = problems(
        {
            "gearset": {"nominal": "x", "tolerence": 1},
            "shims": {"max_pieces": 0, "stock": [{"thickness": -1}]},
            "decision": {"rule": 1},
        }
    )
    assert {p.key for p in found} == {
        "gearset.nominal",
        "gearset.tolerence",
        "shims.max_pieces",
        "shims.stock.1.thickness",
        "decision.rule",
    }


def test_nothing_that_decides_a_direction_or_a_limit_has_a_default() -> None:
    s = parse_setup({})
    assert s.target is None
    for value in (
        s.gearset.etched_sense,
        s.gearset.tolerance,
        s.gearset.aim,
        s.tolerance_mm,
        s.aim_mm,
        s.reading_sense,
        s.shims.thicker_moves,
        s.shims.max_pieces,
        s.shims.thin_limit,
        s.carrier.sign.left,
        s.carrier.preload_sign.right,
        s.carrier.backlash,
        s.preload.pinion,
        s.preload.carrier,
        s.resolution_mm,
        s.swing_radius_mm,
    ):
        assert value is None
    assert parse_setup({"gearset": {"tolerance": 0.03}}).aim_mm is None


def test_inches_stay_exact() -> None:
    s = parse_setup({"units": "in", "shims": {"fitted": Decimal("0.0322")}, "gearset": {"tolerance": Decimal("0.001")}})
    assert s.shims.fitted is not None
    assert s.shims.fitted * s.mm_per_unit == Decimal("0.81788")
    assert s.to_mm(s.shims.fitted) == 0.81788
    assert s.tolerance_mm == 0.0254


def test_a_number_from_a_float_keeps_its_written_digits() -> None:
    s = parse_setup({"gearset": {"nominal": 66.3}})
    assert s.gearset.nominal == Decimal("66.3")


def test_target_of_every_form_of_mark() -> None:
    two = {"nominal": Decimal("73.00"), "etched": "98", "mark": "two-decimals"}
    full = {"etched": "97.46", "mark": "full-distance", "head_height": Decimal("38.0111")}
    for gearset, distance in ((MARK, "60.03"), (two, "72.98"), (full, "59.4489")):
        target = parse_setup({"gearset": gearset}).target
        assert target is not None
        assert target.distance == Decimal(distance)


def test_lengths_in_millimetres_and_what_is_not_stated() -> None:
    s = parse_setup(
        {"units": "in", "indicator": {"resolution": 0.0005, "mpe": 0.0001, "repeatability": Decimal("0.00005")}}
    )
    assert (s.resolution_mm, s.indicator_mpe_mm, s.indicator_repeatability_mm) == (0.0127, 0.00254, 0.00127)
    assert parse_setup({}).indicator_repeatability_mm is None


def test_backlash_at_one_radius_needs_no_other() -> None:
    s = parse_setup({"carrier": {"backlash": {"places": [0.15], "radius": 80}}})
    assert s.carrier.backlash is not None
    assert s.carrier.backlash.tooth_radius is None


def test_swing_radius_from_whatever_states_the_distance() -> None:
    tip = {"tip_radius": Decimal("1.5")}
    assert parse_setup({"gearset": {"nominal": 60}, "arbor": tip}).swing_radius_mm == 58.5
    assert parse_setup({"arbor": tip | {"master": {"distance": 61, "reading": 0}}}).swing_radius_mm == 59.5
    full = {"mark": "full-distance", "etched": "62"}
    assert parse_setup({"gearset": full, "arbor": tip}).swing_radius_mm == 60.5
    assert parse_setup({"gearset": {"nominal": 1}, "arbor": tip}).swing_radius_mm is None


values = st.recursive(
    st.one_of(st.none(), st.booleans(), st.integers(), st.floats(), st.text(max_size=5)),
    lambda x: st.one_of(st.lists(x, max_size=3), st.dictionaries(st.text(max_size=8), x, max_size=3)),
    max_leaves=6,
)
names = st.sampled_from(
    ["units", "gearset", "arbor", "indicator", "housing", "decision", "shims", "carrier", "preload"]
)
keys = st.sampled_from(
    ["nominal", "etched", "tolerance", "master", "mpe", "temperature", "rule", "stock", "fitted", "sign", "pinion", "x"]
)


@given(st.dictionaries(names, st.one_of(values, st.dictionaries(keys, values, max_size=3)), max_size=3))
def test_whatever_is_given_it_is_read_or_refused_with_reasons(data: dict[str, Any]) -> None:
    found: list[SetupProblem] = []
    refused = False
    try:
        parse_setup(data)
    except SetupError as e:
        refused, found = True, e.problems
    assert refused == bool(found)
    assert all(p.key and p.allowed for p in found)
