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


INCH_MM = Decimal("25.4")

_SIGNS = str.maketrans({"\N{MINUS SIGN}": "-", "\N{EN DASH}": "-", "\N{FULLWIDTH PLUS SIGN}": "+"})
"""Signs as telephones and text programs write them."""

_FIGURE = r"(?:\d+(?:[.,]\d+)?|[.,]\d+)"
_COUNT = re.compile(rf"^\s*m?\s*([+-]?)\s*({_FIGURE})\s*m?\s*$")
_DUAL = re.compile(rf"^\s*(m?\s*[+-]?\s*{_FIGURE}\s*m?)\s*\(\s*(m?\s*[+-]?\s*{_FIGURE}\s*m?)\s*\)\s*$")


def count_of(text: str, step_mm: Decimal | None = None) -> Decimal:
    """Signed count of a deviation mark such as "+14", "-3", "24", "m+8" or "+.03".

    Of two marks ("m+8 (+3)") one is used: each was rounded for itself, so they are neither converted nor averaged.

    Parameters
    ----------
    text : str
        The mark as written.
    step_mm : Decimal, optional
        Length of one count, mm.  Where exactly one of two marks carries the metric "m", a metric step takes that one and a
        step of a decimal part of an inch the other; else the first is taken.

    Raises
    ------
    MarkError
        If the text holds no such count; a missing mark is not zero.
    """
    return _count(_used(text, step_mm)[0])


def _used(text: str, step_mm: Decimal | None) -> tuple[str, str | None]:
    """The mark that is used and, of two, the other."""
    if not text.strip():
        raise MarkError("no mark is not the same as 0: leave etched out if there is none, and set the target otherwise")
    dual = _DUAL.match(text.translate(_SIGNS))
    if dual is None:
        return text, None
    first, second = dual.group(1), dual.group(2)
    if step_mm is not None and ("m" in first) != ("m" in second):
        wants_metric = not _is_power_of_ten(step_mm / INCH_MM)
        if ("m" in first) != wants_metric:
            return second, first
    return first, second


def is_length(count: Decimal) -> bool:
    """Whether a mark such as "+.03" is a length in itself and no count; one gear family writes both (heavy-vehicle service text)."""
    return 0 < abs(count) < 1


def _is_power_of_ten(x: Decimal) -> bool:
    return x.normalize().as_tuple().digits == (1,)


def _count(text: str) -> Decimal:
    m = _COUNT.match(text.translate(_SIGNS))
    if m is None:
        raise MarkError("a mark that can be read; write it as it stands, for example '+14', '-3' or 'm+8 (+3)'")
    return Decimal((m.group(1) or "") + m.group(2).replace(",", "."))


def target_from_deviation(nominal: Decimal, text: str, step: Decimal, sense: Sense, mm_per_unit: Decimal) -> Target:
    """Target = nominal plus or minus count times step."""
    step_mm = step * mm_per_unit
    used, other = _used(text, step_mm)
    sign = 1 if sense == "adds" else -1
    count = _count(used)
    deviation = sign * count * step
    warning = ""
    if is_length(count) and step != 1:
        warning = (
            f"The mark {text} is written as a length and not as a count; taken as a count of {step} it comes to {deviation}. "
            "If the manual means the length, state etched_step = 1."
        )
    if abs(deviation) * mm_per_unit >= ABSURD_DEVIATION_MM:
        warning = (
            f"The mark {text} comes to {deviation} off nominal, more than marks usually are. "
            "Check its unit (0.01 mm, 0.001 mm or 0.001 in) in the manual."
        )
    say = f"nominal {nominal} with mark {used.strip()} gives {nominal + deviation}"
    if other is not None:
        say += f"; the other mark ({other.strip()}) was rounded for itself and is not used"
        say += _beside(other, step_mm, deviation * mm_per_unit * sign)
    return Target(nominal + deviation, deviation, say, warning)


def _beside(other: str, step_mm: Decimal, used_mm: Decimal) -> str:
    """What the mark that is not used would come to, were it in the other system's usual step."""
    other_step = {Decimal("0.01"): INCH_MM / 1000, INCH_MM / 1000: Decimal("0.01")}.get(step_mm)
    if other_step is None:
        return ""
    name = "0.001 in" if other_step == INCH_MM / 1000 else "0.01 mm"
    there = _count(other) * other_step
    return f" (in {name} it would be {there:.4f} mm, {abs(there - used_mm):.4f} mm off)"


def shim_change_for_mark(old: Decimal, new: Decimal, step: Decimal, sense: Sense, effect: int) -> Decimal:
    """Change of the depth shim when only the gear's mark changes, in the unit of `step`.

    An alternative to measuring, never an addition to it: one to start, the other to check.

    Parameters
    ----------
    old, new : Decimal
        Counts of the old and the new mark.
    step : Decimal
        Length of one count.
    sense : {"adds", "subtracts"}
        What a positive mark does to the target distance.
    effect : {+1, -1}
        Change in distance for a thicker shim: +1 away from the ring gear's axis, -1 toward it.
    """
    return (new - old) * step * (1 if sense == "adds" else -1) * effect


def target_from_two_decimals(nominal: Decimal, text: str) -> Target:
    """Target whose last two decimals are etched: the value nearest to nominal, whole millimetres rolled over."""
    m = re.match(r"^\s*\.?(\d{2})\s*$", text)
    if m is None:
        raise MarkError(f"{text!r} is not a pair of decimals; write the two digits, for example '98'")
    part = Decimal(m.group(1)) / 100
    whole = Decimal(int(nominal))
    nearest = sorted((whole + shift + part for shift in (-1, 0, 1)), key=lambda v: abs(v - nominal))
    best = nearest[0]
    if abs(nearest[1] - nominal) == abs(best - nominal):
        raise MarkError(
            f"{text!r} lies as near to {best} as to {nearest[1]}: state the whole distance as it is in the manual"
        )
    return Target(best, best - nominal, f"decimals {text} nearest to nominal {nominal} give {best}")


def target_from_full_distance(text: str, head_height: Decimal | None) -> Target:
    """Target from a full distance; with `head_height` it is a mounting distance to the back face."""
    m = re.match(r"^\s*(\d+(?:[.,]\d+)?)\s*$", text)
    if m is None:
        raise MarkError(f"{text!r} is not a distance; write it as it stands, for example '97.46'")
    value = Decimal(m.group(1).replace(",", "."))
    if value <= (head_height or 0):
        raise MarkError(
            f"a distance larger than the head height {head_height}" if head_height else "a distance above 0"
        )
    if head_height is None:
        return Target(value, Decimal(0), f"etched distance {value} to the end face")
    return Target(
        value - head_height,
        Decimal(0),
        f"mounting distance {value} less head height {head_height} gives {value - head_height}",
    )
