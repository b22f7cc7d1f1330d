"""Values that pass between the parts of the analysis.

The names follow the published JSON contract of ``shimwright analyse --json``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Heading = Literal["out", "back"]
Finding = Literal["none", "suspected", "present", "not assessable"]
Pattern = Literal["two-level", "heading", "step", "drift", "none"]
Reason = Literal[
    "too-few-samples",
    "too-fast",
    "turned-back",
    "knock",
    "gap",
    "unit-changed",
    "open-hole",
    "plunger-stuck",
    "off-the-set",
    "link-lost",
    "after-the-end",
]

INFINITE_DOF = float("inf")


@dataclass(frozen=True, slots=True)
class BudgetLine:
    """One source of uncertainty.

    Attributes
    ----------
    name : str
        What it is, in the words of the trade.
    u_mm : float
        Standard uncertainty it contributes to the result, mm (sensitivity included).
    kind : {"A", "B"}
        Evaluated from repeated observations (A) or otherwise (B), GUM 4.2 and 4.3.
    dof : float
        Degrees of freedom; ``inf`` when taken as known.
    source : str
        Where the figure comes from: a set-up key, a measurement, an assumption.
    distribution : str
        "normal", "t", "rectangular", "triangular", "arcsine".
    """

    name: str
    u_mm: float
    kind: Literal["A", "B"]
    dof: float
    source: str
    distribution: str = "normal"


@dataclass(frozen=True, slots=True)
class Sweep:
    """One pass of the arbor over the face, with its bottom.

    Times are seconds on the stream's clock; lengths are millimetres of display
    reading (before the arbor constant).  `minimum_mm` and `u_mm` are None when no
    bottom could be fitted.
    """

    n: int
    start_s: float
    bottom_s: float
    end_s: float
    heading: Heading
    seat: int
    minimum_mm: float | None
    u_mm: float | None
    accepted: bool
    reasons: tuple[Reason, ...] = ()
    advice: str = ""


@dataclass(frozen=True, slots=True)
class SetStatistics:
    """A set of sweeps taken together.

    `budget` holds the type A part and the parts that come from the readings
    themselves (seatings or repeatability, fit, display step over the sweeps); its root sum
    of squares is `u_mm`.
    """

    accepted: int
    rejected: int
    seats: int
    minimum_mm: float | None
    sd_mm: float | None
    seat_sd_mm: float | None
    repeatability_limit_mm: float | None
    u_mm: float | None
    dof: float | None
    drift_mm_per_min: float | None
    drift_p: float | None
    budget: tuple[BudgetLine, ...] = ()
    notes: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class PlayFinding:
    """What the set says about bearing play."""

    finding: Finding
    size_mm: float | None
    size_low_mm: float | None
    size_high_mm: float | None
    pattern: Pattern
    p_value: float | None
    say: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch of the stream without readings."""

    start_s: float
    end_s: float
    why: str
