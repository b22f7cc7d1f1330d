"""What must hold between the fields of one entry.  Each rule gives (field, what is allowed) for every fault."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from decimal import Decimal

from analysis.carrier import SignError, check_signs
from analysis.depth import MASTER_RETURN
from analysis.job.fields import FieldError, length, positive, signed_length, uncertainty
from analysis.job.quantities import Dimension, QuantityError, quantity
from analysis.marks import (
    MarkError,
    count_of,
    is_length,
    target_from_deviation,
    target_from_full_distance,
    target_from_two_decimals,
)

Data = Mapping[str, object]
Faults = list[tuple[str, str]]

LIMITS: dict[str, tuple[Dimension, str]] = {
    "depth-tolerance": ("length", "value"),
    "depth-aim": ("length", "value"),
    "zero-drift": ("length", "value"),
    "push-pull": ("length", "value"),
    "shim-spread": ("length", "value"),
    "backlash": ("length", "band"),
    "backlash-spread": ("length", "value"),
    "run-out": ("length", "value"),
    "carrier-pinch": ("length", "signed"),
    "pinion-preload": ("torque", "range"),
    "carrier-preload": ("torque", "range"),
}
"""Limits by name: what they measure, and whether they are one value, a value of either sign, a range, or a band."""


_WHOLE = ("1 mm", "1 in")


def nothing(_: Data) -> Faults:
    """No rule."""
    return []


def something(d: Data) -> Faults:
    """At least one field."""
    return [] if d else [("nut", "at least one field, such as nut, seal, turns, covers or bearings")]


def figures(name: str) -> Callable[[Data], Faults]:
    """Figures that may carry their own unit must carry the one stated for all."""

    def rule(d: Data) -> Faults:
        items = d[name]
        assert isinstance(items, list)
        try:
            for x in items:
                quantity(x, "length", str(d["unit"]))
        except QuantityError as e:
            return [(name, str(e))]
        return []

    return rule


def family(d: Data) -> Faults:
    """Nothing that decides a direction is without its ground, and the four signs of a carrier do not contradict."""
    out: Faults = []
    if d["shim_effect"] != "unknown" and "effect_basis" not in d:
        out.append(
            ("effect_basis", "manual, bench or stated: how it is known which way a thicker shim moves the pinion")
        )
    if d.get("effect_basis") == "manual" and "page" not in d:
        out.append(("page", "the page of the manual that says so"))
    grades = [k in d for k in ("grades_from", "grades_to", "grades_step")]
    if any(grades) and not all(grades):
        out.append(("grades_from", "grades_from, grades_to and grades_step together"))
    elif all(grades) and _mm(d["grades_to"]) < _mm(d["grades_from"]):
        out.append(("grades_to", f"not less than grades_from ({d['grades_from']})"))
    signs = [str(d.get(k, "unknown")) for k in ("left_moves", "right_moves", "left_preload", "right_preload")]
    if "unknown" not in signs:
        try:
            check_signs(*signs)  # type: ignore[arg-type]
        except SignError as e:
            out.append(("left_moves", str(e)))
    return out


def _mm(value: object) -> Decimal:
    return quantity(value, "length").mm


def gearset(d: Data) -> Faults:
    """A mark is there or it is not, and what it means is complete or left open."""
    if d.get("no_mark") is True:
        if "mark" in d:
            return [("mark", "nothing where no_mark is true")]
        return (
            []
            if "reason" in d
            else [("reason", "why there is no mark to read (none, worn); no mark is not the same as 0")]
        )
    if "mark" not in d:
        return [("mark", "the mark as it stands, or no_mark = true with the reason")]
    mark, form = str(d["mark"]), d.get("form")
    try:
        count_of(str(d.get("housing_mark", "0")))
    except MarkError as e:
        return [("housing_mark", str(e))]
    try:
        if "housing_mark" in d and d.get("place") == "housing":
            return [("housing_mark", "left out, where the mark itself stands on the housing (place)")]
        if form == "deviation":
            counted = count_of(mark)
            if "count" in d and is_length(counted) and str(d["count"]) not in _WHOLE:
                return [
                    ("count", f"1 mm or 1 in: {mark} is written with a point, so it is a length itself and no count")
                ]
            if {"nominal", "count"} <= d.keys() and d.get("sense") in ("adds", "subtracts"):
                sense = "adds" if d["sense"] == "adds" else "subtracts"
                t = target_from_deviation(_mm(d["nominal"]), mark, _mm(d["count"]), sense, Decimal(1))  # type: ignore[arg-type]
                if t.distance <= 0:
                    return [("mark", f"a mark smaller than the nominal distance {d['nominal']}")]
        elif form == "two-decimals" and "nominal" in d:
            n = quantity(d["nominal"], "length")
            if "mark_unit" not in d and n.unit != "mm":
                return [("mark_unit", "mm or in: the unit of the two decimals; it is never assumed")]
            if d.get("mark_unit", "mm") != n.unit:
                return [("nominal", f"in {d.get('mark_unit', 'mm')}, as the two decimals are")]
            target_from_two_decimals(n.value, mark)
        elif form == "full-distance":
            target_from_full_distance(mark, None)
            if "mark_unit" not in d:
                return [("mark_unit", "mm or in: the unit of the etched distance; it is never assumed")]
            if d.get("face") == "back" and not {"head_height", "head_heights"} & d.keys():
                return [("head_heights", "the head height, measured at 3 spots, where the mark goes to the back face")]
    except MarkError as e:
        return [("mark", str(e))]
    if "head_heights" in d and "head_height" in d:
        return [("head_height", "left out, where it is measured at several spots (head_heights)")]
    if "head_heights" in d:
        return (
            [("unit", "mm or in, for the head heights; it is never assumed")]
            if "unit" not in d
            else figures("head_heights")(d)
        )
    if "housing_mark" not in d and {"housing_count", "housing_sense"} & d.keys():
        return [("housing_mark", "the housing's mark as it stands, where its count or its sense is stated")]
    return []


def limit(d: Data) -> Faults:
    """The figures a limit of that name has, each with its unit."""
    name = str(d["name"])
    dimension, shape = LIMITS[name]
    wanted = {
        "value": ({"value"},),
        "signed": ({"value"},),
        "range": ({"min", "max"},),
        "band": ({"min", "max"}, {"value", "tolerance"}),
    }[shape]
    given = {k for k in ("value", "tolerance", "min", "max") if k in d}
    if given not in wanted:
        given_as = f"; given: {', '.join(sorted(given))}" if given else ""
        ways = " or ".join(_as_typed(w, dimension, shape) for w in wanted)
        return [("value" if shape != "range" else "min", f"for the limit {name}: {ways}{given_as}")]
    out: Faults = []
    for key in sorted(given):
        check = signed_length if shape == "signed" else length if dimension == "length" else positive(dimension, "2000")
        if key == "min" and dimension == "length":
            check = uncertainty
        for k in (key, f"also_{key}"):
            try:
                if k in d:
                    check(d[k])
            except FieldError as e:
                out.append((k, str(e)))
    out += _also(d, given, dimension)
    if out:
        return out
    if given == {"min", "max"}:
        low, high = (quantity(d[k], dimension) for k in ("min", "max"))
        if low.unit != high.unit:
            out.append(("max", f"in {low.unit}, as the lower limit is"))
        elif high.value < low.value:
            out.append(("max", f"not less than min ({low})"))
    if dimension != "torque" and "method" in d:
        out.append(("method", "left out: only a turning torque is read while turning or at the start"))
    if dimension == "torque" and name == "pinion-preload" and "condition" not in d:
        out.append(("condition", "new or used: the bearings the limit is for"))
    if name == "zero-drift":
        unit = quantity(d["value"], "length").unit
        most = MASTER_RETURN[unit]
        if quantity(d["value"], "length").value > most:
            out.append(("value", f"at most {most} {unit}: what comes back worse is void whatever else is stated"))
    return out


def _as_typed(keys: set[str], dimension: Dimension, shape: str) -> str:
    """Fields as they are typed, their figures left open: a limit is never filled in."""
    unit = "… N·m" if dimension == "torque" else "… mm"
    one = {"value": "the one figure"} if shape in ("value", "signed") else {}
    return " and ".join(f'{k}="{unit}"' + (f" ({one[k]})" if k in one else "") for k in sorted(keys, reverse=True))


def _also(d: Data, given: set[str], dimension: Dimension) -> Faults:
    """The same figures in the other unit: each beside its own, and all of them in one."""
    also = {k.removeprefix("also_") for k in d if k.startswith("also_")}
    if not also:
        return []
    if also != given:
        odd = min(also ^ given)
        return [(f"also_{odd}", f"{' and '.join(f'also_{k}' for k in sorted(given))}, or none of them")]
    try:
        units = {quantity(d[f"also_{k}"], dimension).unit for k in also}
        own = {quantity(d[k], dimension).unit for k in given}
    except QuantityError:
        return []  # said already
    if len(units) > 1 or units & own:
        return [(f"also_{min(also)}", f"in the other unit, not in {', '.join(sorted(own))}, and all in the same one")]
    return []


def starter(d: Data) -> Faults:
    """Both marks, or the bearing's height, or all of it."""
    if ("old_mark" in d) != ("new_mark" in d):
        return [("old_mark", "both old_mark and new_mark, or neither")]
    if not d:
        return [("taller", "the new bearing stack less the old, or old_mark and new_mark")]
    for key in ("old_mark", "new_mark"):
        try:
            if key in d:
                count_of(str(d[key]))
        except MarkError as e:
            return [(key, str(e))]
    return []


