"""What a change of shim has done to the pinion's turning torque on this unit, and what that says of the next.

The torque of a preloaded bearing pair goes with the preload, and the preload with the shim, as long as neither bearing is slack; so two
readings with another shim between give a slope that holds nearby (derived here; that it is near a line: common practice, no source).
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from itertools import pairwise

from analysis.job.quantities import quantity
from analysis.job.records import Taken
from analysis.job.state import Job
from analysis.torque import MOST_NM, NM_PER, from_string, to_newton_metres

PLACES: dict[str, tuple[str, ...]] = {"solid spacer": ("spacer",), "pack sum": ("depth", "far")}
"""Where the shims lie that set the preload, by what sets it."""

SMALL = Decimal("0.002")
"""Change of shim, mm, under which a micrometer says little of it and nothing is learnt (common practice, no source)."""

PRELOADED_NM = 0.2
"""Turning torque under which a bearing may be slack, and the torque no longer goes with the shim (common practice, no source)."""

LARGEST = 0.15
"""Change, mm, beyond which a slope learnt nearby is no guide (common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Slope:
    """How the turning torque goes with the shim.

    Attributes
    ----------
    nm_per_mm : float
        Negative where more shim makes it turn more easily.
    changes : int
        Changes of shim it comes from.
    """

    nm_per_mm: float
    changes: int


def slope_of(job: Job) -> Slope | None:
    """What this unit has shown; None where no two readings on the same bearings have another shim between.

    Notes
    -----
    Least squares through the origin over all changes: the larger a change the more it says.
    """
    places = PLACES.get(str((job.family or {}).get("preload_by")), ())
    rows = [r for r in job.readings if r.kind == "pinion-preload" and _tells(job, r, places)]
    moved: list[tuple[float, float]] = []
    for a, b in pairwise(rows):
        change = _thickness(b, places) - _thickness(a, places)
        if abs(change) >= SMALL and not _rebuilt(job, a.n, b.n) and a.state.get("bearings") == b.state.get("bearings"):
            moved.append((float(change), newton_metres(b) - newton_metres(a)))
    if not moved:
        return None
    return Slope(sum(c * t for c, t in moved) / sum(c * c for c, _ in moved), len(moved))


def _tells(job: Job, r: Taken, places: tuple[str, ...]) -> bool:
    """A reading of the build, with its shims known; that a later change voided it does not undo what it showed."""
    if not places or r.phase == "as-found" or r.in_wrong_state or any(p not in r.stacks for p in places):
        return False
    taken_back = {e.n for e in job.effective if e.kind == "void"}
    return PRELOADED_NM <= newton_metres(r) <= MOST_NM and not any(v.entry in taken_back for v in r.voided)


def _thickness(r: Taken, places: tuple[str, ...]) -> Decimal:
    return sum((r.stacks[p].thickness.mm for p in places), Decimal(0))


def _rebuilt(job: Job, first: int, last: int) -> bool:
    """Other bearings between two readings."""
    return any(
        e.kind == "state" and e.data.get("bearings_replaced") in ("pinion", "both")
        for e in job.effective
        if first < e.n < last
    )


def newton_metres(r: Taken) -> float:
    """A turning torque as it was read, N·m."""
    if "torque" in r.data:
        q = quantity(r.data["torque"], "torque")
        return to_newton_metres(float(q.value), q.unit)
    radius = float(quantity(r.data["radius"], "length").mm) / 1000.0
    return from_string(float(quantity(r.data["force"], "force").newtons), radius)


def next_change(job: Job, r: Taken, low_nm: float, high_nm: float, unit: str) -> str:
    """What the unit's own slope says of a torque outside its limits; empty where it has shown none.

    Parameters
    ----------
    r : Taken
        The reading.
    low_nm, high_nm : float
        Its limits, as stated in the manual.
    unit : str
        The unit they are stated in.
    """
    slope = slope_of(job)
    if slope is None:
        return ""
    spacer = (job.family or {}).get("preload_by") == "solid spacer"
    where = "the shim beside the spacer" if spacer else "the sum of the packs"
    seen = "1 change" if slope.changes == 1 else f"{slope.changes} changes"
    if slope.nm_per_mm == 0 or (spacer and slope.nm_per_mm > 0):
        return (
            f"On this unit more of {where} has not made the shaft turn more easily, as it must ({seen}): look whether the pieces are "
            "those written down, whether the nut was at its torque and the shaft turned before each reading."
        )
    step = 0.01 * slope.nm_per_mm
    by = f"{step:+.2f} N·m" if unit == "N·m" else f"{step / NM_PER[unit]:+.3g} {unit} ({step:+.2f} N·m)"
    shown = f"On this unit 0.01 mm more of {where} changed the torque by {by}, {seen}"
    change = ((low_nm + high_nm) / 2.0 - newton_metres(r)) / slope.nm_per_mm
    if abs(change) > LARGEST:
        return f"{shown}; the middle of the limits lies too far off for that to say how much. Go part of the way and measure again."
    do = "more" if change > 0 else "less"
    return (
        f"{shown}; about {abs(change):.3f} mm {do} would bring it to the middle of the limits. That is an estimate and holds only while the "
        "bearings stay preloaded: measure again."
    )
