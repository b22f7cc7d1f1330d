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
    "grey iron": 11.4e-6,
    "ductile iron": 11.2e-6,
    "cast aluminium": 21.5e-6,
    "magnesium": 26.0e-6,
}
"""Expansion of housing materials, 1/K."""

HOUSING_HALF_WIDTH = 2e-6
STEEL_HALF_WIDTH = 1e-6
TEMPERATURE_HALF_WIDTH_K = 1.0
"""Half widths assumed for the two coefficients and for each temperature; rectangular."""


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
    """
    h, d, th, ta = bore_to_seat_mm, distance_mm, housing_excess_k, arbor_excess_k
    mm = -h * (housing_expansion - STEEL) * th + d * STEEL * (ta - th)
    ut = rectangular(TEMPERATURE_HALF_WIDTH_K)
    parts = (
        h * th * rectangular(HOUSING_HALF_WIDTH),
        (h * th + d * (ta - th)) * rectangular(STEEL_HALF_WIDTH),
        (h * (housing_expansion - STEEL)) * ut,
        # second order: matters at the reference temperature, where the first two vanish
        h * math.hypot(rectangular(HOUSING_HALF_WIDTH), rectangular(STEEL_HALF_WIDTH)) * ut,
    )
    return Correction(mm, math.sqrt(sum(p * p for p in parts)))
