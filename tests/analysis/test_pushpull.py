"""Push-pull test found in the stream: proves play, and takes no swing, rest or re-seating for one."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
import scipy.stats as st

from analysis.play import LEAST_MM
from analysis.pushpull import (
    NO_TEST,
    Episode,
    Plateau,
    PlateauFinder,
    PushPull,
    combine,
    judge,
    load_reversal,
)
from analysis.results import PlayFinding
from tests.bench import hands, plateaus
from tests.bench.plateaus import BASE, COARSE, PLAY, SOUND, Bench

SEEDS = range(900, 920)


def episodes(t: np.ndarray, counts: np.ndarray, step_mm: float, *, asked: bool = False) -> list[Episode]:
    """Episodes of a stream."""
    finder = PlateauFinder()
    if asked:
        finder.expect()
    found = [finder.push(x, c * step_mm, step_mm) for x, c in zip(t.tolist(), counts.tolist(), strict=True)]
    return [e for e in (*found, finder.cut()) if e is not None]


def look(b: Bench, seed: int, *, asked: bool = False) -> PushPull:
    return judge(episodes(*plateaus.make(b, seed), b.step_mm, asked=asked))


def levels(*mm: float, every: float = 2.0, step: float = 0.001, asked: bool = False, drift: float = 0.0) -> Episode:
    """An episode made by hand: one plateau of a second and a half at each level."""
    made = [Plateau(i * every, i * every + 1.5, x + drift * i * every, 0.0006, 15) for i, x in enumerate(mm)]
    return Episode(tuple(made), step, asked)


# the finder on simulated streams it was not set on


@pytest.mark.parametrize("b", PLAY, ids=lambda b: b.name)
def test_play_is_found_with_its_size(b: Bench) -> None:
    got = [look(b, s) for s in SEEDS]
    found = [g for g in got if g.finding in ("present", "suspected")]
    assert len(found) >= 0.8 * len(got)  # 87 to 100 in 100 by family (tests/bench/plateaus.py)
    truth = b.play_mm + b.give_mm - b.lag_mm
    held = [g.size_low_mm <= truth <= g.size_high_mm for g in found if g.size_low_mm is not None and g.size_high_mm]
    assert np.mean(held) >= 0.8
    sizes = [g.size_mm for g in found if g.size_mm is not None]
    assert np.median(sizes) == pytest.approx(truth, abs=max(0.0015, 0.4 * b.step_mm))
    for g in found:
        assert f"{g.size_mm:.3f} mm" in g.say
        assert g.reversals >= 3


@pytest.mark.parametrize("b", SOUND, ids=lambda b: b.name)
def test_sound_bearings_are_not_accused(b: Bench) -> None:
    assert {look(b, s).finding for s in SEEDS} <= {"not assessable", "none"}


@pytest.mark.parametrize("b", SOUND, ids=lambda b: b.name)
def test_an_announced_test_of_sound_bearings_says_how_much_would_have_shown(b: Bench) -> None:
    got = [look(replace(b, swings=0), s, asked=True) for s in SEEDS]
    assert {g.finding for g in got} <= {"none", "not assessable"}
    for g in got:
        if g.finding == "none":
            assert g.size_high_mm is not None
            assert g.size_high_mm >= max(LEAST_MM, 1.5 * b.step_mm - 1e-9)
            assert f"{g.size_high_mm:.3f} mm" in g.say
        else:
            assert "Hold the arbor still" in g.say


@pytest.mark.parametrize(
    "case", [*hands.FAMILIES, *hands.SPOILT, *hands.PLAY, *hands.NO_PLAY], ids=lambda c: f"sweeps {c.name}"
)
def test_sweeps_are_no_push_pull_test(case: hands.Case) -> None:
    for seed in range(9000, 9004):
        made = hands.make(case, seed)
        assert judge(episodes(made.t, made.counts, made.step_mm)) == NO_TEST


@pytest.mark.parametrize("b", [BASE, replace(BASE, rate=50), COARSE], ids=lambda b: f"{b.step_mm} {b.rate}")
def test_rests_and_rocking_are_no_push_pull_test(b: Bench) -> None:
    for seed in SEEDS:
        for stream in (plateaus.still(b, seed, 0.002, 0.7), plateaus.rocking(b, seed, 2.0, 0.8)):
            assert judge(episodes(*stream, b.step_mm)).finding == "not assessable"


def test_seating_the_arbor_again_and_again_is_no_push_pull_test() -> None:
    rng = np.random.default_rng(5)
    t, mm, now = [], [], 0.0
    for i in range(8):
        for value, seconds in ((0.010 * (i % 2) + 0.4, 2.0), (9.0, 1.5)):
            for _ in range(int(seconds * 10)):
                t.append(now)
                mm.append(value + rng.normal(0, 0.001))
                now += 0.1
    assert judge(episodes(np.array(t), np.rint(np.array(mm) / 0.001), 0.001)) == NO_TEST


def test_a_display_that_wavers_between_two_values_is_no_play() -> None:
    level = np.repeat([0, 1] * 8, 15)
    assert judge(episodes(np.arange(level.size) * 0.1, level, 0.01)) == NO_TEST


def test_memory_is_bounded_on_a_long_stream() -> None:
    finder = PlateauFinder()
    rng = np.random.default_rng(1)
    wobble = rng.normal(0, 1, 40000)
    for i in range(40000):
        side = (i // 15) % 2 if i > 20000 else 0
        finder.push(i * 0.1, 0.001 * round(12 * side + wobble[i]), 0.001)
        assert len(finder._v) <= 300
        assert len(finder._t) <= 300
        assert len(finder._plateaus) <= 100


# what counts


def test_levels_far_from_the_known_bottom_are_not_held_at_it() -> None:
    t, counts = plateaus.make(replace(PLAY[0], swings=0), 3)
    assert judge(episodes(t, counts, 0.001)).finding == "present"
    finder = PlateauFinder()
    finder.bottom_mm = counts.mean() * 0.001 - 0.9
    assert [e for x, c in zip(t, counts, strict=True) if (e := finder.push(x, c * 0.001, 0.001))] == []
    assert finder.cut() is None


def test_a_cut_hands_over_what_there_is_and_starts_anew() -> None:
    t, counts = plateaus.make(PLAY[0], 3)
    begun = int(np.searchsorted(t, episodes(t, counts, 0.001)[0].end_s))
    finder = PlateauFinder()
    for x, c in zip(t[:begun].tolist(), counts[:begun].tolist(), strict=True):
        assert finder.push(x, c * 0.001, 0.001) is None
    assert finder.turns >= 4
    e = finder.cut()
    assert e is not None
    assert judge([e]).finding == "present"
    assert finder.turns == 0
    assert finder.cut() is None


def test_another_unit_on_the_display_ends_the_test() -> None:
    t, counts = plateaus.make(replace(PLAY[0], swings=0), 3)
    finder = PlateauFinder()
    for x, c in zip(t[:-40].tolist(), counts[:-40].tolist(), strict=True):
        finder.push(x, c * 0.001, 0.001)
    found = finder.push(float(t[-39]), 0.5, 0.00127)
    assert found is not None
    assert found.step_mm == 0.001


# the judge on episodes made by hand


def test_without_noise_the_size_is_the_difference_and_drift_takes_no_part() -> None:
    e = levels(*[0.0, 0.02] * 4)
    r = load_reversal(e)
    assert r is not None
    assert r.size_mm == pytest.approx(0.02, abs=1e-12)
    drifting = load_reversal(levels(*[0.0, 0.02] * 4, drift=0.0005))
    assert drifting is not None
    assert drifting.size_mm == pytest.approx(0.02, abs=1e-12)
    assert drifting.scatter_mm == pytest.approx(r.scatter_mm, abs=1e-12)


def test_it_agrees_with_the_paired_comparison_where_nothing_drifts() -> None:
    # forward and return readings of a paired example, 6 µm farther apart so that each level turns; interval by the statistics library
    push = [60.012, 60.014, 60.011, 60.013, 60.015, 60.012, 60.014, 60.013]
    pull = [60.022, 60.023, 60.022, 60.022, 60.025, 60.023, 60.023, 60.024]
    apart = np.array(pull) - np.array(push)
    low, high = st.ttest_rel(pull, push).confidence_interval()
    r = load_reversal(levels(*[x for pair in zip(push, pull, strict=True) for x in pair]))
    assert r is not None
    assert r.turns == 16
    assert float(apart.mean()) == pytest.approx(0.010, abs=1e-9)
    assert r.size_mm == pytest.approx(0.010, abs=0.0003)
    assert r.low_mm < low < high < r.high_mm


def test_the_neutral_position_between_push_and_pull_is_left_out() -> None:
    e = levels(*[0.0, 0.01, 0.02, 0.01] * 4)
    assert {p.level_mm for p in e.turns} == {0.0, 0.02}
    r = load_reversal(e)
    assert r is not None
    assert r.size_mm == pytest.approx(0.02)


def test_a_coarse_display_keeps_its_step_in_the_interval() -> None:
    flat = [Plateau(i * 2.0, i * 2.0 + 1.5, 0.02 * (i % 2), 0.0, 15) for i in range(8)]
    coarse, fine = load_reversal(Episode(tuple(flat), 0.01)), load_reversal(Episode(tuple(flat), 0.0001))
    assert coarse is not None
    assert fine is not None
    # two still readings: 0.01/√12 each, so 0.01/√6 for their difference (GUM F.2.2.1)
    half, least = coarse.high_mm - coarse.size_mm, fine.high_mm - fine.size_mm
    assert half == pytest.approx(math.hypot(1.96 * 0.01 / math.sqrt(6), least), rel=0.01)


def test_more_loads_make_it_surer() -> None:
    few, many = load_reversal(levels(*[0, 0.01] * 2)), load_reversal(levels(*[0, 0.01] * 8))
    assert few is not None
    assert many is not None
    assert few.p > many.p
    assert few.high_mm - few.low_mm > many.high_mm - many.low_mm


@pytest.mark.parametrize("mm", [(), (0.0,), (0.0, 0.02), (0.0, 0.02, 0.0)])
def test_fewer_than_four_loads_are_no_test(mm: tuple[float, ...]) -> None:
    assert judge([levels(*mm)] if mm else []) == NO_TEST


def test_less_than_the_least_size_is_not_called_play() -> None:
    assert judge([levels(*[0.0, 0.0035] * 5)]).finding == "not assessable"
    told = judge([levels(*[0.0, 0.0035] * 5, asked=True)])
    assert told.finding == "none"
    assert told.size_high_mm is not None
    assert told.size_high_mm >= LEAST_MM


def test_a_mirrored_display_and_another_unit_give_the_same_finding() -> None:
    up, down = judge([levels(*[0.1, 0.115] * 4)]), judge([levels(*[-0.1, -0.115] * 4)])
    assert (up.finding, up.size_mm, up.p_value) == (
        down.finding,
        pytest.approx(down.size_mm),
        pytest.approx(down.p_value),
    )
    assert up.finding == "present"


# together with the sweeps

SUSPECT = PlayFinding("suspected", 0.006, 0.001, 0.012, "none", 0.006, "Bearing play suspected.")
PRESENT = PlayFinding("present", 0.011, 0.008, 0.014, "heading", 1e-6, "Bearing play found.")
CLEAN = PlayFinding("none", None, 0.0, 0.004, "none", 0.4, "No bearing play found.")


def test_the_test_is_the_stronger_evidence() -> None:
    proven, none = judge([levels(*[0.0, 0.02] * 4)]), judge([levels(*[0.0, 0.003] * 4, asked=True)])
    for sweeps in (CLEAN, SUSPECT, PRESENT):
        both = combine(sweeps, proven)
        assert both.finding == "present"
        assert both.size_mm == proven.size_mm
        assert both.pattern == "two-level"
        assert combine(sweeps, NO_TEST) is sweeps
    assert combine(SUSPECT, none).finding == "none"
    assert combine(CLEAN, none).finding == "none"
    torn = combine(PRESENT, none)
    assert torn.finding == "suspected"
    assert PRESENT.say in torn.say
    assert none.say in torn.say
