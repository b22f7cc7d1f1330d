"""How the next step is written down: commands as they are typed, with what is to be filled in left open.

A limit or a reading is never filled in, not even as an example: an ellipsis stands where the figure goes.
"""

from __future__ import annotations

import re
import shlex
from collections.abc import Callable
from pathlib import Path

from analysis.job.fitting import question_of_change
from analysis.job.inches import worked_in_inches
from analysis.job.records import Taken
from analysis.job.response import alarm, asks_of_unit
from analysis.job.state import Job

SPOTS = 'unit=mm readings="… … …"'
SEATINGS = 'seatings="… … … mm; … … … mm; … … … mm"'


def ways(job: Job, step: str, path: Path) -> list[str]:
    """Commands that write a step down, the likeliest first.

    Parameters
    ----------
    job : Job
    step : str
        Name of the step, one of `analysis.job.steps.STEPS`.
    path : Path
        The job's folder, as it was given.

    Returns
    -------
    list of str
    """
    leave_out = [] if step == "close" else [f"job add JOB skip step={step} reason=…   (to leave it out)"]
    return [_typed(x, job, path) for x in [*_WAYS[step](job), *leave_out]]


def _typed(way: str, job: Job, path: Path) -> str:
    unit = "in" if worked_in_inches(job) else "mm"
    if unit == "in":
        way = way.replace("N·m", "lb·in").replace('force="… N"', 'force="… lbf"')
    out = re.sub(r"(=\"?(?:… )?)mm\b", rf"\g<1>{unit}", way)
    return re.sub(r"\bjob (?=[a-z-]+ JOB)", "shimwright job ", out).replace("JOB", shlex.quote(str(path)))


def ways_of_wrong_state(job: Job, r: Taken, path: Path) -> list[str]:
    """How a reading that was taken in a wrong state is made to count, or used all the same."""
    states = [e.n for e in job.effective if e.kind == "state" and e.n < r.n]
    out = ["Put it right, write it down, and measure again."]
    if states:
        out.append(
            f"If it was so and only not written down: job add JOB state FIELD=VALUE … --corrects {_root(job, states[-1])}"
        )
    out.append(f"To use it all the same, marked: job add JOB allow entry={r.n} reason=…")
    return [_typed(x, job, path) for x in out]


def _root(job: Job, n: int) -> int:
    return next((root for root, later in job.corrections.items() if n in later), n)


def _intake(job: Job) -> list[str]:
    if job.intake is None:
        return ["job add JOB intake unit=… manual=…"]
    return [f"job add JOB intake manual=… --corrects {job.intake['entry']}   (what it says already stays)"]


def _limits(job: Job) -> list[str]:
    if not job.limit_doubts:
        return ['job add JOB limit name=depth-tolerance value="… mm" page=…']
    return ['job add JOB limit FIELD="… UNIT" --corrects N', "job add JOB confirm entry=N what=limit reason=…"]


def _depth_set(phase: str) -> Callable[[Job], list[str]]:
    def say(job: Job) -> list[str]:
        asked = [r for r in job.readings if r.kind == "depth" and r.questions]
        if asked and phase == "trial":
            return [f"job add JOB confirm entry={asked[-1].n} what=unit reason=…"]
        moved = job.depth_moves[-1] if job.depth_moves else None
        if phase == "trial" and moved is not None and question_of_change(job):
            return [
                f"job add JOB fit place=depth pieces=… --corrects {moved.n}",
                f'job add JOB confirm entry={moved.base} what="large change" reason=…',
            ]
        out = [
            "job add JOB state nut=… seal=… covers=… turns=…   (what has changed; `job kinds state` lists the fields)"
        ]
        if job.open_zeroing is None:
            out.append('job add JOB zeroing when=before reading="… mm" master=… indicator=… blade_on=…')
        return [*out, f"job set JOB STREAM --phase {phase}   or, typed: job add JOB set phase={phase} {SEATINGS}"]

    return say


