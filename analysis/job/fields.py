"""What one field of an entry may hold.  Each check gives the value as it is stored, or says what is allowed."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation

from analysis.job.quantities import Dimension, QuantityError, quantity, unit_named

Check = Callable[[object], object]

LONGEST_TEXT = 4000
_SHA256 = re.compile(r"^[0-9a-f]{64}$")
_FILE = re.compile(r"^[^/\\\x00-\x1f]{1,200}$")
_DATE = re.compile(r"^\d{4}-\d{2}-\d{2}$")
_ID = re.compile(r"^[^\s/\\\x00-\x1f]{1,80}$")
_TRUE = {"true": True, "yes": True, "false": False, "no": False}


class FieldError(ValueError):
    """A value that cannot be taken; the text says what is allowed."""


@dataclass(frozen=True, slots=True)
class Described:
    """A check that says what a form needs to know to ask for its value.

    Attributes
    ----------
    check : callable
    form : mapping
        ``type`` and what belongs to it: ``choices``, ``dimension``, ``low`` and ``high``, ``of`` (the form of each item of a list),
        ``fields`` (the fields of a table).
    """

    check: Check
    form: Mapping[str, object]

    def __call__(self, given: object) -> object:
        return self.check(given)


@dataclass(frozen=True, slots=True)
class Field:
    """One field of a kind of entry."""

    check: Check
    required: bool = False
    says: str = ""


def text(given: object) -> str:
    """Words, or a number written where words are expected."""
    if isinstance(given, bool) or not isinstance(given, str | int | Decimal):
        raise FieldError("text")
    out = str(given)
    if not out.strip():
        raise FieldError("text that is not empty; leave it out if there is none")
    if len(out) > LONGEST_TEXT:
        raise FieldError(f"text of at most {LONGEST_TEXT} characters")
    if any(ord(c) < 32 and c not in "\n\t" for c in out) or any(0xD800 <= ord(c) <= 0xDFFF for c in out):
        raise FieldError("text without control characters")
    return out


def identifier(given: object) -> str:
    """A name without spaces, such as a shim's."""
    out = text(given)
    if not _ID.fullmatch(out):
        raise FieldError("a name without spaces or slashes, at most 80 characters")
    return out


def sha256(given: object) -> str:
    """A SHA-256 in hexadecimal."""
    out = text(given).lower()
    if not _SHA256.fullmatch(out):
        raise FieldError("a SHA-256: 64 hexadecimal digits")
    return out


def file_name(given: object) -> str:
    """A file's name without its folder."""
    out = text(given)
    if not _FILE.fullmatch(out) or out in (".", ".."):
        raise FieldError("the name of a file in the job's own folder, without a path")
    return out


def path_in_streams(given: object) -> str:
    """A stream inside the job's folder, ``streams/…``."""
    out = text(given)
    parts = out.split("/")
    if (
        len(parts) < 2
        or parts[0] != "streams"
        or any(p in ("", ".", "..") or not _FILE.fullmatch(p) for p in parts)
        or "\\" in out
    ):
        raise FieldError("a raw stream in the job's folder, such as streams/trial-1.jsonl")
    return out


def date(given: object) -> str:
    """A day."""
    out = text(given)
    if not _DATE.fullmatch(out):
        raise FieldError("a day, such as 2026-03-02")
    return out


def flag(given: object) -> bool:
    """True or false, yes or no."""
    if isinstance(given, bool):
        return given
    if isinstance(given, str) and given.strip().lower() in _TRUE:
        return _TRUE[given.strip().lower()]
    raise FieldError("yes or no")


def whole(low: int, high: int) -> Check:
    """A whole number within limits."""

    def check(given: object) -> int:
        allowed = f"a whole number from {low} to {high}"
        if isinstance(given, bool):
            raise FieldError(allowed)
        try:
            number = Decimal(str(given).strip()) if isinstance(given, int | str | Decimal) else None
        except InvalidOperation:
            number = None
        if number is None or not number.is_finite() or not low <= number <= high or number != int(number):
            raise FieldError(allowed)
        return int(number)

    return Described(check, {"type": "whole", "low": low, "high": high})


def number(low: str, high: str) -> Check:
    """A pure number within limits, kept as written."""

    def check(given: object) -> str:
        allowed = f"a number from {low} to {high}"
        if isinstance(given, bool) or not isinstance(given, int | str | Decimal | float):
            raise FieldError(allowed)
        try:
            value = Decimal(str(given).strip().replace(",", "."))
        except InvalidOperation:
            raise FieldError(allowed) from None
        if not value.is_finite() or not Decimal(low) <= value <= Decimal(high):
            raise FieldError(allowed)
        return f"{value:f}"

    return Described(check, {"type": "number", "low": low, "high": high})


