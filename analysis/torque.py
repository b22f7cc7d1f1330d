"""Turning torque of bearings: units, a spring scale on a string, and figures that betray a slip of unit.

Limits come from the manual and are never filled in.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

POUND_INCH_NM = 0.45359237 * 9.80665 * 0.0254
"""Newton metres in one pound-force inch, exact by definition."""

NM_PER: dict[str, float] = {
    "N·m": 1.0,
    "N.m": 1.0,
    "N·cm": 0.01,
    "N.cm": 0.01,
    "lb·in": POUND_INCH_NM,
    "lb.in": POUND_INCH_NM,
    "lb·ft": 12.0 * POUND_INCH_NM,
    "lb.ft": 12.0 * POUND_INCH_NM,
}
"""Newton metres in one of each unit."""

_FEET, _INCHES = ("lb·ft", "lb.ft"), ("lb·in", "lb.in")
_METRES, _CENTI = ("N·m", "N.m"), ("N·cm", "N.cm")
_SLIPS = (
    (12.0, _FEET, "12 times too much: pound-feet typed for pound-inches?"),
    (1.0 / 12.0, _INCHES, "12 times too little: pound-inches typed for pound-feet?"),
    (100.0, _METRES, "100 times too much: newton centimetres typed as newton metres?"),
    (0.01, _CENTI, "100 times too little: newton metres typed as newton centimetres?"),
    (1.0 / POUND_INCH_NM, _METRES, "nearly 9 times too much: pound-inches typed as newton metres?"),
    (POUND_INCH_NM, _INCHES, "nearly 9 times too little: newton metres typed as pound-inches?"),
)
"""How far a figure is off, the unit it must then have been typed in, and what was meant."""


def to_newton_metres(value: float, unit: str) -> float:
    """A torque in N·m.

    Raises
    ------
    ValueError
        If the unit is not known.
    """
    if unit not in NM_PER:
        raise ValueError(f"torque unit {unit!r}: allowed are {', '.join(NM_PER)}")
    return value * NM_PER[unit]


def from_string(force_n: float, radius_m: float) -> float:
    """Torque, N·m, of a force on a string wound round a drum; the radius is the drum's plus half the string."""
    return force_n * radius_m


def at_pinion(pinion_nm: float, carrier_nm: float, pinion_teeth: int, ring_teeth: int) -> float:
    """Turning torque, N·m, expected at the pinion with the carrier in; the drag of the mesh is not included (common practice, no source)."""
    return pinion_nm + carrier_nm * pinion_teeth / ring_teeth


UNITS = ("N·m", "N·cm", "lb·in", "lb·ft")
"""Units a turning torque is read in, each by one spelling."""


def units_within(value: float, unit: str, low_nm: float, high_nm: float) -> tuple[str, ...]:
    """Other units in which a figure lies within limits, N·m."""
    return tuple(u for u in UNITS if NM_PER[u] != NM_PER[unit] and low_nm <= value * NM_PER[u] <= high_nm)


@dataclass(frozen=True, slots=True)
class TorqueFinding:
    """A turning torque against its limits.

    Attributes
    ----------
    likely : tuple of str
        For an implausible figure: the units in which it would lie within the limits.
    """

    value_nm: float
    finding: Literal["within", "below", "above", "implausible"]
    say: str
    likely: tuple[str, ...] = ()


def judge(
    value: float, unit: str, low: float, high: float, limits_unit: str, *, crush_sleeve: bool = False
) -> TorqueFinding:
    """A measured turning torque against the manual's limits.

    Parameters
    ----------
    crush_sleeve : bool
        Preload is set by a crush sleeve: too much cannot be taken back.

    Raises
    ------
    ValueError
        If a unit is not known, or a figure is not a positive number.
    """
    v, a, b = to_newton_metres(value, unit), to_newton_metres(low, limits_unit), to_newton_metres(high, limits_unit)
    if not (math.isfinite(v) and v > 0):
        raise ValueError(f"torque {value}: a number above 0, as read while turning steadily")
    of_value = "" if unit == "N·m" else f" ({v:.2f} N·m)"
    of_limits = "" if limits_unit == "N·m" else f" ({a:.2f} to {b:.2f} N·m)"
    shown = f"{value:.4g} {unit}{of_value} against {low:g} to {high:g} {limits_unit}{of_limits}"
    cure = " A crush sleeve that is overshot is renewed; never back the nut off." if crush_sleeve else ""
    # To a billionth: a limit typed in another unit is the same limit.
    if a * (1 - 1e-9) <= v <= b * (1 + 1e-9):
        return TorqueFinding(v, "within", f"Within the limits: {shown}.")
    if v > 4.0 * b or v < a / 4.0:
        for factor, typed, words in _SLIPS:
            if unit in typed and a <= v / factor <= b:
                likely = units_within(value, unit, a, b)
                return TorqueFinding(
                    v,
                    "implausible",
                    f"Not plausible: {shown} is {words} Check the unit.{readings_of(value, likely)}",
                    likely,
                )
        if v > 4.0 * b:
            # No sleeve is spent and no shim taken out before somebody has looked at a figure like this again.
            likely = units_within(value, unit, a, b)
            told = f"Not plausible: {shown} is {v / b:.0f} times the limit. Check the unit.{readings_of(value, likely)}{cure}"
            return TorqueFinding(v, "implausible", told, likely)
    if v < a:
        return TorqueFinding(v, "below", f"Too little: {shown}.")
    return TorqueFinding(v, "above", f"Too much: {shown}.{cure}")


MOST_NM = 12.0
"""Turning torque from which a slip of unit is likelier than a bearing that tight (common practice, no source; car and heavy-vehicle
service texts give 0.3 to 5.5 N·m)."""


def slip_of_unit(value: float, unit: str) -> str:
    """What to ask of a turning torque that no preloaded bearing has, whatever its limit; empty where there is nothing to ask.

    Raises
    ------
    ValueError
        If the unit is not known.
    """
    v = to_newton_metres(value, unit)
    if v <= MOST_NM:
        return ""
    likely = readings_of(value, units_within(value, unit, 0.3, MOST_NM))
    return f"Not plausible: {value:g} {unit} ({v:.2f} N·m) is more than bearings take to turn. Check the unit.{likely}"


def readings_of(value: float, units: Sequence[str]) -> str:
    """The same figure in other units, to be put right by whoever read it; empty where there is none."""
    if not units:
        return ""
    shown = " or ".join(f"{value:g} {u} ({value * NM_PER[u]:.2f} N·m)" for u in units)
    return f" Likely {shown}: if that is what was read, put the entry right."
