"""Side shims: transfers, signs, pinch, ratios learnt, both sides from one box, and the plan made of them."""

from __future__ import annotations

import itertools
import json
import random
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.backlash_ruling import judge_backlash
from analysis.carrier import (
    Move,
    PreloadEffect,
    SignError,
    backlash,
    check_signs,
    learnt_ratio,
    pinch,
    ratios_from_gears,
    ring_movement,
    sum_for,
    transfer,
)
from analysis.carrier_plan import carrier_for
from analysis.pairs import JointChoice, joint_choices
from analysis.setup import parse_setup
from analysis.shims import Limits, StockPiece
from analysis.subsets import TooManyStacksError

# Backlash


def test_mean_spread_and_tight_spot() -> None:
    b = backlash([0.12, 0.19, 0.10, 0.20])
    assert b.mean == pytest.approx(0.1525, abs=1e-12)
    assert b.spread == pytest.approx(0.10, abs=1e-12)
    assert (b.smallest, b.largest, b.tight_spot) == (0.10, 0.20, 3)


def test_readings_are_scaled_to_the_tooth() -> None:
    b = backlash([0.113, 0.116], 62, 88)
    assert b.places == pytest.approx((0.113 * 88 / 62, 0.116 * 88 / 62), rel=1e-12)


@pytest.mark.parametrize(("readings", "radii"), [([], (None, None)), ([0.1], (62, None)), ([0.1], (None, 88))])
def test_backlash_needs_readings_and_both_radii(readings: list[float], radii: tuple[Any, Any]) -> None:
    with pytest.raises(ValueError, match=r"no backlash reading|one radius"):
        backlash(readings, *radii)


@pytest.mark.parametrize(
    ("places", "finding"),
    [
        ([0.14, 0.15, 0.16], "within"),
        ([0.10, 0.15, 0.15], "within"),
        ([0.15, 0.20, 0.16], "within"),
        ([0.09, 0.12, 0.13], "too small"),
        ([0.17, 0.21, 0.18], "too large"),
        ([0.12, 0.19, 0.13, 0.20], "uneven"),
        ([0.09, 0.17], "uneven"),
    ],
)
def test_no_place_may_lie_outside_and_spread_comes_first(places: list[float], finding: str) -> None:
    r = judge_backlash(backlash(places), 0.15, 0.05, 0.05)
    assert r.finding == finding
    assert ("run-out" in r.say) == (finding == "uneven")


@pytest.mark.parametrize(
    "places", [[0.09, 0.25], [0.09, 0.18, 0.19, 0.19], [0.11, 0.11, 0.11, 0.22]], ids=["both", "tight", "loose"]
)
def test_what_no_movement_cures_is_uneven_without_a_spread_limit(places: list[float]) -> None:
    assert judge_backlash(backlash(places), 0.15, 0.05, None).finding == "uneven"


def test_limits_that_are_not_stated_are_not_filled_in() -> None:
    assert judge_backlash(backlash([0.1]), None, None, None).finding == "not ruled"
    assert judge_backlash(backlash([0.1]), 0.15, None, None).finding == "not ruled"
    assert judge_backlash(backlash([0.1, 0.2]), None, None, 0.05).finding == "uneven"


# Ratio


def test_ratio_learnt() -> None:
    assert learnt_ratio(0.27, 0.18, 0.13) == pytest.approx(0.09 / 0.13, rel=1e-12)
    assert learnt_ratio(0.10, 0.18, -0.13) == pytest.approx(0.08 / 0.13, rel=1e-12)
    with pytest.raises(ValueError, match="which way each side shim moves it"):
        learnt_ratio(0.18, 0.27, 0.13)
    with pytest.raises(ValueError, match="not moved"):
        learnt_ratio(0.18, 0.27, 0)


@given(st.floats(0.05, 0.5), st.floats(0.05, 0.3), st.floats(0.3, 1.2))
def test_movement_and_ratio_are_each_other_undone(mean: float, wanted: float, ratio: float) -> None:
    move = ring_movement(mean, wanted, ratio)
    assert mean - ratio * move == pytest.approx(wanted, abs=1e-12)
    if abs(move) > 1e-6:
        assert learnt_ratio(mean, wanted, move) == pytest.approx(ratio, rel=1e-6)
    assert abs(ring_movement(mean, wanted, ratio, 0.02) - move) <= 0.01 + 1e-12


def test_both_gears_shift_the_backlash_by_their_teeth() -> None:
    r = ratios_from_gears(20, 20, 20, 0)
    assert r.ring_along == pytest.approx(r.pinion_along, rel=1e-12)


# Transfers and signs

PLACED: list[tuple[Move, Move, PreloadEffect, PreloadEffect]] = [
    ("toward", "away", "more", "more"),
    ("away", "toward", "less", "less"),
    ("toward", "toward", "more", "less"),
    ("away", "away", "less", "more"),
]


