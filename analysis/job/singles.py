"""Readings that stand by themselves: turning torques, run-out, the contact pattern."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from analysis.job.limits import limit_for
from analysis.job.quantities import quantity
from analysis.job.records import Taken
from analysis.job.sleeve import is_crushed, spent
from analysis.job.state import Job
from analysis.job.torque_learnt import newton_metres, next_change
from analysis.torque import NM_PER, at_pinion, from_string, judge, slip_of_unit, to_newton_metres


def torque_of(job: Job, r: Taken) -> dict[str, Any]:
    """A turning torque against its limit, N·m."""
    d = r.data
    if "torque" in d:
        q = quantity(d["torque"], "torque")
        value, unit = float(q.value), q.unit
    else:
        radius = float(quantity(d["radius"], "length").mm) / 1000.0
        value, unit = from_string(float(quantity(d["force"], "force").newtons), radius), "N·m"
    # Bearings nobody has looked at yet are those the unit has run on.
    bearings = r.state.get("bearings") or ("used" if r.phase == "as-found" else None)
    limit = limit_for(job, r.kind, bearings)
    out: dict[str, Any] = {
        "value_nm": to_newton_metres(value, unit),
        "finding": "not ruled",
        "say": job.limit_doubts.get(r.kind, f"The limit {r.kind} is not stated; it comes from the manual."),
    }
    slip = slip_of_unit(value, unit)
    if limit is None:
        return out | ({"finding": "implausible", "say": slip} if slip else {})
    condition = limit.get("condition")
    if r.kind == "pinion-preload" and condition != bearings:
        told = f"The limit is for {condition} bearings, the bearings are {bearings or 'not stated'}: take the manual's figure for these."
        if r.phase == "as-found":
            told = f"{value:g} {unit} as found. The limit that is stated is for {condition} bearings and says nothing of these."
        return out | {"finding": "implausible" if slip else "not ruled", "say": f"{slip} {told}".strip()}
    otherwise = _read_otherwise(d, limit)
    if otherwise:
        said = " ".join(x for x in (slip, otherwise, _expected(job, r, unit)) if x)
        return out | {"finding": "implausible" if slip else "not ruled", "say": said}
    low, high = quantity(limit["min"], "torque"), quantity(limit["max"], "torque")
    sleeve = is_crushed(job)
    found = judge(
        value,
        unit,
        float(low.value),
        float(high.value),
        low.unit,
        crush_sleeve=sleeve and r.kind == "pinion-preload" and r.phase != "as-found",
    )
    if sleeve and r.kind == "pinion-preload" and found.finding in ("within", "below"):
        why = spent(job, r, overshot(job))
        if why:
            return {"value_nm": found.value_nm, "finding": "sleeve spent", "say": f"{found.say} {why}"}
    # How a unit came in is written down; what to do about it is asked of the one that is built.
    asks = r.kind == "pinion-preload" and r.phase != "as-found"
    cure = _CURE.get((str((job.family or {}).get("preload_by")), found.finding), "") if asks else ""
    learnt = next_change(job, r, low.newton_metres, high.newton_metres, low.unit) if cure else ""
    return {
        "value_nm": found.value_nm,
        "finding": found.finding,
        "say": " ".join(x for x in (found.say, cure, learnt) if x),
    }


def _read_otherwise(d: Mapping[str, object], limit: Mapping[str, object]) -> str:
    """Why a torque was read in another way than its limit is meant; empty where it was not.

    A limit is for a shaft that turns steadily unless the manual says otherwise (car service texts).
    """
    if d.get("through_gears") is True:
        return "It was turned through the gears, whose drag and ratio are in the figure: turn the shaft alone, as the limit is meant."
    started, meant = d.get("method") == "starting", limit.get("method") == "starting"
    if started and not meant:
        return (
            "It was read at the moment the shaft starts to turn, which takes more than turning it, and the limit does not say that it is "
            "meant so: read it while turning steadily, or state with the limit that the manual gives the starting torque (method)."
        )
    if meant and not started:
        return "The limit is for the moment the shaft starts to turn: read it so, and say so with the torque (method starting)."
    return ""


def _expected(job: Job, r: Taken, unit: str) -> str:
    """What the pinion should take to turn with the carrier in, from what each took alone; empty where one or the teeth are not known."""
    family = job.family or {}
    if r.kind != "pinion-preload" or r.data.get("through_gears") is not True or "pinion_teeth" not in family:
        return ""
    pinion, carrier = (_alone(job, r, kind) for kind in ("pinion-preload", "carrier-preload"))
    if pinion is None or carrier is None or "ring_teeth" not in family:
        return ""
    teeth = int(str(family["pinion_teeth"])), int(str(family["ring_teeth"]))
    nm = at_pinion(newton_metres(pinion), newton_metres(carrier), *teeth)
    total = f"{nm:.2f} N·m" if unit == "N·m" else f"{nm / NM_PER[unit]:.3g} {unit} ({nm:.2f} N·m)"
    return (
        f"With the carrier in, about {total} is expected from what each took alone (entries {pinion.n} and {carrier.n}) and {teeth[0]} to "
        f"{teeth[1]} teeth; the drag of the mesh comes on top. That is no limit."
    )


def _alone(job: Job, r: Taken, kind: str) -> Taken | None:
    """The last torque of a kind before this one that still holds, read in the same way but not through the gears."""
    rows = (x for x in reversed(job.readings) if x.n < r.n and x.kind == kind and x.usable)
    way = r.data.get("method", "turning")
    return next((x for x in rows if x.data.get("method", "turning") == way and not x.data.get("through_gears")), None)


_SPACER = "The nut stays at its full torque; with a solid spacer the shim beside it sets the preload:"
_PACKS = "Change the sum of the two packs in the far pack alone; the depth pack stays, and the depth with it. Then measure the depth again."
_CURE = {
    ("solid spacer", "above"): f"{_SPACER} add shim there for less, and write down which shims are in there then.",
    ("solid spacer", "below"): f"{_SPACER} take shim out there for more, and write down which shims are in there then.",
    (
        "crush sleeve",
        "below",
    ): "Bring the sleeve up in small steps, a few degrees of the nut at a time, and turn the shaft before each reading: "
    "what is overshot cannot be taken back.",
    ("pack sum", "above"): _PACKS,
    ("pack sum", "below"): _PACKS,
}
"""What sets the preload right (heavy-vehicle service text and textbook for the spacer, car service texts for sleeve and packs)."""


def overshot(job: Job) -> Callable[[Taken], bool]:
    """Whether a turning torque lies above its limit."""
    return lambda r: bool(torque_of(job, r)["finding"] == "above")


def run_out_of(job: Job, r: Taken) -> dict[str, Any]:
    """Run-out over one turn: total, where it is highest, and how much of it is one wave a turn."""
    items = r.data["readings"]
    assert isinstance(items, list)
    x = [float(quantity(v, "length", str(r.data["unit"])).mm) for v in items]
    n = len(x)
    mean = math.fsum(x) / n
    c = 2.0 / n * math.fsum(v * math.cos(2 * math.pi * i / n) for i, v in enumerate(x))
    s = 2.0 / n * math.fsum(v * math.sin(2 * math.pi * i / n) for i, v in enumerate(x))
    left = [v - mean - c * math.cos(2 * math.pi * i / n) - s * math.sin(2 * math.pi * i / n) for i, v in enumerate(x)]
    exact = [quantity(v, "length", str(r.data["unit"])).mm for v in items]
    total = max(exact) - min(exact)
    limit = job.limit_mm("run-out")
    finding = "not ruled" if limit is None else "within" if total <= limit else "above"
    first = 2.0 * math.hypot(c, s)
    say = f"Run-out {float(total):.3f} mm in all, highest at place {exact.index(max(exact)) + 1} of {n}; one wave a turn makes {first:.3f} mm of it."
    streamed = r.data.get("result")
    if isinstance(streamed, Mapping):
        say = str(streamed["say"])
    if finding == "above":
        say += f" More than {limit} mm: look for dirt or a burr under the ring gear, seat it again, then look at the case flange alone."
    elif finding == "not ruled":
        say += " The limit is not stated; it comes from the manual."
    return {
        "total_mm": float(total),
        "highest_at": exact.index(max(exact)) + 1,
        "first_harmonic_mm": first,
        "rest_mm": max(left) - min(left),
        "finding": finding,
        "say": say,
    }


def pattern_of(r: Taken, depth: dict[str, Any] | None) -> dict[str, Any]:
    """What the pattern says, and whether it agrees with the measured depth.  It is never a number itself."""
    drive, coast = (set(r.data[k]) for k in ("drive", "coast"))  # type: ignore[call-overload]
    if r.data.get("wanders"):
        return {
            "says": "run-out",
            "agrees": None,
            "say": "The pattern moves along the tooth round the ring: look at run-out first.",
        }
    says, words = "centred", "centred"
    if "high" in drive and "high" in coast:
        says, words = "too far out", "high on both flanks: the pinion stands too far out"
    elif "low" in drive and "low" in coast:
        says, words = "too deep", "low on both flanks: the pinion stands too deep"
    elif "toe" in drive and "toe" in coast:
        says, words = "ring too close", "at the toe on both flanks: the ring gear is too close; more backlash"
    elif "heel" in drive and "heel" in coast:
        says, words = "ring too far", "at the heel on both flanks: the ring gear is too far; less backlash"
    elif (drive | coast) != {"centre"}:
        says, words = (
            "mixed",
            "not alike on both flanks: only high or low on both speaks of depth, toe or heel on both of the ring gear",
        )
    if depth is None or depth.get("error_mm") is None or depth["ruling"] == "not proven" or says == "mixed":
        return {"says": says, "agrees": None, "say": f"The pattern is {words}."}
    within = depth["ruling"] == "within"
    side = {"too far out": 1.0, "too deep": -1.0}.get(says)
    agrees = within if side is None else not within and float(depth["error_mm"]) * side > 0
    tail = (
        "The numbers say the same."
        if agrees
        else "The numbers say otherwise. Do not split the difference: check the mark's convention, the pair numbers, the depth and the run-out again."
    )
    return {"says": says, "agrees": agrees, "say": f"The pattern is {words}. {tail}"}


def end_play_of(r: Taken) -> dict[str, Any]:
    """End play, and what it means where the bearing is to be preloaded."""
    mm = float(quantity(r.data["play"], "length").mm)
    where = str(r.data["where"])
    sure = ""
    found = r.data.get("result")
    if isinstance(found, Mapping):
        halves = [p["U95_mm"] for p in found["places"] if p["accepted"]]
        sure = f" ± {max(halves):.3f}" if halves else ""
    if mm == 0:
        return {"play_mm": 0.0, "finding": "none", "say": f"The {where} shows no end play."}
    return {
        "play_mm": mm,
        "finding": "play",
        "say": f"The {where} moves {mm:.3f}{sure} mm along its shaft. A preloaded bearing has no end play: its preload is gone, it is worn, or a race "
        "is not home.",
    }
