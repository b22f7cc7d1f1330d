"""What each step still misses, in words; an empty text means that it is done."""

from __future__ import annotations

from collections.abc import Callable

from analysis.job.conditions import asked_before_depth, wrong_for_depth
from analysis.job.derive import moves, setup_for, target_missing
from analysis.job.far_off import stop_at
from analysis.job.figures import depth_of
from analysis.job.fitting import question_of_change
from analysis.job.people import Comparison, comparisons, pending
from analysis.job.records import Taken
from analysis.job.redo import asked_again, redo_list
from analysis.job.response import alarm, alarm_say
from analysis.job.singles import overshot, torque_of
from analysis.job.sleeve import asked, is_crushed
from analysis.job.state import Job
from analysis.plausibility import as_found as judge_as_found


def accepted(job: Job, r: Taken) -> bool:
    """Whether somebody took this very reading as it is; what was accepted elsewhere speaks of nothing but itself."""
    return any(e.kind == "deviation" and e.data.get("entry") == r.n for e in job.records)


def intake(job: Job) -> str:
    """The unit and its manual."""
    d = job.intake
    if d is None:
        return "Write down the unit, the owner's words and the manual's edition."
    if d.get("decision") == "refer":
        return "The intake says refer: this unit is for somebody else."
    return "" if "manual" in d else "State the manual and its edition for exactly this unit."


def limits(job: Job) -> str:
    """The tolerance of the depth, and nothing that contradicts."""
    if job.limit_doubts:
        return next(iter(job.limit_doubts.values()))
    return (
        ""
        if "depth-tolerance" in job.limits
        else "Type in the tolerance of the depth (depth-tolerance), with its page."
    )


def family(job: Job) -> str:
    """What the depth shim does."""
    return (
        ""
        if job.family is not None
        else "Say where the depth shim sits and what a thicker one does; unknown is an answer."
    )


def as_found(job: Job) -> str:
    """Readings before anything was loosened."""
    # A reading that was taken in a wrong state tells nothing of the unit, and once it is loosened there is no other.
    kinds = {r.kind for r in job.readings if r.phase == "as-found" and r.status != "wrong state"}
    missing = [k for k in ("backlash", "depth") if k not in kinds]
    touched = any(r.phase != "as-found" for r in job.readings) or job.state.get("nut") in ("loose", "nipped")
    if not missing or touched:
        return ""
    if missing[0] == "backlash":
        return "Measure as found: the backlash at 4 places, before anything is loosened."
    return _ready(job, "as-found", "Measure as found: the depth, carrier out, nut not yet loosened.")


def direction(job: Job) -> str:
    """Which way the display goes."""
    return "" if job.direction is not None else "Push the plunger in and say whether the display rises or falls."


def instruments(job: Job) -> str:
    """What ties the display to a distance."""
    if any(d["type"] == "master" or (d["type"] == "arbor" and "constant" in d) for d in job.instruments.values()):
        return ""
    bare = [name for name, d in job.instruments.items() if d["type"] == "arbor"]
    if bare:
        return (
            f"The arbor {bare[-1]} has no constant, so its display says no distance yet: add the constant to it, or name the master it is "
            "set on, with its distance."
        )
    return "Name the arbor or the master, with its constant or its distance."


def marks(job: Job) -> str:
    """A target, and a second reader of the mark."""
    why = target_missing(job)
    if why:
        return f"There is no target: {why}."
    g = job.gearset
    if job.target is None and g is not None and "second_reader" not in g:
        return "Let a second person read the mark."
    return ""


def old_shims(job: Job) -> str:
    """The stack that is in."""
    return "" if "depth" in job.stacks else "Measure the old shims, each at 3 or 4 spots, and write down which are in."


def convention(job: Job) -> str:
    """A quiet unit that stood near its target."""
    found = as_found_of(job)
    if found is None or found[1] or "convention" in job.skips:
        return ""
    return found[0]


def as_found_of(job: Job) -> tuple[str, bool, float] | None:
    """The as-found set beside the target: the sentence, whether they agree, and the error in mm."""
    for r in job.readings:
        if r.kind == "depth" and r.phase == "as-found" and r.status in ("valid", "provisional", "past"):
            d = depth_of(job, r)
            if d["distance_mm"] is None:
                continue
            quiet = (job.intake or {}).get("ran_quietly") == "yes"
            found = judge_as_found(setup_for(job, r, shims=False), d["distance_mm"], quiet)
            # A unit that did not run quietly tells nothing of the mark.
            return None if found is None else (found.say, found.agrees or not quiet, found.error_mm)
    return None


def covered(job: Job) -> str:
    """The second person of a blind comparison, and two people who do not find the same."""
    waiting = pending(job)
    if waiting:
        n, who = next(iter(waiting.items()))
        return f"{who} measures without seeing set {n}."
    found = comparisons(job)
    return disputed(job, found[-1]) if found else ""


def disputed(job: Job, c: Comparison) -> str:
    """What to do where two people differ by more than a shim may; empty once somebody measured again or took one of the sets."""
    if c.agrees is not False or round(abs(c.difference_mm), 9) <= APART_MM:
        return ""
    again = any(r.kind == "depth" and r.n > c.second for r in job.readings)
    taken = any(r is not None and accepted(job, r) for r in (job.reading(c.first), job.reading(c.second)))
    if again or taken:
        return ""
    return f"{c.say} No shim is put in on a figure two people do not share: measure again, or say who accepts entry {c.second} as it is."


