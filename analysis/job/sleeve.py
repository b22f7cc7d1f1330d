"""The crush sleeve: when it is spent, and what to ask then.

A sleeve that was overshot, or crushed and let go, holds no preload whatever the torque shows afterwards (car service texts: never
back the nut off, a new sleeve every time).  Readings are on the same sleeve until another number is written down.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

from analysis.job.entries import Entry
from analysis.job.records import Taken
from analysis.job.state import Job

RENEW = "Fit a new sleeve, bring it up in small steps, and write its number down with the next torque (sleeve)."


def is_crushed(job: Job) -> bool:
    """Whether this unit's pinion preload is set by a crush sleeve."""
    return (job.family or {}).get("preload_by") == "crush sleeve"


def spent(job: Job, r: Taken, overshot: Callable[[Taken], bool]) -> str:
    """Why the sleeve a torque was read on cannot stay in; empty where nothing speaks against it.

    Parameters
    ----------
    overshot : callable
        Whether a reading's torque lies above its limit.
    """
    return next((f"But {why} {RENEW}" for why in _reasons(job, number_of(job, r), r.n, overshot)), "")


def number_of(job: Job, r: Taken) -> object:
    """The sleeve a torque was read on: its own number, else the one written down last before it; None before the first."""
    if "sleeve" in r.data:
        return r.data["sleeve"]
    before = [x.data["sleeve"] for x in job.readings if x.kind == r.kind and x.n < r.n and "sleeve" in x.data]
    return before[-1] if before else None


def asked(job: Job, overshot: Callable[[Taken], bool]) -> str:
    """What to do about the sleeve that was read last, where it is spent and no torque was read since; else empty."""
    if not is_crushed(job):
        return ""
    last = next((r for r in reversed(job.readings) if r.kind == "pinion-preload" and _counts(job, r)), None)
    if last is None:
        return ""
    why = next(_reasons(job, number_of(job, last), len(job.entries) + 1, overshot), "")
    return f"{why[0].upper()}{why[1:]} {RENEW}" if why else ""


def _reasons(job: Job, name: object, until: int, overshot: Callable[[Taken], bool]) -> Iterator[str]:
    which = "" if name is None else f" {name}"
    for before in job.readings:
        if before.n >= until or not _counts(job, before) or number_of(job, before) != name:
            continue
        if overshot(before):
            yield f"the crush sleeve{which} was overshot at entry {before.n}: what it shows now is not preload that lasts."
        event = next(((e, how) for e in job.effective if before.n < e.n < until and (how := _let_go(job, e))), None)
        if event is not None:
            yield (
                f"the crush sleeve{which} was crushed at entry {before.n} and {event[1]} at entry {event[0].n}: "
                "it holds no preload any more."
            )


def _counts(job: Job, r: Taken) -> bool:
    """A torque on a crushed sleeve, not taken back by whoever read it."""
    if r.kind != "pinion-preload" or r.phase == "as-found" or r.in_wrong_state or r.state.get("nut") != "torqued":
        return False
    by_hand = {e.n for e in job.effective if e.kind == "void"}
    return not any(v.entry in by_hand for v in r.voided)


def _let_go(job: Job, e: Entry) -> str:
    """How an entry tells that the nut was backed off; empty where it does not."""
    if e.kind == "state":
        if e.data.get("nut") in ("loose", "nipped"):
            return "the nut let go" if e.data["nut"] == "loose" else "the nut backed off (nipped only)"
        if e.data.get("bearings_replaced") in ("pinion", "both"):
            return "the pinion's bearings were replaced"
    if e.kind == "fit" and e.data["place"] == "depth":
        move = next((m for m in job.depth_moves if m.n == e.n), None)
        if move is not None and move.old is not None and move.old.thickness.mm != move.new.thickness.mm:
            return "the pinion was taken apart for another depth shim"
    return ""