def _as_found(job: Job) -> list[str]:
    if any(r.kind == "backlash" and r.phase == "as-found" for r in job.readings):
        return _depth_set("as-found")(job)
    return [
        'job backlash JOB STREAM --phase as-found   or, typed: job add JOB backlash phase=as-found unit=mm places="… … … …"'
    ]


def _marks(job: Job) -> list[str]:
    g = job.gearset
    if g is None:
        return ["job add JOB gearset mark=… form=… pinion_pair=… ring_pair=… page=… read_by=…   (`job kinds gearset`)"]
    fields = "FIELD=VALUE …" if "second_reader" in g else "second_reader=… second_reading=…"
    return [f"job add JOB gearset {fields} --corrects {g['entry']}   (what it says already stays)"]


def _convention(job: Job) -> list[str]:
    g = job.gearset
    return [] if g is None else [f"job add JOB gearset FIELD=VALUE … --corrects {g['entry']}"]


def _closure(job: Job) -> list[str]:
    a = alarm(job)
    n = None if a is None else asks_of_unit(job, a)
    out = (
        []
        if a is None
        else [f"job add JOB fit place=depth pieces=… --corrects {a.move.n}   (where another shim is in)"]
    )
    return out if n is None else [*out, f"job add JOB confirm entry={n} what=response reason=…"]


def _depth(job: Job) -> list[str]:
    r = job.latest("depth")
    out = ["job show JOB   (names the shims, from the box or to order)", "job add JOB fit place=depth pieces=…"]
    return out if r is None else [*out, f"job add JOB deviation entry={r.n} what=… allowed_by=… reason=…"]


def _torque(where: str) -> Callable[[Job], list[str]]:
    def say(job: Job) -> list[str]:
        by = str((job.family or {}).get("preload_by"))
        sleeve = " sleeve=…" if where == "pinion" and by == "crush sleeve" else ""
        out = [f'job add JOB preload where={where} phase=trial torque="… N·m"{sleeve}   or force="… N" radius="… mm"']
        if where == "pinion" and by in ("solid spacer", "pack sum") and job.latest("pinion-preload") is not None:
            out.insert(0, f"job add JOB fit place={'spacer' if by == 'solid spacer' else 'far'} pieces=…")
        if where == "carrier":
            out += ['job add JOB zero-play sum="… mm"', "job add JOB fit place=left pieces=…   and place=right"]
        return out

    return say


_WAYS: dict[str, Callable[[Job], list[str]]] = {
    "intake": _intake,
    "limits": _limits,
    "family": lambda _: [
        "job add JOB family shim_place=… shim_effect=… effect_basis=… page=…   (`job kinds family`)",
    ],
    "instruments": lambda _: [
        'job add JOB instrument id=… type=master distance="… mm"   or type=arbor constant="… mm"',
    ],
    "direction": lambda _: ["job add JOB direction pushed_in=…"],
    "blind": _depth_set("trial"),
    "zero-after": lambda _: ['job add JOB zeroing when=after reading="… mm"'],
    "as-found": _as_found,
    "marks": _marks,
    "old-shims": lambda _: [
        f"job add JOB piece id=… place=depth {SPOTS}",
        "job add JOB fit place=depth pieces=…",
    ],
    "convention": _convention,
    "trial": _depth_set("trial"),
    "closure": _closure,
    "depth": _depth,
    "pinion-preload": _torque("pinion"),
    "final-depth": _depth_set("final"),
    "run-out": lambda _: [
        'job run-out JOB STREAM --turns 2 --phase trial   or, typed: job add JOB run-out phase=trial unit=mm readings="… … … … … … … …"'
    ],
    "carrier-preload": _torque("carrier"),
    "backlash": lambda _: [
        'job backlash JOB STREAM --phase trial   or, typed: job add JOB backlash phase=trial unit=mm places="… … … …"',
        "job add JOB fit place=left pieces=…   and place=right",
    ],
    "pattern": lambda _: [
        "job photo JOB PICTURE --of pattern   (keeps the picture and says its name)",
        "job add JOB pattern phase=final drive=… coast=… photos=…",
    ],
    "close": lambda _: ["job close JOB --not-checked …"],
}
