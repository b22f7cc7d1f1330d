"""The ring gear's side of the job: backlash and side shims."""

from __future__ import annotations

import math
from collections.abc import Sequence
from decimal import Decimal
from itertools import pairwise
from typing import Any

from analysis.carrier import backlash, learnt_ratio
from analysis.carrier_plan import carrier_for
from analysis.job.derive import free_pieces
from analysis.job.quantities import quantity
from analysis.job.records import Stack, Taken
from analysis.job.state import Job
from analysis.job.stock import diameters_for, diameters_say
from analysis.job.units import INCH, units_of
from analysis.setup import SetupError, parse_setup


def _length(job: Job, written: object) -> Decimal:
    q = quantity(written, "length")
    unit = units_of(job)
    return q.value if q.unit == unit else q.mm if unit == "mm" else q.mm / INCH


def _places(job: Job, r: Taken) -> list[Decimal]:
    places = r.data["places"]
    assert isinstance(places, list)
    return [_length(job, str(quantity(x, "length", str(r.data["unit"])))) for x in places]


def mean_mm(job: Job, r: Taken) -> float:
    """Mean backlash at the tooth, mm."""
    factor = 1.0 if units_of(job) == "mm" else float(INCH)
    values = [float(x) * factor for x in _places(job, r)]
    lean = float(quantity(r.data["plunger_angle"], "angle").value) if "plunger_angle" in r.data else 0.0
    if "radius" not in r.data:
        return backlash(values, plunger_deg=lean).mean
    radii = [float(quantity(r.data[k], "length").mm) for k in ("radius", "tooth_radius")]
    return backlash(values, radii[0], radii[1], lean).mean


def ring_toward(job: Job, before: Taken, after: Taken) -> float | None:
    """How far the side shims moved the ring gear toward the pinion between two readings, mm."""
    family = job.family or {}
    parts = []
    for side in ("left", "right"):
        sign = {"toward": 1.0, "away": -1.0}.get(str(family.get(f"{side}_moves")))
        old, new = before.stacks.get(side), after.stacks.get(side)
        if sign is None or old is None or new is None:
            return None
        parts.append(sign * float(new.thickness.mm - old.thickness.mm))
    return math.fsum(parts) / 2.0


def moves_of_ring(job: Job) -> list[dict[str, Any]]:
    """Every pair of backlash readings with a move of the ring gear between: predicted, measured, ratio learnt."""
    found: list[dict[str, Any]] | None = job.cache.get("ring")  # type: ignore[assignment]
    if found is not None:
        return found
    out: list[dict[str, Any]] = []
    job.cache["ring"] = out
    good = [r for r in job.readings if r.kind == "backlash" and not r.in_wrong_state and r.phase != "as-found"]
    for before, after in pairwise(good):
        move = ring_toward(job, before, after)
        if not move or _depth(before) != _depth(after):
            continue
        b, a = mean_mm(job, before), mean_mm(job, after)
        ratio, source = _ratio_until(job, out)
        row: dict[str, Any] = {
            "before": before.n,
            "after": after.n,
            "ring_toward_mm": move,
            "ratio": ratio,
            "ratio_source": source,
            "predicted_mm": None if ratio is None else b - ratio * move,
            "measured_mm": a,
            "learnt_ratio": None,
            "learnt_u": None,
            "say": "",
        }
        try:
            row["learnt_ratio"] = learnt_ratio(b, a, move)
            row["learnt_u"] = _ratio_u(job, before, after, move)
            known = "" if row["learnt_u"] is None else f" (standard uncertainty {row['learnt_u']:.3f})"
            row["say"] = f"This unit gives {row['learnt_ratio']:.3f}{known} of backlash for each move of the ring gear."
        except ValueError as e:
            row["say"] = f"{e}."
        out.append(row)
    return out


LEAST_U_MM = 0.0005
"""Standard uncertainty of a change of backlash below which agreement of the places is chance."""


def _ratio_u(job: Job, before: Taken, after: Taken, move: float) -> float | None:
    """Standard uncertainty of a learnt ratio, from how the places agree on the change; None where they are not the same in number."""
    factor = 1.0 if units_of(job) == "mm" else float(INCH)
    b, a = ([float(x) * factor for x in _places(job, r)] for r in (before, after))
    if len(a) != len(b) or len(a) < 2:
        return None
    scale = [mean_mm(job, r) / (math.fsum(x) / len(x)) for r, x in ((before, b), (after, a))]
    losses = [x * scale[0] - y * scale[1] for x, y in zip(b, a, strict=True)]
    mean = math.fsum(losses) / len(losses)
    sd = math.sqrt(math.fsum((x - mean) ** 2 for x in losses) / (len(losses) - 1))
    return max(sd / math.sqrt(len(losses)), LEAST_U_MM) / abs(move)


def learnt_from(rows: Sequence[dict[str, Any]]) -> tuple[float, float | None] | None:
    """Backlash ratio over all moves, each weighed by its uncertainty, and its own; the last where one is not known."""
    known = [(r["learnt_ratio"], r["learnt_u"]) for r in rows if r["learnt_ratio"] is not None]
    if not known:
        return None
    if any(u is None for _, u in known):
        return known[-1]
    weight = math.fsum(1.0 / u**2 for _, u in known)
    return math.fsum(x / u**2 for x, u in known) / weight, 1.0 / math.sqrt(weight)


