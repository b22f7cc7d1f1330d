"""The stack chosen from the box is the optimum: against an exhaustive search written the plain way."""

from __future__ import annotations

import itertools
import math
import random
from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from analysis.near_pairs import near_pairs
from analysis.pairs import joint_choices
from analysis.ruling import probability_within
from analysis.shims import Choice, Limits, StockPiece, change_for_bearing, order, stacks
from analysis.subsets import Kinds, TooManyStacksError, common_denominator, count_stacks, levels, nearest

Objective = tuple[float, Fraction, int, int]


def pick(
    stock: Sequence[StockPiece],
    needed: Fraction,
    limits: Limits,
    *,
    u: float = 0.002,
    dof: float = 8.0,
    tolerance: float | None = 0.03,
    piece_u: float = 0.001,
    effect: int = 1,
    limit: Fraction | None = None,
    keep: int = 2,
) -> list[Choice]:
    """`stacks` in mm."""
    return stacks(
        stock,
        needed,
        limits,
        u_mm=u,
        dof=dof,
        tolerance_mm=tolerance,
        piece_u_mm=piece_u,
        mm_per_unit=Decimal(1),
        effect=effect,
        limit=limit,
        keep=keep,
    )


def objective(
    pieces: Sequence[StockPiece], needed: Fraction, limits: Limits, tolerance: float | None = 0.03
) -> Objective:
    """Probability to a thousandth, distance from the stack needed, pieces, thin pieces: the order of preference."""
    off = abs(sum((Fraction(p.thickness) for p in pieces), Fraction(0)) - needed)
    thin = sum(limits.thin_limit is not None and p.thickness < limits.thin_limit for p in pieces)
    p = 0.0
    if tolerance is not None:
        p = -round(probability_within(float(off), math.hypot(0.002, len(pieces) * 0.001), 8.0, tolerance), 3)
    return p, off, len(pieces), thin


def exhaustive(
    stock: Sequence[StockPiece], needed: Fraction, limits: Limits, tolerance: float | None = 0.03
) -> list[Objective]:
    """Objective of every allowed stack, best first; a set of thicknesses counts once."""
    seen: dict[tuple[Decimal, ...], Objective] = {}
    for count in range(1, limits.max_pieces + 1):
        for pieces in itertools.combinations(stock, count):
            row = objective(pieces, needed, limits, tolerance)
            if limits.max_thin is None or row[3] <= limits.max_thin:
                seen[tuple(sorted(p.thickness for p in pieces))] = row
    return sorted(seen.values())


def box(thicknesses: Sequence[int], per_unit: int = 1000) -> list[StockPiece]:
    """Pieces from whole thousandths."""
    return [StockPiece(f"P{n}", Decimal(t) / per_unit) for n, t in enumerate(thicknesses, start=1)]


def agrees(
    stock: Sequence[StockPiece],
    needed: Fraction,
    limits: Limits,
    tolerance: float | None = 0.03,
    limit: Fraction | None = None,
) -> None:
    """Best and runner-up have the objectives of an exhaustive search, and keep the rules."""
    found = pick(stock, needed, limits, tolerance=tolerance, limit=limit)
    rows = exhaustive(stock, needed, limits, tolerance)
    best = sorted(rows, key=lambda row: (limit is not None and row[1] > limit, row))[:2]
    assert [objective(c.pieces, needed, limits, tolerance) for c in found] == best
    for c in found:
        assert len({p.id for p in c.pieces}) == len(c.pieces) <= limits.max_pieces
        assert c.total == sum(p.thickness for p in c.pieces)
        assert c.error == Fraction(c.total) - needed
        assert limits.max_thin is None or c.thin <= limits.max_thin
        assert (c.p_within is None) == (tolerance is None)


