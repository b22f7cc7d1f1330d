"""The value in a piece of text.

A pattern with named groups finds it: ``sign``, ``value``, and if present ``after`` (a sign after the value), ``exponent`` (a power of
ten), ``unit``, ``mm`` and ``inch`` (whichever matches says the unit), ``sum`` (a checksum), ``summed`` (what it is over).
The default pattern takes what most devices send; letters may stand before the value, but no byte with its high bit set: that is
damage, and may have been the sign.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from decimal import Decimal
from typing import Any, NamedTuple

from analysis.readings import Scale, Unit
from capture.decoders.contract import LARGEST_MM, Frame
from capture.decoders.line_form import LEARNT, MOST_PLACES
from capture.decoders.scales import Scales
from capture.decoders.text_checks import TextCheck

DEFAULT_PATTERN = (
    r"^[^0-9+.,\-\x80-\xff]*(?P<sign>[+-]?)\s*(?P<value>\d+(?:[.,]\d*)?|[.,]\d+)\s*(?P<after>[+-]?)\s*"
    r"(?P<unit>mm|MM|in|IN|inch|INCH|\"|'')?\s*$"
)

_PLAIN = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)")
_POWER = re.compile(r"[+-]?[0-9]{1,2}", re.ASCII)
_UNITS: dict[str, Unit] = {"mm": "mm", "in": "in", "inch": "in", '"': "in", "''": "in"}
_MM = {"mm": Decimal(1), "in": Decimal("25.4")}


class Found(NamedTuple):
    """A value, and how it was written: its sign, its digits, its power of ten, and what stood before it where it may be anything."""

    frame: Frame
    sign: str
    body: str
    exponent: str
    ahead: str


class TextValue:
    """Finds the value in a piece of text.

    Parameters
    ----------
    scale : Scale
        Unit and step where the text does not carry them.
    pattern : str, optional
        Regular expression with a named group ``value``.
    places : int, optional
        Decimal places of a value sent without a point.  Without it such a value counts whole units until a line with a point comes;
        from then on it is damaged.
    power : int
        The number sent is multiplied by this power of ten.
    checksum : str
        "none", or what `TextCheck` takes: hex digits in the group ``sum``, over the group ``summed`` or else everything before them.
    crc : mapping, optional
        For the checksum "crc-hex".
    steps : dict, optional
        Display step by unit; where it is not stated it is what the digits show.
    """

    def __init__(
        self,
        scale: Scale,
        *,
        pattern: str | None = None,
        places: int | None = None,
        power: int = 0,
        checksum: str = "none",
        crc: Mapping[str, Any] | None = None,
        steps: dict[Unit, Decimal] | None = None,
    ) -> None:
        self._scales = Scales(scale, steps)
        self._pattern = re.compile(pattern or DEFAULT_PATTERN)
        self._words = [g for g in ("mm", "inch") if g in self._pattern.groupindex]
        self._any_words = pattern is None
        self._told = False
        self.bare = 0
        """Values in a row without a unit since one had it; set to 0 for a line already read."""
        self._places = places
        self._power = power
        self._check = TextCheck(checksum, crc) if checksum != "none" else None

    def point_may_lack(self, scale: Scale) -> bool:
        """Whether a number without a decimal point is a whole one."""
        return self._places is not None or scale.step >= Decimal(1).scaleb(self._power)

    def step_places(self, scale: Scale) -> int:
        """Decimal places that a number on a step may need."""
        return max(0, self._power - int(scale.step.normalize().as_tuple().exponent))

    def read(self, data: bytes) -> Found | str:
        """The value, or why there is none."""
        m = self._pattern.match(data.decode("latin-1"))
        if m is None or m["value"] is None:
            return "not a value"
        groups = m.groupdict()
        if self._check is not None:
            stated = groups.get("sum")
            summed = groups.get("summed")
            over = summed.encode("latin-1") if summed is not None else data[: m.start("sum")] if stated else b""
            why = self._check.judge(over, stated)
            if why is not None:
                return why
        body = m["value"].strip().replace(",", ".")
        before, after = groups.get("sign") or "", groups.get("after") or ""
        if before and after:
            return "two signs"
        if not _PLAIN.fullmatch(body):
            # An own pattern may let through what a decimal takes and a display never shows: words, powers of ten.
            return "not a number"
        exponent = groups.get("exponent") or ""
        if exponent and not _POWER.fullmatch(exponent):
            return "no power of ten"
        value = Decimal(body)
        power = self._power + int(exponent or 0)
        if "." not in body and self._places is not None:
            power -= self._places
        if power:
            value = value.scaleb(power)
        if "-" in (before, after):
            value = -value
        unit, why = self._unit(groups)
        if unit is None:
            return why
        frame = self._frame(value, unit, len(body.partition(".")[2]) - power)
        if isinstance(frame, str):
            return frame
        return Found(frame, before or after, body, exponent, m.string[: m.start("sign")] if self._any_words else "")

    def _unit(self, groups: dict[str, str | None]) -> tuple[Unit | None, str]:
        """Unit of a line, or why it has none."""
        if said := groups.get("unit"):
            unit = _UNITS.get(said.lower())
            self._told = self._told or unit is not None
            self.bare = 0
            return unit, f"unit {said!r} is not mm or in"
        if self._words:
            found = [g for g in self._words if groups[g]]
            if len(found) > 1:
                return None, "two units"
            if found:
                return ("mm" if found[0] == "mm" else "in"), ""
            if len(self._words) > 1:
                return None, "no unit"
        if self._told:
            # A line that lost its unit would be read in another one; some indicators show one of their units only.
            self.bare += 1
            if self.bare < LEARNT:
                return None, "no unit, unlike the lines before"
        return self._scales.unit, ""

    def _frame(self, value: Decimal, unit: Unit, digits: int) -> Frame | str:
        # The step of the other unit is what the digits show, unless it is stated.
        scale = self._scales.stated(unit) or self._scales.of_digits(unit, min(max(digits, 0), MOST_PLACES))
        counts, exact = scale.counts_of(value)
        if not exact:
            return f"value {value} is not a whole number of steps of {scale.step} {scale.unit}"
        if abs(value) * _MM[unit] > LARGEST_MM:
            return "value out of any indicator's range"
        return Frame(counts, scale, f"{value:f} {unit}")
