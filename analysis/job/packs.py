"""Two packs at constant sum: the split sets the depth, the sum the preload; both are chosen from the box together."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Any

from analysis.job.derive import free_pieces
from analysis.job.state import Job
from analysis.job.stock import diameters_for, diameters_say
from analysis.job.units import InUnit, units_of
from analysis.setup import Setup
from analysis.shims import Choice, Limits, StockPiece, order, stacks

MOST = 4
"""Pieces tried a pack where the family sets no limit."""

TRIED = 24
"""Depth stacks of each number of pieces that the far pack is matched to: those farther off lose by the depth alone."""


@dataclass(frozen=True, slots=True)
class Pair:
    """A depth stack and a far stack.

    `depth_off` and `sum_off` are exact, in the set-up's unit; `reaches` says that the depth alone comes within what is accepted.
    """

    depth: Choice
    far: Choice
    depth_off: Fraction
    sum_off: Fraction
    reaches: bool

    @property
    def rank(self) -> tuple[bool, Fraction, int, int]:
        """Within what is accepted, then least off together, then fewest pieces, then fewest thin ones."""
        pieces = len(self.depth.pieces) + len(self.far.pieces)
        return not self.reaches, abs(self.depth_off) + abs(self.sum_off), pieces, self.depth.thin + self.far.thin


def pairs_of_packs(
    depth_stock: list[StockPiece],
    far_stock: list[StockPiece],
    needed: Fraction,
    total: Fraction,
    limits: Limits,
    accepted: Fraction | None,
    keep: int = 2,
) -> list[Pair]:
    """Best pairs of packs, best first.

    Parameters
    ----------
    depth_stock, far_stock : list of StockPiece
        Each piece once per copy; a piece lies in one of the two.
    needed : Fraction
        Depth stack wanted.
    total : Fraction
        Sum of both packs to keep.
    limits : Limits
        Rules for either pack.
    accepted : Fraction, optional
        How far off the depth stack may be.
    """
    plain: dict[str, Any] = {
        "u_mm": 0.0,
        "dof": float("inf"),
        "tolerance_mm": None,
        "piece_u_mm": 0.0,
        "mm_per_unit": Decimal(1),
        "effect": 1,
    }
    out: list[Pair] = []
    for d in stacks(depth_stock, needed, limits, keep=TRIED, **plain):
        off = Fraction(d.total) - needed
        for f in stacks(far_stock, total - Fraction(d.total), limits, keep=keep, **plain):
            sum_off = Fraction(d.total) + Fraction(f.total) - total
            out.append(Pair(d, f, off, sum_off, accepted is None or abs(off) <= accepted))
    return sorted(out, key=lambda p: p.rank)[:keep]


def far_pack(job: Job, setup: Setup, depth_needed_mm: float) -> dict[str, Any] | None:
    """Both packs of a family with two at constant sum, chosen together; None for a family with one pack."""
    family = job.family or {}
    if family.get("packs") != "two at constant sum" or "depth" not in job.stacks:
        return None
    unit = InUnit(units_of(job))
    mm = Fraction(setup.mm_per_unit)
    if "far" not in job.stacks:
        missing = "State the far pack that is in now: the sum of both sets the preload."
        return {"needed_mm": None, "say": missing}
    total = sum((Fraction(unit(str(job.stacks[k].thickness))) for k in ("depth", "far")), Fraction(0))
    needed = Fraction(Decimal(repr(round(depth_needed_mm, 9)))) / mm
    most = family.get("max_pieces")
    limits = Limits(most if isinstance(most, int) else MOST, setup.shims.thin_limit, setup.shims.max_thin)
    box = {k: [StockPiece(p.id, unit(str(p.thickness))) for p in free_pieces(job, k)] for k in ("depth", "far")}
    aim = setup.gearset.aim if setup.gearset.aim is not None else setup.gearset.tolerance
    share = Fraction(setup.shims.response or 1)
    accepted = None if aim is None else Fraction(aim) / share
    found = pairs_of_packs(box["depth"], box["far"], needed, total, limits, accepted)
    far_needed = float((total - needed) * mm)
    out: dict[str, Any] = {
        "sum_mm": float(total * mm),
        "needed_mm": far_needed,
        "pieces": [],
        "total_mm": None,
        "sum_off_mm": None,
        "depth": None,
        "runner_up": None,
        "order": [],
        "diameters": diameters_for(job, "far"),
    }
    say = [f"The far pack becomes {far_needed:.4f} mm, so that the sum stays {out['sum_mm']:.3f} mm."]
    rows = [_row(p, mm) for p in found]
    good = [r for r, p in zip(rows, found, strict=True) if p.reaches]
    if good:
        out |= good[0]
        out["runner_up"] = good[1] if len(good) > 1 else None
        say.append(f"Both from the box: {_words(good[0])}.")
        say += [f"Next best: {_words(r)}." for r in good[1:]]
    step = setup.shims.order_grades
    off = None if not good else abs(found[0].sum_off)
    if step is not None and (off is None or off > Fraction(step.step) / 2):
        grades = order(total - needed, step.from_, step.to, step.step)
        out["order"] = [
            {"thickness": str(g.thickness), "thickness_mm": float(Fraction(g.thickness) * mm), "role": g.role}
            for g in grades
        ]
        if grades:
            names = ", ".join(f"{g.thickness} {setup.units} ({g.role})" for g in grades)
            say.append(f"Order for the far pack: {names}. {diameters_say(out['diameters'])}")
    return out | {"say": " ".join(say)}


def _row(p: Pair, mm: Fraction) -> dict[str, Any]:
    def listed(c: Choice) -> list[dict[str, object]]:
        return [{"id": x.id, "thickness_mm": float(Fraction(x.thickness) * mm)} for x in c.pieces]

    return {
        "pieces": listed(p.far),
        "total_mm": float(Fraction(p.far.total) * mm),
        "sum_off_mm": float(p.sum_off * mm),
        "depth": {
            "pieces": listed(p.depth),
            "total_mm": float(Fraction(p.depth.total) * mm),
            "off_mm": float(p.depth_off * mm),
        },
    }


def _words(row: Mapping[str, Any]) -> str:
    depth, far = (" + ".join(x["id"] for x in part["pieces"]) for part in (row["depth"], row))
    return (
        f"depth {depth} = {row['depth']['total_mm']:.3f} mm ({row['depth']['off_mm']:+.3f} mm off), far {far} = {row['total_mm']:.3f} mm; "
        f"sum {row['sum_off_mm']:+.3f} mm off"
    )
