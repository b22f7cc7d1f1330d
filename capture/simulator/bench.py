"""From a hand to the bytes an indicator sends."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from analysis.geometry import extension_mm
from capture.simulator.hand import FINE_S, Swing, swings
from capture.simulator.scenario import Scenario
from capture.simulator.wires import MM_PER_UNIT, frame_of

Array = NDArray[np.float64]


FREE_MM = 11.0
"""How much farther the plunger goes when nothing holds it."""


@dataclass
class Truth:
    """What the simulated bench knows and the analysis must find.

    Attributes
    ----------
    minimum_mm : float
        Display at the nearest point, mm, seating scatter, drift and play at their mean.
    sweeps : list of dict
        Time, display at the nearest point (mm), seating and fault of each swing.
    reseats : list of float
        Times at which the arbor is seated anew.
    """

    minimum_mm: float = 0.0
    sweeps: list[dict[str, object]] = field(default_factory=list)
    reseats: list[float] = field(default_factory=list)


@dataclass(frozen=True)
class Event:
    """Something that happens at the bench: a line sent, the arbor seated anew, the plug pulled."""

    t: float
    kind: str
    data: bytes = b""


def line_of(counts: int, s: Scenario, other_unit: bool = False) -> bytes:
    """A reading as the scenario's indicator sends it.

    `other_unit` shows it in the unit the scenario does not use, as after a press of the unit key.
    """
    step, unit = s.resolution, s.unit
    if other_unit:
        unit = "in" if s.unit == "mm" else "mm"
        step = 0.00005 if unit == "in" else 0.001
        counts = round(counts * s.resolution * MM_PER_UNIT[s.unit] / MM_PER_UNIT[unit] / step)
    return frame_of(counts, step, unit, s.wire)


class _Indicator:
    """Plunger lag, noise and display step."""

    def __init__(self, s: Scenario, rng: np.random.Generator) -> None:
        self._s, self._rng = s, rng
        self._held: float | None = None
        self._noise = 0.0
        self._step_mm = s.resolution * MM_PER_UNIT[s.unit]

    def counts(self, distance: float) -> int:
        s = self._s
        held = distance if self._held is None else min(max(self._held, distance - s.lag / 2), distance + s.lag / 2)
        self._held = held
        self._noise = 0.3 * self._noise + 0.954 * float(self._rng.standard_t(6)) / 1.2247
        shown = held - s.zero + s.noise * self._noise
        if s.sense == "shrinks":
            shown = -shown
        return round(shown / self._step_mm)


def simulate(s: Scenario, seed: int) -> tuple[Iterator[Event], Truth]:
    """Events of one set in order of time, and the truth, complete once the events are used up.

    Parameters
    ----------
    s : Scenario
    seed : int
        The same seed gives the same bytes.
    """
    truth = Truth()
    return _events(s, np.random.default_rng([seed, 31337]), truth), truth


def _events(s: Scenario, rng: np.random.Generator, truth: Truth) -> Iterator[Event]:
    indicator = _Indicator(s, rng)
    now = 0.0
    period = 1.0 / (s.rate * rng.normal(1.0, 0.005))
    next_reading = rng.uniform(0, period)
    last_batch = 0.0
    held: list[tuple[float, bytes]] = []
    shift = 0.0
    levels: list[float] = []
    for number, swing in enumerate(swings(s, rng), start=1):
        if swing.first_of_seating:
            if swing.seating > 1:
                truth.reseats.append(now + 0.4)
                if s.lifted:
                    # The plunger hangs free at the end of its travel until the arbor lies in the bores again.
                    while next_reading < now + s.reseat_s:
                        yield Event(next_reading, "data", line_of(indicator.counts(s.distance + FREE_MM), s))
                        next_reading += period
                else:
                    yield Event(now + 0.4, "reseat")
                    next_reading += s.reseat_s
                now += s.reseat_s
            shift = rng.normal(0, s.seat_scatter) if s.seat_scatter else 0.0
        offsets, level = _play(s, swing, number, rng)
        distances = _distances(s, swing, rng) + offsets + shift
        span = np.arange(swing.angle.size) * FINE_S
        drift = s.drift_per_min / 60.0
        truth.sweeps.append(
            {
                "t": round(now + swing.nearest_s, 4),
                "minimum_mm": _shown(s, s.distance + shift + level + drift * (now + swing.nearest_s)),
                "seating": swing.seating,
                "fault": swing.fault,
            }
        )
        if swing.fault != "half":
            levels.append(s.distance + level + drift * (now + swing.nearest_s))
        end = now + swing.angle.size * FINE_S
        while next_reading < end:
            at = next_reading
            d = float(np.interp(at - now, span, distances)) + drift * at
            other = s.unit_key_at is not None and at >= s.unit_key_at
            if s.missing and rng.random() < s.missing:
                next_reading += period
                continue
            data = _damaged(line_of(indicator.counts(d), s, other), s.damage, rng)
            sent = at + abs(rng.normal(0, 0.0015))
            if s.batch_s:
                held.append((sent, data))
                if sent - last_batch >= s.batch_s:
                    last_batch = sent
                    yield Event(sent, "data", b"".join(x for _, x in held))
                    held.clear()
            else:
                yield Event(sent, "data", data)
            if s.unplug_at is not None and at < s.unplug_at <= at + period:
                yield Event(at + 0.001, "unplug")
                yield Event(at + s.unplug_s, "replug")
            next_reading += period
        now = end
    truth.minimum_mm = _shown(s, float(np.mean(levels)) if levels else s.distance)


def _shown(s: Scenario, distance: float) -> float:
    value = distance - s.zero
    return -value if s.sense == "shrinks" else value


def _distances(s: Scenario, swing: Swing, rng: np.random.Generator) -> Array:
    angle = np.radians(swing.angle)
    if s.flat_tip:
        # The edge touches: two false bottoms either side of the nearest point.
        d = (s.distance - s.flat_tip * np.abs(np.sin(angle))) / np.cos(angle)
    else:
        d = extension_mm(angle, s.distance - s.tip_radius, s.tip_radius)
    if s.hole:
        away = np.abs(s.distance * np.tan(angle))
        d = d + np.where(away < s.hole, np.sqrt(3.0) * (s.hole - away), 0.0)
    if swing.fault == "knock":
        t = np.arange(d.size) * FINE_S
        at = swing.nearest_s + rng.normal(0, 0.08)
        ring = np.exp(-(t - at) / 0.12) * np.cos((t - at) * 2 * np.pi * 3.1)
        d = d + np.where(t >= at, rng.uniform(0.06, 0.2) * ring, 0.0)
    return np.asarray(d)


def _play(s: Scenario, swing: Swing, number: int, rng: np.random.Generator) -> tuple[Array, float]:
    flat = np.zeros(swing.angle.size)
    if not s.play:
        return flat, 0.0
    if s.play_kind == "two-level":
        level = s.play * float(rng.random() < 0.5)
        return flat + level, level
    if s.play_kind == "heading":
        level = s.play * float(number % 2)
        return flat + level, level
    t = np.arange(swing.angle.size) * FINE_S
    at = swing.nearest_s + rng.normal(0, 0.3)
    return np.asarray(s.play * (t > at)), 0.5 * s.play


def _damaged(data: bytes, share: float, rng: np.random.Generator) -> bytes:
    if not share or rng.random() >= share:
        return data
    out = bytearray(data)
    at = int(rng.integers(0, len(out) - 2))
    kind = rng.integers(0, 4)
    if kind == 0:
        out[at] = int(rng.integers(128, 256))
    elif kind == 1:
        del out[at]
        out[at : at + 1] = b"?"
    elif kind == 2:
        # A digit turned into another: nothing but the neighbours can tell.
        out[at] = int(rng.choice(list(b"0123456789"))) if chr(out[at]).isdigit() else out[at]
    else:
        return bytes(out[:at]) + b"\xfe" + bytes(out[at:])
    return bytes(out)
