"""What a turned ring gear showed, and why a stream shows nothing."""

from __future__ import annotations

from dataclasses import dataclass

REASONS = {
    "one-turn": "make two turns at least: from one alone the hand's speed cannot be told from the face",
    "no-turn": "turn the gear by hand through whole turns, resting a second before and after at the same mark",
    "too-few-readings": "turn more slowly: forty readings a turn at least",
    "not-whole": "the reading does not come back to where it began: begin and end at the same mark, and state how many turns it were",
    "turns-differ": "the turns do not agree: a bearing that gives, a plunger that slips, not the number of turns that is stated, or teeth under the plunger",
}
"""Why a stream gives no run-out, and what to do."""


@dataclass(frozen=True, slots=True)
class Turned:
    """Run-out of a turned ring gear; lengths mm.

    Attributes
    ----------
    total_mm, total_U95_mm : float or None
        Highest less lowest over a turn, noise left out; None where it is refused.
    wave_mm, wave_U95_mm : float
        Part of it that is one wave a turn: seat, case or bearing.
    heights_mm : tuple of float
        The face at equal angles from the mark, less its mean.
    noise_mm : float
        Standard deviation of the readings round the fit.
    tooth_mm : float or None
        What is left round the fit taken for the wave of one a tooth, highest less lowest; None where no teeth are stated.
    returned_mm : float
        Where the reading ended less where it began.
    """

    readings: int
    turns: int
    seconds: float
    reasons: tuple[str, ...]
    total_mm: float | None = None
    total_U95_mm: float | None = None
    wave_mm: float | None = None
    wave_U95_mm: float | None = None
    heights_mm: tuple[float, ...] = ()
    noise_mm: float | None = None
    tooth_mm: float | None = None
    returned_mm: float | None = None

    @property
    def accepted(self) -> bool:
        """Whether it counts."""
        return self.total_mm is not None and not self.reasons

    @property
    def say(self) -> str:
        """The finding in a sentence."""
        if not self.accepted or self.total_mm is None:
            return "No run-out comes out of this: " + "; ".join(REASONS[r] for r in self.reasons) + "."
        tooth = "" if not self.tooth_mm else f" The teeth make {self.tooth_mm:.3f} mm besides, left out."
        return (
            f"Run-out {self.total_mm:.3f} ± {self.total_U95_mm:.3f} mm over {self.turns} turns, {self.wave_mm:.3f} ± {self.wave_U95_mm:.3f} mm of it one "
            f"wave a turn; noise {1000 * (self.noise_mm or 0.0):.1f} µm.{tooth}"
        )
