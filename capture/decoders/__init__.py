"""Wire formats, each named by what its bytes are."""

from __future__ import annotations

from capture.decoders.attribute_packets import AttributePackets
from capture.decoders.contract import Damaged, Decoder, Frame
from capture.decoders.counted_binary import CountedBinary
from capture.decoders.fixed_frames import LayoutError
from capture.decoders.fixed_text import FixedText
from capture.decoders.gatt_length import GattLength
from capture.decoders.json_lines import JsonLines
from capture.decoders.packed_decimal import PackedDecimal
from capture.decoders.text_line import TextLine

__all__ = [
    "AttributePackets",
    "CountedBinary",
    "Damaged",
    "Decoder",
    "FixedText",
    "Frame",
    "GattLength",
    "JsonLines",
    "LayoutError",
    "PackedDecimal",
    "TextLine",
]
