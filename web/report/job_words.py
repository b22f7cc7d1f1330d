"""The English of a job's sheet, and how values as written are shown."""

from __future__ import annotations

from typing import Any

from analysis.job.quantities import quantity
from web.report.words import NOT_STATED

TITLE = "Gear set-up: job sheet"

KINDS = {
    "depth": "depth",
    "pinion-preload": "pinion preload",
    "carrier-preload": "carrier preload",
    "backlash": "backlash",
    "run-out": "run-out",
    "pattern": "contact pattern",
    "end-play": "end play",
}

STATUS = {
    "valid": "valid",
    "provisional": "provisional: the zero is not yet checked after it",
    "wrong state": "not used: taken in a wrong state",
    "void": "void",
    "question": "not used: a question is open",
    "past": "as it was then; the unit has changed since",
}

NAMES = {
    "mark": "mark, as it stands",
    "no_mark": "no mark found",
    "second_reading": "second reader reads",
    "head_height": "head height, one figure",
    "head_heights": "head height at its spots",
    "also_value": "value, as printed in the other unit",
    "also_tolerance": "tolerance, as printed in the other unit",
    "also_min": "min, as printed in the other unit",
    "also_max": "max, as printed in the other unit",
    "housing_mark": "mark on the housing, as it stands",
    "housing_count": "length of one count, housing",
    "housing_sense": "each count of the housing's mark",
    "read_by": "read by",
    "second_reader": "second reader",
    "count": "length of one count",
    "sense": "each count of the mark",
    "form": "form of the mark",
    "face": "measured to the face",
    "page": "page of the manual",
    "pinion_pair": "pair number, pinion",
    "ring_pair": "pair number, ring gear",
    "nominal": "nominal distance",
    "shim_effect": "a thicker depth shim moves the pinion (+1 away)",
    "job_no": "job number",
    "running_in": "running-in",
    "recheck": "next check",
    "compounds": "compounds used",
}

TYPED = (
    "Typed readings stand as they were typed; whether the instruments showed them, and whether the pieces fitted are "
    "those named here, was not checked by the program."
)

LEFT_OUT = ("entry", "name")


def plain(value: object) -> str:
    """A value as it was written down."""
    if value is None:
        return NOT_STATED
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, list | tuple):
        return ", ".join(plain(v) for v in value)
    if isinstance(value, dict):
        return "; ".join(f"{label(str(k))} {plain(v)}" for k, v in value.items())
    return str(value)


def brief(written: str) -> str:
    """A thickness without the decimals a mean does not have."""
    return quantity(written, "length").brief


def label(key: str) -> str:
    """A field's name in words."""
    return NAMES.get(key, key.replace("_", " "))


def fields(d: dict[str, Any] | None, *left_out: str) -> tuple[tuple[str, str, str], ...]:
    """Fields of an entry as rows of facts."""
    source = "" if d is None or "entry" not in d else f"entry {d['entry']}"
    return tuple((label(k), plain(v), source) for k, v in (d or {}).items() if k not in (*LEFT_OUT, *left_out))


def said(data: dict[str, Any], *left_out: str) -> str:
    """An entry's fields in one line; what is worked out is left out."""
    return "; ".join(f"{label(k)} {plain(v)}" for k, v in data.items() if k not in ("result", *left_out))
