"""The session: display direction, seatings, marks, links, and results that can be written as JSON.  Invented streams."""

from __future__ import annotations

import json
from dataclasses import replace
from decimal import Decimal

import numpy as np
import pytest

from analysis.readings import Reading, Scale
from analysis.session import Session
from tests.bench.hands import STEADY, Made, make

MM = Scale(Decimal("0.001"), "mm")
INCH = Scale(Decimal("0.00005"), "in")


def _feed(session: Session, made: Made, begin: float = 0.0, shift: int = 0, scale: Scale = MM) -> float:
    for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
        session.reading(Reading(begin + t, c + shift, scale))
    return begin + float(made.t[-1])


def test_results_are_json_and_grow_with_the_sweeps() -> None:
    session = Session()
    before = session.version
    _feed(session, make(STEADY, 1))
    assert session.version > before
    session.close()
    result = session.result()
    assert json.loads(json.dumps(result, allow_nan=False)) == result
    assert result["depth"] == {
        "distance_mm": None,
        "reason": "No set-up file was given: the distance needs the arbor's constant or a master.",
    }


def test_an_empty_session_says_nothing_rather_than_failing() -> None:
    session = Session()
    session.close()
    result = session.result()
    assert result["sweeps"] == []
    assert json.dumps(result, allow_nan=False)


def test_a_mark_begins_a_new_seating_and_the_interval_comes_from_seatings() -> None:
    session, end = Session(), 0.0
    for n, shift in enumerate((0, 3, -2)):
        if n:
            session.mark(end + 0.1, "reseat")
        end = _feed(session, make(STEADY, 20 + n), end + 1.0, shift)
    session.close()
    assert {s.seat for s in session.sweeps} == {1, 2, 3}
    assert session.statistics.seats == 3
    assert session.statistics.budget[0].name == "seatings"
    assert session.statistics.seat_sd_mm is not None
    assert all("Seating the arbor again" not in n for n in session.statistics.notes)


def test_a_plunger_lifted_off_the_face_is_a_new_seating_nobody_marked() -> None:
    session = Session()
    end = _feed(session, make(STEADY, 31))
    for i in range(30):
        session.reading(Reading(end + 0.1 * (i + 1), 11_000, MM))
    _feed(session, make(STEADY, 31), end + 3.5)
    session.close()
    assert session.statistics.seats == 2
    assert any("The plunger left the face" in n for n in session.statistics.notes)


@pytest.mark.parametrize("rate", [10.0, 50.0])
def test_a_plunger_in_the_air_before_the_first_sweep_spoils_none(rate: float) -> None:
    """Listening began before the arbor lay in its bores: the first sweep was told that the plunger stuck."""
    made = make(replace(STEADY, rate=rate), 4)
    session = Session()
    first = int(made.counts[0])
    for n in range(int(3 * rate)):
        session.reading(Reading(n / rate, first + 4000, MM))
    for n in range(int(2 * rate)):
        session.reading(Reading(3.0 + n / rate, first, MM))
    _feed(session, made, 5.0)
    session.close()
    assert [s.reasons for s in session.sweeps] == [()] * len(session.sweeps)
    assert len(session.sweeps) == made.sweep_t.size


def test_where_the_direction_is_not_stated_a_lift_is_measured_from_the_bottoms() -> None:
    """The stop of the plunger turns too, the other way: taken for the bottom it made each return to the face a seating."""
    session, end = Session(), 0.0
    for n in range(3):
        made = make(STEADY, 40 + n)
        last = int(made.counts[-1])
        end = _feed(session, made, end + 0.1)
        for k in range(25):
            up = (0.4, 0.75)[k] if k < 2 else 1.0 if k < 20 else (0.7, 0.35, 0.0, 0.0, 0.0)[k - 20]
            session.reading(Reading(end + 0.1 * (k + 1), last + round(7500 * up), MM))
        end += 2.6
    session.close()
    assert max(s.seat for s in session.sweeps) == 3


def test_a_plunger_that_only_flickers_away_is_not() -> None:
    session = Session()
    end = _feed(session, make(STEADY, 31))
    session.reading(Reading(end + 0.1, 11_000, MM))
    _feed(session, make(STEADY, 31), end + 1.0)
    session.close()
    assert session.statistics.seats == 1


def test_one_seating_says_that_seating_again_is_not_covered() -> None:
    session = Session()
    _feed(session, make(STEADY, 5))
    session.close()
    assert any("Seating the arbor again is not covered" in n for n in session.statistics.notes)


def test_two_seatings_that_differ_widen_the_interval() -> None:
    one, two = Session(), Session()
    end = _feed(one, make(STEADY, 6))
    _feed(one, make(STEADY, 7), end + 1.0, shift=round((make(STEADY, 6).bottom_mm - make(STEADY, 7).bottom_mm) / 0.001))
    end = _feed(two, make(STEADY, 6))
    two.mark(end + 0.5, "reseat")
    _feed(
        two,
        make(STEADY, 7),
        end + 1.0,
        shift=round((make(STEADY, 6).bottom_mm - make(STEADY, 7).bottom_mm) / 0.001) + 6,
    )
    for s in (one, two):
        s.close()
    assert two.statistics.u_mm is not None
    assert one.statistics.u_mm is not None
    assert two.statistics.u_mm > 3.0 * one.statistics.u_mm


def test_a_unit_key_pressed_mid_stream_is_no_jump() -> None:
    session = Session()
    made = make(STEADY, 8)
    half = made.t.size // 2
    for i, (t, c) in enumerate(zip(made.t.tolist(), made.counts.tolist(), strict=True)):
        mm = c * 0.001
        session.reading(Reading(t, c, MM) if i < half else Reading(t, round(mm / 25.4 / 0.00005), INCH))
    session.close()
    kept = [s.minimum_mm for s in session.sweeps if s.accepted and s.minimum_mm is not None]
    assert np.ptp(kept) < 0.01, "millimetres and inches of the same face"
    assert any("unit-changed" in s.reasons for s in session.sweeps) or len(kept) == 10


def test_a_lost_link_spoils_the_sweep_it_falls_into_and_no_other() -> None:
    session = Session()
    made = make(STEADY, 9)
    bottom = float(made.sweep_t[4])
    for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
        if bottom - 0.3 < t < bottom + 1.2:
            session.link(t, "lost")
            continue
        session.reading(Reading(t, c, MM))
    session.close()
    assert sum(s.accepted for s in session.sweeps) == 9
    assert sum("link-lost" in s.reasons for s in session.sweeps) <= 1


@pytest.mark.parametrize("mirror", [False, True])
@pytest.mark.parametrize("sweeps", [3, 10])
def test_the_display_direction_is_told_from_the_turning_points(mirror: bool, sweeps: int) -> None:
    from dataclasses import replace

    case = replace(STEADY, mirror=mirror, sweeps=sweeps, rate=20)
    for seed in range(6):
        made = make(case, seed)
        session = Session()
        _feed(session, made)
        session.close()
        assert session.statistics.minimum_mm == pytest.approx(made.bottom_mm, abs=0.002)


def test_a_judgement_in_another_thread_while_readings_arrive() -> None:
    import threading

    session, stop, failures = Session(), threading.Event(), []

    def judge() -> None:
        while not stop.is_set():
            try:
                session.result()
            except Exception as e:
                failures.append(e)
                return

    thread = threading.Thread(target=judge)
    thread.start()
    end = 0.0
    for seed in range(4):
        end = _feed(session, make(STEADY, 40 + seed), end + 1.0)
    stop.set()
    thread.join()
    assert failures == []
