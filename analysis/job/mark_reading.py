"""A gear's mark in words while it is being written down: what it says so far, and what is still left open."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from decimal import Decimal
from typing import Any

from analysis.job.derive import housing_deviation, housing_say
from analysis.job.entries import Problem
from analysis.job.fields import FieldError
from analysis.job.head import head_of, stated
from analysis.job.kinds import KINDS
from analysis.job.quantities import QuantityError, quantity
from analysis.job.units import InUnit
from analysis.marks import (
    INCH_MM,
    MarkError,
    Target,
    count_of,
    is_length,
    target_from_deviation,
    target_from_full_distance,
    target_from_two_decimals,
)
from analysis.telling import shown

_COUNTS = (("0.01 mm", Decimal("0.01")), ("0.001 mm", Decimal("0.001")), ("0.001 in", INCH_MM / 1000))

_LENGTHS = (("counts of 1 mm", Decimal(1)), ("counts of 1 in", INCH_MM))

_FAULTS = (FieldError, MarkError, QuantityError)


def read_mark(given: Mapping[str, object], effect: str) -> dict[str, Any]:
    """What a half-written ``gearset`` entry says.

    Parameters
    ----------
    given : mapping
        Fields as typed so far.  One that cannot be taken is named in ``problems`` and read as not stated.
    effect : str
        What the depth shim does: "+1", "-1" or "unknown".

    Returns
    -------
    dict
        ``say``, sentences; ``warning``; ``problems``; ``target`` with its unit and ``target_mm``, None while it is open; ``plus``,
        where a positive mark stands ("out", "in" or None); ``thicker``, where a thicker shim moves the pinion ("out", "in" or
        None); ``shim``, what a more positive mark wants of the shim ("more", "less" or None).
    """
    d, problems = _clean(given)
    plus = {"adds": "out", "subtracts": "in"}.get(str(d.get("sense"))) if d.get("form") == "deviation" else None
    thicker = {"+1": "out", "-1": "in"}.get(effect)
    out: dict[str, Any] = {
        "say": [],
        "warning": None,
        "problems": problems,
        "target": None,
        "target_mm": None,
        "plus": plus,
        "thicker": thicker,
        "shim": None if plus is None or thicker is None else "more" if plus == thicker else "less",
    }
    try:
        said, target, unit = _said(d)
    except _FAULTS as e:
        problems.append(Problem("gearset.mark", shown(d.get("mark")), str(e))._asdict())
        return out
    housing = housing_say(d, InUnit(unit or "mm"))
    out["say"] = said + ([housing] if housing else []) + _shim(out)
    if housing and d.get("housing_sense") not in ("adds", "subtracts"):
        target = None
    elif target is not None and housing:
        target = replace(target, distance=target.distance + housing_deviation(d, InUnit(unit)))
        out["say"].append(f"With it: {_length(target.distance, unit)}, axis to end face.")
    if target is not None:
        mm = target.distance if unit == "mm" else target.distance * INCH_MM
        out |= {"target": f"{target.distance:f} {unit}", "target_mm": float(mm), "warning": target.warning or None}
    return out


def _clean(given: Mapping[str, object]) -> tuple[dict[str, Any], list[dict[str, Any]]]:
    d: dict[str, Any] = {}
    problems = []
    for key, value in given.items():
        field = KINDS["gearset"].fields.get(key)
        if field is None or value is None:
            continue
        try:
            d[key] = field.check(value)
        except FieldError as e:
            problems.append(Problem(f"gearset.{key}", shown(value), str(e))._asdict())
    return d, problems


def _said(d: Mapping[str, Any]) -> tuple[list[str], Target | None, str]:
    if d.get("no_mark") is True:
        return ["There is no mark to read. No mark is not 0: the target then comes from elsewhere."], None, ""
    if "mark" not in d:
        return [], None, ""
    form = d.get("form")
    if form == "deviation":
        return _deviation(d, str(d["mark"]))
    if form == "two-decimals":
        return _decimals(d, str(d["mark"]))
    if form == "full-distance":
        return _distance(d, str(d["mark"]))
    return [f"What kind of mark {d['mark']} is, is not stated yet; the manual says it."], None, ""


def _deviation(d: Mapping[str, Any], mark: str) -> tuple[list[str], Target | None, str]:
    if "count" not in d:
        count = abs(count_of(mark))
        steps = _LENGTHS if is_length(count) else _COUNTS
        could = [f"{count * step:f} mm in {name}" for name, step in steps]
        return [f"What one count is worth is not stated. {mark} could be {', '.join(could)}."], None, ""
    step = quantity(d["count"], "length")
    size = count_of(mark, step.mm)
    said = [f"{mark} in counts of {step} is {_length(abs(size) * step.value, step.unit)}."]
    if d.get("sense") not in ("adds", "subtracts"):
        return (
            [*said, "Which way a positive mark stands is not stated; the manual says it, it is never assumed."],
            None,
            "",
        )
    further_out = (size > 0) == (d["sense"] == "adds")
    if size == 0:
        said.append("The pinion stands at the nominal distance.")
    else:
        where = "OUT, away from" if further_out else "IN, toward"
        said.append(f"With this mark the pinion belongs further {where} the ring gear's axis.")
    if "nominal" not in d:
        return [*said, "The nominal distance is not stated yet."], None, ""
    nominal = quantity(d["nominal"], "length")
    in_unit = step.value if step.unit == nominal.unit else step.mm if nominal.unit == "mm" else step.mm / INCH_MM
    scale = Decimal(1) if nominal.unit == "mm" else INCH_MM
    t = target_from_deviation(nominal.value, mark, in_unit, d["sense"], scale)
    sign = "+" if t.deviation >= 0 else "−"
    said.append(
        f"Target: {nominal.value:f} {sign} {abs(t.deviation):f} = {_length(t.distance, nominal.unit)}, axis to end face."
    )
    if "the other mark" in t.say:
        said.append(t.say.partition("; ")[2].capitalize() + ".")
    return said, t, nominal.unit


def _decimals(d: Mapping[str, Any], mark: str) -> tuple[list[str], Target | None, str]:
    if "nominal" not in d:
        return ["The nominal distance is not stated yet; the two decimals are read beside it."], None, ""
    nominal = quantity(d["nominal"], "length")
    t = target_from_two_decimals(nominal.value, mark)
    said = f"The decimals {mark} nearest to the nominal {nominal} give {_length(t.distance, nominal.unit)}, axis to end face."
    return [said], t, nominal.unit


def _distance(d: Mapping[str, Any], mark: str) -> tuple[list[str], Target | None, str]:
    unit, face = d.get("mark_unit"), d.get("face")
    if unit is None:
        return [f"Whether {mark} is in mm or in inches is not stated."], None, ""
    if face not in ("end", "back"):
        return (
            ["Whether the distance goes to the end face or to the back face is not stated; the manual says it."],
            None,
            "",
        )
    if face == "end":
        t = target_from_full_distance(mark, None)
        return [f"Target: {_length(t.distance, unit)}, axis to end face, as etched."], t, unit
    if not stated(d):
        return ["The mark goes to the back face: measure the head's height at 3 spots."], None, ""
    found = head_of(d)
    head = found.height
    height = head.value if head.unit == unit else head.mm if unit == "mm" else head.mm / INCH_MM
    t = target_from_full_distance(mark, height)
    said = [
        f"Target: mounting distance {mark} less head height {height:f} = {_length(t.distance, unit)}, axis to end face."
    ]
    if found.spread is not None:
        said.append(f"The head's height is the mean of {found.spots} spots that differ by {found.spread}.")
    else:
        said.append(
            "The head's height is one figure: measured at 3 spots, its spread would be known and reckoned with."
        )
    if found.doubt:
        said.append(f"Look again: {found.doubt}.")
    return said, t, unit


def _shim(out: Mapping[str, Any]) -> list[str]:
    """The rule for the shim where both directions are known (service texts of cars and heavy vehicles agree on it)."""
    if out["plus"] is None:
        return []
    if out["thicker"] is None:
        return ["What a thicker shim does is not known yet, so the mark does not say more or less shim."]
    where = "AWAY from" if out["thicker"] == "out" else "TOWARD"
    return [
        f"Here a thicker depth shim moves the pinion {where} the axis: of two gears, the one marked more positive takes "
        f"{'MORE' if out['shim'] == 'more' else 'LESS'} shim."
    ]


def _length(value: Decimal, unit: str) -> str:
    other = f"{value / INCH_MM:.5f} in" if unit == "mm" else f"{value * INCH_MM:.4f} mm"
    return f"{value:f} {unit} ({other})"
