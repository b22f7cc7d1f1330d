"""The decision rule at its edges: narrow tolerances, few degrees of freedom, exact limits."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from analysis.ruling import LEVEL, Rule, can_ever_prove, guard, probability_within, rule_on

INF = math.inf
RULES: tuple[Rule, Rule] = ("one-sided", "expanded")


@pytest.mark.parametrize(("error", "tolerance"), [(0.0, 1.9), (0.34, 2.0), (0.0, 1.95)])
def test_a_guard_band_at_one_limit_is_not_enough_where_both_limits_are_near(error: float, tolerance: float) -> None:
    """Derived here: the probabilities are .943, .942 and .949, though 1.65 u are free on the nearer side."""
    assert abs(error) + guard(1.0, INF, "one-sided") <= tolerance
    r = rule_on(error, 1.0, INF, tolerance, "one-sided")
    assert r.p_within < LEVEL
    assert r.verdict == "not proven"
    assert r.say


def test_twice_u_needs_1_796_u() -> None:
    """Half tolerance 2 u: the guard that keeps 95 % is 1.796 u (derived here)."""
    assert rule_on(2.0 - 1.797, 1.0, INF, 2.0, "one-sided").verdict == "within"
    assert rule_on(2.0 - 1.795, 1.0, INF, 2.0, "one-sided").verdict == "not proven"


def test_three_times_u_needs_only_the_guard_band() -> None:
    g = guard(1.0, INF, "one-sided")
    assert rule_on(3.0 - g, 1.0, INF, 3.0, "one-sided").verdict == "within"
    assert rule_on(3.0 - g + 1e-9, 1.0, INF, 3.0, "one-sided").verdict == "not proven"


def test_just_provable() -> None:
    assert rule_on(0.0, 1.0, INF, 1.96, "one-sided").verdict == "within"
    # 95 % needs 1.95996 u; the rule asks for the rounded figure it states.
    assert rule_on(0.0, 1.0, INF, 1.95998, "one-sided").verdict == "not proven"
    assert rule_on(0.0, 1.0, INF, 1.96, "expanded").verdict == "not proven"
    assert can_ever_prove(1.0, 1.96)
    assert not can_ever_prove(1.0, 1.96, INF, "expanded")


def test_few_seatings_cannot_prove_what_many_could() -> None:
    """Three seatings leave 2 degrees of freedom: one-sided 95 % is then 2.92 u."""
    assert can_ever_prove(0.01, 0.025)
    assert not can_ever_prove(0.01, 0.025, 2.0)
    r = rule_on(0.0, 0.01, 2.0, 0.025, "one-sided")
    assert r.verdict == "not proven"
    assert "so few seatings" in r.say
    assert rule_on(0.0, 0.01, INF, 0.025, "one-sided").verdict == "within"


def test_outside_is_told_even_where_within_could_never_be() -> None:
    r = rule_on(5.0, 1.0, INF, 1.0, "one-sided")
    assert r.verdict == "outside"
    assert r.say == ""


def test_nothing_uncertain_compares_exactly() -> None:
    assert rule_on(0.03, 0.0, INF, 0.03, "one-sided").verdict == "within"
    assert rule_on(math.nextafter(0.03, 1), 0.0, INF, 0.03, "one-sided").verdict == "outside"
    assert probability_within(0.03, 0.0, INF, 0.03) == 1.0


sizes = st.floats(1e-4, 1.0)
dofs = st.one_of(st.just(INF), st.floats(1.0, 200.0))


@given(st.floats(-2.0, 2.0), sizes, dofs, sizes, st.sampled_from(RULES))
def test_a_verdict_is_never_more_certain_than_its_probability(
    error: float, u: float, dof: float, tolerance: float, rule: Rule
) -> None:
    r = rule_on(error, u, dof, tolerance, rule)
    if r.verdict == "within":
        assert r.p_within >= LEVEL
        assert tolerance >= 1.96 * u
        assert abs(error) < tolerance
        assert can_ever_prove(u, tolerance, dof, rule)
    elif r.verdict == "outside":
        assert r.p_within <= 1 - LEVEL
        assert abs(error) > tolerance
    assert bool(r.say) == (r.verdict == "not proven")
    mirror = rule_on(-error, u, dof, tolerance, rule)
    assert mirror.verdict == r.verdict
    assert mirror.p_within == pytest.approx(r.p_within, abs=1e-9)
