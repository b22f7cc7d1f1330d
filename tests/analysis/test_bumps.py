"""Bottoms in pairs: the rims of an open hole repeat perfectly, and stand a tenth of a millimetre above the face."""

from __future__ import annotations

import math
from array import array
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest

from analysis.bumps import is_bump, on_two_rims
from analysis.sweeps import RawSweep, SweepFinder
from tests.bench.accuracy import run
from tests.bench.hands import FAMILIES, SPOILT, STEADY, make


@pytest.mark.parametrize("bore", [3.0, 4.5, 6.0, 9.0, 12.0])
@pytest.mark.parametrize("rate", [15.0, 100.0])
@pytest.mark.parametrize("hand", ["", "stroke", "wander"])
def test_over_a_bore_no_sweep_counts(bore: float, rate: float, hand: str) -> None:
    case = replace(STEADY, bore_mm=bore, tip_mm=1.0 + bore / 4, rate=rate, hand=hand)
    for seed in (1, 2):
        sweeps, stats, _ = run(case, make(case, seed))
        assert sweeps
        assert stats.accepted == 0
        assert {r for s in sweeps for r in s.reasons} == {"open-hole"}


@pytest.mark.parametrize("case", [c for c in FAMILIES if c.seats == 1], ids=lambda c: c.name)
def test_the_ends_of_a_sound_swing_are_never_taken_for_a_hole(case: object) -> None:
    assert not any("open-hole" in s.reasons for s in run(case, make(case, 11))[0])  # type: ignore[arg-type]


def test_what_is_not_known_decides_nothing() -> None:
    assert not on_two_rims([])
    assert not on_two_rims([math.nan, 3.0, 0.2, 3.0])
    assert on_two_rims([math.nan, 3.0, 0.2, 3.0, 0.2])
    assert not on_two_rims([3.0, 2.0, 3.0, 2.0, 3.0, 2.0])


def test_the_bench_has_bores() -> None:
    assert sum(c.bore_mm > 0 for c in SPOILT) >= 3


def test_two_bottoms_that_came_in_one_breath_bear_one_time() -> None:
    """Seen live: a link that hands over a whole second at once gives both sides of a peak the same time."""
    first = RawSweep(array("d", [0.0, 1.0, 1.0]), array("d", [0.5, 0.0, 0.3]), 0.001, "", 0.5, 0.3, 1)
    second = RawSweep(array("d", [1.0, 1.0, 2.0]), array("d", [0.3, 0.0, 0.5]), 0.001, "", 0.3, 0.5, 1)
    assert is_bump(first, second)


def test_a_hand_that_rocks_farther_to_one_side_makes_no_bumps() -> None:
    """Two degrees to one side, five to the other, in one second each way: the low peak is swung to, as slowly as the high one."""
    t = np.arange(0.0, 30.0, 0.05)
    z = 58.5 / np.cos(np.radians(1.5 + 3.5 * np.cos(2 * np.pi * t / 1.6))) - 58.5
    finder, found = SweepFinder(1), []
    for at, height in zip(t.tolist(), np.round(z, 3).tolist(), strict=True):
        if (raw := finder.push(at, height, 0.001)) is not None:
            found.append(raw)
    assert len(found) > 30
    assert not any(is_bump(a, b) for a, b in pairwise(found))
