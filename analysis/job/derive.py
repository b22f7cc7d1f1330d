"""The set-up the analysis works with, derived from a job and one of its sets.

Lengths stay exact: in inches where the whole job was written down in inches, else in millimetres.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

from analysis.job.head import head_of
from analysis.job.quantities import quantity
from analysis.job.records import Data, Piece, Stack, Taken, Zeroing
from analysis.job.state import Job
from analysis.job.units import INCH, InUnit, units_of
from analysis.marks import count_of, target_from_two_decimals
from analysis.setup import Setup, parse_setup


def setup_for(job: Job, reading: Taken | None, *, shims: bool = True) -> Setup:
    """Set-up at the time of a set.

    Parameters
    ----------
    job : Job
    reading : Taken, optional
        The set; None takes the state, the shims and the zeroing of now.
    shims : bool
        With the depth shim, its stock and its grades.

    Raises
    ------
    SetupError
        If what was written down contradicts itself.
    """
    unit = InUnit(units_of(job))
    state = job.state if reading is None else reading.state
    stacks = job.stacks if reading is None else reading.stacks
    zeroing = (job.zeroings[-1] if job.zeroings else None) if reading is None else reading.zeroing
    family = job.family or {}
    data: dict[str, Any] = {
        "units": unit.unit,
        "gearset": _gearset(job, unit),
        "housing": _housing(family, state, unit),
        "indicator": {},
        "arbor": {},
        "carrier": {},
    }
    if "decision_rule" in family:
        data["decision"] = {"rule": family["decision_rule"]}
    if zeroing is not None:
        indicator = zeroing.instruments.get("indicator")
        data["indicator"] = unit.some(indicator, resolution="resolution", mpe="mpe", repeatability="repeatability")
        data["arbor"] = _arbor(zeroing, unit)
    if job.direction is not None:
        sense = reading.direction if reading is not None and reading.direction else job.direction["sense"]
        data["arbor"] |= {"reading_sense": sense, "sense_checked": "pushed_in" in job.direction}
    if shims and "depth" in stacks:
        data["shims"] = _shims(job, family, stacks["depth"], unit)
    return parse_setup(data)


def target_missing(job: Job) -> str:
    """Why there is no target distance; empty where there is one."""
    if job.target is not None:
        return ""
    g = job.gearset
    if g is None:
        return "the gear set and its mark are not written down"
    pairs = g.get("pinion_pair"), g.get("ring_pair")
    if pairs == (None, None):
        return "the pair numbers of pinion and ring are not written down; where there are none, write none for both"
    if pairs[0] != pairs[1]:
        return (
            f"pair numbers differ: pinion {pairs[0] or 'not stated'}, ring {pairs[1] or 'not stated'}; not a pair, stop"
        )
    if g.get("no_mark"):
        return f"there is no mark ({g['reason']}); no mark is not 0: take the as-found distance of a quiet unit, or the manual, as a target entry"
    if "second_reading" in g and str(g["second_reading"]).strip() != str(g["mark"]).strip():
        return f"two readers read the mark differently: {g['mark']} and {g['second_reading']}; clean it and read again"
    form = g.get("form")
    need = {
        "deviation": ("nominal", "count", "sense"),
        "two-decimals": ("nominal",),
        "full-distance": ("mark_unit", "face"),
    }.get(str(form), ("form",))
    if "housing_mark" in g:
        need = (*need, "housing_count", "housing_sense")
    missing = [k for k in need if g.get(k) in (None, "unknown")]
    return (
        f"what the mark means is not stated: {', '.join(missing)}; the manual says it, it is never assumed"
        if missing
        else ""
    )


def _gearset(job: Job, unit: InUnit) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for name, key in (("depth-tolerance", "tolerance"), ("depth-aim", "aim")):
        if name in job.limits:
            out[key] = unit(job.limits[name]["value"])
    if job.target is not None:
        return out | {"mark": "full-distance", "etched": f"{unit(job.target['distance']):f}"}
    g = job.gearset
    if g is None or target_missing(job):
        return out
    mark = str(g["mark"])
    housing = housing_deviation(g, unit)
    if g["form"] == "deviation":
        return out | {
            "nominal": unit(g["nominal"]) + housing,
            "etched": mark,
            "etched_step": unit(g["count"]),
            "etched_sense": g["sense"],
        }
    if g["form"] == "two-decimals":
        # The decimals belong to the unit the nominal is printed in, and are read beside it before the housing's mark comes in.
        nominal = quantity(g["nominal"], "length")
        if nominal.unit == unit.unit and not housing:
            return out | {"mark": "two-decimals", "nominal": nominal.value, "etched": mark}
        there = target_from_two_decimals(nominal.value, mark).distance
        return out | {"mark": "full-distance", "etched": f"{unit(f'{there} {nominal.unit}') + housing:f}"}
    whole = unit(f"{mark} {g['mark_unit']}") + housing
    out |= {"mark": "full-distance", "etched": f"{whole:f}"}
    return out | (_head(job, g, unit) if g["face"] == "back" else {})


def _head(job: Job, g: Data, unit: InUnit) -> dict[str, Any]:
    head = head_of(g, micrometer_u_mm(job))
    out: dict[str, Any] = {"head_height": unit(str(head.height))}
    if head.u_mm:
        mm = Decimal(1) if unit.unit == "mm" else INCH
        out["head_height_u"] = Decimal(repr(head.u_mm)) / mm
        if math.isfinite(head.dof):
            out["head_height_dof"] = Decimal(repr(head.dof))
    return out


def micrometer_u_mm(job: Job) -> float | None:
    """Standard uncertainty of the micrometer, the largest where there are several; None where none is stated."""
    found = [quantity(m["u"], "length").mm for m in job.instruments.values() if m["type"] == "micrometer" and "u" in m]
    return float(max(found)) if found else None


def decimals_say(g: Data, unit: InUnit) -> str:
    """Two decimals in the words of their own unit; empty where the set-up reads them itself."""
    if g.get("form") != "two-decimals" or "nominal" not in g or "mark" not in g:
        return ""
    nominal = quantity(g["nominal"], "length")
    if nominal.unit == unit.unit:
        return ""
    there = target_from_two_decimals(nominal.value, str(g["mark"])).distance
    return (
        f"The decimals {g['mark']} nearest to the nominal {nominal} give {there} {nominal.unit}; that is in the target."
    )


def housing_deviation(g: Data, unit: InUnit) -> Decimal:
    """What the mark on the housing does to the target; 0 where there is none.

    Its sign is stated, never assumed: one formula of the same maker subtracts it and another adds it (small-engine service texts).
    """
    if "housing_mark" not in g or g.get("housing_sense") not in ("adds", "subtracts") or "housing_count" not in g:
        return Decimal(0)
    step = quantity(g["housing_count"], "length")
    size = count_of(str(g["housing_mark"]), step.mm) * unit(g["housing_count"])
    return size if g["housing_sense"] == "adds" else -size


def housing_say(g: Data, unit: InUnit) -> str:
    """The housing's mark in words; empty where there is none."""
    if "housing_mark" not in g:
        return ""
    if not {"housing_count", "housing_sense"} <= g.keys() or g["housing_sense"] == "unknown":
        return f"What the mark {g['housing_mark']} on the housing does to the target is not stated; the manual says it, it is never assumed."
    return f"The mark {g['housing_mark']} on the housing moves the target by {housing_deviation(g, unit):+f} {unit.unit}; that is in the target."


