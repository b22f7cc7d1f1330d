"""Backlash from a rocked ring gear: judged on invented gears that share nothing with the estimator."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from analysis.readings import Reading, Scale
from analysis.rocking import RockingSession, summary
from tests.bench.rocks import BASE, SOUND, SPOILT, Rocked, make, run

BY_NAME = {b.name: b for b in (*SOUND, *SPOILT)}


@pytest.mark.parametrize("b", SOUND, ids=lambda b: b.name)
def test_every_place_within_its_interval(b: Rocked) -> None:
    for seed in (1, 2):
        when, counts, truths = make(b, seed)
        places: list[Any] = [p for p in run(when, counts, b.step_mm) if p.accepted]  # type: ignore[attr-defined]
        assert len(places) == len(truths)
        for p, truth in zip(places, truths, strict=True):
            assert abs(p.backlash_mm - truth) <= 1.5 * p.U95_mm


@pytest.mark.parametrize(
    ("name", "reason"), [("soft stop 30 µm", "soft-stop"), ("one rock only", "too-few-rocks")], ids=["soft", "few"]
)
def test_what_is_no_backlash_is_refused_with_the_reason(name: str, reason: str) -> None:
    b = BY_NAME[name]
    when, counts, _ = make(b, 3)
    places: list[Any] = run(when, counts, b.step_mm)
    assert places
    assert not any(p.accepted for p in places)
    assert reason in {r for p in places for r in p.reasons}


def test_no_backlash_to_speak_of_is_no_place() -> None:
    b = BY_NAME["no backlash to speak of"]
    when, counts, _ = make(b, 1)
    assert run(when, counts, b.step_mm) == []


def test_the_display_direction_and_its_zero_have_no_part() -> None:
    when, counts, _ = make(BASE, 4)
    plain: list[Any] = run(when, counts, 0.001)
    turned: list[Any] = run(when, -counts - 1234, 0.001)
    assert [p.backlash_mm for p in turned] == pytest.approx([p.backlash_mm for p in plain], abs=3e-4)


def _session(when: Any, counts: Any, marks: tuple[float, ...] = (), name: str = "reseat") -> RockingSession:
    s = RockingSession()
    scale = Scale(Decimal("0.001"), "mm")
    left = list(marks)
    for t, c in zip(when.tolist(), counts.tolist(), strict=True):
        while left and t > left[0]:
            s.mark(left.pop(0), name)
        s.reading(Reading(t, c, scale))
    s.close()
    return s


def test_a_mark_parts_two_places_that_have_the_same_levels() -> None:
    """The display zeroed at one stop at each place: the levels are the same, the place is another."""
    b = replace(BASE, places=1, stops=8)
    when, counts, _ = make(b, 5)
    middle = float(when[when.size // 2])
    assert len(_session(when, counts).places()) == 1
    assert len(_session(when, counts, (middle,)).places()) == 2
    assert len(_session(when, counts, (middle,), "note:x").places()) == 1


def test_the_indicator_s_error_goes_into_the_budget() -> None:
    when, counts, _ = make(BASE, 6)
    scale = Scale(Decimal("0.001"), "mm")
    us = []
    for mpe in (None, 0.006):
        s = RockingSession(mpe)
        for t, c in zip(when.tolist(), counts.tolist(), strict=True):
            s.reading(Reading(t, c, scale))
        s.close()
        p = s.places()[0]
        us.append(p.u_mm)
        assert [x.u_mm for x in p.budget] == sorted((x.u_mm for x in p.budget), reverse=True)
    # Rectangular (GUM 4.3.7): a half width of 6 µm is 3.464 µm.
    assert us[1] == pytest.approx(np.hypot(us[0], 0.006 / np.sqrt(3)), rel=1e-9)


def test_nothing_but_swings_or_rest_is_no_rocking() -> None:
    t = np.arange(0, 30, 0.1)
    still = np.zeros(t.size, dtype=np.int64)
    assert "No rocking" in str(summary(_session(t, still).places())["say"])
    swings = np.rint(900 * np.sin(2 * np.pi * t / 3.0) ** 2).astype(np.int64)
    assert not any(p.accepted for p in _session(t, swings).places())


def test_the_unit_of_the_display() -> None:
    s = RockingSession()
    s.reading(Reading(0.0, 1, Scale(Decimal("0.0005"), "in")))
    assert (s.unit, s.step_mm) == ("in", pytest.approx(0.0127))
    s.reading(Reading(0.1, 1, Scale(Decimal("0.001"), "mm")))
    assert (s.unit, s.step_mm) == ("mm", pytest.approx(0.0127))
    s.damaged(0.2, "x")
    assert (s.readings, s.bad_frames) == (2, 1)
