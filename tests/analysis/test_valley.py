"""The bottom of a sweep.

Source of the exact climb: secant geometry, derived here (the table of heights is in tests/outside/test_sweep_geometry.py).  Hands and noise are invented;
thresholds leave room for the few sets a quick test can afford: `python -m tests.bench.accuracy` measures.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.distributions import t_quantile
from analysis.geometry import extension_mm
from analysis.valley import Window, fit_bottoms
from analysis.valley.fit import MOST, _share
from analysis.valley.pack import pack
from analysis.valley.search import usable
from tests.bench.accuracy import run
from tests.bench.hands import FAMILIES, Case, make

K = 58.5


def _sweep(
    speed_deg_s: float, rate: float, phase: float = 0.3, step: float = 0.0001, level: float = 1.6, skew: float = 0.0
) -> Window:
    t = np.arange(-20, 21) / rate
    t = t[np.abs(t * speed_deg_s) < 3.4] + phase / rate
    angle = np.radians(speed_deg_s * t * (1.0 + skew * t))
    z = level + extension_mm(angle, K, 1.5) - extension_mm(np.zeros(1), K, 1.5)
    return Window(t, np.round(z / step) * step, step)


@pytest.mark.parametrize("speed", [3.0, 6.0, 9.0])
@pytest.mark.parametrize("skew", [0.0, 0.5, -0.8])
def test_exact_sweeps_without_noise_give_the_exact_bottom(speed: float, skew: float) -> None:
    windows = [_sweep(speed, 15.0, phase, skew=skew) for phase in (0.0, 0.2, 0.45, 0.7)]
    for b in fit_bottoms(windows, repeatability_mm=0.0002):
        assert b.minimum_mm == pytest.approx(1.6, abs=0.00025)
        assert abs(b.minimum_mm - 1.6) <= 3.5 * b.u_mm


def test_a_single_wild_reading_does_not_move_the_bottom() -> None:
    sound = [_sweep(6.0, 15.0, p) for p in (0.1, 0.4, 0.8)]
    spoilt = [_sweep(6.0, 15.0, p) for p in (0.1, 0.4, 0.8)]
    spoilt[1].z[6] += 0.3
    for a, b in zip(fit_bottoms(sound), fit_bottoms(spoilt), strict=True):
        assert b.minimum_mm == pytest.approx(a.minimum_mm, abs=0.0004)


def test_equal_readings_of_a_coarse_display_never_give_certainty() -> None:
    windows = [_sweep(2.0, 20.0, p, step=0.01, level=1.6034) for p in (0.0, 0.25, 0.5, 0.75)]
    for b in fit_bottoms(windows):
        assert b.u_mm > 0.0003
        assert abs(b.minimum_mm - 1.6034) < 4.0 * b.u_mm


def test_readings_in_the_middle_of_their_steps_still_hold_the_fit() -> None:
    # The likeliest point of such a fit has no bend: its plain interval was tens of micrometres wide.
    for level in (1.6005, 1.6034, 1.6071):
        windows = [_sweep(6.0, 10.0, p, step=0.01, level=level) for p in (0.0, 0.2, 0.4, 0.6, 0.8)]
        for b in fit_bottoms(windows, repeatability_mm=0.0005):
            assert b.u_mm < 0.006
            assert abs(b.minimum_mm - level) < 2.5 * b.u_mm


def test_fewer_than_five_readings_are_refused() -> None:
    w = _sweep(6.0, 15.0)
    with pytest.raises(ValueError, match="fewer than 5"):
        fit_bottoms([Window(w.clock[:4], w.z[:4], 0.001)])


def test_no_windows_give_no_bottoms() -> None:
    assert fit_bottoms([]) == []


@pytest.mark.parametrize("case", FAMILIES, ids=lambda c: c.name)
def test_every_family_of_hands_is_right_within_what_is_stated(case: Case) -> None:
    errors, inside, sets = [], 0, []
    for seed in (810_001, 810_002, 810_003):
        made = make(case, seed)
        sweeps, stats, _ = run(case, made)
        for s in sweeps:
            if s.accepted and s.minimum_mm is not None and s.u_mm is not None:
                i = int(np.argmin(np.abs(made.sweep_t - s.bottom_s)))
                errors.append(s.minimum_mm - float(made.sweep_mm[i]))
                inside += abs(errors[-1]) < 3.0 * s.u_mm
        assert stats.minimum_mm is not None
        assert stats.u_mm is not None
        assert stats.dof is not None
        sets.append((stats.minimum_mm - made.bottom_mm) / (stats.u_mm * t_quantile(0.995, stats.dof)))
    assert len(errors) >= 25, "sound sweeps are kept"
    assert math.sqrt(float(np.mean(np.square(errors)))) < max(0.0025, 0.3 * case.step_mm)
    assert inside >= 0.94 * len(errors)
    assert max(abs(z) for z in sets) < 1.0


def test_minutes_of_flicker_cost_no_more_than_a_sweep() -> None:
    # A display left lying for five minutes: every reading its own entry made arrays of gigabytes.
    z = np.asarray(0.001 * np.round(np.random.default_rng(3).normal(0.0, 1.5, 3000)), dtype=np.float64)
    flicker = Window(0.1 * np.arange(3000), z, 0.001)
    for windows in ([flicker], [_sweep(6.0, 15.0), flicker]):
        packed = pack(windows, 60.0, MOST)
        assert packed.t.shape[1] <= 2 * MOST
        assert packed.count[-1][: packed.entries[-1]].sum() == 3000
        assert packed.z[-1][: packed.entries[-1]] == pytest.approx(0.0, abs=0.001)


def test_a_singular_fit_has_no_weight_and_spoils_none_beside_it() -> None:
    # logarithms of evidence as a fit whose information is singular to rounding gives them
    evidence = np.array([[np.inf, -76.9, -63.2], [-80.0, -70.0, -60.0], [np.nan, np.inf, np.inf]])
    sign = np.array([[0.0, 1.0, 1.0], [1.0, 1.0, 1.0], [-1.0, 0.0, 0.0]])
    share = _share(usable(evidence, sign))
    assert np.isfinite(share).all()
    assert share[0, 0] < 1e-9
    assert share[0].argmax() == share[1].argmax() == 2
    assert (usable(evidence[1:2], sign[1:2]) == evidence[1]).all()


def _trembling(rng: np.random.Generator, rate: float, degrees: float) -> Window:
    t = np.arange(-1.2, 1.2, 1 / rate)
    f, phase = rng.uniform(4.0, 7.0), rng.uniform(0, 2 * np.pi)
    angle = np.radians(3.0 * t + degrees * np.sin(2 * np.pi * f * t + phase))
    z = 1.6 + K / np.cos(angle) - K + rng.normal(0.0, 0.0006, t.size)
    return Window(t, np.round(z, 3), 0.001)


def test_a_hand_that_trembles_is_not_taken_for_a_noisy_display() -> None:
    """An eighth of a degree at 4 to 7 Hz: micrometres on the flanks, nothing at the bottom.  As noise it made each bottom doubtful by 3 µm."""
    rng = np.random.default_rng(1)
    found = fit_bottoms([_trembling(rng, 50.0, 0.12) for _ in range(12)])
    assert max(b.u_mm for b in found) < 0.0016
    error = np.array([b.minimum_mm - 1.6 for b in found])
    assert float(np.sqrt(np.mean(error**2))) < 0.001
    assert sum(abs(b.minimum_mm - 1.6) <= 2.0 * b.u_mm for b in found) >= 11
    # the flanks are expected to scatter, the bottom is not
    assert all(b.sd[0] > 3.0 * b.sd[np.abs(b.u).argmin()] for b in found)


def test_noise_that_is_the_same_everywhere_is_no_trembling() -> None:
    rng = np.random.default_rng(2)
    for noise in (0.0006, 0.003):
        windows = [
            replace(w, z=w.z + rng.normal(0.0, noise, w.z.size)) for w in (_sweep(4.0, 25.0, p) for p in rng.random(12))
        ]
        for b in fit_bottoms(windows):
            assert b.sd.max() < 1.05 * b.sd.min()
