"""JCGM 106 and ISO 14253-1 against our probability of being within, guard band and ruling.

Clauses 7.3 and 7.4 and table 1: value from memory.  Bearings of 9.5.4: published notebook, producer risk recomputed.
Guard band 1.65 u or U: published comment citing the 2017 edition; clause from memory.  Tool example: derived here.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import pytest

from analysis.distributions import chi2_sf, normal_quantile, normal_sf, t_quantile
from analysis.ruling import Rule, can_ever_prove, guard, probability_within, rule_on

INF = math.inf


@pytest.mark.parametrize(("p", "z"), [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)])
def test_table_1(p: float, z: float) -> None:
    assert normal_quantile(p) == pytest.approx(z, abs=1e-4)
    assert normal_sf(-z) == pytest.approx(p, abs=1e-4)


def within(y: float, u: float, low: float, high: float, dof: float = INF) -> float:
    """Two limits as a middle and a half width, as our function takes them."""
    return probability_within(y - (low + high) / 2, u, dof, (high - low) / 2)


FAR = 1000.0
"""Stands for no limit on that side."""


def test_one_limit_73() -> None:
    assert within(-5.47, 0.05, -5.40 - FAR, -5.40) == pytest.approx(0.9192, abs=1e-4)
    assert within(509.7, 8.6, 490.0, 490.0 + FAR) == pytest.approx(0.9890, abs=1e-4)


def test_two_limits_74() -> None:
    assert within(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.6626, abs=1e-4)


# 9.5.4 bearings: run-out gamma distributed (shape 4, mean 1 um), limit 2 um, measured with u = 0.25 um

SHAPE, MEAN, LIMIT, U = 4, 1.0, 2.0, 0.25


def beyond(x: float) -> float:
    """P(run-out > x), a gamma tail written as chi-square."""
    return chi2_sf(2 * x * SHAPE / MEAN, 2 * SHAPE)


def simpson(f: Callable[[float], float], a: float, b: float, n: int = 2000) -> float:
    h = (b - a) / n
    return h / 3 * sum(f(a + i * h) * (1 if i in (0, n) else 4 if i % 2 else 2) for i in range(n + 1))


def density(x: float) -> float:
    b = SHAPE / MEAN
    return b**SHAPE * x ** (SHAPE - 1) * math.exp(-b * x) / math.factorial(SHAPE - 1)


def consumer_risk(acceptance: float) -> float:
    return simpson(lambda x: density(x) * normal_sf((x - acceptance) / U), LIMIT, 12.0)


def producer_risk(acceptance: float) -> float:
    return simpson(lambda x: density(x) * normal_sf((acceptance - x) / U), 0.0, LIMIT)


def test_bearings_954() -> None:
    assert beyond(LIMIT) == pytest.approx(0.042380, abs=1e-5)
    assert consumer_risk(LIMIT) == pytest.approx(0.0080191, abs=1e-5)
    low, high = 1.0, 2.0
    for _ in range(40):
        middle = (low + high) / 2
        low, high = (low, middle) if consumer_risk(middle) > 0.001 else (middle, high)
    assert low == pytest.approx(1.67183, abs=1e-5)
    assert producer_risk(LIMIT) == pytest.approx(0.01745, abs=1e-5)
    assert producer_risk(low) == pytest.approx(0.07549, abs=1e-5)


# Tool example (derived here): target 60.000 +- 0.025, u = 0.006, mm

WORD = {"conforming": "within", "non-conforming": "outside", "neither": "not proven"}


@pytest.mark.parametrize(
    ("y", "p", "one_sided", "expanded"),
    [
        (60.0000, 1.0000, "conforming", "conforming"),
        (60.0120, 0.9849, "conforming", "conforming"),
        (60.0150, 0.9522, "conforming", "neither"),
        (60.0160, 0.9332, "neither", "neither"),
        (60.0250, 0.5000, "neither", "neither"),
        (60.0340, 0.0668, "neither", "neither"),
        (60.0360, 0.0334, "non-conforming", "neither"),
        (60.0450, 0.0004, "non-conforming", "non-conforming"),
    ],
)
@pytest.mark.parametrize("side", [1, -1])
def test_tool_example(y: float, p: float, one_sided: str, expanded: str, side: int) -> None:
    error = side * (y - 60.0)
    for rule, word in (("one-sided", one_sided), ("expanded", expanded)):
        r = rule_on(error, 0.006, INF, 0.025, rule)  # type: ignore[arg-type]
        assert r.verdict == WORD[word], rule
        assert r.p_within == pytest.approx(p, abs=1e-4)
        assert bool(r.say) == (r.verdict == "not proven")


def test_acceptance_and_rejection_limits() -> None:
    g = guard(0.006, INF, "one-sided")
    assert (60 - 0.025 + g, 60 + 0.025 - g) == pytest.approx((59.9849, 60.0151), abs=1e-6)
    assert (60 - 0.025 - g, 60 + 0.025 + g) == pytest.approx((59.9651, 60.0349), abs=1e-6)
    assert guard(0.006, INF, "expanded") == pytest.approx(0.012, rel=1e-5)
    rules: tuple[Rule, Rule] = ("one-sided", "expanded")
    for rule in rules:
        edge = 0.025 - guard(0.006, INF, rule)
        assert rule_on(edge - 1e-9, 0.006, INF, 0.025, rule).verdict == "within"
        assert rule_on(edge + 1e-9, 0.006, INF, 0.025, rule).verdict == "not proven"


@pytest.mark.parametrize(("dof", "k"), [(4, 2.132), (9, 1.833), (16, 1.746), (50, 1.676)])
def test_few_sweeps_widen_the_guard(dof: float, k: float) -> None:
    assert t_quantile(0.95, dof) == pytest.approx(k, abs=5e-4)
    assert guard(1.0, dof, "one-sided") == pytest.approx(k, abs=5e-4)
    assert guard(1.0, dof, "expanded") > max(2.0, k)


def test_few_sweeps_lower_the_probability() -> None:
    assert within(60.016, 0.006, 59.975, 60.025, 7) == pytest.approx(0.9112, abs=1e-4)


# A narrow tolerance


def test_what_can_never_be_proven() -> None:
    assert probability_within(0.0, 1.0, INF, 1.0) == pytest.approx(0.683, abs=5e-4)
    assert probability_within(0.0, 1.0, INF, 1.96) == pytest.approx(0.95, abs=1e-4)
    assert not can_ever_prove(1.0, 1.95)
    assert can_ever_prove(1.0, 1.96)
    r = rule_on(0.0, 0.02, INF, 0.025, "one-sided")
    assert r.verdict == "not proven"
    assert "cannot be proven" in r.say


@pytest.mark.parametrize(("ratio", "g"), [(2.0, 1.796), (3.0, 1.645), (5.0, 1.645)])
def test_guard_that_keeps_95_percent_with_both_limits_near(ratio: float, g: float) -> None:
    """At a tolerance of twice u both limits count and 1.645 is not enough; from three times u on it is."""
    assert probability_within(ratio - g, 1.0, INF, ratio) == pytest.approx(0.95, abs=2e-4)
    if ratio == 2.0:
        assert probability_within(ratio - 1.645, 1.0, INF, ratio) < 0.942
