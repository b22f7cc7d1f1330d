"""Shim stacks: uncertainty of a stack, and best stacks found by an independent integer program.

Micrometer errors: GUM 5.2.2, correlated inputs.  Best sums: derived here with an integer linear program of a general numerical
library and by brute force, which agree; objective |sum - goal| + 0.001 per piece.  Compositions may tie, objectives may not.
"""

from __future__ import annotations

import itertools
import math
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from scipy.optimize import Bounds, LinearConstraint, milp

from analysis.results import BudgetLine
from analysis.shims import Limits, StockPiece, stacks
from analysis.uncertainty import combine, rectangular

STOCK_UM = {100: 2, 127: 2, 152: 1, 203: 2, 254: 2, 305: 1, 508: 2, 762: 1}


def micrometer(k: int, u: float) -> list[BudgetLine]:
    return [BudgetLine(f"shim {i}", u, "B", math.inf, "micrometer") for i in range(k)]


def all_pairs(k: int) -> list[tuple[int, int, float]]:
    return [(i, j, 1.0) for i, j in itertools.combinations(range(k), 2)]


@pytest.mark.parametrize(("k", "independent", "same"), [(2, 1.6330, 2.3094), (3, 2.0000, 3.4641), (4, 2.3094, 4.6188)])
def test_one_micrometer_error_adds_up_over_a_stack(k: int, independent: float, same: float) -> None:
    u = rectangular(2.0)
    assert u == pytest.approx(1.1547, abs=1e-4)
    assert combine(micrometer(k, u)).u_mm == pytest.approx(independent, abs=1e-4)
    assert combine(micrometer(k, u), correlated=all_pairs(k)).u_mm == pytest.approx(same, abs=1e-4)


def test_part_common_part_not() -> None:
    """Common part 1.0 and own part 0.6, three shims: 3.17490."""
    lines = micrometer(3, 1.0) + micrometer(3, 0.6)
    assert combine(lines, correlated=all_pairs(3)).u_mm == pytest.approx(3.17490, abs=1e-5)


def stock() -> list[StockPiece]:
    return [StockPiece(f"{t}/{n}", Decimal(t) / 1000) for t, count in STOCK_UM.items() for n in range(count)]


def best_sum(goal: int, most: int) -> tuple[int, list[int]]:
    """Error in micrometres and thicknesses of our best stack, ranked by nearness alone."""
    c = stacks(
        stock(),
        Fraction(goal, 1000),
        Limits(most),
        u_mm=0.0,
        dof=math.inf,
        tolerance_mm=None,
        piece_u_mm=0.0,
        mm_per_unit=Decimal(1),
        effect=1,
    )[0]
    return int(abs(c.error) * 1000), sorted(int(p.thickness * 1000) for p in c.pieces)


def integer_program(goal: int, most: int) -> float:
    """Least |sum - goal| + 0.001 per piece, by branch and cut: one count per thickness, one slack for the distance."""
    t = np.array(list(STOCK_UM), dtype=float)
    n = t.size
    rows = np.array([[*t, -1.0], [*-t, -1.0], [*np.ones(n), 0.0]])
    upper = np.array([goal, -goal, most], dtype=float)
    r = milp(
        np.array([0.001] * n + [1.0]),
        integrality=np.array([1] * n + [0]),
        bounds=Bounds(np.zeros(n + 1), np.array([*STOCK_UM.values(), np.inf], dtype=float)),
        constraints=LinearConstraint(rows, np.full(3, -np.inf), upper),
        options={"mip_rel_gap": 0.0},
    )
    assert r.success
    return float(r.fun)


@pytest.mark.parametrize(("goal", "most", "error"), [(1470, 4, 0), (1234, 4, 9), (1234, 3, 15), (1111, 5, 3)])
def test_known_best_sums(goal: int, most: int, error: int) -> None:
    off, pieces = best_sum(goal, most)
    assert off == error
    assert off + 0.001 * len(pieces) == pytest.approx(integer_program(goal, most), abs=1e-6)


def test_unique_solutions() -> None:
    assert best_sum(1470, 4)[1] == [100, 100, 508, 762]
    assert best_sum(1111, 5)[1] == [100, 100, 152, 762]


@pytest.mark.parametrize("goal", range(300, 2400, 137))
def test_against_the_integer_program(goal: int) -> None:
    off, pieces = best_sum(goal, 4)
    assert off + 0.001 * len(pieces) == pytest.approx(integer_program(goal, 4), abs=1e-6)


def test_our_stack_uncertainty_is_the_correlated_one() -> None:
    """Error nought, tolerance 2 u of the stack of 3: the probability tells which u was used (GUM 5.2.2)."""
    u = 0.0011547
    thirds = [StockPiece(str(i), Decimal("0.4")) for i in range(3)]
    c = stacks(
        thirds,
        Fraction(12, 10),
        Limits(3),
        u_mm=0.0,
        dof=math.inf,
        tolerance_mm=2 * 0.0034641,
        piece_u_mm=u,
        mm_per_unit=Decimal(1),
        effect=1,
    )[0]
    assert len(c.pieces) == 3
    assert c.p_within == pytest.approx(0.9545, abs=1e-4)
