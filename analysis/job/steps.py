"""The guided order: what comes next, and why.

Depth first, then pinion preload, then depth again, then the carrier's sum, then backlash by transfer, then the pattern: each changes
what comes after it.  Order and reasons: common practice, no source.  A step may be skipped, with a note.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import NamedTuple

from analysis.job.derive import moves, target_missing
from analysis.job.figures import depth_of
from analysis.job.fold import Job
from analysis.job.people import pending
from analysis.job.redo import redo_list
from analysis.job.response import alarm
from analysis.job.ring import carrier_of, pattern_of, run_out_of, torque_of
from analysis.plausibility import as_found


class Step(NamedTuple):
    """A step of the order."""

    name: str
    say: str
    why: str
    kind: str


@dataclass(frozen=True, slots=True)
class _Rule:
    name: str
    kind: str
    why: str
    missing: Callable[[Job], str]


def _intake(job: Job) -> str:
    d = job.intake
    if d is None:
        return "Write down the unit, the owner's words and the manual's edition."
    if d.get("decision") == "refer":
        return "The intake says refer: this unit is for somebody else."
    return "" if "manual" in d else "State the manual and its edition for exactly this unit."


def _limits(job: Job) -> str:
    return "" if "depth-tolerance" in job.limits else "Type in the limit depth-tolerance with its page."


def _family(job: Job) -> str:
    return (
        ""
        if job.family is not None
        else "Say where the depth shim sits and what a thicker one does; unknown is an answer."
    )


def _as_found(job: Job) -> str:
    kinds = {r.kind for r in job.readings if r.phase == "as-found"}
    missing = [k for k in ("backlash", "depth") if k not in kinds]
    touched = any(r.phase != "as-found" for r in job.readings)
    if not missing or touched:
        return ""
    what = {
        "backlash": "the backlash at 4 places, before anything is loosened",
        "depth": "the depth, carrier out, nut not yet loosened",
    }
    return f"Measure as found: {what[missing[0]]}."


def _direction(job: Job) -> str:
    return "" if job.direction is not None else "Push the plunger in and say whether the display rises or falls."


def _instruments(job: Job) -> str:
    types = {str(d["type"]) for d in job.instruments.values()}
    return "" if types & {"master", "arbor"} else "Name the arbor or the master, with its constant or its distance."


def _marks(job: Job) -> str:
    why = target_missing(job)
    if why:
        return f"There is no target: {why}."
    g = job.gearset
    if job.target is None and g is not None and "second_reader" not in g:
        return "Let a second person read the mark."
    return ""


def _old_shims(job: Job) -> str:
    return (
        ""
        if "depth" in job.stacks
        else "Measure the old shims, each at 3 or 4 spots, and write down which are in (fit, place depth)."
    )


def _convention(job: Job) -> str:
    found = as_found_of(job)
    if found is None or found[1] or "convention" in job.skips:
        return ""
    return found[0]


def as_found_of(job: Job) -> tuple[str, bool, float] | None:
    """The as-found set beside the target: the sentence, whether they agree, and the error in mm."""
    from analysis.job.derive import setup_for

    for r in job.readings:
        if r.kind == "depth" and r.phase == "as-found" and r.status in ("valid", "provisional", "past"):
            d = depth_of(job, r)
            if d["distance_mm"] is None:
                continue
            quiet = (job.intake or {}).get("ran_quietly") == "yes"
            found = as_found(setup_for(job, r, shims=False), d["distance_mm"], quiet)
            # A unit that did not run quietly tells nothing of the mark.
            return None if found is None else (found.say, found.agrees or not quiet, found.error_mm)
    return None


def _covered(job: Job) -> str:
    waiting = pending(job)
    return "".join(f"{who} measures without seeing set {n}." for n, who in list(waiting.items())[:1])


def _check_after(job: Job) -> str:
    z = job.open_zeroing
    if z is None or not any(r.zeroing is z for r in job.readings):
        return ""
    last = job.readings[-1]
    return (
        f"Read the master again (zeroing, after): set {last.n} rests on a zero that is not checked yet."
        if last.kind == "depth"
        else ("Read the master again (zeroing, after): a set rests on a zero that is not checked yet.")
    )


def _trial(job: Job) -> str:
    for r in reversed(job.readings):
        if r.kind == "depth" and r.questions:
            return f"Set {r.n}: {r.questions[0]}"
    if job.latest("depth") is not None and job.latest("depth").phase != "as-found":  # type: ignore[union-attr]
        return ""
    for redo in redo_list(job):
        if redo["kind"] == "depth":
            return f"Measure the depth again: {redo['because']}."
    if job.open_zeroing is None:
        return "Build the pinion up for a trial, note its state, and read the master (zeroing, before)."
    return "Measure the depth: three seatings of 3 to 5 passes."


def _loop(job: Job) -> str:
    a = alarm(job)
    return "" if a is None or a.closure is None else a.closure.say


def _depth(job: Job) -> str:
    r = job.latest("depth")
    if r is None or r.phase == "as-found":
        return "Measure the depth."
    d = depth_of(job, r)
    if d["distance_mm"] is None:
        return f"Set {r.n} gives no distance: {d['reason']}"
    aim = job.limit_mm("depth-aim")
    outside_aim = aim is not None and d["error_mm"] is not None and round(abs(d["error_mm"]), 9) > float(aim)
    if d["ruling"] == "within" and not outside_aim:
        return ""
    if any(e.kind == "deviation" and e.n > r.n for e in job.records):
        return ""
    if d["error_mm"] is None:
        return ""
    if moves(job) == "unknown":
        return "The depth is not right and it is not known what a thicker shim does: change the stack by 0.10 mm or more, write it down, and measure again."
    how = {
        "outside": "is outside its tolerance",
        "within": "is within its tolerance but outside the shop's aim",
    }.get(str(d["ruling"]), "is not proven within its tolerance")
    return (
        f"Set {r.n} {how} ({d['error_mm']:+.4f} mm): choose the shims, write them down (fit), build and measure again; or say who accepts "
        "it as it is (deviation)."
    )


def _torque(kind: str) -> Callable[[Job], str]:
    def missing(job: Job) -> str:
        r = job.latest(kind)
        if r is None or r.phase == "as-found":
            for redo in redo_list(job):
                if redo["kind"] == kind:
                    return f"Measure the {kind.replace('-', ' ')} again: {redo['because']}."
            return (
                f"Measure the {kind.replace('-', ' ')}, turned steadily, no seal."
                if kind == "pinion-preload"
                else f"Measure the {kind.replace('-', ' ')}."
            )
        found = torque_of(job, r)
        return "" if found["finding"] == "within" else str(found["say"])

    return missing


def _final(job: Job) -> str:
    r = job.latest("depth")
    if r is not None and r.phase == "final":
        return ""
    if r is None:
        because = next((str(x["because"]) for x in redo_list(job) if x["kind"] == "depth"), "")
        return f"Measure the depth again: {because}." if because else "Measure the depth."
    return "Measure the depth for the last time: final nut, retainer and gasket in place, carrier still out."


def _run_out(job: Job) -> str:
    r = job.latest("run-out")
    if r is None or r.phase == "as-found":
        return "Measure the run-out of the ring gear's back face over one turn, 8 places or more."
    found = run_out_of(job, r)
    return "" if found["finding"] == "within" else str(found["say"])


def _carrier(job: Job) -> str:
    if "carrier-preload" in job.limits:
        return _torque("carrier-preload")(job)
    out = carrier_of(job)
    if out is not None and out.get("pinch_mm") is not None and "carrier-pinch" in job.limits:
        wanted = float(_signed_mm(job.limits["carrier-pinch"]["value"]))
        if abs(float(str(out["pinch_mm"])) - wanted) > 0.0051:
            return str(out["say"])
        return ""
    return "State the carrier's limit (carrier-preload or carrier-pinch), the side shims (fit, left and right) and the zero-play sum or a turning torque."


def _signed_mm(text: object) -> float:
    from analysis.job.quantities import quantity

    return float(quantity(text, "length").mm)


def _backlash(job: Job) -> str:
    r = job.latest("backlash")
    if r is None or r.phase == "as-found":
        for redo in redo_list(job):
            if redo["kind"] == "backlash":
                return f"Measure the backlash again: {redo['because']}."
        return "Measure the backlash at 4 places."
    out = carrier_of(job)
    found = (out or {}).get("backlash")
    if isinstance(found, dict) and found["finding"] == "within":
        return ""
    return str((out or {}).get("say", "Measure the backlash at 4 places."))


def _pattern(job: Job) -> str:
    r = job.latest("pattern")
    if r is None or r.phase == "as-found":
        for redo in redo_list(job):
            if redo["kind"] == "pattern":
                return f"Take the pattern again: {redo['because']}."
        return "Take the contact pattern on both flanks, with photos."
    d = job.latest("depth")
    found = pattern_of(r, None if d is None else depth_of(job, d))
    return str(found["say"]) if found["agrees"] is False or found["says"] == "run-out" else ""


def _close(job: Job) -> str:
    return "" if job.closed is not None else "Close the job: say what was not checked, and when to look again."


ORDER: tuple[_Rule, ...] = (
    _Rule("intake", "intake", "The limits, the marks and the right to do the work hang on which unit it is.", _intake),
    _Rule(
        "limits", "limit", "A limit comes from the manual, is typed in with its page, and is never filled in.", _limits
    ),
    _Rule(
        "family",
        "family",
        "Words do not say which way a shim moves the pinion; a sign does, and the wrong one costs a rebuild.",
        _family,
    ),
    _Rule("instruments", "instrument", "The display is tied to a distance by the arbor or its master.", _instruments),
    _Rule(
        "direction",
        "direction",
        "The nearest point is the smallest or the largest reading: a push on the plunger proves which.",
        _direction,
    ),
    _Rule("blind", "set", "Two people compare only if the second has not seen the first one's figure.", _covered),
    _Rule(
        "zero-after",
        "zeroing",
        "What was measured on a zero that moved is void, and nobody knows until the master is read again.",
        _check_after,
    ),
    _Rule(
        "as-found",
        "set",
        "Without it there is nothing to compare the rebuild with, and no check on the mark's sign.",
        _as_found,
    ),
    _Rule(
        "marks",
        "gearset",
        "The mark sets the target; no mark is not 0, and three numbers on a face mean three things.",
        _marks,
    ),
    _Rule("old-shims", "piece", "The new stack is the old one, as measured, less the error.", _old_shims),
    _Rule(
        "convention",
        "gearset",
        "A unit that ran quietly stood near its target; if it seems not to, a convention is misread.",
        _convention,
    ),
    _Rule("trial", "set", "Only a reading in the right state counts.", _trial),
    _Rule("closure", "fit", "A change that did not do what was predicted has a cause; find it before the next.", _loop),
    _Rule("depth", "fit", "Depth first: everything after depends on it.", _depth),
    _Rule(
        "pinion-preload",
        "preload",
        "The preload moves the pinion, so it comes before the last depth reading.",
        _torque("pinion-preload"),
    ),
    _Rule(
        "final-depth",
        "set",
        "The final nut, the gasket and the preload have moved the pinion; once the carrier is in, the arbor cannot go in.",
        _final,
    ),
    _Rule(
        "run-out",
        "run-out",
        "Backlash that differs round the ring is run-out, and moving the ring gear does not cure it.",
        _run_out,
    ),
    _Rule(
        "carrier-preload",
        "preload",
        "The sum of both sides is fixed first; from then on shims only change sides.",
        _carrier,
    ),
    _Rule("backlash", "backlash", "A change of depth or of the side shims changes it.", _backlash),
    _Rule(
        "pattern",
        "pattern",
        "The pattern catches a wrong convention; it is a cross-check and never a number.",
        _pattern,
    ),
    _Rule("close", "close", "What was not checked must stand on the sheet that stays with the unit.", _close),
)
STEPS = tuple(r.name for r in ORDER)


def steps(job: Job) -> Iterator[tuple[_Rule, str]]:
    """Every step with what it still misses; an empty text means done."""
    for rule in ORDER:
        yield rule, rule.missing(job)


def next_step(job: Job) -> Step | None:
    """The next step with its reason; None when the job is closed."""
    if job.closed is not None:
        return None
    for rule in ORDER:
        if rule.name in job.skips:
            continue
        said = rule.missing(job)
        if said:
            return Step(rule.name, said, rule.why, rule.kind)
    return None
