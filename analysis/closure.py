"""Closing the loop: what the next measurement must show, and what a miss means.

Every change of shim predicts a distance.  The prediction and the re-measurement are compared inside both uncertainties; a miss
of twice the change is what a reversed sign leaves behind.  Derived here.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from analysis.distributions import t_quantile
from analysis.results import INFINITE_DOF
from analysis.uncertainty import effective_dof

Cause = Literal["none", "sign reversed", "nothing changed", "unexplained"]


@dataclass(frozen=True, slots=True)
class Closure:
    """A re-measurement against its prediction.

    Attributes
    ----------
    miss_mm : float
        Measured less predicted.
    U_mm : float
        Expanded uncertainty (95 %) of the miss.
    agrees : bool
        The miss lies inside it.
    cause : {"none", "sign reversed", "nothing changed", "unexplained"}
        What the size of the miss points to.
    say : str
        In the words of the trade, with what to look at.
    """

    miss_mm: float
    U_mm: float
    agrees: bool
    cause: Cause
    say: str


def compare(
    before_mm: float,
    predicted_mm: float,
    measured_mm: float,
    *,
    before_u_mm: float,
    measured_u_mm: float,
    before_dof: float = INFINITE_DOF,
    measured_dof: float = INFINITE_DOF,
    stack_u_mm: float = 0.0,
    common_u_mm: float = 0.0,
) -> Closure:
    """Compare a re-measurement with what was predicted.

    Parameters
    ----------
    before_mm, before_u_mm, before_dof : float
        Distance the prediction started from, its standard uncertainty and degrees of freedom.
    predicted_mm : float
        Distance expected with the new stack.
    measured_mm, measured_u_mm, measured_dof : float
        Distance measured with it.
    stack_u_mm : float
        Standard uncertainty of the change of stack.
    common_u_mm : float
        Part of both standard uncertainties that is the same error both times (arbor constant, master, blade): it goes out of
        the difference.

    Raises
    ------
    ValueError
        If an uncertainty is negative, or the common part exceeds one it is part of.
    """
    if min(before_u_mm, measured_u_mm, stack_u_mm, common_u_mm) < 0:
        raise ValueError("an uncertainty is negative: state it as a length of 0 or more")
    if common_u_mm > min(before_u_mm, measured_u_mm):
        raise ValueError(
            f"common uncertainty {common_u_mm} mm is more than one of {before_u_mm} and {measured_u_mm} mm it is part of"
        )
    parts = [
        (math.sqrt(before_u_mm**2 - common_u_mm**2), before_dof),
        (math.sqrt(measured_u_mm**2 - common_u_mm**2), measured_dof),
        (stack_u_mm, INFINITE_DOF),
    ]
    limit = math.sqrt(sum(u * u for u, _ in parts)) * t_quantile(0.975, effective_dof(parts))
    miss, change = measured_mm - predicted_mm, predicted_mm - before_mm
    cause = _cause(miss, change, limit)
    return Closure(miss, limit, cause == "none", cause, _say(cause, miss, change, limit))


def _cause(miss: float, change: float, limit: float) -> Cause:
    if abs(miss) <= limit:
        return "none"
    # Within its uncertainty a small change looks like its own reverse; then nothing particular is shown.
    if abs(change) > limit and abs(miss + 2.0 * change) <= limit:
        return "sign reversed"
    if abs(change) > limit and abs(miss + change) <= limit:
        return "nothing changed"
    return "unexplained"


def _say(cause: Cause, miss: float, change: float, limit: float) -> str:
    if cause == "none":
        return f"The measurement agrees with the prediction: {miss:+.4f} mm off, inside ±{limit:.4f} mm."
    head = f"The measurement misses the prediction by {miss:+.4f} mm, outside ±{limit:.4f} mm. "
    if cause == "sign reversed":
        return (
            head
            + f"That is twice the change of {change:+.4f} mm: the pinion went the other way. A sign is reversed: check "
            "shims.thicker_moves first, then that the stack was changed the way the sentence said."
        )
    if cause == "nothing changed":
        return (
            head
            + f"The change of {change:+.4f} mm did not happen: the old stack may still be in, or the pinion not pulled home."
        )
    return (
        head
        + "Likely causes: a wrong piece in the stack, a race not home, dirt or oil between the shims, a burr, a nut or cap not at its torque. "
        "Find the cause before changing the stack again; do not average it away."
    )


@dataclass(frozen=True, slots=True)
class Effect:
    """What a change of stack did to the distance.

    Attributes
    ----------
    ratio : float
        Change in distance over change of stack; +1 or -1 in a sound build.
    moves : {"away", "toward", "not shown"}
        What a thicker shim does.
    say : str
    """

    ratio: float
    moves: Literal["away", "toward", "not shown"]
    say: str


def effect_shown(distance_change_mm: float, stack_change_mm: float, u_mm: float) -> Effect:
    """Which way a thicker shim moves the pinion, from a real change of stack.

    Parameters
    ----------
    distance_change_mm : float
        Distance after less before.
    stack_change_mm : float
        Stack after less before; not 0.
    u_mm : float
        Standard uncertainty of the change in distance.

    Raises
    ------
    ValueError
        If the stack was not changed.
    """
    if stack_change_mm == 0:
        raise ValueError("the stack was not changed: change it by one shim of 0.10 mm or more")
    ratio = distance_change_mm / stack_change_mm
    spread = 2.0 * u_mm / abs(stack_change_mm)
    # Unless exactly one of the two fits, the change was too small, or something else moved.
    fits = [sign for sign in (1, -1) if abs(ratio - sign) <= spread]
    if len(fits) != 1:
        return Effect(
            ratio,
            "not shown",
            f"The stack changed by {stack_change_mm:+.4f} mm and the distance by {distance_change_mm:+.4f} mm: neither that change nor its "
            "reverse. Change the stack by more, or look for what else moved.",
        )
    moves: Literal["away", "toward"] = "away" if fits[0] > 0 else "toward"
    return Effect(ratio, moves, f'A thicker shim moves the pinion {moves}: shims.thicker_moves = "{moves}".')
