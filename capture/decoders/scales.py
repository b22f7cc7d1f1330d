"""Unit and step of a value whose bytes say the unit."""

from __future__ import annotations

import math
from decimal import Decimal
from fractions import Fraction

from analysis.readings import Scale, Unit
from capture.decoders.contract import LARGEST_MM, Frame

_LARGEST = Fraction(LARGEST_MM)
_LARGEST_FRACTION = 1e12


class Scales:
    """Scales by unit: the profile's own, and those stated for when the display is set to a unit.

    Parameters
    ----------
    own : Scale
        Where the bytes say nothing.
    steps : dict, optional
        Display step by unit, where stated.
    """

    def __init__(self, own: Scale, steps: dict[Unit, Decimal] | None = None) -> None:
        self.unit = own.unit
        self._by_unit = {u: Scale(step, u) for u, step in (steps or {}).items()}
        self._by_unit.setdefault(own.unit, own)
        self._by_digits: dict[tuple[Unit, int], Scale] = {}

    def stated(self, unit: Unit) -> Scale | None:
        """Scale stated for a unit."""
        return self._by_unit.get(unit)

    def of_digits(self, unit: Unit, digits: int) -> Scale:
        """Scale of a value shown with so many decimal places: the stated one if it has as many."""
        stated = self._by_unit.get(unit)
        if stated is not None and _digits(stated.step) == digits:
            return stated
        return self._by_digits.setdefault((unit, digits), Scale(Decimal(1).scaleb(-digits), unit))


def _digits(step: Decimal) -> int:
    return max(0, -int(step.normalize().as_tuple().exponent))


def checked(counts: int, scale: Scale) -> Frame | str:
    """A frame, or why no indicator shows its value."""
    if abs(counts) * scale.step_mm > _LARGEST:
        return "value out of any indicator's range"
    return Frame(counts, scale, f"{counts * scale.step:f} {scale.unit}")


def counted(value: Decimal, scale: Scale) -> Frame | str:
    """A frame for a value that must lie on a step, or why there is none."""
    counts, exact = scale.counts_of(value)
    if abs(counts) * scale.step_mm > _LARGEST:
        return "value out of any indicator's range"
    if not exact:
        return f"value {value:f} is not a whole number of steps of {scale.step:f} {scale.unit}"
    return Frame(counts, scale, f"{value:f} {scale.unit}")


def nearest(number: float, scale: Scale, power: int = 0) -> Frame | str:
    """A frame for a binary fraction, which has no step of its own, times a power of ten; or why there is none."""
    if not math.isfinite(number):
        return f"value is {number}"
    if abs(number) > _LARGEST_FRACTION:
        return "value out of any indicator's range"
    counts, _ = scale.counts_of(Decimal(number).scaleb(power))
    return checked(counts, scale)
