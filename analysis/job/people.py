"""Two people, one pinion: the second measures without seeing the first one's figure, and the difference is set against repeatability.

Source: critical difference of two means under repeatability conditions, ISO 5725-6 (value from memory); with a scatter known from
these few seatings only, the two-sample t takes its place and decides.
"""

from __future__ import annotations

import math
import statistics
from dataclasses import dataclass
from typing import Any

from analysis.distributions import t_quantile
from analysis.job.records import Taken
from analysis.job.state import Job
from analysis.job.typed import seatings_of
from analysis.precision import LIMIT_FACTOR


@dataclass(frozen=True, slots=True)
class Comparison:
    """Two blind sets.

    Attributes
    ----------
    difference_mm : float
        Second less first.
    repeatability_sd_mm : float or None
        Scatter of a seating within one person, pooled.
    critical_mm : float or None
        Difference two means keep within in 95 of 100 cases, that scatter taken as known.
    limit_mm : float or None
        The same with that scatter known from these seatings alone; it decides.
    agrees : bool or None
        None where neither has two seatings.
    """

    first: int
    second: int
    people: tuple[str, str]
    difference_mm: float
    repeatability_sd_mm: float | None
    critical_mm: float | None
    limit_mm: float | None
    agrees: bool | None
    say: str


def pending(job: Job) -> dict[int, str]:
    """Sets whose figures stay covered, and who must measure before they are shown."""
    out: dict[int, str] = {}
    for n, e in job.blinds.items():
        if not any(r.blind_for == n for r in job.readings):
            out[int(str(e.data["first"]))] = str(e.data["second"])
    return out


def comparisons(job: Job) -> list[Comparison]:
    """Every finished blind comparison."""
    out = []
    for n, e in job.blinds.items():
        first = job.reading(int(str(e.data["first"])))
        second = next((r for r in job.readings if r.blind_for == n), None)
        if first is not None and second is not None:
            c = compare_people(job, first, second)
            if c is not None:
                out.append(c)
    return out


def compare_people(job: Job, first: Taken, second: Taken) -> Comparison | None:
    """Difference of two sets against the scatter of their seatings; None where one has no figure."""
    a, b = _levels(job, first), _levels(job, second)
    if not a or not b:
        return None
    difference = statistics.fmean(b) - statistics.fmean(a)
    who = (first.by, second.by)
    head = f"{who[1]} reads {difference:+.4f} mm against {who[0]}"
    same = " The same person measured twice: that compares no people." if who[0] == who[1] else ""
    dof = len(a) + len(b) - 2
    if dof < 1:
        say = f"{head}. Each needs two seatings or more to say whether that is much.{same}"
        return Comparison(first.n, second.n, who, difference, None, None, None, None, say)
    squares = math.fsum((x - statistics.fmean(a)) ** 2 for x in a) + math.fsum(
        (x - statistics.fmean(b)) ** 2 for x in b
    )
    sd = math.sqrt(squares / dof)
    critical = LIMIT_FACTOR * sd * math.sqrt(0.5 / len(a) + 0.5 / len(b))
    limit = t_quantile(0.975, dof) * sd * math.sqrt(1 / len(a) + 1 / len(b))
    agrees = abs(difference) <= limit
    verdict = (
        "no more than seating the arbor again does"
        if agrees
        else "more than seating the arbor again does: compare how each seats, swings and reads, then both measure again; do not average"
    )
    return Comparison(
        first.n,
        second.n,
        who,
        difference,
        sd,
        critical,
        limit,
        agrees,
        f"{head}; up to {limit:.4f} mm is expected: {verdict}.{same}",
    )


def _levels(job: Job, r: Taken) -> list[float]:
    """Level of each seating, mm."""
    if "seatings" in r.data:
        return [float(s.median_mm) for s in seatings_of(r.data, job.limit_mm("push-pull")) if not s.left_out]
    result: Any = r.data["result"]
    seats: dict[int, list[float]] = {}
    for s in result.get("sweeps", ()):
        if s["accepted"] and s["minimum_mm"] is not None:
            seats.setdefault(s["seat"], []).append(s["minimum_mm"])
    return [statistics.fmean(x) for x in seats.values()]
