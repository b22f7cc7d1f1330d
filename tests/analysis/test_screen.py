"""Which sweeps count.  Invented benches (tests/bench/hands.py); each kind of trouble must be refused for its own reason."""

from __future__ import annotations

from dataclasses import replace

import pytest

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


def test_a_halting_hand_is_not_told_to_slow_down() -> None:
    case = replace(STEADY, hand="halting", rate=50)
    refused = [s for seed in range(4) for s in run(case, make(case, seed))[0] if s.reasons[:1] == ("too-fast",)]
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
