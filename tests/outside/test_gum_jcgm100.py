"""JCGM 100:2008 (GUM) examples and tables against our combination and t quantiles; sensitivities come from the reference library.

Marks: "published" - value seen in a published budget, library documentation or test file; "value from memory" - clause
or value recalled and recomputed numerically, the text itself not seen.
"""

from __future__ import annotations

import math
from decimal import Decimal

import GTC
import pytest

from analysis.distributions import f_quantile, t_quantile
from analysis.precision import mean_and_sd, one_way
from analysis.results import INFINITE_DOF, BudgetLine
from analysis.uncertainty import combine, effective_dof, rectangular, resolution

INF = INFINITE_DOF


def line(name: str, u: float, dof: float = INF) -> BudgetLine:
    return BudgetLine(name, u, "B", dof, "published example")


def exact(text: str) -> list[Decimal]:
    return [Decimal(v) for v in text.split()]


# H.1 end gauge (published: budget and results), nm and degrees Celsius

LS, D, ALPHA, THETA = 50_000_623.0, 215.0, 11.5e-6, -0.1
U_LS, U_THETA = 75 / 3, math.hypot(0.2, 0.5 / math.sqrt(2.0))  # a temperature that goes up and down by 0.5: arcsine
U_D = math.sqrt(5.8**2 + 3.9**2 + 6.7**2)
U_DALPHA, U_DTHETA, U_ALPHA = rectangular(1e-6), rectangular(0.05), rectangular(2e-6)


def end_gauge(ls: float, d: float, dalpha: float, theta: float, alpha: float, dtheta: float) -> float:
    return ls + d - ls * (dalpha * theta + alpha * dtheta)


def budget_h1() -> list[BudgetLine]:
    """Sensitivities as the example states them: 1, 1, -ls theta, 0, 0 and -ls alpha."""
    names = ("standard", "difference", "expansion difference", "bench", "expansion", "temperature difference")
    dofs = (18, 25.6, 50, INF, INF, 2)
    us = (U_LS, U_D, U_DALPHA, U_THETA, U_ALPHA, U_DTHETA)
    c = (1.0, 1.0, -LS * THETA, 0.0, 0.0, -LS * ALPHA)
    return [line(n, abs(c) * u, v) for n, c, u, v in zip(names, c, us, dofs, strict=True)]


def test_h1_inputs() -> None:
    assert pytest.approx(0.4062, abs=5e-5) == U_THETA
    assert pytest.approx(9.682, abs=5e-4) == U_D
    assert pytest.approx(1.1547e-6, rel=1e-4) == U_ALPHA
    assert pytest.approx(0.57735e-6, rel=1e-4) == U_DALPHA
    assert pytest.approx(0.028868, rel=1e-4) == U_DTHETA
    # Printed 25.6 comes from unrounded components; the rounded ones give 25.447.
    assert effective_dof([(5.8, 24), (3.9, 5), (6.7, 8)]) == pytest.approx(25.447, abs=2e-3)


def test_h1_contributions_and_combined() -> None:
    lines = budget_h1()
    assert [x.u_mm for x in lines] == pytest.approx([25.0, 9.682, 2.887, 0.0, 0.0, 16.599], abs=2e-3)
    c = combine(lines, level=0.99)
    assert end_gauge(LS, D, 0, THETA, ALPHA, 0) == 50_000_838
    assert c.u_mm == pytest.approx(31.664, abs=0.01)
    assert c.u_mm**2 == pytest.approx(1002.6, abs=0.1)
    assert round(c.u_mm) == 32
    assert c.dof == pytest.approx(16.75, abs=0.02)
    # Our rule: degrees of freedom as they come; the example cuts them to 16 and prints 93 from rounded factors.
    assert c.k == pytest.approx(2.9035, abs=5e-4)
    assert c.U_mm == pytest.approx(91.9, abs=0.1)
    cut = t_quantile(0.995, math.floor(c.dof))
    assert cut == pytest.approx(2.9208, abs=5e-4)
    assert 92.4 <= cut * c.u_mm <= 93.5
    assert [x.name for x in c.lines][:3] == ["standard", "temperature difference", "difference"]


def test_h1_second_order_terms_h17() -> None:
    """ls u(dalpha) u(theta) and ls u(alpha) u(dtheta), 11.73 and 1.67 nm: as a line of their own they make 34 of 32."""
    second = LS * math.hypot(U_DALPHA * U_THETA, U_ALPHA * U_DTHETA)
    assert second == pytest.approx(math.hypot(11.73, 1.67), abs=0.01)
    c = combine([*budget_h1(), line("second order", second)])
    assert c.u_mm == pytest.approx(33.81, abs=0.01)
    assert round(c.u_mm) == 34
    assert c.dof == pytest.approx(21.7, abs=0.2)


def test_h1_agrees_with_the_reference_library() -> None:
    ls = GTC.ureal(LS, U_LS, 18)
    d = GTC.ureal(D, U_D, 25.6)
    length = end_gauge(
        ls,
        d,
        GTC.ureal(0, U_DALPHA, 50),
        GTC.ureal(THETA, U_THETA),
        GTC.ureal(ALPHA, U_ALPHA),
        GTC.ureal(0, U_DTHETA, 2),
    )
    c = combine(budget_h1())
    assert c.u_mm == pytest.approx(GTC.uncertainty(length), rel=1e-6)
    assert c.dof == pytest.approx(GTC.dof(length), rel=1e-6)


