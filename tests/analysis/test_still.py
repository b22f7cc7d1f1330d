"""Still-surface study: the indicator's own repeatability, and no more than the readings can tell."""

from __future__ import annotations

import math
from statistics import NormalDist

import numpy as np
import pytest

from analysis.distributions import chi2_quantile
from analysis.still import NotStillError, StillStudy, study


def stretch(
    seed: int,
    n: int = 300,
    step: float = 0.001,
    sd: float = 0.001,
    rho: float = 0.0,
    per_min: float = 0.0,
    warm: float = 0.0,
) -> StillStudy:
    """Study of an invented stretch at 10 readings a second: correlated noise, drift, warming that dies away."""
    rng = np.random.default_rng([seed, 40961])
    t = np.cumsum(rng.uniform(0.09, 0.11, n))
    noise = rng.normal(size=n)
    for i in range(1, n):
        noise[i] = rho * noise[i - 1] + math.sqrt(1 - rho**2) * noise[i]
    mm = rng.uniform(-1, 1) + per_min * t / 60 + warm * (1 - np.exp(-t / 15)) + sd * noise
    return study(t, np.rint(mm / step), step)


def test_on_a_fine_display_it_is_the_standard_deviation_with_its_chi_square_interval() -> None:
    got = stretch(1, step=0.00001)
    assert got.noise_mm == pytest.approx(0.001, rel=0.15)
    assert got.repeatability_mm == got.noise_mm
    assert got.dof == pytest.approx(299 * 0.85, rel=0.2)
    # e-handbook 1.3.5.8: interval of a standard deviation from chi-square (value from memory)
    for p, bound in ((0.975, got.low_mm), (0.025, got.high_mm)):
        assert bound == pytest.approx(got.sd_mm * math.sqrt(got.dof / chi2_quantile(p, got.dof)), rel=1e-3)
    assert f"{got.repeatability_mm:.5f} mm" in got.say


def quantiles(sd: float, step: float, n: int = 4000) -> StillStudy:
    """A stretch whose values are the quantiles of a normal: scatter without luck."""
    order = np.random.default_rng(3).permutation(n)
    values = np.array([NormalDist(0.0, sd).inv_cdf((i + 0.5) / n) for i in range(n)])[order] + 0.27 * step
    return study(np.arange(n) * 0.1, np.rint(values / step), step)


# Sheppard's correction, exact arithmetic: with a step of 10 µm a noise of 10 shows as sqrt(100 + 100/12), of 5 as 5.77
@pytest.mark.parametrize(("sd", "shown"), [(0.010, math.sqrt(100 + 100 / 12) / 1000), (0.005, 0.00577)])
def test_the_display_step_is_taken_out_where_the_noise_is_half_of_it_or_more(sd: float, shown: float) -> None:
    got = quantiles(sd * 1.001, 0.010)
    assert got.sd_mm == pytest.approx(shown, rel=0.013)
    assert got.noise_mm == pytest.approx(sd, rel=0.02)


def test_below_half_a_step_nothing_is_subtracted_and_the_step_is_named() -> None:
    got = quantiles(0.003, 0.010)
    # derived here: with a noise of 0.3 steps the shown scatter lies between 3.09 and 5.02 µm by where the steps fall
    assert 0.00309 <= got.sd_mm <= 0.00502
    assert got.noise_mm is None
    assert got.repeatability_mm == max(got.sd_mm, 0.010 / math.sqrt(12))
    assert got.low_mm <= 0.003 <= got.high_mm
    assert "hides" in got.say


def test_equal_readings_never_give_nought() -> None:
    got = study(np.arange(50) * 0.1, np.full(50, 477), 0.01)
    assert got.all_equal
    assert got.sd_mm == 0.0
    assert got.noise_mm is None
    assert got.repeatability_mm == got.floor_mm == pytest.approx(0.01 / math.sqrt(12))
    assert got.low_mm == 0.0
    # derived here: the largest noise under which 50 equal readings are not too unlikely (chi-square 3.84 on one degree)
    inside = 2 * NormalDist().cdf(0.005 / got.high_mm) - 1
    assert got.high_mm == got.floor_mm or 50 * math.log(inside) == pytest.approx(-1.9207, abs=0.05)
    assert "equal" in got.say


def test_few_equal_readings_leave_more_open_than_many() -> None:
    few, many = (study(np.arange(n) * 0.1, np.zeros(n), 0.01) for n in (20, 2000))
    assert few.high_mm > many.high_mm >= many.floor_mm


