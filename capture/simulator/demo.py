"""The demonstration: an invented transaxle, measured over and over."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from importlib import resources

from analysis.setup import Setup, parse_setup
from capture.exact_toml import exact_toml
from capture.simulator.bench import Event, simulate
from capture.simulator.scenario import Scenario

DEMO = Scenario(
    name="demonstration",
    about="Invented transaxle: three seatings, a knock and a half sweep among them.",
    distance=60.024,
    zero=58.000,
    rate=15.0,
    noise=0.0009,
    swing=8.5,
    sweep_s=2.5,
    seatings=3,
    sweeps=5,
    seat_scatter=0.0012,
    faults={4: "knock", 8: "half"},
)

PAUSE_S = 12.0
"""Time to read the answer before the next set begins."""


def demo_setup() -> Setup:
    """The demonstration's set-up; invented."""
    return parse_setup(exact_toml(demo_setup_file().decode("utf-8")))


def demo_setup_file() -> bytes:
    """The file it stands in."""
    return (resources.files("capture.simulator") / "demo.toml").read_bytes()


def demo_events(seed: int = 1) -> Iterator[Event]:
    """Sets without end; an event "new-set" comes between them."""
    start, n = 0.5, 0
    while True:
        events, _ = simulate(replace(DEMO), seed + n)
        last = start
        for event in events:
            last = start + event.t
            yield Event(last, event.kind, event.data)
        yield Event(last + 0.5, "set-done")
        yield Event(last + PAUSE_S, "new-set")
        start, n = last + PAUSE_S + 0.5, n + 1
