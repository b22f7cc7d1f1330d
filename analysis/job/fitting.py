"""Shims: measured, and put in."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from decimal import Decimal

from analysis.job.conditions import VOIDS, Change
from analysis.job.entries import Entry
from analysis.job.quantities import Quantity, quantity
from analysis.job.records import DepthMove, Piece, SideMove, Stack, Taken, mean_of
from analysis.job.state import Job, void
from analysis.plausibility import LARGE_ERROR_MM

SHIM_SPREAD_MM = Decimal("0.010")
"""Spread over one shim from which it is not used, where no limit is stated (common practice, no source)."""

STACK_APART_MM = Decimal("0.010")
"""Difference between a stack measured and the sum of its pieces that means dirt, burrs or oil (common practice, no source)."""

MARKED_APART_MM = Decimal("0.03")
"""Difference between a shim and its marked size from which it is measured again (common practice, no source; 0.01 mm is usual)."""

THIMBLE = (("0.5 mm", Decimal("0.5")), ("0.025 in", Decimal("0.635")))
"""One turn of a micrometer's thimble: the classic slip."""

THINNEST_MM, THICKEST_MM = Decimal("0.04"), Decimal("15")
"""Shims thinner or thicker than any that is made: likelier a figure in the other unit (common practice, no source)."""

SUM_KEPT_MM = Decimal("0.0005")
"""Change of the sum of both side shims that is no change."""


def pending_move(job: Job) -> bool:
    """A change of shim that no set has followed yet."""
    last = job.depth_moves[-1].n if job.depth_moves else 0
    return last > 0 and not any(r.kind == "depth" and r.n > last for r in job.readings)


def without_base(m: DepthMove) -> DepthMove:
    """A change that no set can be compared across."""
    return DepthMove(m.n, m.old, m.new, None, None)


def fit(job: Job, e: Entry) -> None:
    """Shims put in at a place."""
    place = str(e.data["place"])
    stack = _stack(job, e)
    if stack is None:
        return
    old = job.stacks.get(place)
    if place == "depth":
        base = base_set(job)
        if old is not None:
            stack = replace(stack, odd=_too_much(job, old, stack))
        recorded = e.data.get("predicted")
        known = old is not None and base is not None
        job.depth_moves.append(
            DepthMove(
                e.n, old, stack, base.n if known and base else None, recorded if isinstance(recorded, dict) else None
            )
        )
        # Shims first written down are those that are in already.
        if old is not None:
            void(job, e, Change("depth-shim", f"depth shim {old.thickness.brief} to {stack.thickness.brief}"))
            job.state.pop("turns", None)
    elif place == "far":
        if old is not None and old.thickness.mm != stack.thickness.mm:
            void(job, e, Change("far-shim", f"far pack {old.thickness.brief} to {stack.thickness.brief}"))
    elif place == "spacer":
        if old is not None and old.thickness.mm != stack.thickness.mm:
            void(
                job,
                e,
                Change("spacer-shim", f"shim beside the spacer {old.thickness.brief} to {stack.thickness.brief}"),
            )
            job.state.pop("turns", None)
    elif old is not None:
        job.side_moves.append(SideMove(e.n, place, old, stack))
        void(job, e, Change("side-shim", f"{place} shim {old.thickness.brief} to {stack.thickness.brief}"))
    else:
        job.side_moves.append(SideMove(e.n, place, None, stack))
    job.stacks[place] = stack


def _too_much(job: Job, old: Stack, new: Stack) -> str:
    """What is odd about the size of a change of the depth shim; empty where nothing is."""
    change = new.thickness.mm - old.thickness.mm
    family = job.family or {}
    if abs(change) > Decimal(str(LARGE_ERROR_MM)):
        return f"a change of {change:+.3f} mm is more than {LARGE_ERROR_MM:.2f} mm"
    if "grades_from" in family and family.get("max_pieces") == 1:
        low, high = (quantity(family[k], "length").mm for k in ("grades_from", "grades_to"))
        if not low <= new.thickness.mm <= high:
            return (
                f"{new.thickness.brief} lies outside the grades made ({low.normalize():f} to {high.normalize():f} mm)"
            )
    return ""


def question_of_change(job: Job) -> str:
    """Question the last change of the depth shim raises by its size, before anything is measured on it; empty where there is none."""
    m = job.depth_moves[-1] if job.depth_moves else None
    if m is None or not m.new.odd or m.base is None or not pending_move(job):
        return ""
    if (m.base, "large change") in job.confirmed:
        return ""
    return (
        f"Stop: {m.new.odd}. Look for a slip of the pen, a unit or a sign first, and put entry {m.n} right; if it is right, "
        f"confirm the large change at set {m.base}, with the reason."
    )


def base_set(job: Job) -> Taken | None:
    """The set a change of the depth shim starts from."""
    return job.latest("depth") or _as_found(job)


def _as_found(job: Job) -> Taken | None:
    """The as-found set, where it still tells how the pinion stood with its old bearings."""
    for r in reversed(job.readings):
        if r.kind == "depth" and r.phase == "as-found" and r.status == "past":
            return None if any("bearing" in v.reason for v in r.past) else r
    return None


