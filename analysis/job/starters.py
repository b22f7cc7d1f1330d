"""A first shim before anything is measured: from the old and the new mark, and from the height of the new bearing.

It is only a starting shim.  The mark's difference and the measured distance are alternatives: one to start, the other to check.
"""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from analysis.job.derive import moves
from analysis.job.quantities import Quantity, quantity
from analysis.job.state import Job
from analysis.marks import count_of, shim_change_for_mark
from analysis.plausibility import LARGE_ERROR_MM
from analysis.shims import change_for_bearing


def starter_of(job: Job) -> dict[str, Any] | None:
    """The starting shim, mm, with its arithmetic; None where no starter entry is written down."""
    d = job.starter
    if d is None:
        return None
    effect = {"away": 1, "toward": -1}.get(moves(job))
    if effect is None:
        return {
            "change_mm": None,
            "stack_mm": None,
            "say": "It is not known what a thicker shim does, so there is no starting shim.",
        }
    change = Decimal(0)
    said: list[str] = []
    if "taller" in d:
        part = change_for_bearing(quantity(d["taller"], "length").mm, effect)
        change += part
        taller = quantity(d["taller"], "length")
        how = "shorter" if taller.value < 0 else "taller"
        said.append(f"bearing stack {how} by {Quantity(abs(taller.value), taller.unit)}: {part:+f} mm of shim")
    if "old_mark" in d:
        g = job.gearset or {}
        if "count" not in g or g.get("sense") not in ("adds", "subtracts"):
            return {
                "change_mm": None,
                "stack_mm": None,
                "say": "State count and sense of the mark (gearset) to start from the marks; they are never assumed.",
            }
        part = shim_change_for_mark(
            count_of(str(d["old_mark"])),
            count_of(str(d["new_mark"])),
            quantity(g["count"], "length").mm,
            "adds" if g["sense"] == "adds" else "subtracts",
            effect,
        )
        change += part
        said.append(f"mark {d['old_mark']} to {d['new_mark']}: {part:+f} mm of shim")
    old = job.stacks.get("depth")
    stack = None if old is None else old.thickness.mm + change
    tail = "" if stack is None else f" Start with {stack:f} mm."
    if abs(change) > Decimal(str(LARGE_ERROR_MM)):
        tail = f" Stop: that is more than {LARGE_ERROR_MM:.2f} mm. Look for a wrong sign, unit or mark first."
    return {
        "change_mm": float(change),
        "stack_mm": None if stack is None else float(stack),
        "say": f"{'; '.join(said)}.{tail} It is only a starting shim: measure, and do not adjust for the mark a second time.",
    }
