"""One JSON object a line, with the value under a stated name."""

from __future__ import annotations

import json
import re
from decimal import Decimal
from typing import Any

from analysis.readings import Scale, Unit
from capture.decoders.contract import LARGEST_MM, Damaged, Frame
from capture.decoders.line_form import LEARNT
from capture.decoders.scales import Scales

LONGEST = 1024
_END = re.compile(rb"[\r\n]")
_UNITS: dict[str, Unit] = {"mm": "mm", "in": "in", "inch": "in", '"': "in"}
_PLACE = re.compile(r"[0-9]{1,3}", re.ASCII)
_FROM_STEP = Decimal("0.001")
"""Share of a step by which a binary fraction written out in decimals may miss it."""

_MM = {"mm": Decimal(1), "in": Decimal("25.4")}


def _refuse(text: str) -> Any:
    raise ValueError(text)


_decode = json.JSONDecoder(parse_float=Decimal, parse_int=Decimal, parse_constant=_refuse).decode


class JsonLines:
    """Decoder for JSON lines (RFC 8259 objects, one a line).

    Parameters
    ----------
    scale : Scale
        Unit and step where the line does not carry them.
    value_key : str
        Name of the value: a number, or a number as text; a dot leads into an object within, or a list with the place counted from 0.
    power : int
        The number sent is multiplied by this power of ten.
    unit_key, step_key : str
        Names of the unit and the display step; a line need not have them.
    steps : dict, optional
        Display step by unit, for lines that carry the unit alone.
    """

    def __init__(
        self,
        scale: Scale,
        *,
        value_key: str = "value",
        unit_key: str = "unit",
        step_key: str = "step",
        power: int = 0,
        steps: dict[Unit, Decimal] | None = None,
    ) -> None:
        self._value, self._unit, self._step = value_key.split("."), unit_key.split("."), step_key.split(".")
        self._power = power
        self._scales = Scales(scale, steps)
        self._own: dict[tuple[Unit, Decimal], Scale] = {}
        self._said: set[str] = set()
        self._bare = 0
        self._held = bytearray()
        self._skipping = False
        self._fresh = False

    def reset(self) -> None:
        """Forget half a line; the next one may lack its start."""
        self._held.clear()
        self._skipping = False
        self._fresh = True

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        out: list[Frame | Damaged] = []
        self._held += data
        start = 0
        while (m := _END.search(self._held, start)) is not None:
            line = bytes(self._held[start : m.start()])
            start = m.end()
            if self._skipping:
                self._skipping = False
            elif len(line) > LONGEST:
                out.append(self._too_long(line))
            elif line.strip():
                item = self._read(line)
                out.append(item if isinstance(item, Frame) else Damaged(item, line, self._fresh))
            self._fresh = False
        del self._held[:start]
        if len(self._held) > LONGEST:
            if not self._skipping:
                out.append(self._too_long(bytes(self._held)))
            self._held.clear()
            self._skipping = True
            self._fresh = False
        return out

    def _too_long(self, line: bytes) -> Damaged:
        return Damaged(f"no line end within {LONGEST} bytes", line[:LONGEST], self._fresh)

    def _read(self, line: bytes) -> Frame | str:
        try:
            found = _decode(line.decode("utf-8"))
        except (ValueError, RecursionError, ArithmeticError):
            return "not a JSON object"
        if not isinstance(found, dict):
            return "not a JSON object"
        value = _number(_at(found, self._value))
        if value is None:
            return f"no number under {'.'.join(self._value)}"
        return self._valued(value.scaleb(self._power) if self._power else value, found)

    def _valued(self, value: Decimal, found: dict[str, Any]) -> Frame | str:
        unit: Unit | None = self._scales.unit
        said, step = _at(found, self._unit), _at(found, self._step)
        for name, what in (("unit", said), ("step", step)):
            # A line that lost the name of its unit would be read in another one; some indicators name one of their units only.
            if what is None and name in self._said and self._bare < LEARNT:
                self._bare += 1
                return f"no {name}, unlike the lines before"
        if said is not None:
            unit = _UNITS.get(said.strip().lower()) if isinstance(said, str) else None
            if unit is None:
                return f"unit {said!r:.40} is not mm or in"
        assert unit is not None
        scale = self._scales.stated(unit)
        if step is not None:
            size = _number(step)
            if size is None or not 0 < size * _MM[unit] <= LARGEST_MM or size < Decimal("1e-9"):
                return f"step {step!r:.40} is no display step"
            if scale is None or scale.step != size:
                scale = self._scale(unit, size)
        if scale is None:
            return f"unit is {unit}, but neither the line nor the profile (step_{unit}) says its step"
        if abs(value) * _MM[unit] > LARGEST_MM:
            return "value out of any indicator's range"
        counts, exact = scale.counts_of(value)
        if not exact and abs(counts * scale.step - value) > _FROM_STEP * scale.step:
            return f"value {value} is not a whole number of steps of {scale.step} {scale.unit}"
        self._bare = 0 if said is not None else self._bare
        self._said |= {name for name, what in (("unit", said), ("step", step)) if what is not None}
        return Frame(counts, scale, f"{value if exact else counts * scale.step:f} {scale.unit}")

    def _scale(self, unit: Unit, step: Decimal) -> Scale:
        if len(self._own) > 64:
            self._own.clear()
        return self._own.setdefault((unit, step), Scale(step, unit))


def _at(found: Any, path: list[str]) -> Any:
    for name in path:
        if isinstance(found, list):
            at = int(name) if _PLACE.fullmatch(name) else len(found)
            found = found[at] if at < len(found) else None
        elif isinstance(found, dict):
            found = found.get(name)
        else:
            return None
    return found


def _number(x: Any) -> Decimal | None:
    if isinstance(x, str):
        try:
            x = Decimal(x.strip().replace(",", ".")) if len(x) <= 64 else None
        except ArithmeticError:
            return None
    if not isinstance(x, Decimal):
        return None
    if x.is_zero():
        return Decimal(0)
    # An absurd power of ten would be written out in full.
    plain = x.is_finite() and -30 < x.adjusted() < 30 and len(x.as_tuple().digits) <= 40
    return x if plain else None
