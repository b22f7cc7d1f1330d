"""The maker's rounding rule for a shim that is ordered: nearest, nearest not above, or next up."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from typing import Any

from analysis.setup import Setup
from analysis.shims import order


def apply_rounding(shim: dict[str, Any], setup: Setup, rule: str) -> None:
    """Replace the order of a ``shim`` object by the one the family's rule gives; nothing changes for "nearest"."""
    grades = setup.shims.order_grades
    if rule == "nearest" or not shim["order"] or grades is None:
        return
    mm = Fraction(setup.mm_per_unit)
    needed = Fraction(Decimal(repr(round(shim["stack_mm"], 9)))) / mm
    first, step = Fraction(grades.from_), Fraction(grades.step)
    steps = (needed - first) / step
    n = steps.numerator // steps.denominator
    if rule == "next up" and n != steps:
        n += 1
    wanted = order(first + n * step, grades.from_, grades.to, grades.step)
    if not wanted:
        return
    before = ", ".join(f"{g['thickness']} {setup.units} ({g['role']})" for g in shim["order"])
    effect = (1 if setup.shims.thicker_moves == "away" else -1) * Fraction(setup.shims.response or 1)
    shim["order"] = [
        {
            "thickness_mm": float(g.thickness * setup.mm_per_unit),
            "thickness": str(g.thickness),
            "unit": setup.units,
            "role": g.role,
            "predicted_error_mm": float((Fraction(g.thickness) - needed) * effect * mm),
        }
        for g in wanted
    ]
    names = ", ".join(f"{g['thickness']} {setup.units} ({g['role']})" for g in shim["order"])
    shim["say"] = str(shim["say"]).replace(f"Order: {before}.", f"Order by the rule of the family ({rule}): {names}.")
