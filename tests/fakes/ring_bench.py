"""An invented ring gear under an indicator: rocked between its stops, or turned round by hand, down to the bytes that are sent.

A hand goes from stop to stop on a smooth path, leans on the stop more and less, trembles, and lifts the plunger off to turn the gear on.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from capture.simulator.bench import Event
from capture.simulator.wires import MM_PER_UNIT, frame_of

Array = NDArray[np.float64]
FINE_S = 0.004


@dataclass(frozen=True)
class RingBench:
    """An invented ring gear and its indicator; lengths mm, times s, `resolution` in `unit`."""

    name: str
    about: str = ""
    unit: str = "mm"
    resolution: float = 0.001
    rate: float = 15.0
    noise: float = 0.0008
    lag: float = 0.0
    mirrored: bool = False
    batch_s: float = 0.0
    wire: str = "plain"
    gaps: tuple[float, ...] = (0.17, 0.18, 0.19, 0.18)
    """Backlash at each place that is rocked at; none for a gear that is turned."""
    stops: int = 6
    hold_s: float = 1.3
    give: float = 0.0012
    """How much farther a firm push goes than mere contact."""
    soft_place: int = 0
    """Place at which the pinion was not locked: its stops go on giving."""
    knock_place: int = 0
    """Place at which the bench is knocked."""
    warming_per_min: float = 0.0
    wave: float = 0.0
    """Back face of a gear that is turned: its wave of one a turn, highest less lowest."""
    second: float = 0.0
    """Its wave of two a turn."""
    turns: float = 0.0
    """Turns made, from rest to rest; 0 for a gear that is rocked."""
    turn_s: float = 7.0


@dataclass
class RingTruth:
    """What the bench knows: backlash of each place, or the face's highest less lowest."""

    gaps: list[float] = field(default_factory=list)
    run_out: float = 0.0


def simulate_ring(s: RingBench, seed: int) -> tuple[Iterator[Event], RingTruth]:
    """Events in order of time, and the truth.  The same seed gives the same bytes."""
    rng = np.random.default_rng([seed, 40487])
    truth = RingTruth(list(s.gaps) if not s.turns else [])
    path = _turned(s, rng, truth) if s.turns else _rocked(s, rng)
    return _sent(s, path, rng), truth


def _glide(start: float, stop: float, seconds: float) -> Array:
    x = np.linspace(0.0, 1.0, max(3, int(seconds / FINE_S)))
    return np.asarray(start + (stop - start) * (10 * x**3 - 15 * x**4 + 6 * x**5))


def _still(level: float, seconds: float) -> Array:
    return np.full(max(1, int(seconds / FINE_S)), level)


def _rocked(s: RingBench, rng: np.random.Generator) -> Array:
    parts: list[Array] = []
    level = float(rng.uniform(-0.5, 0.5))
    for place, gap in enumerate(s.gaps, start=1):
        here = level + gap * float(rng.uniform(0.2, 0.8))
        parts.append(_still(here, rng.uniform(0.4, 1.0)))
        side = int(rng.integers(0, 2))
        for _ in range(s.stops):
            at = level + gap * side
            sign = 1.0 if side else -1.0
            parts.append(_glide(here, at, rng.uniform(0.15, 0.4)))
            held = s.hold_s * rng.uniform(0.8, 1.4)
            t = np.arange(0.0, held, FINE_S)
            firm = float(np.exp(0.2 * rng.normal()))
            lean = firm * (1.0 - np.exp(-t / 0.05)) * (1.0 + 0.06 * np.sin(2 * np.pi * rng.uniform(5, 8) * t))
            leaning = 0.5 * s.give * sign * lean
            if place == s.soft_place:
                leaning = leaning + sign * 0.05 * (1.0 - np.exp(-t / 0.9))
            parts.append(at + leaning)
            here = float(parts[-1][-1])
            side = 1 - side
        if place == s.knock_place:
            parts[-3] = parts[-3] + _ringing(parts[-3].size, rng)
        lifted = level + float(rng.uniform(2.0, 5.0))
        level = float(rng.uniform(-0.5, 0.5))
        fresh = level if place < len(s.gaps) else lifted
        parts += [_glide(here, lifted, 0.3), _still(lifted, rng.uniform(1.5, 2.5)), _glide(lifted, fresh, 0.4)]
    return np.concatenate(parts)


def _ringing(n: int, rng: np.random.Generator) -> Array:
    t = np.arange(n) * FINE_S - 0.4 * n * FINE_S
    return np.asarray(np.where(t >= 0, rng.uniform(0.05, 0.1) * np.exp(-t / 0.1) * np.cos(2 * np.pi * 5 * t), 0.0))


def _turned(s: RingBench, rng: np.random.Generator, truth: RingTruth) -> Array:
    """Round by hand in a pull after another, each faster in its middle; a rest before and after."""
    parts: list[Array] = []
    left = s.turns
    while left > 1e-9:
        pull = min(left, float(rng.uniform(0.2, 0.4)))
        n = max(8, int(pull * s.turn_s * rng.uniform(0.8, 1.25) / FINE_S))
        x = np.linspace(0.0, 1.0, n)
        parts.append(pull * (x - 0.6 * np.sin(2 * np.pi * x) / (2 * np.pi)) + (s.turns - left))
        left -= pull
    angle = 2 * np.pi * np.concatenate(parts)
    at = rng.uniform(0, 2 * np.pi, 2)

    def face(a: Array) -> Array:
        return np.asarray(0.5 * s.wave * np.cos(a + at[0]) + 0.5 * s.second * np.cos(2 * a + at[1]))

    truth.run_out = float(np.ptp(face(np.linspace(0, 2 * np.pi, 1441))))
    mm = face(angle)
    return np.concatenate(
        [_still(float(mm[0]), rng.uniform(1.3, 2.0)), mm, _still(float(mm[-1]), rng.uniform(1.3, 2.0))]
    )


def _sent(s: RingBench, path: Array, rng: np.random.Generator) -> Iterator[Event]:
    step_mm = s.resolution * MM_PER_UNIT[s.unit]
    t = np.arange(path.size) * FINE_S
    path = path + s.warming_per_min * t / 60.0
    period = 1.0 / (s.rate * rng.normal(1.0, 0.005))
    held_at: float | None = None
    waiting: list[bytes] = []
    last = 0.0
    for at in np.arange(rng.uniform(0, period), t[-1], period):
        there = float(np.interp(at, t, path))
        held_at = there if held_at is None else min(max(held_at, there - s.lag / 2), there + s.lag / 2)
        shown = held_at + s.noise * float(rng.standard_t(6)) / 1.2247
        counts = round((-shown if s.mirrored else shown) / step_mm)
        waiting.append(frame_of(counts, s.resolution, s.unit, s.wire))
        if at - last >= s.batch_s:
            last = float(at)
            yield Event(float(at) + abs(rng.normal(0, 0.0015)), "data", b"".join(waiting))
            waiting.clear()
