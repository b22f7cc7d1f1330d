"""A checked profile, and the decoder it makes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from decimal import Decimal
from typing import Any

from analysis.readings import Scale, Unit
from capture.decoders import (
    AttributePackets,
    CountedBinary,
    Decoder,
    FixedText,
    Frame,
    GattLength,
    JsonLines,
    PackedDecimal,
    TextLine,
)
from capture.profiles.keys import end_text


@dataclass(frozen=True)
class Profile:
    """A checked profile.

    Attributes
    ----------
    table : dict
        As recorded in a stream's header: ``use`` with a packaged profile, and everything that was set beyond it, so that the
        recording needs no file beside it to be read again.
    values : dict
        Every key in force.
    kind : str
        Wire format: the packaged profile it starts from.
    name : str
        The name it was loaded by.
    """

    table: dict[str, Any]
    values: dict[str, Any]
    kind: str = "text-line"
    name: str = "text-line"

    @property
    def scale(self) -> Scale:
        """Unit and step where the bytes do not carry them."""
        return Scale(Decimal(str(self.values["resolution"])), self.values["unit"])

    @property
    def period_s(self) -> float:
        """Expected time between readings."""
        return 1.0 / float(self.values["rate"])

    @property
    def steps(self) -> dict[Unit, Decimal]:
        """Display steps stated by unit."""
        named: tuple[tuple[str, Unit], ...] = (("step_mm", "mm"), ("step_in", "in"))
        return {unit: Decimal(str(self.values[key])) for key, unit in named if key in self.values}

    @property
    def packets(self) -> bool:
        """Whether a Bluetooth source keeps the packet around each value."""
        return self.kind == "gatt-length" or self.values.get("packets") == "attribute"

    def decoder(self) -> Decoder:
        """A new decoder."""
        return DECODERS[self.kind](self)


def _picked(p: Profile, *names: str) -> dict[str, Any]:
    return {n: p.values[n] for n in names if n in p.values}


def _text_line(p: Profile) -> Decoder:
    how = _picked(p, "pattern", "places", "power", "checksum", "crc")
    if "length" in p.values:
        return FixedText(p.scale, length=p.values["length"], steps=p.steps, **how)
    return TextLine(p.scale, end=end_text(p.values["end"]), steps=p.steps, **how)


_CODES = ("plus", "minus", "mm", "inch")
_CHECK = ("check", "check_from", "check_endian", "crc")


def _packed_decimal(p: Profile) -> Decoder:
    how = _picked(p, "layout", "nibbles", "bits", "digits", "point_from", "places", *_CODES, *_CHECK)
    return PackedDecimal(p.scale, steps=p.steps, **how)


def _counted_binary(p: Profile) -> Decoder:
    how = _picked(p, "layout", "endian", "sign", "number", "power", *_CODES, *_CHECK)
    if not p.packets:
        return CountedBinary(p.scale, steps=p.steps, **how)
    one = CountedBinary(p.scale, steps=p.steps, packets=True, **how)

    def value(data: bytes) -> Frame | str:
        return one.judge(data) if len(data) == one.size else f"value has {len(data)} bytes, the layout {one.size}"

    return AttributePackets(value)


def _json_lines(p: Profile) -> Decoder:
    return JsonLines(p.scale, steps=p.steps, **_picked(p, "value_key", "unit_key", "step_key", "power"))


def _gatt_length(p: Profile) -> Decoder:
    return GattLength(p.scale, steps=p.steps)


DECODERS: dict[str, Callable[[Profile], Decoder]] = {
    "text-line": _text_line,
    "packed-decimal": _packed_decimal,
    "counted-binary": _counted_binary,
    "json-lines": _json_lines,
    "gatt-length": _gatt_length,
}
"""Makers of decoders by wire format; each has a packaged profile of its name."""
