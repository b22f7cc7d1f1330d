"""A push-pull test in the stream of a set: found, judged, and never taken for sweeps."""

from __future__ import annotations

from decimal import Decimal

import numpy as np
import pytest

from analysis.readings import Reading, Scale
from analysis.session import Session
from analysis.setup import parse_setup
from tests.bench import plateaus
from tests.bench.hands import STEADY, make

SCALE = Scale(Decimal("0.001"), "mm")


def _swept(seed: int) -> tuple[Session, float, int]:
    """A session after ten sound sweeps, when they ended, and the display at the bottom."""
    session = Session()
    made = make(STEADY, seed)
    for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
        session.reading(Reading(t, c, SCALE))
    return session, float(made.t[-1]), round(made.bottom_mm / 0.001)


def _push_and_pull(session: Session, begin: float, level: int, play_mm: float, seed: int) -> None:
    t, counts = plateaus.make(plateaus.Bench("push-pull", play_mm=play_mm, swings=0), seed)
    low = int(np.min(counts))
    session.mark(begin + 0.5, "push-pull")
    for at, c in zip(t.tolist(), counts.tolist(), strict=True):
        session.reading(Reading(begin + 1.0 + at, level + c - low, SCALE))
    session.close()


@pytest.mark.parametrize("seed", range(4))
def test_play_shown_by_push_and_pull_is_found_though_the_sweeps_are_sound(seed: int) -> None:
    session, end, level = _swept(seed)
    before = len(session.sweeps)
    _push_and_pull(session, end, level, 0.030, seed)
    assert session.play.finding == "present"
    assert session.play.size_mm == pytest.approx(0.030, abs=0.006)
    assert sum(s.accepted for s in session.sweeps) == sum(s.accepted for s in session.sweeps[:before])
    assert all(s.accepted for s in session.sweeps[:before])


@pytest.mark.parametrize("seed", range(4))
def test_a_sound_bearing_pushed_and_pulled_shows_no_play(seed: int) -> None:
    session, end, level = _swept(seed)
    _push_and_pull(session, end, level, 0.0, seed)
    assert session.play.finding == "none"


def test_sweeps_alone_make_no_push_pull_test() -> None:
    session, _, _ = _swept(9)
    session.close()
    assert "ush" not in session.play.say.partition("No indicator")[0]


@pytest.mark.parametrize(("wiggles", "apart", "held"), [(2, 20, 30), (3, 40, 20)])
def test_a_hand_that_rests_beside_the_bottom_and_wanders_tests_nothing(wiggles: int, apart: int, held: int) -> None:
    """Far from the bottom, though it made small bottoms of its own there."""
    session = Session(parse_setup({"arbor": {"reading_sense": "grows"}}))
    made = make(STEADY, 12)
    for t, c in zip(made.t.tolist(), made.counts.tolist(), strict=True):
        session.reading(Reading(t, c, SCALE))
    end, side = float(made.t[-1]) + 0.1, round(made.bottom_mm / 0.001) + 600
    shape = [*np.tile(np.abs(np.linspace(-50, 50, 41)), wiggles), *np.tile(np.repeat([apart, 0], held), 4)]
    noise = np.random.default_rng(3).normal(0.0, 0.6, len(shape))
    for i, z in enumerate(shape + noise):
        session.reading(Reading(end + 0.1 * i, side + round(z), SCALE))
    session.close()
    assert session.play.finding == "none"
    assert "ush" not in session.play.say.partition("No indicator")[0]
