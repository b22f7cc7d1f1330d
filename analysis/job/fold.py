"""From the entries of a job to its present state.

Entries are taken in order; a correction stands in for what it corrects, at that entry's place in time, and both stay in the list.
"""

from __future__ import annotations

from collections.abc import Iterable

from analysis.job.conditions import Void, after, changes, wrong_for, wrong_for_depth
from analysis.job.entries import Entry
from analysis.job.fitting import fit, in_two_places, pending_move, piece, side_sums, without_base
from analysis.job.kinds import KINDS
from analysis.job.limits import settle
from analysis.job.records import Data, Piece, Taken
from analysis.job.state import Job, void
from analysis.job.typed import unit_doubts
from analysis.job.zeros import direction, incident, zeroing


def fold(entries: Iterable[Entry], shop: Iterable[Piece] = ()) -> Job:
    """Present state of a job.

    Parameters
    ----------
    entries : iterable of Entry
        In order, as they were written down.
    shop : iterable of Piece
        Shims free in the other jobs of the shop.

    Notes
    -----
    Entries of a kind this version does not know are kept and not used.
    """
    job = Job(entries=tuple(entries), shop=tuple(shop))
    job.effective = _effective(job)
    # Limits are facts of the manual, whenever they were written down.
    settle(job)
    for e in job.effective:
        step = _STEPS.get(e.kind)
        if step is not None:
            step(job, e)
        elif e.kind in KINDS:
            job.records.append(e)
        else:
            job.problems.append(
                f"entry {e.n} is of a kind this version does not know ({e.kind}); it is kept and not used"
            )
    side_sums(job)
    in_two_places(job)
    return job


def _effective(job: Job) -> list[Entry]:
    standing: dict[int, Entry] = {}
    root: dict[int, int] = {}
    for e in job.entries:
        if e.corrects is None:
            standing[e.n] = e
            root[e.n] = e.n
            if e.kind == "withdraw":
                job.withdrawn[_whole(e.data["entry"])] = f"entry {e.n}: {e.data['reason']}"
            continue
        first = root.get(e.corrects, e.corrects)
        root[e.n] = first
        old = standing.get(first)
        if old is None or old.kind != e.kind:
            job.problems.append(
                f"entry {e.n} corrects entry {e.corrects}, which is not there or of another kind; it is not used"
            )
            continue
        standing[first] = Entry(first, old.at, old.by, old.kind, e.data, None, old.extra)
        job.corrections.setdefault(first, []).append(e.n)
    job.withdrawn = {root.get(n, n): why for n, why in job.withdrawn.items()}
    return [e for n, e in standing.items() if n not in job.withdrawn]


def _nothing(_: Job, __: Entry) -> None:
    """What was taken account of before."""


def _whole(x: object) -> int:
    return int(str(x))


def _state(job: Job, e: Entry, given: Data | None = None) -> None:
    standing = given is not None
    fields = given if given is not None else e.data
    done = changes(job.state, fields, standing=standing)
    for change in done:
        if change.name == "temperature":
            z = job.open_zeroing
            if z is not None:
                void(job, e, change, only=z)
        else:
            void(job, e, change)
    if any(c.name == "bearings" for c in done) and pending_move(job):
        job.depth_moves[-1] = without_base(job.depth_moves[-1])
    job.state = after(job.state, fields, done)


def _set(job: Job, e: Entry) -> None:
    inline = e.data.get("state")
    if isinstance(inline, dict):
        _state(job, e, inline)
    z = job.open_zeroing
    phase = str(e.data["phase"])
    direction = None if job.direction is None else str(job.direction["sense"])
    r = Taken(
        e.n,
        "depth",
        phase,
        e.at,
        str(e.data.get("person", e.by)),
        e.data,
        dict(job.state),
        dict(job.stacks),
        z,
        direction,
    )
    r.wrong += wrong_for_depth(phase, job.state)
    if z is None:
        r.wrong.append("the display was not read on the master before it")
    r.questions += unit_doubts(e.data)
    if isinstance(e.data.get("blind"), int):
        r.blind_for = _whole(e.data["blind"])
    job.readings.append(r)


def _other(job: Job, e: Entry) -> None:
    kind = f"{e.data['where']}-preload" if e.kind == "preload" else e.kind
    phase = str(e.data["phase"])
    r = Taken(e.n, kind, phase, e.at, str(e.data.get("person", e.by)), e.data, dict(job.state), dict(job.stacks))
    r.wrong += wrong_for(kind, phase, job.state)
    job.readings.append(r)


def _about(job: Job, e: Entry) -> None:
    n = _whole(e.data["entry"])
    r = job.reading(n)
    if e.kind == "confirm":
        job.confirmed.add((n, str(e.data["what"])))
        if r is not None and e.data["what"] == "unit":
            r.questions.clear()
        return
    if r is None:
        job.problems.append(f"entry {e.n} is about entry {n}, which is no reading")
    elif e.kind == "allow":
        r.allowed = f"entry {e.n}: {e.data['reason']}"
        r.allowed_wrongs = len(r.wrong)
    else:
        r.voided.append(Void(e.n, str(e.data["reason"])))


def _keep(job: Job, e: Entry) -> None:
    d = {**e.data, "entry": e.n}
    if e.kind == "instrument":
        job.instruments[str(d["id"])] = d
    elif e.kind == "reserve":
        (job.reserved.discard if d.get("release") else job.reserved.add)(str(d["piece"]))
    elif e.kind == "discard":
        job.discarded[str(d["piece"])] = str(d["reason"])
    elif e.kind == "skip":
        job.skips[str(d["step"])] = str(d["reason"])
    elif e.kind == "blind":
        job.blinds[e.n] = e
    elif e.kind == "check":
        job.checks.append(e)
    elif e.kind == "close":
        job.closed = e
    elif e.kind == "reopen":
        job.closed = None
    else:
        setattr(job, {"zero-play": "zero_play"}.get(e.kind, e.kind), d)


_STEPS = {
    **dict.fromkeys(
        (
            "intake",
            "family",
            "gearset",
            "target",
            "starter",
            "instrument",
            "check",
            "reserve",
            "discard",
            "skip",
            "blind",
            "close",
            "reopen",
        ),
        _keep,
    ),
    "zero-play": _keep,
    "limit": _nothing,
    "state": _state,
    "fit": fit,
    "piece": piece,
    "zeroing": zeroing,
    "incident": incident,
    "direction": direction,
    "set": _set,
    "preload": _other,
    "backlash": _other,
    "run-out": _other,
    "end-play": _other,
    "pattern": _other,
    "allow": _about,
    "void": _about,
    "confirm": _about,
}
