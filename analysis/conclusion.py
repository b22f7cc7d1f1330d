"""The end of the chain: distance, ruling and shim, in numbers and in a sentence."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from analysis.depth import Depth, DepthUnknownError, measured_depth
from analysis.rendering import budget_line, number
from analysis.results import PlayFinding, SetStatistics
from analysis.ruling import rule_on
from analysis.setup import Setup
from analysis.shims import Choice, Limits, StockPiece, order, stacks

DEFAULT_MOST = 4
"""Pieces tried in a stack where the set-up sets no limit: the search's own bound, not the manual's."""


def conclude(
    setup: Setup, stats: SetStatistics, play: PlayFinding, step_mm: float | None = None
) -> tuple[dict[str, object], dict[str, object] | None]:
    """The ``depth`` and ``shim`` objects of the result.

    Parameters
    ----------
    setup : Setup
    stats : SetStatistics
    play : PlayFinding
        With play present nothing is ruled within.
    step_mm : float, optional
        Display step seen in the stream, for a set-up that does not state it.
    """
    try:
        depth = measured_depth(setup, stats, step_mm)
    except DepthUnknownError as e:
        return {"distance_mm": None, "reason": str(e)}, None
    c = depth.combined
    out: dict[str, object] = {
        "distance_mm": depth.distance_mm,
        "u_mm": c.u_mm,
        "U95_mm": c.U_mm,
        "k": c.k,
        "dof": number(c.dof),
        "target_mm": None,
        "error_mm": None,
        "tolerance_mm": setup.tolerance_mm,
        "ruling": "not proven",
        "p_within": None,
        "rule": setup.decision.rule,
        "budget": [budget_line(x) for x in c.lines],
        "steps": depth.steps,
    }
    notes = list(depth.notes)
    target = setup.target
    if target is None:
        notes.append("No mark or target distance is stated (no mark is not 0), so there is no error and no shim.")
        return out | {"notes": notes}, None
    if target.warning:
        notes.append(target.warning)
    target_mm = float(target.distance * setup.mm_per_unit)
    error = depth.distance_mm - target_mm
    out |= {"target_mm": target_mm, "error_mm": error}
    depth.steps.append(f"target: {target.say} ({setup.units})")
    depth.steps.append(f"error {error:+.4f} mm: {_place(error)}")
    if setup.tolerance_mm is None:
        notes.append(
            "gearset.tolerance is not stated; it comes from the manual and is never filled in, so there is no ruling."
        )
    else:
        r = rule_on(error, c.u_mm, c.dof, setup.tolerance_mm, setup.decision.rule)
        verdict = r.verdict
        if verdict == "within" and play.finding in ("present", "suspected"):
            verdict = "not proven"
            notes.append(
                "With bearing play in the readings nothing is ruled within: put the play right and measure again."
            )
        out |= {"ruling": verdict, "p_within": r.p_within}
        if r.say:
            notes.append(r.say)
    return out | {"notes": notes}, shim_for(setup, depth, error)


def _place(error_mm: float) -> str:
    if error_mm > 0:
        return "the pinion stands too far out, away from the ring gear's axis"
    if error_mm < 0:
        return "the pinion stands too deep, toward the ring gear's axis"
    return "the pinion stands on target"


def shim_for(setup: Setup, depth: Depth | None, error_mm: float, u_mm: float | None = None) -> dict[str, object] | None:
    """The ``shim`` object for an error.

    Parameters
    ----------
    setup : Setup
    depth : Depth or None
        Gives the uncertainty; None when only a distance was typed in.
    error_mm : float
        Measured less target; positive: too far out.
    u_mm : float, optional
        Standard uncertainty when `depth` is None.

    Returns
    -------
    dict or None
        None when the set-up says nothing of shims.
    """
    s = setup.shims
    if s.fitted is None and s.thicker_moves is None and not s.stock and s.order_grades is None:
        return None
    if s.fitted is None:
        return _no_answer("shims.fitted is not stated: measure the stack that is in now, each piece by micrometer.")
    if s.thicker_moves in (None, "unknown"):
        return _no_answer(
            "It is not known which way a thicker shim moves the pinion. Measure, change the stack by one shim of 0.10 mm or more, "
            "measure again: if the distance grew, thicker moves it away; if it shrank, toward."
        )
    effect = 1 if s.thicker_moves == "away" else -1
    unit = setup.mm_per_unit
    # To a picometre: what lies beyond is the arithmetic's own noise, and limits are compared exactly.
    error = Fraction(Decimal(str(round(error_mm, 9)))) / Fraction(unit)
    fitted = Fraction(s.fitted)
    needed = fitted - error * effect
    change = needed - fitted
    say = [_sentence(setup, error_mm, float(change), float(needed), effect)]
    if needed <= 0:
        return _no_answer(say[0] + " No stack can be that thin: look for a wrong sign, a wrong mark or a missing part.")
    u = depth.combined.u_mm if depth is not None else (u_mm or 0.0)
    dof = depth.combined.dof if depth is not None else float("inf")
    limit = setup.aim_mm if setup.aim_mm is not None else setup.tolerance_mm
    stock = [StockPiece(p.id or f"#{n}", p.thickness) for n, p in enumerate(s.stock, start=1) for _ in range(p.count)]
    found = stacks(
        stock,
        needed,
        Limits(s.max_pieces or DEFAULT_MOST, s.thin_limit, s.max_thin),
        u_mm=u,
        dof=dof,
        tolerance_mm=setup.tolerance_mm,
        piece_u_mm=setup.to_mm(s.u) or 0.0,
        mm_per_unit=unit,
        effect=effect,
    )
    best = found[0] if found else None
    fits = best is not None and limit is not None and abs(float(best.error * Fraction(unit))) <= limit
    out: dict[str, object] = {
        "stack_mm": float(needed * Fraction(unit)),
        "change_mm": float(change * Fraction(unit)),
        "stock": _choice(setup, best, target_of(setup)) if fits and best is not None else None,
        "order": [],
        "runner_up": _choice(setup, found[1], target_of(setup)) if len(found) > 1 else None,
        "fallback": _choice(setup, best, target_of(setup)) if best is not None and not fits else None,
    }
    if fits and best is not None:
        say.append(
            f"From the box: {_pieces(setup, best)}; that should leave {_length(setup, float(best.error))} of error."
        )
    else:
        say.append(_order(setup, needed, out, best, limit is not None))
    out["say"] = " ".join(say)
    return out


def target_of(setup: Setup) -> Decimal | None:
    """Target distance in the file's unit, or None."""
    return setup.target.distance if setup.target is not None else None


