"""Sections about the distance and how it is measured: gear set, arbor, indicator, housing, decision rule."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated, Literal

from pydantic import Field, model_validator

from analysis.marks import MarkError, count_of, target_from_full_distance, target_from_two_decimals
from analysis.setup.values import Celsius, Expansion, NotNegative, Number, Positive, Section


class Gearset(Section):
    """What the manual and the gear say."""

    nominal: Positive | None = None
    etched: str | None = None
    etched_step: Positive | None = None
    etched_sense: Literal["adds", "subtracts"] | None = None
    tolerance: Positive | None = None
    aim: Positive | None = None
    mark: Literal["deviation", "full-distance", "two-decimals"] = "deviation"
    head_height: Positive | None = None
    head_height_u: NotNegative | None = None
    head_height_dof: Positive | None = None

    @model_validator(mode="after")
    def _consistent(self) -> Gearset:
        if self.aim is not None and self.tolerance is not None and self.aim > self.tolerance:
            raise ValueError(f"aim|{self.aim}|not more than the tolerance {self.tolerance}")
        if self.tolerance is not None and self.nominal is not None and self.tolerance >= self.nominal:
            raise ValueError(f"tolerance|{self.tolerance}|less than the nominal distance {self.nominal}")
        if self.etched is None:
            return self
        try:
            if self.mark == "deviation":
                count = count_of(self.etched)
                if self.nominal is None:
                    raise ValueError("nominal|nothing|the nominal distance the mark deviates from")
                if self.etched_step is None:
                    raise ValueError("etched_step|nothing|the length of one count of the mark, from the manual")
                if self.etched_sense is None:
                    raise ValueError('etched_sense|nothing|"adds" or "subtracts", from the manual; it is never assumed')
                if self.nominal <= abs(count * self.etched_step):
                    raise MarkError(f"a mark smaller than the nominal distance {self.nominal}")
            elif self.mark == "two-decimals":
                if self.nominal is None:
                    raise ValueError("nominal|nothing|the nominal distance, to place the two decimals")
                target_from_two_decimals(self.nominal, self.etched)
            else:
                target_from_full_distance(self.etched, self.head_height)
        except MarkError as e:
            raise ValueError(f"etched|{self.etched!r}|{e}") from None
        return self


class Master(Section):
    """A setting master of known distance and the display on it."""

    distance: Positive
    reading: Number
    reading_after: Number | None = None
    u: NotNegative | None = None


class Bridge(Section):
    """A blade laid over the face or the master."""

    thickness: Positive
    u: NotNegative | None = None
    on: Literal["pinion", "master", "both"]


class Arbor(Section):
    """The setting arbor."""

    constant: Positive | None = None
    constant_u: NotNegative | None = None
    master: Master | None = None
    reading_sense: Literal["grows", "shrinks"] | None = None
    sense_checked: Annotated[bool, Field(strict=True)] = False
    tip_radius: NotNegative | None = None
    bridge: Bridge | None = None

    @model_validator(mode="after")
    def _one_reference(self) -> Arbor:
        if self.constant is not None and self.master is not None:
            raise ValueError("constant|a constant and a master|one of the two: the display cannot be tied to both")
        if self.bridge is not None and self.bridge.on != "pinion" and self.master is None:
            raise ValueError(f'bridge.on|"{self.bridge.on}" without a master|"pinion", or state the master')
        return self


class Indicator(Section):
    """The indicator."""

    resolution: Positive | None = None
    mpe: NotNegative | None = None
    repeatability: NotNegative | None = None


class Housing(Section):
    """Temperatures and the casting they act on."""

    material: str | None = None
    expansion: Expansion | None = None
    temperature: Celsius | None = None
    arbor_temperature: Celsius | None = None
    reference: Celsius = Decimal(20)
    bore_to_seat: Positive | None = None


class Decision(Section):
    """How "within" is decided."""

    rule: Literal["one-sided", "expanded"] = "one-sided"
