"""What is etched on the gear, and the target it sets.

A mark is kept as it is written; what it means (unit, sign, end face or back face) comes from the manual and is never guessed.
Forms: a signed count ("+14", "m+8"), two marks of which one is used ("m+8 (+3)"), a full distance, the last two decimals.

Source: forms seen in service texts (car, heavy-vehicle, small-engine); no single standard exists.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal
from typing import Literal

MarkForm = Literal["deviation", "full-distance", "two-decimals"]
Sense = Literal["adds", "subtracts"]

ABSURD_DEVIATION_MM = Decimal("0.15")
"""Deviation from which the unit of the mark is doubted (common practice, no source)."""


class MarkError(ValueError):
    """A mark that cannot be read; the text says what is allowed."""


@dataclass(frozen=True, slots=True)
class Target:
    """Target distance from axis to end face, in the unit of the set-up."""

    distance: Decimal
    deviation: Decimal
    say: str
    warning: str = ""


_COUNT = re.compile(r"^\s*m?\s*([+-]?)\s*(\d+(?:[.,]\d+)?)\s*m?\s*$")
_DUAL = re.compile(r"^\s*(m?\s*[+-]?\s*\d+(?:[.,]\d+)?\s*m?)\s*\(\s*(m?\s*[+-]?\s*\d+(?:[.,]\d+)?\s*m?)\s*\)\s*$")


def count_of(text: str) -> Decimal:
    """Signed count of a deviation mark such as "+14", "-3", "24" or "m+8".

    Of two marks ("m+8 (+3)") the first is used: each was rounded for itself, so they are neither converted nor averaged.

    Raises
    ------
    MarkError
        If the text holds no such count; a missing mark is not zero.
    """
    if not text.strip():
        raise MarkError("no mark is not the same as 0: leave etched out if there is none, and set the target otherwise")
    dual = _DUAL.match(text)
    m = _COUNT.match(dual.group(1) if dual else text)
    if m is None:
        raise MarkError(
            f"{text!r} is not a mark that can be read; write it as it stands, for example '+14', '-3' or 'm+8 (+3)'"
        )
    return Decimal((m.group(1) or "") + m.group(2).replace(",", "."))


def target_from_deviation(nominal: Decimal, text: str, step: Decimal, sense: Sense, mm_per_unit: Decimal) -> Target:
    """Target = nominal plus or minus count times step."""
    count = count_of(text)
    deviation = count * step if sense == "adds" else -count * step
    warning = ""
    if abs(deviation) * mm_per_unit >= ABSURD_DEVIATION_MM:
        warning = (
            f"The mark {text} comes to {deviation} off nominal, more than marks usually are. "
            "Check its unit (0.01 mm, 0.001 mm or 0.001 in) in the manual."
        )
    return Target(
        nominal + deviation, deviation, f"nominal {nominal} with mark {text} gives {nominal + deviation}", warning
    )


def target_from_two_decimals(nominal: Decimal, text: str) -> Target:
    """Target whose last two decimals are etched: the value nearest to nominal, whole millimetres rolled over."""
    m = re.match(r"^\s*\.?(\d{2})\s*$", text)
    if m is None:
        raise MarkError(f"{text!r} is not a pair of decimals; write the two digits, for example '98'")
    part = Decimal(m.group(1)) / 100
    whole = Decimal(int(nominal))
    best = min((whole + shift + part for shift in (-1, 0, 1)), key=lambda v: abs(v - nominal))
    return Target(best, best - nominal, f"decimals {text} nearest to nominal {nominal} give {best}")


def target_from_full_distance(text: str, head_height: Decimal | None) -> Target:
    """Target from a full distance; with `head_height` it is a mounting distance to the back face."""
    m = re.match(r"^\s*(\d+(?:[.,]\d+)?)\s*$", text)
    if m is None:
        raise MarkError(f"{text!r} is not a distance; write it as it stands, for example '97.46'")
    value = Decimal(m.group(1).replace(",", "."))
    if head_height is None:
        return Target(value, Decimal(0), f"etched distance {value} to the end face")
    return Target(
        value - head_height,
        Decimal(0),
        f"mounting distance {value} less head height {head_height} gives {value - head_height}",
    )
