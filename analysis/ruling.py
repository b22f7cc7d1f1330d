"""Within, outside, or not proven.

Source: decision rules with a guard band after ISO 14253-1 and JCGM 106 (values from memory): "one-sided" keeps 1.65 standard
uncertainties, "expanded" two, both widened where the degrees of freedom are few.  A guard band looks at one limit only; where
the tolerance is narrow both limits count, so "within" also asks for the probability itself.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis.distributions import t_cdf, t_quantile

Verdict = Literal["within", "outside", "not proven"]
Rule = Literal["one-sided", "expanded"]

LEVEL = 0.95
"""Probability of being within the tolerance from which either rule says so."""

NARROWEST = 1.96
"""Half tolerance in standard uncertainties below which nothing is proven, however many readings were taken."""


@dataclass(frozen=True, slots=True)
class Ruling:
    """A ruling with the probability it rests on.

    Attributes
    ----------
    verdict : {"within", "outside", "not proven"}
    p_within : float
        Probability that the true error lies within the tolerance.
    guard_mm : float
        Width kept clear of the limit.
    say : str
        What would settle it when not proven.
    """

    verdict: Verdict
    p_within: float
    guard_mm: float
    say: str


def probability_within(error_mm: float, u_mm: float, dof: float, tolerance_mm: float) -> float:
    """Probability that the true error lies within ±tolerance, Student's t about the measured error."""
    if u_mm <= 0:
        return 1.0 if abs(error_mm) <= tolerance_mm else 0.0
    return max(0.0, t_cdf((tolerance_mm - error_mm) / u_mm, dof) - t_cdf((-tolerance_mm - error_mm) / u_mm, dof))


def guard(u_mm: float, dof: float, rule: Rule) -> float:
    """Width of the guard band, mm."""
    if rule == "one-sided":
        return max(1.65, t_quantile(0.95, dof)) * u_mm
    return max(2.0, t_quantile(0.97725, dof)) * u_mm


def rule_on(error_mm: float, u_mm: float, dof: float, tolerance_mm: float, rule: Rule) -> Ruling:
    """Ruling on a measured error; limits are compared unrounded.

    Parameters
    ----------
    error_mm : float
        Measured less target.
    u_mm, dof : float
        Its standard uncertainty and degrees of freedom.
    tolerance_mm : float
        Half width of the tolerance about the target.
    """
    p = probability_within(error_mm, u_mm, dof, tolerance_mm)
    g = guard(u_mm, dof, rule)
    provable = can_ever_prove(u_mm, tolerance_mm, dof, rule)
    if provable and abs(error_mm) + g <= tolerance_mm and p >= LEVEL:
        return Ruling("within", p, g, "")
    if abs(error_mm) - g > tolerance_mm:
        return Ruling("outside", p, g, "")
    return Ruling("not proven", p, g, _what_would_settle_it(u_mm, tolerance_mm, provable))


def _what_would_settle_it(u_mm: float, tolerance_mm: float, provable: bool) -> str:
    if tolerance_mm < NARROWEST * u_mm:
        return (
            f"A tolerance of ±{tolerance_mm:.3f} mm cannot be proven with a standard uncertainty of {u_mm:.4f} mm, wherever the "
            "reading falls: use a finer indicator, a better known master, or more seatings."
        )
    if not provable:
        return (
            f"A tolerance of ±{tolerance_mm:.3f} mm cannot be proven from so few seatings or sweeps (standard uncertainty "
            f"{u_mm:.4f} mm), wherever the reading falls: take more seatings."
        )
    return (
        "Too close to the limit to be sure: more seatings, a check on the master or a finer indicator would settle it."
    )


def can_ever_prove(u_mm: float, tolerance_mm: float, dof: float = math.inf, rule: Rule = "one-sided") -> bool:
    """Whether this tolerance could be proven at all, the reading falling right on target.

    It takes a tolerance of at least 1.96 standard uncertainties, and one as wide as the guard band of the rule.
    """
    return (
        tolerance_mm >= NARROWEST * u_mm
        and guard(u_mm, dof, rule) <= tolerance_mm
        and probability_within(0.0, u_mm, dof, tolerance_mm) >= LEVEL
    )
