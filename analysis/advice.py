"""What to do with the depth shim: the stack needed, a choice from the box or an order, and the sentence for it."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

from analysis.depth import Depth
from analysis.plausibility import large_error
from analysis.ruling import LEVEL
from analysis.setup import Setup
from analysis.shims import Choice, Limits, StockPiece, order, stacks
from analysis.subsets import TooManyStacksError

DEFAULT_MOST = 4
"""Pieces tried in a stack where the set-up sets no limit: the search's own bound, not the manual's."""


def shims_stated(setup: Setup) -> bool:
    """Whether the set-up says anything of the depth shim."""
    s = setup.shims
    return s.fitted is not None or s.thicker_moves is not None or bool(s.stock) or s.order_grades is not None


def shim_for(
    setup: Setup, depth: Depth | None, error_mm: float, u_mm: float | None = None, *, settled: bool = False
) -> dict[str, object] | None:
    """The ``shim`` object for an error.

    Parameters
    ----------
    setup : Setup
    depth : Depth or None
        Gives the uncertainty; None when only a distance was typed in.
    error_mm : float
        Measured less target; positive: too far out.
    u_mm : float, optional
        Standard uncertainty when `depth` is None; left out, no probability is stated.
    settled : bool
        The distance was ruled within: where no aim says more, the stack stays.

    Returns
    -------
    dict or None
        None when the set-up says nothing of shims.
    """
    s = setup.shims
    if not shims_stated(setup):
        return None
    if s.fitted is None:
        return no_answer("shims.fitted is not stated: measure the stack that is in now, each piece by micrometer.")
    if s.thicker_moves in (None, "unknown"):
        return no_answer(
            "It is not known which way a thicker shim moves the pinion. Measure, change the stack by one shim of 0.10 mm or more, "
            "measure again: if the distance grew, thicker moves it away; if it shrank, toward."
        )
    effect = 1 if s.thicker_moves == "away" else -1
    unit = setup.mm_per_unit
    # To a picometre: what lies beyond is the arithmetic's own noise, and limits are compared exactly.
    error = Fraction(Decimal(str(round(error_mm, 9)))) / Fraction(unit)
    fitted = Fraction(s.fitted)
    response = effect * Fraction(s.response if s.response is not None else 1)
    needed = fitted - error / response
    change = needed - fitted
    say = [_sentence(setup, float(error), float(change), float(needed), effect)]
    if s.response is not None:
        say.append(
            f"Changes of shim on this unit gave {float(s.response):.2f} of themselves"
            + (f" (standard uncertainty {float(s.response_u):.2f})" if s.response_u is not None else "")
            + "; that is reckoned with."
        )
    if needed <= 0:
        return no_answer(say[0] + " No stack can be that thin: look for a wrong sign, a wrong mark or a missing part.")
    out: dict[str, object] = {
        "stack_mm": float(needed * Fraction(unit)),
        "change_mm": float(change * Fraction(unit)),
        "stock": None,
        "order": [],
        "runner_up": None,
        "fallback": None,
    }
    aim = setup.gearset.aim
    if settled and (aim is None or abs(error) <= Fraction(aim)):
        # Nobody is told to move it and to leave it in one breath.
        say[0] = _stays(setup, float(error), float(needed))
    else:
        if caution := large_error(error_mm):
            say.append(caution)
        u, dof = (depth.combined.u_mm, depth.combined.dof) if depth is not None else (u_mm, float("inf"))
        if u is not None and s.response_u is not None:
            u = math.hypot(u, float(change * Fraction(unit)) * float(s.response_u))
        say += _from_the_box(setup, needed, response, u, dof, out)
    out["say"] = " ".join(say)
    return out


def _from_the_box(
    setup: Setup, needed: Fraction, effect: Fraction, u_mm: float | None, dof: float, out: dict[str, object]
) -> list[str]:
    """Fill in the choice from stock, or the order; the sentences for it."""
    s = setup.shims
    given = setup.gearset.aim if setup.gearset.aim is not None else setup.gearset.tolerance
    limit = None if given is None else Fraction(given)
    stock = [StockPiece(p.id or f"#{n}", p.thickness) for n, p in enumerate(s.stock, start=1) for _ in range(p.count)]
    say: list[str] = []
    found: list[Choice] = []
    try:
        found = stacks(
            stock,
            needed,
            Limits(s.max_pieces or DEFAULT_MOST, s.thin_limit, s.max_thin),
            u_mm=u_mm or 0.0,
            dof=dof,
            # Without an uncertainty there is no probability; only the distance from the aim is left to go by.
            tolerance_mm=setup.tolerance_mm if u_mm is not None else None,
            piece_u_mm=setup.to_mm(s.u) or 0.0,
            mm_per_unit=setup.mm_per_unit,
            effect=effect,
            limit=limit,
        )
    except TooManyStacksError as e:
        say.append(f"The box was not searched: {e} (shims.max_pieces).")
    best = found[0] if found else None
    fits = best is not None and limit is not None and abs(best.error) <= limit
    if len(found) > 1:
        out["runner_up"] = _choice(setup, found[1], target_of(setup))
    if best is None or not fits:
        # Outside the aim may serve, signed for; outside the manual's tolerance nothing does.
        tolerance = setup.gearset.tolerance
        if best is not None and tolerance is not None and abs(best.error) <= Fraction(tolerance):
            out["fallback"] = _choice(setup, best, target_of(setup))
        return [*say, _order(setup, needed, effect, out, best, limit)]
    out["stock"] = _choice(setup, best, target_of(setup))
    say.append(f"From the box: {_pieces(setup, best)}; that should leave {_length(setup, float(best.error))} of error.")
    if best.p_within is not None and best.p_within < LEVEL:
        say.append(f"With what is known it is within the tolerance with {best.p_within:.0%} only: not proven.")
    if s.max_pieces is None and len(best.pieces) > 1:
        say.append(
            f"shims.max_pieces is not stated, so up to {DEFAULT_MOST} pieces were tried: the manual says how many."
        )
    return say


def target_of(setup: Setup) -> Decimal | None:
    """Target distance in the file's unit, or None."""
    return setup.target.distance if setup.target is not None else None


