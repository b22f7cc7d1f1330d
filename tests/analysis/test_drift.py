"""A set that drifts: its zero was set before, so the drift is doubt and not only a pattern.  Invented figures."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from analysis.play import NOT_ASSESSABLE, several_apart
from analysis.repeatability import Bottoms, summarise
from analysis.results import PlayFinding
from analysis.stopping import decide
from tests.bench.accuracy import run
from tests.bench.hands import STEADY, make


def drifting(per_min: float, seats: int = 1, n: int = 12) -> Bottoms:
    t = np.arange(n) * 3.5
    seat = np.repeat(np.arange(1, seats + 1), n // seats)
    t = t + 30.0 * (seat - 1)
    noise = np.random.default_rng(6).normal(0.0, 0.0004, n)
    return Bottoms(per_min * t / 60 + noise, np.full(n, 0.0005), t, seat, ("out", "back") * (n // 2), 0.001)


def test_a_drift_is_allowed_for_by_what_it_made_over_the_set() -> None:
    s = summarise(drifting(0.020), 0)
    line = next(b for b in s.budget if b.name == "drift")
    # rectangular over the drift of one set, GUM 4.3.7: half width over root 3
    assert line.u_mm == pytest.approx(0.020 * 38.5 / 60 / math.sqrt(3), rel=0.1)
    assert line.kind == "B"
    assert s.u_mm is not None
    assert s.u_mm > line.u_mm


@pytest.mark.parametrize(("jump", "told"), [(-1.234, True), (0.5, True), (0.12, False), (0.0, False)])
def test_a_display_set_to_zero_on_the_way_is_asked_about(jump: float, told: bool) -> None:
    b = drifting(0.0)
    s = summarise(replace(b, minimum=b.minimum + np.where(b.t > 20.0, jump, 0.0)), 0)
    asked = [n for n in s.notes if "zero key" in n]
    assert bool(asked) == told
    if told:
        assert f"{abs(jump):.2f}" in asked[0]
        assert "from 21 s on" in asked[0]


@pytest.mark.parametrize(
    ("shifts", "off"),
    [
        ((0.0, 0.044, 0.001), "Seating 2 stands 0.044 mm off (+0.044"),
        ((-0.020, 0.0, 0.002), "Seating 1 stands 0.021 mm off (-0.021"),
        ((0.0, 0.004, 0.008), ""),
        ((0.0, 0.020, 0.040), ""),
        ((0.0, 0.0, 0.0), ""),
    ],
)
def test_a_seating_that_stands_off_is_named_and_counted(shifts: tuple[float, ...], off: str) -> None:
    b = drifting(0.0, seats=3)
    s = summarise(replace(b, minimum=b.minimum + np.array(shifts)[b.seat - 1]), 0)
    named = [n for n in s.notes if "stands" in n]
    assert len(named) == bool(off)
    assert all(off in n for n in named)
    assert s.accepted == 12
    assert s.minimum_mm == pytest.approx(sum(shifts) / 3, abs=0.0004)


def test_between_seatings_their_means_show_it() -> None:
    s = summarise(drifting(0.020, seats=3), 0)
    line = next(b for b in s.budget if b.name == "drift")
    assert line.u_mm == pytest.approx(0.020 * 10.5 / 60 / math.sqrt(3), rel=0.3)


def test_a_set_that_drifts_is_ended_for_that_and_not_for_the_indicator() -> None:
    d = decide(summarise(drifting(0.040), 0), 0.004, one_seating=True)
    assert (d.stop, d.reached) == (True, False)
    assert "the minima drift" in d.say
    assert "settle" in d.say
    assert "finer indicator" not in d.say


def test_without_a_drift_nothing_is_allowed() -> None:
    assert "drift" not in {b.name for b in summarise(drifting(0.0), 0).budget}


@pytest.mark.parametrize("per_min", [0.02, 0.04])
def test_a_reading_from_before_the_set_lies_within_what_is_stated(per_min: float) -> None:
    """The bench's truth moved back to the first sweep, when the display was still right."""
    case = replace(STEADY, drift_mm_per_min=per_min, rate=20)
    for seed in range(4):
        _, stats, _ = run(case, made := make(case, seed))
        assert stats.minimum_mm is not None
        assert stats.u_mm is not None
        first = made.bottom_mm - per_min * float(np.ptp(made.sweep_t)) / 2 / 60
        assert abs(stats.minimum_mm - first) < 1.96 * stats.u_mm


NONE = PlayFinding("none", None, 0.0, 0.004, "none", 0.5, "No bearing play found.")


def test_several_sweeps_apart_are_suspected_and_a_few_are_not() -> None:
    got = several_apart(NONE, [0.015, 0.030, 0.031], 7, 0.001)
    assert (got.finding, got.size_low_mm, got.size_high_mm) == ("suspected", 0.015, 0.031)
    assert "turned back" in got.say
    assert "push and pull" in got.say
    assert several_apart(NONE, [0.015, 0.030], 8, 0.001) is NONE
    assert several_apart(NONE, [0.015, 0.030, 0.031], 30, 0.001) is NONE
    # so far apart the arbor has turned back, and no bearing plays
    assert several_apart(NONE, [0.08, 0.12, 0.15], 7, 0.001) is NONE
    assert several_apart(NOT_ASSESSABLE, [0.015, 0.030, 0.031], 7, 0.001) is NOT_ASSESSABLE