def _stack(job: Job, e: Entry) -> Stack | None:
    given = e.data.get("pieces")
    names = [str(x) for x in given] if isinstance(given, list) else []
    unknown = [n for n in names if n not in job.pieces]
    measured = quantity(e.data["stack"], "length") if "stack" in e.data else None
    if unknown and measured is None:
        job.problems.append(f"entry {e.n} fits {', '.join(unknown)}, which nobody has measured; it is not used")
        return None
    doubt = ""
    rejected = [n for n in names if n in job.pieces and job.pieces[n].rejected]
    if rejected:
        doubt = f"{', '.join(rejected)} should not be used: {job.pieces[rejected[0]].rejected}"
    if unknown or not names:
        assert measured is not None
        return Stack(e.n, measured, tuple(names), doubt or no_shim(measured))
    parts = [job.pieces[n].thickness for n in names]
    total = _sum(parts)
    if measured is not None:
        apart = measured.mm - total.mm
        if abs(apart) > STACK_APART_MM:
            doubt = f"the stack measures {apart:+.4f} mm against the sum of its pieces: look for burrs, dirt, oil or a wavy shim"
        return Stack(e.n, measured, tuple(names), doubt)
    return Stack(e.n, total, tuple(names), doubt, len(names))


def _sum(parts: Sequence[Quantity]) -> Quantity:
    if len({p.unit for p in parts}) == 1:
        return Quantity(sum((p.value for p in parts), Decimal(0)), parts[0].unit)
    return Quantity(sum((p.mm for p in parts), Decimal(0)), "mm")


def piece(job: Job, e: Entry) -> None:
    """A shim measured."""
    unit = str(e.data["unit"])
    mean, spread = mean_of(e.data["readings"], unit)
    limit = job.limit_mm("shim-spread")
    most = SHIM_SPREAD_MM if limit is None else limit
    why = "" if spread.mm <= most else f"its spots differ by {spread}, more than {most.normalize():f} mm"
    why = why or no_shim(mean)
    if not why and "marked" in e.data:
        why = _unlike_its_mark(mean, quantity(e.data["marked"], "length"))
    name = str(e.data["id"])
    job.pieces[name] = Piece(name, e.n, mean, spread, str(e.data.get("place", "depth")), e.data, why)


def no_shim(thickness: Quantity) -> str:
    """Why a thickness is none that a shim has; empty where it may be one."""
    if THINNEST_MM <= thickness.mm <= THICKEST_MM:
        return ""
    other = "in" if thickness.unit == "mm" else "mm"
    there = Quantity(thickness.value, other)
    asked = f"; was it {there.brief}?" if THINNEST_MM <= there.mm <= THICKEST_MM else ""
    return f"{thickness.brief} is no thickness of a shim{asked}"


def in_two_places(job: Job) -> None:
    """Note shims that are written down at two places at once, or at a place they were not measured for."""
    where: dict[str, str] = {}
    for place, stack in job.stacks.items():
        for name in stack.pieces:
            if name in where:
                job.problems.append(
                    f"entry {stack.entry} has shim {name} in at {place}, and it is in at {where[name]} too: write down what is in there now"
                )
            where.setdefault(name, place)
            piece = job.pieces.get(name)
            side = "side" if place in ("left", "right") else place
            if piece is not None and "place" in piece.data and piece.place != side:
                job.problems.append(
                    f"entry {stack.entry} has shim {name} in at {place}, which was measured as one for {piece.place}: look at the diameters"
                )


def _unlike_its_mark(mean: Quantity, marked: Quantity) -> str:
    """Why a shim's thickness cannot be believed beside its marked size; empty where it can."""
    apart = mean.mm - marked.mm
    if abs(apart) <= MARKED_APART_MM:
        return ""
    turn = next((name for name, t in THIMBLE if abs(abs(apart) - t) <= MARKED_APART_MM), None)
    cause = f"about one turn of the thimble ({turn})" if turn else "more than a shim differs from its marking"
    return f"it measures {apart:+.3f} mm against its marked {marked}, {cause}; measure it again, or leave the marked size out if it is wrong"


def side_sums(job: Job) -> None:
    """Void a carrier preload measured with another sum of side shims than is in now."""
    now = _side_sum(job.stacks)
    last = job.side_moves[-1].n if job.side_moves else 0
    for r in job.readings:
        then = _side_sum(r.stacks)
        if r.kind != "carrier-preload" or now is None or then is None or abs(now - then) <= SUM_KEPT_MM:
            continue
        why = VOIDS["side-sum"]["carrier-preload"]
        what = f"sum of the side shims {Quantity(then, 'mm').brief} to {Quantity(now, 'mm').brief}"
        r.undo(last, what, why, past=True)


def _side_sum(stacks: Mapping[str, Stack]) -> Decimal | None:
    if "left" not in stacks or "right" not in stacks:
        return None
    return stacks["left"].thickness.mm + stacks["right"].thickness.mm
