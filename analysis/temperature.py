"""What a warm housing does to the measured distance.

The distance is housing less steel: bore axis to bearing seat in the casting, less bearing, shim and pinion head, measured with
a steel arbor.  The steel part cancels against the arbor, so the correction acts on the length of the
casting, not on the distance.  Derived here; expansion coefficients: materials handbook, appendix of room-temperature
values, citing alloy handbooks; gauge steel 11.5 after GUM H.1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.uncertainty import rectangular

STEEL = 11.5e-6
"""Expansion of the arbor, bearing, shim and pinion, 1/K."""

MATERIALS: dict[str, float] = {
    "steel": 11.7e-6,
    "steel 1020": 11.7e-6,
    "steel 1040": 11.3e-6,
    "steel 4140": 12.3e-6,
    "steel 4340": 12.3e-6,
    "grey iron": 11.4e-6,
    "gray iron": 11.4e-6,
    "ductile iron": 11.2e-6,
    "ductile iron 60-40-18": 11.2e-6,
    "ductile iron 80-55-06": 10.6e-6,
    "cast aluminium": 21.5e-6,
    "cast aluminum": 21.5e-6,
    "aluminium 356.0": 21.5e-6,
    "aluminum 356.0": 21.5e-6,
    "magnesium": 26.0e-6,
    "magnesium az91d": 26.0e-6,
    "magnesium az31b": 26.0e-6,
}
"""Expansion of housing materials, 1/K; names in lower case.  A name without a grade stands for the first grade listed."""


def which_material(given: str) -> str:
    """Which name to take where a material has no expansion here, and what else is allowed, as a sentence without its stop."""
    low = given.lower()
    take = ""
    if "iron" in low:
        take = (
            'cast iron is "grey iron" or "ductile iron", as the manual or a mark on the casting says; where neither does, either will do, '
            "since the two differ by less than the ±2 in 1e-6/K that is reckoned with"
        )
    elif "alu" in low or "alloy" in low:
        take = 'an aluminium casting is "cast aluminium"'
    elif "magn" in low:
        take = 'a magnesium casting is "magnesium"'
    elif "steel" in low:
        take = 'steel of another grade is "steel"'
    allowed = ", ".join(f'"{m}"' for m in MATERIALS) + ", or any other with its expansion stated (housing.expansion)"
    return f"{take}. Known are {allowed}" if take else allowed


HOUSING_HALF_WIDTH = 2e-6
STEEL_HALF_WIDTH = 1e-6
TEMPERATURE_HALF_WIDTH_K = 1.0
"""Half widths assumed for the two coefficients and for each thermometer reading; rectangular."""

GRADIENT_HALF_WIDTH_K = 0.5
"""Half width of what the casting's mean temperature may differ from where it was read; rectangular."""


@dataclass(frozen=True, slots=True)
class Correction:
    """Correction to the reference temperature and its standard uncertainty, mm."""

    mm: float
    u_mm: float


def correction(
    bore_to_seat_mm: float,
    distance_mm: float,
    housing_expansion: float,
    housing_excess_k: float,
    arbor_excess_k: float,
    *,
    arbor_half_width_k: float | None = None,
) -> Correction:
    """Correction of a measured distance to the reference temperature.

    Parameters
    ----------
    bore_to_seat_mm : float
        Length of casting between the carrier bore's axis and the pinion bearing's seat, mm.
    distance_mm : float
        Distance as measured, mm.
    housing_expansion : float
        Linear expansion of the casting, 1/K.
    housing_excess_k, arbor_excess_k : float
        Temperature above the reference, K.
    arbor_half_width_k : float, optional
        Half width of the arbor temperature's own error, K; 0 when one reading serves for both, so that its error enters
        both alike.  Left out: `TEMPERATURE_HALF_WIDTH_K` where the two temperatures differ, else 0.

    Notes
    -----
    First order in the temperature: 2 nm from the exact ratio at 63 mm, +10 K and magnesium.
    """
    h, d, th, ta = bore_to_seat_mm, distance_mm, housing_excess_k, arbor_excess_k
    if arbor_half_width_k is None:
        arbor_half_width_k = TEMPERATURE_HALF_WIDTH_K if ta != th else 0.0
    apart = arbor_half_width_k > 0.0
    excess = housing_expansion - STEEL
    mm = -h * excess * th + d * STEEL * (ta - th)
    ut = rectangular(TEMPERATURE_HALF_WIDTH_K)
    parts = (
        h * th * rectangular(HOUSING_HALF_WIDTH),
        (h * th + d * (ta - th)) * rectangular(STEEL_HALF_WIDTH),
        (h * excess + (d * STEEL if apart else 0.0)) * ut,
        d * STEEL * rectangular(arbor_half_width_k),
        h * housing_expansion * rectangular(GRADIENT_HALF_WIDTH_K),
        # second order: matters at the reference temperature, where the first two vanish
        h * math.hypot(rectangular(HOUSING_HALF_WIDTH), rectangular(STEEL_HALF_WIDTH)) * ut,
    )
    return Correction(mm, math.sqrt(sum(p * p for p in parts)))
