"""A hand that swings an arbor: speeds up, slows down, wavers, stops at the ends, sometimes turns back.

The speed along a swing is a random walk that is smoothed twice, so it is no spline and no sum of sines.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.simulator.scenario import Fault, Scenario

Array = NDArray[np.float64]
FINE_S = 0.002


@dataclass(frozen=True)
class Swing:
    """One swing: angle in degrees every `FINE_S` seconds, and when the hand was nearest the normal."""

    angle: Array
    nearest_s: float
    fault: Fault | None
    seating: int
    first_of_seating: bool


def _wander(rng: np.random.Generator, n: int, size: float) -> Array:
    width = max(3, int(0.25 / FINE_S))
    walk = np.cumsum(rng.normal(size=n + 2 * width))
    smooth = np.convolve(walk, np.ones(width) / width, "same")
    smooth = np.convolve(smooth, np.ones(width) / width, "same")[width:-width]
    smooth = smooth - smooth.mean()
    sd = smooth.std() or 1.0
    return np.asarray(np.exp(size * smooth / sd))


def _move(rng: np.random.Generator, start: float, stop: float, seconds: float, s: Scenario) -> Array:
    n = max(20, int(seconds / FINE_S))
    x = np.linspace(0, 1, n)
    speed = (np.sin(np.pi * x) ** 0.7 + 0.05) * _wander(rng, n, s.unevenness)
    way = np.cumsum(speed)
    angle = start + (stop - start) * (way - way[0]) / (way[-1] - way[0])
    if s.dwell_s and min(start, stop) < 0 < max(start, stop):
        at = int(np.argmin(np.abs(angle - rng.normal(0, 0.2))))
        stay = int(s.dwell_s * rng.uniform(0.5, 1.5) / FINE_S)
        angle = np.concatenate([angle[:at], np.full(stay, angle[at]), angle[at:]])
    return np.asarray(angle)


def swings(s: Scenario, rng: np.random.Generator) -> Iterator[Swing]:
    """Swings of one set, seating by seating."""
    side = -1.0
    here = side * s.swing * rng.uniform(0.85, 1.1)
    number = 0
    for seating in range(1, s.seatings + 1):
        for i in range(s.sweeps):
            number += 1
            fault = s.faults.get(number)
            quick = 0.32 if fault == "too-fast" else 1.0
            pause = np.full(int(s.pause_s * rng.uniform(0.5, 1.5) / FINE_S), here)
            far = -side * s.swing * rng.uniform(0.85, 1.1)
            seconds = s.sweep_s * rng.uniform(0.85, 1.2) * quick
            if fault == "half":
                turn = side * rng.uniform(1.6, 3.2)
                back = side * s.swing * rng.uniform(0.85, 1.1)
                first = _move(rng, here, turn, 0.5 * seconds, s)
                path = np.concatenate([first, _move(rng, turn, back, 0.5 * seconds, s)])
                nearest = first.size
                here = back
            else:
                path = _move(rng, here, far, seconds, s)
                nearest = int(np.argmin(np.abs(path)))
                here, side = far, -side
            angle = np.concatenate([pause, path])
            yield Swing(angle, (pause.size + nearest) * FINE_S, fault, seating, i == 0)
