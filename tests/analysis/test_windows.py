"""When readings were really taken, and rests of the hand.  All figures are invented; the rules are derived here."""

from __future__ import annotations

from array import array

import numpy as np
import pytest

from analysis.sweeps import RawSweep
from analysis.windows import choose, rest_of, steady_times


def _device(n: int, period: float = 0.1) -> np.ndarray:
    return 3.0 + period * np.arange(n)


def test_a_late_reading_is_put_back_on_the_clock() -> None:
    t = _device(20)
    late = t.copy()
    late[7] += 0.06
    times, timing = steady_times(late, 0.1)
    assert np.ptp(np.diff(times)) < 1e-9
    assert np.abs(times - t).max() < 0.006
    assert timing < 0.001


@pytest.mark.parametrize("gone", [[5], [5, 6], [3, 11, 12], [1, 9, 17]])
def test_missing_readings_are_counted(gone: list[int]) -> None:
    t = np.delete(_device(25, 0.05), gone)
    jitter = np.random.default_rng(len(gone)).uniform(0, 0.004, t.size)
    times, _ = steady_times(t + jitter, 0.05)
    off = times - t
    assert np.ptp(off) < 0.004, "the spacing is the device's own, missing readings and all"


@pytest.mark.parametrize(("rate", "batch"), [(30, 0.05), (50, 0.1), (20, 0.03), (100, 0.25)])
def test_bunched_arrivals_are_spread_out_again(rate: float, batch: float) -> None:
    t = _device(60, 1 / rate)
    arrivals = np.ceil(t / batch) * batch
    times, _ = steady_times(arrivals, 1 / rate)
    assert np.ptp(np.diff(times)) < 1e-9
    assert np.diff(times).mean() == pytest.approx(1 / rate, rel=0.03)


def test_without_a_steady_clock_the_arrivals_are_kept_with_their_doubt() -> None:
    rng = np.random.default_rng(4)
    arrivals = np.cumsum(rng.exponential(0.4, 30))
    times, timing = steady_times(arrivals, 0.1)
    assert (times == arrivals).all()
    assert timing > 0.0


def _flank(t: np.ndarray, rest: tuple[float, float] | None) -> np.ndarray:
    moved = t.copy()
    if rest is not None:
        a, b = rest
        moved = np.where(t < a, t, np.where(t < b, a, t - (b - a)))
    return 0.25 * (moved - 1.0) ** 2


def test_a_rest_at_the_bottom_is_found_and_taken_out() -> None:
    t = np.arange(0, 3.2, 0.05)
    z = _flank(t, (1.0, 2.1))
    rest = rest_of(t, z, int(np.argmin(z)), 0.001)
    assert rest is not None
    assert rest.begin == pytest.approx(1.0, abs=0.06)
    assert rest.end == pytest.approx(2.1, abs=0.06)
    assert np.ptp(rest.taken_out(t)) == pytest.approx(np.ptp(t) - 1.1, abs=0.1)
    assert (np.diff(rest.taken_out(t)) >= 0).all(), "times keep their order"


def test_a_hand_that_goes_on_has_no_rest() -> None:
    t = np.arange(0, 2.0, 0.05)
    z = _flank(t, None)
    assert rest_of(t, z, int(np.argmin(z)), 0.001) is None


def test_the_window_grows_until_it_holds_enough_readings_in_motion() -> None:
    t = np.arange(0, 4.0, 0.1)
    z = _flank(t, (1.0, 3.0))
    raw = RawSweep(array("d", t), array("d", z), 0.001, "", float(z.max()), float(z.max()), int(np.argmin(z)))
    window = choose(raw, 0.1)
    assert window.rest is not None
    assert window.rest.moving(window.clock) >= 12
