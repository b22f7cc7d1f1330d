"""What is odd about an entry, told when it is written down and not only when somebody looks at the job."""

from __future__ import annotations

from analysis.job.entries import Entry
from analysis.job.far_off import stop_at
from analysis.job.fitting import question_of_change
from analysis.job.head import head_of, stated
from analysis.job.people import pending
from analysis.job.plainly import plainly
from analysis.job.quantities import quantity
from analysis.job.records import Taken
from analysis.job.singles import overshot, torque_of
from analysis.job.sleeve import asked
from analysis.job.state import Job
from analysis.job.typed import seatings_apart, seatings_of
from analysis.torque import slip_of_unit


def remarks(job: Job, e: Entry) -> list[str]:
    """Sentences about an entry that is in the job; empty where nothing is odd.

    Parameters
    ----------
    job : Job
        With the entry in it.
    e : Entry
        As it was written down, a correction too.
    """
    first = next((root for root, later in job.corrections.items() if e.n in later), e.n)
    out = _of_kind(job, e, first)
    out += [p for p in job.problems if f"entry {first} " in f"{p} "]
    r = job.reading(first)
    if r is not None and first not in pending(job):
        out += _of_reading(job, r)
    return [plainly(x) for x in dict.fromkeys(out)]


def _of_kind(job: Job, e: Entry, first: int) -> list[str]:
    if e.kind == "limit":
        said = [job.limit_doubts[n] for n in (str(e.data["name"]), "depth-aim") if n in job.limit_doubts]
        if str(e.data["name"]).endswith("-preload"):
            high = quantity(e.data["max"], "torque")
            said += [x for x in [slip_of_unit(float(high.value), high.unit)] if x]
        return said
    if e.kind == "gearset" and stated(e.data):
        doubt = head_of(e.data).doubt
        return [f"{doubt[:1].upper()}{doubt[1:]}."] if doubt else []
    if e.kind == "piece":
        p = job.pieces.get(str(e.data["id"]))
        return [f"Shim {p.id} is not used: {p.rejected}."] if p is not None and p.n == first and p.rejected else []
    if e.kind == "fit":
        stack = job.stacks.get(str(e.data["place"]))
        doubt = stack.doubt if stack is not None and stack.entry == first else ""
        asks = question_of_change(job) if job.depth_moves and job.depth_moves[-1].n == first else ""
        spent = asked(job, overshot(job)) if e.data["place"] == "depth" else ""
        return [x for x in (f"{doubt[:1].upper()}{doubt[1:]}." if doubt else "", asks, spent) if x]
    if e.kind == "state" and {"nut", "bearings_replaced"} & e.data.keys():
        # Told where the sleeve is let go, not with every turn of a wrench after it.
        return [x for x in [asked(job, overshot(job))] if f"at entry {first}:" in x]
    return []


def _of_reading(job: Job, r: Taken) -> list[str]:
    out = list(r.questions)
    if r.kind == "depth" and not r.questions:
        apart = seatings_apart([s for s in seatings_of(r.data, job.limit_mm("push-pull")) if not s.left_out])
        out += [x for x in (apart, stop_at(job, r)) if x]
    if r.in_wrong_state:
        out.append(f"This reading is kept and not used: {'; '.join(r.wrong[r.allowed_wrongs :])}.")
    if r.kind.endswith("-preload"):
        found = torque_of(job, r)
        if found["finding"] in ("implausible", "sleeve spent"):
            out.append(str(found["say"]))
    return out
