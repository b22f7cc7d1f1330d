"""Readings as the display shows them: an integer count of a known step."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from fractions import Fraction
from typing import Literal, NamedTuple

Unit = Literal["mm", "in"]

MM_PER_INCH = Fraction(254, 10)
"""Exact by definition (the international inch)."""

UNIT_IN_MM: dict[Unit, Fraction] = {"mm": Fraction(1), "in": MM_PER_INCH}


@dataclass(frozen=True, slots=True)
class Scale:
    """Display step of an indicator.

    Attributes
    ----------
    step : Decimal
        Smallest change the display can show, in `unit`; greater than zero.
    unit : {"mm", "in"}
        Unit the display is set to.
    """

    step: Decimal
    unit: Unit

    def __post_init__(self) -> None:
        if self.unit not in UNIT_IN_MM:
            raise ValueError(f"unit is {self.unit!r}; allowed: 'mm' or 'in'")
        if not self.step.is_finite() or self.step <= 0:
            raise ValueError(f"display step is {self.step}; it must be greater than zero")

    @property
    def step_mm(self) -> Fraction:
        """Display step in millimetres, exact."""
        return Fraction(self.step) * UNIT_IN_MM[self.unit]

    def counts_to_mm(self, counts: int) -> float:
        """Value of `counts` steps in millimetres, rounded to a float once."""
        return float(counts * self.step_mm)

    def counts_of(self, value: Decimal) -> tuple[int, bool]:
        """Nearest count of `value` (in `unit`), and whether it lies on the step exactly."""
        try:
            whole, rest = divmod(value, self.step)
            if not rest:
                return int(whole), True
        except InvalidOperation:  # more digits than decimal arithmetic carries
            pass
        ratio = Fraction(value) / Fraction(self.step)
        counts = round(ratio)
        return counts, ratio == counts


class Reading(NamedTuple):
    """One value off the display.

    Attributes
    ----------
    t : float
        Seconds on the stream's monotonic clock, at arrival.
    counts : int
        Value as an integer number of display steps.
    scale : Scale
        Step and unit in force for this reading.
    """

    t: float
    counts: int
    scale: Scale

    @property
    def mm(self) -> float:
        """Value in millimetres."""
        return self.scale.counts_to_mm(self.counts)
