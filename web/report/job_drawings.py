"""Drawings on a job's sheet: seatings and bottoms against the tolerance, budgets, shims, closures, backlash and run-out."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from analysis.job.quantities import quantity
from analysis.job.ring import band_of
from web import figures
from web.figures.closure import closure
from web.figures.ring import backlash, run_out
from web.figures.seatings import seatings
from web.report.job_gather import JobMatter
from web.report.model import Picture


def drawn_sets(m: JobMatter) -> set[int]:
    """Sets that are drawn: the last of each phase, and those a change of shim was judged by.  The others stand in their tables."""
    last = {r["phase"]: r["entry"] for r in m.data["readings"] if r["kind"] == "depth" and "covered" not in r}
    judged = {p[key] for p in m.data["predictions"] if p["closure"] is not None for key in ("before", "after")}
    return {*last.values(), *judged}


def of_set(m: JobMatter, r: dict[str, Any]) -> Iterator[Picture]:
    """A depth set: its bottoms or seatings, and what its uncertainty is made of."""
    if r["entry"] not in drawn_sets(m):
        return
    data: Any = next(e.data for e in m.job.effective if e.n == r["entry"])
    taken = m.job.reading(r["entry"])
    sense = None if taken is None else taken.direction
    name = f"set{r['entry']}"
    if "result" in data:
        whole = {"sweeps": data["result"]["sweeps"], "set": r["set"], "depth": r["depth"]}
        yield Picture(figures.minima(whole, sense=_sense(sense), name=f"{name}-minima"))
    elif r["seatings"]:
        yield Picture(seatings(r["seatings"], r["depth"], sense, name=f"{name}-seatings"))
    if r["depth"].get("budget"):
        yield Picture(figures.budget({"depth": r["depth"], "set": r["set"]}, name=f"{name}-budget"))


def _sense(text: str | None) -> Any:
    return text if text in ("grows", "shrinks") else None


def of_shims(m: JobMatter) -> Iterator[Picture]:
    """The choice from the box or the order."""
    shim, depth = m.data["shim"], m.data["depth"]
    if shim is not None and depth is not None:
        drawn = figures.stock({"shim": shim, "depth": depth}, name="shims-stock")
        if drawn is not None:
            yield Picture(drawn)


def of_predictions(m: JobMatter) -> Iterator[Picture]:
    """Measured less predicted."""
    drawn = closure(m.data["predictions"], name="predictions-closure")
    if drawn is not None:
        yield Picture(drawn)


def of_ring(m: JobMatter) -> Iterator[Picture]:
    """Backlash and run-out as they stand."""
    b = (m.data["carrier"] or {}).get("backlash")
    if b:
        band = band_of(m.job)
        limits = None
        if band is not None:
            middle, half = (float(quantity(f"{x} {band[2]}", "length").mm) for x in band[:2])
            limits = (middle - half, middle + half)
        yield Picture(backlash(b, limits, name="ring-backlash"))
    r = m.job.latest("run-out")
    row = None if r is None else next(x for x in m.data["readings"] if x["entry"] == r.n)
    if r is not None and row is not None and "run_out" in row:
        readings: Any = r.data["readings"]
        heights = [float(quantity(x, "length", str(r.data["unit"])).mm) for x in readings]
        limit = m.job.limit_mm("run-out")
        yield Picture(run_out(heights, row["run_out"], None if limit is None else float(limit), name="ring-runout"))
