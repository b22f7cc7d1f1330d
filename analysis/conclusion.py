"""The end of the chain: distance, ruling and shim, in numbers and in a sentence."""

from __future__ import annotations

from dataclasses import replace

from analysis.advice import no_answer, shim_for, shims_stated
from analysis.depth import Depth, DepthUnknownError, measured_depth
from analysis.plausibility import direction_doubt, large_error
from analysis.rendering import budget_line, number
from analysis.results import INFINITE_DOF, BudgetLine, PlayFinding, SetStatistics
from analysis.ruling import rule_on
from analysis.setup import Setup
from analysis.uncertainty import combine

__all__ = ["conclude", "shim_for"]

FEWEST_SWEEPS = 3
"""Good sweeps from which something is ruled: the least that can disagree about one of them."""


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
    doubt = direction_doubt(setup, stats, error)
    caution = doubt or large_error(error)
    if caution:
        notes.append(caution)
    depth, known = _with_target(setup, depth)
    if known is not None:
        out["target_u_mm"] = known
        notes.append(
            f"The target is known to a standard uncertainty of {known:.4f} mm only (head height); that is in the ruling and in the choice of "
            "shims, not in the distance."
        )
    c = depth.combined
    verdict: str = "not proven"
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
        if verdict != "not proven" and stats.accepted < FEWEST_SWEEPS:
            verdict = "not proven"
            notes.append(
                f"Nothing is ruled from fewer than {FEWEST_SWEEPS} good sweeps: one that turned back short of the nearest point, or rode on "
                "dirt, looks sound by itself. Sweep again."
            )
        elif r.say:
            notes.append(r.say)
        out |= {"ruling": verdict, "p_within": r.p_within}
    out["notes"] = notes
    if doubt and shims_stated(setup):
        return out, no_answer(doubt)
    shim = shim_for(setup, depth, error, settled=verdict == "within")
    if shim is not None and play.finding == "present":
        shim["say"] = f"First put the bearing play right and measure again: play moves the distance. {shim['say']}"
    return out, shim


def _with_target(setup: Setup, depth: Depth) -> tuple[Depth, float | None]:
    """The distance as it is judged: against a target that was measured itself, its uncertainty comes in."""
    g = setup.gearset
    u = setup.to_mm(g.head_height_u) if g.mark == "full-distance" and g.head_height is not None else None
    if not u:
        return depth, None
    dof = INFINITE_DOF if g.head_height_dof is None else float(g.head_height_dof)
    line = BudgetLine("head height", u, "A", dof, "gearset.head_height_u")
    return replace(depth, combined=combine([*depth.combined.lines, line])), u


def _place(error_mm: float) -> str:
    if error_mm > 0:
        return "the pinion stands too far out, away from the ring gear's axis"
    if error_mm < 0:
        return "the pinion stands too deep, toward the ring gear's axis"
    return "the pinion stands on target"
