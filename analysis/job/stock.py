"""Shims in the box: measured, rejected, set aside, fitted; over one job or all jobs of a shop."""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal
from fractions import Fraction
from typing import Any

from analysis.job.derive import InUnit, free_pieces, units_of
from analysis.job.records import Piece
from analysis.job.state import Job
from analysis.shims import Limits, StockPiece, stacks


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


def far_pack(job: Job, depth_total_mm: float | None, depth_needed_mm: float) -> dict[str, Any] | None:
    """The other of two packs at constant sum: what the first gains it gives; None for a family with one pack."""
    family = job.family or {}
    if family.get("packs") != "two at constant sum" or "depth" not in job.stacks:
        return None
    unit = InUnit(units_of(job))
    mm = Decimal("25.4") if units_of(job) == "in" else Decimal(1)
    if "far" not in job.stacks:
        return {
            "needed_mm": None,
            "say": "State the far pack that is in now (fit, place far): the sum of both sets the preload.",
        }
    depth, far = (unit(str(job.stacks[k].thickness)) for k in ("depth", "far"))
    total = Fraction(depth + far)
    first = depth_needed_mm if depth_total_mm is None else depth_total_mm
    needed = total - Fraction(Decimal(repr(round(first, 9)))) / Fraction(mm)
    stock = [StockPiece(p.id, unit(str(p.thickness))) for p in free_pieces(job, "far")]
    most = family.get("max_pieces")
    found = stacks(
        stock,
        needed,
        Limits(most if isinstance(most, int) else 4),
        u_mm=0.0,
        dof=float("inf"),
        tolerance_mm=None,
        piece_u_mm=0.0,
        mm_per_unit=mm,
        effect=1,
        keep=1,
    )
    out: dict[str, Any] = {
        "sum_mm": float(total * Fraction(mm)),
        "needed_mm": float(total * Fraction(mm)) - depth_needed_mm,
        "pieces": [],
        "total_mm": None,
        "sum_off_mm": None,
    }
    say = f"The far pack becomes {out['needed_mm']:.4f} mm, so that the sum stays {out['sum_mm']:.3f} mm."
    if found:
        best = found[0]
        out["pieces"] = [{"id": p.id, "thickness_mm": float(p.thickness * mm)} for p in best.pieces]
        out["total_mm"] = float(best.total * mm)
        out["sum_off_mm"] = float((Fraction(best.total) - needed) * Fraction(mm))
        say += f" From the box: {' + '.join(p.id for p in best.pieces)} = {out['total_mm']:.3f} mm, sum {out['sum_off_mm']:+.3f} mm off."
    return out | {"say": say}
