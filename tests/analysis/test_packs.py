"""Two stacks chosen together: sides of a carrier from one box, two packs at constant sum from two; each held against every pair."""

from __future__ import annotations

import itertools
import random
from decimal import Decimal
from fractions import Fraction
from typing import Any

import pytest

from analysis.job.packs import pairs_of_packs
from analysis.pairs import joint_choices
from analysis.shims import Limits, StockPiece
from tests.analysis import job_scenarios as s
from tests.analysis.job_building import shown


def pieces(thousandths: list[int], name: str = "P") -> list[StockPiece]:
    return [StockPiece(f"{name}{n}", Decimal(t) / 1000) for n, t in enumerate(thousandths)]


def multisets(stock: list[int], most: int) -> set[tuple[int, ...]]:
    return {tuple(sorted(c)) for n in range(1, most + 1) for c in itertools.combinations(stock, n)}


def test_sides_the_best_and_the_runner_up_are_those_of_an_exhaustive_search() -> None:
    r = random.Random(11)
    for _ in range(150):
        stock = [r.randint(2, 60) * 10 for _ in range(r.randint(2, 7))]
        total, difference, most = r.randint(100, 1500), r.randint(-300, 300), r.randint(1, 3)
        keys = []
        for a, b in itertools.product(multisets(stock, most), repeat=2):
            if all((a + b).count(t) <= stock.count(t) for t in set(a + b)):
                keys.append((abs(sum(a) + sum(b) - total) + abs(sum(a) - sum(b) - difference), len(a) + len(b)))
        found = joint_choices(pieces(stock), Fraction(total, 1000), Fraction(difference, 1000), Limits(most), keep=2)
        got = [(int(c.off * 1000), len(c.left) + len(c.right)) for c in found]
        assert got == sorted(keys)[:2]


def test_packs_the_best_and_the_runner_up_are_those_of_an_exhaustive_search() -> None:
    r = random.Random(12)
    for _ in range(1000):
        depth, far = ([r.randint(200, 900) for _ in range(r.randint(1, 5))] for _ in range(2))
        needed, total, most = r.randint(300, 1500), r.randint(800, 3000), r.randint(1, 2)
        accepted = r.choice([None, 30])
        keys = []
        for a, b in itertools.product(multisets(depth, most), multisets(far, most)):
            off = abs(sum(a) - needed)
            keys.append((accepted is not None and off > accepted, off + abs(sum(a) + sum(b) - total), len(a) + len(b)))
        found = pairs_of_packs(
            pieces(depth, "D"),
            pieces(far, "F"),
            Fraction(needed, 1000),
            Fraction(total, 1000),
            Limits(most),
            None if accepted is None else Fraction(accepted, 1000),
        )
        got = [
            (not p.reaches, int((abs(p.depth_off) + abs(p.sum_off)) * 1000), len(p.depth.pieces) + len(p.far.pieces))
            for p in found
        ]
        assert got == sorted(keys)[: len(got)]
        assert len(got) == min(2, len(keys))


def test_scenario_three_gives_both_packs_a_runner_up_and_no_order() -> None:
    far = shown(s.THREE_START + s.THREE_HOT + s.THREE_COLD)["shim"]["far"]
    assert [p["id"] for p in far["depth"]["pieces"]] == ["h1.262"]
    assert [p["id"] for p in far["pieces"]] == ["f1.112"]
    assert far["runner_up"] is not None
    assert "Next best" in far["say"]
    assert far["order"] == []


def test_a_far_pack_that_is_not_in_the_box_is_ordered_with_its_diameters() -> None:
    rows: list[Any] = [
        (k, d)
        for k, d in s.THREE_START + s.THREE_HOT + s.THREE_COLD
        if not (k == "piece" and str(d["id"]) in ("f1.112", "f1.121"))
    ]
    rows = [
        (k, {**d, "grades_from": "1.00 mm", "grades_to": "1.40 mm", "grades_step": "0.01 mm"} if k == "family" else d)
        for k, d in rows
    ]
    rows = [
        (
            k,
            {**d, "inner_diameter": "35.2 mm", "outer_diameter": "58 mm"}
            if k == "piece" and d.get("place") == "far"
            else d,
        )
        for k, d in rows
    ]
    far = shown(rows)["shim"]["far"]
    # Needed 1.1109: grade 1.11 and its neighbours.
    assert [g["thickness"] for g in far["order"]] == ["1.11", "1.10", "1.12"]
    assert "35.2 mm inside, 58 mm outside" in far["say"]


def test_the_order_of_a_depth_shim_says_its_diameters_or_that_they_are_not_known() -> None:
    rows = s.ONE_START + s.ONE_AS_FOUND + s.ONE_TRIAL + s.ONE_BOX
    assert "measure an old shim" in shown(rows)["shim"]["say"]
    known = [(k, {**d, "inner_diameter": "40 mm", "outer_diameter": "62 mm"} if k == "piece" else d) for k, d in rows]
    v = shown(known)["shim"]
    assert v["diameters"] == {"inner_diameter": "40 mm", "outer_diameter": "62 mm"}
    assert "40 mm inside, 62 mm outside" in v["say"]


def test_side_shims_to_order_where_the_box_does_not_reach() -> None:
    rows = [
        *s.ONE_START,
        ("state", {"carrier": "in", "covers": "torqued"}),
        ("fit", {"place": "left", "stack": "1.80 mm"}),
        ("fit", {"place": "right", "stack": "1.86 mm"}),
        ("backlash", {"phase": "trial", "places": ["0.27", "0.28", "0.26", "0.27"], "unit": "mm"}),
    ]
    carrier = shown(rows)["carrier"]
    # Scenario 1: ring side 1.93, far side 1.73; the family's step is 0.01.
    assert [g["thickness_mm"] for g in carrier["order"]["left"]] == pytest.approx([1.93, 1.92, 1.94])
    assert [g["thickness_mm"] for g in carrier["order"]["right"]] == pytest.approx([1.73, 1.72, 1.74])
    assert "Order: left 1.930 mm (total)" in carrier["say"]
