"""``shimwright shims``."""

from __future__ import annotations

import json
import sys
from decimal import Decimal, InvalidOperation
from pathlib import Path

from analysis.conclusion import shim_for
from capture.errors import SetupFileError, WrongUsageError
from capture.setup_file import load_setup

LONGEST = {"mm": 2540, "in": 100}
"""Longest distance from axis to face; no gearbox that is set by hand comes near it."""


def shims_command(setup_path: Path, depth_text: str, json_out: bool) -> int:
    """Exit code."""
    setup = load_setup(setup_path)
    try:
        depth = Decimal(depth_text.replace(",", "."))
    except InvalidOperation:
        raise WrongUsageError(
            f"--depth: given {depth_text!r}; allowed: a number in {setup.units}, such as 61.73"
        ) from None
    if not depth.is_finite() or depth <= 0:
        raise WrongUsageError(f"--depth: given {depth_text}; allowed: a distance above 0 {setup.units}")
    if depth > LONGEST[setup.units]:
        raise WrongUsageError(
            f"--depth: given {depth_text}; allowed: a distance of {LONGEST[setup.units]} {setup.units} at most"
        )
    target = setup.target
    if target is None:
        raise SetupFileError(
            f"{setup_path}, gearset.etched: given nothing; allowed: the mark as written, with what it means. Without a target there is no shim."
        )
    shim = shim_for(setup, None, float((depth - target.distance) * setup.mm_per_unit))
    if shim is None:
        raise SetupFileError(f"{setup_path}, shims: given nothing; allowed: fitted, thicker_moves, stock, order_grades")
    notes = [target.warning] if target.warning else []
    if json_out:
        sys.stdout.write(json.dumps({**shim, "target": target.say, "notes": notes}, ensure_ascii=False) + "\n")
    else:
        sys.stdout.write(f"Target ({setup.units}): {target.say}.\n{shim['say']}\n")
        sys.stdout.writelines(f"Note: {n}\n" for n in notes)
    return 0
