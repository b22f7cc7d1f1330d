"""A Bluetooth characteristic that says by itself what it holds: its Presentation Format descriptor.

Numbers are those of the Bluetooth SIG's Assigned Numbers: descriptor 0x2904 (format, exponent, unit, name space, description);
the formats that are whole numbers, the two binary fractions, and the two decimal fractions of IEEE 11073-20601; units 0x2701 (length in metres) and 0x27A2 (length in inches).
"""

from __future__ import annotations

import struct
from decimal import Decimal

from analysis.readings import Scale, Unit
from capture.decoders.attribute_packets import AttributePackets
from capture.decoders.contract import Damaged, Frame
from capture.decoders.scales import Scales, checked, counted, nearest

PRESENTATION_FORMAT = "00002904-0000-1000-8000-00805f9b34fb"
UNITS: dict[int, tuple[Unit, int]] = {0x2701: ("mm", 3), 0x27A2: ("in", 0)}
"""Unit of the reading by unit number, and the power of ten from the number's unit to it."""

_UNSIGNED = {0x04: 8, 0x05: 12, 0x06: 16, 0x07: 24, 0x08: 32, 0x09: 48, 0x0A: 64, 0x0B: 128}
_SIGNED = {0x0C: 8, 0x0D: 12, 0x0E: 16, 0x0F: 24, 0x10: 32, 0x11: 48, 0x12: 64, 0x13: 128}
_BINARY_FRACTION = {0x14: "<f", 0x15: "<d"}
_DECIMAL_FRACTION = {0x16: (16, 12), 0x17: (32, 24)}
"""Bits in all, and of the number before the power of ten."""

_SPECIAL = 2
"""As near the middle of its range the number before the power stands for what is no number."""

_FINEST, _COARSEST = Decimal("1e-9"), Decimal(1000)
"""Steps in mm or inch beyond which no indicator goes."""


def is_length(description: bytes) -> bool:
    """Whether a Presentation Format descriptor describes a length this decoder reads."""
    return not isinstance(_described(description), str)


def fraction_unit(description: bytes) -> Unit | None:
    """Unit of a length in a format that has no step of its own; None for any other."""
    how = _described(description)
    return how.scale.unit if not isinstance(how, str) and (how.fraction or how.decimal) else None


class GattLength:
    """Decoder for a characteristic that describes itself.

    Parameters
    ----------
    scale : Scale
        Display step for values that are binary fractions, which have none of their own.
    steps : dict, optional
        Such steps by unit.
    """

    def __init__(self, scale: Scale, *, steps: dict[Unit, Decimal] | None = None) -> None:
        self._scales = Scales(scale, steps)
        self._how: _Description | str = "a value before its description"
        self._seen = b""
        self._packets = AttributePackets(self._value, self._describe)

    def reset(self) -> None:
        """Forget half a packet, and what was described: it may be another indicator."""
        self._packets.reset()
        self._how, self._seen = "a value before its description", b""

    def feed(self, data: bytes) -> list[Frame | Damaged]:
        """Take bytes; give the frames they complete."""
        return self._packets.feed(data)

    def _describe(self, description: bytes) -> None:
        if description != self._seen:
            self._how, self._seen = _described(description), description

    def _value(self, data: bytes) -> Frame | str:
        how = self._how
        if isinstance(how, str):
            return how
        if len(data) != how.size:
            return f"value has {len(data)} bytes, its format {how.size}"
        if how.fraction or how.decimal:
            return self._fraction(data, how)
        counts = int.from_bytes(data, "little", signed=how.signed)
        if how.bits == 12:
            counts &= 0xFFF
            counts -= 0x1000 if how.signed and counts & 0x800 else 0
        return checked(counts, how.scale)

    def _fraction(self, data: bytes, how: _Description) -> Frame | str:
        scale = self._scales.stated(how.scale.unit)
        if scale is None:
            return f"unit is {how.scale.unit}, but the profile has no step_{how.scale.unit}"
        if how.decimal:
            return _decimal(int.from_bytes(data, "little"), how, scale)
        (number,) = struct.unpack(how.fraction, data)
        return nearest(number, scale, how.power)


def _decimal(bits: int, how: _Description, scale: Scale) -> Frame | str:
    number, power = bits & ((1 << how.decimal) - 1), bits >> how.decimal
    if abs(number - (1 << how.decimal - 1)) <= _SPECIAL:
        return "value is no number"
    number -= (number >> how.decimal - 1) << how.decimal
    most = 1 << how.bits - how.decimal
    power -= most if power >= most // 2 else 0
    return counted(Decimal(number).scaleb(power + how.power), scale)


class _Description:
    """A descriptor that was understood."""

    def __init__(self, form: int, scale: Scale, power: int) -> None:
        self.scale = scale
        self.power = power
        self.signed = form in _SIGNED
        self.fraction = _BINARY_FRACTION.get(form, "")
        whole = _SIGNED.get(form) or _UNSIGNED.get(form)
        decimal, self.decimal = _DECIMAL_FRACTION.get(form, (0, 0))
        self.bits = whole or decimal or 8 * struct.calcsize(self.fraction)
        self.size = (self.bits + 7) // 8


def _described(description: bytes) -> _Description | str:
    if len(description) != 7:
        return "a description of another length than seven bytes"
    form, exponent, unit_number, _, _ = struct.unpack("<BbHBH", description)
    fraction = form in _BINARY_FRACTION or form in _DECIMAL_FRACTION
    if form not in _SIGNED and form not in _UNSIGNED and not fraction:
        return f"format 0x{form:02X} is no number this program reads"
    if unit_number not in UNITS:
        return f"unit 0x{unit_number:04X} is not a length in metres or inches"
    unit, power = UNITS[unit_number]
    step = Decimal(1).scaleb(exponent + power)
    if not fraction and not _FINEST <= step <= _COARSEST:
        return f"step 1e{exponent + power} {unit} is no indicator's"
    return _Description(form, Scale(step, unit), exponent + power)
