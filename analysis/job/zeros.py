"""The zero on the master, what happens to it, and the direction of the display."""

from __future__ import annotations

from analysis.depth import MASTER_RETURN
from analysis.job.entries import Entry
from analysis.job.quantities import quantity
from analysis.job.records import Data, Zeroing
from analysis.job.state import Job
from analysis.job.units import units_of


def zeroing(job: Job, e: Entry) -> None:
    """Read the master: before opens a zeroing, after closes it and may void what lies between."""
    reading = quantity(e.data["reading"], "length")
    last = job.open_zeroing
    if e.data["when"] == "before":
        if last is not None:
            last.left_open = True
            for r in job.readings:
                if r.zeroing is last and not r.voided:
                    r.wrong.append(f"the master was not read again after it, before the next zeroing (entry {e.n})")
        job.zeroings.append(Zeroing(e.n, reading, e.data, _instruments(job, e)))
        return
    if last is None:
        job.problems.append(f"entry {e.n} reads the master again, but no zeroing is open; it is not used")
        return
    last.after, last.n_after = reading, e.n
    drift = last.drift_mm
    limit = job.limit_mm("zero-drift")
    unit = units_of(job)
    most = quantity(f"{MASTER_RETURN[unit]} {unit}", "length").mm if limit is None else limit
    assert drift is not None
    if abs(drift) > most:
        for r in job.readings:
            if r.zeroing is last:
                r.undo(
                    e.n,
                    f"the display came back on the master {drift:+.4f} mm off, more than {most.normalize():f} mm",
                    "everything measured since the zeroing is void",
                )


def _instruments(job: Job, e: Entry) -> dict[str, Data]:
    """What was used, as it was known then; a later entry about an instrument does not change what it measured before."""
    out: dict[str, Data] = {}
    for key in ("master", "arbor", "blade", "indicator"):
        if key in e.data:
            d = job.instruments.get(str(e.data[key]))
            if d is None or d["type"] != key:
                job.problems.append(f"entry {e.n} names {e.data[key]} as {key}, which no entry before it describes")
            else:
                out[key] = d
    return out


def incident(job: Job, e: Entry) -> None:
    """Something happened to an instrument: an open zeroing can no longer be checked."""
    z = job.open_zeroing
    what = f"{e.data.get('instrument', 'instrument')}: {e.data['what']}"
    if z is None:
        return
    for r in job.readings:
        if r.zeroing is z:
            r.undo(e.n, f"{what}, before the master was read again", "the zero it rests on can no longer be checked")
    z.left_open, z.incident = True, what


def direction(job: Job, e: Entry) -> None:
    """Take the display's direction; one that contradicts the last voids what was read with it."""
    d = {**e.data, "entry": e.n, "sense": _sense(e.data)}
    old = job.direction
    if old is not None and old["sense"] != d["sense"] and "pushed_in" in e.data:
        for r in job.readings:
            if r.kind == "depth" and r.direction is not None:
                r.undo(
                    e.n,
                    "a push on the plunger shows the display running the other way than before",
                    "it is not known since when",
                )
    job.direction = d


def _sense(d: Data) -> str:
    if "stated" in d:
        return str(d["stated"])
    return "shrinks" if d["pushed_in"] == "rises" else "grows"