# G.2b Welch-Satterthwaite


def test_effective_degrees_of_freedom() -> None:
    assert effective_dof([(0.57, 9), (0.25, INF)]) == pytest.approx(12.8, abs=0.05)  # published test
    assert effective_dof([(5.8, 24), (6.7, 8)]) == pytest.approx(20.622, abs=1e-3)  # value from memory
    assert math.isinf(effective_dof([(1.0, INF), (2.0, INF)]))
    assert effective_dof([(3.0, 7), (0.0, 2)]) == pytest.approx(7.0)


# F.2.2.1 and F.2.2.2 (value from memory), micrometres


def test_resolution_and_hysteresis() -> None:
    assert resolution(10.0) == pytest.approx(2.8868, abs=1e-4)
    assert resolution(1.0) == pytest.approx(0.28868, abs=1e-4)
    assert rectangular(4.0 / 2) == pytest.approx(1.1547, abs=1e-4)
    # A difference of two still readings carries the step twice.
    twice = combine([line("face", resolution(10.0)), line("master", resolution(10.0))])
    assert twice.u_mm == pytest.approx(math.sqrt(2) * 2.8868, abs=2e-4)


# 4.4.3, table 1 (value from memory): twenty temperatures

TABLE_1 = exact(
    "96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 100.33 100.42 100.68 100.95 101.11 101.20 101.57 101.84 "
    "102.36 102.72"
)


def test_type_a_table_1() -> None:
    mean, sd = mean_and_sd(TABLE_1)
    assert mean == pytest.approx(100.145, abs=5e-6)
    assert sd == pytest.approx(1.48884, abs=1e-5)
    assert sd / math.sqrt(20) == pytest.approx(0.33292, abs=1e-5)
    counts = [int(v * 100) for v in TABLE_1]
    assert mean_and_sd(counts) == pytest.approx((10014.5, 148.884), rel=1e-5)


@pytest.mark.parametrize(("n", "percent"), [(2, 76), (3, 52), (4, 42), (5, 36), (10, 24), (20, 16), (30, 13), (50, 10)])
def test_reliability_of_a_standard_deviation_table_e1(n: int, percent: int) -> None:
    """Table E.1 (value from memory) against 1 / sqrt(2 dof), the relation behind Welch-Satterthwaite."""
    c4 = math.sqrt(2 / (n - 1)) * math.exp(math.lgamma(n / 2) - math.lgamma((n - 1) / 2))
    exactly = math.sqrt(1 - c4**2) / c4
    assert round(100 * exactly) == percent
    own = effective_dof([(1.0, n - 1)])
    assert 1 / math.sqrt(2 * own) == pytest.approx(exactly, rel=0.08)


def test_reliability_of_a_quarter_is_eight_degrees_of_freedom_g42() -> None:
    """G.4.2 (value from memory): dof = 1 / (2 * 0.25^2) = 8, at which k is 2.306."""
    c = combine([line("judged to a quarter", 1.0, 0.5 / 0.25**2)])
    assert c.dof == pytest.approx(8.0)
    assert c.k == pytest.approx(2.3060, abs=1e-4)


# H.2 correlated inputs (published raw data; results in library documentation)

V = exact("5.007 4.994 5.005 4.990 4.999")
I_MA = exact("19.663 19.639 19.640 19.685 19.678")
PHI = exact("1.0456 1.0438 1.0468 1.0428 1.0433")


def correlation_of(a: list[Decimal], b: list[Decimal]) -> float:
    sa, sb = mean_and_sd(a)[1], mean_and_sd(b)[1]
    s = mean_and_sd([x + y for x, y in zip(a, b, strict=True)])[1]
    return (s**2 - sa**2 - sb**2) / (2 * sa * sb)


def test_h2_correlated_inputs() -> None:
    data = (V, [i / 1000 for i in I_MA], PHI)
    r = [[correlation_of(a, b) for b in data] for a in data]
    assert r[0][1] == pytest.approx(-0.3553, abs=1e-4)
    assert r[0][2] == pytest.approx(0.8576, abs=1e-4)
    assert r[1][2] == pytest.approx(-0.6451, abs=1e-4)
    means = [mean_and_sd(x)[0] for x in data]
    us = [mean_and_sd(x)[1] / math.sqrt(5) for x in data]
    inputs = [GTC.ureal(m, u, independent=False) for m, u in zip(means, us, strict=True)]
    for i in range(3):
        for j in range(i):
            GTC.set_correlation(r[i][j], inputs[i], inputs[j])
    v, i, f = inputs
    published = {"R": (127.7322, 0.07107), "X": (219.8465, 0.29558), "Z": (254.2597, 0.23634)}
    for name, y in {"R": v / i * GTC.cos(f), "X": v / i * GTC.sin(f), "Z": v / i}.items():
        assert y.x == pytest.approx(published[name][0], rel=1e-6)
        # Contributions with their signs in the correlations.
        parts = [GTC.rp.u_component(y, x) for x in inputs]
        pairs = [(a, b, math.copysign(1, parts[a] * parts[b]) * r[a][b]) for a in range(3) for b in range(a)]
        own = combine([line(str(n), abs(x), 4) for n, x in enumerate(parts)], correlated=pairs)
        assert own.u_mm == pytest.approx(published[name][1], rel=1e-3)
        assert own.u_mm == pytest.approx(GTC.uncertainty(y), rel=1e-9)
        assert own.dof == pytest.approx(4)
        if name == "R":
            # Without the correlations R is wrong by more than a factor of two: the test can fail.
            assert combine([line(str(n), abs(x), 4) for n, x in enumerate(parts)]).u_mm > 2 * published["R"][1]