def _housing(family: Data, state: Data, unit: InUnit) -> dict[str, Any]:
    out: dict[str, Any] = dict(unit.some(family, bore_to_seat="bore_to_seat"))
    if "material" in family:
        out["material"] = family["material"]
    if "expansion" in family:
        out["expansion"] = Decimal(str(family["expansion"]))
    for key, name in (("temperature", "housing_temperature"), ("arbor_temperature", "arbor_temperature")):
        if name in state:
            c = quantity(state[name], "temperature").celsius
            out[key] = Decimal(repr(float(c)))
    return out


def _arbor(z: Zeroing, unit: InUnit) -> dict[str, Any]:
    out: dict[str, Any] = {}
    before, after = str(z.before), None if z.after is None else str(z.after)
    arbor, master, blade = (z.instruments.get(k) for k in ("arbor", "master", "blade"))
    if arbor is not None:
        out |= unit.some(arbor, tip_radius="tip_radius")
    if master is not None:
        out["master"] = {
            "distance": unit(master["distance"]),
            "reading": unit(before),
            **({} if after is None else {"reading_after": unit(after)}),
            **unit.some(master, u="u"),
        }
    elif arbor is not None and "constant" in arbor:
        # A constant holds at the display it was zeroed at, as a master does at the display on it.
        if unit(before) == 0 and (after is None or unit(after) == 0):
            out |= {"constant": unit(arbor["constant"]), **unit.some(arbor, constant_u="u")}
        else:
            out["master"] = {
                "distance": unit(arbor["constant"]),
                "reading": unit(before),
                **({} if after is None else {"reading_after": unit(after)}),
                **unit.some(arbor, u="u"),
            }
    if blade is not None and z.data.get("blade_on") not in (None, "none"):
        out["bridge"] = {"thickness": unit(blade["thickness"]), "on": z.data["blade_on"], **unit.some(blade, u="u")}
    return out


def _shims(job: Job, family: Data, fitted: Stack, unit: InUnit) -> dict[str, Any]:
    out: dict[str, Any] = {"fitted": unit(str(fitted.thickness)), "thicker_moves": moves(job)}
    for key in ("max_pieces", "max_thin"):
        if key in family:
            out[key] = family[key]
    out |= unit.some(family, thin_limit="thin_limit")
    if "grades_step" in family:
        out["order_grades"] = unit.some(family, **{"from": "grades_from", "to": "grades_to", "step": "grades_step"})
    micrometers = [m for m in job.instruments.values() if m["type"] == "micrometer" and "u" in m]
    if micrometers:
        out["u"] = max(unit(m["u"]) for m in micrometers)
    out["stock"] = [{"thickness": unit(str(p.thickness)), "id": p.id} for p in free_pieces(job, "depth")]
    from analysis.job.response import learnt_response

    learnt = learnt_response(job)
    if learnt is not None and learnt.used:
        out |= {"response": Decimal(f"{learnt.response:.4f}"), "response_u": Decimal(f"{learnt.u:.4f}")}
    return out


def free_pieces(job: Job, place: str) -> list[Piece]:
    """Shims that may be used at a place: measured, good, not thrown away, not in elsewhere; those in there now included."""
    elsewhere = {i for where, s in job.stacks.items() if _kind(where) != place for i in s.pieces}
    own = [
        p
        for p in job.pieces.values()
        if p.place == place and not p.rejected and p.id not in job.discarded and p.id not in elsewhere
    ]
    known = set(job.pieces)
    return own + [p for p in job.shop if p.place == place and p.id not in known and p.id not in job.discarded]


def _kind(where: str) -> str:
    return "side" if where in ("left", "right") else where


def moves(job: Job) -> str:
    """What a thicker depth shim does: as stated, or as this job's own builds have shown where it is not."""
    effect = str((job.family or {}).get("shim_effect", "unknown"))
    if effect == "unknown":
        from analysis.job.response import learnt_effect

        shown = learnt_effect(job)
        return shown.moves if shown is not None and shown.moves != "not shown" else "unknown"
    return "away" if effect == "+1" else "toward"
