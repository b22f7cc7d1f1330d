"""Figures of one set: its statistic, its distance, the ruling, the shim."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.conclusion import conclude
from analysis.job.derive import decimals_say, housing_say, setup_for, target_missing
from analysis.job.ordering import apply_rounding
from analysis.job.quantities import quantity
from analysis.job.records import Taken
from analysis.job.state import Job
from analysis.job.typed import typed_statistics
from analysis.job.units import InUnit, units_of
from analysis.results import INFINITE_DOF, BudgetLine, PlayFinding, SetStatistics
from analysis.setup import Setup, SetupError

NO_PLAY = PlayFinding("not assessable", None, None, None, "none", None, "Typed readings do not tell play.")


def statistics_of(job: Job, r: Taken) -> SetStatistics:
    """Statistic of a set, typed or from its stream."""
    if "seatings" in r.data:
        return typed_statistics(r.data, job.limit_mm("push-pull"), _step_mm(r))
    result = r.data["result"]
    assert isinstance(result, Mapping)
    return _statistics(result["set"])


def _step_mm(r: Taken) -> float | None:
    indicator = r.zeroing.instruments.get("indicator") if r.zeroing is not None else None
    if indicator is None or "resolution" not in indicator:
        return None
    return float(quantity(indicator["resolution"], "length").mm)


def _statistics(s: Mapping[str, Any]) -> SetStatistics:
    budget = tuple(
        BudgetLine(
            str(b["name"]),
            float(b["u_mm"]),
            "A" if b["kind"] == "A" else "B",
            INFINITE_DOF if b["dof"] is None else float(b["dof"]),
            str(b["source"]),
            str(b.get("distribution", "normal")),
        )
        for b in s.get("budget", ())
    )
    return SetStatistics(
        int(s["accepted"]),
        int(s["rejected"]),
        int(s["seats"]),
        _float(s["minimum_mm"]),
        _float(s["sd_mm"]),
        _float(s["seat_sd_mm"]),
        _float(s["repeatability_limit_mm"]),
        _float(s["u_mm"]),
        INFINITE_DOF if s["dof"] is None and s["u_mm"] is not None else _float(s["dof"]),
        _float(s["drift_mm_per_min"]),
        _float(s["drift_p"]),
        budget,
        tuple(str(n) for n in s.get("notes", ())),
    )


def _float(x: object) -> float | None:
    return None if x is None else float(str(x))


def play_of(r: Taken) -> PlayFinding:
    """What the stream says of bearing play."""
    result = r.data.get("result")
    if not isinstance(result, Mapping) or not isinstance(result.get("play"), Mapping):
        return NO_PLAY
    p = result["play"]
    return PlayFinding(
        p["finding"],
        _float(p["size_mm"]),
        _float(p["size_low_mm"]),
        _float(p["size_high_mm"]),
        p["pattern"],
        _float(p["p_value"]),
        str(p.get("say", "")),
    )


def depth_of(job: Job, r: Taken) -> dict[str, Any]:
    """The ``depth`` object of a set, whatever its status; the status says whether it may be used."""
    return _concluded(job, r, False)[0]


def shim_of(job: Job, r: Taken) -> dict[str, Any] | None:
    """The ``shim`` object of a set, with the family's rounding rule."""
    return _concluded(job, r, True)[1]


def _concluded(job: Job, r: Taken, shims: bool) -> tuple[dict[str, Any], dict[str, Any] | None]:
    key = ("concluded", r.n, shims)
    if key not in job.cache:
        job.cache[key] = _conclude(job, r, shims)
    found: tuple[dict[str, Any], dict[str, Any] | None] = job.cache[key]  # type: ignore[assignment]
    return found


def _conclude(job: Job, r: Taken, shims: bool) -> tuple[dict[str, Any], dict[str, Any] | None]:
    try:
        setup: Setup = setup_for(job, r, shims=shims)
    except SetupError as e:
        return {"distance_mm": None, "reason": str(e)}, None
    stats = statistics_of(job, r)
    depth, shim = conclude(setup, stats, play_of(r))
    missing = target_missing(job)
    if missing and depth["distance_mm"] is not None:
        notes = depth["notes"]
        assert isinstance(notes, list)
        depth = depth | {"notes": [missing[:1].upper() + missing[1:] + ".", *notes]}
    unit = InUnit(units_of(job))
    g = job.gearset or {}
    said = [x for x in (decimals_say(g, unit), housing_say(g, unit)) if x] if job.target is None else []
    if said and not missing and depth["distance_mm"] is not None:
        notes = depth["notes"]
        assert isinstance(notes, list)
        depth = depth | {"notes": [*said, *notes]}
    if shim is not None and shims:
        apply_rounding(shim, setup, str((job.family or {}).get("rounding", "nearest")))
    return depth, shim