def no_answer(say: str) -> dict[str, object]:
    """A ``shim`` object that only says what is missing."""
    return {
        "stack_mm": None,
        "change_mm": None,
        "say": say,
        "stock": None,
        "order": [],
        "runner_up": None,
        "fallback": None,
    }


def _length(setup: Setup, value: float, signed: bool = True) -> str:
    """A length in the file's unit, and in the other."""

    def shown(x: float, places: int) -> str:
        # What rounds to nothing has no sign.
        rounded = round(x, places) or 0.0
        return f"{rounded:+.{places}f}" if signed and rounded else f"{rounded:.{places}f}"

    if setup.units == "in":
        return f"{shown(value, 4)} in ({shown(value * 25.4, 3)} mm)"
    return f"{shown(value, 3)} mm ({shown(value / 25.4, 4)} in)"


def _sentence(setup: Setup, error: float, change: float, needed: float, effect: int) -> str:
    # The same exact figure as the change of shim: a tie must not round one way here and the other way there.
    away = abs(error)
    moves = "away from" if effect > 0 else "toward"
    if error == 0:
        return f"The pinion stands on target; the stack stays {_length(setup, needed, False)}."
    where, go = (
        ("too far out", "in, toward the ring gear's axis")
        if error > 0
        else ("too deep", "out, away from the ring gear's axis")
    )
    do = "add" if change > 0 else "take out"
    return (
        f"The pinion stands {_length(setup, away, False)} {where}; it must go {go}. A thicker shim moves it {moves} the axis here, "
        f"so {do} {_length(setup, abs(change), False)}: the stack becomes {_length(setup, needed, False)}."
    )


def _stays(setup: Setup, error: float, needed: float) -> str:
    kept = f"within the {'tolerance' if setup.gearset.aim is None else 'aim'}: the stack may stay as it is"
    if error == 0:
        return _sentence(setup, 0.0, 0.0, needed, 1)
    where = "too far out" if error > 0 else "too deep"
    return (
        f"The pinion stands {_length(setup, abs(error), False)} {where}. That is {kept}; on target it would be "
        f"{_length(setup, needed, False)}."
    )


def _pieces(setup: Setup, c: Choice) -> str:
    places = 4 if setup.units == "in" else 3
    names = " + ".join(f"{p.id} ({p.thickness:.{places}f})" for p in c.pieces)
    return f"{names} = {_length(setup, float(c.total), False)}"


def _choice(setup: Setup, c: Choice, target: Decimal | None) -> dict[str, object]:
    unit = Fraction(setup.mm_per_unit)
    error = float(c.error * unit)
    return {
        "pieces": [{"id": p.id, "thickness_mm": float(p.thickness * setup.mm_per_unit)} for p in c.pieces],
        "total_mm": float(c.total * setup.mm_per_unit),
        "predicted_mm": None if target is None else float((Fraction(target) + c.error) * unit),
        "predicted_error_mm": error,
        "p_within": c.p_within,
    }


def _order(
    setup: Setup,
    needed: Fraction,
    effect: Fraction,
    out: dict[str, object],
    best: Choice | None,
    limit: Fraction | None,
) -> str:
    grades = setup.shims.order_grades
    name = "tolerance" if setup.gearset.aim is None else "aim"
    why = "" if best is None else f"Nothing in the box reaches the {name} (nearest: {_pieces(setup, best)}). "
    if limit is None:
        why = "Neither an aim nor a tolerance is stated, so no stack can be called good enough. "
    if grades is None:
        return why + "State shims.order_grades to get the grade to order."
    found = order(needed, grades.from_, grades.to, grades.step)
    if not found:
        return (
            why
            + f"No single grade from {grades.from_} to {grades.to} {setup.units} comes near: combine pieces or check the readings."
        )
    left = [(Fraction(g.thickness) - needed) * effect for g in found]
    out["order"] = [
        {
            "thickness_mm": float(g.thickness * setup.mm_per_unit),
            "thickness": str(g.thickness),
            "unit": setup.units,
            "role": g.role,
            "predicted_error_mm": float(e * Fraction(setup.mm_per_unit)),
        }
        for g, e in zip(found, left, strict=True)
    ]
    names = ", ".join(f"{g.thickness} {setup.units} ({g.role})" for g in found)
    text = why + f"Order: {names}."
    if limit is not None and abs(left[0]) > limit:
        text += f" Even the nearest grade leaves {_length(setup, float(left[0]))}, outside the {name}: combine pieces."
    return text