def _depth(r: Taken) -> object:
    s = r.stacks.get("depth")
    return None if s is None else s.thickness.mm


def _ratio_until(job: Job, rows: list[dict[str, Any]]) -> tuple[float | None, str | None]:
    learnt = learnt_from(rows)
    if learnt is not None:
        return learnt[0], "learnt"
    out = carrier_for(parse_setup(_carrier(job, None) | _one_too_large(job)))
    if out is None or out["ratio"] is None:
        return None, None
    return float(str(out["ratio"])), str(out["ratio_source"])


def _one_too_large(job: Job) -> dict[str, Any]:
    """A set-up that makes the plan name its ratio."""
    c = _carrier(job, None)["carrier"]
    asked = {"places": [Decimal(3)], "target": Decimal(1), "tolerance": Decimal("0.1")}
    ratio = {k: v for k, v in c["backlash"].items() if k == "ratio"}
    return {"carrier": {"backlash": asked | ratio, **({"gears": c["gears"]} if "gears" in c else {})}}


def _carrier(job: Job, r: Taken | None) -> dict[str, Any]:
    """The carrier's part of a set-up, with the backlash reading `r`."""
    family = job.family or {}
    c: dict[str, Any] = {"backlash": {}, "sign": {}, "preload_sign": {}}
    for side in ("left", "right"):
        stack: Stack | None = job.stacks.get(side)
        if stack is not None:
            c[side] = _length(job, str(stack.thickness))
        c["sign"][side] = family.get(f"{side}_moves", "unknown")
        c["preload_sign"][side] = family.get(f"{side}_preload", "unknown")
    if job.zero_play is not None:
        c["zero_play_sum"] = _length(job, job.zero_play["sum"])
    if "carrier-pinch" in job.limits:
        c["preload_pinch"] = _length(job, job.limits["carrier-pinch"]["value"])
    if "carrier_step" in family:
        c["step"] = _length(job, family["carrier_step"])
    if "carrier_max_pieces" in family:
        c["max_pieces"] = family["carrier_max_pieces"]
    fitted = {i for side in ("left", "right") if side in job.stacks for i in job.stacks[side].pieces}
    if any(p.id not in fitted for p in free_pieces(job, "side")):
        c["stock"] = [{"thickness": _length(job, str(p.thickness)), "id": p.id} for p in free_pieces(job, "side")]
    names = ("pinion_teeth", "ring_teeth", "pressure_angle", "spiral_angle", "gear_indicator")
    if all(n in family for n in names):
        c["gears"] = {
            "pinion_teeth": family["pinion_teeth"],
            "ring_teeth": family["ring_teeth"],
            "pressure_angle": quantity(family["pressure_angle"], "angle").value,
            "spiral_angle": quantity(family["spiral_angle"], "angle").value,
            "indicator": family["gear_indicator"],
        }
    b = c["backlash"]
    if "backlash_ratio" in family:
        b["ratio"] = Decimal(str(family["backlash_ratio"]))
    band = band_of(job)
    if band is not None:
        b["target"], b["tolerance"] = (_length(job, f"{x} {band[2]}") for x in band[:2])
    if "backlash-spread" in job.limits:
        b["spread_limit"] = _length(job, job.limits["backlash-spread"]["value"])
    if r is not None:
        b["places"] = _places(job, r)
        if "radius" in r.data:
            b["radius"], b["tooth_radius"] = _length(job, r.data["radius"]), _length(job, r.data["tooth_radius"])
        if "plunger_angle" in r.data:
            b["plunger_angle"] = quantity(r.data["plunger_angle"], "angle").value
    return {"units": units_of(job), "carrier": c}


def band_of(job: Job) -> tuple[Decimal, Decimal, str] | None:
    """Target and tolerance of the backlash, and their unit; None where no limit is stated.

    An etched value takes the middle's place where the limit is a value with a tolerance.
    """
    d = job.limits.get("backlash")
    if d is None:
        return None
    if "min" in d:
        low, high = quantity(d["min"], "length"), quantity(d["max"], "length")
        return (low.value + high.value) / 2, (high.value - low.value) / 2, low.unit
    value, tolerance = quantity(d["value"], "length"), quantity(d["tolerance"], "length")
    etched = (job.gearset or {}).get("etched_backlash")
    if etched is not None:
        value = quantity(etched, "length")
    if value.unit == tolerance.unit:
        return value.value, tolerance.value, value.unit
    return value.mm, tolerance.mm, "mm"


def carrier_of(job: Job) -> dict[str, Any] | None:
    """Backlash and side shims as they stand, with the next transfer; a learnt ratio goes before any other."""
    r = job.latest("backlash")
    data = _carrier(job, r)
    learnt = learnt_from(moves_of_ring(job))
    if learnt is not None:
        data["carrier"]["backlash"]["ratio"] = Decimal(repr(round(learnt[0], 6)))
    try:
        out = carrier_for(parse_setup(data))
    except SetupError as e:
        return {"backlash": None, "say": str(e)}
    if out is not None and learnt is not None:
        out["ratio_u"] = learnt[1]
        if out["ratio"] is not None:
            out["ratio_source"] = "learnt"
        out["say"] = str(out["say"]).replace("(stated ratio", "(learnt ratio")
    if out is not None and out.get("order"):
        found = diameters_for(job, "side")
        out |= {"diameters": found, "say": f"{out['say']} {diameters_say(found)}"}
    if out is not None:
        out["reading"] = None if r is None else r.n
    return out
