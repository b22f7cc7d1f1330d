"""One place of the ring gear, and all of them as plain data and in a sentence."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from analysis.results import INFINITE_DOF, BudgetLine

REASONS = {
    "too-few-rocks": "rock to and fro twice at least, holding each stop for a second",
    "soft-stop": "the stop gives or comes elsewhere each time: lock the pinion, look at the indicator's base, push evenly",
    "held-too-short": "hold each stop for a second, so that it is seen to stand still",
    "moved": "both stops wander the same way: the gear or the indicator moved along",
}
"""Why a place is refused, and what to do."""


@dataclass(frozen=True, slots=True)
class Place:
    """One place of the ring gear; lengths mm, at the plunger.

    Attributes
    ----------
    n : int
        Place, counted from 1 over all that were rocked at, refused ones included.
    stops : int
        Stops by turns that were compared.
    backlash_mm, u_mm, dof, U95_mm : float or None
        None where fewer than four stops were seen.
    reasons : tuple of str
        Why it is refused; see `REASONS`.
    budget : tuple of BudgetLine
        Largest first.
    """

    n: int
    start_s: float
    end_s: float
    stops: int
    held_s: float
    backlash_mm: float | None = None
    u_mm: float | None = None
    dof: float = INFINITE_DOF
    U95_mm: float | None = None
    scatter_mm: float = 0.0
    creep_mm: float = 0.0
    reasons: tuple[str, ...] = ()
    budget: tuple[BudgetLine, ...] = ()

    @property
    def accepted(self) -> bool:
        """Whether the place counts."""
        return self.backlash_mm is not None and not self.reasons


def summary(places: Iterable[Place]) -> dict[str, object]:
    """Places as plain data, lengths in mm at the plunger."""
    rows = list(places)
    good = [p for p in rows if p.accepted]
    return {
        "places": [place_as_dict(p) for p in rows],
        "accepted": len(good),
        "refused": len(rows) - len(good),
        "say": _say(rows, good),
    }


def place_as_dict(p: Place) -> dict[str, object]:
    """One place as plain data."""
    return {
        "n": p.n,
        "start_s": round(p.start_s, 3),
        "end_s": round(p.end_s, 3),
        "stops": p.stops,
        "held_s": round(p.held_s, 3),
        "backlash_mm": p.backlash_mm,
        "u_mm": p.u_mm,
        "dof": None if math.isinf(p.dof) else p.dof,
        "U95_mm": p.U95_mm,
        "scatter_mm": p.scatter_mm,
        "creep_mm": p.creep_mm,
        "accepted": p.accepted,
        "reasons": list(p.reasons),
        "budget": [{"name": b.name, "u_mm": b.u_mm, "kind": b.kind, "source": b.source} for b in p.budget],
    }


def _say(rows: Sequence[Place], good: Sequence[Place]) -> str:
    if not rows:
        return (
            "No rocking between two stops was found: lock the pinion, push the ring gear against one stop and hold it for a second, then "
            "against the other, to and fro twice at least, and so on place by place."
        )
    parts = []
    if good:
        values = [p.backlash_mm for p in good if p.backlash_mm is not None]
        widest = max(p.U95_mm or 0.0 for p in good)
        at = "1 place" if len(good) == 1 else f"{len(good)} places"
        parts.append(
            f"Backlash at the plunger at {at}: {min(values):.3f} to {max(values):.3f} mm, each ±{widest:.3f} mm or better (95 %)."
        )
    for p in rows:
        if not p.accepted:
            parts.append(f"Place {p.n} is refused: {'; '.join(REASONS[r] for r in p.reasons)}.")
    return " ".join(parts)
