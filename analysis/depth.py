"""From the reading at the nearest point to the distance from axis to face.

``D = M + p (R - R0) + t``: reference distance, display direction, blade.  Derived here; agrees with the
worked special cases of service texts.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from decimal import Decimal

from analysis.results import INFINITE_DOF, BudgetLine, SetStatistics
from analysis.setup import Setup
from analysis.temperature import MATERIALS, TEMPERATURE_HALF_WIDTH_K, correction, which_material
from analysis.uncertainty import Combined, combine, rectangular, resolution

TOO_WARM_K = 5.0
"""Difference between housing and arbor from which a depth is not given (common practice, no source)."""

MASTER_RETURN = {"mm": Decimal("0.005"), "in": Decimal("0.0002")}
"""How closely the display must come back on the master, by the unit it is worked in (common practice, no source)."""


class DepthUnknownError(ValueError):
    """The distance cannot be stated; the text says what is missing."""


@dataclass(frozen=True, slots=True)
class Depth:
    """Distance from the carrier axis to the pinion's end face.

    Attributes
    ----------
    distance_mm : float
        At the reference temperature where temperatures are stated.
    combined : Combined
        Its uncertainty budget.
    steps : list of str
        The arithmetic, line by line.
    notes : list of str
        What is not covered.
    """

    distance_mm: float
    combined: Combined
    steps: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)


def measured_depth(setup: Setup, stats: SetStatistics, step_mm: float | None = None) -> Depth:
    """Distance and budget from a set of sweeps.

    Raises
    ------
    DepthUnknownError
        If no sweep counts, the display's direction is not stated, or nothing ties the display to a distance.
    """
    if stats.minimum_mm is None or stats.u_mm is None:
        raise DepthUnknownError("No good sweep yet.")
    arbor = setup.arbor
    if arbor.reading_sense is None:
        raise DepthUnknownError(
            "arbor.reading_sense is not stated. Pull the face away (or push the plunger in) and see which way the display goes: "
            '"grows" if it rises as the face gets farther away, "shrinks" if it falls.'
        )
    p = 1.0 if arbor.reading_sense == "grows" else -1.0
    steps: list[str] = []
    lines = list(stats.budget)
    notes = list(stats.notes)
    if arbor.master is not None:
        reference = setup.to_mm(arbor.master.distance) or 0.0
        zero = setup.to_mm(arbor.master.reading) or 0.0
        steps.append(f"master {reference:.4f} mm at display {zero:.4f} mm")
        if arbor.master.u is not None:
            lines.append(_b("master", setup.to_mm(arbor.master.u), "arbor.master.u"))
        else:
            notes.append("arbor.master.u is not stated and not included.")
        _master_again(setup, zero, steps, lines)
    elif arbor.constant is not None:
        reference, zero = setup.to_mm(arbor.constant) or 0.0, 0.0
        steps.append(f"arbor constant {reference:.4f} mm at display zero")
        if arbor.constant_u is not None:
            lines.append(_b("arbor constant", setup.to_mm(arbor.constant_u), "arbor.constant_u"))
        else:
            notes.append("arbor.constant_u is not stated and not included.")
    else:
        raise DepthUnknownError(
            "Neither arbor.constant nor arbor.master is stated: the display is not tied to a distance."
        )
    distance = reference + p * (stats.minimum_mm - zero)
    steps.append(f"display at the nearest point {stats.minimum_mm:.4f} mm: {distance:.4f} mm")
    distance = _blade(setup, distance, steps, lines, notes)
    _indicator(setup, step_mm, lines, notes)
    distance = _temperature(setup, distance, steps, lines, notes)
    return Depth(distance, combine(lines), steps, notes)


def _master_again(setup: Setup, zero_mm: float, steps: list[str], lines: list[BudgetLine]) -> None:
    master = setup.arbor.master
    after = setup.to_mm(master.reading_after) if master is not None else None
    if after is None:
        return
    away = abs(after - zero_mm)
    # To a picometre: the readings are exact counts, their difference is not.
    most = MASTER_RETURN[setup.units]
    if round(away, 9) > float(most * setup.mm_per_unit):
        raise DepthUnknownError(
            f"The display came back on the master {after - zero_mm:+.4f} mm off, more than {most} {setup.units}: what was measured between is "
            "void. Look for a loose tip or stem, a knock, a pressed key or a warming arbor; set the zero again and repeat."
        )
    steps.append(f"on the master again {after:.4f} mm: it came back within {after - zero_mm:+.4f} mm")
    lines.append(_b("return to the master", rectangular(away), "arbor.master.reading_after", "rectangular"))


def _b(name: str, u: float | None, source: str, distribution: str = "normal") -> BudgetLine:
    return BudgetLine(name, u or 0.0, "B", INFINITE_DOF, source, distribution)


def _blade(setup: Setup, distance: float, steps: list[str], lines: list[BudgetLine], notes: list[str]) -> float:
    bridge = setup.arbor.bridge
    if bridge is None:
        return distance
    t = setup.to_mm(bridge.thickness) or 0.0
    if bridge.on == "both":
        # The same blade under both readings: its thickness, and the error of it, go out again.
        steps.append("blade on pinion and master: it cancels")
        return distance
    sign = 1.0 if bridge.on == "pinion" else -1.0
    steps.append(f"blade {t:.4f} mm on the {bridge.on} only: {'add' if sign > 0 else 'take off'} its thickness")
    if bridge.u is not None:
        lines.append(_b("bridge blade", setup.to_mm(bridge.u), "arbor.bridge.u"))
    else:
        notes.append("arbor.bridge.u is not stated and not included.")
    return distance + sign * t


def _indicator(setup: Setup, step_mm: float | None, lines: list[BudgetLine], notes: list[str]) -> None:
    if setup.indicator_mpe_mm is not None:
        lines.append(_b("indicator", rectangular(setup.indicator_mpe_mm), "indicator.mpe", "rectangular"))
    else:
        notes.append("indicator.mpe is not stated and not included.")
    step = setup.resolution_mm or step_mm
    if step:
        # The zero or master reading is a still one: no sweep averages its step.
        lines.append(
            _b("display step at zero", resolution(step), "still reading at zero or on the master", "rectangular")
        )


def _temperature(setup: Setup, distance: float, steps: list[str], lines: list[BudgetLine], notes: list[str]) -> float:
    h = setup.housing
    if h.temperature is None:
        only = "Only the arbor's temperature is" if h.arbor_temperature is not None else "Temperatures are not"
        notes.append(f"{only} stated: temperature is not corrected for and not included.")
        return distance
    reference = float(h.reference)
    housing = float(h.temperature)
    arbor = float(h.arbor_temperature) if h.arbor_temperature is not None else housing
    if abs(housing - arbor) > TOO_WARM_K:
        raise DepthUnknownError(
            f"Housing {housing:g} °C and arbor {arbor:g} °C are too far apart for a depth. Let both come to the same temperature and measure again."
        )
    length = setup.to_mm(h.bore_to_seat)
    expansion = _expansion(setup)
    missing = _not_stated(setup, expansion, length)
    if expansion is None or length is None:
        notes.append(f"{missing}: temperature is not corrected for and not included.")
        return distance
    # One thermometer reading for both enters both alike; a second reading brings its own error.
    own = TEMPERATURE_HALF_WIDTH_K if h.arbor_temperature is not None else 0.0
    c = correction(length, distance, expansion, housing - reference, arbor - reference, arbor_half_width_k=own)
    steps.append(f"to {reference:g} °C: {c.mm:+.4f} mm over {length:g} mm of casting")
    arbor_too = ", arbor read apart ±1 K" if own else ""
    lines.append(
        _b(
            "temperature",
            c.u_mm,
            f"housing section; coefficients ±2 and ±1 in 1e-6/K, housing ±1 K{arbor_too}, gradient in the casting ±0.5 K",
            "rectangular",
        )
    )
    return distance + c.mm


def _expansion(setup: Setup) -> float | None:
    h = setup.housing
    return float(h.expansion) if h.expansion is not None else MATERIALS.get((h.material or "").strip().lower())


def _not_stated(setup: Setup, expansion: float | None, length: float | None) -> str:
    if expansion is None and setup.housing.material is not None:
        return f'housing.material "{setup.housing.material}" has no expansion here; allowed: {which_material(setup.housing.material or "")}'
    if expansion is None:
        return "housing.material or housing.expansion is not stated"
    return "housing.bore_to_seat is not stated" if length is None else ""
