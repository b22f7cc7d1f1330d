"""A sweep with its fit, what speaks against it, and what to do about that."""

from __future__ import annotations

from dataclasses import dataclass, field

from analysis.results import Reason
from analysis.sweeps import RawSweep
from analysis.valley import Bottom, Window

ADVICE: dict[Reason, str] = {
    "too-few-samples": "Too few readings on this pass. Sweep slower, or set the indicator to send more often.",
    "too-fast": "Slow down: aim for 10 readings within the last 0.1 mm.",
    "turned-back": "The arbor turned back before the nearest point. Swing right across the face.",
    "knock": "The arbor or the case was bumped. Sweep again with both hands on the arbor.",
    "gap": "Readings are missing at the bottom. Check the cable or bring the receiver nearer.",
    "unit-changed": "The unit key was pressed during this sweep. Leave it alone and sweep again.",
    "open-hole": "The tip drops into the centre hole, or its end is flat. Lay the blade on the face or move the tip off the centre.",
    "plunger-stuck": "The plunger stuck and jumped. Clean it and work it a few times.",
    "off-the-set": "This sweep stands apart from the others. Look for dirt and movement, then sweep again.",
    "link-lost": "The link dropped during this sweep. Sweep again.",
    "after-the-end": "The set had ended. Begin a new set, or go on with this one.",
}

UNEVEN = "The hand stopped, or went to and fro, at the bottom. Sweep across it in one even motion."
"""Advice in the place of that for "too-fast" where readings are not what is missing."""


@dataclass(slots=True)
class Judged:
    """A sweep with its fit and what speaks against it."""

    raw: RawSweep
    window: Window
    bottom: Bottom | None
    reasons: list[Reason] = field(default_factory=list)
    spiked: bool = False
    uneven: bool = False

    @property
    def advice(self) -> str:
        """What to do about the first reason, or ""."""
        if not self.reasons:
            return ""
        return UNEVEN if self.uneven and self.reasons[0] == "too-fast" else ADVICE[self.reasons[0]]

    @property
    def accepted(self) -> bool:
        """True while nothing speaks against the sweep."""
        return not self.reasons
