"""The result as plain data for JSON: names and shapes of the ``analyse --json`` contract."""

from __future__ import annotations

import math
from collections.abc import Sequence

from analysis.results import BudgetLine, Gap, PlayFinding, SetStatistics, Sweep


def number(x: float | None) -> float | None:
    """`x` for JSON: infinite and undefined become null."""
    return None if x is None or not math.isfinite(x) else float(x)


def budget_line(line: BudgetLine) -> dict[str, object]:
    """One line of an uncertainty budget; unlimited degrees of freedom are null."""
    return {
        "name": line.name,
        "u_mm": number(line.u_mm),
        "kind": line.kind,
        "dof": number(line.dof),
        "source": line.source,
        "distribution": line.distribution,
    }


def sweep_as_dict(s: Sweep) -> dict[str, object]:
    """One sweep."""
    return {
        "n": s.n,
        "start_s": number(s.start_s),
        "bottom_s": number(s.bottom_s),
        "end_s": number(s.end_s),
        "heading": s.heading,
        "seat": s.seat,
        "minimum_mm": number(s.minimum_mm),
        "u_mm": number(s.u_mm),
        "accepted": s.accepted,
        "reasons": list(s.reasons),
        "advice": s.advice,
    }


def set_as_dict(s: SetStatistics) -> dict[str, object]:
    """Statistics of a set."""
    return {
        "accepted": s.accepted,
        "rejected": s.rejected,
        "seats": s.seats,
        "minimum_mm": number(s.minimum_mm),
        "sd_mm": number(s.sd_mm),
        "seat_sd_mm": number(s.seat_sd_mm),
        "repeatability_limit_mm": number(s.repeatability_limit_mm),
        "u_mm": number(s.u_mm),
        "dof": number(s.dof),
        "drift_mm_per_min": number(s.drift_mm_per_min),
        "drift_p": number(s.drift_p),
        "budget": [budget_line(x) for x in s.budget],
        "notes": list(s.notes),
    }


def play_as_dict(p: PlayFinding) -> dict[str, object]:
    """The finding on bearing play."""
    return {
        "finding": p.finding,
        "size_mm": number(p.size_mm),
        "size_low_mm": number(p.size_low_mm),
        "size_high_mm": number(p.size_high_mm),
        "pattern": p.pattern,
        "p_value": number(p.p_value),
        "say": p.say,
    }


def result_as_dict(
    readings: int,
    bad_frames: int,
    gaps: Sequence[Gap],
    sweeps: Sequence[Sweep],
    statistics: SetStatistics,
    play: PlayFinding,
    depth: dict[str, object],
    shim: dict[str, object] | None,
) -> dict[str, object]:
    """The whole result of a stream, without its name."""
    return {
        "readings": readings,
        "bad_frames": bad_frames,
        "gaps": [{"start_s": g.start_s, "end_s": g.end_s, "why": g.why} for g in gaps],
        "sweeps": [sweep_as_dict(s) for s in sweeps],
        "set": set_as_dict(statistics),
        "play": play_as_dict(play),
        "depth": depth,
        "shim": shim,
    }