@pytest.mark.parametrize(
    "case",
    [
        {},
        {"n": 40},
        {"rho": 0.3},
        {"rho": 0.9, "n": 600},
        {"per_min": 0.01},
        {"warm": 0.01, "rho": 0.5},
        {"step": 0.002},
        {"step": 0.005},
        {"step": 0.01, "per_min": 0.03},
    ],
    ids=lambda c: ",".join(f"{k}={v}" for k, v in c.items()) or "plain",
)
def test_the_interval_holds_the_truth(case: dict[str, float]) -> None:
    held = total = 0
    draws = 40 if "per_min" in case or "warm" in case else 120  # those with a drift take longer
    for seed in range(draws):
        try:
            got = stretch(seed, **case)  # type: ignore[arg-type]
        except NotStillError:
            continue
        total += 1
        held += got.low_mm <= 0.001 <= got.high_mm
    assert total >= 0.96 * draws
    # draws of 95 % fall below this once in 500 times
    assert held / total >= (0.89 if draws == 120 else 0.84)


def test_drift_is_taken_out_and_told() -> None:
    plain, drifting = stretch(7), stretch(7, per_min=0.02)
    assert drifting.noise_mm == pytest.approx(plain.noise_mm, rel=0.05)
    assert drifting.drift_mm_per_min == pytest.approx(0.02, abs=0.002)
    assert "drift" in drifting.say
    assert "drift" not in plain.say


def test_readings_that_err_together_count_for_fewer() -> None:
    many = sorted((stretch(seed, rho=0.9, n=600, step=0.0001) for seed in range(15)), key=lambda s: s.worth)
    got = many[7]
    # effective number of an autoregressive series, n (1 - r) / (1 + r) = n / 19 (standard texts, value from memory)
    assert got.worth == pytest.approx(600 / 19, rel=0.5)
    assert got.correlation == pytest.approx(0.9, abs=0.1)
    assert "err together" in got.say
    assert stretch(5).worth > 250


def test_a_wild_reading_is_left_out_and_told() -> None:
    rng = np.random.default_rng(11)
    counts = np.rint(rng.normal(0, 1.0, 300))
    counts[100] += 90
    got = study(np.arange(300) * 0.1, counts, 0.001)
    assert got.left_out == 1
    assert got.noise_mm == pytest.approx(0.001, rel=0.15)
    assert "1 disturbed reading left out" in got.say


def moved(n: int = 300) -> np.ndarray:
    """A level that jumps by 12 µm half-way."""
    return np.where(np.arange(n) < n // 2, 0, 12) + np.rint(np.random.default_rng(2).normal(0, 1, n))


@pytest.mark.parametrize(
    ("counts", "says"),
    [
        (np.arange(10), "at least 20"),
        (moved(), "moved"),
        (np.rint(500 * np.sin(np.arange(300) / 6) ** 2), "moved|hang together"),
        (np.where(np.arange(300) % 10 == 0, 200, 0) + np.arange(300) % 2, "knocked"),
        (np.rint(4 * np.sin(np.arange(200) / 14)), "hang together|moved"),
        (np.rint(np.linspace(0, 25, 300) + np.random.default_rng(4).normal(0, 1, 300)), "drift by 0.02.* mm in 30 s"),
    ],
    ids=["few", "jump", "sweeps", "knocked", "wandering", "drifting"],
)
def test_what_is_not_still_is_refused_with_what_to_do(counts: np.ndarray, says: str) -> None:
    with pytest.raises(NotStillError, match=says):
        study(np.arange(counts.size) * 0.1, counts, 0.001)


def test_columns_that_do_not_fit_are_an_error() -> None:
    with pytest.raises(ValueError, match="as many of each"):
        study([0.0, 0.1], [1], 0.001)
    with pytest.raises(ValueError, match="step above 0"):
        study(np.arange(30), np.zeros(30), 0.0)


def test_the_unit_of_the_step_never_changes_the_finding() -> None:
    rng = np.random.default_rng(9)
    t, counts = np.arange(200) * 0.1, np.rint(rng.normal(0, 1.3, 200))
    mm, inch = study(t, counts, 0.0001), study(t, counts, 0.0001 * 25.4)
    for name in ("sd_mm", "noise_mm", "repeatability_mm", "low_mm", "high_mm", "floor_mm"):
        assert getattr(inch, name) == pytest.approx(25.4 * getattr(mm, name), rel=1e-12)
