"""What a recorded stream says of the ring gear: backlash from rocking it, run-out from turning it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from analysis.job.quantities import quantity
from analysis.job.state import Job
from analysis.rocking import RockingSession, summary
from analysis.turning import FEWEST_TURNS, TurningSession
from capture.jobs.errors import JobFileError
from capture.replaying import replay

INCH_MM = 25.4


def indicator_mpe_mm(job: Job, name: object = None) -> float | None:
    """Largest permitted error of the indicator named, or of the only one the job knows; None where it is not stated."""
    known = {k: d for k, d in job.instruments.items() if d["type"] == "indicator"}
    d = known.get(str(name)) if name is not None else next(iter(known.values())) if len(known) == 1 else None
    return None if d is None or "mpe" not in d else float(quantity(d["mpe"], "length").mm)


def rocks_in(first: Path, mpe_mm: float | None) -> dict[str, Any]:
    """Backlash at each place that was rocked at, refused ones with their reasons.

    Raises
    ------
    CaptureError
        If the stream cannot be read.
    """
    session = RockingSession(mpe_mm)
    replay(first, session)
    session.close()
    out = summary(session.places())
    return {
        "readings": session.readings,
        "bad_frames": session.bad_frames,
        "unit": session.unit,
        "mpe_mm": mpe_mm,
        **out,
    }


def rocked(first: Path, mpe_mm: float | None) -> dict[str, Any]:
    """What a backlash entry keeps of a stream.

    Raises
    ------
    JobFileError
        If no place gave a backlash.
    """
    found = rocks_in(first, mpe_mm)
    unit = str(found["unit"])
    good = [float(p["backlash_mm"]) for p in found["places"] if p["accepted"]]
    if not good:
        raise JobFileError(f"{first.name} gives no backlash. {found['say']}")
    return {"places": [written(x, unit) for x in good], "unit": unit, "result": found}


def pushed_and_pulled(first: Path, mpe_mm: float | None) -> dict[str, Any]:
    """What an end-play entry keeps of a stream: a shaft pushed and pulled along its length gives two stops as a rocked gear does.

    Raises
    ------
    JobFileError
        If no play was seen.
    """
    found = rocks_in(first, mpe_mm)
    good = [float(p["backlash_mm"]) for p in found["places"] if p["accepted"]]
    if not good:
        raise JobFileError(
            f"{first.name} shows no end play: {found['say']} Where it was pushed and pulled and nothing moved, write it down as play = 0 mm."
        )
    unit = str(found["unit"])
    return {"play": f"{written(math.fsum(good) / len(good), unit)} {unit}", "result": found}


def turned_in(first: Path, turns: int, teeth: int | None) -> dict[str, Any]:
    """Run-out of a gear that was turned, or why there is none.

    Raises
    ------
    CaptureError
        If the stream cannot be read.
    """
    session = TurningSession(turns, teeth)
    replay(first, session)
    found = session.found()
    return {
        "readings": session.readings,
        "bad_frames": session.bad_frames,
        "unit": session.unit,
        **{k: v for k, v in asdict(found).items() if k not in ("heights_mm", "readings")},
        "heights_mm": list(found.heights_mm),
        "reasons": list(found.reasons),
        "accepted": found.accepted,
        "say": found.say,
    }


def turned(first: Path, turns: int, teeth: int | None) -> dict[str, Any]:
    """What a run-out entry keeps of a stream.

    Raises
    ------
    JobFileError
        If it gives no run-out.
    """
    found = turned_in(first, turns, teeth)
    if not found["accepted"]:
        raise JobFileError(f"{first.name} gives no run-out. {found['say']}")
    unit = str(found["unit"])
    return {"readings": [written(x, unit) for x in found["heights_mm"]], "unit": unit, "result": found}


def written(mm: float, unit: str) -> str:
    """A length as it is written down, to a tenth of a micrometre or better."""
    return f"{mm / INCH_MM:.6f}" if unit == "in" else f"{mm:.4f}"


SO_FAR: dict[str, Callable[[Path, float | None], dict[str, Any]]] = {
    "backlash": rocks_in,
    "end-play": rocks_in,
    "run-out": lambda path, _: turned_in(path, FEWEST_TURNS, None),
}
"""What can be worked out of a recording that is still running, by kind of entry."""
