"""The whole set-up, with the lengths that are asked for in mm."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from analysis.marks import Target, target_from_deviation, target_from_full_distance, target_from_two_decimals
from analysis.setup.fitting import Carrier, Preload, Shims
from analysis.setup.measuring import Arbor, Decision, Gearset, Housing, Indicator
from analysis.setup.values import Section


class Setup(Section):
    """A whole set-up; unstated properties are None."""

    units: Literal["mm", "in"] = "mm"
    gearset: Gearset = Gearset()
    arbor: Arbor = Arbor()
    indicator: Indicator = Indicator()
    housing: Housing = Housing()
    decision: Decision = Decision()
    shims: Shims = Shims()
    carrier: Carrier = Carrier()
    preload: Preload = Preload()

    @property
    def mm_per_unit(self) -> Decimal:
        """Millimetres in one unit of the file, exact."""
        return Decimal("25.4") if self.units == "in" else Decimal(1)

    def to_mm(self, length: Decimal | None) -> float | None:
        """A length of the file in mm."""
        return None if length is None else float(length * self.mm_per_unit)

    @property
    def target(self) -> Target | None:
        """Target from nominal and mark, in the file's unit; None when no mark or distance sets one."""
        g = self.gearset
        if g.etched is None:
            return None
        if g.mark == "full-distance":
            return target_from_full_distance(g.etched, g.head_height)
        assert g.nominal is not None
        if g.mark == "two-decimals":
            return target_from_two_decimals(g.nominal, g.etched)
        assert g.etched_step is not None
        assert g.etched_sense is not None
        return target_from_deviation(g.nominal, g.etched, g.etched_step, g.etched_sense, self.mm_per_unit)

    @property
    def tip_radius_mm(self) -> float | None:
        """Radius of the plunger's tip, mm."""
        return self.to_mm(self.arbor.tip_radius)

    @property
    def swing_radius_mm(self) -> float | None:
        """Axis to face less tip radius, mm, from whatever states the distance."""
        about = self.gearset.nominal
        if about is None and self.arbor.master is not None:
            about = self.arbor.master.distance
        if about is None and self.target is not None:
            about = self.target.distance
        distance = self.to_mm(about)
        if distance is None:
            return None
        left = distance - (self.tip_radius_mm or 0.0)
        return left if left > 1.0 else None

    @property
    def reading_sense(self) -> Literal["grows", "shrinks"] | None:
        """How the display goes as the face gets farther away."""
        return self.arbor.reading_sense

    @property
    def resolution_mm(self) -> float | None:
        """Display step, mm."""
        return self.to_mm(self.indicator.resolution)

    @property
    def indicator_mpe_mm(self) -> float | None:
        """Largest permitted error of the indicator, mm."""
        return self.to_mm(self.indicator.mpe)

    @property
    def indicator_repeatability_mm(self) -> float | None:
        """Standard deviation on a still surface, mm."""
        return self.to_mm(self.indicator.repeatability)

    @property
    def tolerance_mm(self) -> float | None:
        """Tolerance, ± mm."""
        return self.to_mm(self.gearset.tolerance)

    @property
    def aim_mm(self) -> float | None:
        """The shop's own aim, ± mm."""
        return self.to_mm(self.gearset.aim)
