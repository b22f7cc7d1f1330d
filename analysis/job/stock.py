"""Shims in the box: measured, rejected, set aside, fitted; over one job or all jobs of a shop."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from analysis.job.records import Piece
from analysis.job.state import Job


def piece_row(p: Piece) -> dict[str, Any]:
    """One shim for a list."""
    marked = p.data.get("marked")
    return {
        "id": p.id,
        "thickness": str(p.thickness),
        "thickness_mm": float(p.thickness.mm),
        "spread": str(p.spread),
        "marked": marked,
        "place": p.place,
        "rejected": p.rejected,
        "inner_diameter": p.data.get("inner_diameter"),
        "outer_diameter": p.data.get("outer_diameter"),
        "entry": p.n,
    }


def where_in(job: Job, piece: str) -> str:
    """What this job does with a shim: fitted, reserved, discarded, or nothing."""
    if any(piece in s.pieces for s in job.stacks.values()):
        return "fitted"
    if piece in job.discarded:
        return "discarded"
    return "reserved" if piece in job.reserved else ""


def shop_stock(jobs: Mapping[str, Job]) -> list[dict[str, Any]]:
    """Every shim of a shop, once, with who has it.

    A shim goes by one name in the whole shop.  Measured in one job and fitted in another, it is one shim.
    """
    rows: dict[str, dict[str, Any]] = {}
    for name, job in jobs.items():
        for p in job.pieces.values():
            row = rows.get(p.id)
            if row is None or ("from_job" in row["data"] and "from_job" not in p.data):
                rows[p.id] = piece_row(p) | {"job": name, "data": p.data, "state": "free", "state_in": None}
    for name, job in jobs.items():
        for piece, row in rows.items():
            state = where_in(job, piece)
            if state and (row["state"] in ("free", "reserved") or state == "discarded"):
                row["state"], row["state_in"] = state, name
    for row in rows.values():
        if row["rejected"] and row["state"] == "free":
            row["state"] = "rejected"
        del row["data"]
    return sorted(rows.values(), key=lambda r: (r["thickness_mm"], r["id"]))


def free_in_shop(jobs: Mapping[str, Job], leave_out: str) -> list[Piece]:
    """Shims free in the other jobs of the shop."""
    taken = {row["id"] for row in shop_stock(jobs) if row["state"] != "free"}
    out: dict[str, Piece] = {}
    for name, job in jobs.items():
        if name != leave_out:
            for p in job.pieces.values():
                if p.id not in taken and not p.rejected:
                    out.setdefault(p.id, p)
    return list(out.values())


def diameters_for(job: Job, place: str) -> dict[str, str | None]:
    """Diameters of the shims at a place, where all that are known agree: a shim of the right thickness must also fit."""
    known = [p for p in job.pieces.values() if p.place == place]
    out: dict[str, str | None] = {}
    for key in ("inner_diameter", "outer_diameter"):
        found = {str(p.data[key]) for p in known if key in p.data}
        out[key] = found.pop() if len(found) == 1 else None
    return out


def diameters_say(d: Mapping[str, str | None]) -> str:
    """Diameters to order by, in words."""
    inner, outer = d["inner_diameter"], d["outer_diameter"]
    if inner is None or outer is None:
        return "The diameters are not written down: measure an old shim and order by them too."
    return f"Diameters: {inner} inside, {outer} outside."
