"""Sections about what is fitted: the depth shim, the carrier's side shims and backlash, the preload."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import ConfigDict, Field, model_validator

from analysis.setup.values import Count, Degrees, Name, NotNegative, Number, Positive, Response, Section, Teeth


class Piece(Section):
    """One thickness of shim in the box."""

    thickness: Positive
    count: Annotated[int, Field(ge=1, strict=True)] = 1
    id: Name | None = None


class Grades(Section):
    """Thicknesses that can be ordered."""

    model_config = ConfigDict(extra="forbid", frozen=True, populate_by_name=True)
    from_: Positive = Field(alias="from")
    to: Positive
    step: Positive

    @model_validator(mode="after")
    def _ordered(self) -> Grades:
        if self.to < self.from_:
            raise ValueError(f"to|{self.to}|not less than from ({self.from_})")
        return self


class Shims(Section):
    """The depth shim."""

    fitted: NotNegative | None = None
    thicker_moves: Literal["away", "toward", "unknown"] | None = None
    max_pieces: Annotated[int, Field(ge=1, le=6, strict=True)] | None = None
    thin_limit: Positive | None = None
    max_thin: Count | None = None
    stock: tuple[Piece, ...] = ()
    order_grades: Grades | None = None
    u: NotNegative | None = None
    response: Response | None = None
    response_u: NotNegative | None = None


class Backlash(Section):
    """Backlash readings and limits."""

    places: tuple[Positive, ...] = ()
    target: Positive | None = None
    tolerance: Positive | None = None
    spread_limit: Positive | None = None
    radius: Positive | None = None
    tooth_radius: Positive | None = None
    plunger_angle: Degrees | None = None
    ratio: Positive | None = None

    @model_validator(mode="after")
    def _radii(self) -> Backlash:
        if self.tooth_radius is not None and self.radius is None:
            raise ValueError("radius|nothing|the radius the indicator stood at, to scale to tooth_radius")
        return self


class CarrierSigns(Section):
    """What a thicker side shim does, per side: moves the ring gear toward or away from the pinion."""

    left: Literal["toward", "away", "unknown"] | None = None
    right: Literal["toward", "away", "unknown"] | None = None


class PreloadSigns(Section):
    """What a thicker side shim does to the bearing preload: more where it stands inside against the race, less under a flange."""

    left: Literal["more", "less", "unknown"] | None = None
    right: Literal["more", "less", "unknown"] | None = None


class Gears(Section):
    """Teeth and angles (degrees) the backlash ratio can be worked out from."""

    pinion_teeth: Teeth
    ring_teeth: Teeth
    pressure_angle: Degrees
    spiral_angle: Degrees
    indicator: Literal["along", "square"]


class Carrier(Section):
    """Side shims of the carrier."""

    left: NotNegative | None = None
    right: NotNegative | None = None
    zero_play_sum: Positive | None = None
    preload_pinch: Number | None = None
    sign: CarrierSigns = CarrierSigns()
    preload_sign: PreloadSigns = PreloadSigns()
    backlash: Backlash | None = None
    gears: Gears | None = None
    step: Positive | None = None
    max_pieces: Annotated[int, Field(ge=1, le=6, strict=True)] | None = None
    stock: tuple[Piece, ...] = ()


class Torque(Section):
    """Limits of a turning torque."""

    min: NotNegative
    max: Positive
    unit: Literal["N·m", "N.m", "N·cm", "N.cm", "lb·in", "lb.in"]
    condition: Literal["new", "used"]

    @model_validator(mode="after")
    def _ordered(self) -> Torque:
        if self.max < self.min:
            raise ValueError(f"max|{self.max}|not less than min ({self.min})")
        return self


class Preload(Section):
    """Preload limits as the manual gives them."""

    pinion: Torque | None = None
    carrier: Torque | None = None
