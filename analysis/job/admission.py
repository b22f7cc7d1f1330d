"""Whether an entry fits the job it is to join: what it names must be there, and a closed job stays closed."""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Mapping

from analysis.job.entries import Problem
from analysis.job.people import pending
from analysis.job.state import Job
from analysis.job.steps import STEPS, next_step
from analysis.telling import shown
from analysis.temperature import MATERIALS, which_material

OPEN_TO_CLOSED = ("reopen", "note", "photo")
"""What may still be written into a closed job."""

_NEEDS = {
    "master": ("master",),
    "arbor": ("arbor",),
    "blade": ("blade",),
    "indicator": ("indicator",),
    "micrometer": ("micrometer",),
}


def admit(job: Job, kind: str, data: Mapping[str, object], by: str, corrects: int | None = None) -> list[Problem]:
    """What keeps a checked entry from being written down; empty when nothing does.

    Parameters
    ----------
    job : Job
        As it stands.
    kind, data, by
        The entry, `data` as `check_entry` gave it.
    corrects : int, optional
        The entry it puts right: that one has its place already.
    """
    if job.closed is not None and kind not in OPEN_TO_CLOSED:
        return [
            Problem(
                "kind",
                kind,
                "reopen first, with the reason: a closed job takes nothing but " + ", ".join(OPEN_TO_CLOSED),
            )
        ]
    out: list[Problem] = []
    if kind == "family":
        out += _material(data)
    if kind in ("zeroing", "piece", "check", "incident"):
        out += _instruments(job, kind, data)
    if kind == "skip" and data["step"] not in STEPS:
        near = difflib.get_close_matches(str(data["step"]), STEPS, 1, 0.5)
        out.append(Problem("skip.step", shown(data["step"]), "one of " + ", ".join(STEPS), near[0] if near else None))
    if kind in ("void", "allow", "confirm", "withdraw", "blind") or (kind == "deviation" and "entry" in data):
        out += _about(job, kind, data)
    if kind == "gearset":
        out += _second_reader(data)
    if kind == "zeroing" and data["when"] == "after" and job.open_zeroing is None and corrects is None:
        out.append(Problem("zeroing.when", "after", "before: no zeroing is open that this could check"))
    if kind == "discard" and data["piece"] not in job.pieces:
        out.append(Problem("discard.piece", shown(data["piece"]), _names(job.pieces)))
    given = data.get("pieces") if kind == "fit" else [data["piece"]] if kind == "reserve" else None
    if kind == "fit" and isinstance(given, list) and len(set(given)) < len(given):
        twice = next(x for x in given if given.count(x) > 1)
        out.append(Problem("fit.pieces", shown(twice), "each shim once: every piece has a name of its own"))
    for piece in given if isinstance(given, list) else []:
        if str(piece) in job.discarded and not data.get("release"):
            why = job.discarded[str(piece)]
            out.append(Problem(f"{kind}.piece", shown(piece), f"a shim that was not discarded; this one was: {why}"))
    if kind == "close":
        step = next_step(job)
        if step is not None and step.name != "close":
            out.append(
                Problem(
                    "close",
                    f"with the step {step.name} neither done nor left out",
                    f"first {step.name}, or leave it out with the reason (skip). {step.say}",
                )
            )
    waiting = pending(job)
    if kind == "fit" and waiting:
        n, who = next(iter(waiting.items()))
        out.append(
            Problem(
                "fit", "a change of shims", f"first the blind set of {who}: set {n} is compared with the build as it is"
            )
        )
    if kind == "blind" and not out:
        first = job.reading(int(str(data["first"])))
        if first is not None and first.by == data["second"]:
            out.append(
                Problem("blind.second", shown(data["second"]), f"somebody else: {first.by} measured set {first.n}")
            )
    if kind == "set" and "blind" in data:
        out += _blind(job, data, by)
    return out


def _second_reader(data: Mapping[str, object]) -> list[Problem]:
    second, first = (str(data.get(k, "")).strip().casefold() for k in ("second_reader", "read_by"))
    if not second or second != first:
        return []
    return [Problem("gearset.second_reader", shown(data["second_reader"]), "somebody else than read the mark first")]


def _material(data: Mapping[str, object]) -> list[Problem]:
    """A material without an expansion is told while it is written down and not when a warm housing is measured.

    A job that holds one already is read as it is: the depth then says what it lacks.
    """
    name = str(data.get("material", "steel"))
    if "expansion" in data or name.strip().lower() in MATERIALS:
        return []
    return [Problem("family.material", shown(name), which_material(name).replace("housing.expansion", "expansion"))]


def _names(names: Iterable[str]) -> str:
    known = sorted(names)
    return "one of " + ", ".join(known) if known else "none is written down yet"


def _instruments(job: Job, kind: str, data: Mapping[str, object]) -> list[Problem]:
    out = []
    for key, types in _NEEDS.items():
        if key in data:
            fit = [i for i, d in job.instruments.items() if d["type"] in types]
            if data[key] not in fit:
                out.append(
                    Problem(f"{kind}.{key}", shown(data[key]), f"an instrument of type {types[0]}: {_names(fit)}")
                )
    if "instrument" in data and data["instrument"] not in job.instruments:
        out.append(Problem(f"{kind}.instrument", shown(data["instrument"]), _names(job.instruments)))
    if kind == "zeroing" and data["when"] == "before" and "master" not in data and not out:
        arbor = job.instruments.get(str(data.get("arbor")))
        if arbor is not None and "constant" not in arbor:
            out.append(Problem("zeroing.arbor", shown(data["arbor"]), "an arbor with a constant, or a master"))
    return out


def _about(job: Job, kind: str, data: Mapping[str, object]) -> list[Problem]:
    key = "first" if kind == "blind" else "entry"
    n = data[key]
    if kind == "withdraw":
        there = {e.n for e in job.entries if e.n not in job.withdrawn and e.kind != "withdraw"}
        allowed = (
            "the number of an entry that stands; what was withdrawn is written down anew, and stays visible beside it"
        )
    elif kind == "confirm" and data["what"] == "limit":
        there = {e.n for e in job.effective if e.kind == "limit"}
        allowed = "the number of a limit: " + (", ".join(str(x) for x in sorted(there)) or "none is written down yet")
    else:
        there = {r.n for r in job.readings if kind != "blind" or r.kind == "depth"}
        allowed = "the number of a reading: " + (", ".join(str(x) for x in sorted(there)) or "none is written down yet")
    return [] if n in there else [Problem(f"{kind}.{key}", shown(n), allowed)]


def _blind(job: Job, data: Mapping[str, object], by: str) -> list[Problem]:
    e = next((x for n, x in job.blinds.items() if n == data["blind"]), None)
    if e is None:
        return [Problem("set.blind", shown(data["blind"]), "the number of a blind entry")]
    if int(str(e.data["first"])) not in pending(job):
        return [Problem("set.blind", shown(data["blind"]), "a blind entry whose second set is not there yet")]
    who = str(data.get("person", by))
    if who != e.data["second"]:
        return [Problem("set.person", shown(who), f"{e.data['second']}, who is to measure second")]
    return []
