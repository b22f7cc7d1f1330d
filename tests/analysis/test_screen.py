"""Which sweeps count.  Invented benches (tests/bench/hands.py); each kind of trouble must be refused for its own reason."""

from __future__ import annotations

from array import array
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from analysis.judging import _NO
from analysis.readings import Reading, Scale
from analysis.results import Reason
from analysis.screen import Judged, judge_together
from analysis.session import Session
from analysis.sweeps import RawSweep
from analysis.valley import Window
from tests.bench.accuracy import measure, run
from tests.bench.hands import SPOILT, STEADY, Case, make

BY_NAME = {c.name: c for c in SPOILT}


@pytest.mark.parametrize(
    "name", ["open hole 2 mm", "open hole 4 mm", "open hole 3 mm 0.01", "flat tip 1.0 mm", "flat tip 1.5 mm"]
)
def test_a_face_that_repeats_perfectly_and_lies_is_refused_whole(name: str) -> None:
    for seed in range(6):
        sweeps, stats, play = run(BY_NAME[name], make(BY_NAME[name], seed))
        assert stats.accepted == 0
        assert stats.minimum_mm is None
        assert play.finding == "not assessable"
        assert sum("open-hole" in s.reasons for s in sweeps) > 0.7 * len(sweeps)


@pytest.mark.parametrize("name", ["half sweeps", "half 0.01 mm"])
def test_a_sweep_turned_back_never_becomes_a_minimum(name: str) -> None:
    for seed in range(6):
        tally = measure(BY_NAME[name], seed)
        assert tally.kept_bad == 0
        assert tally.lost == 0
        assert tally.set_error is not None
        assert abs(tally.set_error) < 0.0035


def test_those_that_went_across_agree_however_many_turned_back() -> None:
    for seed in range(6):
        tally = measure(BY_NAME["half and half"], seed)
        assert tally.kept_bad == 0
        assert tally.lost == 0
        assert tally.set_error is not None
        assert abs(tally.set_error) < 0.0015


def test_half_sweeps_show_over_small_seatings_together() -> None:
    case = replace(BY_NAME["half sweeps"], rate=20, half_p=0.15, seats=4, sweeps=12)
    tallies = [measure(case, seed) for seed in range(500, 520)]
    assert sum(t.bad for t in tallies) > 30
    assert sum(t.kept_bad for t in tallies) <= 0.1 * sum(t.bad for t in tallies)
    assert sum(t.lost for t in tallies) == 0


@pytest.mark.parametrize("kind", ["two-level", "heading"])
def test_play_over_small_seatings_is_not_thrown_out_as_bad_sweeps(kind: str) -> None:
    case = replace(STEADY, rate=20, seats=3, sweeps=12, play_mm=0.010, play_kind=kind)
    found = [run(case, make(case, seed))[2].finding for seed in range(500, 520)]
    assert found.count("present") >= 19


def test_a_hand_that_stands_on_a_coarse_display_breaks_no_fit() -> None:
    for seed in (4, 8):
        case = replace(STEADY, rate=10, step_mm=0.01, hold_s=1.0)
        sweeps, stats, _ = run(case, make(case, seed))
        assert len(sweeps) == stats.accepted + stats.rejected >= 5


def _bottoms(
    minima: list[float], seats: list[int], knocked: tuple[int, ...] = (), slowing: dict[int, float] | None = None
) -> list[Judged]:
    """Sweeps that nothing but their height, and the hand's pace over the bottom, tells apart; some of them refused as knocked before."""
    case = replace(STEADY, rate=20)
    made = make(case, 1)
    raw = RawSweep(array("d", [0.0, 1.0, 2.0]), array("d", [1.0, 0.0, 1.0]), 0.001, lowest=1)
    window = Window(made.t[:3], np.zeros(3), 0.001, 0.0)
    judged = []
    for at, z in enumerate(minima):
        b = replace(_NO, minimum_mm=z, u_mm=0.001, bottom_s=float(at), noise_mm=0.001)
        b = replace(b, slowing=(slowing or {}).get(at, 0.0))
        reasons: list[Reason] = ["knock"] if at in knocked else []
        judged.append(Judged(replace(raw, z=array("d", [z + 1.0, z, z + 1.0])), window, b, reasons))
    judge_together(judged, seats, 60.0, None)
    return judged


