"""The part of a job's sheet that tells of its depth sets."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from analysis.job.figures import shim_of
from web.report import job_drawings, words
from web.report.job_gather import JobMatter
from web.report.job_words import STATUS, brief, plain
from web.report.model import Block, Facts, Points, Section, Table, Text
from web.report.sets import budget_table, length, sweeps_table


def depth_readings(m: JobMatter) -> list[dict[str, Any]]:
    """The depth sets in order."""
    return [r for r in m.data["readings"] if r["kind"] == "depth"]


def name_of(r: dict[str, Any]) -> str:
    """A set by its phase and its entry."""
    return f"{r['phase']}, entry {r['entry']}"


def overview(m: JobMatter) -> Table:
    """As found, trials, as left."""
    inches = m.data["units"] == "in"
    rows = []
    for r in depth_readings(m):
        d = r.get("depth")
        when = (name_of(r), r["at"], r["by"])
        if d is None:
            rows.append((*when, "–", "–", "–", "–", f"covered {r['covered']}"))
        elif d["distance_mm"] is None:
            rows.append((*when, "–", "–", "–", "no distance", STATUS[r["status"]]))
        else:
            u = length(d["U95_mm"], inches)
            error = length(d["error_mm"], inches, sign=True)
            ruling = words.RULINGS[d["ruling"]]
            rows.append((*when, length(d["distance_mm"], inches), u, error, ruling, STATUS[r["status"]]))
    head = ("set", "written", "by", "distance", "± (95 %)", "error", "ruling", "status")
    return Table(head, tuple(rows), (3, 4, 5), "As found, trials, as left")


def depth_sections(m: JobMatter) -> Iterator[Section]:
    """A section for each set."""
    for r in depth_readings(m):
        blocks = [Text(f"Covered {r['covered']}.")] if "covered" in r else list(_set(m, r))
        yield Section(f"set{r['entry']}", f"Depth set: {name_of(r)}", tuple(blocks))


def _set(m: JobMatter, r: dict[str, Any]) -> Iterator[Block]:
    inches = m.data["units"] == "in"
    data: Any = next(e.data for e in m.job.effective if e.n == r["entry"])
    shims = ", ".join(f"{k} {brief(v)}" for k, v in r["shims"].items()) or words.NOT_STATED
    yield Facts(
        (
            ("status", STATUS[r["status"]], ""),
            ("measured by", r["by"], ""),
            ("shims in", shims, ""),
            ("zeroing", "none" if r["zeroing"] is None else f"entry {r['zeroing']}", ""),
        )
    )
    for what in (*r["wrong"], *r["questions"], *(x["reason"] for x in r["void"])):
        yield Text(f"{what[:1].upper()}{what[1:]}.", "warning")
    if r["allowed"]:
        yield Text(f"Used all the same: {r['allowed']}", "warning")
    if "seatings" in data:
        yield _typed(data["seatings"], r["seatings"])
    if "result" in data:
        yield sweeps_table(data["result"])
    yield from job_drawings.of_set(m, r)
    yield Facts(tuple(_statistics(r["set"])))
    yield from (Text(x) for x in r["set"]["notes"])
    yield Text(f"Bearing play: {r['play']['finding']}. {r['play']['say']}")
    d = r["depth"]
    if d["distance_mm"] is None:
        yield Text(str(d["reason"]), "warning")
        yield budget_table(r["set"]["budget"])
        return
    yield Facts(_depth(m, r, inches))
    yield Points(tuple(d["steps"]))
    if d["notes"]:
        yield Text("To note with this figure:", "warning")
        yield Points(tuple(d["notes"]))
    yield budget_table(d["budget"])


def _typed(written: Any, found: list[dict[str, Any]]) -> Table:
    rows = []
    for s, f in zip(written, found, strict=True):
        more = ", ".join(f"{k.replace('_', ' ')} {plain(s[k])}" for k in s if k not in ("readings", "unit"))
        readings = " ".join(map(str, s["readings"]))
        out = f"left out: {f['left_out']}" if f["left_out"] else words.ACCEPTED
        rows.append((str(f["n"]), f"{readings} {s['unit']}", f"{f['median_mm']:.4f}", out, more))
    head = ("seating", "display, as typed", "median, mm", "verdict", "with it")
    return Table(head, tuple(rows), (0, 2), "Seatings, those left out too")


def _statistics(s: dict[str, Any]) -> Iterator[tuple[str, str, str]]:
    def mm(x: float | None, places: int = 5) -> str:
        return "–" if x is None else f"{x:.{places}f} mm"

    yield ("display at the nearest point, mean", mm(s["minimum_mm"]), f"{s['accepted']} used, {s['rejected']} left out")
    yield ("scatter within a seating", mm(s["sd_mm"]), "standard deviation")
    yield ("scatter of the seatings", mm(s["seat_sd_mm"]), f"{s['seats']} seating(s)")
    yield ("two readings agree within", mm(s["repeatability_limit_mm"]), "95 of 100 cases, ISO 5725-6")
    yield ("standard uncertainty of the mean", mm(s["u_mm"]), "")
    if s["drift_mm_per_min"] is not None:
        yield ("drift", f"{1000 * s['drift_mm_per_min']:+.2f} µm a minute", "")


def _depth(m: JobMatter, r: dict[str, Any], inches: bool) -> tuple[tuple[str, str, str], ...]:
    d = r["depth"]
    tolerance = f"± {length(d['tolerance_mm'], inches)}" if d["tolerance_mm"] else words.NOT_STATED
    chance = "–" if d["p_within"] is None else f"{100 * d['p_within']:.2f} %"
    rows = [
        ("distance, axis to end face", length(d["distance_mm"], inches), ""),
        ("expanded uncertainty", f"± {length(d['U95_mm'], inches)}", f"95 %, k = {d['k']:.2f}"),
        ("target", length(d["target_mm"], inches), ""),
        ("error", length(d["error_mm"], inches, sign=True), "measured less target"),
        ("tolerance", tolerance, "the manual, as stated"),
        ("ruling", words.RULINGS[d["ruling"]], words.RULES[d["rule"]]),
        ("chance of being within", chance, ""),
    ]
    taken = m.job.reading(r["entry"])
    shim = None if taken is None else shim_of(m.job, taken)
    if shim is not None and shim["stack_mm"] is not None:
        rows.append(("stack that would leave no error", length(shim["stack_mm"], inches), "from this set"))
        rows.append(("change from the stack that was in", length(shim["change_mm"], inches, sign=True), ""))
    return tuple(rows)
