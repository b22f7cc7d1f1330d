"""Quantities as they are written down: a figure and its unit, kept together and exact.

``0.920 mm``, ``0.0322 in``, ``19 lb·in``, ``21 °C``.  The figure stays a decimal as written; conversion is exact and happens once.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import Literal

from analysis.exact import exact
from analysis.torque import NM_PER

Dimension = Literal["length", "torque", "force", "temperature", "angle"]

_TO_MM: dict[str, Decimal] = {"mm": Decimal(1), "in": Decimal("25.4")}
_TO_NEWTON: dict[str, Decimal] = {
    "N": Decimal(1),
    "kgf": Decimal("9.80665"),
    "lbf": Decimal("0.45359237") * Decimal("9.80665"),
}
_TEMPERATURE = ("°C", "°F")
_ALIASES = {
    '"': "in",
    "inch": "in",
    "N.m": "N·m",
    "Nm": "N·m",
    "N.cm": "N·cm",
    "Ncm": "N·cm",
    "lb.in": "lb·in",
    "lbf·in": "lb·in",
    "lbf.in": "lb·in",
    "in·lb": "lb·in",
    "lb.ft": "lb·ft",
    "lbf·ft": "lb·ft",
    "lbf.ft": "lb·ft",
    "ft·lb": "lb·ft",
    "C": "°C",
    "F": "°F",
    "lb": "lbf",
    "kg": "kgf",
    "deg": "°",
}
UNITS: dict[Dimension, tuple[str, ...]] = {
    "length": ("mm", "in"),
    "torque": ("N·m", "N·cm", "lb·in", "lb·ft"),
    "force": tuple(_TO_NEWTON),
    "temperature": _TEMPERATURE,
    "angle": ("°",),
}
EXAMPLE: dict[Dimension, str] = {
    "length": '"0.920 mm" or "0.0362 in"',
    "torque": '"2.8 N·m", "280 N·cm", "19 lb·in" or "1.6 lb·ft"',
    "force": '"34 N", "3.5 kgf" or "7.6 lbf"',
    "temperature": '"21 °C" or "70 °F"',
    "angle": '"90 °"',
}

_FORM = re.compile(r"^\s*([+-]?\d+(?:[.,]\d+)?|[+-]?[.,]\d+)\s*([^\d\s].*?)?\s*$", re.ASCII)
DIGITS = 18
"""More digits than any instrument shows; longer figures are slips."""


class QuantityError(ValueError):
    """A quantity that cannot be read; the text says what is allowed."""


@dataclass(frozen=True, slots=True)
class Quantity:
    """A figure with its unit.

    Attributes
    ----------
    value : Decimal
        As written.
    unit : str
        One of `UNITS`.
    """

    value: Decimal
    unit: str

    def __str__(self) -> str:
        return f"{self.value:f} {self.unit}"

    @property
    def brief(self) -> str:
        """For a sentence: a mean has more places than any micrometer reads and is rounded to a tenth of a micrometre."""
        places = -int(self.value.as_tuple().exponent)
        most = 5 if self.unit == "in" else 4
        return str(self) if places <= most else f"{self.value:.{most}f} {self.unit}"

    @property
    def mm(self) -> Decimal:
        """A length in mm, exact."""
        return self.value * _TO_MM[self.unit]

    @property
    def newtons(self) -> Decimal:
        """A force in N, exact."""
        return self.value * _TO_NEWTON[self.unit]

    @property
    def newton_metres(self) -> float:
        """A torque in N·m."""
        return float(self.value) * NM_PER[self.unit]

    @property
    def celsius(self) -> Fraction:
        """A temperature in °C, exact."""
        return Fraction(self.value) if self.unit == "°C" else (Fraction(self.value) - 32) * Fraction(5, 9)


def quantity(given: object, dimension: Dimension, unit: str | None = None) -> Quantity:
    """A quantity from its text.

    Parameters
    ----------
    given : str
        Figure and unit; the unit may be left out where `unit` states it for a whole list.
    dimension : str
    unit : str, optional
        Unit of a bare figure.  A figure that carries another one of its own is refused: two units for one reading contradict.

    Raises
    ------
    QuantityError
    """
    if isinstance(given, bool) or not isinstance(given, str | int | Decimal | float):
        raise QuantityError(f"a figure with its unit, such as {EXAMPLE[dimension]}")
    try:
        # A minus as it is printed, in a figure that was pasted.
        m = _FORM.fullmatch(given.replace("\u2212", "-") if isinstance(given, str) else f"{exact(str(given)):f}")
    except ValueError:
        raise QuantityError(f"a figure of at most {DIGITS} digits") from None
    if m is None:
        raise QuantityError(f"a figure with its unit, such as {EXAMPLE[dimension]}")
    value = Decimal(m.group(1).replace(",", "."))
    if len(value.as_tuple().digits) > DIGITS:
        raise QuantityError(f"a figure of at most {DIGITS} digits")
    named = unit_named(m.group(2), dimension) if m.group(2) else None
    if named is None and unit is None:
        raise QuantityError(f"the unit with the figure, such as {EXAMPLE[dimension]}; it is never assumed")
    if named is not None and unit is not None and named != unit:
        raise QuantityError(f"{unit}, as stated for all of them, or no unit at the figure")
    return Quantity(value, named or unit or "")


def unit_named(text: object, dimension: Dimension) -> str:
    """A unit by its usual spelling.

    Raises
    ------
    QuantityError
    """
    name = str(text).strip()
    name = _ALIASES.get(name, name)
    if name not in UNITS[dimension]:
        raise QuantityError("one of the units " + ", ".join(UNITS[dimension]))
    return name