def choice(*options: str) -> Check:
    """One of some words."""

    def check(given: object) -> str:
        if not isinstance(given, str | int) or isinstance(given, bool) or str(given).strip() not in options:
            raise FieldError("one of: " + ", ".join(options))
        return str(given).strip()

    return Described(check, {"type": "choice", "choices": options})


def measure(dimension: Dimension, low: str | None = None, high: str | None = None) -> Check:
    """A figure with its unit, kept as written; limits in mm, N·m, N, °C or degrees, `low` itself included."""

    def check(given: object) -> str:
        try:
            q = quantity(given, dimension)
        except QuantityError as e:
            raise FieldError(str(e)) from None
        _limits(q.value if dimension == "angle" else _base(dimension, str(q)), low, high, dimension)
        return str(q)

    signed = {"signed": True} if low is None or low.startswith("-") else {}
    return Described(check, {"type": "quantity", "dimension": dimension, **signed})


def length(given: object) -> str:
    """A length above 0."""
    out = measure("length", "0", "10000")(given)
    if quantity(out, "length").value == 0:
        raise FieldError("a length above 0")
    return str(out)


def signed_length(given: object) -> str:
    """A length of either sign, such as a reading."""
    return str(measure("length", "-10000", "10000")(given))


def uncertainty(given: object) -> str:
    """A length of 0 or more, at most 1 mm."""
    return str(measure("length", "0", "1")(given))


def positive(dimension: Dimension, high: str) -> Check:
    """A figure above 0."""
    inner = measure(dimension, "0", high)

    def check(given: object) -> object:
        out = inner(given)
        if quantity(out, dimension).value == 0:
            raise FieldError("more than 0")
        return out

    return Described(check, {"type": "quantity", "dimension": dimension})


def _base(dimension: Dimension, written: str) -> Decimal:
    q = quantity(written, dimension)
    if dimension == "length":
        return q.mm
    if dimension == "force":
        return q.newtons
    if dimension == "torque":
        return Decimal(repr(q.newton_metres))
    return Decimal(repr(float(q.celsius)))


def _limits(value: Decimal, low: str | None, high: str | None, dimension: Dimension) -> None:
    base = {"length": "mm", "torque": "N·m", "force": "N", "temperature": "°C", "angle": "°"}[dimension]
    if (low is not None and value < Decimal(low)) or (high is not None and value > Decimal(high)):
        raise FieldError(f"from {low} to {high} {base}")


def figure(given: object) -> str:
    """A bare figure whose unit the entry states for the whole list; a figure may repeat that unit."""
    if isinstance(given, str):
        try:
            return str(quantity(given, "length"))
        except QuantityError:
            pass
        try:
            return f"{quantity(given, 'length', 'mm').value:f}"
        except QuantityError:
            raise FieldError("a figure, such as 1.553") from None
    if isinstance(given, bool) or not isinstance(given, int | Decimal | float):
        raise FieldError("a figure, such as 1.553")
    value = Decimal(str(given))
    if not value.is_finite():
        raise FieldError("an ordinary number")
    return f"{value:f}"


def unit_of(dimension: Dimension) -> Check:
    """The name of a unit."""

    def check(given: object) -> str:
        try:
            return unit_named(given, dimension)
        except QuantityError as e:
            raise FieldError(str(e)) from None

    return Described(check, {"type": "unit", "dimension": dimension})


_PLAIN: Mapping[Check, Mapping[str, object]] = {
    text: {"type": "text"},
    identifier: {"type": "name"},
    sha256: {"type": "made"},
    file_name: {"type": "file"},
    path_in_streams: {"type": "made"},
    date: {"type": "date"},
    flag: {"type": "flag"},
    figure: {"type": "figure"},
    length: {"type": "quantity", "dimension": "length"},
    signed_length: {"type": "quantity", "dimension": "length", "signed": True},
    uncertainty: {"type": "quantity", "dimension": "length"},
}


def form_of(check: Check) -> Mapping[str, object]:
    """What a form needs to know to ask for a value; ``made`` is worked out and never asked for."""
    if isinstance(check, Described):
        return check.form
    return _PLAIN.get(check, {"type": "made"})


def fields_as_list(fields: Mapping[str, Field]) -> list[dict[str, object]]:
    """Fields with what each may hold, for a list."""
    return [{"field": name, "required": f.required, "says": f.says, **form_of(f.check)} for name, f in fields.items()]