def position(left: float, right: float, signs: tuple[Move, Move, PreloadEffect, PreloadEffect]) -> tuple[float, float]:
    """Ring toward the pinion and pinch, of equally stiff sides: each shim pushes its own side by itself."""
    s = [1 if m == "toward" else -1 for m in signs[:2]]
    p = [1 if e == "more" else -1 for e in signs[2:]]
    return 0.5 * (s[0] * left + s[1] * right), p[0] * left + p[1] * right


@pytest.mark.parametrize("signs", PLACED)
@pytest.mark.parametrize("move", [0.13, -0.08])
def test_a_transfer_moves_the_ring_and_keeps_the_preload(
    signs: tuple[Move, Move, PreloadEffect, PreloadEffect], move: float
) -> None:
    check_signs(*signs)
    s = transfer(1.80, 1.86, move, signs[0], signs[1])
    before, after = position(1.80, 1.86, signs), position(s.left, s.right, signs)
    assert after[0] - before[0] == pytest.approx(move, abs=1e-12)
    assert after[1] == pytest.approx(before[1], abs=1e-12)
    if signs[2] == signs[3]:
        assert s.left + s.right == pytest.approx(3.66, abs=1e-12)


@pytest.mark.parametrize(
    "signs",
    [
        ("toward", "toward", "more", "more"),
        ("toward", "away", "more", "less"),
        ("away", "away", "less", "less"),
        ("away", "toward", "less", "more"),
    ],
)
def test_signs_no_carrier_can_have(signs: tuple[Move, Move, PreloadEffect, PreloadEffect]) -> None:
    with pytest.raises(SignError, match="placed alike"):
        check_signs(*signs)


def test_a_shim_cannot_vanish() -> None:
    with pytest.raises(ValueError, match="cannot be that thin"):
        transfer(0.05, 1.0, 0.06, "away", "toward")


def test_under_a_flange_thicker_is_less_preload() -> None:
    """0.10 more under the flange: 0.10 less pinch (common practice)."""
    assert pinch(1.80, 1.86, 3.46, "more") == pytest.approx(0.20, abs=1e-12)
    assert pinch(1.90, 1.86, 3.46, "more") == pytest.approx(0.30, abs=1e-12)
    before = pinch(1.60, 1.66, 3.46, "less")
    assert pinch(1.70, 1.66, 3.46, "less") - before == pytest.approx(-0.10, abs=1e-12)
    assert sum_for(3.46, 0.20, "more") == pytest.approx(3.66, abs=1e-12)
    assert sum_for(3.46, 0.20, "less") == pytest.approx(3.26, abs=1e-12)


# Both sides from one box

BOX_UM = {100: 2, 127: 2, 152: 1, 203: 2, 254: 2, 305: 1, 508: 2, 762: 1}


def pieces(micrometres: list[int]) -> list[StockPiece]:
    return [StockPiece(f"P{n}", Decimal(t) / 1000) for n, t in enumerate(micrometres)]


def joint_choice(stock: list[StockPiece], total: Fraction, difference: Fraction, limits: Limits) -> JointChoice | None:
    return next(iter(joint_choices(stock, total, difference, limits, keep=1)), None)


def test_known_pair() -> None:
    """Sum 2.710, difference 0.116, four a side: 0.006 and 0.010 off with eight pieces (integer program and brute force)."""
    stock = pieces([t for t, n in BOX_UM.items() for _ in range(n)])
    c = joint_choice(stock, Fraction(2710, 1000), Fraction(116, 1000), Limits(4))
    assert c is not None
    assert float(c.off) * 1000 + 0.001 * (len(c.left) + len(c.right)) == pytest.approx(16.008, abs=1e-6)
    left, right = c.totals
    assert (left, right) == (Decimal("1.421"), Decimal("1.295"))


def pairs_by_hand(
    stock: list[int], total: int, difference: int, most: int, thin: int, max_thin: int | None
) -> tuple[int, int] | None:
    """Least objective and fewest pieces, over every pair of index sets."""
    sides = [c for n in range(1, most + 1) for c in itertools.combinations(range(len(stock)), n)]
    sides = [c for c in sides if max_thin is None or sum(stock[i] < thin for i in c) <= max_thin]
    best: tuple[int, int] | None = None
    for a in sides:
        left = sum(stock[i] for i in a)
        for b in sides:
            if set(a) & set(b):
                continue
            right = sum(stock[i] for i in b)
            key = (abs(left + right - total) + abs(left - right - difference), len(a) + len(b))
            best = key if best is None or key < best else best
    return best


