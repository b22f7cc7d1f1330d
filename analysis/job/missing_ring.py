"""What the steps of the ring gear's side still miss, in words; an empty text means that it is done."""

from __future__ import annotations

from analysis.job.figures import depth_of
from analysis.job.missing import accepted, torque
from analysis.job.quantities import quantity
from analysis.job.redo import asked_again, redo_list
from analysis.job.ring import carrier_of
from analysis.job.singles import pattern_of, run_out_of
from analysis.job.state import Job


def run_out(job: Job) -> str:
    """Run-out within its limit."""
    r = job.latest("run-out")
    if r is None or r.phase == "as-found":
        return "Measure the run-out of the ring gear's back face over one turn, 8 places or more."
    found = run_out_of(job, r)
    return "" if found["finding"] == "within" or accepted(job, r) else str(found["say"])


def carrier(job: Job) -> str:
    """The carrier's preload."""
    if "carrier-preload" in job.limits:
        return torque("carrier-preload")(job)
    out = carrier_of(job)
    if out is not None and out.get("pinch_mm") is not None and "carrier-pinch" in job.limits:
        wanted = float(_signed_mm(job.limits["carrier-pinch"]["value"]))
        if abs(float(str(out["pinch_mm"])) - wanted) > 0.0051:
            return str(out["say"])
        return ""
    if "carrier-pinch" not in job.limits:
        return "State the carrier's limit (carrier-preload or carrier-pinch), the side shims that are in, and the zero-play sum or a turning torque."
    lacks = _pinch_lacks(job)
    return f"To get the pinch, write down {' and '.join(lacks)}." if lacks else str((out or {}).get("say", ""))


def _pinch_lacks(job: Job) -> list[str]:
    """What the pinch cannot be worked out without."""
    sides = ("left", "right")
    out = []
    if any(side not in job.stacks for side in sides):
        out.append("the side shims that are in, left and right")
    if job.zero_play is None:
        out.append("the sum of both at which play just vanishes")
    if any((job.family or {}).get(f"{side}_preload") not in ("more", "less") for side in sides):
        out.append("whether a thicker side shim makes the preload higher or lower, on each side")
    return out


def _signed_mm(text: object) -> float:
    return float(quantity(text, "length").mm)


def backlash(job: Job) -> str:
    """Backlash within its limits."""
    r = job.latest("backlash")
    if r is None or r.phase == "as-found":
        for redo in redo_list(job):
            if redo["kind"] == "backlash":
                return asked_again(redo)
        return "Measure the backlash at 4 places."
    out = carrier_of(job)
    found = (out or {}).get("backlash")
    if (isinstance(found, dict) and found["finding"] == "within") or accepted(job, r):
        return ""
    return str((out or {}).get("say", "Measure the backlash at 4 places."))


def pattern(job: Job) -> str:
    """A pattern that agrees with the numbers."""
    r = job.latest("pattern")
    if r is None or r.phase == "as-found":
        for redo in redo_list(job):
            if redo["kind"] == "pattern":
                return asked_again(redo)
        return "Take the contact pattern on both flanks, with photos."
    if accepted(job, r):
        return ""
    d = job.latest("depth")
    found = pattern_of(r, None if d is None else depth_of(job, d))
    return str(found["say"]) if found["agrees"] is False or found["says"] == "run-out" else ""
