"""A depth that no shim makes good: it is asked about before anything is put in."""

from __future__ import annotations

from dataclasses import replace

from analysis.depth import DepthUnknownError, measured_depth
from analysis.job.derive import setup_for
from analysis.job.figures import depth_of, statistics_of
from analysis.job.records import Taken
from analysis.job.state import Job
from analysis.plausibility import LARGE_ERROR_MM
from analysis.setup import SetupError

INCH = 25.4


def stop_at(job: Job, r: Taken) -> str:
    """What to look at where a set stands farther from its target than a shim reaches; empty where it does not, or somebody has answered.

    Parameters
    ----------
    job : Job
    r : Taken
        A depth set.
    """
    d = depth_of(job, r)
    error = d.get("error_mm")
    if error is None or round(abs(error), 9) <= LARGE_ERROR_MM or (r.n, "large change") in job.confirmed:
        return ""
    return (
        f"Stop: set {r.n} stands {error:+.3f} mm from its target, more than a shim makes good.{_in_other_unit(job, r, d)} Look for a wrong unit, "
        "sign or mark, the display's direction, the blade, the arbor's constant or a race that is not home, and put the entry right; if it is "
        f"right, confirm the large change at set {r.n}, with the reason."
    )


def _in_other_unit(job: Job, r: Taken, d: dict[str, object]) -> str:
    """What the error would be had the figures been read in the other unit, where that makes sense of them."""
    rows = r.data.get("seatings")
    units = {str(row["unit"]) for row in rows} if isinstance(rows, list) else set()
    stats = statistics_of(job, r)
    if len(units) != 1 or stats.minimum_mm is None:
        return ""
    unit = units.pop()
    other, factor = ("mm", 1.0 / INCH) if unit == "in" else ("in", INCH)
    try:
        turned = measured_depth(setup_for(job, r, shims=False), replace(stats, minimum_mm=stats.minimum_mm * factor))
    except (DepthUnknownError, SetupError):
        return ""
    there = turned.distance_mm - float(str(d["target_mm"]))
    if round(abs(there), 9) > LARGE_ERROR_MM:
        return ""
    return f" Had its figures been read in {other} and not in {unit}, it would be {there:+.3f} mm."