def test_two_hundred_boxes() -> None:
    r = random.Random(8)
    for _ in range(200):
        grid = r.choice([1, 10, 50])
        stock = [r.randint(2, 900 // grid) * grid for _ in range(r.randint(1, 8))]
        total, difference, most = r.randint(200, 3000), r.randint(-400, 400), r.randint(1, 3)
        max_thin = r.choice([None, 0, 1])
        c = joint_choice(
            pieces(stock),
            Fraction(total, 1000),
            Fraction(difference, 1000),
            Limits(most, Decimal("0.2"), max_thin),
        )
        best = pairs_by_hand(stock, total, difference, most, 200, max_thin)
        assert (None if c is None else (int(c.off * 1000), len(c.left) + len(c.right))) == best
        if c is not None:
            ids = [p.id for p in c.left + c.right]
            assert len(set(ids)) == len(ids)


def test_fewest_pieces_even_where_one_side_alone_is_farther_off() -> None:
    """Left 0.500 and right 1.000: 0.250 + 0.250 is right on, but the right side is 0.010 off either way."""
    c = joint_choice(pieces([250, 250, 510, 1010]), Fraction(15, 10), Fraction(-5, 10), Limits(2))
    assert c is not None
    assert c.off == Fraction(20, 1000)
    assert [p.thickness for p in c.left + c.right] == [Decimal("0.51"), Decimal("1.01")]


def test_a_box_that_cannot_fill_both_sides_and_one_too_large() -> None:
    assert joint_choice(pieces([500]), Fraction(1), Fraction(0), Limits(4)) is None
    with pytest.raises(TooManyStacksError, match="allow fewer pieces"):
        joint_choice(pieces(list(range(100, 500))), Fraction(1), Fraction(0), Limits(6))


# The plan


def carrier(**changes: Any) -> dict[str, Any]:
    """Inside shims, ring side left; sum 3.66 with a pinch of 0.20 (invented)."""
    base: dict[str, Any] = {
        "left": Decimal("1.80"),
        "right": Decimal("1.86"),
        "zero_play_sum": Decimal("3.46"),
        "preload_pinch": Decimal("0.20"),
        "sign": {"left": "toward", "right": "away"},
        "preload_sign": {"left": "more", "right": "more"},
        "step": Decimal("0.01"),
        "backlash": {
            "places": [Decimal("0.27"), Decimal("0.28"), Decimal("0.26"), Decimal("0.27")],
            "target": Decimal("0.18"),
            "tolerance": Decimal("0.03"),
            "spread_limit": Decimal("0.05"),
            "ratio": Decimal("0.70"),
        },
    }
    for key, value in changes.items():
        if value is None:
            del base[key]
        elif isinstance(value, dict):
            base[key] = {k: v for k, v in (base.get(key, {}) | value).items() if v is not None}
        else:
            base[key] = value
    return base


def plan(data: dict[str, Any], units: str = "mm") -> dict[str, Any]:
    out = carrier_for(parse_setup({"units": units, "carrier": data}))
    assert out is not None
    json.dumps(out, allow_nan=False)
    return out


def test_transfer_at_constant_sum() -> None:
    out = plan(carrier())
    assert out["pinch_mm"] == pytest.approx(0.20, abs=1e-9)
    assert out["backlash"]["finding"] == "too large"
    assert out["ring_toward_mm"] == pytest.approx(0.13, abs=1e-9)
    assert (out["left_mm"], out["right_mm"]) == pytest.approx((1.93, 1.73), abs=1e-9)
    assert out["predicted_mm"] == pytest.approx(0.179, abs=1e-9)
    assert "0.130 mm toward the pinion" in out["say"]
    assert "the preload stays" in out["say"]


def test_a_side_under_a_flange_the_other_way_round() -> None:
    flanges = {"sign": {"left": "away", "right": "toward"}, "preload_sign": {"left": "less", "right": "less"}}
    out = plan(carrier(**flanges, zero_play_sum=Decimal("3.86")))
    assert out["pinch_mm"] == pytest.approx(0.20, abs=1e-9)
    assert (out["left_mm"], out["right_mm"]) == pytest.approx((1.67, 1.99), abs=1e-9)


def test_too_little_pinch_is_put_right_first() -> None:
    out = plan(carrier(preload_pinch=Decimal("0.25")))
    assert "add 0.050 mm" in out["say"]
    flanges = {"sign": {"left": "away", "right": "toward"}, "preload_sign": {"left": "less", "right": "less"}}
    out = plan(carrier(**flanges, zero_play_sum=Decimal("3.86"), preload_pinch=Decimal("0.25")))
    assert "take out 0.050 mm" in out["say"]


def test_run_out_first_and_no_transfer() -> None:
    out = plan(carrier(backlash={"places": [0.12, 0.19, 0.13, 0.20], "target": Decimal("0.15")}))
    assert out["backlash"]["finding"] == "uneven"
    assert out["ring_toward_mm"] is None
    assert out["left_mm"] is None
    assert "run-out first" in out["say"]


def test_within_moves_nothing() -> None:
    out = plan(carrier(backlash={"places": [0.18, 0.19, 0.17, 0.18]}))
    assert out["backlash"]["finding"] == "within"
    assert out["left_mm"] is None


@pytest.mark.parametrize(
    ("changes", "word"),
    [
        ({"backlash": {"ratio": None}}, "State carrier.backlash.ratio"),
        ({"sign": None}, "State carrier.sign"),
        ({"sign": {"left": "unknown"}}, "State carrier.sign"),
        ({"left": None}, "State carrier.left and carrier.right"),
        ({"preload_sign": None}, "State carrier.preload_sign"),
        ({"backlash": {"places": None}}, "State carrier.backlash.places"),
        ({"backlash": {"tolerance": None}}, "limits are not stated"),
        ({"preload_pinch": None}, "the manual's figure is not stated"),
    ],
)
def test_what_is_missing_is_asked_for_not_assumed(changes: dict[str, Any], word: str) -> None:
    out = plan(carrier(**changes))
    assert word in out["say"]
    if "pinch" not in word and "preload_sign" not in word and "manual" not in word:
        assert out["left_mm"] is None


def test_ratio_from_the_gears() -> None:
    gears = {"pinion_teeth": 8, "ring_teeth": 31, "pressure_angle": 20, "spiral_angle": 35}
    out = plan(carrier(backlash={"ratio": None}, gears=gears | {"indicator": "along"}))
    assert out["ratio"] == pytest.approx(0.86046, abs=1e-5)
    assert out["ratio_source"] == "geometric"
    out = plan(carrier(backlash={"ratio": None}, gears=gears | {"indicator": "square"}))
    assert out["ratio"] == pytest.approx(0.66234, abs=1e-5)
    # A stated ratio, learnt from this unit, goes before geometry.
    assert plan(carrier(gears=gears | {"indicator": "along"}))["ratio"] == pytest.approx(0.70, abs=1e-12)


def test_contradicting_signs_give_words_and_no_shims() -> None:
    out = plan(carrier(preload_sign={"left": "more", "right": "less"}))
    assert "placed alike" in out["say"]
    assert out["left_mm"] is None


def test_one_inside_and_one_under_a_flange_have_no_pinch_by_sum() -> None:
    out = plan(carrier(sign={"right": "toward"}, preload_sign={"right": "less"}))
    assert out["pinch_mm"] is None
    assert "their sum says nothing" in out["say"]
    assert (out["left_mm"], out["right_mm"]) == pytest.approx((1.93, 1.99), abs=1e-9)


def test_both_sides_from_the_box() -> None:
    stock = [
        {"thickness": Decimal(t), "id": n}
        for n, t in (("a", "0.93"), ("b", "1.00"), ("c", "0.73"), ("d", "1.00"), ("e", "1.50"))
    ]
    out = plan(carrier(stock=stock, max_pieces=2))
    assert {p["id"] for p in out["stock"]["left"]} in ({"a", "b"}, {"a", "d"})
    assert out["stock"]["sum_off_mm"] == pytest.approx(0.0, abs=1e-9)
    assert out["stock"]["difference_off_mm"] == pytest.approx(0.0, abs=1e-9)
    assert "State carrier.max_pieces" in plan(carrier(stock=stock))["say"]


def test_a_box_too_large_or_too_empty_says_so() -> None:
    many = [{"thickness": Decimal(t) / 1000} for t in range(900, 1100)]
    assert "The box was not searched" in plan(carrier(stock=many, max_pieces=6))["say"]
    out = plan(carrier(stock=many[:1], max_pieces=2))
    assert "does not hold a shim for either side" in out["say"]
    assert out["stock"] is None


def test_inches() -> None:
    inch = {
        "left": Decimal("0.2420"),
        "right": Decimal("0.2510"),
        "zero_play_sum": None,
        "preload_pinch": None,
        "step": Decimal("0.002"),
    }
    bl = {
        "places": [Decimal(x) for x in ("0.0125", "0.0130", "0.0120", "0.0128")],
        "target": Decimal("0.0075"),
        "tolerance": Decimal("0.0015"),
        "spread_limit": Decimal("0.002"),
        "ratio": Decimal("0.65"),
    }
    out = plan(carrier(**inch, backlash=bl), "in")
    assert (out["left_mm"] / 25.4, out["right_mm"] / 25.4) == pytest.approx((0.2500, 0.2430), abs=1e-9)
    assert out["predicted_mm"] / 25.4 == pytest.approx(0.007375, abs=1e-9)


def test_nothing_said_of_the_carrier_gives_no_plan() -> None:
    assert carrier_for(parse_setup({})) is None