def test_a_thousand_boxes() -> None:
    """Seeded: few and many copies, ties, thin pieces, needs on and off the grid, with and without a tolerance."""
    r = random.Random(20260302)
    for _ in range(1000):
        grid = r.choice([1, 5, 10, 50])
        stock = box([r.randint(1, 1600 // grid) * grid for _ in range(r.randint(1, 11))])
        limits = Limits(
            r.randint(1, 4), r.choice([None, Decimal("0.13"), Decimal("0.5")]), r.choice([None, None, 0, 1, 2])
        )
        needed = Fraction(r.randint(20, 4000), r.choice([1000, 1000, 2540]))
        agrees(stock, needed, limits, r.choice([None, 0.03]), r.choice([None, Fraction(15, 1000)]))


@settings(max_examples=200, deadline=None)
@given(
    st.lists(st.integers(1, 30), min_size=1, max_size=9),
    st.integers(1, 120),
    st.integers(1, 5),
    st.one_of(st.none(), st.integers(1, 30)),
    st.one_of(st.none(), st.integers(0, 3)),
)
def test_any_box(thicknesses: list[int], needed: int, most: int, thin: int | None, max_thin: int | None) -> None:
    limits = Limits(most, None if thin is None else Decimal(thin) / 100, max_thin)
    agrees(box(thicknesses, 100), Fraction(needed, 100), limits)


def test_forty_pieces_four_in_a_stack() -> None:
    """The whole box of 102,090 stacks, against every sum worked out in whole micrometres."""
    r = random.Random(40)
    micrometres = r.sample(range(100, 1600), 40)
    for goal in (2413, 3777, 612):
        sums = {
            count: min(abs(sum(c) - goal) for c in itertools.combinations(micrometres, count)) for count in range(1, 5)
        }
        nearest = min(sums.values())
        best = pick(box(micrometres), Fraction(goal, 1000), Limits(4), tolerance=None)[0]
        assert abs(best.error) == Fraction(nearest, 1000)
        assert len(best.pieces) == min(c for c, off in sums.items() if off == nearest)


def test_six_in_a_stack_reaches_what_is_known_to_be_there() -> None:
    r = random.Random(6)
    micrometres = [10_000 * x + 1 for x in r.sample(range(1, 400), 40)]
    # Only a stack of six can end in 6.
    goal = sum(micrometres[i] for i in (0, 7, 12, 25, 31, 39))
    best = pick(box(micrometres, 10**6), Fraction(goal, 10**6), Limits(6), tolerance=None)[0]
    assert best.error == 0
    assert len(best.pieces) == 6


def test_fewest_pieces_where_equally_near() -> None:
    best = pick(box([500, 250, 250, 400, 100]), Fraction(1, 2), Limits(4))
    assert [len(c.pieces) for c in best] == [1, 2]


def test_fewest_thin_where_equally_near_and_many() -> None:
    best = pick(box([300, 400, 600, 100]), Fraction(7, 10), Limits(2, Decimal("0.13")))
    assert [(c.thin, sorted(p.thickness for p in c.pieces)) for c in best] == [
        (0, [Decimal("0.3"), Decimal("0.4")]),
        (1, [Decimal("0.1"), Decimal("0.6")]),
    ]


def test_more_likely_to_be_within_goes_before_nearer() -> None:
    """Four pieces 0.004 mm off against one 0.006 mm off: each measured with u = 0.004, one error for all."""
    stock = box([1006, 250, 251, 252, 251])
    best = pick(stock, Fraction(1), Limits(4), u=0.001, dof=math.inf, tolerance=0.03, piece_u=0.004)
    assert [p.id for p in best[0].pieces] == ["P1"]
    assert best[0].p_within is not None
    assert best[1].p_within is not None
    assert best[0].p_within > best[1].p_within
    # Where the pieces are known exactly, the nearer stack wins.
    assert len(pick(stock, Fraction(1), Limits(4), piece_u=0.0, dof=math.inf, u=0.001)[0].pieces) == 4


def test_inside_the_aim_goes_before_likelier_outside_it() -> None:
    stock = box([1006, 250, 251, 252, 251])
    best = pick(
        stock, Fraction(1), Limits(4), u=0.001, dof=math.inf, tolerance=0.03, piece_u=0.004, limit=Fraction(5, 1000)
    )
    assert len(best[0].pieces) == 4
    # On the limit is inside it.
    best = pick(
        stock, Fraction(1), Limits(4), u=0.001, dof=math.inf, tolerance=0.03, piece_u=0.004, limit=Fraction(6, 1000)
    )
    assert len(best[0].pieces) == 1


def test_probabilities_equal_to_a_thousandth_are_a_tie() -> None:
    """Both all but certain: nearness decides, though the one of fewer pieces is a hair more likely."""
    best = pick(box([1003, 500, 501]), Fraction(1), Limits(2), u=0.005, dof=math.inf, piece_u=0.003)
    assert [len(c.pieces) for c in best] == [2, 1]
    assert best[0].p_within is not None
    assert best[1].p_within is not None
    assert best[0].p_within < best[1].p_within < best[0].p_within + 0.0005


def test_a_runner_up_is_another_stack_not_the_same_thickness_again() -> None:
    best = pick(box([800, 800, 800, 830]), Fraction(8, 10), Limits(1))
    assert [c.total for c in best] == [Decimal("0.8"), Decimal("0.83")]


def test_copies_are_taken_no_more_often_than_they_are_there() -> None:
    best = pick(box([250, 250, 900]), Fraction(75, 100), Limits(4), tolerance=None)[0]
    assert sorted(p.id for p in best.pieces) == ["P3"]
    assert best.error == Fraction(15, 100)


def test_sign_of_the_error_left() -> None:
    """0.02 mm too thick: too far out where thicker moves away, too deep where it moves toward."""
    assert pick(box([820]), Fraction(8, 10), Limits(1), effect=1)[0].error == Fraction(2, 100)
    assert pick(box([820]), Fraction(8, 10), Limits(1), effect=-1)[0].error == Fraction(-2, 100)


def test_an_empty_box_and_a_rule_nothing_keeps() -> None:
    assert pick([], Fraction(1), Limits(4)) == []
    assert pick(box([50, 60]), Fraction(1, 10), Limits(2, Decimal("0.1"), 0)) == []


def test_needs_between_the_micrometres_are_not_rounded() -> None:
    """Two stacks 0.25 nm apart in distance, the need in inches."""
    needed = Fraction(Decimal("0.815500001")) / Fraction(Decimal("25.4"))
    stock = [StockPiece("below", Decimal("0.0321063")), StockPiece("above", Decimal("0.0321063") + Decimal("1e-10"))]
    off = [abs(Fraction(p.thickness) - needed) for p in stock]
    assert off[0] != off[1]
    best = pick(stock, needed, Limits(1), tolerance=None)[0]
    assert best.pieces[0].id == ("below" if off[0] < off[1] else "above")


def test_lengths_of_too_many_digits_still_fit() -> None:
    lengths = [Fraction(Decimal("0.1234567890123456789012")), Fraction(1, 3), Fraction(4)]
    d = common_denominator(lengths, 6)
    assert d >= 10**15
    assert 4 * 7 * d < 2**63
    stock = [StockPiece("a", Decimal("0.30000000000000004")), StockPiece("b", Decimal("0.31"))]
    assert pick(stock, Fraction(1, 3), Limits(2), tolerance=None)[0].pieces[0].id == "b"


def test_a_box_too_large_is_refused_not_tried() -> None:
    stock = box(range(100, 500))
    with pytest.raises(TooManyStacksError, match="400 different thicknesses are too many"):
        pick(stock, Fraction(2), Limits(6))
    # Two pieces of 400 are still no trouble, and reach any sum between their thinnest and thickest pair.
    assert pick(stock, Fraction(6, 10), Limits(2))[0].error == 0


@given(st.lists(st.integers(1, 4), min_size=1, max_size=6), st.integers(1, 5))
def test_stacks_are_counted_and_each_made_once(available: list[int], most: int) -> None:
    values = np.array([7**i for i in range(len(available))], dtype=np.int64)
    kinds = Kinds(values, np.zeros_like(values), np.array(available, dtype=np.int64), 1)
    made = [tuple(m) for level in levels(kinds, most) for m in level.members.tolist()]
    assert len(made) == len(set(made)) == count_stacks(available, most)
    for m in made:
        assert all(m.count(k) <= available[k] for k in m)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 60), st.integers(0, 1), st.integers(1, 3)),
        min_size=1,
        max_size=7,
        unique_by=lambda k: k[0],
    ),
    st.integers(0, 260),
    st.integers(1, 5),
    st.one_of(st.none(), st.integers(0, 3)),
    st.integers(1, 4),
)
def test_the_nearest_of_each_size_are_those_of_every_stack(
    kinds: list[tuple[int, int, int]], goal: int, most: int, max_thin: int | None, keep: int
) -> None:
    """Against all stacks, one after the other: goals out of reach, copies, thin ones, more wanted than there are."""
    values, thin, available = (np.array(x, dtype=np.int64) for x in zip(*kinds, strict=True))
    found = nearest(Kinds(values, thin, available, 1), goal, most, max_thin, keep)
    assert len(found) == most
    for count, best in enumerate(found, start=1):
        every = []
        for m in itertools.combinations_with_replacement(range(len(kinds)), count):
            few = sum(int(thin[k]) for k in m)
            if all(m.count(k) <= available[k] for k in set(m)) and (max_thin is None or few <= max_thin):
                every.append((abs(sum(int(values[k]) for k in m) - goal), few))
        assert [(f.off, f.thin) for f in best] == sorted(every)[:keep]
        for f in best:
            assert (abs(int(values[list(f.members)].sum()) - goal), int(thin[list(f.members)].sum())) == (f.off, f.thin)
            assert all(f.members.count(k) <= available[k] for k in f.members)
        assert len({f.members for f in best}) == len(best)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(1, 60), st.integers(0, 1), st.integers(1, 2)),
        min_size=2,
        max_size=5,
        unique_by=lambda k: k[0],
    ),
    st.tuples(st.integers(0, 200), st.integers(0, 200)),
    st.integers(1, 3),
    st.one_of(st.none(), st.integers(0, 2)),
)
def test_two_stacks_at_once_by_the_nearest_are_as_near_as_any_two(
    kinds: list[tuple[int, int, int]], goals: tuple[int, int], most: int, max_thin: int | None
) -> None:
    values, thin, available = (np.array(x, dtype=np.int64) for x in zip(*kinds, strict=True))
    sizes = [m for n in range(1, most + 1) for m in itertools.combinations_with_replacement(range(len(kinds)), n)]
    sizes = [m for m in sizes if max_thin is None or sum(int(thin[k]) for k in m) <= max_thin]
    every = []
    for a in sizes:
        for b in sizes:
            if all((a + b).count(k) <= available[k] for k in set(a + b)):
                off = max(abs(sum(int(values[k]) for k in m) - g) for m, g in zip((a, b), goals, strict=True))
                every.append((off, len(a + b)))
    found = near_pairs(Kinds(values, thin, available, 1), goals, most, max_thin, 2)
    got = [
        (max(abs(int(values[list(m)].sum()) - g) for m, g in zip(pair, goals, strict=True)), len(pair[0] + pair[1]))
        for pair in found
    ]
    assert got == sorted(every)[:2]
    for a, b in found:
        assert all((a + b).count(k) <= available[k] for k in set(a + b))


