"""What is simulated: the unit, the hand, the indicator, and what goes wrong.  All figures are invented."""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Literal

Fault = Literal["knock", "half", "too-fast"]


@dataclass(frozen=True)
class Scenario:
    """An invented bench.

    Lengths are mm, angles degrees, times s; `resolution` is in `unit`.
    """

    name: str
    about: str = ""
    distance: float = 60.0
    tip_radius: float = 1.5
    zero: float = 58.4
    """Distance at which the display shows zero."""
    sense: Literal["grows", "shrinks"] = "grows"
    unit: Literal["mm", "in"] = "mm"
    resolution: float = 0.001
    rate: float = 15.0
    noise: float = 0.0008
    lag: float = 0.0
    swing: float = 9.0
    sweep_s: float = 2.6
    unevenness: float = 0.3
    pause_s: float = 0.35
    dwell_s: float = 0.0
    seatings: int = 1
    sweeps: int = 8
    seat_scatter: float = 0.0
    reseat_s: float = 2.0
    drift_per_min: float = 0.0
    play: float = 0.0
    play_kind: Literal["two-level", "heading", "inside"] = "two-level"
    faults: dict[int, Fault] = field(default_factory=dict)
    """Fault by number of the swing, counted from 1 over the whole set."""
    lifted: bool = False
    """The indicator goes on sending while the arbor is seated anew, its plunger free; nobody marks it."""
    hole: float = 0.0
    """Radius of an open centre hole of 60° in the face."""
    flat_tip: float = 0.0
    """Radius of a flat tip's edge; 0 for a ball."""
    missing: float = 0.0
    """Share of readings that are never sent."""
    damage: float = 0.0
    """Share of lines with a damaged byte."""
    batch_s: float = 0.0
    """Lines are handed over together at this interval."""
    wire: Literal["plain", "unit", "comma", "sum", "packed", "counted", "json", "value"] = "plain"
    """What is sent: lines of sign and digits; with the unit after them; decimal comma and sign after; with a check sum;
    or frames of packed decimal digits, binary counts, JSON; or the bare value of a Bluetooth characteristic."""
    unit_key_at: float | None = None
    """When the unit key is pressed, once; only bytes that carry their unit tell."""
    unplug_at: float | None = None
    unplug_s: float = 2.0

    def __post_init__(self) -> None:
        for f in fields(self):
            value = getattr(self, f.name)
            if (
                isinstance(value, float | int)
                and not isinstance(value, bool)
                and value < 0
                and f.name not in ("zero", "drift_per_min")
            ):
                raise ValueError(f"{f.name} is {value}; it must not be negative")
        if self.unit_key_at is not None and self.wire not in ("unit", "packed", "json"):
            raise ValueError(
                'unit_key_at needs wire = "unit", "packed" or "json": otherwise nothing tells the units apart'
            )
        if self.rate <= 0 or self.resolution <= 0 or self.swing <= 0 or self.sweep_s <= 0:
            raise ValueError("rate, resolution, swing and sweep_s must be above 0")