def test_what_stands_above_every_seating_is_no_seating_of_its_own() -> None:
    judged = _bottoms([2.000, 2.001, 2.000, 9.2, 2.002, 2.001, 2.003], [1, 1, 1, 2, 3, 3, 3])
    assert [j.reasons for j in judged] == [[], [], [], ["turned-back"], [], [], []]


@pytest.mark.parametrize("seats", [[1] * 12, [1] * 4 + [2] * 4 + [3] * 4])
def test_a_display_set_to_zero_on_the_way_leaves_two_levels_and_no_verdict(seats: list[int]) -> None:
    wander = [0.0, 0.0005, -0.0006, 0.001, 0.0003, -0.0002, 0.0004, -0.0008, 0.0, 0.0006, -0.0003, 0.0001]
    judged = _bottoms([(2.02 if i < 6 else 0.786) + w for i, w in enumerate(wander)], seats)
    upper = [j.accepted for j in judged[:6]]
    assert sum(upper) >= 4
    assert all(j.accepted for j in judged[8:])


def test_a_seating_on_grit_is_shown_and_not_thrown_out() -> None:
    judged = _bottoms([2.000, 2.001, 2.000, 2.060, 2.061, 2.060, 2.002, 2.001, 2.003], [1, 1, 1, 2, 2, 2, 3, 3, 3])
    assert all(j.accepted for j in judged)


def test_a_trembling_hand_that_turns_back_often_does_not_become_the_rule() -> None:
    heights = [2.000, 2.001, 2.137, 2.180, 2.222, 2.263, 2.303, 2.001, 2.217, 2.289, 2.363, 2.441]
    judged = _bottoms(heights, [1] * len(heights), knocked=(0, 7))
    assert [i for i, j in enumerate(judged) if j.accepted] == [1]


def test_a_level_between_sweeps_that_went_across_is_a_hand_that_trembles_at_the_far_side() -> None:
    low = [2.000, 2.001, 2.000, 2.002, 2.001]
    judged = _bottoms([*low[:2], 2.260, 2.261, 2.263, *low[2:]], [1] * 8)
    assert [i for i, j in enumerate(judged) if not j.accepted] == [2, 3, 4]
    # the same at the beginning of a seating, where the seatings about it do not stand there
    judged = _bottoms([2.000, 2.001, 2.000, 2.001, 2.310, 2.311, 2.313, *low], [1] * 4 + [2] * 8)
    assert [i for i, j in enumerate(judged) if not j.accepted] == [4, 5, 6]


def test_where_the_hand_slowed_down_and_stands_high_the_arbor_turned_back() -> None:
    minima = [2.000, 2.0004, 2.006, 2.0001, 2.001, 2.0007, 2.012, 2.0009]
    judged = _bottoms(minima, [1] * 4 + [2] * 4, slowing={2: 0.6, 6: 1.0, 7: 0.9})
    assert [j.reasons for j in judged] == [[], [], ["turned-back"], [], [], [], ["turned-back"], []]
    # nor where others that went on stand as high: play
    levels = _bottoms([2.000, 2.014, 2.0141, 2.0002, 2.0138, 2.0001], [1] * 6, slowing={4: 0.5})
    assert all(j.accepted for j in levels)
    # neither by itself, nor where most hands rest at the bottom
    assert all(j.accepted for j in _bottoms(minima, [1] * 4 + [2] * 4))
    assert all(j.accepted for j in _bottoms(minima, [1] * 4 + [2] * 4, slowing=dict.fromkeys(range(6), 0.7) | {6: 0.7}))


