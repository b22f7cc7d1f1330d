"""Backlash against its limits: every place within them, and not too different round the ring."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from analysis.carrier import Backlash

FEWEST_PLACES = 3
"""Places under which a tight spot may lie between them (car and heavy-vehicle service texts: 3 or 4 equally spaced, 8 on big rings)."""

Finding = Literal["within", "uneven", "too small", "too large", "not ruled"]


@dataclass(frozen=True, slots=True)
class BacklashFinding:
    """Backlash against its limits."""

    finding: Finding
    say: str


def judge_backlash(
    b: Backlash, target: float | None, tolerance: float | None, spread_limit: float | None, unit: str = "mm"
) -> BacklashFinding:
    """Backlash against target, tolerance and permitted spread; any of them may be unknown.

    No place may lie outside the limits, whatever the mean; a spread over its limit comes first, since moving the ring gear does
    not cure it.
    """
    # To a millionth: readings are decimal figures, their differences are not.
    slack = 1e-6
    if spread_limit is not None and b.spread > spread_limit + slack:
        return BacklashFinding(
            "uneven",
            f"Backlash differs by {b.spread:.3f} {unit} round the ring, more than {spread_limit:g}: look at run-out first (dirt or a burr "
            "under the ring gear, warped case, bearing); moving the ring gear does not cure it.",
        )
    if target is None or tolerance is None:
        return BacklashFinding(
            "not ruled", "Backlash limits are not stated; they come from the manual or the ring gear."
        )
    low, high = target - tolerance, target + tolerance
    too_small, too_large = b.smallest < low - slack, b.largest > high + slack
    if (too_small and (too_large or b.mean >= target)) or (too_large and b.mean <= target):
        return BacklashFinding(
            "uneven",
            f"Backlash runs from {b.smallest:.3f} to {b.largest:.3f} {unit} round the ring against {low:.3f} to {high:.3f}: no movement of the "
            "ring gear cures that; look at run-out first.",
        )
    band = f"{low:.3f} to {high:.3f} {unit}"
    if too_small:
        return BacklashFinding(
            "too small",
            f"Backlash is {b.smallest:.3f} {unit} at the tight spot (place {b.tight_spot}), less than {band}: move the ring gear away.",
        )
    if too_large:
        return BacklashFinding(
            "too large",
            f"Backlash is up to {b.largest:.3f} {unit}, more than {band}: move the ring gear toward the pinion.",
        )
    if len(b.places) < FEWEST_PLACES:
        count = "1 place" if len(b.places) == 1 else f"{len(b.places)} places"
        return BacklashFinding(
            "not ruled",
            f"Backlash is within {band} at {count}, and the tight spot may lie between: measure at 3 or 4 places equally spaced round the ring.",
        )
    return BacklashFinding(
        "within", f"Backlash is within {band} at every place; smallest {b.smallest:.3f} at place {b.tight_spot}."
    )