def _no_answer(say: str) -> dict[str, object]:
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
    sign = "+" if signed else ""
    if setup.units == "in":
        return f"{value:{sign}.4f} in ({value * 25.4:{sign}.3f} mm)"
    return f"{value:{sign}.3f} mm ({value / 25.4:{sign}.4f} in)"


def _sentence(setup: Setup, error_mm: float, change: float, needed: float, effect: int) -> str:
    away = abs(error_mm / float(setup.mm_per_unit))
    moves = "away from" if effect > 0 else "toward"
    if error_mm == 0:
        return f"The pinion stands on target; the stack stays {_length(setup, needed, False)}."
    where, go = (
        ("too far out", "in, toward the ring gear's axis")
        if error_mm > 0
        else ("too deep", "out, away from the ring gear's axis")
    )
    do = "add" if change > 0 else "take out"
    return (
        f"The pinion stands {_length(setup, away, False)} {where}; it must go {go}. A thicker shim moves it {moves} the axis here, "
        f"so {do} {_length(setup, abs(change), False)}: the stack becomes {_length(setup, needed, False)}."
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


def _order(setup: Setup, needed: Fraction, out: dict[str, object], best: Choice | None, has_limit: bool) -> str:
    grades = setup.shims.order_grades
    why = "" if best is None else f"Nothing in the box reaches the aim (nearest: {_pieces(setup, best)}). "
    if not has_limit:
        why = "Neither an aim nor a tolerance is stated, so no stack can be called good enough. "
    if grades is None:
        return why + "State shims.order_grades to get the grade to order."
    found = order(needed, grades.from_, grades.to, grades.step)
    if not found:
        return (
            why
            + f"No single grade from {grades.from_} to {grades.to} {setup.units} comes near: combine pieces or check the readings."
        )
    out["order"] = [
        {
            "thickness_mm": float(g.thickness * setup.mm_per_unit),
            "thickness": str(g.thickness),
            "unit": setup.units,
            "role": g.role,
        }
        for g in found
    ]
    names = ", ".join(f"{g.thickness} {setup.units} ({g.role})" for g in found)
    return why + f"Order: {names}."