@pytest.mark.parametrize("seed", range(40))
def test_of_pairs_equally_near_in_a_coarse_box_the_fewest_pieces_are_found(
    monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    """Thicknesses on a coarse grid: many stacks of many sizes are equally near, more than are listed at first."""
    monkeypatch.setattr("analysis.near_pairs.LISTED", (1, 4, 16, 64, 256, 1024))
    r = random.Random(seed)
    values = np.array(sorted(r.sample(range(2, 40, 2), 7), reverse=True), dtype=np.int64)
    available = np.array([r.randint(1, 2) for _ in values], dtype=np.int64)
    goals = (r.randint(20, 50), r.randint(20, 50))
    sizes = [m for n in range(1, 4) for m in itertools.combinations_with_replacement(range(values.size), n)]
    every = sorted(
        (max(abs(int(values[list(m)].sum()) - g) for m, g in zip((a, b), goals, strict=True)), len(a + b))
        for a in sizes
        for b in sizes
        if all((a + b).count(k) <= available[k] for k in set(a + b))
    )
    found = near_pairs(Kinds(values, np.zeros_like(values), available, 1), goals, 3, None, 2)
    got = [
        (max(abs(int(values[list(m)].sum()) - g) for m, g in zip(pair, goals, strict=True)), len(pair[0] + pair[1]))
        for pair in found
    ]
    assert got == every[:2]


def test_a_large_box_fills_both_sides_as_well_as_a_small_one_is_weighed(monkeypatch: pytest.MonkeyPatch) -> None:
    r = random.Random(20260302)
    for _ in range(20):
        stock = box(r.sample(range(100, 1600), 30))
        total, difference = Fraction(r.randint(1500, 4000), 1000), Fraction(r.randint(-300, 300), 1000)
        weighed = joint_choices(stock, total, difference, Limits(3, Decimal("0.2"), 1))
        monkeypatch.setattr("analysis.pairs.MOST_CELLS", 0)
        listed = joint_choices(stock, total, difference, Limits(3, Decimal("0.2"), 1))
        monkeypatch.undo()
        assert [(c.off, len(c.left + c.right)) for c in listed] == [(c.off, len(c.left + c.right)) for c in weighed]


# The order


def grades(needed: str, first: str = "0.80", last: str = "1.60", step: str = "0.02") -> list[tuple[str, str]]:
    """Grades to order, as text."""
    return [(str(g.thickness), g.role) for g in order(Fraction(needed), Decimal(first), Decimal(last), Decimal(step))]


def test_order_names_the_total_and_a_neighbour_each_side() -> None:
    assert grades("0.8275") == [("0.82", "total"), ("0.80", "one thinner"), ("0.84", "one thicker")]


def test_order_at_the_ends_of_the_range() -> None:
    assert grades("0.795") == [("0.80", "total"), ("0.82", "one thicker")]
    assert grades("1.605") == [("1.60", "total"), ("1.58", "one thinner")]
    assert grades("0.789") == []
    assert grades("1.611") == []
    assert grades("1.0", "1.0", "1.0") == [("1.00", "total")]


@given(st.integers(80, 160), st.integers(1, 9))
def test_order_is_the_nearest_grade(hundredths: int, tenth: int) -> None:
    needed = Fraction(hundredths * 10 + tenth, 1000)
    found = order(needed, Decimal("0.80"), Decimal("1.60"), Decimal("0.02"))
    best = min(abs(Fraction(80 + 2 * i, 100) - needed) for i in range(41))
    assert abs(Fraction(found[0].thickness) - needed) == best


def test_a_taller_bearing_stack() -> None:
    """0.003 in = 0.0762 mm taller: less shim at the head, more behind the retainer (derived here)."""
    assert change_for_bearing(Decimal("0.076"), -1) == Decimal("-0.076")
    assert change_for_bearing(Decimal("0.076"), 1) == Decimal("0.076")