def instrument(d: Data) -> Faults:
    """What a master and a blade cannot do without."""
    need = {"master": "distance", "blade": "thickness"}.get(str(d["type"]))
    return [(need, f"the {need} of the {d['type']}, with its unit")] if need and need not in d else []


def direction(d: Data) -> Faults:
    """Proved by a push, or stated with its ground."""
    if ("pushed_in" in d) == ("stated" in d):
        return [
            ("pushed_in", "rises or falls: push the plunger in and watch; or stated = grows or shrinks, with its basis")
        ]
    if "stated" in d and "basis" not in d:
        return [("basis", "where that comes from; a push on the plunger proves it")]
    return []


def zeroing(d: Data) -> Faults:
    """What ties the display to a distance is named before, not after."""
    if d["when"] == "after":
        return []
    out: Faults = []
    if "master" not in d and "arbor" not in d:
        out.append(("master", "the master that was read, or the arbor whose constant holds at this display"))
    if "blade_on" not in d:
        out.append(("blade_on", "none, pinion, master or both: where a blade lies; it is never assumed"))
    elif d["blade_on"] != "none" and "blade" not in d:
        out.append(("blade", "the name of the blade"))
    elif d["blade_on"] in ("master", "both") and "master" not in d:
        out.append(("blade_on", "none or pinion, where there is no master"))
    return out


def fit(d: Data) -> Faults:
    """Something was put in."""
    return (
        []
        if "pieces" in d or "stack" in d
        else [("pieces", "the names of the shims, or stack: its measured thickness")]
    )


def prediction(given: object) -> object:
    """A prediction as this program wrote it down."""
    if not isinstance(given, Mapping) or not {"base", "predicted_mm", "effect"} <= given.keys():
        raise FieldError("left out; it is worked out when the shims are written down")
    return dict(given)
