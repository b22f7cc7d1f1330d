"""Run-out of a gear turned by hand: judged on invented gears that share nothing with the estimator."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from analysis.readings import Reading, Scale
from analysis.turning import PLACES, TurningSession, run_out
from tests.bench.turns import BASE, SOUND, SPOILT, Gear, make, run

FIRM = [b for b in SOUND if b.name not in ("small 0.008 mm", "noise 2 µm", "very uneven", "0.01 mm", "0.0005 in")]
"""Families of which hardly any is refused."""


@pytest.mark.parametrize("b", FIRM, ids=lambda b: b.name)
def test_the_run_out_is_found(b: Gear) -> None:
    got = 0
    for seed in (1, 2, 3):
        when, counts, total, wave = make(b, seed)
        r: Any = run(when, counts, b)
        if not r.accepted:
            continue
        got += 1
        assert abs(r.total_mm - total) <= 1.5 * r.total_U95_mm
        assert abs(r.wave_mm - wave) <= 1.5 * r.wave_U95_mm
    assert got >= 2


@pytest.mark.parametrize("b", [b for b in SPOILT if not b.name.startswith("1.75")], ids=lambda b: b.name)
def test_what_is_no_whole_turn_or_no_face_is_refused(b: Gear) -> None:
    for seed in (1, 2, 3):
        when, counts, _, _ = make(b, seed)
        r: Any = run(when, counts, b)
        assert not r.accepted
        assert r.reasons
        assert r.say.startswith("No run-out")


def test_a_pure_wave_turned_evenly_gives_its_size_and_shape() -> None:
    """Highest less lowest of a sine is twice its amplitude; equal angles give the sine back."""
    t = np.arange(0, 20, 0.05)
    angle = 4 * np.pi * np.clip((t - 2) / 16, 0, 1)
    r = run_out(t, 0.015 * np.sin(angle) + 0.4, 2, 0.00001)
    assert r.accepted
    assert r.total_mm == pytest.approx(0.030, abs=3e-5)
    assert r.wave_mm == pytest.approx(0.030, abs=6e-4)
    assert len(r.heights_mm) == PLACES
    first = np.fft.rfft(np.array(r.heights_mm))
    assert 2 * abs(first[1]) / PLACES == pytest.approx(0.015, abs=3e-4)


def test_the_direction_of_the_display_and_its_zero_have_no_part() -> None:
    when, counts, _, _ = make(BASE, 4)
    a: Any = run(when, counts, BASE)
    b: Any = run(when, 777 - counts, BASE)
    assert b.total_mm == pytest.approx(a.total_mm, abs=1e-5)


def test_a_link_that_was_lost_begins_anew() -> None:
    when, counts, total, _ = make(BASE, 5)
    s = TurningSession(2)
    scale = Scale(Decimal("0.001"), "mm")
    for t, c in zip(when.tolist(), counts.tolist(), strict=True):
        s.reading(Reading(t, c, scale))
        if t < 3.0 <= t + 1.0 / BASE.rate:
            s.link(t, "lost")
    assert not s.found().accepted
    s = TurningSession(2)
    s.reading(Reading(0.0, 99999, scale))
    s.link(0.1, "lost")
    for t, c in zip(when.tolist(), counts.tolist(), strict=True):
        s.reading(Reading(t + 1.0, c, scale))
    assert s.found().total_mm == pytest.approx(total, abs=0.002)


def test_teeth_that_are_stated_are_told_and_left_out() -> None:
    b = replace(BASE, name="teeth", ripple=0.008, rate=50.0)
    when, counts, total, _ = make(b, 1)
    r: Any = run(when, counts, b)
    assert r.accepted
    assert abs(r.total_mm - total) < 0.003
    assert r.tooth_mm == pytest.approx(0.008, abs=0.002)
    assert "The teeth make" in r.say


def test_nothing_at_all() -> None:
    assert TurningSession(2).found().reasons == ("no-turn",)
    assert TurningSession(1).found().reasons == ("one-turn",)
