"""Does the figure make sense?  Checks that catch a wrong sign, unit or convention before a shim is cut.

Limits are common practice, no source; they raise a question and decide nothing.
"""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

from analysis.depth import measured_depth
from analysis.marks import Sense, target_from_deviation
from analysis.results import SetStatistics
from analysis.setup import Setup

LARGE_ERROR_MM = 0.30
"""Error from which a mistake is likelier than a shim that far out."""

CONVENTION_MM = 0.10
"""Disagreement between a quiet unit's as-found distance and its target from which a convention is doubted."""

_STEPS_MM = (("0.01 mm", Decimal("0.01")), ("0.001 mm", Decimal("0.001")), ("0.001 in", Decimal("0.0254")))


@dataclass(frozen=True, slots=True)
class AsFound:
    """A unit's as-found distance beside its etched target.

    Attributes
    ----------
    error_mm : float
        As-found less target.
    agrees : bool
    readings : tuple of str
        Other ways to read the mark that would agree, nearest first.
    say : str
    """

    error_mm: float
    agrees: bool
    readings: tuple[str, ...]
    say: str


def as_found(setup: Setup, distance_mm: float, ran_quietly: bool) -> AsFound | None:
    """Whether the distance found before anything was loosened supports the way the mark is read.

    Parameters
    ----------
    setup : Setup
    distance_mm : float
        Measured with the pinion still clamped as it ran.
    ran_quietly : bool
        Only then does the distance speak for itself.

    Returns
    -------
    AsFound or None
        None when no target is set.
    """
    target = setup.target
    if target is None:
        return None
    error = distance_mm - float(target.distance * setup.mm_per_unit)
    if abs(error) <= CONVENTION_MM:
        return AsFound(
            error, True, (), f"As found {error:+.3f} mm from target: that supports the way the mark is read."
        )
    others = _other_readings(setup, distance_mm)
    say = f"As found {error:+.3f} mm from target. "
    if not ran_quietly:
        say += "The unit did not run quietly, so this may be the fault itself; check the mark's sign and unit all the same."
        return AsFound(error, False, others, say)
    say += "A unit that ran quietly does not stand that far out: the mark's sign or unit is misread, the set is not this one, or earlier work was bad."
    if others:
        say += f" It would agree if the mark {' or '.join(others)}; the manual decides."
    return AsFound(error, False, others, say)


def _other_readings(setup: Setup, distance_mm: float) -> tuple[str, ...]:
    g = setup.gearset
    if g.mark != "deviation" or g.etched is None or g.nominal is None or g.etched_step is None:
        return ()
    senses: tuple[Sense, Sense] = ("adds", "subtracts")
    found: list[tuple[float, str]] = []
    for sense in senses:
        for name, step_mm in _STEPS_MM:
            if sense == g.etched_sense and step_mm == g.etched_step * setup.mm_per_unit:
                continue
            target = target_from_deviation(g.nominal * setup.mm_per_unit, g.etched, step_mm, sense, Decimal(1))
            off = abs(distance_mm - float(target.distance))
            if off <= CONVENTION_MM:
                found.append((off, f"{sense} in steps of {name}"))
    return tuple(text for _, text in sorted(found))


def direction_doubt(setup: Setup, stats: SetStatistics, error_mm: float) -> str:
    """Question to ask when the distance makes sense only with the display running the other way; else empty.

    A push on the plunger answers it; `arbor.sense_checked` records that it was done.

    Raises
    ------
    DepthUnknownError
        If the readings give no distance.
    """
    if setup.arbor.sense_checked or abs(error_mm) <= LARGE_ERROR_MM or setup.target is None:
        return ""
    other: Literal["grows", "shrinks"] = "shrinks" if setup.arbor.reading_sense == "grows" else "grows"
    turned = setup.model_copy(update={"arbor": setup.arbor.model_copy(update={"reading_sense": other})})
    distance = measured_depth(turned, stats).distance_mm
    there = distance - float(setup.target.distance * setup.mm_per_unit)
    if abs(there) > LARGE_ERROR_MM:
        return ""
    return (
        f"An error of {error_mm:+.3f} mm is not plausible, and were the display to run the other way it would be {there:+.3f} mm. "
        "Push the plunger in and watch: a display that rises as it goes in "
        '"shrinks" as the face gets farther away. Correct arbor.reading_sense, or state arbor.sense_checked = true if it stands as it is.'
    )


def large_error(error_mm: float) -> str:
    """Caution for an error larger than a shim usually has to make good; else empty."""
    if abs(error_mm) <= LARGE_ERROR_MM:
        return ""
    return (
        f"{abs(error_mm):.2f} mm is more than a shim usually has to make good. Stop and look for an error first: the mark's unit and sign, "
        "which way the display runs (push the plunger in and watch), mm against inch, the blade, the arbor's constant, a race not home."
    )
