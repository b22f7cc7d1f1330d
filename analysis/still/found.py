"""What a still surface showed, in figures and in a sentence, and the error that says why it showed nothing."""

from __future__ import annotations

from dataclasses import dataclass, replace


class NotStillError(ValueError):
    """The stretch cannot be used; the text says why and what to do."""


@dataclass(frozen=True, slots=True)
class StillStudy:
    """What a still surface showed; lengths mm.

    Attributes
    ----------
    readings, left_out : int
        Readings used, and those left out as disturbed.
    seconds : float
        Length of the stretch.
    step_mm : float
        Display step.
    sd_mm : float
        Standard deviation of the displayed readings about the drift; 0 when all are equal.
    noise_mm : float or None
        The same with the display step's share taken out; None where the step hides it.
    repeatability_mm : float
        Standard deviation to state for the indicator: `noise_mm`, or where the step hides it the larger of `sd_mm` and the
        resolution floor.
    low_mm, high_mm : float
        95 % interval of the noise.
    floor_mm : float
        Standard uncertainty of one still reading from the step alone, step/√12: no repetition removes it.
    dof : float
        Degrees of freedom the scatter is worth.
    worth : float
        Independent readings a mean of all is worth.
    correlation : float
        Of each reading with the next.
    drift_mm_per_min : float
        Mean drift taken out.
    all_equal : bool
        Not one reading differed.
    say : str
        The finding in a sentence or two.
    """

    readings: int
    left_out: int
    seconds: float
    step_mm: float
    sd_mm: float
    noise_mm: float | None
    repeatability_mm: float
    low_mm: float
    high_mm: float
    floor_mm: float
    dof: float
    worth: float
    correlation: float
    drift_mm_per_min: float
    all_equal: bool
    say: str


def with_sentence(s: StillStudy) -> StillStudy:
    """The same with its sentence."""
    parts = []
    if s.noise_mm is None:
        parts.append(
            f"The display step of {s.step_mm:.4g} mm hides the indicator's own noise (at most {s.high_mm:.4f} mm, 95 %): "
            f"state {s.repeatability_mm:.4f} mm. A finer indicator would show more."
        )
    else:
        parts.append(
            f"The indicator repeats to {s.repeatability_mm:.5f} mm (standard deviation; {s.low_mm:.5f} to {s.high_mm:.5f} mm, 95 %)."
        )
    if s.worth < 0.7 * s.readings:
        parts.append(f"Neighbouring readings err together: {s.readings} are worth {s.worth:.0f}.")
    if abs(s.drift_mm_per_min) * s.seconds / 60.0 > max(s.sd_mm, 0.5 * s.step_mm):
        parts.append(f"A drift of {s.drift_mm_per_min:+.4f} mm a minute was taken out: let the stand settle.")
    if s.left_out:
        parts.append(f"{s.left_out} disturbed reading{'s' * (s.left_out > 1)} left out.")
    return replace(s, say=" ".join(parts))
