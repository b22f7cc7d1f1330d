"""The set-up: gear set, arbor, indicator, housing, decision rule, shims.

A pure model of the set-up file.  Lengths are exact decimals in the file's unit; conversion happens once, in
the properties ending in ``_mm``.  Nothing that decides a direction has a default.
"""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from decimal import Decimal
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator

from analysis.marks import (
    MarkError,
    Target,
    count_of,
    target_from_deviation,
    target_from_full_distance,
    target_from_two_decimals,
)


class SetupProblem(NamedTuple):
    """One thing wrong with a set-up."""

    key: str
    given: str
    allowed: str
    nearest: str | None = None

    def __str__(self) -> str:
        hint = f"; nearest valid name: {self.nearest}" if self.nearest else ""
        return f"{self.key}: given {self.given}; allowed: {self.allowed}{hint}"


class SetupError(ValueError):
    """A set-up that cannot be used; `problems` holds every fault found."""

    def __init__(self, problems: list[SetupProblem]) -> None:
        super().__init__("\n".join(str(p) for p in problems))
        self.problems = problems


LARGEST = 1_000_000
"""No length, force, torque or count of a gearbox comes near it in any of its units; beyond it arithmetic may overflow."""


def _exact(value: object) -> object:
    """Numbers become exact decimals; text, truth values and not-a-number are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise ValueError("a number")
    number = Decimal(str(value))
    if not number.is_finite():
        raise ValueError("an ordinary number")
    if abs(number) > LARGEST:
        raise ValueError(f"a number of {LARGEST} at most")
    return number


Number = Annotated[Decimal, BeforeValidator(_exact)]
Positive = Annotated[Decimal, BeforeValidator(_exact), Field(gt=0)]
NotNegative = Annotated[Decimal, BeforeValidator(_exact), Field(ge=0)]
Count = Annotated[int, Field(ge=0, strict=True)]
Teeth = Annotated[int, Field(ge=1, strict=True)]
Celsius = Annotated[Decimal, BeforeValidator(_exact), Field(ge=-50, le=200)]
Expansion = Annotated[Decimal, BeforeValidator(_exact), Field(gt=0, le=1e-4)]
Response = Annotated[Decimal, BeforeValidator(_exact), Field(ge=Decimal("0.5"), le=Decimal("1.5"))]
Degrees = Annotated[Decimal, BeforeValidator(_exact), Field(ge=0, lt=90)]


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Gearset(_Section):
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


class Master(_Section):
    """A setting master of known distance and the display on it."""

    distance: Positive
    reading: Number
    reading_after: Number | None = None
    u: NotNegative | None = None


class Bridge(_Section):
    """A blade laid over the face or the master."""

    thickness: Positive
    u: NotNegative | None = None
    on: Literal["pinion", "master", "both"]


class Arbor(_Section):
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


class Indicator(_Section):
    """The indicator."""

    resolution: Positive | None = None
    mpe: NotNegative | None = None
    repeatability: NotNegative | None = None


class Housing(_Section):
    """Temperatures and the casting they act on."""

    material: str | None = None
    expansion: Expansion | None = None
    temperature: Celsius | None = None
    arbor_temperature: Celsius | None = None
    reference: Celsius = Decimal(20)
    bore_to_seat: Positive | None = None


class Decision(_Section):
    """How "within" is decided."""

    rule: Literal["one-sided", "expanded"] = "one-sided"


class Piece(_Section):
    """One thickness of shim in the box."""

    thickness: Positive
    count: Annotated[int, Field(ge=1, strict=True)] = 1
    id: str | None = None


class Grades(_Section):
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


class Shims(_Section):
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


class Backlash(_Section):
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


class CarrierSigns(_Section):
    """What a thicker side shim does, per side: moves the ring gear toward or away from the pinion."""

    left: Literal["toward", "away", "unknown"] | None = None
    right: Literal["toward", "away", "unknown"] | None = None


class PreloadSigns(_Section):
    """What a thicker side shim does to the bearing preload: more where it stands inside against the race, less under a flange."""

    left: Literal["more", "less", "unknown"] | None = None
    right: Literal["more", "less", "unknown"] | None = None


class Gears(_Section):
    """Teeth and angles (degrees) the backlash ratio can be worked out from."""

    pinion_teeth: Teeth
    ring_teeth: Teeth
    pressure_angle: Degrees
    spiral_angle: Degrees
    indicator: Literal["along", "square"]


class Carrier(_Section):
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


class Torque(_Section):
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


class Preload(_Section):
    """Preload limits as the manual gives them."""

    pinion: Torque | None = None
    carrier: Torque | None = None


class Setup(_Section):
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
    def nominal_mm(self) -> float | None:
        """Nominal distance, mm."""
        return self.to_mm(self.gearset.nominal)

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


_ALLOWED = {
    "greater_than": "a number above 0",
    "greater_than_equal": "a number not below {ge}",
    "less_than_equal": "a number not above {le}",
    "less_than": "a number below {lt}",
    "bool_type": "true or false",
    "missing": "this key must be given",
    "model_type": "a table of keys",
    "tuple_type": "a list",
    "int_type": "a whole number",
    "string_type": "text in quotes",
    "dict_type": "a table of keys",
}


def parse_setup(data: Mapping[str, object]) -> Setup:
    """Read a set-up from nested tables, as a TOML reader gives them.

    Parameters
    ----------
    data : mapping
        Sections of the set-up; lengths as numbers (`Decimal` keeps them exact).

    Raises
    ------
    SetupError
        With every problem found: key, what was given, what is allowed, nearest valid name.
    """
    try:
        return Setup.model_validate(data)
    except ValidationError as e:
        problems: list[SetupProblem] = []
        for error in e.errors():
            problems.extend(_problem(error, data))
        seen: dict[tuple[str, str], SetupProblem] = {}
        for p in problems:
            seen.setdefault((p.key, p.given), p)
        raise SetupError(list(seen.values())) from None


def _problem(error: Any, data: Mapping[str, object]) -> list[SetupProblem]:
    path = [p for p in error["loc"] if p != "function-before" and not str(p).startswith("function-")]
    key = ".".join(str(p + 1) if isinstance(p, int) else str(p) for p in path)
    kind, context = error["type"], error.get("ctx", {})
    given = _shown(error["input"])
    if kind == "extra_forbidden":
        names = _names_at(path[:-1])
        near = difflib.get_close_matches(str(path[-1]), names, 1, 0.5)
        return [SetupProblem(key, given, "one of " + ", ".join(names), near[0] if near else None)]
    if kind == "value_error":
        text = str(context.get("error", ""))
        if text.count("|") >= 2:
            name, got, allowed = text.split("|", 2)
            return [SetupProblem(f"{key}.{name}" if key else name, got, allowed)]
        return [SetupProblem(key, given, text)]
    if kind == "literal_error":
        return [SetupProblem(key, given, str(context["expected"]).replace("'", '"'))]
    if kind == "missing":
        return [SetupProblem(key, "nothing", _ALLOWED["missing"])]
    return [SetupProblem(key, given, _ALLOWED.get(kind, error["msg"]).format(**context))]


def _shown(value: object) -> str:
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, Mapping):
        return "a table"
    if isinstance(value, list | tuple):
        return "a list"
    return str(value).lower() if isinstance(value, bool) else str(value)


def _names_at(path: list[object]) -> list[str]:
    """Valid names in the section at `path`."""
    model: type[BaseModel] = Setup
    for part in path:
        if isinstance(part, int):
            continue
        info = model.model_fields.get(str(part))
        if info is None:
            return []
        inner = _model_in(info.annotation)
        if inner is None:
            return []
        model = inner
    return [info.alias or name for name, info in model.model_fields.items()]


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    for arg in getattr(annotation, "__args__", ()):
        found = _model_in(arg)
        if found is not None:
            return found
    return None