def test_noise_no_indicator_has_is_a_hand_that_went_to_and_fro() -> None:
    """Rocking by a degree and a quarter one way: two bottoms and the hump between them count as one sweep, ten micrometres too high."""
    t = np.arange(0.0, 80.0, 0.1)
    way = t % 5.0
    angle = np.radians(np.interp(way, [0.0, 0.5, 1.5, 2.8, 3.8, 4.5, 5.0], [4.0, 4.0, 0.0, -1.25, -1.25, 0.0, 4.0]))
    z = 58.5 / np.cos(angle) - 58.5 + np.random.default_rng(1).normal(0.0, 0.0006, t.size)
    session = Session()
    for at, c in zip(t.tolist(), np.rint((2.0 + z) / 0.001).astype(int).tolist(), strict=True):
        session.reading(Reading(at, c, Scale(Decimal("0.001"), "mm")))
    session.close()
    for s in session.sweeps:
        assert not s.accepted or (s.minimum_mm is not None and abs(s.minimum_mm - 2.0) < 0.003)


def test_bumps_are_refused_and_the_rest_is_kept() -> None:
    tallies = [measure(BY_NAME["knocks"], seed) for seed in range(8)]
    assert sum(t.kept_bad for t in tallies) <= 0.06 * sum(t.bad for t in tallies)
    assert sum(t.lost for t in tallies) == 0
    assert all(t.reasons["knock"] for t in tallies if t.bad)


def test_what_is_too_fast_gets_no_answer_and_advice() -> None:
    for seed in range(10):
        sweeps, stats, _ = run(BY_NAME["too fast"], make(BY_NAME["too fast"], seed))
        assert stats.accepted == 0
        assert any("too-fast" in s.reasons for s in sweeps)
        assert any("Slow down" in s.advice for s in sweeps)


@pytest.mark.parametrize("step", [0.01, 0.0127])
def test_usual_hands_on_a_coarse_display_at_ten_readings_a_second_are_not_too_fast(step: float) -> None:
    case = replace(STEADY, step_mm=step)
    tallies = [measure(case, seed) for seed in range(8)]
    assert sum(t.lost for t in tallies) <= 0.1 * sum(t.good for t in tallies)
    errors = np.array([e for t in tallies for e in t.sweep_error])
    assert np.mean(np.abs(errors) < 1.96 * np.array([u for t in tallies for u in t.sweep_u])) > 0.93
    assert all(t.set_covered for t in tallies)


def test_a_coarse_display_over_too_few_readings_is_sure_of_nothing() -> None:
    case = replace(STEADY, step_mm=0.01, swing_s=0.9)
    tallies = [measure(case, seed) for seed in range(8)]
    assert sum(t.reasons["too-fast"] for t in tallies) > 60
    assert all(abs(e) < 3.0 * u for t in tallies for e, u in zip(t.sweep_error, t.sweep_u, strict=True))


def test_a_halting_hand_is_not_told_to_slow_down() -> None:
    case = replace(STEADY, hand="halting", rate=50)
    refused = [s for seed in range(8) for s in run(case, make(case, seed))[0] if s.reasons[:1] == ("too-fast",)]
    assert len(refused) > 10
    assert sum("one even motion" in s.advice for s in refused) > 0.8 * len(refused)


@pytest.mark.parametrize("step", [0.001, 0.01])
def test_garbled_values_spoil_no_sweep(step: float) -> None:
    case: Case = replace(STEADY, rate=20, bad_reading_p=0.004, step_mm=step)
    tallies = [measure(case, seed) for seed in range(5)]
    assert sum(t.lost for t in tallies) <= 1
    assert all(t.set_error is not None and abs(t.set_error) < 0.002 for t in tallies)


def test_rejected_sweeps_stay_in_the_list() -> None:
    made = make(BY_NAME["half sweeps"], 3)
    sweeps, stats, _ = run(BY_NAME["half sweeps"], made)
    assert len(sweeps) == stats.accepted + stats.rejected
    assert [s.n for s in sweeps] == list(range(1, len(sweeps) + 1))
    assert all(s.advice for s in sweeps if not s.accepted)
