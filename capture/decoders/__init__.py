"""Wire formats, each named by what its bytes are."""

from __future__ import annotations

from capture.decoders.contract import Damaged, Decoder, Frame
from capture.decoders.text_line import TextLine

__all__ = ["Damaged", "Decoder", "Frame", "TextLine"]
