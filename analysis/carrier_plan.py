"""What to do with the carrier's side shims: from backlash readings and signs to a transfer, and the sentence for it.

Order of work: run-out before backlash where the readings differ too much round the ring; preload by the sum, then backlash
by transfer.  Figures and signs come from the set-up; none is filled in.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from analysis.backlash_ruling import judge_backlash
from analysis.carrier import (
    Backlash,
    Move,
    PreloadEffect,
    SignError,
    backlash,
    check_signs,
    pinch,
    ratios_from_gears,
    ring_movement,
    sum_for,
    transfer,
)
from analysis.pairs import JointChoice, joint_choices
from analysis.setup import Setup
from analysis.shims import Limits, StockPiece
from analysis.subsets import TooManyStacksError

NEAR_MM = 0.005
"""A box that comes this near needs no order, where no step of the shims is stated, and a pinch this near no other shims (common practice,
no source)."""


def carrier_for(setup: Setup) -> dict[str, object] | None:
    """The carrier's state and next step, lengths in mm; None when the set-up says nothing of backlash or side shims.

    Keys: ``backlash`` (places, mean, spread, smallest, largest, tight spot, finding), ``pinch_mm``, ``ratio`` with
    its source, ``ring_toward_mm``, ``left_mm``, ``right_mm``, ``predicted_mm``, ``stock`` with its ``runner_up``, ``order``, ``say``.
    """
    c = setup.carrier
    if c.backlash is None and c.left is None and c.right is None:
        return None
    out: dict[str, object] = {
        "backlash": None,
        "pinch_mm": None,
        "ratio": None,
        "ratio_source": None,
        "ring_toward_mm": None,
        "left_mm": None,
        "right_mm": None,
        "predicted_mm": None,
        "stock": None,
        "order": None,
    }
    say: list[str] = []
    try:
        _plan(setup, out, say)
    except (SignError, ValueError) as e:
        say.append(f"{e}.")
    out["say"] = " ".join(say)
    return out


def _plan(setup: Setup, out: dict[str, object], say: list[str]) -> None:
    mm = float(setup.mm_per_unit)
    thicker = _preload_effect(setup)
    sum_holds = _pinch(setup, thicker, out, say)
    b = _readings(setup)
    if b is None:
        say.append("State carrier.backlash.places: the readings at 3 or 4 equally spaced places.")
        return
    bl = setup.carrier.backlash
    assert bl is not None
    target, tolerance = setup.to_mm(bl.target), setup.to_mm(bl.tolerance)
    found = judge_backlash(b, target, tolerance, setup.to_mm(bl.spread_limit))
    say.append(found.say)
    out["backlash"] = {
        "places_mm": list(b.places),
        "mean_mm": b.mean,
        "spread_mm": b.spread,
        "smallest_mm": b.smallest,
        "largest_mm": b.largest,
        "tight_spot": b.tight_spot,
        "finding": found.finding,
    }
    if found.finding not in ("too small", "too large") or target is None:
        return
    ratio, source = _ratio(setup)
    out |= {"ratio": ratio, "ratio_source": source}
    if ratio is None:
        say.append(
            "State carrier.backlash.ratio (backlash per movement of the ring gear: from the manual, from carrier.gears, or learnt from a first move)."
        )
        return
    if not sum_holds:
        say.append(
            "Set that sum first and read the backlash again; then shims go from one side to the other and the sum stays."
        )
        return
    step = setup.to_mm(setup.carrier.step)
    move = ring_movement(b.mean, target, ratio, step)
    out |= {"ring_toward_mm": move, "predicted_mm": b.mean - ratio * move}
    way = "toward" if move > 0 else "away from"
    say.append(f"Move the ring gear {abs(move):.3f} mm {way} the pinion ({source} ratio {ratio:.3f}).")
    _sides(setup, move, mm, out, say)


def _readings(setup: Setup) -> Backlash | None:
    bl = setup.carrier.backlash
    if bl is None or not bl.places:
        return None
    places = [float(p * setup.mm_per_unit) for p in bl.places]
    lean = float(bl.plunger_angle) if bl.plunger_angle is not None else 0.0
    if bl.tooth_radius is None:
        return backlash(places, plunger_deg=lean)
    return backlash(places, setup.to_mm(bl.radius), setup.to_mm(bl.tooth_radius), lean)


def _ratio(setup: Setup) -> tuple[float | None, str | None]:
    bl, gears = setup.carrier.backlash, setup.carrier.gears
    if bl is not None and bl.ratio is not None:
        return float(bl.ratio), "stated"
    if gears is None:
        return None, None
    r = ratios_from_gears(gears.pinion_teeth, gears.ring_teeth, float(gears.pressure_angle), float(gears.spiral_angle))
    return (r.ring_along if gears.indicator == "along" else r.ring_square), "geometric"


def _preload_effect(setup: Setup) -> PreloadEffect | None:
    """What a thicker shim does to the preload, where both sides do the same."""
    c = setup.carrier
    left, right, pl, pr = c.sign.left, c.sign.right, c.preload_sign.left, c.preload_sign.right
    if left in (None, "unknown") or right in (None, "unknown"):
        left = right = None
    if pl is None or pr is None or pl == "unknown" or pr == "unknown":
        return None
    if left is not None and right is not None:
        check_signs(_move(left), _move(right), pl, pr)
    return pl if pl == pr else None


def _move(text: str) -> Move:
    return "toward" if text == "toward" else "away"


def _pinch(setup: Setup, thicker: PreloadEffect | None, out: dict[str, object], say: list[str]) -> bool:
    """Tell the pinch; False where the sum of both sides has to change, so that a transfer at the sum of now would be ordered in vain."""
    c = setup.carrier
    left, right, zero = setup.to_mm(c.left), setup.to_mm(c.right), setup.to_mm(c.zero_play_sum)
    if left is None or right is None or zero is None:
        return True
    if (
        thicker is None
        and c.preload_sign.left not in (None, "unknown")
        and c.preload_sign.right not in (None, "unknown")
    ):
        say.append(
            "One shim stands inside and one under a flange: their sum says nothing of the pinch; measure play or torque."
        )
        return True
    if thicker is None:
        say.append("State carrier.preload_sign (what a thicker shim does to the preload, per side) to get the pinch.")
        return True
    has = pinch(left, right, zero, thicker)
    out["pinch_mm"] = has
    wanted = setup.to_mm(c.preload_pinch)
    if wanted is None:
        say.append(f"Pinch {has:+.3f} mm; the manual's figure is not stated.")
        return True
    total = sum_for(zero, wanted, thicker)
    change = total - (left + right)
    if abs(change) <= NEAR_MM + 1e-9:
        near = "as wanted" if abs(change) <= 1e-6 else f"near enough to the {wanted:+.3f} mm wanted"
        say.append(f"Pinch {has:+.3f} mm, {near}: the sum of both sides stays {left + right:.3f} mm.")
        return True
    do = "add" if change > 0 else "take out"
    say.append(
        f"Pinch {has:+.3f} mm, wanted {wanted:+.3f} mm: thicker gives {thicker} preload here, so {do} {abs(change):.3f} mm, half a side "
        f"(sum {total:.3f} mm), before setting backlash."
    )
    return False


def _sides(setup: Setup, move: float, mm: float, out: dict[str, object], say: list[str]) -> None:
    c = setup.carrier
    left, right = setup.to_mm(c.left), setup.to_mm(c.right)
    if left is None or right is None:
        say.append("State carrier.left and carrier.right, the shims fitted now, to get the new ones.")
        return
    if c.sign.left in (None, "unknown") or c.sign.right in (None, "unknown"):
        say.append(
            "State carrier.sign (which way a thicker shim moves the ring gear, left and right). It is never assumed."
        )
        return
    sides = transfer(left, right, move, _move(str(c.sign.left)), _move(str(c.sign.right)))
    out |= {"left_mm": sides.left, "right_mm": sides.right}
    say.append(
        f"Left becomes {sides.left:.3f} mm, right {sides.right:.3f} mm; the preload stays. Then read backlash again."
    )
    if c.stock:
        _from_stock(setup, sides.left / mm, sides.right / mm, out, say)
    _to_order(setup, sides.left / mm, sides.right / mm, out, say)


def _from_stock(setup: Setup, left: float, right: float, out: dict[str, object], say: list[str]) -> None:
    c = setup.carrier
    if c.max_pieces is None:
        say.append("State carrier.max_pieces, the pieces allowed a side, to choose from the box.")
        return
    stock = [StockPiece(p.id or f"#{n}", p.thickness) for n, p in enumerate(c.stock, start=1) for _ in range(p.count)]
    a, b = Fraction(round(left, 9)).limit_denominator(10**9), Fraction(round(right, 9)).limit_denominator(10**9)
    unit = float(setup.mm_per_unit)
    try:
        found = joint_choices(stock, a + b, a - b, Limits(c.max_pieces))
    except TooManyStacksError as e:
        say.append(f"The box was not searched: {e} (carrier.max_pieces).")
        return
    if not found:
        say.append("The box does not hold a shim for either side.")
        return
    rows = [_pair_row(x, left, right, unit) for x in found]
    best = rows[0]
    out["stock"] = best | {"runner_up": rows[1] if len(rows) > 1 else None}
    say.append(f"From the box: {_pair_words(best)}.")
    if len(rows) > 1:
        say.append(f"Next best: {_pair_words(rows[1])}.")


def _pair_row(found: JointChoice, left: float, right: float, unit: float) -> dict[str, Any]:
    la, lb = (float(t) * unit for t in found.totals)
    return {
        "left": [{"id": p.id, "thickness_mm": float(p.thickness) * unit} for p in found.left],
        "right": [{"id": p.id, "thickness_mm": float(p.thickness) * unit} for p in found.right],
        "left_mm": la,
        "right_mm": lb,
        "sum_off_mm": la + lb - (left + right) * unit,
        "difference_off_mm": la - lb - (left - right) * unit,
    }


def _pair_words(row: dict[str, Any]) -> str:
    left, right = (" + ".join(p["id"] for p in row[side]) for side in ("left", "right"))
    return (
        f"left {left} = {row['left_mm']:.3f} mm, right {right} = {row['right_mm']:.3f} mm; "
        f"sum {row['sum_off_mm']:+.3f} mm off, difference {row['difference_off_mm']:+.3f} mm off"
    )


def _to_order(setup: Setup, left: float, right: float, out: dict[str, object], say: list[str]) -> None:
    """What to order for either side where the box does not give it: the thickness wanted, and one step each way."""
    step = setup.to_mm(setup.carrier.step)
    stock = out["stock"]
    if isinstance(stock, dict):
        off = max(abs(float(stock["sum_off_mm"])), abs(float(stock["difference_off_mm"])))
        if off <= (0.5 * step if step is not None else NEAR_MM) + 1e-9:
            return
    unit = float(setup.mm_per_unit)
    rows: dict[str, list[dict[str, object]]] = {}
    for side, wanted in (("left", left * unit), ("right", right * unit)):
        near = [(wanted, "total")]
        if step is not None:
            near += [(wanted - step, "one thinner"), (wanted + step, "one thicker")]
        rows[side] = [{"thickness_mm": round(x, 6), "role": role} for x, role in near if x > 0]
    out["order"] = rows
    words = "; ".join(
        f"{side} " + ", ".join(f"{float(str(r['thickness_mm'])):.3f} mm ({r['role']})" for r in row)
        for side, row in rows.items()
    )
    say.append(f"Order: {words}.")
