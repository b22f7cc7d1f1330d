"""The pinion's head height, end face to back face: measured at several spots, as a mounting distance needs it."""

from __future__ import annotations

import math
import statistics
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal

from analysis.job.quantities import Quantity, quantity
from analysis.job.records import mean_of
from analysis.results import INFINITE_DOF
from analysis.uncertainty import effective_dof, resolution

SPREAD_MM = Decimal("0.010")
"""Spread over the spots from which the faces are cleaned and measured again (common practice, no source)."""

TURN_MM = Decimal("0.45")
"""Spread that is near one turn of a thimble (0.5 mm or 0.025 in), the classic slip of a micrometer."""


@dataclass(frozen=True, slots=True)
class Head:
    """The head height.

    Attributes
    ----------
    height : Quantity
        Mean of the spots, or the one figure there is.
    spread : Quantity or None
        Largest less smallest; None of one figure.
    u_mm : float or None
        Standard uncertainty of the mean; None where nothing is known of it.
    dof : float
    spots : int
    """

    height: Quantity
    spread: Quantity | None
    u_mm: float | None
    dof: float
    spots: int

    @property
    def doubt(self) -> str:
        """What is odd about the spots; empty where nothing is."""
        if self.spread is None or self.spread.mm <= SPREAD_MM:
            return ""
        if self.spread.mm >= TURN_MM:
            return f"the head heights differ by {self.spread}, about one turn of the thimble: measure them again"
        return (
            f"the head heights differ by {self.spread}, more than {SPREAD_MM.normalize():f} mm: clean both faces, stone off burrs and "
            "measure again; if it stays, the end face is not parallel to the back face"
        )


def stated(g: Mapping[str, object]) -> bool:
    """Whether a gear set's entry says how high the head is."""
    return "head_height" in g or {"head_heights", "unit"} <= g.keys()


def head_of(g: Mapping[str, object], micrometer_u_mm: float | None = None) -> Head:
    """The head height of a gear set's entry.

    Parameters
    ----------
    g : mapping
        With ``head_heights`` and ``unit``, or ``head_height``.
    micrometer_u_mm : float, optional
        Standard uncertainty of the micrometer: it is the same error at every spot and no repetition removes it.

    Raises
    ------
    QuantityError
        If a figure is none.
    """
    if "head_heights" not in g:
        return Head(quantity(g["head_height"], "length"), None, micrometer_u_mm, INFINITE_DOF, 1)
    unit = str(g["unit"])
    mean, spread = mean_of(g["head_heights"], unit)
    items = g["head_heights"]
    assert isinstance(items, list)
    spots = [quantity(x, "length", unit) for x in items]
    step = min(float(Quantity(Decimal(1).scaleb(int(q.value.as_tuple().exponent)), unit).mm) for q in spots)
    own = max(statistics.stdev(float(q.mm) for q in spots) / math.sqrt(len(spots)), resolution(step))
    parts = [(own, float(len(spots) - 1)), (micrometer_u_mm or 0.0, INFINITE_DOF)]
    return Head(mean, spread, math.hypot(*(u for u, _ in parts)), effective_dof(parts), len(spots))
