"""A typed set in the shape of a stream's result, so that it stands in the tables beside the sets that were measured by a stream."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from analysis.job.figures import depth_of, play_of, shim_of, statistics_of
from analysis.job.quantities import quantity
from analysis.job.state import Job
from analysis.job.typed import seatings_of
from analysis.rendering import play_as_dict, set_as_dict


@dataclass(frozen=True, slots=True)
class TypedSet:
    """A typed set.

    Attributes
    ----------
    name : str
        ``job.jsonl#N``, after its entry.
    result : dict
        As one line of ``analyse --json``; a pass is a sweep without times, and without an uncertainty of its own.
    passes : list of (int, str, str)
        Each pass as typed: whole counts of its last digit, that digit, its unit.
    """

    name: str
    result: dict[str, Any]
    passes: list[tuple[int, str, str]]


def typed_set(job: Job, n: int) -> TypedSet:
    """The typed set of an entry.

    Raises
    ------
    ValueError
        If the entry is no typed set that stands.
    """
    r = job.reading(n)
    if r is None or "seatings" not in r.data:
        raise ValueError(f"entry {n} is no typed set of this job")
    rows = r.data["seatings"]
    assert isinstance(rows, list)
    written: list[tuple[int, str, str]] = []
    sweeps: list[dict[str, Any]] = []
    for seating, row in zip(seatings_of(r.data, job.limit_mm("push-pull")), rows, strict=True):
        for mm, figure in zip(seating.passes_mm, row["readings"], strict=True):
            q = quantity(figure, "length", str(row["unit"]))
            step = Decimal(1).scaleb(min(0, int(q.value.as_tuple().exponent)))
            written.append((int(q.value / step), f"{step:f}", q.unit))
            sweeps.append(
                {
                    "n": len(sweeps) + 1,
                    "seat": seating.n,
                    "heading": "",
                    "start_s": None,
                    "bottom_s": None,
                    "end_s": None,
                    "minimum_mm": float(mm),
                    "u_mm": None,
                    "accepted": not seating.left_out,
                    "reasons": [seating.left_out] if seating.left_out else [],
                }
            )
    name = f"job.jsonl#{n}"
    result = {
        "stream": name,
        "readings": len(written),
        "bad_frames": 0,
        "gaps": [],
        "sweeps": sweeps,
        "set": set_as_dict(statistics_of(job, r)),
        "play": play_as_dict(play_of(r)),
        "depth": depth_of(job, r),
        "shim": shim_of(job, r),
    }
    return TypedSet(name, result, written)