# 5.2.2 the same error entering twice


def test_same_error_entering_twice() -> None:
    """Resistors in series, 5.2.2 example (value from memory): ten of 1000 ohm, u 0.1 ohm from one calibration: u = 1 ohm."""
    ten = [line(str(i), 0.1) for i in range(10)]
    assert combine(ten).u_mm == pytest.approx(0.3162, abs=1e-4)
    pairs = [(i, j, 1.0) for i in range(10) for j in range(i)]
    assert combine(ten, correlated=pairs).u_mm == pytest.approx(1.0)


def test_opposite_entries_of_one_error_cancel() -> None:
    c = combine([line("on the pinion", 1.0, 5), line("on the master", 1.0, 5)], correlated=[(0, 1, -1.0)])
    assert c.u_mm == 0.0
    rest = combine(
        [line("blade", 1.0, 5), line("blade again", 1.0, 5), line("other", 2.0, 9)], correlated=[(0, 1, -1.0)]
    )
    assert (rest.u_mm, rest.dof) == pytest.approx((2.0, 9.0))


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([(0, 3, 1.0)], "lines 0 to 2"),
        ([(1, 1, 1.0)], "must differ"),
        ([(0, 1, 1.1)], "between -1 and 1"),
        ([(0, 1, 1.0), (1, 0, 0.5)], "stated twice"),
        ([(0, 1, 1.0), (1, 2, 1.0)], "contradict"),
    ],
)
def test_bad_correlations_are_refused(pairs: list[tuple[int, int, float]], words: str) -> None:
    with pytest.raises(ValueError, match=words):
        combine([line("a", 1.0), line("b", 1.0), line("c", 1.0)], correlated=pairs)


# H.5 analysis of variance, day to day (published test); the same arithmetic as seatings of an arbor


def test_h5_days_as_seatings() -> None:
    means = exact("10.000172 10.000116 10.000013 10.000144 10.000106 10.000031 10.000060 10.000125 10.000163 10.000041")
    sds = [Decimal(s) * Decimal("1e-6") for s in (60, 77, 111, 101, 67, 93, 80, 73, 88, 86)]
    # Five readings a day that have just that mean and standard deviation.
    a = one_way([[m + s * z for z in (-1, -1, 0, 1, 1)] for m, s in zip(means, sds, strict=True)])
    assert a.mean == pytest.approx(10.000097, abs=5e-7)
    s_means = mean_and_sd(means)[1]
    assert s_means == pytest.approx(57.09e-6, rel=5e-3)
    assert math.sqrt(a.ms_between) == pytest.approx(127.66e-6, rel=5e-3)
    assert a.sd_within == pytest.approx(84.89e-6, rel=5e-3)
    assert a.f == pytest.approx(2.2615, rel=5e-3)
    assert a.sd_between == pytest.approx(42.64e-6, rel=5e-3)
    assert (a.dof_between, a.dof_within) == (9, 40)
    assert f_quantile(0.95, 9, 40) == pytest.approx(2.1240, abs=1e-4)
    assert f_quantile(0.975, 9, 40) == pytest.approx(2.4519, abs=1e-4)
    assert a.p == pytest.approx(0.0376, abs=5e-4)  # recomputed; between 0.025 and 0.05 as the two limits say
    u_alone = math.sqrt((9 * a.ms_between + 40 * a.ms_within) / 49 / 50)
    assert u_alone == pytest.approx(13.32e-6, rel=5e-3)
    assert s_means / math.sqrt(10) == pytest.approx(18.05e-6, rel=5e-3)


# Table G.2 (published test for several)


@pytest.mark.parametrize(
    ("dof", "p", "k"),
    [
        (4, 0.95, 2.7764),
        (8, 0.95, 2.3060),
        (9, 0.95, 2.2622),
        (16, 0.95, 2.1199),
        (16, 0.9545, 2.1689),
        (16, 0.99, 2.9208),
        (1, 0.6827, 1.8374),
        (5, 0.9973, 5.5070),
    ],
)
def test_table_g2(dof: float, p: float, k: float) -> None:
    assert t_quantile(0.5 + 0.5 * p, dof) == pytest.approx(k, abs=1e-4)
    assert combine([line("x", 1.0, dof)], level=p).U_mm == pytest.approx(k, abs=1e-4)