APART_MM = 0.010
"""Difference of two people from which no shim is put in on the later figure (common practice, no source)."""


def check_after(job: Job) -> str:
    """The master read again."""
    z = job.open_zeroing
    if z is None or not any(r.zeroing is z for r in job.readings):
        return ""
    last = job.readings[-1]
    return (
        f"Read the master again: set {last.n} rests on a zero that is not checked yet."
        if last.kind == "depth"
        else ("Read the master again: a set rests on a zero that is not checked yet.")
    )


def trial(job: Job) -> str:
    """A depth measured in the right state."""
    asked = question_of_change(job)
    if asked:
        return asked
    for r in reversed(job.readings):
        if r.kind == "depth" and r.questions:
            return f"Set {r.n}: {r.questions[0]}"
    if job.latest("depth") is not None and job.latest("depth").phase != "as-found":  # type: ignore[union-attr]
        return ""
    if preload_first(job):
        return ""
    for redo in redo_list(job):
        if redo["kind"] == "depth":
            return _ready(job, "trial", asked_again(redo))
    if not wrong_for_depth("trial", job.state):
        return _ready(job, "trial", "Measure the depth: three seatings of 3 to 5 passes.")
    return _ready(job, "trial", "Build the pinion up for a trial, note its state, and measure the depth.")


def _ready(job: Job, phase: str, say: str) -> str:
    """What to measure, and what a reading of now would lack: it is said beforehand, since afterwards the reading is lost."""
    master = "" if job.open_zeroing is not None else "Read the master before it."
    return " ".join(x for x in (say, master, asked_before_depth(phase, job.state)) if x)


def asks_state(job: Job, said: str) -> bool:
    """Whether what a step misses is also to be written down of the build, or put right in it, before a depth is read."""
    asked = (asked_before_depth(phase, job.state) for phase in ("as-found", "trial", "final"))
    return any(x and said.endswith(x) for x in asked)


def preload_first(job: Job) -> bool:
    """Whether a depth that was right is void only because the preload is being set: that comes first, and the last reading after it."""
    rows = [r for r in job.readings if r.kind == "depth" and r.phase != "as-found"]
    if not rows or any(r.usable for r in rows) or not rows[-1].voided:
        return False
    sets_preload = {e.n for e in job.effective if e.kind == "fit" and e.data["place"] in ("spacer", "far")}
    if is_crushed(job):
        # The nut crushes the sleeve in small steps, and no depth is read between two of them.
        sets_preload |= {e.n for e in job.effective if e.kind == "state" and e.data.get("nut") == "torqued"}
    return rows[-1].voided[0].entry in sets_preload and depth_of(job, rows[-1]).get("ruling") == "within"


def loop(job: Job) -> str:
    """A change that did what was predicted."""
    a = alarm(job)
    return "" if a is None else alarm_say(job, a)


def depth(job: Job) -> str:
    """A depth within tolerance and aim."""
    r = job.latest("depth")
    if r is None or r.phase == "as-found":
        return "" if preload_first(job) else "Measure the depth."
    d = depth_of(job, r)
    if d["distance_mm"] is None:
        return f"Set {r.n} gives no distance: {d['reason']}"
    aim = job.limit_mm("depth-aim")
    outside_aim = aim is not None and d["error_mm"] is not None and round(abs(d["error_mm"]), 9) > float(aim)
    if d["ruling"] == "within" and not outside_aim:
        return ""
    if accepted(job, r):
        return ""
    if d["error_mm"] is None:
        return ""
    stop = stop_at(job, r)
    if stop:
        return stop
    if moves(job) == "unknown":
        return "The depth is not right and it is not known what a thicker shim does: change the stack by 0.10 mm or more, write it down, and measure again."
    how = {
        "outside": "is outside its tolerance",
        "within": "is within its tolerance but outside the shop's aim",
    }.get(str(d["ruling"]), "is not proven within its tolerance")
    return (
        f"Set {r.n} {how} ({d['error_mm']:+.4f} mm): put in the shims that are named, write them down, build and measure again; or say "
        f"who accepts entry {r.n} as it is."
    )


def torque(kind: str) -> Callable[[Job], str]:
    """A turning torque within its limit."""

    def missing(job: Job) -> str:
        r = job.latest(kind)
        if r is None or r.phase == "as-found":
            sleeve = asked(job, overshot(job)) if kind == "pinion-preload" else ""
            for redo in redo_list(job):
                if redo["kind"] == kind:
                    return f"{sleeve} {asked_again(redo)}".strip()
            starts = job.limits.get(kind, {}).get("method") == "starting"
            how = "at the moment it starts to turn" if starts else "turned steadily"
            shaft = ", no seal" if kind == "pinion-preload" else ""
            return f"Measure the {kind.replace('-', ' ')}, {how}{shaft}."
        found = torque_of(job, r)
        return "" if found["finding"] == "within" or accepted(job, r) else str(found["say"])

    return missing


def final(job: Job) -> str:
    """The last depth reading."""
    r = job.latest("depth")
    if r is not None and r.phase == "final":
        return ""
    if r is None:
        said = next((asked_again(x) for x in redo_list(job) if x["kind"] == "depth"), "Measure the depth.")
        return _ready(job, "final", said)
    return _ready(
        job, "final", "Measure the depth for the last time: final nut, retainer and gasket in place, carrier still out."
    )


def close(job: Job) -> str:
    """The end."""
    return "" if job.closed is not None else "Close the job: say what was not checked, and when to look again."
