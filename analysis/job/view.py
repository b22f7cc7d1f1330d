"""A job as plain data: everything that is known, ready for JSON."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from analysis.job.derive import moves, setup_for, target_missing
from analysis.job.figures import depth_of, play_of, shim_of, statistics_of
from analysis.job.head import head_of, stated
from analysis.job.inches import all_with_inches, worked_in_inches
from analysis.job.missing import as_found_of
from analysis.job.packs import far_pack
from analysis.job.people import comparisons, pending
from analysis.job.plainly import all_plainly
from analysis.job.records import Stack, Taken
from analysis.job.redo import redo_list, void_list
from analysis.job.response import alarm, alarm_say, asks_of_unit, learnt_effect, learnt_response, loops
from analysis.job.ring import carrier_of, mean_mm, moves_of_ring
from analysis.job.singles import end_play_of, pattern_of, run_out_of, torque_of
from analysis.job.starters import starter_of
from analysis.job.state import Job
from analysis.job.steps import next_step, steps
from analysis.job.stock import diameters_for, diameters_say, piece_row, where_in
from analysis.job.typed import seatings_of
from analysis.job.units import units_of
from analysis.plausibility import LARGE_ERROR_MM
from analysis.rendering import play_as_dict, set_as_dict

CAUTION = (
    "This informs; a competent person decides. The maker's workshop manual overrides it. It does not call a unit safe, and a limit that is not "
    "stated is not filled in."
)


_DERIVED = (
    "starter",
    "target_missing",
    "readings",
    "depth",
    "shim",
    "as_found",
    "predictions",
    "alarm",
    "shim_effect",
    "carrier",
    "ring_moves",
    "problems",
    "steps",
    "next",
)
"""Parts whose sentences were made for a set-up file too."""


def entries_as_list(job: Job) -> list[dict[str, Any]]:
    """Every entry as written, corrected and withdrawn ones too."""
    covered = pending(job)
    out = []
    for e in job.entries:
        row: dict[str, Any] = {"n": e.n, "at": e.at, "by": e.by, "kind": e.kind, "data": e.data}
        if e.corrects is not None:
            row["corrects"] = e.corrects
        if e.n in job.corrections:
            row["corrected_by"] = job.corrections[e.n]
        if e.n in job.withdrawn:
            row["withdrawn"] = job.withdrawn[e.n]
        if e.n in covered or (e.corrects is not None and e.corrects in covered):
            row["data"] = {
                "phase": e.data.get("phase"),
                "covered": f"until {covered.get(e.n, 'the second person')} has measured",
            }
        out.append(row)
    return out


def job_as_dict(job: Job, *, entries: bool = True) -> dict[str, Any]:
    """Present state of a job."""
    depth = job.latest("depth")
    covered = pending(job)
    known = depth if depth is not None and depth.n not in covered else None
    found = as_found_of(job)
    step = next_step(job)
    effect, response = learnt_effect(job), learnt_response(job)
    a = alarm(job)
    out: dict[str, Any] = {
        "unit": (job.intake or {}).get("unit"),
        "intake": job.intake,
        "family": job.family,
        "gearset": job.gearset,
        "target": job.target,
        "starter": starter_of(job),
        "target_missing": target_missing(job) or None,
        "limits": job.limits,
        "limits_for": job.limits_for,
        "limit_doubts": list(job.limit_doubts.values()),
        "instruments": job.instruments,
        "checks": [{"n": e.n, "at": e.at, "by": e.by, **e.data} for e in job.checks],
        "direction": job.direction,
        "state": job.state,
        "stacks": {k: _stack(s) for k, s in job.stacks.items()},
        "units": units_of(job),
        "in_inches": worked_in_inches(job),
        "zeroings": [
            {
                "entry": z.n,
                "before": str(z.before),
                "after": None if z.after is None else str(z.after),
                "drift_mm": None if z.drift_mm is None else float(z.drift_mm),
                "closed": z.after is not None or z.left_open,
                "incident": z.incident or None,
            }
            for z in job.zeroings
        ],
        "readings": [_reading(job, r, covered) for r in job.readings],
        "depth": None if known is None else {"set": known.n, "status": known.status, **depth_of(job, known)},
        "shim": None if known is None else _shim(job, known),
        "as_found": None if found is None or covered else {"say": found[0], "agrees": found[1], "error_mm": found[2]},
        "predictions": [] if covered else [_loop(x) for x in loops(job)],
        "alarm_entry": None if a is None or covered else asks_of_unit(job, a),
        "alarm": None if a is None or covered else alarm_say(job, a),
        "shim_effect": {
            "moves": moves(job),
            "stated": (job.family or {}).get("shim_effect"),
            "learnt": None if effect is None else {"ratio": effect.ratio, "moves": effect.moves, "say": effect.say},
            "response": None if response is None else asdict(response),
            "say": _effect_sentence(moves(job)),
        },
        "people": [_comparison(c) for c in comparisons(job)],
        "carrier": carrier_of(job),
        "ring_moves": moves_of_ring(job),
        "stock": [
            piece_row(p) | {"state": where_in(job, p.id) or ("rejected" if p.rejected else "free")}
            for p in job.pieces.values()
        ],
        "void": void_list(job),
        "redo": redo_list(job),
        "skips": job.skips,
        "records": [{"n": e.n, "at": e.at, "by": e.by, "kind": e.kind, **e.data} for e in job.records],
        "closed": None
        if job.closed is None
        else {"n": job.closed.n, "at": job.closed.at, "by": job.closed.by, **job.closed.data},
        "problems": job.problems + [f"{k} stack: {s.doubt}" for k, s in job.stacks.items() if s.doubt] + _of_head(job),
        "steps": []
        if covered
        else [
            {"step": r.name, "missing": said or None, "asks_state": asks, "skipped": job.skips.get(r.name)}
            for r, said, asks in steps(job)
        ],
        "next": None if step is None else step._asdict(),
        "caution": CAUTION,
    }
    out |= {k: all_plainly(out[k]) for k in _DERIVED}
    if worked_in_inches(job):
        out |= all_with_inches({k: out[k] for k in _DERIVED})
    if entries:
        out["entries"] = entries_as_list(job)
    return out


def _of_head(job: Job) -> list[str]:
    g = job.gearset
    if g is None or not stated(g):
        return []
    doubt = head_of(g).doubt
    return [f"entry {g['entry']}: {doubt}"] if doubt else []


def _stack(s: Stack) -> dict[str, Any]:
    return {
        "entry": s.entry,
        "thickness": str(s.thickness),
        "thickness_mm": float(s.thickness.mm),
        "pieces": list(s.pieces),
        "doubt": s.doubt or None,
    }


def _effect_sentence(moves_: str) -> str:
    if moves_ == "unknown":
        return "It is not known what a thicker depth shim does; it is never assumed."
    where = "AWAY from" if moves_ == "away" else "TOWARD"
    return f"Adding 0.10 mm moves the pinion 0.10 mm {where} the ring gear's axis."


def _reading(job: Job, r: Taken, covered: dict[int, str]) -> dict[str, Any]:
    row: dict[str, Any] = {
        "entry": r.n,
        "kind": r.kind,
        "phase": r.phase,
        "at": r.at,
        "by": r.by,
        "status": r.status,
        "state": r.state,
        "shims": {k: str(s.thickness) for k, s in r.stacks.items()},
        "wrong": r.wrong,
        "void": [{"entry": v.entry, "reason": v.reason} for v in r.voided],
        "past": [{"entry": v.entry, "reason": v.reason} for v in r.past],
        "questions": r.questions,
        "allowed": r.allowed or None,
    }
    if r.n in covered:
        return row | {"covered": f"until {covered[r.n]} has measured"}
    if r.kind == "depth":
        row["zeroing"] = None if r.zeroing is None else r.zeroing.n
        row["set"] = set_as_dict(statistics_of(job, r))
        row["play"] = play_as_dict(play_of(r))
        row["depth"] = depth_of(job, r)
        row["seatings"] = [
            {"n": s.n, "median_mm": float(s.median_mm), "left_out": s.left_out or None}
            for s in seatings_of(r.data, job.limit_mm("push-pull"))
        ]
        row["stream"] = {k: r.data[k] for k in ("stream", "sha256") if k in r.data} or None
    elif r.kind == "backlash":
        row["mean_mm"] = mean_mm(job, r)
    elif r.kind == "end-play":
        row["end_play"] = end_play_of(r) | {"where": r.data["where"]}
    elif r.kind == "run-out":
        row["run_out"] = run_out_of(job, r)
    elif r.kind == "pattern":
        d = job.latest("depth")
        row["pattern"] = pattern_of(r, None if d is None or d.n in covered else depth_of(job, d))
    else:
        row["torque"] = torque_of(job, r)
    return row


def _shim(job: Job, r: Taken) -> dict[str, Any] | None:
    """The shim to put in; held back while a question is open."""
    shim = shim_of(job, r)
    if shim is None:
        return None
    shim = dict(shim)
    a = alarm(job)
    if a is not None:
        return shim | {"stock": None, "order": [], "held": True, "say": alarm_say(job, a)}
    change = shim["change_mm"]
    if change is not None:
        asked = _too_large(job, r, float(change), float(shim["stack_mm"]))
        if asked:
            return shim | {"stock": None, "order": [], "held": True, "say": f"{shim['say']} {asked}"}
        if shim["stock"] is not None or shim["order"]:
            shim["far"] = far_pack(job, setup_for(job, r), float(shim["stack_mm"]))
        if shim["order"]:
            shim["diameters"] = diameters_for(job, "depth")
            shim["say"] = f"{shim['say']} {diameters_say(shim['diameters'])}"
    return shim | {"held": False}


def _too_large(job: Job, r: Taken, change_mm: float, stack_mm: float) -> str:
    if (r.n, "large change") in job.confirmed:
        return ""
    answer = f"Look for a wrong sign, unit or mark first; if it is right, confirm the large change at set {r.n}, with the reason."
    if round(abs(change_mm), 9) > LARGE_ERROR_MM:
        return f"Stop: a change of {change_mm:+.3f} mm is more than {LARGE_ERROR_MM:.2f} mm. {answer}"
    from analysis.job.quantities import quantity

    family = job.family or {}
    if "grades_from" in family and family.get("max_pieces") == 1:
        low, high = (float(quantity(family[k], "length").mm) for k in ("grades_from", "grades_to"))
        if not low <= stack_mm <= high:
            return f"Stop: {stack_mm:.3f} mm lies outside the grades made ({low:.3f} to {high:.3f} mm). {answer}"
    return ""


def _loop(x: Any) -> dict[str, Any]:
    c = x.closure
    return {
        "fit": x.move.n,
        "before": x.before.n,
        "after": None if x.after is None else x.after.n,
        "change_mm": x.change_mm,
        "predicted_mm": x.predicted_mm,
        "written_before_building": x.recorded,
        "closure": None
        if c is None
        else {"miss_mm": c.miss_mm, "U_mm": c.U_mm, "agrees": c.agrees, "cause": c.cause, "say": c.say},
        "settled": x.settled,
        "response": None if x.effect is None else {"ratio": x.effect.ratio, "moves": x.effect.moves},
    }


def _comparison(c: Any) -> dict[str, Any]:
    return {
        "first": c.first,
        "second": c.second,
        "people": list(c.people),
        "difference_mm": c.difference_mm,
        "repeatability_sd_mm": c.repeatability_sd_mm,
        "critical_difference_mm": c.critical_mm,
        "limit_mm": c.limit_mm,
        "agrees": c.agrees,
        "say": c.say,
    }
