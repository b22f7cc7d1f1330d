"""What a set-up's values may be, and what its sections have in common."""

from __future__ import annotations

from decimal import Decimal
from typing import Annotated

from pydantic import AfterValidator, BaseModel, BeforeValidator, ConfigDict, Field

LARGEST = 1_000_000
"""No length, force, torque or count of a gearbox comes near it in any of its units; beyond it arithmetic may overflow."""


LONGEST_NAME = 80


def _exact(value: object) -> object:
    """Numbers become exact decimals; text, truth values and not-a-number are refused."""
    if isinstance(value, bool) or not isinstance(value, int | float | Decimal):
        raise ValueError("a number")
    number = Decimal(str(value))
    if not number.is_finite():
        raise ValueError("an ordinary number")
    # Its first digit is looked at first: the figure itself may be too large for any arithmetic.
    if number.adjusted() > 6 or abs(number) > LARGEST:
        raise ValueError(f"a number of {LARGEST} at most")
    return number


def _printed(value: str) -> str:
    """Text that can stand on a page, a sheet and in a figure."""
    if not value.isprintable() or len(value) > LONGEST_NAME:
        raise ValueError(f"text that can be printed, at most {LONGEST_NAME} characters")
    return value


Number = Annotated[Decimal, BeforeValidator(_exact)]
Positive = Annotated[Decimal, BeforeValidator(_exact), Field(gt=0)]
NotNegative = Annotated[Decimal, BeforeValidator(_exact), Field(ge=0)]
Name = Annotated[str, AfterValidator(_printed)]
Count = Annotated[int, Field(ge=0, strict=True)]
Teeth = Annotated[int, Field(ge=1, strict=True)]
Celsius = Annotated[Decimal, BeforeValidator(_exact), Field(ge=-50, le=200)]
Expansion = Annotated[Decimal, BeforeValidator(_exact), Field(gt=0, le=1e-4)]
Response = Annotated[Decimal, BeforeValidator(_exact), Field(ge=Decimal("0.5"), le=Decimal("1.5"))]
Degrees = Annotated[Decimal, BeforeValidator(_exact), Field(ge=0, lt=90)]


class Section(BaseModel):
    """A table of the set-up: no key that is not known, and no change once it is read."""

    model_config = ConfigDict(extra="forbid", frozen=True)
